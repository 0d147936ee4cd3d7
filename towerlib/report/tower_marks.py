"""What a picture shows of each tower: its kind, its value, and the words for them."""

from collections.abc import Iterator
from typing import Any, cast

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from towerlib.condition import ABOVE_BY_LOWER_LIMIT, ABOVE_LIMIT
from towerlib.report.style import BOUNDED, CLASSES, RINGS
from towerlib.text import listed, plain

NAMED = 10  # worst towers labelled in a picture
IMPEDANCE, GAP_FRACTION = "Footing impedance [Ω]", "Gap fraction [gap / sum]"
GAP_MEANING = "gap = arithmetic sum of leg currents − vector total; an indicator, not a fault."
TESTED = ["good", "acceptable", "upper limit only", "above limit"]

COLUMNS = [  # of the condition that a chart looks at
    *("tower_id", "chainage_km", "impedance_class", "impedance_rank", "target_ohm", "limit_ohm"),
    *("footing_ohm", "footing_low_ohm", "footing_high_ohm", "lower_bound_ohm"),
    *("leakage_sum_ma", "leakage_total_ma", "gap_ma", "gap_fraction", "gap_rank", "ring"),
]


def with_value(condition: pd.DataFrame) -> pd.DataFrame:
    """Condition with what a picture of the footing impedance shows of each tower.

    Adds ``kind`` (a key of `style.CLASSES`), ``value_ohm`` (the impedance, else its lower limit) and ``words``. The
    condition may have no columns if it has no rows.

    >>> import pandas as pd
    >>> ohm = {"footing_ohm": [3, None], "lower_bound_ohm": [None, 7]}
    >>> towers = pd.DataFrame({"impedance_class": ["good", "lower limit only"]} | ohm)
    >>> with_value(towers)["words"].tolist()
    ['3 Ω', '> 7 Ω']
    """
    towers = condition if len(condition.columns) else condition.reindex(columns=COLUMNS)
    footing, bound = towers["footing_ohm"].astype("float64"), towers["lower_bound_ohm"].astype("float64")
    kind = towers["impedance_class"].astype("object").fillna("not tested")
    kind = kind.mask((kind == ABOVE_LIMIT) & footing.isna() & bound.notna(), ABOVE_BY_LOWER_LIMIT)
    bounded = kind.isin(BOUNDED)
    value = footing.mask(bounded, bound).mask(kind == "not tested")
    words = [
        f"{'> ' if at_least else ''}{plain(ohm)} Ω" for at_least, ohm in zip(bounded, value, strict=True)
    ]
    return towers.assign(kind=kind, value_ohm=value, words=words)


def worst(towers: pd.DataFrame, rank: str, most: int) -> pd.DataFrame:
    """The first `most` towers of a rank, 1 the worst; those without a rank are left out.

    >>> import pandas as pd
    >>> towers = pd.DataFrame({"tower_id": ["T1", "T2", "T3"], "rank": [2, None, 1]})
    >>> worst(towers, "rank", 5)["tower_id"].tolist()
    ['T3', 'T1']
    """
    order = cast("pd.Series", towers[rank].astype("float64").dropna()).sort_values(kind="stable").index
    return towers.loc[order[:most]]


def counts(towers: pd.DataFrame) -> str:
    """How many towers there are and how many were tested, in words."""
    number = towers["kind"].value_counts()
    tested = sum(int(number.get(name, 0) or 0) for name in TESTED)
    bound, none = sum(int(number.get(name, 0) or 0) for name in BOUNDED), number.get("not tested", 0)
    towers_words = "1 tower" if len(towers) == 1 else f"{len(towers)} towers"
    return f"{towers_words}: {tested} with an impedance, {bound} lower limit only, {none} not tested."


def left_out(towers: pd.DataFrame) -> list[str]:
    """Sentences on towers that a logarithmic picture along the route cannot show; blank where there are none."""
    negative = towers.loc[towers["value_ohm"] <= 0, "tower_id"]
    nowhere = towers.loc[towers["chainage_km"].isna(), "tower_id"]
    return [
        f"Not drawn, reading at or below zero: {listed(negative)}." if len(negative) else "",
        f"Not drawn, no chainage: {listed(nowhere)}." if len(nowhere) else "",
    ]


def ring_words(towers: pd.DataFrame) -> pd.Series:
    """Key of `style.RINGS` for each tower; without a record it counts as without a ring."""
    without, joined = RINGS
    joins = towers["ring"].astype("boolean").fillna(False).to_numpy(bool)
    return pd.Series(np.where(joins, joined, without), towers.index)


def limit_words(word: str, ohm: ArrayLike) -> str:
    """Name of a limit with its value [Ω], or with its range where it differs from tower to tower.

    >>> limit_words("limit", np.array([15.0, np.nan, 15.0]))
    'limit 15 Ω'
    """
    low, high = plain(np.nanmin(ohm)), plain(np.nanmax(ohm))
    return f"{word} {low} Ω" if low == high else f"{word}, by tower\n{low} to {high} Ω"


def class_labels(towers: pd.DataFrame) -> dict[str, str]:
    """Label of each key of `style.CLASSES`, with target and limit where all towers share them.

    >>> import pandas as pd
    >>> class_labels(pd.DataFrame({"target_ohm": [5.0, 5.0], "limit_ohm": [15.0, 30.0]}))["good"]
    'good, up to 5 Ω'
    """
    labels = {name: look.label for name, look in CLASSES.items()}
    for name, column in {"good": "target_ohm", "acceptable": "limit_ohm"}.items():
        ohm = towers[column].astype("float64").dropna().unique() if column in towers else []
        if len(ohm) == 1:
            labels[name] += f", up to {plain(ohm[0])} Ω"
    return labels


def each(table: pd.DataFrame) -> Iterator[Any]:
    """Rows of a table, with the columns as attributes.

    >>> import pandas as pd
    >>> [row.tower_id for row in each(pd.DataFrame({"tower_id": ["12A"]}))]
    ['12A']
    """
    return iter(table.itertuples())


def number_of(mask: ArrayLike) -> int:
    """How many are true.

    >>> number_of([True, False, True])
    2
    """
    return int(np.count_nonzero(np.asarray(mask, bool)))
