"""What the texts of a survey name: slabs, corners, stages."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy.spatial import cKDTree

from geometry.alignment.frames import to_grid
from geometry.alignment.laws import Floats
from geometry.errors import Fault, Faults, InputError
from geometry.slabs import padded_marks
from geometry.survey import NO_NAME, UNKNOWN_NAME
from geometry.survey.points import Ints

from .cells import near, show
from .project import Project
from .tables import Table

__all__ = ["indices", "injected", "joined", "labels", "named_places", "nearest_marks", "stage_order", "stage_rows",
           "target_marks", "together"]  # fmt: skip

Bools = npt.NDArray[np.bool_]
_LONGEST_NAME = 40  # characters of a name in a message
_CORNERS = 4  # marks that every type has under the same names


def joined(tables: Sequence[Table], name: str) -> tuple[Ints, list[str]]:
    """Return one code per row over all tables, and the texts; "" where there is no column."""
    texts: dict[str, int] = {"": 0}
    parts = []
    for table in tables:
        if name not in table:
            parts.append(np.zeros(len(table), dtype=np.intp))
            continue
        codes, distinct = table.codes(name)
        parts.append(np.array([texts.setdefault(str(t), len(texts)) for t in distinct], dtype=np.intp)[codes])
    return together(parts), list(texts)


def together(parts: Sequence[npt.NDArray[Any]]) -> npt.NDArray[Any]:
    """Return arrays one after another; one alone, as of a survey in one file, as it is."""
    return parts[0] if len(parts) == 1 else np.concatenate(parts)


def indices(tables: Sequence[Table], name: str, texts: npt.NDArray[np.str_]) -> Ints:
    """Return the place of each row's cell in `texts` over all tables; `NO_NAME`, `UNKNOWN_NAME` where it has none."""
    return together([
        table.index_in(name, texts) if name in table else np.full(len(table), NO_NAME) for table in tables
    ])  # fmt: skip


def _folded(text: str) -> str:
    return "".join(letter for letter in text.casefold() if letter.isalnum())


def _lookup(names: Sequence[str], texts: Sequence[str], column: str, faults: Faults) -> Ints:
    """Return the place in `names` of each text; capitals and marks between letters do not count if that is clear."""
    order = {name: i for i, name in enumerate(names)}
    found = np.array([NO_NAME if not t else order.get(t, UNKNOWN_NAME) for t in texts], dtype=np.intp)
    unknown = np.flatnonzero(found == UNKNOWN_NAME).tolist()
    if not unknown:
        return found
    by_folded: dict[str, int] = {}
    for name, i in order.items():
        by_folded[_folded(name)] = UNKNOWN_NAME if _folded(name) in by_folded else i
    like = {i: by_folded.get(_folded(texts[i]), UNKNOWN_NAME) for i in unknown if _folded(texts[i])}
    taken = {i: place for i, place in like.items() if place != UNKNOWN_NAME}
    if taken:
        first = next(iter(taken))
        more = f" and {len(taken) - 1} more like it" if len(taken) > 1 else ""
        faults.warn(f"survey: {column}", f"names as the project writes them, {names[taken[first]]!r}",
                    f"{texts[first]!r}{more}", "taken as meant")  # fmt: skip
        found[list(taken)] = list(taken.values())
    return found


def named_places(project: Project, tables: Sequence[Table], faults: Faults) -> tuple[Ints, Ints]:
    """Return the index of the slab and of the mark that each row names.

    A mark beside the corners that stands without a slab has no index: types name them as they like.
    """
    mark_code, mark_texts = joined(tables, "corner")
    names = project.layout.names
    slab = indices(tables, "slab", names)
    if (slab == UNKNOWN_NAME).any():  # perhaps only written in another way
        slab_code, slab_texts = joined(tables, "slab")
        slab = _lookup(names.tolist(), slab_texts, "slab", faults)[slab_code]
    kinds = [list(t.marks.names) for t in project.types]
    known = list(dict.fromkeys(name for names in kinds for name in names))
    mark = _lookup(known, mark_texts, "corner", faults)
    alone = np.where(mark < _CORNERS, mark, NO_NAME)
    by_kind = np.array([*([_of_type(known, names, i) for i in mark.tolist()] for names in kinds), alone], dtype=np.intp)
    # NO_NAME and UNKNOWN_NAME count from the end, where two more slabs stand for no slab at all
    kind = np.append(project.layout.type_index, [len(kinds)] * 2)
    return slab, by_kind.ravel()[kind[slab] * len(mark) + mark_code]


def _of_type(known: Sequence[str], names: Sequence[str], place: int) -> int:
    if place < 0:
        return place
    return names.index(known[place]) if known[place] in names else UNKNOWN_NAME


def labels(tables: Sequence[Table], slab: Ints, mark: Ints) -> Callable[[int], str]:
    """Return what names a point for people: file, line and point name, and slab or corner if nobody knows them."""
    ends = np.cumsum([len(table) for table in tables])

    def label(row: int) -> str:
        which = int(np.searchsorted(ends, row, side="right"))
        table = tables[which]
        own = row - (int(ends[which - 1]) if which else 0)
        strange = [
            f"{what} {show(str(table[what][own]))}"
            for what, index in (("slab", slab), ("corner", mark))
            if index[row] == UNKNOWN_NAME and what in table
        ]
        named = f" of unknown {' and '.join(strange)}" if strange else ""
        name = str(table["point"][own])
        short = name if len(name) <= _LONGEST_NAME else f"{name[:_LONGEST_NAME]}\N{HORIZONTAL ELLIPSIS}"
        return f"point {short}{named} ({table.where(own)})"

    return label


