"""Numbers for people: a true minus sign, no sign at zero, a dash for what is not known.

What machines read, CSV and JSON, keeps the hyphen.
"""

from __future__ import annotations

import math
import re
from typing import Final

__all__ = ["DASH", "MINUS", "number", "number_mm", "plain_number", "with_minus"]

MINUS: Final = "\N{MINUS SIGN}"
DASH: Final = "\N{EN DASH}"
_HYPHEN_BEFORE_NUMBER = re.compile(r"(?<![\w.])-(?=\.?\d)")


def number(value: float, decimals: int = 2, *, sign: bool = False) -> str:
    """Return a number as text.

    Parameters
    ----------
    value : float
        nan and infinities become a dash.
    decimals : int
    sign : bool
        Whether a positive number carries its plus sign.

    Examples
    --------
    >>> number(-3.456), number(0.001, sign=True), number(float("nan")), number(7.25, 1, sign=True)
    ('\N{MINUS SIGN}3.46', '0.00', '\N{EN DASH}', '+7.2')
    """
    if not math.isfinite(value):
        return DASH
    # adding zero turns -0.0, which rounding makes of a small negative number, into 0.0
    rounded = round(value, decimals) + 0.0
    return f"{rounded:{'+' if sign and rounded else ''}.{decimals}f}".replace("-", MINUS)


def number_mm(value: float, decimals: int = 1) -> str:
    """Return a signed number of millimetres, without the unit.

    Examples
    --------
    >>> number_mm(1.25), number_mm(-0.04), number_mm(-2.5)
    ('+1.2', '0.0', '\N{MINUS SIGN}2.5')
    """
    text = f"{value:+.{decimals}f}"
    return text[1:] if float(text) == 0.0 else text.replace("-", MINUS)


def plain_number(value: float) -> str:
    """Return a number in as many digits as it has, up to six, without a plus sign.

    Examples
    --------
    >>> plain_number(-2.0), plain_number(0.25)
    ('\N{MINUS SIGN}2', '0.25')
    """
    return f"{value:g}".replace("-", MINUS)


def with_minus(text: str) -> str:
    """Return a text in which every hyphen that stands for a minus is one; those within names stay.

    Examples
    --------
    >>> with_minus("Q-12: bed -7 to +7 mm, R -6400 m, 27-30")
    'Q-12: bed \N{MINUS SIGN}7 to +7 mm, R \N{MINUS SIGN}6400 m, 27-30'
    """
    return _HYPHEN_BEFORE_NUMBER.sub(MINUS, text)
