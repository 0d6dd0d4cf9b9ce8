"""What guests are told of a slab and of the section, before anything is drawn."""

from dataclasses import replace

import numpy as np
import pytest
from shown_demo import demo_checked, demo_planning, demo_show

from geometry.errors import SlabposeError
from geometry.placement.plan.rule_table import KINDS
from viewer.posed import Planning
from viewer.present.show import factor_for, show_of
from viewer.present.words import (
    count_words,
    layer_words,
    move_words,
    place_words,
    plan_words,
    slab_words,
    uncertainty_mm,
)
from viewer.section import NOT_MEASURED, OUT, UNDECIDED, WITHIN

NBSP = "\N{NO-BREAK SPACE}"


@pytest.fixture(scope="module")
def checked():
    return demo_checked()


@pytest.fixture(scope="module")
def planning():
    return demo_planning()


@pytest.fixture(scope="module")
def show():
    return demo_show()


def test_the_worst_slab_of_the_demo_is_told_in_plain_words(show):
    assert show.name == "Q0137"
    told = slab_words(show, show.slab)
    assert told[0] == f"Slab Q0137 lies up to 3.6{NBSP}mm too high; 1{NBSP}mm is allowed."
    assert told[1] == f"The survey is good to about 0.2{NBSP}mm."
    # the work list of slabpose plan: RL -2.75, RR and FL -3.00, FR -3.25 mm
    lowered = f"The correction plan lowers it by 2.75 to 3.25{NBSP}mm."
    assert told[2] == f"{lowered} Then it lies at most 0.4{NBSP}mm too high (computed)."


def test_words_agree_with_the_plan_they_come_from(show, planning):
    plan = planning.plan
    assert show.moved.tolist() == plan.touched.tolist()
    assert show.moved.sum() >= 5
    for slab in np.flatnonzero(show.moved):
        lift, push = plan.lift[slab] * 1e3, plan.push[slab] * 1e3
        words = move_words(show, int(slab))
        assert ("raises" in words) == bool((lift >= 0.005).any())
        assert ("lowers" in words) == bool((lift <= -0.005).any())
        assert ("pushes" in words) == bool((np.abs(push) >= 0.005).any())
        assert words.startswith("For the sake of") == (show.section.verdict[slab] == WITHIN)
        steps = lift[np.abs(lift) > 0.005]
        if (steps < 0.0).all() and len(steps):
            assert f"{-steps.max():g}" in words
            assert f"{-steps.min():g}" in words


def test_a_slab_that_the_plan_leaves_is_told_why(show, checked, planning):
    out = np.flatnonzero((show.section.verdict == OUT) & ~show.moved)
    assert [show.section.slab_names[slab] for slab in out] == ["Q0364"]
    assert move_words(show, int(out[0])) == "Mortar holds it: it cannot be moved any more."
    free = replace(show, held=np.zeros_like(show.held))
    assert "somebody has to decide" in move_words(free, int(out[0]))
    within = int(np.flatnonzero((show.section.verdict == WITHIN) & ~show.moved)[0])
    assert move_words(show, within) == ""


def test_what_is_shown_after_the_moves_is_told(show, checked):
    assert plan_words(show) == (
        "After the moves: as the correction plan leaves the slabs. It moves 8 of 269, by whole steps of their screws; "
        "then one slab lies out of place."
    )
    without = show_of(*checked, None)
    assert plan_words(without).startswith("No correction plan could be made: shown is what was measured")
    assert not without.moved.any()
    still = replace(show, moved=np.zeros_like(show.moved))
    assert plan_words(still) == "The correction plan moves no slab: shown is what was measured."


