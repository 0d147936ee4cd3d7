"""Synthetic lines with known hidden defects, in the format of the records."""

from towerlib.simulate.demo import write, write_demo
from towerlib.simulate.lines import simulate_line

__all__ = ["simulate_line", "write", "write_demo"]
