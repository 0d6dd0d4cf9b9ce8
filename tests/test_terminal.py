"""Tables in the terminal: numbers are whole, data is inert, and an output gets what it can show."""

import io
import math
import re
import sys
import time
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import viewer.terminal
from viewer.terminal import Progress, TableColumn, print_table, visible

COLUMNS = [
    TableColumn("slab"),
    TableColumn("chainage", "m", 3),
    TableColumn("across", "mm", 2, sign=True),
    TableColumn("expanded uncertainty", "mm", 2),
    TableColumn("points"),
    TableColumn("verdict", styles={"out": "bold red"}),
]
VALUES: list[Any] = [
    ["S1", "S2", "S3"],
    np.array([12345.6789, 2, np.nan]),
    np.array([1.234, -0.001, -12.5]),
    np.array([0.3, 0.25, 0.31]),
    np.array([4, 3, 4]),
    ["within", "out", "undecided"],
]


class Terminal(io.StringIO):
    def isatty(self) -> bool:
        return True


@pytest.fixture(autouse=True)
def plain_environment(monkeypatch: pytest.MonkeyPatch) -> None:
    for name in ("NO_COLOR", "FORCE_COLOR", "COLUMNS", "TERM", "COLORTERM", "TTY_COMPATIBLE", "TTY_INTERACTIVE"):
        monkeypatch.delenv(name, raising=False)


def printed(width: int) -> str:
    file = io.StringIO()
    print_table(COLUMNS, VALUES, "Deviations", ["built minus target"], file=file, width=width)
    return file.getvalue()


def lines_of(text: str) -> list[str]:
    return [line.rstrip() for line in text.split("\n")]


def test_table_as_a_whole() -> None:
    assert lines_of(printed(80)) == [
        "Deviations",
        "                            expanded",
        "       chainage  across  uncertainty",
        "slab          m      mm           mm  points  verdict",
        "─" * 55,
        "S1    12345.679   +1.23         0.30       4  within",
        "S2        2.000    0.00         0.25       3  out",
        "S3            \u2013  \u221212.50         0.31       4  undecided",
        "built minus target",
        "",
    ]


@pytest.mark.parametrize("width", range(4, 130))
def test_no_number_is_cut_and_lines_fit(width: int) -> None:
    text = printed(width)
    for number in ("12345.679", "2.000", "+1.23", "0.00", "\u221212.50", "0.30", "0.25", "0.31"):
        assert re.search(rf"(?<!\S){re.escape(number)}(?!\S)", text), number
    assert "…" not in text
    # Below this the first column and the widest number do not fit beside each other.
    if width >= 18:
        assert max(map(len, lines_of(text))) <= width


def test_narrow_table_repeats_the_first_column() -> None:
    heads = [line.split()[0] for line in lines_of(printed(36)) if line.startswith("slab")]
    assert heads == ["slab"] * 2


def test_long_texts_wrap() -> None:
    file = io.StringIO()
    note = "one corner was not measured, the fit rests on the other three"
    print_table([*COLUMNS, TableColumn("note")], [*VALUES, ["", note, ""]], file=file, width=80)
    assert "".join(file.getvalue().split()).count("".join(note.split()[:2])) == 1
    assert max(map(len, lines_of(file.getvalue()))) <= 80


@pytest.mark.parametrize("name", ["[red]S1[/red]", "[/]", "[link=x]", ":warning:", "\\[bold]"])
def test_markup_in_data_is_shown_as_it_is(name: str) -> None:
    file = io.StringIO()
    print_table([TableColumn(name, name), TableColumn("a")], [[name], ["b"]], name, [name], file=file)
    assert file.getvalue().count(name) == 5


@given(st.text(st.characters(codec="utf-8"), max_size=20))
def test_nothing_in_data_is_obeyed_by_a_terminal(text: str) -> None:
    file = io.StringIO()
    print_table([TableColumn("slab"), TableColumn("n")], [[text], [1]], text, [text], file=file)
    assert all(char == "\n" or char.isprintable() for char in file.getvalue())


def test_control_characters_are_visible() -> None:
    assert visible("a\x1b[31m\nb\t\u202e\x00") == "a\\x1b[31m\\nb\\t\\u202e\\x00"
    assert visible("Süd\u00a0[1]") == "Süd [1]"


def test_colour_only_on_a_terminal_that_wants_it(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("TERM", "xterm-256color")

    def shown(file: io.StringIO) -> str:
        print_table(COLUMNS, VALUES, file=file, width=80)
        return file.getvalue()

    assert "\x1b[1;31mout" in shown(Terminal())
    assert "\x1b" not in shown(io.StringIO())
    monkeypatch.setenv("NO_COLOR", "1")
    assert "31m" not in shown(Terminal())


def test_ascii_output_gets_ascii() -> None:
    raw = io.BytesIO()
    file = io.TextIOWrapper(raw, encoding="ascii", errors="strict")
    print_table([TableColumn("slab", "m²"), TableColumn("n", "‰", 1)], [["Süd"], [math.nan]], "Δ", ["±1"], file=file)
    print_table([TableColumn("n", "mm", 1)], [[-2.5]], "", ["from \u22123"], file=file)
    file.flush()
    text = raw.getvalue().decode("ascii")
    assert "S\\xfcd" in text
    assert "----" in text
    assert "\\u0394" in text
    assert "-2.5" in text
    assert "from -3" in text


def test_standard_output_of_the_moment_is_used(capsys: pytest.CaptureFixture[str]) -> None:
    print_table([TableColumn("a")], [[1]])
    assert lines_of(capsys.readouterr().out)[0].strip() == "a"


@settings(deadline=None, max_examples=50)
@given(st.floats(-1e12, 1e12), st.integers(0, 6))
def test_numbers_are_those_of_format(number: float, places: int) -> None:
    file = io.StringIO()
    print_table([TableColumn("a"), TableColumn("b", "", places, sign=True)], [["x"], [number]], file=file)
    shown = file.getvalue().split()[-1]
    assert "-" not in shown
    assert float(shown.replace("\u2212", "-")) == pytest.approx(
        number, rel=0, abs=0.5 * 10.0**-places + 2 * math.ulp(number)
    )
    assert len(shown.partition(".")[2]) == places
    assert not re.fullmatch(r"[+\u2212]0(\.0*)?", shown)


def test_empty_table() -> None:
    file = io.StringIO()
    print_table([TableColumn("slab"), TableColumn("up", "mm", 2)], [[], []], file=file)
    assert "slab" in file.getvalue()


def test_progress_waits_and_leaves_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("TERM", "xterm")
    monkeypatch.setattr(viewer.terminal, "_SECONDS_BEFORE_SHOWN", 0.05)
    for file, wait, expected in ((Terminal(), 0.6, True), (Terminal(), 0.0, False), (io.StringIO(), 0.2, False)):
        with Progress("reading [red]\x1b points", 10, file=file) as progress:
            progress.advance(3)
            time.sleep(wait)
            progress.say("fitting")
            progress.advance()
        assert bool(file.getvalue()) == expected
        if expected:
            assert "reading [red]\\x1b points" in file.getvalue()
            # The line is erased, and the cursor is shown again.
            assert file.getvalue().rstrip("\r").endswith("\x1b[2K")
            assert "\x1b[?25h" in file.getvalue()


def test_progress_goes_to_standard_error() -> None:
    assert Progress("x")._file is sys.stderr
