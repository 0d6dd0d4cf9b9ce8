"""Numbers and methods from outside the project that the tests check against."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

__all__ = ["load"]


def load(name: str) -> dict[str, Any]:
    """Return a file of published or derived numbers; its header says what, who, where and how to rebuild."""
    data: dict[str, Any] = json.loads(Path(__file__).with_name(f"{name}.json").read_text(encoding="utf-8"))
    assert set(data["header"]) == {"what", "computed_by", "source", "status", "rebuild"}
    return data
