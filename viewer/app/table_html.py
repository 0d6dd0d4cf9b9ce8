"""The table of slabs as HTML, a page at a time."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from viewer.app.book import Edition
from viewer.app.choice import PAGE, Choice
from viewer.app.markup import text, verdict_word
from viewer.layer import Layer
from viewer.rows import chainage_text

__all__ = ["table_html"]

Integers = NDArray[np.int64]


def table_html(edition: Edition, layer: Layer, choice: Choice, rows: Integers) -> str:
    """Return one page of the table.

    Parameters
    ----------
    edition : Edition
    layer : Layer
        Whose verdicts and worst values are told.
    choice : Choice
        Page, order, and the chosen slab.
    rows : ndarray of int, shape (k,)
        All slabs of the table in its order.
    """
    section = edition.section
    pages = max(1, -(-len(rows) // PAGE))
    page = min(choice.page, pages - 1)
    here = rows[page * PAGE : (page + 1) * PAGE]
    body = []
    for slab in here.tolist():
        verdict, name = int(layer.verdict[slab]), str(section.slab_names[slab])
        picked = slab == choice.slab
        body.append(
            f'<tr data-slab="{slab}" class="{"picked" if picked else "row"}">'
            f'<th scope="row"><button type="button" id="row-{slab}" data-slab="{slab}" '
            f'aria-pressed="{str(picked).lower()}">{text(name)}</button></th>'
            f"<td>{chainage_text(float(section.chainage[slab]))}</td>"
            f"<td>{verdict_word(verdict, layer.words[verdict])}</td>"
            f"<td class=value>{text(layer.named(slab))}</td></tr>"
        )
    if not len(rows):
        body.append('<tr><td colspan="4" class="none">No slab has a verdict that is shown.</td></tr>')
    by_place, by_worst = ("ascending", "none") if choice.order == "chainage" else ("none", "descending")
    arrows = {False: "", True: " \N{DOWNWARDS ARROW}"}
    head = (
        '<tr><th scope="col">slab</th>'
        f'<th scope="col" aria-sort="{by_place}"><button type="button" id="sort-chainage" data-act="order" '
        f'data-value="chainage">km{arrows[choice.order == "chainage"]}</button></th>'
        '<th scope="col">verdict</th>'
        f'<th scope="col" aria-sort="{by_worst}"><button type="button" id="sort-worst" data-act="order" '
        f'data-value="worst">worst{arrows[choice.order == "worst"]}</button></th></tr>'
    )
    first, last = page * PAGE + 1, min((page + 1) * PAGE, len(rows))
    told = f"{first:,} to {last:,} of {len(rows):,}".replace(",", "\N{NO-BREAK SPACE}") if len(rows) else "none"
    return (
        f'<div class="scroll" tabindex="0" role="region" aria-label="Table of slabs"><table class="slabs">'
        f'<caption class="unseen">Slabs: {text(layer.title)}</caption>'
        f"<thead>{head}</thead><tbody>{''.join(body)}</tbody></table></div>"
        f'<div class="pages"><button type="button" id="page-back" data-act="page" data-value="{page - 1}"'
        f'{" disabled" if page == 0 else ""} aria-label="Page before">\N{LEFTWARDS ARROW}</button>'
        f"<span>{told}</span>"
        f'<button type="button" id="page-on" data-act="page" data-value="{page + 1}"'
        f'{" disabled" if page >= pages - 1 else ""} aria-label="Next page">\N{RIGHTWARDS ARROW}</button></div>'
    )
