"""How the cells of visits and towers are read: methods of a test, the range of the instrument, yes and no."""

from __future__ import annotations

from typing import cast

import pandas as pd

SEES = {
    "leg coils": "footing alone",
    "shield wire lifted": "footing alone",
    "no coils": "footing and shield wires",
}
FOOTING_ALONE = tuple(method for method, seen in SEES.items() if seen == "footing alone")


def bound(visits: pd.DataFrame) -> pd.Series:
    """Side of the range on which each reading lies: below ("<") it, beyond (">") it, or "" within it."""
    if "impedance_ohm_bound" in visits:
        return cast("pd.Series", visits["impedance_ohm_bound"].astype("str").fillna(""))
    return pd.Series("", visits.index, dtype="str")


def yes(answers: pd.Series) -> pd.Series:
    """True where a yes/no column is yes; a blank is not a yes."""
    return answers.eq(True).fillna(False).astype(bool)


def no(answers: pd.Series) -> pd.Series:
    """True where a yes/no column is no; a blank is not a no."""
    return answers.eq(False).fillna(False).astype(bool)
