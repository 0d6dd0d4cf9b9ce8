"""The files of a folder that grows: what counts of them, and what is wrong with the rest."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from pathlib import Path

from geometry.errors import Fault, InputError
from geometry.exchange.csv_lines import split_lines
from viewer.follow_page import say
from viewer.watching import Clock, Source, Stamp, complete_lines, without_lines

__all__ = ["GrowingFiles", "Voice", "without_faulty"]

_PATIENCE = 10  # looks until a last line that stays half is mentioned
_SETTLED = 3  # looks until a file that is not only added to counts
_PASSES = 20  # readings until the faulty lines of a file are found


class Voice:
    """Says things with their hour, and warnings once."""

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self._told: set[object] = set()

    def once(self, text: str, key: object = None) -> None:
        """Warn of something that nobody has been warned of; `key` stands for a text that changes."""
        if not self.has_said(key or text):
            self._told.add(key or text)
            say(f"{self._clock.hour()}  ! {text}")

    def warn(self, text: str) -> None:
        """Warn, also of what had been told and was otherwise meanwhile."""
        say(f"{self._clock.hour()}  ! {text}")

    def say(self, text: str) -> None:
        """Say something by the way."""
        say(f"{self._clock.hour()}  . {text}")

    def has_said(self, key: object) -> bool:
        """Return whether a warning has been given."""
        return key in self._told


class GrowingFiles:
    """The files of a folder.

    Parameters
    ----------
    source : Source
    voice : Voice
    read : callable
        ``read(path, lines)`` raises InputError with what is wrong in a file.

    Attributes
    ----------
    good : dict of Path to bytes
        What counts: complete lines without faults.
    """

    def __init__(self, source: Source, voice: Voice, read: Callable[[Path, bytes], object]) -> None:
        self._source, self._voice, self._read = source, voice, read
        self.good: dict[Path, bytes] = {}
        self._stamps: dict[Path, Stamp] = {}
        self._seen: dict[Path, bytes] = {}  # complete lines, faulty ones and all
        self._held: dict[Path, tuple[bytes, int]] = {}  # what is not only added to, and for how many looks
        self._waits: dict[Path, tuple[str, int]] = {}  # what waits at the end, and for how many looks

    def tell_waiting(self) -> None:
        """Tell what was never finished."""
        for path, (waits, _) in self._waits.items():
            self._voice.once(f"{path.name}: {waits}: not read", (path, waits))

    def look(self) -> bool:
        """Take in what changed; return whether any file did, or is not settled."""
        try:
            stamps = self._source.stamps()
        except OSError as fault:
            self._voice.once(f"the folder cannot be read: {(fault.strerror or str(fault)).lower()}; waiting for it")
            return False
        changed = False
        for path, stamp in stamps.items():
            if self._stamps.get(path) == stamp:
                self._mention_waiting(path)
                changed |= path in self._held and self._settle(path, self._held[path][0])
                continue
            try:
                content = self._source.content(path)
            except OSError as fault:  # locked by who writes it: asked again next time
                self._voice.once(f"{path.name} cannot be read: {(fault.strerror or str(fault)).lower()}; trying again")
                continue
            # the stamp is older than the content: what came between is seen next time
            self._stamps[path] = stamp
            changed = True
            lines, waits = complete_lines(content)
            self._waits.pop(path, None)
            if waits:
                self._waits[path] = waits, 0
            if path not in self._seen:
                self._renamed(path, lines, stamps)
            if lines.startswith(self._seen.get(path, b"")):
                self._held.pop(path, None)
                self._take(path, lines)
            else:
                self._settle(path, lines)
        for path in [p for p in self._seen if p not in stamps]:
            if self._seen[path]:
                self._stamps.pop(path, None)
                changed |= self._settle(path, b"")
        return changed

    def _renamed(self, path: Path, lines: bytes, stamps: Mapping[Path, Stamp]) -> None:
        """Let a new file go on for one that is gone and whose lines it has."""
        for old in [p for p in self._seen if p not in stamps and self._seen[p] and lines.startswith(self._seen[p])]:
            self._voice.say(f"{old.name} is called {path.name} now")
            self._seen[path] = self._seen.pop(old)
            if old in self.good:
                self.good[path] = self.good.pop(old)
            for kept in (self._stamps, self._held, self._waits):
                kept.pop(old, None)
            return

    def _mention_waiting(self, path: Path) -> None:
        if path in self._waits:
            waits, looks = self._waits[path]
            self._waits[path] = waits, looks + 1
            if looks + 1 == _PATIENCE:
                self._voice.once(f"{path.name}: {waits}; it waits", (path, waits))

    def _settle(self, path: Path, lines: bytes) -> bool:
        """Hold a file that is not only added to until it stays so: who writes a file anew is seen half way."""
        held, looks = self._held.get(path, (None, 0))
        looks = looks + 1 if held == lines else 1
        self._held[path] = lines, looks
        if looks >= _SETTLED:
            del self._held[path]
            what = "not only added to" if lines else "gone or empty"
            self._voice.say(f"{path.name} is {what}: what was read of it is changed or lost")
            self._take(path, lines)
        return True

    def _take(self, path: Path, lines: bytes) -> None:
        """Let the complete lines of a file count, as far as they can be read."""
        if lines == self._seen.get(path, b""):
            return
        self._seen[path] = lines
        readable = self._readable(path, lines) if lines else b""
        if readable:
            self.good[path] = readable
        elif not lines:
            self.good.pop(path, None)

    def _readable(self, path: Path, lines: bytes) -> bytes:
        """Return the lines without those that are faulty, b"" if they cannot be told apart; tell the faults."""
        faults: list[str] = []
        rest = lines
        for _ in range(_PASSES):
            try:
                self._read(path, rest)
            except InputError as error:
                if not faults:
                    first = [str(fault) for fault in error.faults]
                faults += [str(fault) for fault in error.faults]
                better = without_faulty({path: rest}, error)
                if better is None:
                    break
                rest = better[path]
            else:
                for fault in faults:
                    self._voice.once(f"{fault}; left out until it is mended")
                return rest
        for fault in first:
            self._voice.once(fault)
        kept = "what was read before still counts" if path in self.good else "nothing of it counts"
        self._voice.once(f"{path.name} cannot be used until that is mended; {kept}", (path, tuple(first)))
        return b""


def without_faulty(contents: Mapping[Path, bytes], error: InputError) -> dict[Path, bytes] | None:
    """Return files without the lines that faults name; None where these name none, or a header."""
    result = dict(contents)
    named = False
    for path, lines in contents.items():
        numbers = {n for fault in error.faults for n in _line_of(fault, path)}
        if not numbers:
            continue
        if next(iter(split_lines(lines).numbers.tolist()), 0) in numbers:
            return None
        named = True
        result[path] = without_lines(lines, numbers)
    return result if named else None


def _line_of(fault: Fault, path: Path) -> list[int]:
    """Return the line of a file that a fault names, if it does."""
    found = re.match(rf"{re.escape(path.name)}:(\d+)(?::|$)", fault.where)
    return [int(found[1])] if found else []
