"""The demo as guests are shown it: checked, planned, and what is told and drawn of it."""

from __future__ import annotations

from functools import cache

from project_copies import DEMO

from geometry.exchange.project import Project, open_project
from geometry.placement import SectionCheck
from viewer.posed import Planning
from viewer.present.show import Show, show_of
from viewer.running import check_of

__all__ = ["demo_checked", "demo_planning", "demo_show"]


@cache
def demo_checked() -> tuple[Project, SectionCheck]:
    project = open_project(DEMO)
    return project, check_of(project, (), None)[1]


@cache
def demo_planning() -> Planning:
    return Planning(*demo_checked())


@cache
def demo_show() -> Show:
    return show_of(*demo_checked(), demo_planning())
