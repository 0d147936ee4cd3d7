"""What a reading of a method is of, and whether it lay within the range of the instrument."""

from __future__ import annotations

import pandas as pd

SEES = {
    "leg coils": "footing alone",
    "shield wire lifted": "footing alone",
    "no coils": "footing and shield wires",
}
FOOTING_ALONE = tuple(method for method, seen in SEES.items() if seen == "footing alone")


def bound(visits: pd.DataFrame) -> pd.Series:
    """Whether each reading lies below ("<") or beyond (">") the range of the instrument; "" within it.

    Parameters
    ----------
    visits : pandas.DataFrame
        Visits, with ``impedance_ohm_bound`` where any reading was a bound.

    Returns
    -------
    pandas.Series of str
        In the index of `visits`.

    Examples
    --------
    >>> bound(pd.DataFrame({"impedance_ohm_bound": [">", None]})).tolist()
    ['>', '']
    >>> bound(pd.DataFrame({"impedance_ohm": [8.0]})).tolist()
    ['']
    """
    if "impedance_ohm_bound" in visits:
        return visits["impedance_ohm_bound"].astype("str").fillna("")
    return pd.Series("", visits.index, dtype="str")
