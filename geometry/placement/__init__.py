"""Built against designed: deviations, joints, verdicts, moves."""

from .check import NOTES, UNJUDGED, CheckRules, SectionCheck, check_section
from .correction import Moves
from .joints import Joints, joint_gaps
from .verdict import (
    JOINT_QUANTITIES,
    NOT_MEASURED,
    OUT,
    QUANTITY_WORDS,
    SLAB_QUANTITIES,
    UNDECIDED,
    VERDICTS,
    WITHIN,
    Judged,
    Quantity,
    Tolerance,
    decide,
)

__all__ = [
    "JOINT_QUANTITIES",
    "NOTES",
    "NOT_MEASURED",
    "OUT",
    "QUANTITY_WORDS",
    "SLAB_QUANTITIES",
    "UNDECIDED",
    "UNJUDGED",
    "VERDICTS",
    "WITHIN",
    "CheckRules",
    "Joints",
    "Judged",
    "Moves",
    "Quantity",
    "SectionCheck",
    "Tolerance",
    "check_section",
    "decide",
    "joint_gaps",
]
