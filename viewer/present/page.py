"""The page for guests: one HTML file that needs nothing else, neither another file nor a network."""

from __future__ import annotations

import base64
import io
import json
import re
from collections.abc import Mapping, Sequence
from html import escape
from pathlib import Path
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from viewer.colours import VERDICTS, table
from viewer.help_drawings import TERMS, term_svg, tip_svg
from viewer.present.palette import Palette
from viewer.present.show import Show
from viewer.present.staging import lowered_by
from viewer.present.web_data import SURROUNDINGS, WebSection, layers_data, packed, web_section
from viewer.present.words import (
    COMPUTED,
    MEASURED,
    count_words,
    exaggeration_words,
    layer_words,
    lowered_words,
    plan_words,
    scale_words,
    slab_words,
)
from viewer.section import WITHIN
from viewer.sheet import factor_text

__all__ = ["page_data", "page_html", "picture_uri", "safe_json"]

_FOLDER: Final = Path(__file__).parent
_FACTORS: Final = (1.0, 10.0, 50.0, 100.0, 200.0)
_CAUTION: Final = "The surveyor and the contract decide; this page only shows what was found."
_TERMS: Final = ("axes", "moves", "gap")
_ATTENTION: Final = ("", " !")
_LOW: Final = ("bed", "anchor", "ground")


def safe_json(document: Any) -> str:
    r"""Return JSON that ends no script element, whatever stands in it.

    Examples
    --------
    >>> safe_json({"name": "</script>"})
    '{"name":"\\u003c/script\\u003e"}'
    """
    text = json.dumps(document, ensure_ascii=True, allow_nan=False, separators=(",", ":"))
    return text.replace("<", "\\u003c").replace(">", "\\u003e").replace("&", "\\u0026")


def picture_uri(pixels: NDArray[np.uint8]) -> str:
    """Return a picture as a JPEG within an address."""
    from PIL import Image

    file = io.BytesIO()
    Image.fromarray(pixels).save(file, format="JPEG", quality=84)
    return f"data:image/jpeg;base64,{base64.b64encode(file.getvalue()).decode('ascii')}"


def _hex(colours: NDArray[np.float64]) -> list[str]:
    return [f"#{r:02x}{g:02x}{b:02x}" for r, g, b in np.rint(255.0 * colours).astype(np.int64).tolist()]


def factors_of(show: Show) -> list[float]:
    """Return the exaggerations that a page offers."""
    return sorted({*_FACTORS, float(show.factor)})


def page_data(show: Show, light: Palette, dark: Palette, web: WebSection) -> dict[str, Any]:
    """Return what the page's script is given."""
    slabs = np.arange(len(show.section))
    lowered = {factor: lowered_by(show, slabs, factor) for factor in factors_of(show)}
    length = float(np.linalg.norm(np.ptp(web.arrays["centre"], axis=0)))
    return {
        "section": {name: packed(array) for name, array in web.arrays.items()} | {
            "solids": [{"light": getattr(light, name), "dark": getattr(dark, name)} for name in SURROUNDINGS],
            "low": [SURROUNDINGS.index(name) for name in _LOW],
            "lowered": {f"{factor:g}": down for factor, down in lowered.items()},
            "reach": max(60.0, 1.6 * length),
        },
        "slabs": web.slabs,
        "shown": web.shown,
        "factor": show.factor,
        "factorWords": {
            f"{factor:g}": "; ".join(filter(None, (exaggeration_words(factor), lowered_words(down, why=False))))
            for factor, down in lowered.items()
        },
        "layers": layers_data(show, light, dark),
        "palettes": {"light": {"sky": light.sky, "unknown": light.unknown},
                     "dark": {"sky": dark.sky, "unknown": dark.unknown}},
        "ramp": _hex(table(513)),
    }  # fmt: skip


def _variables(palette: Palette) -> str:
    """Return a palette as properties of a style sheet."""
    pane = f"rgba({', '.join(str(int(palette.paper[at : at + 2], 16)) for at in (1, 3, 5))}, 0.93)"
    names = {name: getattr(palette, name) for name in ("paper", "panel", "sky", "ink", "muted", "accent")}
    edge = "#8a959f" if not palette.dark else "#66737f"
    return " ".join(f"--{name}: {colour};" for name, colour in (names | {"pane": pane, "edge": edge}).items())


def _symbol(verdict: int) -> str:
    """Return the symbol of a verdict as SVG that takes the colour of the text."""
    look = VERDICTS[verdict]
    if verdict == WITHIN:
        return ('<svg viewBox="0 0 18 18" aria-hidden="true"><path d="M3 9.5l4 4 8-9" fill="none" '
                'stroke="currentColor" stroke-width="2.4"/></svg>')  # fmt: skip
    points = " ".join(f"{9 + 7.5 * x:.1f},{9 - 7.5 * y:.1f}" for x, y in look.symbol)
    fill = "currentColor" if look.filled else "none"
    return (f'<svg viewBox="0 0 18 18" aria-hidden="true"><polygon points="{points}" fill="{fill}" '
            'stroke="currentColor" stroke-width="1.8"/></svg>')  # fmt: skip


