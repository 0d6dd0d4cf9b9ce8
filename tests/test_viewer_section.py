"""The picture data of a section: what it refuses, and what it answers. Also makes the section the other tests draw."""

from dataclasses import fields, replace

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from geometry.errors import SlabposeError
from viewer.section import NOT_MEASURED, OUT, UNDECIDED, WITHIN, Section, Structure

TOLERANCE_MM = {"across": 2.0, "along": 5.0, "up": 1.0}


def notched(width, length, radius=0.26):
    """A rectangle with a half-round notch in the middle of both ends."""
    turn = np.linspace(0.0, np.pi, 13)
    back = np.column_stack([-radius * np.cos(turn), -length / 2 + radius * np.sin(turn)])
    forward = -back
    corner = np.array([width, length]) / 2
    return np.vstack([-corner, back, corner * [1, -1], corner, forward, corner * [-1, 1]])


def curve_section(n=60, seed=3, unmeasured=(7, 31), worst=None, blunder_mm=4.0):
    """Slabs on a right-hand curve of 900 m with 120 mm of cant, a gradient, and a chainage equation at two thirds."""
    rng = np.random.default_rng(seed)
    worst = max(n // 2 - 9, 0) if worst is None else worst
    pitch, radius, cant, gradient = 5.0, 900.0, np.arcsin(0.120 / 1.5), 0.012
    start = np.array([612_340.0, 5_423_870.0, 212.0])
    distance = 40.0 + pitch * np.arange(n)

    def place(along, across=0.0, up=0.0):
        bearing = np.deg2rad(35.0) + along / radius
        spin = Rotation.from_euler(
            "ZXY", np.column_stack([-bearing, np.full_like(along, gradient), np.full_like(along, cant)])
        )
        line = np.column_stack(
            [
                radius * (np.cos(np.deg2rad(35.0)) - np.cos(bearing)),
                radius * (np.sin(bearing) - np.sin(np.deg2rad(35.0))),
                gradient * along,
            ]
        )
        offset = np.tile([across, 0.0, up], (len(line), 1))
        return start + line + spin.apply(offset), spin

    target, turned = place(distance, up=-0.205)
    types = np.where(np.arange(n) % 10 == 9, 1, 0)
    outlines = (notched(2.34, 4.93), notched(2.34, 4.856))
    marks = tuple(np.array([[-1.0, -2.3], [1.0, -2.3], [1.0, 2.3], [-1.0, 2.3]]) for _ in outlines)
    noise = np.column_stack([rng.normal(0, 0.55, n), rng.normal(0, 1.2, n), rng.normal(0, 0.3, n)])
    noise[:, 2] += 0.35 * np.sin(np.arange(n) / 11.0)
    twist = rng.normal(0, 1.0, (n, 3)) * [6e-5, 1.2e-4, 8e-5]
    noise[worst] = [1.6, -2.4, blunder_mm]
    twist[worst] = [2e-4, -3e-4, 1e-4]
    noise[(worst + n // 3) % n] = [-2.6, 1.1, -1.9]
    shift = noise / 1000.0
    built = target + turned.apply(shift)
    spun = turned * Rotation.from_rotvec(twist)
    corners = np.pad(marks[0], ((0, 0), (0, 1)))
    turn = Rotation.from_rotvec(twist).as_matrix() - np.eye(3)
    moved = corners @ turn.swapaxes(1, 2) + shift[:, None]
    deviation = moved * 1000.0 + rng.normal(0, 0.05, moved.shape)
    ratio = np.abs(deviation / list(TOLERANCE_MM.values())).max(axis=(1, 2))
    verdict = np.where(ratio > 1.15, OUT, np.where(ratio > 0.9, UNDECIDED, WITHIN))
    built_rotation = spun.as_matrix()
    missing = list(unmeasured)
    built[missing], built_rotation[missing], deviation[missing] = np.nan, np.nan, np.nan
    verdict[missing] = NOT_MEASURED
    along = np.arange(distance[0] - 10.0, distance[-1] + 10.0, 1.0)
    end = distance[-1]
    break_at = distance[2 * n // 3] - pitch / 2

    def shown(at):
        return at + 12_000.0 - np.where(at > break_at, 3.2, 0.0)

    anchors, _ = place(np.append(distance - pitch / 2, end + pitch / 2), up=-0.205 - 0.24)
    return Section(
        title="Curve at the mill, left track",
        subtitle="invented data; 60 slabs surveyed before injection",
        slab_names=np.array([f"M{i + 101}" for i in range(n)]),
        chainage=shown(distance),
        distance=distance,
        type_index=types,
        outlines=outlines,
        thickness=(0.19, 0.19),
        marks=marks,
        target_position=target,
        target_rotation=turned.as_matrix(),
        built_position=built,
        built_rotation=built_rotation,
        corner_deviation_mm=deviation,
        verdict=verdict,
        tolerance_mm=TOLERANCE_MM,
        rail_left=place(along, across=-0.75)[0],
        rail_right=place(along, across=0.75)[0],
        axis=place(along)[0],
        axis_chainage=shown(along),
        bed_depth=0.24,
        bed_width=2.8,
        anchor_position=anchors,
        anchor_radius=0.22,
        anchor_height=0.24,
        structures=(
            Structure(
                "Mill brook bridge",
                "bridge",
                distance[0] + 0.22 * (end - distance[0]),
                distance[0] + 0.41 * (end - distance[0]),
            ),
            Structure("Hill tunnel", "tunnel", distance[0] + 0.70 * (end - distance[0]), end + 300.0),
        ),
    )


@pytest.fixture(scope="module")
def section():
    return curve_section()


def test_arrays_are_read_only_copies(section):
    given = np.array(section.chainage)
    made = replace(section, chainage=given)
    given[0] = 0.0
    assert made.chainage[0] == section.chainage[0]
    for field in fields(made):
        value = getattr(made, field.name)
        if isinstance(value, np.ndarray):
            with pytest.raises(ValueError, match="read-only"):
                value[...] = value
    with pytest.raises(TypeError):
        made.tolerance_mm["up"] = 3.0


@pytest.mark.parametrize(
    ("change", "told"),
    [
        ({"distance": np.zeros(3)}, r"distance must have shape \(60\), not \(3,\)"),
        ({"distance": np.zeros(60)}, "order of their distance"),
        ({"type_index": np.full(60, 2)}, "names no type"),
        ({"verdict": np.full(60, 4)}, "0 to 3"),
        ({"verdict": np.full(60, WITHIN)}, "without a pose cannot be within"),
        ({"thickness": (0.19,)}, "one for each type"),
        ({"corner_deviation_mm": np.zeros((60, 3, 3))}, "fewer corners"),
        ({"tolerance_mm": {"across": 2.0, "along": 5.0, "up": 0.0}}, "tolerance must be positive"),
        ({"target_position": np.full((60, 3), np.nan)}, "target_position must be finite"),
    ],
)
def test_contradictions_are_refused(section, change, told):
    with pytest.raises(ValueError, match=told):
        replace(section, **change)


def test_quantity_is_a_column_of_the_deviation(section):
    assert section.quantity("along")[3, 2] == section.corner_deviation_mm[3, 2, 1]
    with pytest.raises(SlabposeError, match="across, along, up"):
        section.quantity("height")


def test_worst_is_by_amount_and_never_a_slab_without_values(section):
    largest = section.largest("up")
    assert np.isnan(largest[[7, 31]]).all()
    assert largest[21] == pytest.approx(section.quantity("up")[21].max())
    order = section.worst("up", 100)
    assert len(order) == 58
    assert order[0] == 21
    assert (np.diff(np.abs(largest[order])) <= 0.0).all()
    # The largest amount of the other great deviation is negative, and keeps its sign.
    assert largest[order[1]] < -1.5


def test_a_slab_known_in_part_counts_with_what_is_known(section):
    deviation = np.array(section.corner_deviation_mm)
    deviation[4, :3] = np.nan
    assert replace(section, corner_deviation_mm=deviation).largest("up")[4] == deviation[4, 3, 2]


def test_slab_by_name(section):
    assert section.slab("M103") == 2
    with pytest.raises(SlabposeError, match="from M101 to M160"):
        section.slab("X")
