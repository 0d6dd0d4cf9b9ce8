"""The text of an input file, with what is wrong with its bytes."""

from __future__ import annotations

import codecs
import difflib
import re
from pathlib import Path

from geometry.errors import Faults

__all__ = ["read_text"]

_MOST_BYTE_FAULTS = 20


def read_text(path: Path, faults: Faults, content: bytes | None = None) -> bytes | None:
    """Return the content of a text file as UTF-8 with line feeds, or None if it is none.

    Bytes that are no UTF-8 are reported with their lines and read as Latin-1, so that the other
    faults of the file can be told in the same run. `content` stands for the file's bytes where they are given.
    """
    data = _read_bytes(path, faults) if content is None else content
    if data is None:
        return None
    if data.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        faults.error(path.name, "text in UTF-8", "UTF-16", "save it as UTF-8")
        return None
    data = data.removeprefix(codecs.BOM_UTF8)
    null = data.find(b"\0")
    if null >= 0:
        line = data.count(b"\n", 0, null) + 1
        count = data.count(b"\0")
        if count > len(data) // 3:
            found, hint = "UTF-16 or a file that is no text", "save it as UTF-8"
        else:
            found, hint = f"{count} zero bytes", "the file was cut off or damaged while it was written"
        faults.error(f"{path.name}:{line}", "text in UTF-8", found, hint)
        return None
    if not data.isascii() and not _is_utf8(data, path, faults):
        data = data.decode("latin-1").encode()
    if b"\r" in data and data.count(b"\r") != data.count(b"\r\n"):
        data = re.sub(rb"\r(?!\n)", b"\n", data)
    return data


def _read_bytes(path: Path, faults: Faults) -> bytes | None:
    if path.is_dir():
        faults.error(str(path), "a file", "a folder")
    elif not path.exists():
        there = [other.name for other in path.parent.iterdir()] if path.parent.is_dir() else []
        near = difflib.get_close_matches(path.name, there, 1)
        faults.error(str(path), "a file", "nothing of that name", f"did you mean {near[0]}?" if near else "")
    else:
        try:
            return path.read_bytes()
        except OSError as fault:
            faults.error(str(path), "a file that can be read", (fault.strerror or str(fault)).lower())
    return None


def _is_utf8(data: bytes, path: Path, faults: Faults) -> bool:
    view = memoryview(data)
    position, line, count, last = 0, 1, 0, 0
    while True:
        try:
            codecs.utf_8_decode(view[position:], "strict", True)
        except UnicodeDecodeError as fault:
            bad = position + fault.start
        else:
            return count == 0
        line += data.count(b"\n", position, bad)
        if line != last:
            count += 1
            if count > _MOST_BYTE_FAULTS:
                faults.error(path.name, "text in UTF-8", "more lines like these")
                return False
            letter = ascii(chr(data[bad])) if data[bad] < 0xA0 else f"{chr(data[bad])!r} in Latin-1"
            found = f"byte 0x{data[bad]:02X} ({letter}), byte {bad + 1} of the file"
            faults.error(f"{path.name}:{line}", "text in UTF-8", found, "save it as UTF-8")
        last, position = line, bad + 1
