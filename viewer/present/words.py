"""Numbers of a section in plain words: no sign, no trade word, and no more digits than the survey is good for."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Final

import numpy as np
from numpy.typing import NDArray

from viewer.present.show import Show, worst_quantity
from viewer.section import NOT_MEASURED, OUT, QUANTITIES, UNDECIDED, WITHIN, Section
from viewer.sheet import factor_text
from viewer.terminal import visible

__all__ = [
    "COMPUTED",
    "MEASURED",
    "SIDES",
    "VERDICT_SENTENCES",
    "amount_words",
    "count_words",
    "exaggeration_words",
    "layer_words",
    "lowered_words",
    "move_words",
    "place_words",
    "plan_words",
    "scale_words",
    "slab_words",
    "uncertainty_mm",
]

UNIT: Final = "\N{NO-BREAK SPACE}mm"

SIDES: Final[Mapping[str, tuple[str, str]]] = {
    "up": ("too low", "too high"),
    "across": ("too far left", "too far right"),
    "along": ("too far back", "too far ahead"),
}
"""What a negative and a positive deviation mean; left and right as seen along growing kilometres."""

VERDICT_SENTENCES: Final[Mapping[int, tuple[str, str]]] = {
    WITHIN: ("lies where the design puts it", "lie where the design puts them"),
    OUT: ("lies out of place", "lie out of place"),
    UNDECIDED: ("cannot be judged for certain yet", "cannot be judged for certain yet"),
    NOT_MEASURED: ("has not been measured", "have not been measured"),
}

MEASURED: Final = "Measured: the corners of the slabs, with a survey instrument."
COMPUTED: Final = "Computed: where the design puts each slab, how far it is off, and how to move it."


def uncertainty_mm(sigma: float) -> float:
    """Return what a value is good to, in tenths of a millimetre, rounded up: twice its standard uncertainty.

    Examples
    --------
    >>> uncertainty_mm(0.09), uncertainty_mm(0.01), uncertainty_mm(float("nan"))
    (0.2, 0.1, nan)
    """
    return max(0.1, math.ceil(round(20.0 * sigma, 6)) / 10.0) if math.isfinite(sigma) else math.nan


def amount_words(value: float, good_to: float = 0.1) -> str:
    r"""Return an amount of millimetres with as many decimals as it is good for, without a sign.

    Examples
    --------
    >>> amount_words(-3.579, 0.2), amount_words(14.7, 1.2), amount_words(2.0)
    ('3.6\xa0mm', '15\xa0mm', '2\xa0mm')
    """
    return f"{float(f'{abs(value):.{0 if good_to >= 1.0 else 1}f}'):g}{UNIT}"


def exaggeration_words(factor: float) -> str:
    """Return how much deviations are exaggerated in a picture.

    Examples
    --------
    >>> exaggeration_words(1.0), exaggeration_words(50.0)
    ('True size, nothing exaggerated', 'Deviations drawn 50 times too large')
    """
    if factor <= 1.0:
        return "True size, nothing exaggerated"
    return f"Deviations drawn {factor_text(factor)} times too large"


def scale_words(show: Show) -> tuple[str, str, str]:
    """Return what the two ends and the middle of the colours mean."""
    low, high = SIDES[show.layer.name]
    end = amount_words(show.layer.scale.high)
    return f"{end} {low}", "as designed", f"{end} {high}"


def layer_words(show: Show) -> str:
    """Return what the colours show, in one line."""
    tolerance = amount_words(show.section.tolerance_mm[show.layer.name])
    low, high = SIDES[show.layer.name]
    grey = "" if show.section.measured.all() else ", grey: not measured"
    return f"Blue: {low}, orange: {high}{grey}; {tolerance} is allowed"


def count_words(section: Section) -> list[tuple[int, int, str]]:
    """Return verdict, number of slabs and a sentence for each verdict that there is."""
    counts = np.bincount(section.verdict, minlength=4)
    return [
        (verdict, int(counts[verdict]), words[0 if counts[verdict] == 1 else 1])
        for verdict, words in VERDICT_SENTENCES.items()
        if counts[verdict] or verdict == WITHIN
    ]


def place_words(section: Section, distance: float) -> str:
    """Return where a continuous distance is: kilometre, and what carries the track there."""
    half = 0.5 * section.size[[0, -1], 1]
    along = np.concatenate([[section.distance[0] - half[0]], section.distance, [section.distance[-1] + half[1]]])
    shown = np.concatenate([[section.chainage[0] - half[0]], section.chainage, [section.chainage[-1] + half[1]]])
    kilometre = f"Kilometre {float(np.interp(distance, along, shown)) / 1000.0:.2f}"
    for structure in section.structures:
        if structure.distance_start <= distance <= structure.distance_end:
            kind, name = visible(structure.kind), visible(structure.name)
            named = name if kind.lower() in name.lower() else f"{kind} {name}"
            return f"{kilometre}, {named}"
    return kilometre


def _worst(section: Section, sigma_mm: NDArray[np.float64], slab: int, quantity: str) -> tuple[float, float]:
    """Return the largest value of a slab and what it is good to, mm."""
    values = section.quantity(quantity)[slab]
    corner = int(np.nan_to_num(np.abs(values), nan=-1.0).argmax())
    return float(values[corner]), uncertainty_mm(float(sigma_mm[slab, corner, QUANTITIES.index(quantity)]))


def slab_words(show: Show, slab: int) -> list[str]:
    """Return how a slab lies, how well that is known, and what would mend it, in sentences.

    Parameters
    ----------
    show : Show
    slab : int
        Any slab of the section.
    """
    section = show.section
    name, verdict = visible(str(section.slab_names[slab])), int(section.verdict[slab])
    if verdict == NOT_MEASURED or not section.measured[slab]:
        return [f"Slab {name} has not been measured: how it lies is not known."]
    quantity = worst_quantity(section, slab)
    value, good_to = _worst(section, show.sigma_mm, slab, quantity)
    side = SIDES[quantity][int(value > 0.0)]
    allowed = amount_words(section.tolerance_mm[quantity])
    if verdict == WITHIN:
        told = [f"Slab {name} lies where the design puts it.",
                f"At most it is {amount_words(value, good_to)} {side}; {allowed} is allowed."]  # fmt: skip
    elif verdict == OUT:
        told = [f"Slab {name} lies up to {amount_words(value, good_to)} {side}; {allowed} is allowed."]
    else:
        told = [f"Slab {name} cannot be judged for certain: what was measured there leaves doubt.",
                f"As far as it can be seen, it lies up to {amount_words(value, good_to)} {side}; "
                f"{allowed} is allowed."]  # fmt: skip
    if math.isfinite(good_to):
        told.append(f"The survey is good to about {amount_words(good_to, good_to)}.")
    if moved := move_words(show, slab):
        told.append(moved)
    return told


def _span(values: list[float]) -> str:
    """Return amounts of planned moves from the least to the largest: steps of screws, told as the crew turns them."""
    low, high = (f"{float(f'{value:.2f}'):g}" for value in (min(values), max(values)))
    return f"{high}{UNIT}" if low == high else f"{low} to {high}{UNIT}"


def _steps(show: Show, slab: int) -> str:
    """Return what the plan does with a slab, such as ``lowers it by 2.75 to 3.25 mm``."""
    lift, push = (values[slab][np.isfinite(values[slab])] for values in (show.lift_mm, show.push_mm))
    up, down = [float(v) for v in lift if v >= 0.005], [-float(v) for v in lift if v <= -0.005]
    steps = []
    if up and down:
        steps = [f"raises one part of it by {_span(up)}", f"lowers another by {_span(down)}"]
    elif up or down:
        steps = [f"{'raises' if up else 'lowers'} {'it' if len(up or down) == len(lift) else 'a part of it'} by "
                 f"{_span(up or down)}"]  # fmt: skip
    aside = [float(v) for v in push if abs(v) >= 0.005]
    if aside:
        right = max(aside, key=abs) > 0.0
        steps.append(f"pushes it {_span([abs(v) for v in aside if (v > 0.0) == right])} to the "
                     f"{'right' if right else 'left'}")  # fmt: skip
    return " and ".join(steps)


def move_words(show: Show, slab: int) -> str:
    """Return in one or two sentences what the correction plan does with a slab, and what comes of it.

    Empty for a slab that is within and stays.
    """
    out = int(show.section.verdict[slab]) == OUT
    if not show.moved[slab]:
        if not out:
            return ""
        if show.held[slab]:
            return "Mortar holds it: it cannot be moved any more."
        if not show.planned:
            return "No correction plan could be made."
        return "The correction plan leaves it as it lies: turning screws cannot mend it, and somebody has to decide."
    within = int(show.section.verdict[slab]) == WITHIN
    plan = "For the sake of joints, rail or mortar the correction plan" if within else "The correction plan"
    told = f"{plan} {_steps(show, slab)}."
    after = show.after
    quantity = worst_quantity(after, slab)
    value, good_to = _worst(after, show.after_sigma_mm, slab, quantity)
    side = SIDES[quantity][int(value > 0.0)]
    still = "still up to" if int(after.verdict[slab]) == OUT else "at most"
    return f"{told} Then it lies {still} {amount_words(value, good_to)} {side} (computed)."


def plan_words(show: Show) -> str:
    """Return in a sentence what the picture after the moves rests on."""
    if not show.planned:
        return "No correction plan could be made: shown is what was measured, and nothing else."
    count = int(show.moved.sum())
    if not count:
        return "The correction plan moves no slab: shown is what was measured."
    left = int((show.after.verdict == OUT).sum())
    out = "none lies" if not left else "one slab lies" if left == 1 else f"{left} slabs lie"
    return (
        f"After the moves: as the correction plan leaves the slabs. It moves {count} of {len(show.section)}, by whole "
        f"steps of their screws; then {out} out of place."
    )


def lowered_words(lowered: float, *, why: bool = True) -> str:
    """Return how much lower bed and ground are drawn than they lie, m, and why; empty for nothing.

    Examples
    --------
    >>> lowered_words(0.137), lowered_words(0.06, why=False), lowered_words(0.0)
    ('bed and ground drawn 14 cm lower, so that no slab sinks into them', 'bed and ground drawn 6 cm lower', '')
    """
    if lowered < 0.005:
        return ""
    return f"bed and ground drawn {lowered * 100:.0f} cm lower{', so that no slab sinks into them' if why else ''}"
