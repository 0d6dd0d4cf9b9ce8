"""Refractive index of moist air by the full equations, to check closed formulas against.

P. E. Ciddor, "Refractive index of air: new equations for the visible and near infrared", Applied Optics 35 (1996)
1566-1573, appendices A and B; group index by differentiation.
"""

from __future__ import annotations

__all__ = ["group_index", "phase_index"]

_GAS = 8.314510  # J / (mol K)
_WATER = 0.018015  # kg / mol


def _compressibility(pressure: float, kelvin: float, moist: float) -> float:
    t = kelvin - 273.15
    first = 1.58123e-6 - 2.9331e-8 * t + 1.1043e-10 * t**2
    first += (5.707e-6 - 2.051e-8 * t) * moist + (1.9898e-4 - 2.376e-6 * t) * moist**2
    ratio = pressure / kelvin
    return 1 - ratio * first + ratio**2 * (1.83e-11 - 0.765e-8 * moist**2)


def phase_index(wavelength: float, celsius: float, hpa: float, vapour_hpa: float = 0.0, carbon: float = 450.0) -> float:
    """Return n - 1; wavelength in micrometres, carbon dioxide in ppm."""
    wave = wavelength**-2
    dry = 1e-8 * (5792105 / (238.0185 - wave) + 167917 / (57.362 - wave)) * (1 + 5.34e-7 * (carbon - 450))
    wet = 1.022e-8 * (295.235 + 2.6422 * wave - 0.03238 * wave**2 + 0.004028 * wave**3)
    molar = 1e-3 * (28.9635 + 12.011e-6 * (carbon - 400))
    kelvin, pressure = celsius + 273.15, 100 * hpa
    moist = (1.00062 + 3.14e-8 * pressure + 5.6e-7 * celsius**2) * 100 * vapour_hpa / pressure
    z = _compressibility(pressure, kelvin, moist)
    density_dry = pressure * molar * (1 - moist) / (z * _GAS * kelvin)
    density_wet = pressure * _WATER * moist / (z * _GAS * kelvin)
    standard_dry = 101325 * molar / (_compressibility(101325, 288.15, 0) * _GAS * 288.15)
    standard_wet = 1333 * _WATER / (_compressibility(1333, 293.15, 1) * _GAS * 293.15)
    return density_dry / standard_dry * dry + density_wet / standard_wet * wet


def group_index(wavelength: float, celsius: float, hpa: float, vapour_hpa: float = 0.0, carbon: float = 375.0) -> float:
    """Return n - 1 of the group velocity: n - wavelength dn / dwavelength."""
    step = 1e-4
    ahead, back = (phase_index(wavelength + d, celsius, hpa, vapour_hpa, carbon) for d in (step, -step))
    return phase_index(wavelength, celsius, hpa, vapour_hpa, carbon) - wavelength * (ahead - back) / (2 * step)
