"""What the command present does."""

from __future__ import annotations

import sys
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from geometry.errors import Fault, InputError, SlabposeError
from geometry.exchange.exports import Asked
from geometry.exchange.project import Project, open_project
from geometry.exchange.results import made_from
from geometry.exchange.writing import one_piece
from geometry.placement import SectionCheck
from viewer.cli.options import OK
from viewer.gl import prepare
from viewer.posed import Planning
from viewer.present.palette import Palette, palette_of
from viewer.present.show import Show, show_of
from viewer.present.words import plan_words
from viewer.running import check_of, kept, warn
from viewer.terminal import Progress, visible

__all__ = ["FILES", "run_present"]

FILES: Final = (
    "section.html", "film.mp4", "section.png", "layers-together.png", "layers-apart.png", "before-after.png",
    "section.glb",
)  # fmt: skip
"""Names of all that may be made in the folder."""
_STILL: Final = (1280, 720)


@dataclass(eq=False)
class _Making:
    """A folder while it is filled."""

    folder: Path
    files: Sequence[Path]
    show: Show
    palette: Palette
    progress: Progress
    made: list[str]

    def path(self, name: str) -> Path:
        self.progress.say(f"making {name}")
        return self.folder / name

    def done(self, name: str) -> None:
        self.made.append(name)


def _note(text: str) -> None:
    sys.stderr.write(f"note: {text}\n")


def _stills(making: _Making, dpi: int) -> None:
    from viewer.present.stills import still_size, stills_of, write_still

    for name, make in stills_of(making.show, making.palette, still_size(dpi)).items():
        write_still(making.path(name), make(), dpi, making.files)
        making.done(name)
    if "before-after.png" not in making.made:
        _note(f"slab {making.show.name} stays as it is, so there is no picture of before and after")


def _film(making: _Making, size: tuple[int, int], seconds: float) -> None:
    from viewer.present.film import Film, film_size, write_film

    blocks = film_size(size)
    if blocks != size:
        _note(f"the film is {blocks[0]}x{blocks[1]}, as films go in blocks of 16 pixels")
    film = Film(making.show, making.palette, blocks, seconds)
    try:

        def said(share: float) -> None:
            making.progress.say(f"making film.mp4, {share:.0%}")

        write_film(making.path("film.mp4"), film, making.files, making.show.title, said)
    finally:
        film.close()
    making.done("film.mp4")


def _scene(making: _Making, project: Project, check: SectionCheck, inputs: dict[str, str]) -> None:
    """Write the scene for other programs; the writer of the export makes it."""
    from viewer.gltf import gltf_writers

    writer = gltf_writers(making.show.layer.name, making.show.factor)[".glb"]
    asked = Asked(project, check, inputs, kept=tuple(making.files))
    try:
        writer.ready(asked)
    except SlabposeError as lacking:
        _note(str(lacking))
        return
    writer.write(making.path("section.glb"), asked)
    making.done("section.glb")


def _flat(show: Show) -> Any:
    """Return the flat picture of a section as pixels, for machines that draw nothing in 3D."""
    from tempfile import TemporaryDirectory

    import numpy as np
    from PIL import Image

    from viewer.flat import flat_picture

    with TemporaryDirectory() as folder:
        path = Path(folder) / "flat.png"
        flat_picture(show.section, path, show.layer)
        with Image.open(path) as picture:
            return np.asarray(picture.convert("RGB"))


def _page(making: _Making, palettes: tuple[Palette, Palette], inputs: dict[str, str], drawn: bool) -> None:
    from viewer.present.page import page_html, picture_uri
    from viewer.present.stills import section_still

    show, path = making.show, making.path("section.html")
    pixels = section_still(show, making.palette, _STILL).pixels if drawn else _flat(show)
    text = page_html(
        show, *palettes, still=picture_uri(pixels), begin_dark=making.palette.dark,
        film="film.mp4" if "film.mp4" in making.made else "", made=made_from(inputs),
        beside=[name for name in making.made if name != "film.mp4"],
    )  # fmt: skip
    with one_piece(path, making.files) as file:
        file.write(text.encode())
    making.done("section.html")


def _ready(folder: Path) -> Callable[[], None]:
    """Return what makes the folder; refuse what is none."""
    if folder.exists() and not folder.is_dir():
        raise InputError([Fault(str(folder), "a folder, or a new name for one", "a file")])
    if not folder.parent.is_dir():
        raise InputError([Fault(str(folder), "a place to make a folder in", "none", "make the folder first")])
    return lambda: folder.mkdir(exist_ok=True)


def _planned(planning: Planning) -> Planning | None:
    """Make the correction plan; None, and why, if none can be made."""
    try:
        _ = planning.plan
    except InputError as lacking:
        for fault in lacking.faults:
            _note(visible(f"no correction plan: {fault}"))
        return None
    return planning


def run_present(
    project: Path, folder: Path, survey: Sequence[Path], readings: Sequence[Path], stage: str | None,
    slab: str | None, film: bool, seconds: float, size: tuple[int, int], stills_dpi: int, exaggeration: float | None,
    dark: bool | None,
) -> int:  # fmt: skip
    """Make page, film, stills and scene of a section for guests."""
    make_folder = _ready(folder)
    files = kept(project, [*survey, *readings], [folder / name for name in FILES])
    if film:
        from viewer.present.film import film_library

        film_library()
    with Progress("checking") as progress:
        read_project = open_project(project)
        read, check = check_of(read_project, survey, stage, readings)
        progress.say("planning")
        planning = Planning(read_project, check)
        besides = planning.inputs  # a fault in a file that the plan reads ends the command
        show = show_of(read_project, check, _planned(planning), slab=slab, factor=exaggeration)
        given = read_project.settings.presentation
        night = given.dark if dark is None else dark
        palettes = palette_of(given, dark=False), palette_of(given, dark=True)
        inputs = {**read_project.inputs, **read.inputs, **besides.inputs}
        make_folder()
        making = _Making(folder, files, show, palettes[1 if night else 0], progress, [])
        answer = prepare()
        if answer.works:
            _stills(making, stills_dpi)
            if film:
                _film(making, size, seconds)
        else:
            _note(f"{answer.told.split(';')[0]}; {answer.told.split(';')[1].strip()}: no film and no stills without it")
        _scene(making, read_project, check, inputs)
        _page(making, palettes, inputs, answer.works)
    warn((*read_project.warnings, *read.warnings, *besides.warnings))
    _note(plan_words(show))
    for name in making.made:
        sys.stderr.write(f"{visible(str(folder / name))}\n")
    return OK
