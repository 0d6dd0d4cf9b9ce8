"""How far rail seats may stand out of line before the rail no longer lies on all of them.

A rail is a beam on springs: pads under its foot in height, shoulders beside it sideways. Where seats do not lie on a
smooth line it bends, and needs a force at each seat to do so; the clips give no more than their hold. For a beam over
equal spans a, the theorem of three moments with settling supports (Clapeyron, Bertot; Timoshenko, Strength of
Materials, part I, from memory) says with u the rail over the seats, M the moments and R the forces on the rail

    M[i-1] + 4 M[i] + M[i+1] = (6 EI / a^2) (u[i-1] - 2 u[i] + u[i+1])
    R[i] = -(M[i-1] - 2 M[i] + M[i+1]) / a,        R[i] = k (y[i] - u[i])

with y the seats and k the spring of one. All of it is linear and the same at each seat, so that R is the second
difference of y folded with a kernel; the worst seats have second differences of the largest size and the kernel's
signs, and the sum of the kernel's absolute values is what they do. Without springs (k infinite) that sum is
12 EI / a^3 in closed form. Only one seat between two others, the rest away, is the textbook's beam of span 2a with a
force F in its middle: it stands out by F (2a)^3 / (48 EI) = F a^3 / (6 EI), a second difference of F a^3 / (3 EI).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from geometry.alignment.laws import Floats

__all__ = ["Beam", "largest_kink", "seat_forces"]

_RING = 4096  # seats of a ring that stands for an endless rail: the kernel dies out within twenty


@dataclass(frozen=True)
class Beam:
    """A rail in one direction, and what holds it.

    Parameters
    ----------
    bending : float
        EI, N m^2.
    spring : float
        Of the support at one seat, N/m; may be infinite.
    hold : float
        Force with which a seat keeps the rail down, or in place, N.
    """

    bending: float
    spring: float
    hold: float

    def __post_init__(self) -> None:
        if not (self.bending > 0 and self.spring > 0 and self.hold > 0):
            raise ValueError(f"a beam needs bending stiffness, spring and hold over 0, got {self}")


def seat_forces(beam: Beam, spacing: float, seats: Floats) -> Floats:
    """Return the force on the rail at each seat of an endless row, + where the seat pushes it to its own side.

    Parameters
    ----------
    beam : Beam
    spacing : float
        Of the seats, m.
    seats : ndarray, shape (n,)
        How far each stands out of line, m; the row repeats after its end.

    Returns
    -------
    ndarray, shape (n,)
        N; zero everywhere if the seats lie on a straight line.
    """
    turn = np.asarray(2 * np.pi * np.fft.fftfreq(len(seats)), dtype=np.float64)
    return np.asarray(np.fft.ifft(np.fft.fft(seats) * _stiffness(beam, spacing, turn)).real)


def _stiffness(beam: Beam, spacing: float, turn: Floats) -> Floats:
    """Return force over height for seats that wave by an angle from one to the next."""
    second = 2 - 2 * np.cos(turn)
    rigid = 6 * beam.bending / spacing**3 * second**2 / (4 + 2 * np.cos(turn))
    return np.asarray(rigid / (1 + rigid / beam.spring))


def largest_kink(beam: Beam, spacing: float) -> float:
    """Return by how much the slope from seat to seat may change at any seat, rad.

    Whatever the seats, as long as their slope changes nowhere by more, no seat needs more force than the hold. The
    second difference of equally spaced seats is this times their spacing.

    Parameters
    ----------
    beam : Beam
    spacing : float
        Of the seats, m.

    Examples
    --------
    60 kg/m, stiff supports, then pads of 22.5 kN/mm, both with 18 kN; as second difference, mm:

    >>> [round(650 * largest_kink(Beam(6.38e6, spring, 18e3), 0.65), 3) for spring in (np.inf, 22.5e6)]
    [0.065, 1.164]
    """
    turn = 2 * np.pi * np.fft.fftfreq(_RING)
    second = 2 - 2 * np.cos(turn)
    rigid = 6 * beam.bending / spacing**3 * second / (4 + 2 * np.cos(turn))
    kernel = np.fft.ifft(rigid / (1 + second * rigid / beam.spring)).real
    return float(beam.hold / (np.abs(kernel).sum() * spacing))
