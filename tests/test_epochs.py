"""When slabs were measured: stages, rounds, readings told twice."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from geometry.placement.epochs import MIXED_SETUPS, StagedPoints
from geometry.placement.movement import (
    MOVED,
    NO_CHECK,
    NOISE,
)
from geometry.survey import SurveyPoints
from tests.slab_book import (
    MINUTE,
    SETUPS,
    STAGES,
    START,
    STILL,
    Book,
    row_of_slabs,
)

# --- epochs


def test_rounds_follow_stage_then_time_whatever_the_order_of_the_files() -> None:
    book = Book(row_of_slabs(3))
    book.add(STILL, "recheck", 200).add(STILL, "fine", 90, slabs=[0, 2]).add(STILL, "fine", 30).add(STILL, "rough", 0)
    epochs = book.history().epochs
    assert epochs.slab.tolist() == [0, 0, 0, 0, 1, 1, 1, 2, 2, 2, 2]
    assert epochs.stage.tolist() == [1, 2, 2, 3, 1, 2, 3, 1, 2, 2, 3]
    assert epochs.round.tolist() == [1, 1, 2, 1, 1, 1, 1, 1, 1, 2, 1]
    assert epochs.ordinal.tolist() == [0, 1, 2, 3, 0, 1, 2, 0, 1, 2, 3]
    assert epochs.start[2] == START + 90 * MINUTE
    assert epochs.latest.tolist() == [3, 6, 10]


def test_an_epoch_ends_where_a_mark_comes_again_and_where_another_setup_takes_over() -> None:
    book = Book(row_of_slabs(1))
    book.add(STILL, "fine", 0, marks=(0, 1)).add(STILL, "fine", 1, "S2", marks=(2, 3))  # two marks from either side
    book.add(STILL, "fine", 2, "S2", marks=(3, 2, 1)).add(STILL, "fine", 3, "S3", marks=(0, 1, 2, 3))
    book.add(STILL, "fine", 4, "S3", marks=(1,))
    epochs = book.history().epochs
    assert epochs.round.tolist() == [1, 2, 3, 4]
    assert epochs.setup.tolist() == [MIXED_SETUPS, 2, 3, 3]
    assert epochs.of_point.tolist() == [0, 0, 0, 0, 1, 1, 1, 2, 2, 2, 2, 3]


def test_a_reading_without_a_setup_goes_with_the_others() -> None:
    book = Book(row_of_slabs(1)).add(STILL, "fine", 0, marks=(0, 1, 2)).add(STILL, "fine", 1, "", marks=(3,))
    assert book.history().epochs.round.tolist() == [1]


def test_an_epoch_without_a_pose_is_passed_over_and_said() -> None:
    book = Book(row_of_slabs(2))
    book.add(STILL, "fine", 0).add(STILL, "fine", 9, marks=(0, 1)).add(STILL + 1e-3, "fine", 20, slabs=[1])
    history = book.history()
    assert history.notes.tolist() == [0, 1, 0, 1, 0]
    assert history.movements.before.tolist() == [2]
    assert history.movements.after.tolist() == [4]
    assert np.isnan(history.pose[[1, 3]]).all()


def test_three_corners_give_numbers_but_no_check() -> None:
    m = Book(row_of_slabs(1)).add(STILL, "fine", 0).add(STILL + 5e-3, "fine", 9, marks=(0, 1, 2)).history().movements
    assert m.verdict.tolist() == [NO_CHECK]
    assert m.p[0] < 1e-6


def test_rows_without_stage_and_time_stand_in_the_order_of_the_lines() -> None:
    up = np.array([0, 0, 2e-3, 0, 0, 0])
    book = Book(row_of_slabs(1)).add(STILL, "", None, "").add(up, "", None, "").add(2 * up, "rough", None, "")
    history = book.history()
    assert history.epochs.round.tolist() == [1, 2, 1]
    assert history.pose[:, 2] == pytest.approx([0, 2e-3, 4e-3], abs=1e-8)
    assert [f.kind for f in history.findings] == ["no time"]
    assert np.isnat(history.epochs.start).all()
    assert history.movements.assumed.tolist() == [0, 0]


def test_points_without_names_and_names_by_half_a_turn() -> None:
    book = Book(row_of_slabs(2)).add(STILL, "fine", 0).add(STILL, "recheck", 60)
    given = book.given()
    p = given.points
    slab, mark = p.slab.copy(), p.mark.copy()
    slab[:8], mark[:8] = -1, -1
    mark[12:] = 3 - mark[12:]  # slab 1 at the recheck
    turned = replace(given, points=replace(p, slab=slab, mark=mark))
    history = book.history(points=turned)
    assert history.epochs.slab.tolist() == [0, 0, 1, 1]
    assert history.movements.verdict.tolist() == [NOISE, NO_CHECK]
    assert history.notes.tolist() == [0, 0, 0, 4]
    (finding,) = history.findings
    assert finding.text.startswith("recheck, round 1: ")


def test_stages_that_times_contradict_are_told() -> None:
    history = Book(row_of_slabs(1)).add(STILL, "recheck", 0).add(STILL, "fine", 60).history()
    assert [f.kind for f in history.findings] == ["stages out of order"]
    assert history.epochs.stage.tolist() == [2, 3]


# --- append only


def test_a_later_file_never_replaces() -> None:
    book = Book(row_of_slabs(2)).add(STILL, "fine", 0)
    alone = book.history()
    book.add(np.array([0, 0, 3e-3, 0, 0, 0]), "fine", 0, slabs=[0], marks=(1,))
    both = book.history()
    assert both.pose == pytest.approx(alone.pose, abs=0)
    (finding,) = both.findings
    assert (finding.kind, finding.slab, finding.withholds) == ("told differently", 0, True)
    assert "RR of slab Q0" in finding.text
    assert "line 2" in finding.text
    assert "line 9" in finding.text
    assert "3.0 mm apart" in finding.text
    assert both.notes.tolist() == [16, 0]
    # with it nothing is said of a movement either
    book.add(STILL + 5e-3, "recheck", 50)
    assert book.history().movements.verdict.tolist() == [NO_CHECK, MOVED]


def test_the_same_readings_again_count_once() -> None:
    book = Book(row_of_slabs(2)).add(STILL, "fine", 0).add(STILL, "fine", None, "")
    once = book.history()
    book.rows += [(row[0] + 4e-5, *row[1:]) for row in book.rows[:8]] + book.rows[8:]  # fewer decimals; exactly
    again = book.history()
    assert len(again.epochs) == len(once.epochs)
    assert again.pose == pytest.approx(once.pose, abs=0, nan_ok=True)
    assert [f.text for f in again.findings if f.kind == "told again"] == [
        "16 readings stand in the survey twice and count once"
    ]


def test_nothing_surveyed_and_one_slab() -> None:
    book = Book(row_of_slabs(1)).add(STILL, "fine", 0)
    history = book.history()
    assert len(history.epochs) == 1
    assert len(history.movements.before) == 0
    given = book.given()
    p = given.points
    empty = SurveyPoints(p.xyz[:0], p.sigma[:0], p.slab[:0], p.mark[:0], p.setup[:0], p.time[:0], p.label)
    assert len(book.history(points=StagedPoints(empty, given.stage[:0], STAGES, SETUPS)).epochs) == 0
