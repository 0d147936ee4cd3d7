"""What a stretch of the line would read if a bond or a span were open, or a footing another."""

from towerlib.whatif.changed import Change, change, suspected_change
from towerlib.whatif.expected import Case, case_of, compare, drive, is_old, likely_drive, predict
from towerlib.whatif.places import Stretch, around, stretch
from towerlib.whatif.separation import telling

__all__ = [
    "Case",
    "Change",
    "Stretch",
    "around",
    "case_of",
    "change",
    "compare",
    "drive",
    "is_old",
    "likely_drive",
    "predict",
    "stretch",
    "suspected_change",
    "telling",
]
