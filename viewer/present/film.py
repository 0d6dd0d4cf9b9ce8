"""The film: along the track, down to one slab, its layers taken apart and put together, its numbers in words."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from geometry.errors import SlabposeError
from geometry.exchange.writing import one_piece
from viewer.mesh import slab_mesh
from viewer.present.camera import RESTING, Flight, flight_of
from viewer.present.canvas import Canvas
from viewer.present.captions import LAYERS, MARKED_UNTIL, TITLE_UNTIL, Caption, apart_at, caption_at, eased, factor_at
from viewer.present.labels import label_parts, story_panel
from viewer.present.palette import Palette
from viewer.present.parts import APART, Part, parts_of
from viewer.present.show import Show
from viewer.present.staging import Stage, track_stage
from viewer.present.words import scale_words
from viewer.section import OUT
from viewer.stage import add_bodies, add_values
from viewer.terminal import visible

__all__ = ["FRAMES_A_SECOND", "Film", "film_library", "film_size", "write_film"]

Floats = NDArray[np.float64]
Pixels = NDArray[np.uint8]

FRAMES_A_SECOND: Final = 24
MOST_NAMES: Final = 12
_FINER: Final = 1.5
_BLOCK: Final = 16  # films are coded in blocks of so many pixels
_TAKEN_APART: Final = ("rail", "fastener", "slab", "mortar")


def film_library() -> Any:
    """Return the library for films.

    Raises
    ------
    SlabposeError
        If it is not installed.
    """
    try:
        import imageio_ffmpeg
    except ImportError as missing:
        raise SlabposeError("a film needs a library more: pip install 'slabpose[present]'; or --no-film") from missing
    return imageio_ffmpeg


def film_size(size: tuple[int, int]) -> tuple[int, int]:
    """Return the size of a film in whole blocks of 16 pixels, never smaller than asked for.

    Examples
    --------
    >>> film_size((1280, 720)), film_size((1920, 1080))
    ((1280, 720), (1920, 1088))
    """
    return -(-size[0] // _BLOCK) * _BLOCK, -(-size[1] // _BLOCK) * _BLOCK


@dataclass(eq=False)
class _Taken:
    """The slab at which the film ends, in layers that move on their own."""

    actors: dict[str, Any]
    parts: dict[str, Part]
    up: Floats
    holds: dict[str, Floats]


class Film:
    """A film that can be asked for any of its pictures.

    Parameters
    ----------
    show : Show
    palette : Palette
    size : (int, int)
        Pixels, in whole blocks.
    seconds : float
    """

    def __init__(self, show: Show, palette: Palette, size: tuple[int, int], seconds: float) -> None:
        self.show, self.palette, self.size, self.seconds = show, palette, size, seconds
        self.flight: Flight = flight_of(show, seconds)
        section, flight = show.section, self.flight
        slabs = self.slabs = np.flatnonzero((section.distance >= flight.first) & (section.distance <= flight.last))
        self.stage, self._actor, self._target, self._shift = track_stage(
            show, palette, size, slabs, flight.origin, without=show.slab, finer=_FINER
        )
        self._alone = self._one(self.stage)
        self._taken = self._layers(self.stage)
        self._factor = show.factor

    @property
    def frames(self) -> int:
        """Number of pictures."""
        return max(2, round(self.seconds * FRAMES_A_SECOND))

    def _one(self, stage: Stage) -> tuple[Any, Floats, Floats]:
        """Add the slab at the end; return what stands for it, its points at the target, and their deviation."""
        show, one = self.show, np.array([self.show.slab])
        here, there = (
            slab_mesh(show.section, one, layer=show.layer, factor=factor, origin=self.flight.origin)
            for factor in (1.0, 0.0)
        )
        points = there.points + show.factor * (here.points - there.points)
        actor = add_values(stage.plotter, points, here.faces, here.value_of_point, show.layer.scale)
        return actor, there.points, here.points - there.points

    def _layers(self, stage: Stage) -> _Taken:
        show = self.show
        rotation = show.section.target_rotation[show.slab]
        about = show.section.target_position[show.slab] - self.flight.origin
        parts = {part.name: part for part in parts_of(show, self.palette, show.slab, cut=False)}
        actors = {
            name: add_bodies(stage.plotter, parts[name].points @ rotation.T + about, parts[name].faces,
                             parts[name].colour)
            for name in ("rail", "fastener", "mortar")
        }  # fmt: skip
        actors["slab"] = self._alone[0]
        # the eye comes from the rear, or from ahead: what is held on to has to lie on its side
        side = np.array([self.flight.ahead, self.flight.ahead, 1.0])
        holds = {name: (part.hold * side) @ rotation.T + about for name, part in parts.items()}
        return _Taken(actors, parts, rotation[:, 2], holds)

    def _exaggerated(self, factor: float) -> None:
        if factor == self._factor:
            return
        for actor, target, shift in ((self._actor, self._target, self._shift), self._alone):
            if actor is not None:
                actor.mapper.dataset.points = (target + factor * shift).astype(np.float32)
        self.stage.lower((factor - 1.0) / max(self.show.factor - 1.0, 1e-9))
        self._factor = factor

    def frame(self, share: float) -> Canvas:
        """Return the picture at a share of the film, 0 to 1."""
        eye = self.flight.at(share)
        apart = apart_at(share)
        self._exaggerated(factor_at(self.show.factor, share))
        for name in _TAKEN_APART:
            self._taken.actors[name].SetPosition(*(apart * APART[name] * self._taken.up))
        self._taken.actors["mortar"].SetVisibility(apart > 0.0)
        plain = LAYERS[0] <= share < LAYERS[1]
        for actor in (self._actor, self._alone[0]):
            if actor is not None:  # while the layers are apart, each has a colour of its own
                actor.mapper.SetScalarVisibility(not plain)
                actor.prop.color = self.palette.slab
        # room above for what is lifted, and beside it for labels and sentences
        aside = eased((share - 0.45) / 0.09)
        way = eye.focus - eye.eye
        right = np.cross(way, [0.0, 0.0, 1.0])
        right /= np.linalg.norm(right)
        shift = aside * (1.35 * right + [0.0, 0.0, 0.55])
        self.stage.look(eye.eye + shift, eye.focus + shift)
        canvas = Canvas(self.stage.shot(), self.palette)
        caption = caption_at(self.show, self.flight, share, self.stage.lowered_now)
        if apart > 0.85:
            self._labels(canvas, apart)
        if share < MARKED_UNTIL:
            self._marks(canvas)
        _write(canvas, self.show, caption, share)
        return canvas

    def _marks(self, canvas: Canvas) -> None:
        """Mark the slabs that are out, by name where there is room."""
        section = self.show.section
        slabs = np.flatnonzero((section.verdict == OUT) & np.isin(np.arange(len(section)), self.slabs))
        if not len(slabs):
            return
        order = slabs[np.argsort(-np.abs(np.nan_to_num(self.show.layer.amount[slabs])), kind="stable")]
        points = section.target_position[order] - self.flight.origin
        taken: list[tuple[float, float]] = []
        for slab, (x, y) in zip(order, self.stage.on_page(points) / canvas.step, strict=True):
            name = visible(str(section.slab_names[slab]))
            half = 0.5 * canvas.text_width(name, 14.0, "bold") + 8.0
            top = y - 62.0
            if not (half < x < canvas.width - half and top > 160.0 and y < canvas.height - 100.0):
                continue
            canvas.line([(x, y), (x, top + 13.0)], width=1.6)
            canvas.dot(x, y, 4.5, canvas.palette.accent)
            if len(taken) < MOST_NAMES and all(x + half < low or x - half > high for low, high in taken):
                taken.append((x - half, x + half))
                canvas.panel(x - half, top - 13.0, x + half, top + 13.0, 1.0)
                canvas.text(x, top, name, 14.0, weight="bold", align="m")

    def _labels(self, canvas: Canvas, apart: float) -> None:
        """Name the layers while they are apart."""
        parts = list(self._taken.parts.values())
        holds = [self._taken.holds[p.name] + apart * p.lift * self._taken.up for p in parts]
        label_parts(canvas, parts, self.stage.on_page(holds) / canvas.step, top=96.0, bottom=canvas.height - 116.0)

    def pictures(self, said: Callable[[float], None] = lambda share: None) -> Iterator[Pixels]:
        """Yield all pictures in order."""
        rest: Pixels | None = None
        for number in range(self.frames):
            share = number / (self.frames - 1)
            said(share)
            if rest is None:
                canvas = self.frame(share)
                canvas.faded(max(1.0 - number / 10.0, 0.0))
                pixels = np.ascontiguousarray(canvas.pixels)
                rest = pixels if share >= RESTING else None
            yield pixels

    def close(self) -> None:
        """Give back what the film holds."""
        self.stage.close()


def _write(canvas: Canvas, show: Show, caption: Caption, share: float) -> None:
    """Write a caption onto a picture: a band below, the title at the beginning, the sentences at the end."""
    low = canvas.height - 92.0
    canvas.panel(0.0, low, canvas.width, canvas.height, 0.90, 0.0)
    half = 0.5 * canvas.width
    canvas.text(28.0, low + 24.0, canvas.shortened(caption.where, 17.0, half - 40.0, "bold"), 17.0, weight="bold")
    room = half - 40.0 if caption.colours else canvas.width - 56.0
    told = canvas.shortened(caption.exaggeration, 13.5, room, "bold")
    canvas.text(28.0, low + 48.0, told, 13.5, weight="bold", colour=canvas.palette.accent)
    canvas.text(28.0, low + 72.0, canvas.shortened(caption.known, 11.5, canvas.width - 56.0), 11.5,
                colour=canvas.palette.muted)  # fmt: skip
    if caption.colours:
        canvas.colour_scale(half + 60.0, low + 32.0, half - 96.0, scale_words(show))
        canvas.text(half + 60.0, low + 18.0, canvas.shortened(caption.colours, 12.0, half - 96.0), 12.0)
    if caption.title:
        seen = 1.0 - eased((share - TITLE_UNTIL + 0.03) / 0.03)
        if seen > 0.5:
            canvas.panel(28.0, 32.0, canvas.width - 28.0, 142.0, 0.92)
            canvas.text(52.0, 72.0, canvas.shortened(show.title, 34.0, canvas.width - 104.0, "bold"), 34.0,
                        weight="bold")  # fmt: skip
            canvas.text(52.0, 114.0, canvas.shortened(show.subtitle, 16.0, canvas.width - 104.0), 16.0,
                        colour=canvas.palette.muted)  # fmt: skip
    if caption.story:
        story_panel(canvas, caption.story, 40.0, 28.0)


def write_film(
    path: Path, film: Film, inputs: Sequence[Path], title: str, said: Callable[[float], None] = lambda share: None
) -> None:
    """Write a film as MP4 (H.264), in one piece.

    Parameters
    ----------
    path : Path
    film : Film
    inputs : sequence of Path
        Files that must not be replaced.
    title : str
        Written into the file.
    said : function of a share
        Told how far it has come.

    Raises
    ------
    SlabposeError
        If the library is not installed.
    InputError
        If the path is one of the inputs or cannot be written.
    """
    library = film_library()
    with TemporaryDirectory() as folder:
        made = Path(folder) / "film.mp4"
        writer = library.write_frames(
            str(made), film.size, fps=FRAMES_A_SECOND, codec="libx264", pix_fmt_in="rgb24", pix_fmt_out="yuv420p",
            quality=None, bitrate=None, macro_block_size=_BLOCK, ffmpeg_log_level="error",
            output_params=["-crf", "20", "-preset", "medium", "-movflags", "+faststart", "-metadata", f"title={title}"],
        )  # fmt: skip
        writer.send(None)
        for picture in film.pictures(said):
            writer.send(picture)
        writer.close()
        with one_piece(path, inputs) as file:
            file.write(made.read_bytes())
