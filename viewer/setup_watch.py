"""How set-ups are told while their readings come in: waiting for control, standing, or in doubt."""

from __future__ import annotations

import re

import numpy as np

from geometry.exchange.epoch_files import StagedReadings
from geometry.survey.fieldwork import SetupState
from geometry.survey.points import Ints
from viewer.follow_page import say
from viewer.growing import Voice
from viewer.setup_page import state_findings

__all__ = ["SetupWatch"]

_BY_THE_WAY = ("one face", "no air")  # of most readings while they come in


class SetupWatch:
    """Tells what becomes of set-ups, each time it is something else."""

    def __init__(self, voice: Voice) -> None:
        self._voice = voice
        self._told: dict[str, object] = {}  # what kind of thing was told of each
        self._texts: dict[str, tuple[str, ...]] = {}  # what was said of each that is in doubt
        self._control: dict[str, int] = {}  # control points with which it was told to stand
        self._before: dict[str, SetupState] = {}

    def tell(self, worked: StagedReadings, *, first: bool) -> None:
        """Tell set-ups that are something else than before; `first`: count those that stand."""
        if first:
            sound = sum(state.sound for state in worked.work.states)
            doubtful = sum(state.result is not None for state in worked.work.states) - sound
            say(f"set-ups: {sound} stand, {doubtful} in doubt, {len(worked.work.states) - sound - doubtful} not solved")
        quiet = {f.text for f in worked.work.reduction.findings if f.kind in _BY_THE_WAY}
        for text in worked.work.findings:
            if text not in quiet:  # counts at the beginning grow
                self._voice.once(text, ("readings", re.sub(r"^\d+ ", "", text)))
        for state, seen in zip(worked.work.states, _marks_of(worked).tolist(), strict=True):
            self._tell_one(state, seen, first=first)
            self._before[state.name] = state

    def finish(self, worked: StagedReadings) -> None:
        """Tell what is wrong with set-ups in the end, where that was told otherwise."""
        for state in worked.work.states:
            self._tell_settled(state)

    def _tell_one(self, state: SetupState, seen: int, *, first: bool) -> None:
        name, former = state.name, self._told.get(state.name)
        self._told[name] = now = _kind(state)
        if state.result is None and former != now:
            (text,) = _wrong(state)
            many = f"; {seen} mark{'s' * (seen > 1)} wait{'s' * (seen == 1)} for it" if seen else ""
            solved_before = name in self._before and self._before[name].result is not None
            if state.lacking and not solved_before:
                self._voice.say(f"waiting for control: {text}{many}")
            else:
                self._voice.warn(f"{text}{many}")
        elif state.result is not None and state.result.faults:
            if former == now:
                # sizes change with every sight; who goes on to something else gets the last ones
                if self._before.get(name) is state:
                    self._tell_settled(state)
                return
            self._texts[name] = _wrong(state)
            for text in self._texts[name]:
                self._voice.warn(text)
        elif state.result is not None:
            if not first and (former != now or (seen and self._control.get(name) != state.control)):
                self._voice.say(_stands(state))
            elif not first:
                return
            self._control[name] = state.control

    def _tell_settled(self, state: SetupState) -> None:
        if state.result is not None and state.result.faults and self._texts.get(state.name) != _wrong(state):
            self._texts[state.name] = _wrong(state)
            for text in self._texts[state.name]:
                self._voice.warn(text)


def _wrong(state: SetupState) -> tuple[str, ...]:
    return tuple(text for mark, text in state_findings(state) if mark == "!")


def _kind(state: SetupState) -> object:
    """Return what differs where something else is to be told of a set-up."""
    if state.result is None:
        return state.problem
    return tuple((fault.kind, fault.points) for fault in state.result.faults), state.sound


def _marks_of(worked: StagedReadings) -> Ints:
    """Return how many marks of slabs each set-up has sighted, solved or not."""
    r, book = worked.book.readings, worked.book
    rows = book.slab[r.target] >= 0
    pairs = np.unique(np.stack([r.setup[rows], r.target[rows]]), axis=1)
    return np.asarray(np.bincount(pairs[0], minlength=len(book.setups)))


def _stands(state: SetupState) -> str:
    assert state.result is not None
    sigma = np.sqrt(np.diag(state.result.covariance)) * 1e3
    unsure = "" if state.sound else "; nothing checks it yet"
    return (
        f"set-up {state.name} stands on {state.control} control points, \u00b1{np.hypot(sigma[0], sigma[1]):.2f} mm in "
        f"plan, \u00b1{sigma[2]:.2f} in level{unsure}"
    )
