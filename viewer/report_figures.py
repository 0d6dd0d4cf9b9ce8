"""The pictures of a report as SVG: drawn by matplotlib, their words kept as text in the type of the page."""

from __future__ import annotations

import io
import re
import warnings
from collections.abc import Iterator, Mapping
from dataclasses import fields, replace
from typing import Any, Final

import numpy as np
from lxml import etree
from numpy.typing import NDArray

from geometry.exchange.bed_files import BedSurvey
from geometry.exchange.report_evidence import Evidence
from geometry.placement.readiness import NOT_READY, slab_verdicts
from viewer.chart_data import panels_of
from viewer.charts import chart_figure
from viewer.checked import section_of
from viewer.colours import table
from viewer.decided import gap_values, rail_values, worst_first
from viewer.deviation_layer import deviation_layer
from viewer.flat import flat_sheet
from viewer.gap_layer import gap_layer
from viewer.layer import Layer, RailTrace
from viewer.rail_layer import RailValues, rail_layer
from viewer.report_strip import Lane, strip_figure
from viewer.rows import line_of
from viewer.section import OUT, WITHIN, Section

__all__ = ["report_figures"]

_SVG: Final = "{http://www.w3.org/2000/svg}"
_LINK: Final = "{http://www.w3.org/1999/xlink}href"
_FAMILY = re.compile(r"font-family:[^;]*;?\s*")
_FINE = re.compile(r"-?\d+\.\d{3,}")  # finer than a hundredth of a point
_CURVED = re.compile("[QCSTAHV]")
_NAMED = re.compile(r"(?<=url\(#)[^)]+(?=\))")
_OF_SLABS: Final = (
    "slab_names", "chainage", "distance", "type_index", "target_position", "target_rotation", "built_position",
    "built_rotation", "corner_deviation_mm", "verdict",
)  # fmt: skip
_STOPS: Final = 33
# what of a drawing's own margins the page has no use for, points: left, top, right, bottom
_BARE_SHEET: Final = (22.0, 10.0, 8.0, 12.0)
_BARE: Final = {"line": (22.0, 8.0, 18.0, 0.0), "strip": (0.0, 0.0, 0.0, 0.0)}


def report_figures(evidence: Evidence, bed: BedSurvey | None) -> Mapping[str, str]:
    """Return the pictures by their keys, each an SVG without anything that is fetched or run.

    Parameters
    ----------
    evidence : Evidence
    bed : BedSurvey, optional
        Of its mortar.
    """
    return {key: _svg(figure, key) for key, figure in _figures(evidence, bed)}


def _figures(evidence: Evidence, bed: BedSurvey | None) -> Iterator[tuple[str, Any]]:
    chosen = evidence.slabs
    section = _part(section_of(evidence.project, evidence.check), chosen)

    def sheet(title: str, layer: Layer) -> Any:
        return flat_sheet(replace(section, title=title, subtitle=""), layer).figure

    yield "strip", _strip(evidence, section)
    yield "up", sheet("Deviation in level", deviation_layer(section, "up"))
    yield "across", sheet("Deviation across", deviation_layer(section, "across"))
    if evidence.mortar is not None and bed is not None:
        gaps = gap_values(evidence.mortar.report, bed.bed, evidence.check, evidence.project)
        per_slab: dict[str, Any] = {
            one.name: value[chosen] for one in fields(gaps) if isinstance(value := getattr(gaps, one.name), np.ndarray)
        }
        yield "gap", sheet("Mortar gap", gap_layer(replace(gaps, **per_slab)))
    rail = evidence.rail
    if rail is not None and rail.limits:
        over = [_over(rail_values(rail, one), evidence) for one in rail.limits]
        layers = worst_first([rail_layer(one, len(section)) for one in over])
        yield "rail", sheet("The rail before its fasteners are adjusted", layers[0])
    yield "line", _charts(evidence)


def _part(section: Section, chosen: NDArray[np.bool_]) -> Section:
    """Return some slabs of a section."""
    return replace(section, **{name: getattr(section, name)[chosen] for name in _OF_SLABS})


def _over(rail: RailValues, evidence: Evidence) -> RailValues:
    """Return the rail over the chosen slabs, these counted from 0."""
    trace, seats = rail.trace, evidence.seats
    number = np.cumsum(evidence.slabs) - 1
    part = RailTrace(trace.distance[seats], number[trace.slab[seats]], trace.value_mm[seats], trace.shift_mm[seats])
    return replace(
        rail, trace=part, sigma_mm=rail.sigma_mm[seats], verdict=rail.verdict[seats], seat=rail.seat[seats]
    )  # fmt: skip


