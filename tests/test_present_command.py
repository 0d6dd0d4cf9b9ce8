"""The command that makes page, film, stills and scene for guests."""

import base64
import json
import re
import subprocess
from itertools import pairwise
from pathlib import Path

import imageio_ffmpeg
import lxml.html
import numpy as np
import pytest
from app_browser import launched, until
from hostile_names import HOSTILE, hostile_project
from PIL import Image
from project_copies import DEMO, SURVEY, copy_of_demo, run
from pygltflib import GLTF2

from geometry.exchange.project import open_project
from viewer.gl import Answer, prepare
from viewer.posed import Planning
from viewer.present import film as film_module
from viewer.present.canvas import Canvas
from viewer.present.film import Film, label_parts
from viewer.present.page import filled, page_html, safe_json
from viewer.present.palette import palette_of
from viewer.present.parts import parts_of
from viewer.present.show import show_of
from viewer.present.staging import track_stage
from viewer.present.stills import stills_of
from viewer.running import check_of

STILLS = ("section.png", "layers-together.png", "layers-apart.png", "before-after.png")
MADE = {"program": "slabpose 0", "made_at": "2025-01-01T00:00:00+00:00", "inputs_sha256": {}}
BLANK = "data:image/gif;base64,R0lGODlhAQABAAAAACw="


@pytest.fixture(scope="module")
def drawing():
    answer = prepare()
    if not answer.works:
        print(answer.told)
        pytest.skip(answer.told)


@pytest.fixture(scope="module")
def shown(drawing):
    project = open_project(DEMO)
    check = check_of(project, (), None)[1]
    return show_of(project, check, Planning(project, check)), palette_of(project.settings.presentation, dark=False)


@pytest.fixture(scope="module")
def folder(drawing, tmp_path_factory):
    place = tmp_path_factory.mktemp("guests") / "out"
    answer = run("present", DEMO, place, "--seconds", "5", "--size", "320x180", "--stills-dpi", "100")
    assert answer.status == 0, answer.err
    assert "320x192, as films go in blocks of 16" in answer.err
    return place


def page_of(project: Path, **more: object) -> str:
    read = open_project(project)
    check = check_of(read, (), None)[1]
    show = show_of(read, check, Planning(read, check))
    palettes = (palette_of(read.settings.presentation, dark=dark) for dark in (False, True))
    given = {"still": BLANK, "begin_dark": False, "film": "", "made": MADE} | more
    return page_html(show, *palettes, **given)


def data_of(text: str) -> dict:
    (element,) = lxml.html.fromstring(text).xpath("//script[@id='data']")
    return json.loads(element.text)


def test_everything_is_there_and_whole(folder):
    assert sorted(file.name for file in folder.iterdir()) == sorted(
        ("section.html", "film.mp4", "section.glb", *STILLS)
    )
    for name in STILLS:
        with Image.open(folder / name) as picture:
            assert picture.size == (1100, 619)
            assert picture.info["dpi"] == pytest.approx((100, 100), rel=0, abs=0.1)
            pixels = np.asarray(picture.convert("RGB"))
        assert len(np.unique(pixels.reshape(-1, 3), axis=0)) > 100, name
    scene = GLTF2().load(str(folder / "section.glb"))
    assert scene.asset.extras["exaggeration"] == 50.0


def test_the_film_has_its_size_its_length_and_moves(folder):
    program = imageio_ffmpeg.get_ffmpeg_exe()
    read = subprocess.run(
        [program, "-hide_banner", "-i", folder / "film.mp4", "-f", "rawvideo", "-pix_fmt", "rgb24", "-"],
        capture_output=True, check=True,
    )  # fmt: skip
    told = read.stderr.decode()
    assert re.search(r"Duration: 00:00:0(5\.0|4\.9)", told)
    assert re.search(r"Video: h264 .*yuv420p.*320x192.* 24 fps", told)
    assert "title           : Quillmoor link, track 2" in told
    pictures = np.frombuffer(read.stdout, np.uint8).reshape(-1, 192, 320, 3)
    assert len(pictures) == 120
    change = np.abs(np.diff(pictures[::12].astype(np.int64), axis=0)).mean(axis=(1, 2, 3))
    assert (change > 0.5).all()  # another picture every half second
    step = np.abs(np.diff(pictures[10:].astype(np.int64), axis=0)).mean(axis=(1, 2, 3))
    assert step.max() < 60.0


