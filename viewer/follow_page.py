"""How a slab that was just measured is told: a few short lines that fit a small screen."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from geometry.alignment import format_chainage
from geometry.exchange.history_tables import worst_corner
from geometry.exchange.project import Project
from geometry.placement import NOTES, VERDICTS, SectionCheck
from geometry.placement.deviation import sigma_at
from geometry.placement.history import History, fitting_places
from geometry.placement.movement import MOVEMENT_WORDS
from geometry.placement.verdict import Verdicts
from geometry.survey.points import Ints
from viewer.terminal import visible

if TYPE_CHECKING:
    from rich.text import Text

__all__ = ["Measured", "say", "tell_changes", "tell_slab"]

_SIGNS = {"within": "", "out": "# ", "undecided": "? ", "not measured": "- ", "no limit": ""}
_STYLES = {"within": "green", "out": "bold red", "undecided": "yellow", "not measured": "magenta", "no limit": ""}
_CHANGE = dict(zip(MOVEMENT_WORDS, ("# moved", "not distinguishable from noise", "? no check"), strict=True))
_INDENT = 12


@dataclass(frozen=True, eq=False)
class Measured:
    """What is to be told of one slab.

    Attributes
    ----------
    slab : int
        Index in the layout.
    epoch : int
        Index in the history.
    name : str
        Stage and round, for people.
    before : int
        Its verdict so far.
    since : str
        Stage and round of the epoch before; "" for none.
    injected : bool
        Whether nothing can be moved any more.
    hour : str
    """

    slab: int
    epoch: int
    name: str
    before: int
    since: str
    injected: bool
    hour: str


def say(*parts: str | tuple[str, str]) -> None:
    """Print one line, each part a text or a text and its style; the console hands it over at once."""
    from rich.console import Console
    from rich.text import Text

    console = Console(file=sys.stdout, highlight=False, markup=False, emoji=False)
    line: Text = Text.assemble(*(_shown(part) for part in parts))
    console.print(line, soft_wrap=True)


def _shown(part: str | tuple[str, str]) -> str | tuple[str, str]:
    text, style = (part, "") if isinstance(part, str) else part
    encoding = getattr(sys.stdout, "encoding", None) or "utf-8"
    plain = visible(text)
    try:
        plain.encode(encoding)
    except UnicodeEncodeError:
        plain = plain.replace("\u00b1", "+-").encode(encoding, "backslashreplace").decode(encoding)
    return (plain, style) if style else plain


def tell_changes(project: Project, answer: SectionCheck, slabs: Ints, before: Verdicts, hour: str) -> None:
    """Print slabs that are judged otherwise than before, a line each: nothing new was measured of them."""
    say(f"{hour}  ! judged otherwise now, not measured again; moves told before do not hold:")
    for slab, former in zip(slabs.tolist(), before.tolist(), strict=True):
        why = [text for bit, text in NOTES.items() if answer.notes[slab] & bit]
        _row(str(project.layout.names[slab]), _verdict(former), " -> ", _verdict(int(answer.verdict[slab])),
             f"  ({'; '.join(why)})" if why else "")  # fmt: skip


def _row(name: str, *parts: str | tuple[str, str]) -> None:
    say(f"  {name}".ljust(_INDENT), *parts)


def _verdict(code: int) -> tuple[str, str]:
    return f"{_SIGNS[VERDICTS[code]]}{VERDICTS[code]}", _STYLES[VERDICTS[code]]


def tell_slab(project: Project, answer: SectionCheck, history: History, measured: Measured) -> None:
    """Print verdict, deviation, what a move achieved, the moves that remain, and the joints of one slab."""
    slab, epoch = measured.slab, measured.epoch
    corners = int(history.fits.measured[epoch].sum())
    chainage = format_chainage(round(float(project.chainage[slab]), 1))[:-2]
    say((f"{measured.hour}  {project.layout.names[slab]}", "bold"),
        f"  {chainage}  {measured.name}, {corners} corners")  # fmt: skip
    now = int(answer.verdict[slab])
    before = (_verdict(measured.before), " -> ") if measured.before != now else ()
    why = [text for bit, text in NOTES.items() if answer.notes[slab] & bit]
    if history.epochs.disputed[epoch]:
        why.append("two readings of one moment")
    _row("verdict", *(part for part in before), _verdict(now), f"  ({'; '.join(why)})" if why else "")
    place = worst_corner(answer.deviation[slab][None])[0]
    off, sigma = (values[slab][place, [0, 1, 2]] * 1e3 for values in (answer.deviation, answer.deviation_sigma))
    told = [f"{name} {_mm(off[i], sigma[i])}" for i, name in enumerate(("across", "along", "up"))]
    _row("off by", "   ".join(told), " mm")
    _since(project, history, measured)
    if measured.injected:
        _row("moves", "none, the slab is injected")
    elif not answer.released[slab] or history.epochs.disputed[epoch]:
        _row("moves", "none until the survey is cleared up")
    else:
        _moves(project, answer, slab)
    _joints(project, answer, slab)


def _mm(value: float, sigma: float) -> str:
    # adding zero turns -0.0, which rounding makes of a small negative number, into 0.0
    return "not known" if np.isnan(value) else f"{round(value, 2) + 0.0:+.2f} \u00b1{sigma:.2f}"


def _since(project: Project, history: History, measured: Measured) -> None:
    m = history.movements
    rows = np.flatnonzero(m.after == measured.epoch)
    if not rows.size:
        return
    row = int(rows[0])
    _row("change", f"{_CHANGE[MOVEMENT_WORDS[m.verdict[row]]]} since {measured.since}")
    lift = m.adjustments["lift"]
    names = project.types[int(project.layout.type_index[measured.slab])].screws.names
    shares = [
        f"{name} {100 * lift.ratio[row, i]:.0f} \u00b1{100 * lift.ratio_sigma[row, i]:.0f} %"
        for i, name in enumerate(names)
        if np.isfinite(lift.ratio[row, i])
    ]
    if shares and not m.injection[row]:
        _row("made", "   ".join(shares), " of the lift asked")


def _moves(project: Project, answer: SectionCheck, slab: int) -> None:
    kind = int(project.layout.type_index[slab])
    own, moves = project.types[kind], answer.moves
    # the frame and the fit of a slab give the same covariance wherever it lies
    for name, fittings, axis, lengths, turns in (
        ("lift", [t.screws for t in project.types], 2, moves.lift, moves.turns),
        ("push", [t.adjusters for t in project.types], 0, moves.push, moves.push_turns),
    ):
        sigma = sigma_at(answer.fits, fitting_places(fittings))[slab, :, axis]
        names: Sequence[str] = (own.screws if name == "lift" else own.adjusters).names
        texts = [
            f"{one} {_mm(lengths[slab, i] * 1e3, sigma[i] * 1e3)} mm {round(float(turns[slab, i]), 2) + 0.0:+.2f} turns"
            for i, one in enumerate(names)
        ]
        width = max(map(len, texts))
        for first in range(0, len(texts), 2):
            pair = [text.ljust(width) for text in texts[first : first + 2]]
            _row(name if not first else "", "   ".join(pair).rstrip())
    sigma = sigma_at(answer.fits, np.zeros((len(project.types), 1, 3)))[slab, 0, 1]
    _row("along", f"{_mm(float(answer.moves.along[slab]) * 1e3, float(sigma) * 1e3)} mm")


def _joints(project: Project, answer: SectionCheck, slab: int) -> None:
    j = answer.joints
    for joint in np.flatnonzero((j.rear == slab) | (j.front == slab)).tolist():
        names = project.layout.names[[int(j.rear[joint]), int(j.front[joint])]].tolist()
        level, line, gap = j.step_level[joint] * 1e3, j.step_line[joint] * 1e3, j.gap[joint] * 1e3
        if not np.isfinite([level, line, gap]).all():
            _row("joint", f"{names[0]}|{names[1]}  a neighbour is not measured")
            continue
        sigma = [j.step_level_sigma, j.step_line_sigma, j.gap_sigma]
        sigmas = [float(np.max(values[joint])) * 1e3 for values in sigma]
        _row("joint", f"{names[0]}|{names[1]}  ", _verdict(int(answer.joint_verdict[joint])))
        up, right = np.round(level, 2) + 0.0, np.round(line, 2) + 0.0
        _row("", f"level L {up[0]:+.2f} R {up[1]:+.2f} \u00b1{sigmas[0]:.2f}"
                 f"   line L {right[0]:+.2f} R {right[1]:+.2f} \u00b1{sigmas[1]:.2f} mm")  # fmt: skip
        _row("", f"gap L {gap[0]:.1f} R {gap[1]:.1f} \u00b1{sigmas[2]:.1f} mm")
