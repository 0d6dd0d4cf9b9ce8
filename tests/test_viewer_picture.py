"""Pictures: what is written keeps clear of everything else, and pixels show the colours of the scale."""

import subprocess
import sys
from dataclasses import replace

import numpy as np
import pytest
from matplotlib import image as matplotlib_image
from picture_layers import MAKERS
from test_viewer_section import curve_section

from geometry.errors import SlabposeError
from viewer import scene
from viewer.colours import UNKNOWN, colours
from viewer.deviation_layer import deviation_layer
from viewer.flat import flat_picture, flat_sheet
from viewer.gl import Answer, prepare
from viewer.sheet import number_mm, shortened, spread, text_width


@pytest.fixture(scope="module")
def section():
    return curve_section()


@pytest.fixture(scope="module")
def gl():
    answer = prepare()
    if not answer.works:
        print(answer.told)
        pytest.skip(answer.told)


def words_of(sheet):
    """All texts of a page with their boxes in steps of the page, drawn by the renderer itself."""
    sheet.figure.canvas.draw()
    renderer = sheet.figure.canvas.get_renderer()
    return [(text.get_text(), text.get_window_extent(renderer)) for text in sheet.axes.texts if text.get_text().strip()]


def assert_clear(sheet):
    """No two texts touch, and none leaves the page."""
    boxes = words_of(sheet)
    assert len(boxes) > 10
    for place, (words, box) in enumerate(boxes):
        assert box.x0 >= 0 and box.y0 >= 0 and box.x1 <= 1600 and box.y1 <= 900, words  # noqa: PT018
        for other, second in boxes[place + 1 :]:
            # One step less on each side: boxes are as high as the tallest letters, whether the words have them or not.
            apart = (
                box.x1 - 1 <= second.x0 or second.x1 - 1 <= box.x0 or box.y1 - 2 <= second.y0 or second.y1 - 2 <= box.y0
            )
            assert apart, (words, other)


SAMPLES = {
    "short": {"n": 60},
    "long": {"n": 1200},
    "kilometres": {"n": 5000},
    "very long": {"n": 30_000},
    "one": {"n": 1, "unmeasured": (), "worst": 0},
    "few": {"n": 5, "unmeasured": ()},
    "blank": {"n": 40, "unmeasured": tuple(range(40))},
}


@pytest.mark.parametrize("quantity", ["across", "along", "up"])
@pytest.mark.parametrize("sample", [name for name in SAMPLES if name != "kilometres"])
def test_words_keep_clear_in_the_flat_picture(sample, quantity):
    made = curve_section(**SAMPLES[sample])
    assert_clear(flat_sheet(made, deviation_layer(made, quantity)))


@pytest.mark.parametrize("layer", MAKERS)
@pytest.mark.parametrize("sample", ["short", "kilometres", "one", "few", "blank"])
def test_words_of_decisions_keep_clear_in_the_flat_picture(sample, layer):
    made = curve_section(**SAMPLES[sample])
    assert_clear(flat_sheet(made, MAKERS[layer](made)))


@pytest.mark.usefixtures("gl")
@pytest.mark.parametrize("sample", ["short", "long", "one", "blank"])
def test_words_keep_clear_in_the_picture(sample):
    made = curve_section(**SAMPLES[sample])
    worst = made.worst("across", 1)
    layer = deviation_layer(made, "across")
    assert_clear(scene.page(made, int(worst[0]) if len(worst) else 0, layer, labels=8))


@pytest.mark.usefixtures("gl")
@pytest.mark.parametrize("layer", MAKERS)
@pytest.mark.parametrize("sample", ["short", "kilometres", "one", "blank"])
def test_words_of_decisions_keep_clear_in_the_picture(sample, layer):
    made = curve_section(**SAMPLES[sample])
    shown = MAKERS[layer](made)
    worst = shown.ranked(1)
    assert_clear(scene.page(made, int(worst[0]) if len(worst) else 0, shown, labels=8))


def test_long_names_keep_clear(section):
    names = np.array([f"Bridge-7/left-track/slab-{place:05d}" for place in range(60)])
    long = replace(section, slab_names=names, title="A section with a name that does not end " * 5)
    assert_clear(flat_sheet(long, deviation_layer(long, "up")))


def test_a_dollar_sign_in_a_name_is_only_a_sign(section):
    names = np.array([f"${place}$" for place in range(60)])
    made = replace(section, slab_names=names, title="$x$ and $y$")
    told = [words for words, _ in words_of(flat_sheet(made, deviation_layer(made, "up")))]
    assert "$x$ and $y$" in told
    assert any(words.startswith("$21$  +4") for words in told)


