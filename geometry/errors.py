"""What can be wrong with an input, and how it is told.

SlabposeError               everything below; the command line turns it into exit status 2
InputError                faults in files or settings, all of them at once
AlignmentError            elements that make no alignment: an impossible element, a jump
DistanceError             a distance outside the alignment
ChainageError             a chainage that names no point, or two
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field

__all__ = ["AlignmentError", "ChainageError", "DistanceError", "Fault", "Faults", "InputError", "SlabposeError"]


class SlabposeError(Exception):
    """A mistake in what the program was given, told in words its user can act on."""


class AlignmentError(SlabposeError):
    """Elements that do not make an alignment.

    Parameters
    ----------
    problems : str, or iterable of (profile, element, text)
        What is wrong, with the profile ("horizontal", "vertical" or "cant") and the number of the element,
        from 1, where it shows.
    """

    def __init__(self, problems: str | Iterable[tuple[str, int, str]]) -> None:
        self.problems = (("", 0, problems),) if isinstance(problems, str) else tuple(problems)
        super().__init__("\n".join(text for _, _, text in self.problems))


class DistanceError(SlabposeError):
    """A distance outside the alignment."""


class ChainageError(SlabposeError):
    """A chainage that names no point of the line, or more than one."""


@dataclass(frozen=True)
class Fault:
    """One thing wrong with an input.

    Parameters
    ----------
    where : str
        File, line and column, as far as they are known: ``points.csv:3: level_m``.
    expected, found : str
        What the rule asks for, and what stands there.
    hint : str
        What it may be, or what to do next; may be empty.

    Examples
    --------
    >>> print(Fault("points.csv:3: level_m", "a level of 40 to 120 m", "98231.4", "millimetres?"))
    points.csv:3: level_m: expected a level of 40 to 120 m, found 98231.4 (millimetres?)
    """

    where: str
    expected: str
    found: str
    hint: str = ""

    def __str__(self) -> str:
        """Return the fault as one line."""
        hint = f" ({self.hint})" if self.hint else ""
        return f"{self.where}: expected {self.expected}, found {self.found}{hint}"


class InputError(SlabposeError):
    """Faults of one or more inputs, told together."""

    def __init__(self, faults: Iterable[Fault]) -> None:
        self.faults = tuple(faults)
        super().__init__("\n".join(str(fault) for fault in self.faults))


@dataclass
class Faults:
    """Collects faults, so that a user sees all of them in one run.

    ``errors`` stop the work, ``warnings`` are carried along and shown.
    """

    errors: list[Fault] = field(default_factory=list)
    warnings: list[Fault] = field(default_factory=list)

    def error(self, where: str, expected: str, found: object, hint: str = "") -> None:
        """Note something that stops the work."""
        self.errors.append(Fault(where, expected, str(found), hint))

    def warn(self, where: str, expected: str, found: object, hint: str = "") -> None:
        """Note something that may be meant."""
        self.warnings.append(Fault(where, expected, str(found), hint))

    def stop_if_any(self) -> None:
        """Raise every error noted so far.

        Raises
        ------
        InputError
            If there is at least one.
        """
        if self.errors:
            raise InputError(self.errors)
