"""Formulas on numbers and arrays: no tables, no settings, no records."""

from typing import Any, TypeAlias

FloatOrArray: TypeAlias = Any
"""Result of a formula on floats and arrays alike: a float for floats, an array for arrays.

No single type says that to a type checker without a cast at every use, so it is left open.
"""