def target_marks(project: Project, slabs: Ints) -> Floats:
    """Return the target places of the marks of slabs, shape (k, m, 3), m; nan where a type has fewer."""
    targets = project.targets
    places = padded_marks(project.types)[project.layout.type_index[slabs]]
    return to_grid(targets.position[slabs], targets.rotation[slabs], places, project.alignment.rules.grid_scale)


def _nearest(project: Project, xyz: Floats) -> tuple[Floats, Ints]:
    """Return all target marks, shape (n, m, 3), and the one near each point in the order of memory; -1 for none."""
    marks = target_marks(project, np.arange(len(project.layout.names)))
    flat = marks.reshape(-1, 3)
    exists = np.flatnonzero(np.isfinite(flat).all(axis=1))
    apart, nearest = cKDTree(flat[exists]).query(xyz, distance_upper_bound=project.settings.survey.match_radius_m)
    at = exists[np.minimum(np.asarray(nearest), len(exists) - 1)]
    return marks, np.where(np.isfinite(apart), at, -1).astype(np.intp)


def nearest_marks(project: Project, xyz: Floats) -> Floats:
    """Return the target place of the mark near each point, shape (p, 3), m; nan where none is."""
    marks, at = _nearest(project, xyz)
    return np.asarray(np.where((at >= 0)[:, None], marks.reshape(-1, 3)[at], np.nan))


def _slab_by_place(project: Project, xyz: Floats) -> Ints:
    """Return the slab on which each point lies, or NO_NAME."""
    marks, at = _nearest(project, xyz)
    return np.where(at >= 0, at // marks.shape[1], NO_NAME).astype(np.intp)


def stage_order(project: Project, codes: Ints, texts: list[str], faults: Faults) -> list[str]:
    """Return the stages as a slab goes through them: none, those of the project, others as they appear.

    A stage that the project does not know is told.
    """
    named = list(dict.fromkeys(project.settings.survey.stages))
    strange = [texts[c] for c in np.flatnonzero(np.bincount(codes)).tolist() if texts[c] and texts[c] not in named]
    for text in strange if named else []:
        faults.warn("survey: stage", f"a stage of project.toml ({', '.join(named)})", repr(text),
                    near(text, named) or "it counts as later than those")  # fmt: skip
    return ["", *named, *strange]


def stage_rows(
    project: Project, slab: Ints, xyz: Floats, codes: Ints, texts: list[str], stage: str | None, faults: Faults
) -> tuple[Ints, dict[str, int]]:
    """Return the rows of the stages that count, and how many rows each stage gives.

    Parameters
    ----------
    slab : ndarray, shape (p,)
        Slab that each row names; a row without one belongs to the slab it lies on.
    xyz : ndarray, shape (p, 3)
    codes, texts : ndarray, shape (p,), and list of str
        Stage of each row.
    stage : str, optional
        The only stage to use.
    faults : Faults
        Takes stages that the project does not know.
    """
    counts = np.bincount(codes)
    present = np.flatnonzero(counts).tolist()
    if stage is not None:
        given = [texts[c] for c in present if texts[c]]
        if stage not in given:
            known = ", ".join(map(repr, given)) or "none"
            raise InputError([Fault("--stage", f"a stage of the survey ({known})", repr(stage), near(stage, given))])
        rows = np.flatnonzero(codes == texts.index(stage))
        return rows, {stage: len(rows)}
    order = stage_order(project, codes, texts, faults)
    rank = np.array([order.index(text) if text in order else len(order) for text in texts], dtype=np.intp)
    if len(present) < 2:
        return np.arange(len(codes)), _in_rank(texts, rank, counts)
    by_row = rank[codes]
    own = slab.copy()
    nameless = np.flatnonzero(own < 0)
    if nameless.size:
        own[nameless] = _slab_by_place(project, xyz[nameless])
    last = np.full(len(project.layout.names), -1)
    np.maximum.at(last, own[own >= 0], by_row[own >= 0])
    rows = np.flatnonzero((own < 0) | (by_row == last[own]))
    return rows, _in_rank(texts, rank, np.bincount(codes[rows]))


def injected(project: Project, slab: Ints, xyz: Floats, codes: Ints, texts: list[str]) -> Bools:
    """Return the slabs that have been injected by the stage of any of their points: nothing moves them any more.

    Parameters
    ----------
    slab, xyz, codes, texts
        As in `stage_rows`.

    Returns
    -------
    ndarray of bool, shape (n,)
    """
    first = project.settings.injection_stage.casefold()
    # stages that the project does not know come after those it does
    order = [text.casefold() for text in stage_order(project, codes, texts, Faults())]
    later = order[order.index(first) :] if first in order else []
    rows = np.flatnonzero(np.array([text.casefold() in later for text in texts])[codes])
    own = slab[rows].copy()
    nameless = own < 0
    if nameless.any():
        own[nameless] = _slab_by_place(project, xyz[rows[nameless]])
    result = np.zeros(len(project.layout.names), dtype=bool)
    result[own[own >= 0]] = True
    return result


def _in_rank(texts: list[str], rank: Ints, counts: Ints) -> dict[str, int]:
    present = np.flatnonzero(counts)
    order = present[np.argsort(rank[present], kind="stable")]
    return {texts[i]: int(counts[i]) for i in order.tolist()}