def test_the_layers_are_apart_in_the_middle_of_their_time(shown):
    film = Film(*shown, (320, 192), 5.0)
    try:
        together, apart = (film.frame(share) for share in (0.545, 0.65))
        told = [box[4] for box in apart.boxes]
        assert {"Rail", "Fastener", "Slab", "Mortar", "Anchor", "Bed"} <= set(told)
        assert "Rail" not in [box[4] for box in together.boxes]
        mortar = np.array([0xE3, 0xA7, 0x2F])
        near = [np.abs(canvas.pixels.astype(int) - mortar).max(axis=-1) < 24 for canvas in (together, apart)]
        assert near[1].sum() > 20 * max(near[0].sum(), 5)
        told = " ".join(box[4] for box in film.frame(1.0).boxes)
        assert "too high" in told
        assert "50 times" in told
    finally:
        film.close()


def overlapping(canvas: Canvas) -> list[tuple[str, str]]:
    boxes = canvas.boxes
    return [
        (a[4], b[4]) for i, a in enumerate(boxes) for b in boxes[i + 1 :]
        if a[2] > b[0] and b[2] > a[0] and a[3] - 3.0 > b[1] and b[3] - 3.0 > a[1]
    ]  # fmt: skip


@pytest.mark.parametrize("dark", [False, True], ids=["light", "dark"])
def test_no_text_lies_over_another_or_leaves_the_picture(shown, dark):
    show, _ = shown
    palette = palette_of(open_project(DEMO).settings.presentation, dark=dark)
    film = Film(show, palette, (640, 368), 5.0)
    canvases = [make() for make in stills_of(show, palette, (1280, 720)).values()]
    canvases += [film.frame(share) for share in (0.02, 0.16, 0.4, 0.58, 0.65, 0.74, 0.9, 1.0)]
    film.close()
    assert len(canvases) == 12
    for canvas in canvases:
        assert overlapping(canvas) == []
        for left, top, right, bottom, text in canvas.boxes:
            assert left >= 0 and top >= 0 and right <= canvas.width + 0.5 and bottom <= canvas.height + 0.5, text  # noqa: PT018


def test_overlapping_text_would_be_seen(shown):
    canvas = Canvas(np.zeros((720, 1280, 3), np.uint8), shown[1])
    canvas.text(100.0, 100.0, "one", 20.0)
    canvas.text(110.0, 105.0, "other", 20.0)
    assert overlapping(canvas) == [("one", "other")]


def test_before_and_after_differ_only_at_moved_slabs(shown):
    show, palette = shown
    canvas = stills_of(show, palette, (1280, 720))["before-after.png"]()
    words = [box[4] for box in canvas.boxes]
    assert {"Before", "as measured", "After", "as planned"} <= set(words)
    assert "Deviations drawn 50 times too large, on both sides" in words
    pixels = canvas.pixels[180:600].astype(int)
    orange = (pixels[..., 0] > 120) & (pixels[..., 1] < 90) & (pixels[..., 2] < 40)
    assert orange[:, :634].sum() > 5000  # the slab is far too high, and stands out
    assert orange[:, 646:].sum() == 0  # what the plan leaves of it, 0.4 mm, is pale
    assert any("correction plan turns the screws" in word for word in words)


def test_labels_of_layers_keep_clear_at_every_step(shown):
    show, palette = shown
    parts = parts_of(show, palette, show.slab)
    for apart in np.linspace(0.0, 1.0, 5):
        canvas = Canvas(np.full((720, 1280, 3), 255, np.uint8), palette)
        holds = np.array([[500.0 + 30.0 * k, 300.0 + 40.0 * k - 200.0 * apart * p.lift] for k, p in enumerate(parts)])
        label_parts(canvas, parts, holds, top=100.0, bottom=640.0)
        assert overlapping(canvas) == []


