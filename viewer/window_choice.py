"""What is chosen to be shown in the window, of what there is: stage, pose, colours, their reach, hidden verdicts."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Protocol

from geometry.errors import SlabposeError
from viewer.choosing import REACHES, scaled
from viewer.layer import Layer, Source
from viewer.section import Section

__all__ = ["LATEST", "Choice", "Views"]

LATEST = ""
"""The stage that stands for the last one of each slab."""


class Views(Protocol):
    """A section at the stages of its survey, and in the poses that its slabs can be shown in."""

    def stages(self) -> Sequence[str]:
        """Return what can be chosen, ``LATEST`` first."""

    def poses(self) -> Mapping[str, str]:
        """Return what can be chosen, and what slabs in it are called, as built first."""

    def view(self, stage: str, pose: str) -> tuple[Section, Mapping[str, Source]]:
        """Return the section, and what keys show of it; raise SlabposeError where there is none."""

    def to_distance(self, chainage: float) -> float:
        """Return the distance of a chainage, m."""


class Choice:
    """What is chosen; layers are made when they are first chosen, and kept.

    Parameters
    ----------
    views : Views
    name : str
        Of the layers chosen first.
    stage, pose : str
        Chosen first.

    Raises
    ------
    SlabposeError
        If there is nothing of that name at that stage and in that pose.
    """

    def __init__(self, views: Views, name: str, stage: str, pose: str) -> None:
        self.views, self.stage, self.pose = views, stage, pose
        self.section, self._sources = views.view(stage, pose)
        self._made: dict[tuple[str, str, str], Sequence[Layer]] = {}
        self._turn: dict[str, int] = {}
        """Which of the layers of a name was chosen last."""
        self.hidden: frozenset[int] = frozenset()
        """Verdicts whose slabs are not drawn in rows and stepped over."""
        self._reach = 1.0
        self._plain = self._layers(name)[0]
        self.layer = self._plain

    @property
    def worst(self) -> int:
        """The slab furthest out on the scale; the first one if none is out at all."""
        worst = self.layer.ranked(1)
        return int(worst[0]) if len(worst) else 0

    def is_made(self, name: str) -> bool:
        """Whether the layers of a name have been made for this stage and pose."""
        return (self.stage, self.pose, name) in self._made

    def colour_by(self, name: str) -> None:
        """Choose the layers of a name, or the next of them if one is chosen; raise SlabposeError if there are none."""
        layers = self._layers(name)
        at = (self._turn.get(name, 0) + 1) % len(layers) if self.layer.name == name else 0
        self._turn[name], self._plain = at, layers[at]
        self.layer = scaled(self._plain, self._reach)

    def next_stage(self) -> str:
        """Choose the next stage that can be shown; return what has to be told."""
        stages = list(self.views.stages())
        told = "the survey has no other stage"
        at = stages.index(self.stage) if self.stage in stages else 0
        for stage in [*stages[at + 1 :], *stages[:at]]:
            told = self._look_at(stage, self.pose)
            if not told:
                break
        return told

    def next_pose(self) -> str:
        """Choose the next pose that can be shown; return what has to be told, also of one that was passed over."""
        poses = list(self.views.poses())
        at = poses.index(self.pose)
        none = "there is no other pose"
        told = none
        for pose in [*poses[at + 1 :], *poses[:at]]:
            fault = self._look_at(self.stage, pose)
            if not fault:
                return "" if told == none else told
            told = fault
        return told

    def hide(self, verdict: int) -> None:
        """Hide the slabs of a verdict, or show them again."""
        self.hidden = self.hidden ^ {verdict}

    def rescale(self, step: int) -> None:
        """Let the scale of colours and heights end nearer, or further away."""
        place = REACHES.index(self._reach) + step
        self._reach = REACHES[min(max(place, 0), len(REACHES) - 1)]
        self.layer = scaled(self._plain, self._reach)

    def _layers(self, name: str) -> Sequence[Layer]:
        if not self.is_made(name):
            self._made[self.stage, self.pose, name] = self._sources[name]()
        return self._made[self.stage, self.pose, name]

    def _look_at(self, stage: str, pose: str) -> str:
        """Choose another stage or another pose; return why that cannot be, and change nothing then."""
        before = self.stage, self.pose, self.section, self._sources
        name = self.layer.name
        try:
            self.stage, self.pose = stage, pose
            self.section, self._sources = self.views.view(stage, pose)
            layers = self._layers(name)
        except SlabposeError as fault:
            self.stage, self.pose, self.section, self._sources = before
            return str(fault)
        self._plain = layers[min(self._turn.get(name, 0), len(layers) - 1)]
        self.layer = scaled(self._plain, self._reach)
        return ""
