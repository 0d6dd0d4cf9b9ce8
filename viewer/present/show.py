"""What is shown to guests: the section, the slab it ends at, the exaggeration, and what the moves would bring."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from geometry.exchange.project import Project
from geometry.placement import SectionCheck
from geometry.placement.plan.section_plan import HELD
from geometry.slabs import SlabType
from viewer.checked import section_of
from viewer.deviation_layer import deviation_layer
from viewer.layer import Layer
from viewer.posed import Planning, section_in
from viewer.rows import nice_below
from viewer.section import OUT, QUANTITIES, Section
from viewer.terminal import visible

__all__ = ["BedSizes", "Show", "factor_for", "show_of", "worst_quantity"]

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

_ROOM: Final = 0.18
"""The largest displacement is drawn at most this long, m: less than a rail stands above its slab."""
_MOST: Final = 200.0


@dataclass(frozen=True)
class BedSizes:
    """Sizes of what lies around a slab, m."""

    mortar: float
    width: float
    anchor_radius: float
    anchor_height: float


@dataclass(frozen=True, eq=False)
class Show:
    """A section as guests see it.

    Parameters
    ----------
    title, subtitle : str
        One line each, without anything a terminal or a page would obey.
    section : Section
    layer : Layer
        The deviation that colours show.
    factor : float
        Exaggeration of deviations.
    slab : int
        The slab at which the film ends.
    types : tuple of SlabType
    sizes : BedSizes
    sigma_mm : ndarray, shape (n, m, 3)
        Standard uncertainty of the deviation at each mark, mm.
    after : Section
        The section as its correction plan leaves it, computed; as measured where there is no plan.
    after_layer : Layer
        The same deviation there, on the same scale.
    after_sigma_mm : ndarray, shape (n, m, 3)
    lift_mm, push_mm : ndarray, shape (n, v) and (n, h)
        What the plan does at each screw and adjuster, + up and + right, mm; nan for none there.
    moved : ndarray of bool, shape (n,)
        Slabs that the plan moves.
    held : ndarray of bool, shape (n,)
        Slabs that mortar holds.
    planned : bool
        Whether there is a plan.
    """

    title: str
    subtitle: str
    section: Section
    layer: Layer
    factor: float
    slab: int
    types: tuple[SlabType, ...]
    sizes: BedSizes
    sigma_mm: Floats
    after: Section
    after_layer: Layer
    after_sigma_mm: Floats
    lift_mm: Floats
    push_mm: Floats
    moved: Bools
    held: Bools
    planned: bool

    @property
    def name(self) -> str:
        """Name of the slab at which the film ends."""
        return visible(str(self.section.slab_names[self.slab]))

    @property
    def kind(self) -> SlabType:
        """Type of that slab."""
        return self.types[int(self.section.type_index[self.slab])]


def worst_quantity(section: Section, slab: int) -> str:
    """Return in which direction a slab is furthest out against its tolerance; up if nothing is known of it."""
    shares = [abs(section.largest(name)[slab]) / section.tolerance_mm[name] for name in QUANTITIES]
    known = np.nan_to_num(shares, nan=-1.0)
    return "up" if known.max() < 0.0 else QUANTITIES[int(known.argmax())]


def factor_for(section: Section, slabs: NDArray[np.int64]) -> float:
    """Return a round exaggeration at which the deviations of slabs can be seen, and none reaches a rail."""
    largest = float(np.abs(np.nan_to_num(section.corner_deviation_mm[slabs])).max(initial=0.0)) * 0.001
    return max(1.0, nice_below(min(_ROOM / max(largest, 1e-9), _MOST)))


def _chosen(section: Section) -> int:
    """Return the slab furthest out against a tolerance, those that are out before others; the middle one if none is."""
    shares = np.abs([section.largest(name) / section.tolerance_mm[name] for name in QUANTITIES])
    amount = np.nan_to_num(shares, nan=-1.0).max(axis=0)
    if amount.max() < 0.0:
        return len(section) // 2
    out = section.verdict == OUT
    return int(np.argmax(np.where(out, amount + 1e6, amount) if out.any() else amount))


def show_of(
    project: Project, check: SectionCheck, planning: Planning | None, *, slab: str | None = None,
    factor: float | None = None,
) -> Show:  # fmt: skip
    """Return what is shown of a checked project.

    Parameters
    ----------
    project : Project
    check : SectionCheck
        Of all slabs of the project.
    planning : Planning or None
        Of that check; None to show the slabs as measured only.
    slab : str, optional
        Name of the slab at which the film ends; the one furthest out if not given.
    factor : float, optional
        Exaggeration; a round one if not given.

    Raises
    ------
    SlabposeError
        If no slab is called so.
    InputError
        If a file that the plan needs has faults, or no plan can be made for a slab type.
    """
    settings = project.settings
    given, bed = settings.presentation, settings.bed
    subtitle = settings.description if given.subtitle is None else given.subtitle
    title = visible(given.title or settings.name)
    section = section_of(project, check, visible(subtitle))
    chosen = _chosen(section) if slab is None else section.slab(slab)
    after, after_sigma = section, check.deviation_sigma
    lift = push = np.full((len(section), 0), np.nan)
    moved, held = np.zeros(len(section), dtype=bool), check.held
    if planning is not None:
        plan = planning.plan
        after, after_sigma = section_in(section, "planned", planning), planning.after.deviation_sigma
        lift, push, moved, held = plan.lift * 1e3, plan.push * 1e3, plan.touched, plan.standing == HELD
    quantity = worst_quantity(section, chosen)
    return Show(
        title=title,
        subtitle=visible(subtitle),
        section=section,
        layer=deviation_layer(section, quantity),
        factor=factor_for(section, np.arange(len(section))) if factor is None else factor,
        slab=chosen,
        types=project.types,
        sizes=BedSizes(
            bed.mortar_nominal_mm / 1e3, bed.width_m, bed.anchor_radius_mm / 1e3, bed.anchor_height_mm / 1e3
        ),
        sigma_mm=check.deviation_sigma * 1e3,
        after=after,
        after_layer=deviation_layer(after, quantity),
        after_sigma_mm=after_sigma * 1e3,
        lift_mm=lift,
        push_mm=push,
        moved=moved,
        held=np.asarray(held),
        planned=planning is not None,
    )
