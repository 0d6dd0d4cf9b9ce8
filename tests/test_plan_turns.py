"""Whole steps of screws, and what a rigid slab makes of them."""

from __future__ import annotations

import numpy as np
import pytest
from simulated_section import MM, oblong_type, uneven_type

from geometry.errors import InputError
from geometry.exchange.plan_tables import turn_text
from geometry.placement.plan.turns import LEADING, drives, turned
from geometry.slabs import Fitting, SlabType


def with_screws(places: list[tuple[float, float]], pushes: list[float] | None = None) -> SlabType:
    usual = oblong_type()
    screws = Fitting(tuple("abcdefg"[: len(places)]), np.array([(*p, 0.0) for p in places]), 4 * MM, 25 * MM)
    adjusters = usual.adjusters
    if pushes is not None:
        adjusters = Fitting(tuple("uvw"[: len(pushes)]), np.array([(0.0, p, 0.0) for p in pushes]), 3 * MM, 15 * MM)
    return SlabType(
        "X", 5.2, 2.5, 0.2, 0.26, 0.04, 0.215, usual.seats, usual.marks, screws, adjusters
    )  # fmt: skip


def test_a_rectangle_lifted_at_its_front() -> None:
    """By hand: both front screws up by two steps of 0.25 mm on a base of 3.4 m tilt 0.147 mrad, middle up 0.25 mm."""
    drive = drives([oblong_type()], 1 / 16, 0.0)
    # the first three of four equal triangles lead: RL, RR, FL
    steps = np.array([[0.0, 0.0, 2.0, 0.0, 0.0]])
    move = drive.pose[0] @ steps[0]
    assert np.allclose(move / MM, [0, 0, 0.25, 0.5 / 3.4, 0, 0], rtol=0, atol=1e-9)
    # FR follows
    found = turned(drive, np.zeros(1, dtype=int), steps)
    assert found.steps.tolist() == [[0, 0, 2, 2]]
    assert np.allclose(found.lift / MM, [[0, 0, 0.5, 0.5]], rtol=0, atol=1e-12)
    assert np.allclose(found.turns, [[0, 0, 0.125, 0.125]], rtol=0, atol=1e-12)
    assert found.plane_error[0] < 1e-12


def test_every_screw_of_a_rectangle_is_in_whole_steps() -> None:
    rng = np.random.default_rng(1)
    steps = rng.integers(-20, 21, size=(500, LEADING)).astype(float)
    drive = drives([oblong_type()], 1 / 8, 0.0)
    found = turned(drive, np.zeros(500, dtype=int), steps)
    assert found.plane_error.max() < 1e-12
    # opposite corners of a plane have equal sums
    assert (found.steps[:, 0] + found.steps[:, 3] == found.steps[:, 1] + found.steps[:, 2]).all()


def test_a_fifth_screw_follows_to_half_a_step() -> None:
    rng = np.random.default_rng(2)
    steps = rng.integers(-20, 21, size=(500, LEADING)).astype(float)
    drive = drives([uneven_type()], 1 / 16, 0.0)
    found = turned(drive, np.zeros(500, dtype=int), steps)
    step = 4 * MM / 16
    assert 0.3 * step < found.plane_error.max() <= step / 2 + 1e-12
    # the plane by hand at each screw
    move = np.einsum("pa,na->np", drive.pose[0], steps)
    x, y, _ = uneven_type().screws.places.T
    plane = move[:, 2:3] + move[:, 3:4] * y - move[:, 4:5] * x
    assert np.abs(plane - found.lift).max() <= step / 2 + 1e-12
    assert np.allclose(found.plane_error, np.abs(plane - found.lift).max(axis=1), rtol=0, atol=1e-12)


def test_adjusters_below_the_top_push_where_they_are() -> None:
    """A slab that rolls about its top face moves sideways at its adjusters unless they push."""
    drive = drives([uneven_type()], 1 / 16, 0.0)
    steps = np.array([3.0, -2.0, 1.0, 4.0, -3.0])
    move = drive.pose[0] @ steps
    _, y, z = uneven_type().adjusters.places.T
    across = move[0] + z * move[4] + y * move[5]
    assert np.allclose(across / (3 * MM / 16), [4.0, -3.0], rtol=0, atol=1e-9)
    assert move[1] == 0.0


def test_a_step_may_be_a_length() -> None:
    found = turned(
        drives([oblong_type()], 1 / 16, 0.0, 0.2 * MM), np.zeros(1, dtype=int), np.array([[1.0, 1, 1, 1, 1]])
    )
    assert np.allclose(found.lift / MM, 0.2, rtol=0, atol=1e-12)
    assert np.allclose(found.turns, 0.05, rtol=0, atol=1e-12)
    assert np.allclose(found.push / MM, 0.2, rtol=0, atol=1e-12)


def test_the_widest_screws_lead() -> None:
    near = [(-0.1, 0.1), (0.1, 0.1), (0.1, -0.1)]
    wide = [(-1.1, -1.7), (1.1, -1.7), (0.0, 1.7)]
    drive = drives([with_screws([*near, *wide])], 1 / 16, 0.0)
    alone = (np.abs(np.nan_to_num(drive.travel[0])) > 1e-9).sum(axis=1) == 1
    assert alone[:6].tolist() == [False] * 3 + [True] * 3


def test_types_with_fewer_screws_are_nan_beyond() -> None:
    drive = drives([oblong_type(), uneven_type()], 1 / 16, 0.15 * MM)
    found = turned(drive, np.array([0, 1]), np.ones((2, LEADING)))
    assert np.isnan(found.lift[0, 4])
    assert np.isfinite(found.lift[1]).all()
    assert found.steps[0, 4] == 0


@pytest.mark.parametrize(
    ("slab", "told"),
    [
        (with_screws([(-1.0, 0.0), (1.0, 0.0)]), "screws of slab type X: expected three screws or more"),
        (with_screws([(-1.0, -1.0), (0.0, 0.0), (1.0, 1.0)]), "found 3 on one line"),
        (with_screws([(-1, -1), (1, -1), (0, 1)], [0.5]), "adjusters of slab type X: expected adjusters at two places"),
        (with_screws([(-1, -1), (1, -1), (0, 1)], [0.5, 0.52]), "adjusters at two places along"),
    ],
)
def test_a_slab_that_cannot_be_set_is_told(slab: SlabType, told: str) -> None:
    with pytest.raises(InputError, match=told):
        drives([slab], 1 / 16, 0.0)


@pytest.mark.parametrize(
    ("turns", "text"),
    [(0.0625, "+1/16"), (-1.5, "-1 1/2"), (2.0, "+2"), (0.05, "+0.05"), (-0.0, "0"), (1 / 3, "+0.33"), (np.nan, "")],
)
def test_turns_are_told_as_a_crew_says_them(turns: float, text: str) -> None:
    assert turn_text(turns) == text
