"""Methods of a test: what each one reads, and whether a reading lay within the range of the instrument."""

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
    """Side of the range on which each reading lies: below ("<") it, beyond (">") it, or "" within it.

    >>> bound(pd.DataFrame({"impedance_ohm_bound": [">", None]})).tolist()
    ['>', '']
    """
    if "impedance_ohm_bound" in visits:
        return cast("pd.Series", visits["impedance_ohm_bound"].astype("str").fillna(""))
    return pd.Series("", visits.index, dtype="str")
