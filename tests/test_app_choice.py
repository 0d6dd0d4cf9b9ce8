"""What a session of the browser app chooses: search, steps, pages of the table, window, limits."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from app_pieces import edition_of, parsed
from project_copies import copy_of_demo

from viewer.app.book import Edition
from viewer.app.choice import Choice, found, ordered, page_with, scaled, stepped, window_of
from viewer.app.table_html import table_html
from viewer.section import UNDECIDED


@pytest.fixture(scope="module")
def edition(tmp_path_factory: pytest.TempPathFactory) -> Edition:
    return edition_of(copy_of_demo(tmp_path_factory.mktemp("app")))


def test_search_by_name_and_chainage(edition: Edition) -> None:
    names = edition.section.slab_names
    assert found(edition, " q0160 ") == int(np.flatnonzero(names == "Q0160")[0])
    assert found(edition, "27+745.0") == found(edition, "27745") == found(edition, "Q0160")
    assert isinstance(found(edition, "99000"), str)
    assert "did you mean" in str(found(edition, "Q016O"))  # the letter O
    assert isinstance(found(edition, ""), str)


def test_stepping_respects_the_filter(edition: Edition) -> None:
    layer = edition.layers("up")[0]
    choice = Choice(slab=0)
    seen = []
    while (following := stepped(choice, layer, 1, working=True)) != choice:
        choice = following
        seen.append(str(edition.section.slab_names[choice.slab]))
    assert seen == ["Q0137", "Q0160", "Q0182", "Q0213", "Q0296", "Q0318"]  # the README's table
    only = replace(choice, slab=0, verdicts=frozenset({UNDECIDED}))
    assert edition.section.slab_names[stepped(only, layer, 1, working=False).slab] == "Q0160"
    assert stepped(replace(only, verdicts=frozenset()), layer, 1, working=False).slab == 0
    assert stepped(Choice(slab=3), layer, -10, working=False).slab == 0


def test_table_pages(edition: Edition) -> None:
    layer = edition.layers("up")[0]
    choice = Choice(slab=100)
    rows = ordered(choice, layer)
    page = page_with(choice, rows)
    assert page == 2
    markup = table_html(edition, layer, replace(choice, page=page), rows)
    tree = parsed(markup.replace("class=value", 'class="value"').replace(" disabled", ' disabled="1"'))
    assert len(list(tree.iter("tr"))) == 41
    (picked,) = [r for r in tree.iter("tr") if r.get("class") == "picked"]
    assert picked.get("data-slab") == "100"
    worst = ordered(replace(choice, order="worst"), layer)
    assert edition.section.slab_names[worst[0]] == "Q0137"
    assert len(worst) == len(rows)
    assert not np.isfinite(layer.worst[worst[-1]])


def test_window_keeps_the_slab_inside(edition: Edition) -> None:
    distance = edition.section.distance
    for slab in range(0, len(edition.section), 7):
        for span in (60.0, 250.0, 1000.0):
            low, high = window_of(edition, Choice(slab=slab, span=span))
            assert high - low == pytest.approx(span)
            assert low <= distance[slab] <= high


def test_scale_reaches_further(edition: Edition) -> None:
    gap = scaled(edition.layers("gap")[0], 2.0)
    assert (gap.scale.low, gap.scale.middle, gap.scale.high) == (-5.0, 55.0, 135.0)
    assert gap.scale.allowed == (40.0, 75.0)
