"""The next visit to a line: which towers, where the probes go, what to write down and in which form."""

from towerlib.fieldwork.prepare import FieldSheet, prepare

__all__ = ["FieldSheet", "prepare"]
