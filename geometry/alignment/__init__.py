"""The design alignment: elements, evaluation, projection, chainage."""

from .alignment import Alignment, AllowedJump, Joint, TrackRules, build
from .chainage import ChainageCount, chainage_count, format_chainage
from .elements import (
    CANT_KINDS,
    HORIZONTAL_KINDS,
    VERTICAL_KINDS,
    CantElement,
    HorizontalElement,
    VerticalElement,
)
from .projection import PLACES, Projection, project
from .stations import (
    Stations,
    TrackFrames,
    evaluate,
    position,
    roll_of_cant,
    track_frame,
    true_length,
    true_length_to_distance,
)

__all__ = [
    "CANT_KINDS",
    "HORIZONTAL_KINDS",
    "PLACES",
    "VERTICAL_KINDS",
    "Alignment",
    "AllowedJump",
    "CantElement",
    "ChainageCount",
    "HorizontalElement",
    "Joint",
    "Projection",
    "Stations",
    "TrackFrames",
    "TrackRules",
    "VerticalElement",
    "build",
    "chainage_count",
    "evaluate",
    "format_chainage",
    "position",
    "project",
    "roll_of_cant",
    "track_frame",
    "true_length",
    "true_length_to_distance",
]
