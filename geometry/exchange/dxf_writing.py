"""A drawing of a section: DXF R2018, in the coordinates of the grid, metres, with levels."""

from __future__ import annotations

import io
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, Final

import numpy as np

from geometry.alignment.frames import angles
from geometry.alignment.laws import Floats
from geometry.errors import SlabposeError
from geometry.placement import NOT_MEASURED, OUT, UNDECIDED, VERDICTS, SectionCheck
from geometry.survey.points import Ints

from .drawn_line import centre_line, chainage_marks, places_on_line, rails
from .dxf_shapes import block_name, notched_outline, object_system, plain_words, upright
from .project import Project
from .results import anchor_table, slab_table, target_corner_table
from .writing import one_piece

__all__ = ["LAYERS", "drawing_of", "dxf_library", "write_dxf"]

LAYERS: Final[Mapping[str, int]] = {
    "centre line": 150, "chainage": 8, "rails": 9, "structures": 34, "slab target": 5, "slab built": 30,
    "slab names": 7, "marks": 92, "marks surveyed": 30, "anchors": 252, "deviations within": 94,
    "deviations beyond tolerance": 1, "deviations undecided": 40, "slabs not measured": 6,
}  # fmt: skip
"""Layers by name, each with its colour (AutoCAD colour index)."""
_VERDICT_LAYER: Final = {
    VERDICTS[OUT]: "deviations beyond tolerance", VERDICTS[UNDECIDED]: "deviations undecided",
    VERDICTS[NOT_MEASURED]: "slabs not measured",
}  # fmt: skip
_NAME, _VALUE, _CHAINAGE, _STRUCTURE = 0.3, 0.18, 0.9, 0.9  # heights of texts, m
_LETTER = 0.75  # width of a letter over its height: none of the usual fonts is wider on average
_ASIDE = 0.375  # texts stand half way between centre line and rail
_TICK, _TO_TEXT, _BORDER = 3.0, 3.4, 5.0  # from the centre line, m


def dxf_library() -> Any:
    """Return the library for DXF.

    Raises
    ------
    SlabposeError
        If it is not installed.
    """
    try:
        import ezdxf
    except ImportError as missing:
        raise SlabposeError("DXF needs a library more: pip install 'slabpose[dxf]'") from missing
    return ezdxf


class _Drawing:
    """A drawing while things are put into it."""

    def __init__(self, project: Project) -> None:
        self.document = dxf_library().new("R2018", units=6)
        self.space = self.document.modelspace()
        self.project = project
        self.document.styles.add("words", font="arial.ttf")
        for name, colour in LAYERS.items():
            self.document.layers.add(name, color=colour)

    def text(self, words: str, place: Sequence[float], height: float, angle: float, layer: str, align: str) -> None:
        from ezdxf.enums import TextEntityAlignment

        entity = self.space.add_text(
            plain_words(words), height=height, rotation=angle, dxfattribs={"layer": layer, "style": "words"}
        )
        entity.set_placement(tuple(place), align=TextEntityAlignment[align])


def drawing_of(project: Project, check: SectionCheck | None, made: Mapping[str, Any]) -> Any:
    """Return a section as a drawing.

    Parameters
    ----------
    project : Project
    check : SectionCheck, optional
        Then slabs stand once more as built, with their deviations in mm.
    made : mapping
        What it was made from; becomes properties of the file.

    Returns
    -------
    ezdxf.document.Drawing
    """
    drawing = _Drawing(project)
    document = drawing.document
    document.header["$LUNITS"], document.header["$LUPREC"], document.header["$MEASUREMENT"] = 2, 4, 1
    told = {"project": project.settings.name, "program": made["program"], "made at": made["made_at"],
            "units": "m", "coordinates": "easting, northing, level", "deviations": "mm, built less target"}  # fmt: skip
    for name, value in {**told, **{f"made from {file}": sha for file, sha in made["inputs_sha256"].items()}}.items():
        document.header.custom_vars.append(plain_words(name), plain_words(value))
    _line(drawing)
    _structures(drawing)
    blocks = [_block(drawing, kind) for kind in range(len(project.types))]
    _slabs(drawing, blocks, "slab target", project.targets.position, project.targets.rotation,
           np.arange(len(project.layout.names)))  # fmt: skip
    _marks(drawing, check)
    _anchors(drawing)
    if check is not None:
        _slabs(drawing, blocks, "slab built", check.fits.position, check.fits.rotation,
               np.flatnonzero(check.fits.determined))  # fmt: skip
    _words(drawing, check)
    _view(drawing)
    return document


