"""What happened to slabs: moves asked and achieved, injection, and what is behind a movement."""

from __future__ import annotations

import numpy as np
import pytest

from geometry.placement import Tolerance
from geometry.placement.movement import (
    MOVED,
    NO_CHECK,
    NOISE,
)
from geometry.placement.verdict import NOT_MEASURED, OUT, UNDECIDED, WITHIN
from tests.slab_book import (
    STILL,
    Book,
    row_of_slabs,
    with_setups,
)

# --- asked and achieved


def test_screws_turned_as_asked_achieve_what_was_asked() -> None:
    n = 400
    rng = np.random.default_rng(7)
    left = rng.normal(size=(n, 6)) * [4e-3, 6e-3, 5e-3, 1e-3, 1.5e-3, 1e-3]
    book = Book(row_of_slabs(n), rng)
    history = book.add(left, "fine", 0).add(STILL, "fine", 30).history()
    for kind, columns in (("lift", 4), ("push", 2), ("along", 1)):
        a = history.movements.adjustments[kind]
        assert a.asked.shape == (n, columns)
        off = (a.achieved - a.asked) / a.rest_sigma
        assert np.abs(off).max() < 4.5
        assert np.mean(np.abs(off) < 3) > 0.99
        assert off.std() == pytest.approx(1, abs=0.12)
        known = np.isfinite(a.ratio)
        assert known.mean() > 0.8
        pull = (a.ratio[known] - 1) / a.ratio_sigma[known]
        assert np.mean(np.abs(pull) < 3) > 0.98
        # asked less achieved is what is left
        assert a.asked - a.achieved == pytest.approx(a.rest, abs=1e-12)


def test_one_screw_by_hand() -> None:
    # 4 mm low all over and 1 mm too far right; raised by 3 mm and pushed back by 1 mm
    low, then = np.array([1e-3, 0, -4e-3, 0, 0, 0]), np.array([0, 0, -1e-3, 0, 0, 0])
    m = Book(row_of_slabs(1)).add(low, "fine", 0).add(then, "fine", 5).history().movements
    lift, push = m.adjustments["lift"], m.adjustments["push"]
    assert lift.asked[0] == pytest.approx(np.full(4, 4e-3), abs=1e-8)
    assert lift.achieved[0] == pytest.approx(np.full(4, 3e-3), abs=1e-8)
    assert lift.rest[0] == pytest.approx(np.full(4, 1e-3), abs=1e-8)
    assert lift.ratio[0] == pytest.approx(np.full(4, 0.75), abs=1e-5)
    assert push.asked[0] == pytest.approx(np.full(2, -1e-3), abs=1e-8)
    assert push.ratio[0] == pytest.approx(np.ones(2), abs=1e-5)
    # of four marks with 0.1 mm: 0.05 mm at the centre, more at the screws by their arms
    arm = 1 + (1.8 / 2.25) ** 2 + (1.1 / 0.95) ** 2
    at_screw = 0.05e-3 * np.sqrt(arm)
    # the screw heads lie 0.19 m under the marks, which tilts nothing into the height
    assert lift.asked_sigma[0] == pytest.approx(np.full(4, at_screw), abs=2e-8)
    assert lift.achieved_sigma[0] == pytest.approx(np.full(4, np.sqrt(2) * at_screw), abs=3e-8)
    # share 3/4: sigma of 1 - b/a with a = -4, b = -1
    expected = at_screw / 4e-3 * np.sqrt(1 + 0.25**2)
    assert lift.ratio_sigma[0] == pytest.approx(np.full(4, expected), abs=1e-5)
    # nothing was asked along: no share of nothing
    assert np.isnan(m.adjustments["along"].ratio).all()


def test_the_share_achieved_where_one_setup_saw_both() -> None:
    n = 1500
    rng = np.random.default_rng(60)
    low, then = np.array([0, 0, -4e-3, 0, 0, 0]), np.array([0, 0, -1e-3, 0, 0, 0])
    book = Book(row_of_slabs(n), rng).add(low, "fine", 0).add(then, "fine", 5)
    setup = np.tile(np.repeat(np.arange(n), 4), 2) + 1
    lift = book.history(points=with_setups(book, setup, rng=rng)).movements.adjustments["lift"]
    pull = (lift.ratio - 0.75) / lift.ratio_sigma
    assert pull.std() == pytest.approx(1, abs=0.05)
    # with 0.3 mm of each set-up taken as independent it would be near 0.8
    assert lift.ratio_sigma.mean() < 0.07


# --- injection


