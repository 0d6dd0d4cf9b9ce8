"""The speed of light in air, and what it does to a measured distance."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from geometry.alignment.laws import Floats

__all__ = ["Air", "group_refractivity", "vapour_pressure", "velocity_factor"]


@dataclass(frozen=True)
class Air:
    """What a distance meter assumes of the air.

    Attributes
    ----------
    wavelength : float
        Of its carrier in vacuum, micrometres: 0.4 .. 1.6.
    temperature, pressure, humidity : float
        Air for which its distances need no correction: degrees Celsius, hPa, percent.
    """

    wavelength: float = 0.658
    temperature: float = 12.0
    pressure: float = 1013.25
    humidity: float = 60.0

    def __post_init__(self) -> None:
        if not 0.4 <= self.wavelength <= 1.6:
            raise ValueError(f"a wavelength of {self.wavelength!r} micrometres is outside 0.4 to 1.6")


def vapour_pressure(temperature: Floats | float, pressure: Floats | float, humidity: Floats | float) -> Floats:
    """Return the partial pressure of water vapour, hPa.

    Guide to Instruments and Methods of Observation, WMO-No. 8, annex 4.B: over water, with the enhancement factor.

    Parameters
    ----------
    temperature, pressure, humidity : float or ndarray
        Degrees Celsius, hPa, percent relative humidity.

    Examples
    --------
    >>> round(float(vapour_pressure(20.0, 1013.25, 100.0)), 2)
    23.44
    """
    t, p = np.asarray(temperature, dtype=np.float64), np.asarray(pressure, dtype=np.float64)
    saturated = 6.112 * np.exp(17.62 * t / (243.12 + t)) * (1.0016 + 3.15e-6 * p - 0.074 / p)
    return np.asarray(saturated * np.asarray(humidity) / 100.0)


def group_refractivity(
    wavelength: float, temperature: Floats | float, pressure: Floats | float, humidity: Floats | float
) -> Floats:
    """Return (n - 1) 1e6 of the group velocity of light.

    Closed formula of Resolution 3 of the International Association of Geodesy, XXII General Assembly, Birmingham
    1999 (J. M. Rueger, "Refractive index formulae for radio waves and visible light", FIG XXII Congress 2002), for
    air with 375 ppm of carbon dioxide; within 1 ppm of the full theory.

    Parameters
    ----------
    wavelength : float
        In vacuum, micrometres.
    temperature, pressure, humidity : float or ndarray
        Degrees Celsius, hPa, percent.
    """
    dispersion = 287.6155 + 4.88660 / wavelength**2 + 0.06800 / wavelength**4
    kelvin = 273.15 + np.asarray(temperature, dtype=np.float64)
    vapour = vapour_pressure(temperature, pressure, humidity)
    return np.asarray(dispersion * (273.15 / 1013.25) * np.asarray(pressure) / kelvin - 11.27 * vapour / kelvin)


def velocity_factor(
    air: Air, temperature: Floats | float, pressure: Floats | float, humidity: Floats | float
) -> Floats:
    """Return by what a distance shown has to be multiplied (first velocity correction).

    The instrument divides by the index of its reference air, the light travels by that of the true one.

    Examples
    --------
    One degree warmer lengthens a distance by about one part in a million:

    >>> warm = float(velocity_factor(Air(), 13.0, 1013.25, 60.0))
    >>> round((warm - 1) * 1e6, 1)
    1.0
    """
    assumed = 1 + 1e-6 * group_refractivity(air.wavelength, air.temperature, air.pressure, air.humidity)
    return np.asarray(assumed / (1 + 1e-6 * group_refractivity(air.wavelength, temperature, pressure, humidity)))
