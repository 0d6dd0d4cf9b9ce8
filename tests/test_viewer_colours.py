"""The colour scale against published definitions, and as people with two kinds of cones see it."""

import numpy as np
import pytest

from viewer.colours import UNKNOWN, VERDICTS, colours, oklab_to_srgb, srgb_to_oklab, table

# Simulation of missing red or green cones, in linear sRGB. Machado, Oliveira, Fernandes (2009), "A physiologically-
# based model for simulation of color vision deficiency", table for severity 1.0; numbers from memory.
MISSING = {
    "red": [[0.152286, 1.052583, -0.204868], [0.114503, 0.786281, 0.099216], [-0.003882, -0.048116, 1.051998]],
    "green": [[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413], [-0.011820, 0.042940, 0.968881]],
}


def linear(srgb):
    """Transfer function of IEC 61966-2-1."""
    return np.where(srgb <= 0.04045, srgb / 12.92, ((srgb + 0.055) / 1.055) ** 2.4)


def seen(srgb, missing):
    light = np.clip(linear(srgb) @ np.transpose(MISSING[missing]), 0.0, 1.0)
    return np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)


@pytest.mark.parametrize(
    ("srgb", "oklab"),
    [
        # CSS Color 4 (W3C), Oklab values of named colours; from memory.
        ([1.0, 0.0, 0.0], [0.62796, 0.22486, 0.12585]),
        ([0.0, 128 / 255, 0.0], [0.51975, -0.14030, 0.10768]),
        ([1.0, 1.0, 1.0], [1.0, 0.0, 0.0]),
    ],
)
def test_oklab_is_the_published_one(srgb, oklab):
    np.testing.assert_allclose(srgb_to_oklab(srgb), oklab, rtol=0, atol=2e-5)


def test_the_way_back_from_oklab():
    some = np.random.default_rng(1).uniform(0.0, 1.0, (200, 3))
    np.testing.assert_allclose(oklab_to_srgb(srgb_to_oklab(some)), some, rtol=0, atol=1e-9)


def test_lightness_falls_evenly_and_equally_on_both_sides():
    lightness = srgb_to_oklab(table(257))[:, 0]
    assert (np.diff(lightness[:129]) > 0).all()
    assert (np.diff(lightness[128:]) < 0).all()
    np.testing.assert_allclose(lightness, lightness[::-1], rtol=0, atol=1e-6)
    assert lightness.max() - lightness.min() > 0.4


def test_a_grey_copy_tells_the_amount():
    # Luminance by the weights of IEC 61966-2-1: another measure of lightness than the one the scale is made in.
    luminance = linear(table(257)) @ [0.2126, 0.7152, 0.0722]
    assert (np.diff(luminance[:129]) > 0).all()
    assert (np.diff(luminance[128:]) < 0).all()


def test_equal_steps_look_equal():
    step = np.linalg.norm(np.diff(srgb_to_oklab(table(257)), axis=0), axis=1)
    assert step.max() / step.min() < 1.1


def test_every_colour_can_be_shown():
    # A clipped colour would break the evenness unnoticed at 257 steps; the ends are the hardest.
    lab = srgb_to_oklab(table())
    np.testing.assert_allclose(np.hypot(lab[0, 1], lab[0, 2]), np.hypot(lab[-1, 1], lab[-1, 2]), rtol=0, atol=1e-4)


@pytest.mark.parametrize("missing", ["red", "green"])
def test_sign_and_amount_stay_apart_without_red_or_green(missing):
    scale = table(9)
    np.testing.assert_allclose(np.sum(MISSING[missing], axis=1), 1.0, rtol=0, atol=2e-6)  # white stays white
    lab = srgb_to_oklab(seen(scale, missing))
    apart = np.linalg.norm(lab[:, None] - lab[None], axis=2)
    for i in range(4):
        # Opposite signs of one amount: as far apart as for those who see all three, less a half at the most.
        full = np.linalg.norm(np.subtract(*srgb_to_oklab(scale)[[i, 8 - i]]))
        assert apart[i, 8 - i] > 0.5 * full
    assert apart[~np.eye(9, dtype=bool)].min() > 0.04
    lightness = lab[:, 0]
    assert (np.diff(lightness[:5]) > 0).all()
    assert (np.diff(lightness[4:]) < 0).all()


def test_values_take_their_place_on_the_scale():
    scale = table()
    given = colours([-9.0, -2.0, 0.0, 1.0, 2.0, np.inf, np.nan], 2.0)
    np.testing.assert_array_equal(given[0], scale[0])
    np.testing.assert_array_equal(given[1], scale[0])
    np.testing.assert_array_equal(given[2], scale[128])
    np.testing.assert_array_equal(given[3], scale[192])
    np.testing.assert_array_equal(given[4], scale[-1])
    unknown = [int(UNKNOWN[at : at + 2], 16) / 255 for at in (1, 3, 5)]
    np.testing.assert_allclose(given[5:], [unknown] * 2)
    # Blue is negative: more blue than red below zero, and the other way round.
    assert scale[0, 2] > scale[0, 0]
    assert scale[-1, 0] > scale[-1, 2]


def test_unknown_is_no_colour_of_the_scale():
    lab, grey = srgb_to_oklab(table()), srgb_to_oklab(colours(np.nan, 1.0))
    assert np.linalg.norm(lab - grey, axis=1).min() > 0.05


def test_an_even_number_of_colours_is_refused():
    with pytest.raises(ValueError, match="odd"):
        table(256)


def test_each_verdict_but_within_has_a_symbol_of_its_own():
    symbols = [look.symbol for verdict, look in VERDICTS.items() if verdict != 0]
    assert all(symbols)
    assert len(set(symbols)) == 3
    assert not VERDICTS[0].symbol
