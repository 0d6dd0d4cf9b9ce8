"""Slabs before they are measured: types, layout on the alignment, target poses."""

from .design_bed import DesignBed
from .layout import Allowed, Layout, LayoutFinding, LayoutRules, Span, check_layout, fill_spans
from .target import SEATINGS, Seating, SeatOffsets, Targets, seat_offsets, target_poses
from .types import Fitting, SlabType, outline, padded_marks

__all__ = [
    "SEATINGS",
    "Allowed",
    "DesignBed",
    "Fitting",
    "Layout",
    "LayoutFinding",
    "LayoutRules",
    "SeatOffsets",
    "Seating",
    "SlabType",
    "Span",
    "Targets",
    "check_layout",
    "fill_spans",
    "outline",
    "padded_marks",
    "seat_offsets",
    "target_poses",
]
