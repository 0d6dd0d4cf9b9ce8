"""What is known of one slab, as HTML: corners, joints, mortar gap, history."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
from numpy.typing import NDArray

from geometry.exchange.results import Columns
from viewer.app.book import Edition
from viewer.app.markup import number, row, term, text, verdict_word
from viewer.app.slab_plan import plan_svg, planned, to_the_target
from viewer.layer import Card, Layer
from viewer.rows import chainage_text
from viewer.section import QUANTITIES

__all__ = ["card_html", "sheet_html"]

_GUARD = "\N{PLUS-MINUS SIGN}"
_DASH = "\N{EN DASH}"
_AXES = {"across": "+ right", "along": "+ ahead", "up": "+ up"}


def sheet_html(edition: Edition, layer: Layer, slab: int, gap: Callable[[], Layer | None]) -> str:
    """Return the sheet of a slab; `gap` gives the layer of the mortar gap as far as it has been worked out."""
    section = edition.section
    verdict = int(edition.check.verdict[slab])
    words = {0: "within", 1: "out", 2: "undecided", 3: "not measured"}
    name, why = str(section.slab_names[slab]), str(edition.slabs["why"][slab])
    kind = edition.project.types[int(section.type_index[slab])].name
    parts = [
        f'<div class="title"><h2 id="sheet-name" title="{text(name)}">{text(name)}</h2>'
        f"{verdict_word(verdict, words[verdict])}</div>",
        f'<p class="sub">km {chainage_text(float(section.chainage[slab]), 2)}, type {text(kind)}'
        f"{f', {text(why)}' if why else ''}</p>",
        _findings(edition, slab),
    ]
    if layer.name == "move":
        # what is asked for is what is drawn: nobody shall turn the screws by other numbers than those of the plan
        parts.append(f"<h3>{term('moves', 'Planned moves')}</h3>{plan_svg(edition, slab, planned(edition, slab))}")
        parts += [f'<p class="note">{text(note)}</p>' for note in layer.card(slab).notes]
    else:
        head = term("moves", "Moves to the target")
        parts.append(f"<h3>{head}</h3>{plan_svg(edition, slab, to_the_target(edition, slab))}")
    if layer.name == "rail":
        parts.append(f"<h3>{text(layer.title)}</h3>{card_html(layer.card(slab))}")
    parts += [_corners(edition, slab), _joints(edition, slab), _gap(gap(), slab), _history(edition, name)]
    return "".join(parts)


def _findings(edition: Edition, slab: int) -> str:
    told = [finding.text for finding in edition.check.findings if finding.slab == slab]
    return "".join(f'<p class="warn">{text(line)}</p>' for line in told)


def _table(caption: str, head: Sequence[str], rows: Sequence[str], *, wide: bool = False) -> str:
    extra = " wide" if wide else ""
    return (
        f'<div class="scroll" tabindex="0" role="region" aria-label="{text(caption)}"><table class="numbers{extra}">'
        f'<caption class="unseen">{text(caption)}</caption><thead>{row(head, "th")}</thead>'
        f"<tbody>{''.join(rows)}</tbody></table></div>"
    )


def _corners(edition: Edition, slab: int) -> str:
    table, section = edition.corners, edition.section
    guard = edition.project.check_rules.guard
    rows = np.flatnonzero(table["slab"] == section.slab_names[slab])
    lines = []
    for at in rows.tolist():
        cells = [f"<strong>{text(table['corner'][at])}</strong>"]
        for quantity in QUANTITIES:
            value, sigma = float(table[f"{quantity}_mm"][at]), float(table[f"{quantity}_sigma_mm"][at])
            out = not abs(value) <= section.tolerance_mm[quantity] and np.isfinite(value)
            told = number(value)
            spread = (
                f'<span class="u">{_GUARD}{number(guard * sigma, signed=False)}</span>' if np.isfinite(sigma) else ""
            )
            cells.append(f"{f'<strong>{told}!</strong>' if out else told}<br>{spread}")
        residuals = [number(float(table[f"residual_{q}_mm"][at])) for q in QUANTITIES]
        cells.append(
            f"{residuals[0]} {residuals[1]}<br>{residuals[2]}"
            if table["used"][at]
            else "left out"
            if np.isfinite(table["level_m"][at])
            else _DASH
        )
        lines.append(row(cells))
    limits = ["limit", *(f"{_GUARD}{section.tolerance_mm[q]:g}" for q in QUANTITIES), ""]
    head = [
        "corner",
        *(f"{q}<br><small>{_AXES[q]}</small>" for q in QUANTITIES),
        "residuals<br><small>same order</small>",
    ]
    return (
        f"<h3>{term('axes', 'Corners, mm')}</h3>"
        f"{_table('Deviation of the corners in mm', head, [*lines, row(limits).replace('<tr>', '<tr class=limit>')])}"
        f'<p class="note">Built less target, {_GUARD} {guard:g} standard uncertainties. !: beyond the limit.</p>'
    )


def _joints(edition: Edition, slab: int) -> str:
    table, name = edition.joints, edition.section.slab_names[slab]
    parts = []
    for side, column, other in (("behind", "front_slab", "rear_slab"), ("ahead", "rear_slab", "front_slab")):
        for at in np.flatnonzero(table[column] == name).tolist():
            verdict = str(table["verdict"][at])
            code = {"within": 0, "out": 1, "undecided": 2}.get(verdict, 3)
            cells = [f"{side}<br><small>{text(table[other][at])}</small>"]
            for quantity in ("step_level", "step_line", "gap"):
                pair = [float(table[f"{quantity}_{rail}_mm"][at]) for rail in ("left", "right")]
                cells.append(
                    "<br>".join(number(v, 1 if quantity == "gap" else 2, signed=quantity != "gap") for v in pair)
                )
            joint = "over a structure joint" if table["at_structure_joint"][at] else ""
            cells.append(verdict_word(code, verdict) + (f"<br><small>{joint}</small>" if joint else ""))
            parts.append(row(cells))
    if not parts:
        return ""
    head = ["joint", "step in level", "step in line", "gap", "verdict"]
    return (
        f"<h3>{term('joint', 'Joints, mm')}</h3>{_table('Joints in mm', head, parts)}"
        '<p class="note">Upper number left, lower right. Steps: the slab ahead less the one behind.</p>'
    )


def card_html(card: Card) -> str:
    """Return the numbers of a slab that a layer brings, as a table."""
    lines = [
        row(
            [
                text(name),
                *(f"<strong>{text(c)}</strong>" if (r, k) in card.bold else text(c) for k, c in enumerate(cells)),
            ]
        )
        for r, (name, *cells) in enumerate(card.rows)
    ]
    if card.limits:
        lines.append(row([text(cell) for cell in card.limits]).replace("<tr>", "<tr class=limit>"))
    notes = "".join(f'<p class="note">{text(note)}</p>' for note in card.notes)
    return _table(card.told, [text(card.told), *map(text, card.columns)], lines) + notes


def _gap(layer: Layer | None, slab: int) -> str:
    head = f"<h3>{term('gap', 'Mortar gap')}</h3>"
    if layer is None:
        return head + (
            '<p><button type="button" id="work-gaps" data-act="gaps" data-value="0">Work out the gaps</button></p>'
        )
    return head + card_html(layer.card(slab))


def _history(edition: Edition, name: str) -> str:
    head = f"<h3>{term('history', 'History')}</h3>"
    table: Columns | None = edition.epochs
    rows = [] if table is None else np.flatnonzero(table["slab"] == name).tolist()
    if table is None or not rows:
        return head + '<p class="note">Not measured yet.</p>'
    lines = [row(_epoch(table, at)) for at in rows]
    columns = ["measured<br><small>UTC</small>", "across", "along", "up", "moved up", "test"]
    told = "Deviation of the worst corner, mm; movement of the centre since the measurement before."
    return f'{head}{_table("Measurements of this slab, worst corner in mm", columns, lines)}<p class="note">{told}</p>'


def _epoch(table: Columns, at: int) -> list[str]:
    time: NDArray[np.datetime64] = table["time"]
    day, _, clock = str(time[at])[:16].partition("T")
    hour = "" if np.isnat(time[at]) else "".join(f'<br><small class="time">{part}</small>' for part in (day, clock))
    stage = text(table["stage"][at] or "no stage")
    moved = float(table["up_moved_mm"][at])
    return [
        f"{stage} {int(table['round'][at])}{hour}",
        *(number(float(table[f"{q}_mm"][at])) for q in QUANTITIES),
        number(moved),
        text(table["moved"][at]),
    ]