def _pressed(pressed: bool) -> str:
    return "true" if pressed else "false"


def _terms() -> str:
    """Return the terms that the page uses, each with its drawing."""
    return tip_svg() + "".join(
        f'<div><h3>{escape(TERMS[name].word)}</h3><div class="drawn">{term_svg(name)}</div>'
        f"<p>{escape(TERMS[name].meaning)}</p></div>"
        for name in _TERMS
    )


def _states(show: Show) -> str:
    """Return the buttons for before and after, if any slab is moved."""
    if not show.moved.any():
        return ""
    return ('<fieldset><legend>Slabs</legend><div class="choice">'
            '<button type="button" data-after="0" aria-pressed="true">As measured</button>'
            '<button type="button" data-after="1" aria-pressed="false">After the planned moves</button>'
            "</div></fieldset>")  # fmt: skip


def filled(template: str, values: Mapping[str, str]) -> str:
    """Return a template with its places filled; what is filled in is not looked through again.

    Raises
    ------
    KeyError
        If a place has no value.
    """
    return re.sub(r"\{\{(\w+)\}\}", lambda place: values[place[1]], template)


def page_html(
    show: Show, light: Palette, dark: Palette, *, still: str, begin_dark: bool, film: str, made: Mapping[str, Any],
    beside: Sequence[str] = (),
) -> str:  # fmt: skip
    """Return the page.

    Parameters
    ----------
    show : Show
    light, dark : Palette
    still : str
        Address of the picture for browsers without 3D; its data within.
    begin_dark : bool
        Whether the page begins dark.
    film : str
        Name of the film beside the page; empty for none.
    made : mapping
        See `geometry.exchange.results.made_from`.
    beside : sequence of str
        Names of other files beside the page.
    """
    web = web_section(show)
    low, middle, high = scale_words(show)
    data = page_data(show, light, dark, web)
    factors = "".join(
        f'<button type="button" data-factor="{factor:g}" aria-pressed="{_pressed(factor == show.factor)}">'
        f"{'true size' if factor == 1.0 else f'{factor_text(factor)} times'}</button>"
        for factor in factors_of(show)
    )
    options = "".join(
        f'<option value="{number}">{escape(_short(str(one["name"])))}{_ATTENTION[one["verdict"] != WITHIN]}</option>'
        for number, one in enumerate(web.slabs)
    )
    counts = "".join(
        f"<li>{_symbol(verdict)}<b>{count}</b> {escape(words)}</li>"
        for verdict, count, words in count_words(show.section)
    )
    parts = data["layers"]["parts"]
    css = filled((_FOLDER / "page.css").read_text("utf-8"), {"light": _variables(light), "darker": _variables(dark)})
    links = [f'<a href="{escape(name, quote=True)}">{escape(name)}</a>' for name in (film, *beside) if name]
    return filled((_FOLDER / "page.html").read_text("utf-8"), {
        "theme": "dark" if begin_dark else "light",
        "dark": _pressed(begin_dark),
        "title": escape(show.title),
        "subtitle": escape(show.subtitle),
        "svg": "http%3A//www.w3.org/2000/svg",
        "css": css,
        "script": (_FOLDER / "page.js").read_text("utf-8"),
        "counts": counts,
        "still": still,
        "factors": factors,
        "states": _states(show),
        "last": str(len(web.slabs) - 1),
        "shown": str(web.shown),
        "options": options,
        "layer": escape(layer_words(show)),
        "ramp": ",".join(_hex(table(17))),
        "low": escape(low),
        "middle": escape(middle),
        "high": escape(high),
        "measured": escape(MEASURED),
        "computed": escape(COMPUTED),
        "plan": escape(plan_words(show)),
        "left_out": escape(web.left_out),
        "parts": escape(", ".join(part["title"] for part in parts)),
        "part_list": "".join(f"<li><b>{escape(p['title'])}</b>: {escape(p['note'])}</li>" for p in parts),
        "slab_heading": escape(f"Slab {show.name} in words"),
        "story": '<div class="story">' + "".join(f"<p>{escape(t)}</p>" for t in slab_words(show, show.slab)) + "</div>",
        "film": f"<p>Beside this page: {', '.join(links)}</p>" if links else "",
        "terms": _terms(),
        "caution": _CAUTION,
        "made": escape(f"{made['program']}, {made['made_at']}, from {len(made['inputs_sha256'])} files of the project"),
        "data": safe_json(data),
    })  # fmt: skip


def _short(name: str) -> str:
    return name if len(name) <= 40 else f"{name[:39]}\N{HORIZONTAL ELLIPSIS}"
