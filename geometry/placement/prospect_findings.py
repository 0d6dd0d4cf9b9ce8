"""What people have to know of planned set-ups: weak control, bad sights, and what cannot be decided."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from geometry.survey.observations import EARTH_RADIUS, KINDS
from geometry.survey.points import Ints
from geometry.survey.readings import Control

from .check import CheckRules
from .expected_setup import SightPlan
from .prospect import UNDECIDABLE, Prospect
from .verdict import JOINT_QUANTITIES, QUANTITY_WORDS, SLAB_QUANTITIES

__all__ = ["ProspectFinding", "prospect_findings", "ranges"]

Bools = npt.NDArray[np.bool_]
_WEAK = 0.3  # less than this shown by the others is a poor check (common practice)
_REFRACTION_OFF = 1.0  # by how much k may differ from its mean close above warm or cold ground (common practice)


@dataclass(frozen=True)
class ProspectFinding:
    """Something about a planned set-up that people have to know of.

    Attributes
    ----------
    setup : int
    kind : str
        "not determined", "one side", "low redundancy", "unseen error", "steep control", "control range", "no slab",
        "undecidable", "short sights", "steep sights", "grazing sights".
    text : str
        In words, with names and sizes.
    weak : bool
        Whether the set-up should not be used like this.
    """

    setup: int
    kind: str
    text: str
    weak: bool


def ranges(names: Sequence[str] | npt.NDArray[np.str_], which: Ints) -> str:
    """Return names in words, those that follow each other as from and to.

    Examples
    --------
    >>> ranges(["a", "b", "c", "d", "e"], np.array([0, 1, 2, 4]))
    'a to c, e'
    """
    rows = np.unique(which)
    parts = np.split(rows, np.flatnonzero(np.diff(rows) != 1) + 1)
    return ", ".join(
        " to ".join(dict.fromkeys((str(names[int(p[0])]), str(names[int(p[-1])])))) for p in parts if len(p)
    )


def prospect_findings(
    seen: Prospect, control: Control, slab_names: npt.NDArray[np.str_], rules: CheckRules, plan: SightPlan
) -> tuple[ProspectFinding, ...]:
    """Return what is to be told of each set-up, in the order of the set-ups, what is weak first.

    Parameters
    ----------
    seen : Prospect
    control : Control
    slab_names : ndarray of str, shape (n,)
    rules : CheckRules
    plan : SightPlan
    """
    found: list[ProspectFinding] = []
    for setup in range(len(seen.setups.position)):
        sights = np.flatnonzero(seen.setups.setup == setup)
        if not seen.setups.determined[setup]:
            found.append(ProspectFinding(setup, "not determined", _undetermined(seen, control, sights, plan), True))
            continue
        views = np.flatnonzero(seen.setup == setup)
        found += [
            *(ProspectFinding(setup, kind, text, True) for kind, text in _weak(seen, control, setup, sights, rules)),
            *(ProspectFinding(setup, kind, text, False) for kind, text in _control(seen, control, sights, plan)),
            *(ProspectFinding(setup, kind, text, False) for kind, text in _slabs(seen, slab_names, views, rules, plan)),
        ]
    return tuple(found)


def _undetermined(seen: Prospect, control: Control, sights: Ints, plan: SightPlan) -> str:
    names = ", ".join(control.names[int(i)] for i in seen.setups.target[sights])
    low, high = plan.control_range
    if len(sights) < 2:
        sighted = f"only {names} is" if names else "no control point is"
        return (
            f"{sighted} sighted ({low:g} to {high:g} m are): position and orientation are not determined; sight two at "
            f"least, better six or more on all sides"
        )
    return f"{names} lie at one place in plan: position and orientation are not determined; sight another one"


def _weak(seen: Prospect, control: Control, setup: int, sights: Ints, rules: CheckRules) -> Iterator[tuple[str, str]]:
    s = seen.setups
    spread = float(s.spread[setup])
    if spread < math.pi:
        yield (
            "one side",
            (
                f"all control points lie within {math.degrees(spread):.0f} degrees as seen from here: "
                f"sight one on the far side as well"
            ),
        )
    lowest = np.unravel_index(int(s.checked[sights].argmin()), (len(sights), 3))
    share = float(s.checked[sights][lowest])
    if share < _WEAK:
        name = control.names[int(s.target[sights[int(lowest[0])]])]
        yield (
            "low redundancy",
            (
                f"with {len(sights)} control points the {KINDS[int(lowest[1])]} to {name} is checked by the others to "
                f"{share:.0%} only, less than {_WEAK:.0%} is poor: sight more control points"
            ),
        )
    half = {t.quantity: (t.high - t.low) / 2 for t in rules.tolerances if t.quantity in SLAB_QUANTITIES}
    for axis, quantity in enumerate(SLAB_QUANTITIES):
        shift = seen.influence[sights, axis]
        if quantity in half and (shift > half[quantity]).any():
            worst = sights[int(shift.argmax())]
            least = float(s.smallest_point[worst].max())
            name, others = control.names[int(s.target[worst])], int((shift > half[quantity]).sum()) - 1
            size = f"below {least * 1e3:.1f} mm" if math.isfinite(least) else "of any size"
            moved = f"by {shift.max() * 1e3:.1f} mm" if math.isfinite(shift.max()) else "by any amount"
            yield (
                "unseen error",
                (
                    f"an error {size} in control point {name} may pass unnoticed and shift slabs {moved} {quantity}, "
                    f"more than half of the tolerance's width, {half[quantity] * 1e3:g} mm"
                    + (f"; so may those in {others} more" if others else "")
                ),
            )


def _control(seen: Prospect, control: Control, sights: Ints, plan: SightPlan) -> Iterator[tuple[str, str]]:
    s = seen.setups
    low, high = plan.control_range
    away, up = s.aim.distance[sights], math.pi / 2 - s.aim.zenith[sights]
    for kind, bad, text in (
        ("control range", (away < low) | (away > high), f"not {low:g} to {high:g} m away"),
        ("steep control", np.abs(up) > plan.steep, f"steeper than {math.degrees(plan.steep):g} deg"),
    ):
        if bad.any():
            rows = np.flatnonzero(bad)
            sizes = [f"{away[i]:.1f} m" if kind == "control range" else f"{math.degrees(up[i]):+.0f} deg" for i in rows]
            names = (control.names[int(s.target[sights[i]])] for i in rows)
            listed = ", ".join(f"{name} {size}" for name, size in zip(names, sizes, strict=True))
            yield kind, f"sights to control points {text}: {listed}"


def _slabs(
    seen: Prospect, names: npt.NDArray[np.str_], views: Ints, rules: CheckRules, plan: SightPlan
) -> Iterator[tuple[str, str]]:
    if not len(views):
        yield "no slab", f"no slab lies with all its marks within {plan.mark_range[1]:g} m"
        return
    for quantity, one in seen.outlooks.items():
        joint = quantity in JOINT_QUANTITIES
        mine = np.flatnonzero(np.isin(seen.joints.front, views)) if joint else views
        bad = mine[one.state[mine] == UNDECIDABLE]
        if bad.size:
            slabs = seen.slab[seen.joints.front[bad]] if joint else seen.slab[bad]
            where = "at the joints before" if joint else "at"
            text = f"{QUANTITY_WORDS[quantity]} undecidable {where} {ranges(names, slabs)}"
            low, high = one.sigma[bad].min() * 1e3, one.sigma[bad].max() * 1e3
            if not high < math.inf:
                yield "undecidable", f"{text}: the marks do not determine it"
                continue
            most = (one.tolerance.high - one.tolerance.low) / 2 / rules.guard * 1e3
            yield (
                "undecidable",
                (f"{text}: standard uncertainty {low:.2f} to {high:.2f} mm, it has to be below {most:.2f} mm"),
            )
    distance, face = seen.distance[views], seen.face_angle[views]
    steep = np.abs(math.pi / 2 - seen.zenith[views]) > plan.steep
    for kind, marks, text in (
        ("short sights", distance < plan.mark_range[0], f"shorter than {plan.mark_range[0]:g} m"),
        ("steep sights", steep, f"steeper than {math.degrees(plan.steep):g} deg"),
        ("grazing sights", face < plan.grazing,
         f"less than {math.degrees(plan.grazing):g} deg over the slab's face, near the ground"),
    ):  # fmt: skip
        if marks.any():
            off = ""
            if kind == "grazing sights":
                bend = float(np.nanmax(np.where(marks, distance, np.nan))) ** 2 / (2 * EARTH_RADIUS) * _REFRACTION_OFF
                off = (
                    f"; refraction there is not in the uncertainties: a coefficient off by {_REFRACTION_OFF:g} makes "
                    f"{bend * 1e3:.2f} mm"
                )
            slabs = ranges(names, seen.slab[views[marks.any(axis=1)]])
            count = int(marks.sum())
            yield kind, f"{count} sight{'s' * (count != 1)} {text}, at {slabs}{off}"
