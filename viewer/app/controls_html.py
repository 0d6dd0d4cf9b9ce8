"""What stands around the views: title, filters, choices, scale of colours, and what to do when nothing can be shown."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np

from geometry.errors import Fault
from viewer.app.book import LATEST, Edition
from viewer.app.choice import COLOURS, REACHES, SPANS, Choice, limit_names
from viewer.app.markup import fills, number, term, text, verdict_word
from viewer.chart_data import PANELS
from viewer.layer import Layer
from viewer.sheet import factor_text, mark_texts

__all__ = ["chips_html", "choices_html", "factor_html", "guidance_html", "notice_html", "scale_html", "stale_html"]

_COLOUR_WORDS = {
    "up": "deviation up", "across": "deviation across", "along": "deviation along", "gap": "mortar gap",
    "move": "planned moves", "rail": "rail to come",
}  # fmt: skip
_EXPLAINED = {"gap": "gap", "move": "moves", "rail": "chord"}
FACTORS = (0.0, 1.0, 10.0, 20.0, 50.0, 100.0, 200.0)


def factors(fitting: float) -> list[tuple[str, str]]:
    """Return values and words of the choices of exaggeration; `fitting` is what a fitting one comes to."""
    times = "\N{MULTIPLICATION SIGN}"
    fit = f"fitting: {times}{factor_text(fitting)}" if fitting else "fitting"
    return [(f"{f:g}", f"{times}{factor_text(f)}" if f else fit) for f in FACTORS]


def _select(act: str, label: str, options: Iterable[tuple[str, str]], chosen: str) -> str:
    listed = "".join(
        f'<option value="{text(value)}"{" selected" if value == chosen else ""}>{text(words)}</option>'
        for value, words in options
    )
    return f'<label>{text(label)}<select id="pick-{act}" data-act="{act}">{listed}</select></label>'


def chips_html(layer: Layer, choice: Choice) -> str:
    """Return the verdicts as buttons that let slabs through, with how many there are."""
    counts = np.bincount(layer.verdict, minlength=4)
    chips = "".join(
        f'<button type="button" id="chip-{code}" class="chip" data-act="verdict" data-value="{code}" '
        f'aria-pressed="{str(code in choice.verdicts).lower()}">'
        f"{verdict_word(code, layer.words[code])} <b>{int(counts[code]):,}</b></button>"
        for code in range(4)
    )
    return f'<div role="group" aria-label="Show slabs by verdict">{chips}</div>'


def choices_html(edition: Edition, layers: Sequence[Layer], choice: Choice, stages: Sequence[str]) -> str:
    """Return the choices of what is shown and how."""
    parts = [_select("colour", "Colour by", [(name, _COLOUR_WORDS[name]) for name in COLOURS], choice.colour)]
    if len(layers) > 1:
        options = [(str(at), name) for at, name in enumerate(limit_names(layers))]
        parts.append(_select("limit", "Limit", options, str(choice.limit)))
    if stages:
        listed = [(LATEST, "latest"), *((stage, stage) for stage in stages)]
        parts.append(_select("stage", "Stage", listed, choice.stage))
    spans = [(f"{span:g}", f"{span:g} m" if span else "whole line") for span in SPANS]
    parts.append(_select("span", "Stretch", spans, f"{choice.span:g}"))
    scale = layers[choice.limit].scale
    ends = []
    for reach in REACHES:
        low, high = scale.middle - reach * scale.below, scale.middle + reach * scale.above
        same = abs(low + high) < 1e-9
        words = f"\N{PLUS-MINUS SIGN}{high:g} mm" if same else f"{number(low, 0, signed=False)} to {high:g} mm"
        ends.append((f"{reach:g}", words))
    parts.append(_select("reach", "Scale ends at", ends, f"{choice.reach:g}"))
    return "".join(parts)


def factor_html(choice: Choice, fitting: float) -> str:
    """Return the choice of exaggeration; `fitting` is what a fitting one comes to."""
    return _select("factor", "Exaggeration", factors(fitting), f"{choice.factor:g}")


def charts_choice_html(choice: Choice) -> str:
    """Return the charts as buttons."""
    return "".join(
        f'<button type="button" id="chart-{name}" class="chip" data-act="chart" data-value="{name}" '
        f'aria-pressed="{str(name in choice.charts).lower()}">{name}</button>'
        for name in PANELS
    )


def scale_html(layer: Layer) -> str:
    """Return the scale of colours with its marks, words, and the range that is allowed."""
    scale = layer.scale
    width, steps = 240.0, 60
    values = np.concatenate([
        np.linspace(scale.low, scale.middle, steps // 2, endpoint=False),
        np.linspace(scale.middle, scale.high, steps // 2),
    ])  # fmt: skip
    cell = width / steps
    bar = "".join(
        f'<rect x="{12 + at * cell:.1f}" y="3" width="{cell + 0.3:.1f}" height="13" fill="{fill}"/>'
        for at, fill in enumerate(fills(values, scale))
    )
    marks = [value for value in scale.marks() if scale.low <= value <= scale.high]
    words = "".join(
        f'<path d="M{12 + width * (1 + float(scale.share(value))) / 2:.1f} 16v4" stroke="#1d2730"/>'
        f'<text x="{12 + width * (1 + float(scale.share(value))) / 2:.1f}" y="32" text-anchor="middle" '
        f'class="small">{text(word)}</text>'
        for value, word in zip(marks, mark_texts(scale, marks), strict=True)
    )
    allowed = f"{text(layer.sign)}; {text(scale.allowed_word)}" if scale.allowed else text(layer.sign)
    return (
        f'<div><p class="what-is">{term(_EXPLAINED.get(layer.name, "axes"), f"{layer.title}, mm")}</p>'
        f'<p class="sub">{allowed}</p></div>'
        f'<svg width="264" height="36" viewBox="0 0 264 36" aria-hidden="true">{bar}{words}</svg>'
    )


def guidance_html(folder: str, trouble: Sequence[Fault]) -> str:
    """Return what to do when a project cannot be read at all."""
    faults = "".join(
        f"<li><strong>{text(fault.where)}</strong><br>expected {text(fault.expected)}, found {text(fault.found)}"
        f"{f'<br><em>{text(fault.hint)}</em>' if fault.hint else ''}</li>"
        for fault in trouble[:30]
    )
    more = f"<p>and {len(trouble) - 30} more</p>" if len(trouble) > 30 else ""
    return (
        f'<section class="guide" aria-labelledby="guide-head"><h2 id="guide-head">The project cannot be shown yet</h2>'
        f"<p>Folder <strong>{text(folder)}</strong>. This page goes on by itself as soon as these are mended:</p>"
        f"<ol>{faults}</ol>{more}"
        "<p>Out of a designer's LandXML or IFC file: <code>slabpose import FILE PROJECT</code> writes a project.</p>"
        "<p>A whole project to learn from: <code>slabpose demo try-it</code>, then <code>slabpose serve try-it</code>."
        "</p></section>"
    )


def stale_html(edition: Edition, trouble: Sequence[Fault]) -> str:
    """Return what is wrong with the files now, while what was read before is still shown."""
    if not trouble:
        return ""
    more = f" (and {len(trouble) - 1} more)" if len(trouble) > 1 else ""
    return (
        f'<p class="warn"><strong>The files cannot be read as they are now:</strong> {text(trouble[0])}{more}. '
        f"Shown is what was read at {edition.hour}; it goes on by itself when that is mended.</p>"
    )


def notice_html(edition: Edition) -> str:
    """Return what to do next where no survey is there."""
    if edition.surveyed:
        return ""
    return (
        '<p class="warn"><strong>No survey yet.</strong> What you see is the design. Put the surveyed points as CSV '
        "into the folder <code>survey</code> of the project (columns slab, corner, easting_m, northing_m, level_m); "
        "the slabs appear here at once. <code>slabpose layout PROJECT --show corners</code> gives the corners "
        "to set out.</p>"
    )
