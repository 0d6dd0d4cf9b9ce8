"""A design line, from a project folder or straight from a designer's file."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from geometry.alignment import Alignment, ChainageCount
from geometry.errors import Fault

from .design import build_design
from .design_files import is_design_file, read_design
from .project import ALIGNMENT_FILES, digest, open_alignment

__all__ = ["Line", "open_line"]


@dataclass(frozen=True, eq=False)
class Line:
    """An alignment and where it comes from.

    Attributes
    ----------
    name : str
    alignment : Alignment
    count : ChainageCount
    inputs : dict of str to str
        SHA-256 of each file it was read from.
    warnings : tuple of Fault
    notes : tuple of str
        What was taken for granted of a designer's file.
    """

    name: str
    alignment: Alignment
    count: ChainageCount
    inputs: dict[str, str]
    warnings: tuple[Fault, ...]
    notes: tuple[str, ...] = ()


def open_line(path: Path, name: str | None = None) -> Line:
    """Read the alignment of a project folder, or of an IFC or LandXML file.

    Parameters
    ----------
    path : Path
    name : str, optional
        Which alignment of a file that has several.

    Raises
    ------
    InputError
        With every fault of what was read.
    """
    if not is_design_file(path):
        alignment, count, settings, warnings = open_alignment(path)
        inputs = {file: digest(path / file) for file in ALIGNMENT_FILES if (path / file).is_file()}
        return Line(settings.name, alignment, count, inputs, warnings)
    design, faults = read_design(path, name)
    built = build_design(design, faults)
    faults.stop_if_any()
    assert built is not None  # None only with a fault
    notes = tuple(f"{design.file}: {note}" for note in design.notes)
    return Line(design.name, *built, {path.name: digest(path)}, tuple(faults.warnings), notes)
