"""Designs in open formats: which reader a file asks for."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Final

from geometry.errors import Faults

from .design import Design

__all__ = ["DESIGN_SUFFIXES", "is_design_file", "read_design"]

DESIGN_SUFFIXES: Final = (".ifc", ".xml", ".landxml")


def is_design_file(path: Path) -> bool:
    """Return whether a path is to be read as a design, not as a project folder."""
    return path.suffix.lower() in DESIGN_SUFFIXES and not path.is_dir()


def _reader(path: Path) -> Callable[[Path, Faults, str | None], Design | None]:
    if path.suffix.lower() == ".ifc":
        from .ifc_alignment import read_ifc

        return read_ifc
    from .landxml_alignment import read_landxml

    return read_landxml


def read_design(path: Path, name: str | None = None) -> tuple[Design, Faults]:
    """Read one alignment of a file.

    Parameters
    ----------
    path : Path
    name : str, optional
        Which alignment, where there are several.

    Returns
    -------
    Design, and Faults with warnings only.

    Raises
    ------
    InputError
        With every fault of the file, each with its place.
    """
    faults = Faults()
    if path.suffix.lower() not in DESIGN_SUFFIXES:
        faults.error(
            str(path), f"a design: a file that ends in {', '.join(DESIGN_SUFFIXES)}", path.suffix or "no suffix"
        )
        faults.stop_if_any()
    design = _reader(path)(path, faults, name)
    faults.stop_if_any()
    assert design is not None  # None only with a fault
    return design, faults
