"""The probe for OpenGL: it survives a crash, remembers, and never raises."""

import json
import os

import pytest

from viewer import gl

CRASH = "import os, signal; os.kill(os.getpid(), signal.SIGSEGV)"
DRAWS = "print('drawn vtkImaginedRenderWindow')"


@pytest.fixture
def cache(tmp_path, monkeypatch):
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path))
    return tmp_path


def test_a_crash_is_an_answer_and_says_what_to_install(cache, monkeypatch):
    monkeypatch.setattr(gl, "_CUBE", CRASH)
    answer = gl.probe()
    assert not answer.works
    assert "libegl1 libgl1-mesa-dri" in answer.told
    assert "\n" not in answer.told


def test_the_answer_is_kept(cache, monkeypatch):
    monkeypatch.setattr(gl, "_CUBE", DRAWS)
    assert gl.probe().works
    monkeypatch.setattr(gl, "_CUBE", CRASH)
    assert gl.probe().works
    assert not gl.probe(fresh=True).works


def test_another_environment_asks_again(cache, monkeypatch):
    monkeypatch.setattr(gl, "_CUBE", DRAWS)
    assert gl.probe().works
    monkeypatch.setattr(gl, "_CUBE", CRASH)
    monkeypatch.setenv("LIBGL_ALWAYS_SOFTWARE", "true")
    assert not gl.probe().works


def test_ways_are_tried_in_turn(cache, monkeypatch):
    only = f"import os\nif os.environ.get('{gl.WINDOW}') != 'vtkOSOpenGLRenderWindow': {CRASH}\n{DRAWS}"
    monkeypatch.setattr(gl, "_CUBE", only)
    monkeypatch.setenv(gl.WINDOW, "")  # what prepare sets is undone with it
    monkeypatch.setattr("sys.platform", "linux")
    assert gl.probe().window == "vtkOSOpenGLRenderWindow"
    gl.prepare()
    assert os.environ[gl.WINDOW] == "vtkOSOpenGLRenderWindow"


def test_the_users_own_choice_is_the_only_one_tried():
    assert gl._ways({gl.WINDOW: "vtkEGLRenderWindow"}) == ["vtkEGLRenderWindow"]


@pytest.mark.parametrize("output", ["blank", "", "drawn", "warning\nblank"])
def test_no_cube_is_no_drawing(cache, monkeypatch, output):
    monkeypatch.setattr(gl, "_CUBE", f"print({output!r})")
    assert not gl.probe().works


def test_a_cache_that_cannot_be_written_does_no_harm(tmp_path, monkeypatch):
    blocked = tmp_path / "file"
    blocked.write_text("")
    monkeypatch.setenv("XDG_CACHE_HOME", str(blocked))
    monkeypatch.setattr(gl, "_CUBE", DRAWS)
    assert gl.probe().works


def test_a_machine_without_a_home_does_no_harm(monkeypatch):
    def homeless():
        raise RuntimeError("no home")

    monkeypatch.setenv("XDG_CACHE_HOME", "")
    monkeypatch.setattr("pathlib.Path.home", homeless)
    monkeypatch.setattr(gl, "_CUBE", DRAWS)
    assert gl.probe().works


@pytest.mark.parametrize("kept", ["", "{", "[]", '{"works": 1}', '{"works": "yes", "window": "", "told": ""}'])
def test_a_spoilt_cache_is_asked_over(cache, monkeypatch, kept):
    monkeypatch.setattr(gl, "_CUBE", DRAWS)
    gl.probe()
    (file,) = (cache / "slabpose").iterdir()
    file.write_text(kept)
    assert gl.probe().works
    assert json.loads(file.read_text())["works"] is True


def test_a_child_that_hangs_is_given_up(cache, monkeypatch):
    monkeypatch.setattr(gl, "LIMIT_S", 0.5)
    monkeypatch.setattr(gl, "_CUBE", "import time; time.sleep(60)")
    monkeypatch.setenv(gl.WINDOW, "vtkEGLRenderWindow")
    assert not gl.probe().works


def test_a_screen_is_a_display_or_a_desktop(monkeypatch):
    monkeypatch.setattr("sys.platform", "linux")
    assert gl.has_screen({"DISPLAY": ":0"})
    assert gl.has_screen({"WAYLAND_DISPLAY": "wayland-0"})
    assert not gl.has_screen({"DISPLAY": ""})
    monkeypatch.setattr("sys.platform", "darwin")
    assert gl.has_screen({})
