"""The window of a project: what its keys do to stage, pose, filter, scale and slab, also in a real window."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from project_copies import DEMO

from geometry.exchange.project import open_project
from viewer.choosing import REACHES, slab_named
from viewer.gl import prepare
from viewer.section import NOT_MEASURED, OUT, WITHIN
from viewer.view_command import ProjectViews
from viewer.window import Window
from viewer.window_close import ALWAYS
from viewer.window_keys import COLOUR_KEYS, HELP, typed_after


@pytest.fixture(scope="module", autouse=True)
def gl():
    answer = prepare()
    if not answer.works:
        print(answer.told)
        pytest.skip(answer.told)


@pytest.fixture(scope="module")
def views():
    return ProjectViews(open_project(DEMO))


@pytest.fixture
def opened(views):
    made = Window(views, off_screen=True, size=(900, 600))
    yield made
    made.plotter.close()


def words_of(window: Window) -> list[str]:
    names = [name for renderer in window.plotter.renderers for name in renderer.actors]
    texts = [actor.GetInput() for renderer in window.plotter.renderers for actor in renderer.actors.values()
             if hasattr(actor, "GetTextProperty")]  # fmt: skip
    assert names
    return texts


def test_every_key_is_named_in_the_help_and_every_key_of_the_help_does_something(opened):
    named = [name for key in HELP for name in key.names]
    assert sorted(named) == sorted(opened.keys)
    assert len(set(named)) == len(named)
    assert not {key.written for key in HELP} & set(words_of(opened))
    opened.press("h")
    shown = words_of(opened)
    for key in HELP:
        assert key.written in shown
        assert any(words == key.does or words.endswith("\N{HORIZONTAL ELLIPSIS}") for words in shown)
    opened.press("Escape")
    assert not opened.helping
    assert ALWAYS in words_of(opened)
    assert any(all(f"{key} {name}" in words for key, name in COLOUR_KEYS.items()) for words in words_of(opened))


def test_next_is_the_next_slab_that_needs_work(opened):
    verdict = opened.section.verdict
    needs = np.flatnonzero(verdict != WITHIN).tolist()
    opened.go(0)
    met = []
    for _ in needs:
        opened.press("n")
        met.append(opened.slab)
    assert met == needs
    opened.press("n")
    assert opened.slab == needs[-1]
    assert opened.told == "no slab ahead that needs work"
    opened.press("b")
    assert opened.slab == needs[-2]
    assert opened.told == ""


def test_the_filter_hides_verdicts_from_rows_and_steps(opened):
    n, verdict = len(opened.section), opened.section.verdict
    assert len(set(opened.over.mesh.slab_of_face)) == n
    opened.press("1")
    shown = set(opened.over.mesh.slab_of_face.tolist())
    assert shown == set(np.flatnonzero(verdict != WITHIN).tolist())
    assert any("262 within (hidden)" in words for words in words_of(opened))
    opened.press("3")
    opened.press("4")
    opened.go(0)
    opened.press("n")
    assert opened.slab == np.flatnonzero(verdict == OUT)[0]
    opened.press("2")
    assert len(opened.over.mesh.slab_of_face) == 0
    assert opened.pick(450, 500) is None
    for key in "1234":
        opened.press(key)
    assert len(set(opened.over.mesh.slab_of_face)) == n


def test_the_scale_ends_nearer_or_wider(opened):
    assert (opened.layer.scale.low, opened.layer.scale.high) == (-2.0, 2.0)
    opened.press("comma")
    assert opened.over.plan.values.high == 1.0
    for reach in REACHES[1:]:
        opened.press("period")
        assert opened.layer.scale.high == 2.0 * reach
    opened.press("period")
    assert opened.layer.scale.high == 10.0
    opened.press("x")  # and stays so for other colours
    assert opened.layer.scale.high == 4.0 * 5.0
    assert opened.layer.scale.allowed == (-2.0, 2.0)


def test_a_slab_is_found_by_name_or_chainage(opened):
    opened.press("slash", "/")
    for letter in "q0252x":
        opened.press(letter, letter)
    opened.press("BackSpace", "\x08")
    assert any("slab or chainage: q0252_" in words for words in words_of(opened))
    opened.press("Return", "\r")
    assert opened.section.slab_names[opened.slab] == "Q0252"
    for text, told in (("27+628", "Q0137"), ("28243", "Q0252")):
        opened.press("f", "f")
        for letter in text:
            opened.press(letter, letter)
        opened.press("KP_Enter", "\r")
        assert opened.section.slab_names[opened.slab] == told
    before = opened.slab
    for text in ("99+000", "Q9", ""):
        opened.press("f", "f")
        for letter in text:
            opened.press(letter, letter)
        opened.press("Return", "")
        assert opened.slab == before
        assert opened.told
        assert any(opened.told == words for words in words_of(opened))
    opened.press("f", "f")
    opened.press("1", "1")
    opened.press("Escape", "\x1b")
    assert (opened.typed, opened.hidden, opened.slab) == (None, frozenset(), before)


def test_names_are_found_whatever_their_letters(views):
    section, _ = views.view("", "built")
    assert slab_named(section, " q0137 ", views.to_distance) == section.slab("Q0137")
    assert "did you mean" in str(slab_named(section, "Q0I37", views.to_distance))
    assert slab_named(section, "27628,15", views.to_distance) == section.slab("Q0137")
    assert typed_after("x" * 40, "a", "a") == "x" * 40


def test_stages_follow_each_other_and_come_round(opened):
    assert tuple(opened.views.stages()) == ("", "fine", "after injection")
    opened.press("s")
    assert opened.stage == "fine"
    latest = opened.views.view("", "built")[0]
    fine = opened.section
    slab = fine.slab("Q0364")
    assert not np.allclose(fine.built_position[slab], latest.built_position[slab], rtol=0, atol=1e-4)
    opened.press("s")
    assert opened.stage == "after injection"
    assert (opened.section.verdict != NOT_MEASURED).sum() == 6
    assert any("stage after injection" in words for words in words_of(opened))
    opened.press("s")
    assert opened.stage == ""


def test_poses_follow_each_other_and_say_what_cannot_be(opened):
    built = opened.section
    opened.press("p")
    assert opened.pose == "planned"
    slab = built.slab("Q0137")
    assert opened.section.largest("up")[slab] == pytest.approx(0.4, rel=0, abs=0.05)
    assert any(
        words.startswith("slabs as planned, latest stage; up, planned minus target") for words in words_of(opened)
    )
    opened.press("p")  # on their targets there is no deviation
    assert opened.pose == "built"
    assert "no deviation" in opened.told
    opened.press("g")
    for pose in ("planned", "target", "built"):
        opened.press("p")
        assert (opened.pose, opened.layer.name) == (pose, "gap")
        assert opened.layer.title.endswith({"planned": "as planned", "target": "on their targets",
                                            "built": "as built"}[pose])  # fmt: skip
    opened.press("p")
    opened.press("m")
    assert "start from where slabs were built" in opened.told
    assert opened.layer.name == "gap"


def test_names_are_words_and_nothing_else(views):
    """A formula, a line end, a letter that turns the way of writing, and a name without end."""
    section, sources = views.view("", "built")
    names = section.slab_names.astype("U900").copy()
    slab = section.slab("Q0137")
    names[slab : slab + 4] = ["$x^2$ and $y$", "a\nb", "\u202egnp.exe", "x" * 900]
    other = replace(section, slab_names=names)
    hostile = Named(views.project)
    hostile.shown = other, sources
    made = Window(hostile, off_screen=True, size=(900, 600))
    try:
        for step, told in enumerate(
            (r"\$x^2\$ and \$y\$", "a\\nb", "\\u202egnp.exe", "x" * 27 + "\N{HORIZONTAL ELLIPSIS}")
        ):
            made.go(slab + step)
            words = [line for line in words_of(made) if line.startswith(f"{told}, chainage 27+6")]
            assert len(words) == 1
            assert not any("\n" in line or "\u202e" in line for line in words_of(made))
    finally:
        made.plotter.close()


class Named(ProjectViews):
    """A project whose slabs have other names."""

    def view(self, stage, pose):
        return self.shown


SCRIPT = """
import sys
from pathlib import Path
from geometry.exchange.project import open_project
from viewer import window
from viewer.view_command import ProjectViews