@pytest.mark.parametrize("quantity", ["across", "along", "up"])
def test_the_worst_is_named_with_its_value_sign_and_unit(section, quantity):
    told = [words for words, _ in words_of(flat_sheet(section, deviation_layer(section, quantity)))]
    worst = section.worst(quantity, 1)[0]
    value = number_mm(section.largest(quantity)[worst])
    assert f"{section.slab_names[worst]}  {value} mm" in told
    assert f"tolerance ±{section.tolerance_mm[quantity]:g} mm" in told
    assert sum(words == "not measured" for words in told) == 2  # once in the key, once beside its fill


def pixels(path):
    return np.rint(matplotlib_image.imread(path)[..., :3] * 255).astype(int)


def test_pixels_of_the_flat_picture_show_the_scale(section, tmp_path):
    flat_picture(section, tmp_path / "flat.png", deviation_layer(section, "up"))
    shot = pixels(tmp_path / "flat.png")
    assert shot.shape == (900, 1600, 3)
    worst = np.rint(colours(4.0, 2.0) * 255)
    # Rows of 100 m from x 124 to 1568; slab 21 (M122) is the second of row 1, whose plan lies about y 505 to 520.
    x = round(124 + 14.44 * 7.5)
    np.testing.assert_allclose(shot[505, x], worst, atol=1)
    # Slab 7 was not measured: the eighth of row 0; hatched grey, never a colour of the scale.
    patch = shot[262:284, round(124 + 14.44 * 35.5) : round(124 + 14.44 * 39.5)].reshape(-1, 3)
    grey = [int(UNKNOWN[at : at + 2], 16) for at in (1, 3, 5)]
    assert (np.abs(patch - grey).max(axis=1) <= 1).any()
    assert (patch == 255).all(axis=1).any()


@pytest.mark.parametrize("suffix", ["svg", "pdf"])
def test_drawings_can_be_scaled_and_repeat_themselves(section, tmp_path, suffix):
    for name in ("first", "second"):
        flat_picture(section, tmp_path / f"{name}.{suffix}", deviation_layer(section, "up"))
    first = (tmp_path / f"first.{suffix}").read_bytes()
    assert first.startswith({"svg": b"<?xml", "pdf": b"%PDF"}[suffix])
    assert first == (tmp_path / f"second.{suffix}").read_bytes()


def test_without_opengl_the_flat_picture_stands_in(section, tmp_path, monkeypatch):
    monkeypatch.setattr(scene, "prepare", lambda: Answer(False, "", "install something"))
    layer = MAKERS["gap"](section)
    drawn = scene.picture(section, tmp_path / "a.png", layer)
    flat_picture(section, tmp_path / "b.png", layer)
    assert drawn.flat
    assert drawn.told == "install something"
    assert (tmp_path / "a.png").read_bytes() == (tmp_path / "b.png").read_bytes()


def test_unknown_quantity_or_slab_is_told(section, tmp_path):
    with pytest.raises(SlabposeError, match="no quantity"):
        deviation_layer(section, "sideways")
    with pytest.raises(SlabposeError, match="no slab"):
        scene.picture(section, tmp_path / "a.png", deviation_layer(section, "up"), slab="Z9")
    assert not list(tmp_path.iterdir())


def test_importing_the_section_loads_no_picture_library():
    heavy = "('vtkmodules', 'pyvista', 'matplotlib')"
    code = f"import sys, viewer.section, viewer.scene; print([name for name in {heavy} if name in sys.modules])"
    told = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout
    assert told.strip() == "[]"


def test_labels_are_spread_without_touching():
    places = spread([10.0, 12.0, 14.0, 90.0], [20.0, 20.0, 20.0, 30.0], 0.0, 100.0, gap=2.0)
    assert (np.diff(places) >= np.array([22.0, 22.0, 27.0]) - 1e-9).all()
    assert places[0] >= 10.0
    assert places[-1] <= 85.0 + 1e-9
    # Apart from each other they stay where they want to be.
    np.testing.assert_allclose(spread([20.0, 60.0], [20.0, 20.0], 0.0, 100.0), [20.0, 60.0])


def test_width_of_words_is_that_of_the_renderer(section):
    for words, box in words_of(flat_sheet(section, deviation_layer(section, "up"))):
        if words == "Hill tunnel":
            assert text_width(words, 7.0) == pytest.approx(box.width, abs=3.0)


def test_shortened_words_fit_and_are_as_long_as_they_can_be():
    text = "A section with a long name"
    assert shortened(text, 12.0, 1000.0) == text
    for room in (40.0, 90.0, 150.0):
        short = shortened(text, 12.0, room)
        assert short.endswith("…")
        assert text_width(short, 12.0) <= room
        assert text_width(text[: len(short) + 1] + "…", 12.0) > room
