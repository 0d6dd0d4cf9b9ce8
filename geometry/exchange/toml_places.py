"""The line of each key, table and array entry of a TOML text."""

from __future__ import annotations

import re
import tomllib

__all__ = ["locate"]

_BARE_KEY = re.compile(r"[A-Za-z0-9_-]+")
_SPACE = re.compile(r"(?:[ \t\r\n]|#[^\n]*)*")
_STRING = re.compile(
    r'"""(?:[^\\]|\\.)*?"{3,5}(?!")' r"|'''.*?'{3,5}(?!')" r'|"(?:[^"\\\n]|\\.)*"' r"|'[^'\n]*'", re.DOTALL
)
_SCALAR = re.compile(r"[^,\]}#\n]+")
_BETWEEN_KEYS = re.compile(r"[ \t]*\.[ \t]*")


def locate(text: str) -> dict[tuple[str | int, ...], int]:
    r"""Return the 1-based lines of the places of a text that is known to be TOML.

    A place is its keys and, for arrays, the places in them counted from 0.

    Examples
    --------
    >>> locate("[[slab]]\na = 1\n[[slab]]\na = [\n 2]")["slab", 1, "a", 0]
    5
    """
    return _Locator(text).lines


class _Locator:
    """Goes once through a text that is known to be TOML and notes the line of each place."""

    def __init__(self, text: str) -> None:
        self.lines: dict[tuple[str | int, ...], int] = {}
        self._text, self._at, self._line, self._counted = text, 0, 1, 0
        self._entries: dict[tuple[str | int, ...], int] = {}
        self._document()

    def _document(self) -> None:
        table: tuple[str | int, ...] = ()
        self._skip(_SPACE)
        while self._at < len(self._text):
            if self._text[self._at] == "[":
                table = self._header()
            else:
                self._entry(table)
            self._skip(_SPACE)

    def _header(self) -> tuple[str | int, ...]:
        line = self._line_here()
        array = self._text.startswith("[[", self._at)
        self._at += 2 if array else 1
        keys = self._keys()
        self._at += 2 if array else 1
        table: tuple[str | int, ...] = ()
        for key in keys[:-1]:
            table = self._last_entry((*table, key))
            self.lines.setdefault(table, line)
        table = (*table, keys[-1])
        if array:
            self.lines.setdefault(table, line)
            self._entries[table] = self._entries.get(table, -1) + 1
        table = self._last_entry(table)
        self.lines.setdefault(table, line)
        return table

    def _last_entry(self, place: tuple[str | int, ...]) -> tuple[str | int, ...]:
        return (*place, self._entries[place]) if place in self._entries else place

    def _entry(self, table: tuple[str | int, ...]) -> None:
        line = self._line_here()
        place = table
        for key in self._keys():
            place = (*place, key)
            self.lines.setdefault(place, line)
        self._skip(_SPACE)
        self._at += 1  # the equals sign
        self._skip(_SPACE)
        self._value(place)

    def _value(self, place: tuple[str | int, ...]) -> None:
        opening = self._text[self._at]
        if opening in "\"'":
            self._skip(_STRING)
        elif opening not in "[{":
            self._skip(_SCALAR)
        else:
            self._at += 1
            self._skip(_SPACE)
            count = 0
            while self._text[self._at] not in "]}":
                if opening == "{":
                    self._entry(place)
                else:
                    self.lines[(*place, count)] = self._line_here()
                    self._value((*place, count))
                    count += 1
                self._skip(_SPACE)
                if self._text[self._at] == ",":
                    self._at += 1
                    self._skip(_SPACE)
            self._at += 1

    def _keys(self) -> list[str]:
        keys: list[str] = []
        self._skip(_SPACE)
        while True:
            start = self._at
            if self._text[start] in "\"'":
                self._skip(_STRING)
                # Only the parser of the language knows its escapes.
                (key,) = tomllib.loads(f"{self._text[start : self._at]} = 0")
            else:
                self._skip(_BARE_KEY)
                key = self._text[start : self._at]
            keys.append(key)
            between = _BETWEEN_KEYS.match(self._text, self._at)
            if between is None:
                self._skip(_SPACE)
                return keys
            self._at = between.end()

    def _skip(self, pattern: re.Pattern[str]) -> None:
        found = pattern.match(self._text, self._at)
        if found is None:
            raise AssertionError(f"no place for {self._text[self._at : self._at + 20]!r}")
        self._at = found.end()

    def _line_here(self) -> int:
        self._line += self._text.count("\n", self._counted, self._at)
        self._counted = self._at
        return self._line