press = window.Window.press
def told(self, key, character=""):
    press(self, key, character)
    print(key, self.layer.name, self.section.slab_names[self.slab], self.helping, sorted(self.hidden), self.pose,
          flush=True)
window.Window.press = told
print("ready", flush=True)
window.show(ProjectViews(open_project(Path(sys.argv[1]))))
print("closed", flush=True)
"""


def test_keys_reach_a_real_window(tmp_path: Path):
    """On a screen of its own, with keys as a keyboard sends them; the library's own keys do nothing."""
    server, keyboard = shutil.which("Xvfb"), shutil.which("xdotool")
    if server is None or keyboard is None:
        pytest.skip("Xvfb or xdotool is not installed")
    display = f":{90 + os.getpid() % 900}"
    # pictures of the other tests are drawn off the screen
    environment = {name: value for name, value in os.environ.items() if name != "VTK_DEFAULT_OPENGL_WINDOW"}
    environment["DISPLAY"] = display
    screen = subprocess.Popen([server, display, "-screen", "0", "900x600x24"], stderr=subprocess.DEVNULL)
    try:
        until(lambda: Path(f"/tmp/.X11-unix/X{display[1:]}").exists(), 10.0)
        log = (tmp_path / "log").open("w")
        window = subprocess.Popen([sys.executable, "-c", SCRIPT, str(DEMO)], env=environment, stdout=log,
                                  stderr=subprocess.STDOUT)  # fmt: skip
        try:

            def told_by(*command: str) -> str:
                done = subprocess.run(
                    [keyboard, *command], env=environment, capture_output=True, text=True, check=False
                )
                return done.stdout.strip()

            find = ("search", "--onlyvisible", "--name", "Quillmoor")
            until(lambda: told_by(*find), 60.0)

            def awake() -> bool:
                """A new window gets the keyboard when the screen finds time for it: ask until it answers."""
                told_by("mousemove", "450", "300", "windowfocus", told_by(*find).split()[0], "key", "x")
                time.sleep(1.0)
                return len(lines_of(tmp_path)) > 1

            until(awake, 60.0)
            keys = ["Right", "n", "h", "h", "1", "p", "slash", "Q", "0", "3", "6", "4", "Return", "w", "q"]
            for key in keys:
                lines = len(lines_of(tmp_path))
                told_by("key", key)
                until(lambda lines=lines: len(lines_of(tmp_path)) > lines, 40.0)
            assert window.wait(20.0) == 0
        finally:
            window.kill()
            log.close()
    finally:
        screen.terminate()
        screen.wait(10.0)
    lines = lines_of(tmp_path)
    assert lines[-1] == "closed"
    by_key = [line.split(" ", 1) for line in lines if re.match(r"(?!Shift)\S+ (up|across) ", line)]
    assert [key for key, _ in by_key if key != "x"][: len(keys)] == keys
    told = dict(by_key)
    assert told["x"].startswith("across Q0137")
    assert told["Right"].startswith("across Q0138")
    assert told["n"].startswith("across Q0160")
    assert told["1"].endswith("[0] built")
    assert told["p"].endswith("[0] planned")
    assert told["Return"].startswith("across Q0364")


def lines_of(folder: Path) -> list[str]:
    """Return what the window has told so far, without what libraries say of the screen."""
    return [line for line in (folder / "log").read_text().splitlines() if line and not line.startswith(("lib", "MESA"))]


def until(found, seconds: float) -> None:
    end = time.monotonic() + seconds
    while not found():
        assert time.monotonic() < end, "nothing came of it"
        time.sleep(0.05)
