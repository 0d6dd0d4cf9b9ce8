"""What the command view does."""

from __future__ import annotations

import sys
import tempfile
from collections.abc import Mapping, Sequence
from contextlib import nullcontext
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

from geometry.errors import Fault, InputError, SlabposeError
from geometry.exchange.cells import near
from geometry.exchange.project import Project, open_project
from geometry.exchange.survey_files import Survey, read_stages, survey_paths
from geometry.exchange.writing import one_piece
from geometry.placement import SectionCheck
from viewer.checked import section_of
from viewer.cli.options import OK
from viewer.decided import layer_sources
from viewer.layer import Layer, Source
from viewer.posed import POSES, Planning, section_in
from viewer.running import check_of, kept, warn
from viewer.section import QUANTITIES, Section
from viewer.terminal import Progress

__all__ = ["ProjectViews", "run_view"]

_PICTURES: Final = (".png", ".svg", ".pdf")


@dataclass(eq=False)
class ProjectViews:
    """A project at the stages of its survey, in the poses of its slabs: read and worked out when it is asked for.

    Parameters
    ----------
    project : Project
    survey, readings : sequence of Path
        As for `viewer.running.check_of`.
    limit : str, optional
        The limit of the rail that is shown first.
    """

    project: Project
    survey: Sequence[Path] = ()
    readings: Sequence[Path] = ()
    limit: str | None = None
    _read: dict[str, tuple[Survey, SectionCheck, Planning]] = field(default_factory=dict)
    _made: dict[tuple[str, str], tuple[Section, Mapping[str, Source]]] = field(default_factory=dict)

    def stages(self) -> Sequence[str]:
        """Return the stages of the survey, "" for the last one of each slab first."""
        paths = list(self.survey) or survey_paths(self.project.folder)
        if self.readings or not paths:
            return ("",)
        given = read_stages(self.project, paths).given
        return ("", *(name for code, name in enumerate(given.stages) if name and (given.stage == code).any()))

    def poses(self) -> Mapping[str, str]:
        """Return the poses in the order of the key that changes them."""
        return {name: POSES[name] for name in ("built", "planned", "target")}

    def checked(self, stage: str) -> tuple[Survey, SectionCheck, Planning]:
        """Return survey, check and plan of a stage; "" for the last one of each slab."""
        if stage not in self._read:
            read, check = check_of(self.project, self.survey, stage or None, self.readings)
            warn(read.warnings)
            self._read[stage] = read, check, Planning(self.project, check, warn)
        return self._read[stage]

    def view(self, stage: str, pose: str) -> tuple[Section, Mapping[str, Source]]:
        """Return the section at a stage in a pose, and what it can be coloured by."""
        if (stage, pose) not in self._made:
            read, check, planning = self.checked(stage)
            built = section_of(self.project, check, _subtitle(read, pose))
            section = section_in(built, pose, planning)
            sources = layer_sources(self.project, check, section, self.limit, warn, pose=pose, planning=planning)
            self._made[stage, pose] = section, sources
        return self._made[stage, pose]

    def to_distance(self, chainage: float) -> float:
        """Return the distance of a chainage, m."""
        return float(self.project.count.to_distance(chainage))


def _subtitle(read: Survey, pose: str) -> str:
    if pose == "target":
        return f"slabs {POSES[pose]}"
    stages = ", ".join(f"stage {name}" for name in read.stages if name) or "no stage named"
    told = f"{len(read.points)} surveyed points, {stages}"
    return told if pose == "built" else f"slabs as the correction plan leaves them, computed from {told}"


def _told_apart(
    pose: str, colour: str, limit: str | None, slab: str | None, picture: Path | None, *, flat: bool
) -> None:
    """Refuse options that contradict each other."""
    if flat and picture is None:
        raise SlabposeError("--flat draws a picture: name it with --picture FILE")
    if flat and slab is not None:
        raise SlabposeError("--flat draws the whole section: --slab is for the view in 3D")
    if limit is not None and colour != "rail":
        raise SlabposeError("--limit chooses a limit of the rail: it goes with --colour rail")
    if pose == "target" and colour in QUANTITIES:
        raise SlabposeError("--pose target: slabs on their targets have no deviation; --colour gap or rail shows them")
    if pose != "built" and colour == "move":
        raise SlabposeError("--colour move starts from where slabs were built: it goes with --pose built")
    if picture is not None and picture.suffix.lower() not in _PICTURES:
        raise InputError([Fault("--picture", f"a name that ends in {', '.join(_PICTURES)}", str(picture))])


def run_view(
    project: Path, survey: Sequence[Path], readings: Sequence[Path], stage: str | None, poses: str,
    picture: Path | None, colour: str, limit: str | None, slab: str | None, flat: bool,
) -> int:  # fmt: skip
    """Show the section."""
    files = kept(project, [*survey, *readings], (picture,))
    _told_apart(poses, colour, limit, slab, picture, flat=flat)
    with Progress("checking") if picture else nullcontext():
        read_project = open_project(project)
        names = read_project.layout.names.tolist()
        if slab is not None and slab not in names:
            raise InputError([Fault("--slab", "the name of a slab", repr(slab), near(slab, names))])
        warn(read_project.warnings)
        views = ProjectViews(read_project, survey, readings, limit)
        section, sources = views.view(stage or "", poses)
        if picture is not None:
            _draw(section, picture, sources[colour]()[0], slab, files, flat=flat)
            return OK
    from viewer.window import show

    show(views, name=colour, stage=stage or "", pose=poses, slab=slab)
    return OK


def _draw(section: Section, path: Path, layer: Layer, slab: str | None, inputs: Sequence[Path], *, flat: bool) -> None:
    """Draw into a file that appears in one piece."""
    from viewer.flat import flat_picture
    from viewer.scene import picture as draw

    with one_piece(path, inputs) as file, tempfile.TemporaryDirectory() as folder:
        draft = Path(folder) / f"picture{path.suffix.lower()}"
        if flat:
            flat_picture(section, draft, layer=layer)
        else:
            drawn = draw(section, draft, layer, slab=slab)
            sys.stderr.write(f"{drawn.told}\n")
        file.write(draft.read_bytes())
    sys.stderr.write(f"{path}\n")
