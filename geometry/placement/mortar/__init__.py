"""What lies under the slabs before the mortar goes in: bed, gap, anchors, volumes."""

from .anchors import AnchorRings, Anchors, anchor_rings, match_anchors
from .batches import Batches, plan_batches
from .bed import Bed, build_bed
from .bed_map import BedMap, map_bed
from .designed import BEDS, DesignedGaps, designed_field
from .gap import GapPlaces, Gaps, gap_rows, gaps_under
from .gap_field import gap_field, gaps_at
from .report import MortarLimits, MortarReport, Pose, mortar_report, posed

__all__ = [
    "BEDS",
    "AnchorRings",
    "Anchors",
    "Batches",
    "Bed",
    "BedMap",
    "DesignedGaps",
    "GapPlaces",
    "Gaps",
    "MortarLimits",
    "MortarReport",
    "Pose",
    "anchor_rings",
    "build_bed",
    "designed_field",
    "gap_field",
    "gap_rows",
    "gaps_at",
    "gaps_under",
    "map_bed",
    "match_anchors",
    "mortar_report",
    "plan_batches",
    "posed",
]
