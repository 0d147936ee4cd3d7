"""Yes, no and not recorded, as plain true and false."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import pandas as pd


def yes(answers: pd.Series) -> pd.Series:
    """True where a yes/no column is yes; a blank is not a yes."""
    return answers.eq(True).fillna(False).astype(bool)


def no(answers: pd.Series) -> pd.Series:
    """True where a yes/no column is no; a blank is not a no."""
    return answers.eq(False).fillna(False).astype(bool)