# --- the page ------------------------------------------------------------------------------------------------------


def test_the_page_asks_for_nothing(folder):
    text = (folder / "section.html").read_text()
    page = lxml.html.fromstring(text)
    assert page.findtext(".//title") == "Quillmoor link, track 2"
    assert not re.search(r"https?://|//cdn|@import|url\((?!#arrow-tip\))", text)
    for name in ("src", "href"):
        for address in page.xpath(f"//@{name}"):
            assert address.startswith("data:") or address in (*STILLS, "film.mp4", "section.glb")
    assert all(element.tag == "a" for element in page.xpath("//*[@href][not(starts-with(@href, 'data:'))]"))
    (policy,) = page.xpath("//meta[@http-equiv='Content-Security-Policy']/@content")
    assert policy.startswith("default-src 'none'")
    assert page.xpath("//img[starts-with(@src, 'data:image/jpeg')]")


def test_the_page_says_what_the_check_says(folder):
    text = (folder / "section.html").read_text()
    words = " ".join(lxml.html.fromstring(text).xpath("//main//text()"))
    for told in ("262", "lie where the design puts them", "3.6\N{NO-BREAK SPACE}mm too high", "Measured:", "Computed:"):
        assert told in words
    data = data_of(text)
    faces = np.frombuffer(base64.b64decode(data["section"]["faces"]), "<u4")
    base = np.frombuffer(base64.b64decode(data["section"]["base"]), "<f4").reshape(-1, 3)
    assert faces.max() == len(base) - 1
    lowered = "bed and ground drawn 8 cm lower"
    assert data["factorWords"]["50"] == f"Deviations drawn 50 times too large; {lowered}"
    assert data["factorWords"]["1"] == "True size, nothing exaggerated"
    assert "After the moves: as the correction plan leaves the slabs. It moves 8 of 269" in words
    assert sum(one["moved"] for one in data["slabs"]) == 8
    assert sum(one["verdict"] == 1 for one in data["slabs"]) == 3


def test_the_page_draws_what_its_words_mean(folder):
    page = lxml.html.fromstring((folder / "section.html").read_text())
    drawn = page.xpath("//svg[starts-with(@aria-label, 'Drawing: ')]/@aria-label")
    assert drawn == ["Drawing: Deviation: across, along, up", "Drawing: Moves", "Drawing: Mortar gap"]
    identities = page.xpath("//@id")
    assert len(identities) == len(set(identities))
    assert page.xpath("//*[local-name()='marker']/@id") == ["arrow-tip"]
    words = " ".join(page.xpath("//main//text()"))
    assert not re.search(r"(?<![\w.\-])-\s?\d", words)


def test_hostile_names_stay_text(tmp_path):
    project, _ = hostile_project(tmp_path)
    text = page_of(project)
    page = lxml.html.fromstring(text)
    assert len(page.xpath("//script")) == 2
    assert not page.xpath("//b[.='\u202e%%c']")
    assert "<script>alert" not in text
    assert page.findtext(".//title").startswith("=2+2 <i>")
    assert not page.xpath("//title/*")
    assert "\u202e" not in text
    names = [one["name"] for one in data_of(text)["slabs"]]
    assert names[0] == HOSTILE[0]
    assert len(page.xpath("//select[@id='slab']/option")) == len(names)


def test_what_is_filled_in_is_not_looked_through_again():
    assert filled("<p>{{a}}</p>{{b}}", {"a": "{{b}}", "b": "x"}) == "<p>{{b}}</p>x"
    with pytest.raises(KeyError):
        filled("{{c}}", {})
    assert "</" not in safe_json({"x": "</script><!--"})
    assert json.loads(safe_json({"x": "</script>&\u2028"})) == {"x": "</script>&\u2028"}


