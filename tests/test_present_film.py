"""The film for guests, before anything is drawn: the way of the eye, captions, labels."""

from itertools import combinations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from shown_demo import demo_checked, demo_show

from viewer.present.camera import LANDED, RESTING, flight_of
from viewer.present.captions import LAYERS, TOLD_FROM, apart_at, caption_at, factor_at
from viewer.present.film import FRAMES_A_SECOND, film_size
from viewer.present.leaders import crossing, leaders
from viewer.present.show import show_of
from viewer.present.staging import ground_body, lowered_by
from viewer.present.stills import still_size
from viewer.present.words import COMPUTED, MEASURED, lowered_words, slab_words


@pytest.fixture(scope="module")
def checked():
    return demo_checked()


@pytest.fixture(scope="module")
def show():
    return demo_show()


@pytest.mark.parametrize("seconds", [5.0, 20.0, 60.0])
@pytest.mark.parametrize("slab", ["Q0101", "Q0137", "Q0369"])
def test_the_eye_moves_without_jumps_and_without_jerks(checked, seconds, slab):
    show = show_of(*checked, None, slab=slab)
    flight = flight_of(show, seconds)
    shares = np.linspace(0.0, 1.0, round(seconds * FRAMES_A_SECOND))
    ways = [flight.at(float(share)) for share in shares]
    eye = np.array([way.eye for way in ways])
    reach = np.linalg.norm(eye - [way.focus for way in ways], axis=1)
    step = np.linalg.norm(np.diff(eye, axis=0), axis=1)
    # from picture to picture never more than a share of how far away the eye is from what it looks at
    assert (step / reach[1:]).max() < 0.17 * 20.0 / min(seconds, 20.0)
    # nor does a step differ much from the one before: a jump would
    jerk = np.linalg.norm(np.diff(eye, n=2, axis=0), axis=1)
    assert (jerk / reach[1:-1]).max() < 0.0165 * (20.0 / min(seconds, 20.0)) ** 2
    towards = np.array([way.focus for way in ways]) - eye
    towards /= np.linalg.norm(towards, axis=1, keepdims=True)
    turned = np.arccos(np.clip(np.einsum("ij,ij->i", towards[1:], towards[:-1]), -1.0, 1.0))
    assert np.rad2deg(turned.max()) < 1.8 * 20.0 / min(seconds, 20.0)


def test_the_flight_ends_at_the_slab(show):
    flight = flight_of(show, 20.0)
    for share in (LANDED, 0.9, 1.0):
        assert flight.at(share).distance == pytest.approx(show.section.distance[show.slab], rel=0, abs=1e-6)
        assert np.linalg.norm(flight.at(share).focus) < 1e-6
    assert flight.at(1.0).eye[2] > 2.0


def test_on_its_way_the_flight_goes_at_the_speed_of_a_train(show):
    flight = flight_of(show, 20.0)
    way = abs(flight.at(0.42).distance - flight.at(0.32).distance)
    assert 10.0 < way / 2.0 < 60.0  # m/s; faster, slabs of 5 m would seem to stand still at 24 pictures a second


def test_captions_say_place_colours_exaggeration_and_what_is_known_how(show):
    flight = flight_of(show, 20.0)
    for share in np.linspace(0.0, 1.0, 101).tolist():
        caption = caption_at(show, flight, share)
        assert caption.where
        assert ("true size" in caption.exaggeration.lower()) == (factor_at(show.factor, share) < 1.01)
        layers = LAYERS[0] <= share < LAYERS[1]
        assert bool(caption.colours) != layers
        if not layers:
            assert MEASURED in caption.known
            assert COMPUTED in caption.known
    assert caption_at(show, flight, 0.05).title
    assert "3 of them out of place" in caption_at(show, flight, 0.05).where
    assert caption_at(show, flight, 0.4).where.startswith("Kilometre 27.")
    assert caption_at(show, flight, 1.0).story == tuple(slab_words(show, show.slab))
    assert "50 times" in caption_at(show, flight, 1.0).exaggeration


def test_the_eye_rests_while_the_last_words_are_read(show):
    flight = flight_of(show, 20.0)
    for share in (RESTING, 0.96, 1.0):
        np.testing.assert_array_equal(flight.at(share).eye, flight.at(1.0).eye)
    assert np.linalg.norm(flight.at(RESTING - 0.01).eye - flight.at(1.0).eye) > 1e-4
    assert caption_at(show, flight, RESTING).story
    assert factor_at(50.0, RESTING) == factor_at(50.0, 1.0)


def test_a_lowered_bed_is_told(show):
    slabs = np.arange(len(show.section))
    lowest = -np.nanmin(show.section.corner_deviation_mm[..., 2]) * 0.001
    lowered = lowered_by(show, slabs, 50.0)
    assert lowered == pytest.approx(50.0 * lowest - show.sizes.mortar, rel=0, abs=1e-9)
    assert lowered > 0.05
    assert lowered_by(show, slabs, 1.0) == 0.0
    flight = flight_of(show, 20.0)
    words = lowered_words(lowered, why=False)
    assert f"; {words}" in caption_at(show, flight, 0.3, lowered).exaggeration
    assert "lower" not in caption_at(show, flight, 0.3).exaggeration


def test_the_ground_has_one_edge_at_each_joint(show):
    slabs = np.arange(show.slab - 5, show.slab + 6)
    points, _ = ground_body(show, slabs, show.section.target_position[show.slab])
    ends = points.reshape(-1, 2, 2, 3)
    np.testing.assert_allclose(ends[1:, 0], ends[:-1, 1], rtol=0, atol=1e-12)


def test_layers_come_apart_only_at_true_size_and_go_together_again(show):
    shares = np.linspace(0.0, 1.0, 2001)
    apart = np.array([apart_at(share) for share in shares])
    factor = np.array([factor_at(50.0, share) for share in shares])
    assert apart.max() == 1.0
    assert apart[0] == apart[-1] == 0.0
    assert (factor[apart > 0.0] < 1.01).all()
    assert (apart[shares >= TOLD_FROM] == 0.0).all()
    assert np.abs(np.diff(np.log(factor))).max() < 0.1
    assert np.abs(np.diff(apart)).max() < 0.03


def test_sizes_are_whole_blocks_and_print_resolution():
    assert film_size((1281, 719)) == (1296, 720)
    assert still_size(300) == (3300, 1856)  # 11 inches by 6.19


def no_two_overlap(boxes_: list[tuple[float, float, float, float]]) -> bool:
    return all(a[2] <= b[0] or b[2] <= a[0] or a[3] <= b[1] or b[3] <= a[1] for a, b in combinations(boxes_, 2))


@given(st.lists(st.tuples(st.floats(0, 700), st.floats(0, 700)), min_size=2, max_size=7, unique=True))
def test_lines_of_labels_never_cross_and_labels_never_overlap(holds):
    placed = leaders(holds, [(200.0, 30.0 + 10.0 * (k % 2)) for k in range(len(holds))], 800.0, 60.0, 660.0, 10.0)
    assert no_two_overlap([leader.box for leader in placed])
    for one, other in combinations(placed, 2):
        assert not crossing(*map(np.array, (one.start, one.end, other.start, other.end)))
    for leader in placed:
        assert leader.end[0] < leader.box[0]
        assert leader.box[1] < leader.end[1] < leader.box[3]


def test_lines_that_cross_are_seen():
    a, b, c, d = map(np.array, ([0.0, 0.0], [2.0, 2.0], [0.0, 2.0], [2.0, 0.0]))
    assert crossing(a, b, c, d)
    assert not crossing(a, c, b, d)