def test_after_the_moves_slabs_lie_where_the_plan_puts_them(show, planning):
    """By the rules of the plan, which it works out on its own: value before plus rows times move."""
    plan = planning.plan
    up = np.flatnonzero(plan.rules.kind == KINDS.index("up"))
    slab, mark = plan.rules.rear[up], plan.rules.place[up]
    after = show.after.corner_deviation_mm[slab, mark, 2]
    np.testing.assert_allclose(after, plan.value_after[up] * 1e3, rtol=0, atol=1e-3)
    np.testing.assert_allclose(show.after_sigma_mm[slab, mark, 2], plan.sigma_after[up] * 1e3, rtol=0, atol=1e-6)
    still = ~show.moved
    same = show.section.corner_deviation_mm[still]
    np.testing.assert_array_equal(show.after.corner_deviation_mm[still], same)
    assert np.abs(show.after.corner_deviation_mm[~still] - show.section.corner_deviation_mm[~still]).max() > 2.0


def test_each_verdict_has_a_sentence_of_its_own(show):
    section = show.section
    for verdict, part in (
        (WITHIN, "lies where the design puts it"),
        (OUT, "lies up to"),
        (UNDECIDED, "cannot be judged for certain"),
        (NOT_MEASURED, "has not been measured"),
    ):
        slab = int(np.flatnonzero(section.verdict == verdict)[0])
        assert part in slab_words(show, slab)[0]


def test_directions_are_told_from_their_signs(show):
    section = show.section
    slab = show.slab
    for axis, low, high in ((0, "too far left", "too far right"), (1, "too far back", "too far ahead"),
                            (2, "too low", "too high")):  # fmt: skip
        for value, words in ((-30.0, low), (30.0, high)):
            deviation = np.zeros_like(section.corner_deviation_mm)
            deviation[slab, :, axis] = value
            other = replace(show, section=replace(section, corner_deviation_mm=deviation))
            assert words in slab_words(other, slab)[0]


def test_no_number_pretends_to_be_better_than_the_survey(show):
    worse = replace(show, sigma_mm=show.sigma_mm * 10.0)
    told = slab_words(worse, show.slab)
    assert told[0].startswith(f"Slab Q0137 lies up to 4{NBSP}mm too high")
    assert uncertainty_mm(0.6) == 1.2


def test_a_slab_that_mortar_holds_is_not_said_to_move(checked):
    project, check = checked
    held = replace(check, held=np.ones(len(check.verdict), dtype=bool))
    show = show_of(project, held, Planning(project, held))
    assert not show.moved.any()
    assert "cannot be moved" in slab_words(show, show.slab)[-1]
    assert "moves no slab" in plan_words(show)


def test_counts_are_those_of_the_check(show, checked):
    counts = {verdict: count for verdict, count, _ in count_words(show.section)}
    assert counts == {verdict: int((checked[1].verdict == verdict).sum()) for verdict in range(4)}
    assert sum(counts.values()) == len(show.section)


def test_places_are_named_by_kilometre_and_structure(show):
    section = show.section
    words = place_words(section, float(section.distance[show.slab]))
    assert words == "Kilometre 27.63, embankment Lapwing bank"


def test_colours_are_told_with_grey_only_where_something_is_not_measured(show):
    assert layer_words(show) == f"Blue: too low, orange: too high, grey: not measured; 1{NBSP}mm is allowed"
    section = show.section
    whole = replace(
        section,
        built_position=np.where(section.measured[:, None], section.built_position, section.target_position),
        built_rotation=np.where(section.measured[:, None, None], section.built_rotation, section.target_rotation),
    )
    assert "grey" not in layer_words(replace(show, section=whole))


def test_exaggeration_keeps_slabs_below_the_rail(show):
    assert show.factor == factor_for(show.section, np.arange(len(show.section)))
    largest = np.nanmax(np.abs(show.section.corner_deviation_mm)) * 0.001
    assert largest * show.factor < show.kind.rail_height


def test_a_slab_of_that_name_has_to_be_there(checked):
    with pytest.raises(SlabposeError, match="no slab is called 'Q9'"):
        show_of(*checked, None, slab="Q9")
    assert show_of(*checked, None, slab="Q0182").name == "Q0182"