def _line(drawing: _Drawing) -> None:
    project = drawing.project
    for layer, points in (("centre line", centre_line(project)), *(("rails", rail) for rail in rails(project))):
        drawing.space.add_polyline3d(points.tolist(), dxfattribs={"layer": layer})
    marks = chainage_marks(project.count, project.alignment.length)
    across = np.array([[-_TICK, 0.0, 0.0], [_TICK, 0.0, 0.0], [_TO_TEXT, 0.0, 0.0]])
    points, bearing = places_on_line(project, marks.distance, across)
    # square to the line, read from the side to which the text runs
    turned, against = upright(bearing + np.pi / 2)
    for words, (left, right, at), angle, back in zip(
        marks.text.tolist(), points.tolist(), turned.tolist(), against.tolist(), strict=True
    ):
        drawing.space.add_line(left, right, dxfattribs={"layer": "chainage"})
        drawing.text(words, at, _CHAINAGE, angle, "chainage", "MIDDLE_RIGHT" if back else "MIDDLE_LEFT")


def _structures(drawing: _Drawing) -> None:
    """Draw where each structure starts and ends, and write its name along the line from its start."""
    spans = drawing.project.spans
    if not spans:
        return
    edges = np.array([[span.start, span.end] for span in spans])
    border = np.array([[-_BORDER, 0.0, 0.0], [_BORDER, 0.0, 0.0]])
    for distance in (edges[:, 0], edges[:, 1]):
        points, _ = places_on_line(drawing.project, distance, border)
        for start, end in points.tolist():
            drawing.space.add_line(start, end, dxfattribs={"layer": "structures"})
    points, bearing = places_on_line(drawing.project, edges.mean(axis=1), np.array([[-_BORDER + 0.9, 0.0, 0.0]]))
    turned, _ = upright(bearing)
    lengths = edges[:, 1] - edges[:, 0]
    for span, place, angle, length in zip(spans, points[:, 0].tolist(), turned.tolist(), lengths.tolist(), strict=True):
        words = f"{span.name}, {span.kind}"
        height = min(_STRUCTURE, 0.9 * length / (_LETTER * len(words)))
        drawing.text(words, place, height, angle, "structures", "MIDDLE_CENTER")


def _block(drawing: _Drawing, kind: int) -> str:
    """Make the block of a slab type; return its name."""
    slab_type, blocks = drawing.project.types[kind], drawing.document.blocks
    block = blocks.new(block_name(f"slab {slab_type.name}", blocks))
    shape = block.add_lwpolyline(notched_outline(slab_type), format="xyb", dxfattribs={"layer": "0"})
    shape.close(True)
    block.block.dxf.description = plain_words(
        f"{slab_type.name}: {slab_type.length:g} x {slab_type.width:g} x {slab_type.thickness:g} m"
    )
    return str(block.name)


def _slabs(
    drawing: _Drawing, blocks: Sequence[str], layer: str, position: Floats, rotation: Floats, slabs: Ints
) -> None:  # fmt: skip
    extrusion, place, angle = object_system(position[slabs], rotation[slabs])
    scale = drawing.project.alignment.rules.grid_scale
    for kind, up, at, turn in zip(
        drawing.project.layout.type_index[slabs].tolist(), extrusion.tolist(), place.tolist(), angle.tolist(),
        strict=True,
    ):  # fmt: skip
        drawing.space.add_blockref(blocks[kind], at, dxfattribs={
            "layer": layer, "rotation": turn, "extrusion": up, "xscale": scale, "yscale": scale,
        })  # fmt: skip