@pytest.mark.parametrize("size", [(1280, 900), (390, 844)], ids=["desk", "phone"])
def test_the_page_opens_from_the_disk_without_a_network(tmp_path, size):
    place = tmp_path / "page.html"
    place.write_text(page_of(DEMO))
    with launched() as browser:
        context = browser.new_context(viewport={"width": size[0], "height": size[1]}, offline=True)
        page = context.new_page()
        complaints, asked = [], []
        page.on("console", lambda m: complaints.append(m.text) if m.type == "error" else None)
        page.on("pageerror", lambda error: complaints.append(str(error)))
        page.on("request", lambda r: asked.append(r.url) if not r.url.startswith("data:") else None)
        page.goto(place.as_uri())
        assert until(lambda: page.evaluate("document.body.dataset.drawn || ''"))
        drawn = page.evaluate("document.body.dataset.drawn")
        assert page.evaluate("document.documentElement.scrollWidth") <= size[0]
        if drawn == "yes":
            assert "3.6\N{NO-BREAK SPACE}mm too high" in page.inner_text("#card")
            page.click("[data-factor='1']")
            assert page.inner_text("#factor") == "True size, nothing exaggerated"
            page.click("[data-after='1']")
            assert until(lambda: page.inner_text("#factor").startswith("After the planned moves (computed). True size"))
            assert until(lambda: "leaves it: computed, to be measured again" in page.inner_text("#card"))
            page.click("#next")
            assert "Q0138" in page.inner_text("#card")
            page.focus("#track")
            page.keyboard.press("PageDown")
            assert "Q0137" in page.inner_text("#card")
            page.keyboard.press("ArrowLeft")
            page.keyboard.press("+")
            page.fill("#apart", "0")
            tops = page.evaluate("[...document.querySelectorAll('#names div')].map(e => e.getBoundingClientRect())"
                                 ".map(b => [b.top, b.bottom]).sort((a, b) => a[0] - b[0])")  # fmt: skip
            assert len(tops) == 6
            assert all(low[1] <= high[0] for low, high in pairwise(tops))
        else:
            assert page.is_visible(".still")
            assert page.is_visible("#failed")
        page.click("#theme")
        assert page.evaluate("document.documentElement.dataset.theme") == "dark"
        context.close()
    assert complaints == []
    assert asked == [place.as_uri()]


def test_without_3d_in_the_browser_the_page_shows_its_still(tmp_path):
    place = tmp_path / "page.html"
    place.write_text(page_of(DEMO))
    with launched() as browser:
        page = browser.new_page()
        page.add_init_script("HTMLCanvasElement.prototype.getContext = () => null")
        page.goto(place.as_uri())
        assert until(lambda: page.evaluate("document.body.dataset.drawn || ''") == "no")
        assert page.is_visible(".still")
        assert page.is_visible("#failed")
        assert not page.is_visible("#controls")
        assert "Mortar" in page.inner_text(".parts")


# --- the command ---------------------------------------------------------------------------------------------------


def test_without_a_library_for_3d_the_rest_is_made(tmp_path, monkeypatch):
    import viewer.present_command as command

    told = "no OpenGL library that VTK can draw with; on Debian or Ubuntu install libegl1; drawing flat instead"
    monkeypatch.setattr(command, "prepare", lambda: Answer(False, "", told))
    answer = run("present", DEMO, tmp_path / "out")
    assert answer.status == 0
    assert answer.err.count("install libegl1") == 1
    assert sorted(file.name for file in (tmp_path / "out").iterdir()) == ["section.glb", "section.html"]
    assert "data:image/jpeg" in (tmp_path / "out" / "section.html").read_text()


def test_a_library_for_films_that_lacks_is_told_before_anything_is_made(tmp_path, monkeypatch):
    monkeypatch.setitem(__import__("sys").modules, "imageio_ffmpeg", None)
    answer = run("present", DEMO, tmp_path / "out")
    assert answer.status == 2
    assert answer.err == ("slabpose: a film needs a library more: pip install 'slabpose[present]'; or --no-film\n")
    assert not (tmp_path / "out").exists()
    assert film_module.film_size((16, 17)) == (16, 32)


