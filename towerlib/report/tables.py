"""Tables for reading: rounded, with units in the header and a caption."""

from __future__ import annotations

from collections.abc import Mapping
from html import escape
from typing import cast

import pandas as pd

from towerlib.text import grouped

READING, ESTIMATE = 4, 2  # significant figures of what was read, and of what was worked out
NONE = "–"


class Table(pd.DataFrame):
    """A table for reading; what is computed from it is a plain `pandas.DataFrame`.

    A class of its own only because a caption has to travel with the table, and because the ``Styler`` of pandas
    shows an address in memory where a notebook shows text.
    """

    @property
    def caption(self) -> str:
        """What the table shows, or why it has no rows."""
        return str(self.attrs.get("caption", ""))

    def __repr__(self) -> str:
        if self.empty:
            return self.caption
        text = self.to_string(index=False, na_rep=NONE, float_format=_shown)
        return f"{self.caption}\n{text}"

    def _repr_html_(self) -> str:
        if self.empty:
            return f"<p>{escape(self.caption)}</p>"
        with pd.option_context("display.max_colwidth", None):
            html = self.to_html(index=False, border=0, na_rep=NONE, float_format=_shown)
        head, tag, rest = html.partition('class="dataframe">')
        return f"{head}{tag}\n  <caption>{escape(self.caption)}</caption>{rest}"


def table(
    frame: pd.DataFrame,
    columns: Mapping[str, str],
    caption: str,
    *,
    rows: int | None = None,
    estimates: tuple[str, ...] = (),
    amounts: tuple[str, ...] = (),
) -> Table:
    """Rounded table of some columns.

    `caption`: What the table shows. It says how many rows are left out, if any are.

    >>> towers = pd.DataFrame({"tower_id": ["012", "7"], "footing_ohm": [3.14159, None]})
    >>> table(towers, {"tower_id": "tower", "footing_ohm": "footing [Ω]"}, "Footings")
    Footings
    tower  footing [Ω]
      012        3.142
        7            –
    """
    shown = frame[list(columns)].head(len(frame) if rows is None else rows).reset_index(drop=True).copy()
    for name in shown.columns:
        column = cast("pd.Series", shown[name])
        if pd.api.types.is_datetime64_any_dtype(column):
            shown[name] = column.dt.strftime("%Y-%m-%d").astype("object").where(column.notna(), NONE)
        elif pd.api.types.is_bool_dtype(column) or pd.api.types.is_string_dtype(column):
            shown[name] = column.astype("object").where(column.notna(), NONE)
        elif name in amounts:
            shown[name] = column.astype("float64").round()
        elif pd.api.types.is_float_dtype(column) or bool(column.isna().any()):
            digits = ESTIMATE if name in estimates else READING
            shown[name] = [_rounded(value, digits) for value in column.astype("float64")]
    left = len(frame) - len(shown)
    found = Table(shown.set_axis(list(columns.values()), axis=1))
    found.attrs["caption"] = caption + (f" ({left} more not shown)" if left else "")
    return found


def nothing(caption: str) -> Table:
    """Table without rows that says why."""
    found = Table()
    found.attrs["caption"] = caption
    return found


def _rounded(value: float, digits: int) -> float:
    """A number to so many significant figures."""
    return float(f"{value:.{digits}g}") + 0.0  # no -0


def _shown(value: float) -> str:
    """A rounded number as people read it."""
    return grouped(value) if abs(value) >= 1000 else f"{value:.{READING}g}"
