"""A project folder, read into the values the program works on."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path

import numpy as np

from geometry.alignment import Alignment, ChainageCount
from geometry.alignment.laws import Floats
from geometry.errors import Fault, Faults, InputError
from geometry.placement import CheckRules, Tolerance
from geometry.slabs import (
    Allowed,
    Fitting,
    Layout,
    LayoutFinding,
    LayoutRules,
    SlabType,
    Span,
    Targets,
    check_layout,
    fill_spans,
    target_poses,
)
from geometry.slabs.layout import Ints

from .alignment_files import distances, place_columns, read_alignment, read_spans
from .settings import PlaceSettings, ProjectSettings, SlabTypeSettings, ThreadSettings
from .tables import Column, read_table
from .toml import read_toml, validate

__all__ = ["PROJECT_FILE", "Project", "open_alignment", "open_project"]

PROJECT_FILE = "project.toml"


@dataclass(frozen=True, eq=False)
class Project:
    """A project: alignment, slabs and rules, as its folder says.

    Attributes
    ----------
    folder : Path
    settings : ProjectSettings
    alignment : Alignment
    count : ChainageCount
    spans : tuple of Span
    types : tuple of SlabType
    layout : Layout
        Laid out from the spans, or as ``layout.csv`` gives it.
    layout_findings : tuple of LayoutFinding
    inputs : mapping of str to str
        SHA-256 of every file read so far, by its name in the folder.
    warnings : tuple of Fault
    """

    folder: Path
    settings: ProjectSettings
    alignment: Alignment
    count: ChainageCount
    spans: tuple[Span, ...]
    types: tuple[SlabType, ...]
    layout: Layout
    layout_findings: tuple[LayoutFinding, ...]
    inputs: dict[str, str] = field(repr=False)
    warnings: tuple[Fault, ...]

    @cached_property
    def targets(self) -> Targets:
        """Target poses of all slabs of the layout."""
        return target_poses(self.alignment, self.types, self.layout, self.settings.layout.seating)

    @cached_property
    def chainage(self) -> Floats:
        """Chainage of each slab's centre, m, shape (n,)."""
        return self.count.to_chainage(self.layout.distance)

    @property
    def check_rules(self) -> CheckRules:
        """Tolerances and decision rule."""
        s = self.settings
        return CheckRules(
            tolerances=tuple(
                Tolerance(t.quantity, t.range_mm[0] / 1e3, t.range_mm[1] / 1e3, t.source) for t in s.tolerance
            ),
            guard=s.decision.guard_factor,
            match_radius=s.survey.match_radius_m,
            rail_apart=self.alignment.rules.cant_base,
            grid_scale=self.alignment.rules.grid_scale,
        )


