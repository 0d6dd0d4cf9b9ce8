"""A design alignment as an open format gives it, before it is built."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import TypeVar

from geometry.alignment import (
    Alignment,
    AllowedJump,
    CantElement,
    ChainageCount,
    HorizontalElement,
    TrackRules,
    VerticalElement,
    build,
    chainage_count,
)
from geometry.errors import AlignmentError, ChainageError, Faults

from .cells import near, show
from .places import FAR

__all__ = ["Design", "build_design", "choose_alignment", "covering_cant", "tell_far"]

_AGREE = 1e-3  # stations are printed rounded, m
_LONGEST = 1e6  # m
_MOST_NAMES = 12
Found = TypeVar("Found")


@dataclass(frozen=True, eq=False)
class Design:
    """Elements of one alignment with the places in the file that they come from.

    Attributes
    ----------
    name : str
    file : str
        Name of the file, for messages.
    horizontal, vertical, cant : tuple
        Elements in order; distances of profile and cant count from the start of the horizontal alignment, m.
    where : dict of str to tuple of str
        For ``horizontal``, ``vertical`` and ``cant``: file, line and entity of each element.
    start_chainage : float
        m.
    equations : tuple of (back, ahead)
        Chainage equations in order along the line, m.
    rules : TrackRules
        Pivot and cant base as far as the file says them, else the usual ones.
    notes : tuple of str
        What was taken for granted, and what the file says besides: shown to the user, kept in an imported project.
    """

    name: str
    file: str
    horizontal: tuple[HorizontalElement, ...]
    vertical: tuple[VerticalElement, ...]
    cant: tuple[CantElement, ...] = ()
    where: dict[str, tuple[str, ...]] = field(default_factory=dict)
    start_chainage: float = 0.0
    equations: tuple[tuple[float, float], ...] = ()
    rules: TrackRules = field(default_factory=TrackRules)
    notes: tuple[str, ...] = ()

    def place(self, profile: str, element: int) -> str:
        """Return where element number `element`, from 1, of a profile stands in the file."""
        places = self.where.get(profile, ())
        return places[element - 1] if 0 < element <= len(places) else self.file


def choose_alignment(
    found: Sequence[tuple[str, bool, Found]], wanted: str, name: str | None, file: str, faults: Faults
) -> Found | None:
    """Return one of the alignments of a file: the one of a name, else the only one, else the only complete one.

    Parameters
    ----------
    found : sequence of (name, complete, alignment)
        Complete is one with plan and profile.
    wanted : str
        What the file should have at least one of, for a message.
    name : str, optional
        Which one.
    file : str
        For messages.
    faults : Faults
        Takes why there is none.
    """
    names = [one for one, _, _ in found]
    told = ", ".join(show(one, 60) for one in names[:_MOST_NAMES])
    told += f" and {len(names) - _MOST_NAMES} more" if len(names) > _MOST_NAMES else ""
    chosen = [one for one in found if one[0] == name] if name is not None else [one for one in found if one[1]]
    if name is None and len(found) == 1:
        chosen = list(found)
    if len(chosen) == 1:
        return chosen[0][2]
    if not found:
        faults.error(file, wanted, "none")
    elif name is None:
        faults.error(file, "one alignment with a profile, or the name of one", told, "name it with --alignment")
    elif chosen:
        faults.error(file, f"one alignment {show(name, 60)}", f"{len(chosen)} of that name")
    else:
        faults.error(file, f"an alignment {show(name, 60)}", told, near(name, names))
    return None


def build_design(
    design: Design, faults: Faults, rules: TrackRules | None = None, allowed: Sequence[AllowedJump] = ()
) -> tuple[Alignment, ChainageCount] | None:
    """Build the alignment of a design.

    Parameters
    ----------
    design : Design
    faults : Faults
        Takes jumps, gaps and overlaps, each with its place in the file.
    rules : TrackRules, optional
        In place of those of the design.
    allowed : sequence of AllowedJump
        Jumps that are meant.

    Returns
    -------
    Alignment and ChainageCount, or None if there are faults.
    """
    since = len(faults.errors)
    tell_far(design, faults)
    if len(faults.errors) > since:
        return None
    try:
        alignment = build(
            design.horizontal, _reaching(design), design.cant, rules or design.rules, allowed
        )  # fmt: skip
    except AlignmentError as fault:
        for profile, element, text in fault.problems:
            hint = "a jump that is meant can be allowed: slabpose import --allow-jumps" if " jumps by " in text else ""
            faults.error(design.place(profile, element), "elements that join", text, hint)
        return None
    try:
        return alignment, chainage_count(design.start_chainage, alignment.length, design.equations)
    except ChainageError as fault:
        faults.error(design.file, "chainage equations in order along the line", str(fault))
        return None


def tell_far(design: Design, faults: Faults) -> None:
    """Tell elements that are longer, or lie further away, than anything on earth: numbers without a meaning."""
    for profile in ("horizontal", "vertical", "cant"):
        for number, element in enumerate(getattr(design, profile), start=1):
            where = design.place(profile, number)
            if not element.length <= _LONGEST:
                faults.error(where, f"a length of at most {_LONGEST:g} m", f"{element.length:g} m")
            for name, words in (("easting", "an easting"), ("northing", "a northing"), ("level", "a level"),
                                ("start", "a distance")):  # fmt: skip
                value = getattr(element, name, None)
                if value is not None and not abs(value) <= FAR:
                    faults.error(where, f"{words} of at most {FAR:g} m", f"{value:g} m")


def _reaching(design: Design) -> tuple[VerticalElement, ...]:
    """Return the profile with its last gradient drawn out by the rounding of a file, if it ends short by that."""
    if not design.vertical or not design.horizontal:
        return design.vertical
    last = design.vertical[-1]
    short = sum(e.length for e in design.horizontal) - (last.start + last.length)
    if last.kind == "gradient" and 0 < short < 0.01:
        return (*design.vertical[:-1], replace(last, length=last.length + short))
    return design.vertical


def covering_cant(
    cant: list[CantElement], places: list[str], total: float
) -> tuple[list[CantElement], list[str]]:  # fmt: skip
    """Return the cant from the start of the alignment to its end: outside its elements it stays as it is there.

    `places` say where each element stands in the file; what is added stands with the element beside it.
    """
    if not cant:
        return cant, places
    first, last = cant[0], cant[-1]
    end = last.start + last.length
    if first.start > _AGREE:
        cant = [CantElement("constant", 0.0, first.start, first.cant_start, first.cant_start), *cant]
        places = [places[0], *places]
    if total - end > _AGREE:
        cant = [*cant, CantElement("constant", end, total - end, last.cant_end, last.cant_end)]
        places = [*places, places[-1]]
    return cant, places