def _marks(drawing: _Drawing, check: SectionCheck | None) -> None:
    mark = drawing.document.blocks.new("mark")
    for ends in (((-0.04, 0.0), (0.04, 0.0)), ((0.0, -0.04), (0.0, 0.04))):
        mark.add_line(*ends, dxfattribs={"layer": "0"})
    mark.add_circle((0.0, 0.0), 0.025, dxfattribs={"layer": "0"})
    table = target_corner_table(drawing.project)
    places = [np.stack([table[f"{axis}_m"] for axis in ("easting", "northing", "level")], axis=1)]
    places += [] if check is None else [check.measured.xyz[np.isfinite(check.measured.xyz).all(axis=-1)]]
    for layer, points in zip(("marks", "marks surveyed"), places, strict=False):
        for point in points.tolist():
            drawing.space.add_blockref("mark", point, dxfattribs={"layer": layer})


def _anchors(drawing: _Drawing) -> None:
    table, radius = anchor_table(drawing.project), drawing.project.settings.bed.anchor_radius_mm / 1e3
    radius *= drawing.project.alignment.rules.grid_scale
    for point in zip(*(table[f"{axis}_m"].tolist() for axis in ("easting", "northing", "level")), strict=True):
        drawing.space.add_circle(point, radius, dxfattribs={"layer": "anchors"})


def _words(drawing: _Drawing, check: SectionCheck | None) -> None:
    """Write the name of each slab left of the centre line, and its deviations right of it."""
    project = drawing.project
    targets, names = project.targets, project.layout.names.tolist()
    length = np.array([t.length for t in project.types])[project.layout.type_index]
    bearing, _, _ = angles(targets.rotation)
    turned, against = upright(bearing)
    left = targets.rotation[:, :, 0] * np.where(against, 1.0, -1.0)[:, None] * _ASIDE
    for name, place, angle, room in zip(
        names, (targets.position + left).tolist(), turned.tolist(), length.tolist(), strict=True
    ):
        height = min(_NAME, 0.9 * room / (_LETTER * max(len(name), 1)))
        drawing.text(name, place, height, angle, "slab names", "MIDDLE_CENTER")
    if check is None:
        return
    table = slab_table(project, check)
    values = np.stack([table[f"{q}_mm"] for q in ("across", "along", "up")], axis=1)
    known = np.isfinite(values).all(axis=1)
    for number, (place, angle, room) in enumerate(
        zip((targets.position - left).tolist(), turned.tolist(), length.tolist(), strict=True)
    ):
        verdict = str(table["verdict"][number])
        across, along, up = values[number].tolist()
        words = f"across {across:+.1f}  along {along:+.1f}  up {up:+.1f} mm" if known[number] else verdict
        layer = _VERDICT_LAYER.get(verdict, "deviations within")
        height = min(_VALUE, 0.9 * room / (_LETTER * len(words)))
        drawing.text(words, place, height, angle, layer, "MIDDLE_CENTER")


def _view(drawing: _Drawing) -> None:
    """Let programs open the drawing on what there is to see, not on a place far away."""
    points = drawing.project.targets.position
    if not len(points):
        return
    low, high = points[:, :2].min(axis=0), points[:, :2].max(axis=0)
    drawing.document.set_modelspace_vport(
        height=float(max(*(high - low), 20.0)), center=tuple(((low + high) / 2).tolist())
    )
    drawing.document.header["$EXTMIN"] = (*(low - 10.0).tolist(), float(points[:, 2].min()))
    drawing.document.header["$EXTMAX"] = (*(high + 10.0).tolist(), float(points[:, 2].max()))


def write_dxf(
    path: Path, project: Project, check: SectionCheck | None, made: Mapping[str, Any], kept: tuple[Path, ...]
) -> None:  # fmt: skip
    """Write a section as a drawing; see `drawing_of`."""
    document, text = drawing_of(project, check, made), io.StringIO()
    document.write(text)
    with one_piece(path, kept) as file:
        file.write(document.encode(text.getvalue()))