def test_nothing_is_written_over_an_input(tmp_path, drawing):
    project = copy_of_demo(tmp_path)
    (project / SURVEY).rename(project / "section.html")
    before = (project / "section.html").read_bytes()
    answer = run("present", project, project, "--survey", project / "section.html", "--no-film", "--stills-dpi", "72")
    assert answer.status == 2
    assert "an input" in answer.err
    assert (project / "section.html").read_bytes() == before


@pytest.mark.parametrize(
    ("options", "told"),
    [
        (["--size", "100x100"], "expected a size like 1280x720"),
        (["--size", "wide"], "expected a size like 1280x720"),
        (["--seconds", "1"], "expected a number of 5 to 120"),
        (["--stills-dpi", "20"], "72<=x<=600"),
        (["--slab", "Q9", "--no-film"], "no slab is called 'Q9'"),
    ],
)
def test_bad_options_are_told_and_nothing_is_made(tmp_path, options, told):
    answer = run("present", DEMO, tmp_path / "out", *options)
    assert answer.status == 2
    assert told in answer.err
    assert not (tmp_path / "out").exists()


def test_a_folder_has_to_be_one(tmp_path):
    (tmp_path / "file").write_text("")
    assert "found a file" in run("present", DEMO, tmp_path / "file").err
    assert "make the folder first" in run("present", DEMO, tmp_path / "no" / "where").err


def test_without_a_plan_it_is_said_that_only_what_was_measured_is_shown(tmp_path, monkeypatch):
    import viewer.present_command as command

    monkeypatch.setattr(command, "prepare", lambda: Answer(False, "", "no OpenGL; install libegl1; drawing flat"))
    project = copy_of_demo(tmp_path)
    text = (project / "project.toml").read_text()
    # adjusters at one place along cannot turn a slab: no plan can be made for such a type
    text, count = re.subn(r'(name = "F", across_m = 0.0, along_m = )1\.7', r"\g<1>-1.65", text)
    assert count == 1
    (project / "project.toml").write_text(text)
    answer = run("present", project, tmp_path / "out", "--no-film")
    assert answer.status == 0, answer.err
    assert "note: no correction plan: project.toml: adjusters of slab type" in answer.err
    text = (tmp_path / "out" / "section.html").read_text()
    assert "No correction plan could be made: shown is what was measured, and nothing else." in text
    assert "data-after=" not in lxml.html.tostring(lxml.html.fromstring(text).xpath("//main")[0]).decode()


def test_pictures_at_rest_are_drawn_once(shown):
    film = Film(*shown, (320, 192), 5.0)
    drawn = []
    frame = film.frame
    film.frame = lambda share: drawn.append(share) or frame(share)
    try:
        pictures = list(film.pictures())
    finally:
        film.close()
    assert len(pictures) == film.frames == 120
    resting = [number for number in range(120) if number / 119 >= 0.93]
    assert len(drawn) == 120 - len(resting) + 1
    for number in resting:
        np.testing.assert_array_equal(pictures[number], pictures[-1])
    assert np.abs(pictures[resting[0] - 3].astype(int) - pictures[-1]).max() > 0


def test_pictures_drawn_finer_have_smooth_edges(shown):
    """An upright edge between two plain colours takes shades between them, as with samples within pixels."""
    shades = []
    for finer in (1.0, 1.5):
        stage = track_stage(*shown, (320, 192), np.arange(5), shown[0].section.target_position[2], finer=finer)[0]
        stage.look([6.0, -9.0, 5.0], [0.0, 0.0, 0.0])
        pixels = stage.shot()
        stage.close()
        assert pixels.shape == (192, 320, 3)
        shades.append(len(np.unique(pixels.reshape(-1, 3), axis=0)))
    assert shades[1] > 0.7 * shades[0]
