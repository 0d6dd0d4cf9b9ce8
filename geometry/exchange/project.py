"""A project folder, read into the values the program works on."""

from __future__ import annotations

import difflib
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
    DesignBed,
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

from .alignment_files import build_alignment, read_alignment_tables
from .layout_files import read_layout_tables, slabs_of, spans_of
from .settings import PlaceSettings, ProjectSettings, SlabTypeSettings, ThreadSettings
from .toml import read_toml, validate
from .workbook_files import SHEETS, FolderTables, folder_tables
from .workbook_sheets import SINGLE, WORKBOOK, WORKBOOK_SUFFIX, table_files

__all__ = [
    "ALIGNMENT_FILES",
    "LEAST_SIGMA_MM",
    "MOST_SIGMA_MM",
    "PROJECT_FILE",
    "Project",
    "digest",
    "input_paths",
    "layout_rules",
    "open_alignment",
    "open_project",
]

PROJECT_FILE = "project.toml"
_ALIGNMENT = SHEETS[:4]
ALIGNMENT_FILES = (
    PROJECT_FILE, WORKBOOK, *(f"{name}{end}" for name in _ALIGNMENT for end in (".csv", WORKBOOK_SUFFIX))
)  # fmt: skip
LEAST_SIGMA_MM, MOST_SIGMA_MM = 0.01, 20.0  # of surveyed marks: better is no instrument, worse is no survey
_LEVELS = ("up", "step_level")


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
    def design_bed(self) -> DesignBed:
        """How the bed is meant to lie."""
        bed = self.settings.bed
        return DesignBed(self.alignment, bed.mortar_nominal_mm / 1e3, bed.follows_cant)

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


def _settings(folder: Path, faults: Faults) -> ProjectSettings | None:
    """Return what the project file says; None if it has faults."""
    if not folder.is_dir():
        found = "a file" if folder.exists() else "nothing"
        raise InputError([Fault(str(folder), "a project folder", found, "slabpose demo FOLDER writes an example")])
    toml = read_toml(folder / PROJECT_FILE, faults)
    return None if faults.errors else validate(toml, ProjectSettings, faults)


def _tell_left_out(folder: Path, given: FolderTables, faults: Faults) -> None:
    """Warn of tables that nobody reads: one with a letter wrong in its name would be missed in silence."""
    known = [f"{name}{end}" for name in SINGLE for end in (".csv", WORKBOOK_SUFFIX)]
    lacking = {name: f"{name}.csv" for name in SINGLE if name not in given}
    for path in sorted(folder.iterdir()):
        meant = difflib.get_close_matches(path.stem.casefold(), lacking, 1, 0.8)
        if path.name not in known and meant and path.is_file():
            faults.warn(path.name, "a file that is used", "one that is left out", f"did you mean {lacking[meant[0]]}?")


def input_paths(folder: Path) -> list[Path]:
    """Return every file that a project may be read from, there or not; surveys and readings are besides."""
    return [folder / PROJECT_FILE, *table_files(folder, SHEETS)]


def open_alignment(folder: Path | str) -> tuple[Alignment, ChainageCount, ProjectSettings, tuple[Fault, ...]]:
    """Read only the alignment of a project folder.

    Raises
    ------
    InputError
        With every fault of the files read.
    """
    folder, faults = Path(folder), Faults()
    settings = _settings(folder, faults)
    given = folder_tables(folder, faults, _ALIGNMENT)
    tables = read_alignment_tables(given, faults)
    _tell_left_out(folder, given, faults)
    faults.stop_if_any()
    assert settings is not None  # None only with a fault
    built = build_alignment(tables, settings.alignment, faults)
    faults.stop_if_any()
    assert built is not None  # None only with a fault
    return *built, settings, tuple(faults.warnings)