def digest(path: Path) -> str:
    """Return the SHA-256 of a file, in hexadecimal digits."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def _settings(folder: Path, faults: Faults) -> ProjectSettings:
    if not folder.is_dir():
        found = "a file" if folder.exists() else "nothing"
        raise InputError([Fault(str(folder), "a project folder", found, "slabpose demo FOLDER writes an example")])
    toml = read_toml(folder / PROJECT_FILE, faults)
    faults.stop_if_any()
    settings = validate(toml, ProjectSettings, faults)
    faults.stop_if_any()
    assert settings is not None  # validate returns None only with a fault
    return settings


def _inputs(folder: Path) -> dict[str, str]:
    names = (PROJECT_FILE, "horizontal.csv", "vertical.csv", "cant.csv", "chainage.csv", "structures.csv", "layout.csv")
    return {name: digest(folder / name) for name in names if (folder / name).is_file()}


def open_alignment(folder: Path | str) -> tuple[Alignment, ChainageCount, ProjectSettings, tuple[Fault, ...]]:
    """Read only the alignment of a project folder.

    Raises
    ------
    InputError
        With every fault of the files read.
    """
    folder, faults = Path(folder), Faults()
    settings = _settings(folder, faults)
    built = read_alignment(folder, settings.alignment, faults)
    faults.stop_if_any()
    assert built is not None  # read_alignment returns None only with a fault
    return *built, settings, tuple(faults.warnings)


def open_project(folder: Path | str) -> Project:
    """Read a project folder: alignment, structures, slab types, layout.

    Raises
    ------
    InputError
        With every fault of all files together, as far as one does not hide another.
    """
    folder, faults = Path(folder), Faults()
    settings = _settings(folder, faults)
    types = tuple(_slab_type(t) for t in settings.slab_type)
    built = read_alignment(folder, settings.alignment, faults)
    if built is None:
        faults.stop_if_any()
        raise AssertionError("an alignment without faults was not built")
    alignment, count = built
    spans = tuple(read_spans(folder, alignment, count, faults))
    given = _given_layout(folder, count, [t.name for t in types], faults)
    faults.stop_if_any()
    _check_radius(settings, types, faults)
    rules = _layout_rules(settings)
    if given is None:
        layout, findings = fill_spans(alignment, spans, types, rules)
    else:
        layout, findings = check_layout(alignment, *given, spans, types, rules)
    half = np.array([t.length for t in types])[layout.type_index] / 2
    off = (layout.distance - half < 0) | (layout.distance + half > alignment.length)
    if off.any():
        name = layout.names[off][0]
        faults.error("layout", "slabs that lie on the alignment with their whole length",
                     f"{int(off.sum())} that reach beyond an end, the first is {name}")  # fmt: skip
    faults.stop_if_any()
    return Project(
        folder, settings, alignment, count, spans, types, layout, findings, _inputs(folder), tuple(faults.warnings)
    )


def _layout_rules(settings: ProjectSettings) -> LayoutRules:
    s = settings.layout
    return LayoutRules(
        gap=Allowed(s.gap_nominal_mm / 1e3, s.gap_min_mm / 1e3, s.gap_max_mm / 1e3),
        clearance=Allowed(s.clearance_nominal_mm / 1e3, s.clearance_min_mm / 1e3, s.clearance_max_mm / 1e3),
        prefix=s.prefix,
        first_number=s.first_number,
    )


def _check_radius(
    settings: ProjectSettings, types: tuple[SlabType, ...], faults: Faults
) -> None:
    """Warn of a match radius that reaches from one mark to the next."""
    closest = min(float(np.min([np.linalg.norm(a - b) for i, a in enumerate(t.marks.places)
                                for b in t.marks.places[:i]])) for t in types)  # fmt: skip
    over_joint = min(t.length - 2 * float(np.abs(t.marks.places[:4, 1]).max()) for t in types)
    closest = min(closest, over_joint + settings.layout.gap_min_mm / 1e3)
    if settings.survey.match_radius_m > closest / 2:
        faults.warn("project.toml: survey.match_radius_m", f"less than half the distance of two marks, {closest:.3f} m",
                    f"{settings.survey.match_radius_m:g}", "a point could be taken for its neighbour")  # fmt: skip


def _fitting(places: list[PlaceSettings], thread: ThreadSettings | None = None) -> Fitting:
    return Fitting(
        tuple(p.name for p in places),
        np.array([(p.across_m, p.along_m, p.up_m) for p in places]),
        *((thread.pitch_mm / 1e3, thread.travel_mm / 1e3) if thread else ()),
    )


def _slab_type(t: SlabTypeSettings) -> SlabType:
    return SlabType(
        name=t.name,
        length=t.length_m,
        width=t.width_m,
        thickness=t.thickness_m,
        notch_radius=t.notch_radius_m,
        notch_beyond=t.notch_beyond_m,
        rail_height=t.rail_height_m,
        seats=np.sort(np.array(t.seats_along_m)),
        marks=_fitting(t.marks),
        screws=_fitting(t.screws.places, t.screws),
        adjusters=_fitting(t.adjusters.places, t.adjusters),
        special=t.special,
    )


def _given_layout(
    folder: Path, count: ChainageCount, type_names: list[str], faults: Faults
) -> tuple[np.ndarray[tuple[int], np.dtype[np.str_]], Ints, Floats] | None:
    path = folder / "layout.csv"
    if not path.exists():
        return None
    columns = (
        Column("slab", "text", what="a slab name"),
        Column("type", "text", choices=tuple(type_names), what="a slab type of project.toml"),
        *place_columns(),
    )
    table = read_table(path, columns, faults, unique=("slab",))
    if not len(table) or faults.errors:
        return None
    distance = distances(table, count, faults)
    codes, distinct = table.codes("type")
    index = np.array([type_names.index(name) for name in distinct], dtype=np.intp)
    return table["slab"].astype(np.str_), index[codes], distance