def test_uplift_during_injection_by_corner() -> None:
    limit = Tolerance("up", -0.5e-3, 1e-3, "example")
    targets = row_of_slabs(4)
    up = np.zeros((4, 6))
    up[1, 2] = 0.6e-3
    up[2, 2] = 2e-3
    up[3, 3] = 1.3e-3 / 2.25  # nose up: front +1.3 mm, rear -1.3 mm
    book = Book(targets).add(STILL, "rough", 0).add(STILL, "recheck", 60).add(up, "after injection", 600, "S2")
    m = book.history(limit).movements
    assert m.injection.tolist() == [False, True] * 4
    during = np.flatnonzero(m.injection)
    assert m.marks[during[3], :, 2] == pytest.approx([-1.3e-3, -1.3e-3, 1.3e-3, 1.3e-3], abs=1e-6)
    # at a corner three of four parts of the variance: 0.1 sqrt(3/4) mm, twice
    assert m.marks_sigma[during[0], :, 2] == pytest.approx(np.full(4, 0.1e-3 * np.sqrt(1.5)), abs=3e-8)
    assert m.settling[during[:3]].tolist() == [[WITHIN] * 4, [WITHIN] * 4, [OUT] * 4]
    assert m.settling[during[3]].tolist() == [OUT, OUT, OUT, OUT]
    assert (m.settling[~m.injection] == NOT_MEASURED).all()
    up[1, 2] = 0.9e-3  # within two sigmas, 0.24 mm, of the limit
    book = Book(targets).add(STILL, "recheck", 60).add(up, "after injection", 600)
    assert book.history(limit).movements.settling[1].tolist() == [UNDECIDED] * 4
    assert (book.history().movements.settling == NOT_MEASURED).all()
    assert book.history().movements.injection.all()


# --- what is behind a movement


def test_a_mark_that_moved_alone_is_no_movement_of_the_slab() -> None:
    book = Book(row_of_slabs(2)).add(STILL, "fine", 0).add(STILL, "recheck", 60)
    moved_mark = book.rows[8][0]
    moved_mark[2] += 3e-3  # RL of slab 0 at the recheck
    history = book.history()
    assert history.movements.verdict.tolist() == [NO_CHECK, NOISE]
    assert history.notes.tolist() == [0, 8, 0, 0]


def test_a_warped_slab_still_has_a_history() -> None:
    book = Book(row_of_slabs(1)).add(STILL, "fine", 0).add(np.array([0, 0, 1e-3, 0, 0, 0]), "recheck", 60)
    for row in (0, 4):  # cast with one corner 2 mm high: the same at both epochs
        book.rows[row][0][2] += 2e-3
    history = book.history()
    assert history.notes.tolist() == [8, 8]
    assert history.movements.verdict.tolist() == [MOVED]
    assert history.movements.pose[0, 2] == pytest.approx(1e-3, abs=1e-7)


def test_what_is_assumed_of_setups_is_said() -> None:
    book = Book(row_of_slabs(1)).add(STILL, "fine", 0).add(STILL, "fine", 9).add(STILL, "recheck", 60, "S2")
    assert book.history().movements.assumed.tolist() == [1, 2]


def test_slabs_that_move_alike_between_two_setups() -> None:
    n = 6
    rng = np.random.default_rng(3)
    targets = row_of_slabs(n)
    shifted = np.array([0, 0, 0.8e-3, 0, 0, 0])
    book = Book(targets, rng).add(STILL, "fine", 0).add(shifted, "recheck", 60, "S2")
    (finding,) = book.history().findings
    assert finding.kind == "moved alike"
    assert "all 6 slabs measured from set-up S1 and then from S2" in finding.text
    up = float(finding.text.split(" mm up")[0].split()[-1])
    assert up == pytest.approx(0.8, abs=4 * 0.1 * np.sqrt(2) / np.sqrt(4 * n))
    # two slabs, one set-up, or slabs that moved each by its own amount: nothing is said
    for slabs, setup, pose in (
        ([0, 1], "S2", shifted), (None, "S1", shifted), (None, "S2", rng.normal(size=(n, 6)) * [0, 0, 3e-3, 0, 0, 0]),
    ):  # fmt: skip
        other = Book(targets, np.random.default_rng(4)).add(STILL, "fine", 0)
        assert not other.add(pose, "recheck", 60, setup, slabs=slabs).history().findings


def test_slabs_that_move_alike_by_what_setups_explain() -> None:
    n = 6
    shifted = np.array([0, 0, 0.5e-3, 0, 0, 0])
    book = Book(row_of_slabs(n)).add(STILL, "fine", 0).add(shifted, "recheck", 60)
    setup = np.repeat([1, 2], 4 * n)
    # 0.5 mm are 1.2 sigmas of two set-ups of 0.3 mm; 2 mm are not
    assert not book.history(points=with_setups(book, setup, rng=None)).findings
    book = Book(row_of_slabs(n)).add(STILL, "fine", 0).add(4 * shifted, "recheck", 60)
    assert [f.kind for f in book.history(points=with_setups(book, setup, rng=None)).findings] == ["moved alike"]
