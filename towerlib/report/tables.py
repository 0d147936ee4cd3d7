"""Tables for reading: rounded, with units in the header and a caption."""

from __future__ import annotations

from functools import cache
from html import escape
from typing import cast

import pandas as pd

from towerlib.errors import SettingsError
from towerlib.safe_files import shipped_rows
from towerlib.text import grouped

READING, ESTIMATE = 4, 2  # significant figures of what was read, and of what was worked out
NONE = "–"


class Table(pd.DataFrame):
    """A table for reading; what is computed from it is a plain `pandas.DataFrame`.

    A class of its own because a caption has to travel with the table, and because the ``Styler`` of pandas shows an
    address in memory where a notebook shows text.
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


@cache
def _columns(name: str) -> list[dict[str, str]]:
    """Columns of a table for reading with header and digits, from ``headers.csv``."""
    return [row for row in shipped_rows("towerlib.report", "headers.csv") if row["table"] == name]


def table(name: str, frame: pd.DataFrame, caption: str, *, rows: int | None = None, **words: str) -> Table:
    """Rounded table with the columns that ``headers.csv`` gives to `name`; `words` fill its headers.

    An estimate has two significant figures, an amount none behind the point, every other number four. The caption
    says how many rows are left out, if any are.

    >>> towers = pd.DataFrame({"cause": ["012", "7"], "towers": [3.14159, None]})
    >>> table("causes", towers, "Causes")
    Causes
    suspected cause  towers
                012   3.142
                  7       –
    """
    if rows is not None and (isinstance(rows, bool) or not isinstance(rows, int) or rows < 1):
        raise SettingsError(f"rows = {rows!r}: a table shows a whole number of rows, 1 or more")
    columns = _columns(name)
    kinds = {row["column"]: row["digits"] for row in columns}
    shown = frame[list(kinds)].head(len(frame) if rows is None else rows).reset_index(drop=True).copy()
    for place, digits in kinds.items():
        column = cast("pd.Series", shown[place])
        if pd.api.types.is_datetime64_any_dtype(column):
            shown[place] = column.dt.strftime("%Y-%m-%d").astype("object").where(column.notna(), NONE)
        elif pd.api.types.is_bool_dtype(column) or pd.api.types.is_string_dtype(column):
            shown[place] = column.astype("object").where(column.notna(), NONE)
        elif digits == "amount":
            shown[place] = column.astype("float64").round()
        elif pd.api.types.is_float_dtype(column) or bool(column.isna().any()):
            figures = ESTIMATE if digits == "estimate" else READING
            shown[place] = [_rounded(value, figures) for value in column.astype("float64")]
    left = len(frame) - len(shown)
    found = Table(shown.set_axis([row["header"].format(**words) for row in columns], axis=1))
    found.attrs["caption"] = caption + (f" ({left} more not shown)" if left else "")
    return found


def in_money(currency: str) -> str:
    """End of a header of money; blank where the line has no currency."""
    return f" [{currency}]" if currency else ""


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