def _strip(evidence: Evidence, section: Section) -> Any:
    """Return the section at a glance."""
    check, chosen, at = evidence.check, evidence.slabs, evidence.project.layout.distance
    here = at[chosen]
    between = (at[check.joints.rear] + at[check.joints.front])[evidence.joints] / 2
    waits = evidence.ready.readiness.state[chosen] == NOT_READY
    lanes = [
        Lane("not ready", here, np.where(waits, OUT, WITHIN)),
        Lane("pose", here, check.verdict[chosen].astype(np.int64)),
        Lane("joints", between, check.joint_verdict[evidence.joints].astype(np.int64)),
    ]
    if evidence.mortar is not None:
        report = evidence.mortar.report
        lanes += [
            Lane(words, here, verdict[chosen].astype(np.int64))
            for words, verdict in (("mortar gap", report.gap_verdict), ("bed", report.bed_verdict),
                                   ("anchors", report.anchor_verdict))
        ]  # fmt: skip
    if evidence.rail is not None:
        over = slab_verdicts(evidence.rail.seats.slab, evidence.rail.verdict, len(at))
        lanes.append(Lane("rail", here, over[chosen].astype(np.int64)))
    return strip_figure(lanes, *line_of(section))


def _charts(evidence: Evidence) -> Any:
    project, rows = evidence.project, np.flatnonzero(evidence.slabs)
    low, high = project.layout.distance[rows[[0, -1]]].tolist()
    span = max(0.0, low - 10.0), min(project.alignment.length, high + 10.0)
    shown = ("curvature", "cant", "gradient", "deviations")
    panels = panels_of(project.alignment, shown, span, project=project, check=evidence.check)
    structures = [(s.name, s.kind, s.start, s.end) for s in project.spans]
    return chart_figure(panels, project.count, span, "Along the line", "", structures)


def _svg(figure: Any, key: str) -> str:
    """Return a figure as SVG, made for a page: see `_for_page`."""
    from matplotlib import rc_context

    drawn = io.BytesIO()
    settings: Any = {"svg.fonttype": "none", "svg.hashsalt": key}
    with rc_context(settings), warnings.catch_warnings():
        # words are kept as text: a glyph that the drawing's own type lacks is found by who shows it
        warnings.filterwarnings("ignore", message=r"Glyph .* missing from font")
        figure.savefig(drawn, format="svg", metadata={"Date": None})
    return _for_page(drawn.getvalue(), key)


def _shorten(path: Any, *, clipped: bool) -> None:
    """Write a path with fewer letters; a sheet is as large as its drawing, and clips nothing."""
    drawn = " ".join(path.get("d", "").split())
    if not _CURVED.search(drawn):
        drawn = drawn.replace(" L ", " ")  # what follows a move is a line
    path.set("d", drawn)
    path.tail = None
    if not clipped:
        path.attrib.pop("clip-path", "")


def _draw_ramp(root: Any) -> None:
    """Put a gradient in place of the dots that a scale of colours is drawn with."""
    shades = table(_STOPS)
    for dots in list(root.iter(f"{_SVG}image")):
        ramp = etree.Element(f"{_SVG}linearGradient", id="ramp")
        for at, shade in enumerate(shades):
            colour = "#" + "".join(f"{round(255 * part):02x}" for part in shade)
            etree.SubElement(ramp, f"{_SVG}stop", {"offset": f"{at / (_STOPS - 1):.4f}", "stop-color": colour})
        place = {name: dots.get(name) for name in ("x", "y", "width", "height", "transform") if dots.get(name)}
        box = etree.Element(f"{_SVG}rect", {**place, "fill": "url(#ramp)"})
        dots.getparent().replace(dots, box)
        box.addprevious(ramp)


def _for_page(drawn: bytes, key: str) -> str:
    """Return an SVG without metadata and typeface, with names that are its own."""
    root: Any = etree.fromstring(drawn, etree.XMLParser(resolve_entities=False, no_network=True, huge_tree=True))
    for part in list(root.iter(f"{_SVG}metadata", etree.Comment)):
        part.getparent().remove(part)
    _draw_ramp(root)
    for part in root.iter():
        if "id" in part.attrib:
            part.set("id", f"{key}-{part.get('id')}")
        if _LINK in part.attrib and part.get(_LINK).startswith("#"):
            part.set(_LINK, f"#{key}-{part.get(_LINK)[1:]}")
        for name in ("clip-path", "style", "fill", "mask"):
            if "url(#" in part.get(name, ""):
                part.set(name, _NAMED.sub(lambda found: f"{key}-{found[0]}", part.get(name)))
        for name in ("d", "x", "y"):
            if "." in part.get(name, ""):
                part.set(name, _FINE.sub(lambda found: f"{float(found[0]):.2f}", part.get(name)))
        if part.tag == f"{_SVG}path":
            _shorten(part, clipped=key in _BARE)
        elif part.tag == f"{_SVG}g":
            part.text = part.tail = None  # blanks
        if part.tag == f"{_SVG}text":
            part.set("style", _FAMILY.sub("", part.get("style", "")))  # that of the page
    for size in ("width", "height"):
        root.attrib.pop(size, None)
    left, top, right, bottom = _BARE.get(key, _BARE_SHEET)
    x, y, width, height = map(float, root.get("viewBox").split())
    root.set("viewBox", f"{x + left} {y + top} {width - left - right} {height - top - bottom}")
    page: str = etree.tostring(root, encoding="unicode")
    return page
