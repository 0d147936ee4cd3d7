"""Marks, classes and changes: what a layer of the page is made of."""

from dataclasses import dataclass

import numpy as np
import pandas as pd
from matplotlib.colors import to_hex

from towerlib.publish import markers, scales
from towerlib.publish.lettering import plain
from towerlib.publish.style import COLOURS


@dataclass(frozen=True)
class Look:
    """Mark of one class: words of the legend, shape as the chart library names it, colour ("" hollow), size."""

    label: str
    marker: str
    colour: str
    size: float = 1.0
    bounded: bool = False  # the value is at least this


@dataclass(frozen=True)
class Layer:
    """One thing to show of all towers.

    Attributes
    ----------
    key, name, meaning : str
        Name in the page, in the list of layers, and what it says in sentences.
    axis, unit : str
        Title of the axis of the profile, and the unit behind a value.
    looks : tuple of Look
        Classes; the last drawn on top.
    changes : pandas.DataFrame
        tower, month (months since the year 0), kind (place in `looks`), value, low, high; a row stands until
        the next of its tower.
    rows : dict of float to str
        Texts at the axis of the profile.
    log, dated : bool
        Whether the axis is logarithmic, and whether the layer has a history.
    steps : dict of str to array
        Lines along the route: target, limit.
    """

    key: str
    name: str
    meaning: str
    axis: str
    unit: str
    looks: tuple
    changes: pd.DataFrame
    rows: dict
    log: bool = False
    dated: bool = False
    steps: tuple = ()


def class_look(name, marker, label=None, **more):
    """Mark of a class in the colour that it has in every picture.

    Parameters
    ----------
    name : str
        Key of `markers.MARKS`.
    marker : str
        Shape, as the chart library names it.
    label : str, optional
        Words of the legend; else the name.
    **more
        Passed to `Look`.

    Returns
    -------
    Look
    """
    mark = markers.MARKS[name]
    return Look(label or name, marker, to_hex(mark.colour), mark.size if marker != "circle" else 1.0, **more)


def by_share(label, marker, share, size=1.2):
    """Mark in a colour of the scale, 1 the worst.

    Parameters
    ----------
    label, marker : str
        Words of the legend, and shape.
    share : float
        Place in the scale of colours, 0 to 1.
    size : float
        Against a plain circle.

    Returns
    -------
    Look
    """
    return Look(label, marker, to_hex(COLOURS(share)), size)


NOT_TESTED = Look("not tested", "circle_x", "", 0.9)


def placed(changes, condition):
    """Changes with the place of the tower along the route; those without a month stand from the first on.

    Parameters
    ----------
    changes : pandas.DataFrame
        tower_id, kind, value and what else a layer has.
    condition : pandas.DataFrame
        One row a tower, in route order.

    Returns
    -------
    pandas.DataFrame
        As `Layer.changes`.
    """
    place = pd.Series(range(len(condition)), condition["tower_id"])
    found = changes.assign(tower=changes["tower_id"].map(place)).reindex(
        columns=["tower", "month", "kind", "value", "low", "high", "date"]
    )
    found = found[found["tower"].notna()].astype({"tower": int, "kind": int})
    return found.assign(month=found["month"].fillna(0).astype(int)).sort_values(
        ["tower", "month"], kind="stable"
    )


def round_rows(*tables):
    """Round numbers of a logarithmic axis that holds all positive values.

    Parameters
    ----------
    *tables : pandas.DataFrame
        Numbers, blank where there are none.

    Returns
    -------
    dict of float to str
    """
    numbers = np.concatenate([table.to_numpy("float64").ravel() for table in tables])
    numbers = numbers[np.isfinite(numbers) & (numbers > 0)]
    low, high = (numbers.min() / 1.2, numbers.max() * 1.2) if len(numbers) else (1.0, 100.0)
    found = scales.round_numbers(low, high)
    low, high = (low, high) if len(found) > 1 else (low / 10, high * 10)
    return {float(number): plain(number) for number in scales.round_numbers(low, high)}
