"""Words, numbers, colours and help of the browser app, and names that would rather be markup."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest
from app_pieces import edition_of, parsed
from project_copies import copy_of_demo

from viewer.app.book import Edition
from viewer.app.choice import Choice, ordered, window_of
from viewer.app.controls_html import chips_html, scale_html
from viewer.app.help_drawings import TERMS, help_html
from viewer.app.markup import fills, ink_on, number, symbol, text
from viewer.app.section_svg import stretch_svg
from viewer.app.slab_sheet import sheet_html
from viewer.app.table_html import table_html
from viewer.layer import Scale


@pytest.fixture(scope="module")
def edition(tmp_path_factory: pytest.TempPathFactory) -> Edition:
    return edition_of(copy_of_demo(tmp_path_factory.mktemp("app")))


def test_ink_stands_out_on_every_colour_of_the_scale() -> None:
    """Contrast of text at least 4.5 to 1, WCAG 2.2, success criterion 1.4.3 and its definition of contrast ratio."""

    def luminance(fill: str) -> float:
        channel = [int(fill[at : at + 2], 16) / 255 for at in (1, 3, 5)]
        linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in channel]
        return float(np.dot(linear, [0.2126, 0.7152, 0.0722]))

    for fill in fills(np.linspace(-1, 1, 201), Scale(-1.0, 0.0, 1.0)):
        a, b = sorted((luminance(fill), luminance(ink_on(fill))))
        assert (b + 0.05) / (a + 0.05) >= 4.5


def test_each_verdict_has_a_shape_of_its_own() -> None:
    shapes = [symbol(code, 0.0, 0.0) for code in range(4)]
    assert len(set(shapes)) == 4
    assert shapes[0] == ""


def test_sheet_has_corners_joints_and_history(edition: Edition) -> None:
    slab = edition.section.slab("Q0137")
    told = sheet_html(edition, edition.layers("up")[0], slab, lambda: None)
    for words in ("Corners, mm", "Joints, mm", "Mortar gap", "History", "Q0136", "Q0138", "fine 1"):
        assert words in told
    assert "+3.58!" in told  # the README: +3.58 mm up, out


def test_hostile_words_stay_text(edition: Edition) -> None:
    bad = "<img src=x onerror=alert(1)>"
    assert "<" not in text(bad)
    section = edition.section
    names = np.array(section.slab_names, dtype=np.str_).astype("<U40")
    names[5] = bad
    hostile = replace(edition, section=replace(section, slab_names=names), _made={})
    layer = hostile.layers("up")[0]
    choice = Choice(slab=5, span=60.0)
    window = window_of(hostile, choice)
    drawn = stretch_svg(hostile, layer, choice, window, 1400.0) + table_html(
        hostile, layer, choice, ordered(choice, layer)
    )
    drawn += sheet_html(hostile, layer, 5, lambda: None)
    assert "<img" not in drawn
    assert "&lt;img" in drawn


def test_help_draws_every_term() -> None:
    tree = parsed(help_html().replace("popover id", 'popover="" id'))
    dialogs = [d for d in tree.iter("div") if d.get("role") == "dialog"]
    assert len(dialogs) == len(TERMS) >= 9
    for dialog in dialogs:
        (drawing,) = dialog.iter("svg")
        assert len(list(drawing.iter())) > 4


def test_scale_and_chips_tell_numbers(edition: Edition) -> None:
    layer = edition.layers("up")[0]
    assert "tolerance \N{PLUS-MINUS SIGN}1 mm" in scale_html(layer)
    counts = [int(n) for n in re.findall(r"<b>(\d+)</b>", chips_html(layer, Choice()))]
    assert counts == np.bincount(layer.verdict, minlength=4).tolist()


@pytest.mark.parametrize(("value", "told"), [(-0.004, "0.00"), (-12.3, "\N{MINUS SIGN}12.30"), (np.inf, "\N{EN DASH}")])
def test_numbers(value: float, told: str) -> None:
    assert number(value) == told
