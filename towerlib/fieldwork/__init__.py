"""The next field visit: selected towers, probe layouts, and forms to fill in."""

from towerlib.fieldwork.visits import FieldSheet, prepare

__all__ = ["FieldSheet", "prepare"]
