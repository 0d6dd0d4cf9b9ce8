"""Why a slab is not ready for injection, and what to do about each."""

from __future__ import annotations

from collections.abc import Mapping
from enum import IntFlag
from typing import Final

__all__ = ["NEXT_STEPS", "NOTHING", "REASON_WORDS", "Reason"]


class Reason(IntFlag):
    """Why a slab is not ready; bits, in the order in which they are told."""

    ABSENT = 1 << 0
    TOO_FEW = 1 << 1
    NO_CHECK = 1 << 2
    CONTRADICTED = 1 << 3
    SETUP = 1 << 4
    AGE_UNKNOWN = 1 << 5
    AHEAD = 1 << 6
    OLD = 1 << 7
    POSE_OUT = 1 << 8
    POSE_UNDECIDED = 1 << 9
    PLANNED_MOVE = 1 << 10
    REAR_OUT = 1 << 11
    REAR_UNDECIDED = 1 << 12
    REAR_UNKNOWN = 1 << 13
    FRONT_OUT = 1 << 14
    FRONT_UNDECIDED = 1 << 15
    FRONT_UNKNOWN = 1 << 16
    GAP_UNKNOWN = 1 << 17
    GAP_SMALL = 1 << 18
    GAP_LARGE = 1 << 19
    GAP_UNDECIDED = 1 << 20
    ANCHOR_UNKNOWN = 1 << 21
    ANCHOR_OUT = 1 << 22
    ANCHOR_UNDECIDED = 1 << 23
    BED_OUT = 1 << 24
    RAIL_OUT = 1 << 25
    RAIL_UNDECIDED = 1 << 26
    BOWED = 1 << 27
    HEAT = 1 << 28


NOTHING: Final = Reason(0)
REASON_WORDS: Final[Mapping[Reason, str]] = {
    Reason.ABSENT: "not measured",
    Reason.TOO_FEW: "too few corners",
    Reason.NO_CHECK: "three corners only",
    Reason.CONTRADICTED: "survey contradicts itself",
    Reason.SETUP: "set-up in doubt",
    Reason.AGE_UNKNOWN: "time of measurement unknown",
    Reason.AHEAD: "measured later than the time asked for",
    Reason.OLD: "measurement too old",
    Reason.POSE_OUT: "pose out",
    Reason.POSE_UNDECIDED: "pose undecided",
    Reason.PLANNED_MOVE: "the plan moves it",
    Reason.REAR_OUT: "joint behind out",
    Reason.REAR_UNDECIDED: "joint behind undecided",
    Reason.REAR_UNKNOWN: "joint behind not measured",
    Reason.FRONT_OUT: "joint ahead out",
    Reason.FRONT_UNDECIDED: "joint ahead undecided",
    Reason.FRONT_UNKNOWN: "joint ahead not measured",
    Reason.GAP_UNKNOWN: "mortar gap not surveyed",
    Reason.GAP_SMALL: "mortar gap too small",
    Reason.GAP_LARGE: "mortar gap too large",
    Reason.GAP_UNDECIDED: "mortar gap undecided",
    Reason.ANCHOR_UNKNOWN: "anchor clearance not known",
    Reason.ANCHOR_OUT: "anchor too close to the notch",
    Reason.ANCHOR_UNDECIDED: "anchor clearance undecided",
    Reason.BED_OUT: "bed out",
    Reason.RAIL_OUT: "rail over it out",
    Reason.RAIL_UNDECIDED: "rail over it undecided",
    Reason.BOWED: "bowed",
    Reason.HEAT: "within only while curled by heat",
}

_MEASURE = "Measure all corners of the slab"
_MEND = "Move by the correction plan (slabpose plan), press down, measure again"
_JOINT = "Move one of its two slabs by the correction plan (slabpose plan), measure both again"
_BOTH = "Measure both slabs of the joint again, from one set-up"
NEXT_STEPS: Final[Mapping[Reason, str]] = {
    Reason.ABSENT: f"{_MEASURE}.",
    Reason.TOO_FEW: f"{_MEASURE}: three corners not on one line are the least.",
    Reason.NO_CHECK: "Measure the fourth corner, so that a wrong height shows.",
    Reason.CONTRADICTED: "Read what was found in the survey (slabpose check), set names right or measure again.",
    Reason.SETUP: "Solve the set-up again without what is wrong in it (slabpose setup), or set up and measure again.",
    Reason.AGE_UNKNOWN: "Give the time of each point in the survey file, or measure again.",
    Reason.AHEAD: "Look at the instrument's clock and at --at: no measurement comes after the injection it is for.",
    Reason.OLD: "Measure again, shortly before injection and after pressing down.",
    Reason.POSE_OUT: f"{_MEND}.",
    Reason.POSE_UNDECIDED: "Measure again, with a second set-up or a better one, or move closer to the target.",
    Reason.PLANNED_MOVE: "Make the moves of the plan, press down, measure it and its neighbours again.",
    Reason.REAR_OUT: f"{_JOINT}.",
    Reason.FRONT_OUT: f"{_JOINT}.",
    Reason.REAR_UNDECIDED: f"{_BOTH}.",
    Reason.FRONT_UNDECIDED: f"{_BOTH}.",
    Reason.REAR_UNKNOWN: "Place and measure the slab behind before this one is injected.",
    Reason.FRONT_UNKNOWN: "Place and measure the slab ahead before this one is injected.",
    Reason.GAP_UNKNOWN: "Survey the bed under the slab; or measure by hand and say so ([[ready.waived]]).",
    Reason.GAP_SMALL: "Grind the bed where it is high, or raise the slabs within their tolerance by the plan.",
    Reason.GAP_LARGE: "Fill the bed where it is low, or lower the slabs within their tolerance by the plan.",
    Reason.GAP_UNDECIDED: "Survey the bed under the slab more densely, or measure the gap by hand.",
    Reason.ANCHOR_UNKNOWN: "Survey the anchors, give their limits; or measure by hand and say so ([[ready.waived]]).",
    Reason.ANCHOR_OUT: "Move the slab within its tolerance, or have the anchor looked at by the designer.",
    Reason.ANCHOR_UNDECIDED: "Measure the clearance between anchor and notch by hand.",
    Reason.BED_OUT: "See where the bed is too high or too low (slabpose mortar) before the gap decides.",
    Reason.RAIL_OUT: "Move slabs by the plan, or see whether fasteners can mend it (slabpose rail).",
    Reason.RAIL_UNDECIDED: "Measure the slabs under the chord again, or see what fasteners can mend (slabpose rail).",
    Reason.BOWED: "Lay a straightedge on the slab, measure again in the cool of the morning; tell its maker.",
    Reason.HEAT: "Measure again when top and underside are equally warm, before sunrise or under cover.",
}