def open_project(folder: Path | str, line: tuple[Alignment, ChainageCount] | None = None) -> Project:
    """Read a project folder: alignment, structures, slab types, layout.

    Parameters
    ----------
    folder : Path
    line : Alignment and ChainageCount, optional
        In place of the alignment of the folder; then its structures and layout, which lie on that, do not count
        either.

    Raises
    ------
    InputError
        With every fault of all files together, as far as one does not hide another.
    """
    folder, faults = Path(folder), Faults()
    settings = _settings(folder, faults)
    if line is not None:
        faults.stop_if_any()
        assert settings is not None  # None only with a fault
        return _on_line(folder, settings, line, faults)
    given_tables = folder_tables(folder, faults)
    tables = read_alignment_tables(given_tables, faults)
    type_names = [t.name for t in settings.slab_type] if settings else None
    layout_tables = read_layout_tables(given_tables, type_names, faults)
    _tell_left_out(folder, given_tables, faults)
    faults.stop_if_any()
    assert settings is not None  # None only with a fault
    types = tuple(_slab_type(t) for t in settings.slab_type)
    built = build_alignment(tables, settings.alignment, faults)
    faults.stop_if_any()
    assert built is not None  # None only with a fault
    alignment, count = built
    spans = spans_of(layout_tables.structures, alignment, count, faults)
    given = None
    if layout_tables.slabs is not None:
        given = slabs_of(layout_tables.slabs, types, alignment, count, faults)
    faults.stop_if_any()
    _tell_unlikely(settings, types, faults)
    rules = layout_rules(settings)
    if given is None:
        layout, findings = fill_spans(alignment, spans, types, rules)
    else:
        layout, findings = check_layout(alignment, *given, spans, types, rules)
    return Project(
        folder,
        settings,
        alignment,
        count,
        spans,
        types,
        layout,
        findings,
        {path.name: digest(path) for path in input_paths(folder) if path.is_file()},
        tuple(faults.warnings),
    )


def _on_line(folder: Path, settings: ProjectSettings, line: tuple[Alignment, ChainageCount], faults: Faults) -> Project:
    """Return a project with the slab types and rules of a folder on another line, from its start to its end."""
    alignment, count = line
    types = tuple(_slab_type(t) for t in settings.slab_type)
    _tell_unlikely(settings, types, faults)
    spans = spans_of(None, alignment, count, faults)
    layout, findings = fill_spans(alignment, spans, types, layout_rules(settings))
    inputs = {PROJECT_FILE: digest(folder / PROJECT_FILE)}
    return Project(
        folder, settings, alignment, count, spans, types, layout, findings, inputs, tuple(faults.warnings)
    )  # fmt: skip


def layout_rules(settings: ProjectSettings) -> LayoutRules:
    """Return the allowed gaps and clearances of a project, and how it names slabs."""
    s = settings.layout
    return LayoutRules(
        gap=Allowed(s.gap_nominal_mm / 1e3, s.gap_min_mm / 1e3, s.gap_max_mm / 1e3),
        clearance=Allowed(s.clearance_nominal_mm / 1e3, s.clearance_min_mm / 1e3, s.clearance_max_mm / 1e3),
        prefix=s.prefix,
        first_number=s.first_number,
    )


def _tell_unlikely(settings: ProjectSettings, types: tuple[SlabType, ...], faults: Faults) -> None:
    """Warn of settings that may be meant but rarely are: units, limits within the guard band, match radius."""
    sigmas = {"sigma_plan_mm": settings.survey.sigma_plan_mm, "sigma_level_mm": settings.survey.sigma_level_mm}
    for name, sigma in sigmas.items():
        if not LEAST_SIGMA_MM <= sigma <= MOST_SIGMA_MM:
            faults.warn(f"project.toml: survey.{name}", f"a sigma of {LEAST_SIGMA_MM:g} to {MOST_SIGMA_MM:g} mm",
                        f"{sigma:g}", "metres?" if sigma < LEAST_SIGMA_MM else "")  # fmt: skip
    for tolerance in settings.tolerance:
        low, high = tolerance.range_mm
        band = settings.decision.guard_factor * sigmas["sigma_level_mm" if tolerance.quantity in _LEVELS
                                                       else "sigma_plan_mm"]  # fmt: skip
        if not (high - low) / 2 > band:
            faults.warn(f"project.toml: tolerance of {tolerance.quantity}",
                        f"limits wider than the guard band of a mark, \u00b1{band:g} mm", f"{low:g} to {high:g} mm",
                        "metres?" if (high - low) < 0.05 else "hardly anything can be within")  # fmt: skip
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
