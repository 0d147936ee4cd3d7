"""The next visit to a line: which towers, where the probes go, what to write down and in which form."""

from towerlib.fieldwork.visits import FieldSheet, prepare

__all__ = ["FieldSheet", "prepare"]
