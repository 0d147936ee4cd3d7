"""Yes, no and not recorded, as plain true and false."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import pandas as pd


def yes(answers: pd.Series) -> pd.Series:
    """True where a yes/no column is yes; a blank is not a yes.

    Parameters
    ----------
    answers : Series of boolean
        With NA where nothing was recorded.

    Returns
    -------
    Series of bool

    Examples
    --------
    >>> import pandas as pd
    >>> yes(pd.Series([True, False, None], dtype="boolean")).tolist()
    [True, False, False]
    """
    return answers.eq(True).fillna(False).astype(bool)


def no(answers: pd.Series) -> pd.Series:
    """True where a yes/no column is no; a blank is not a no.

    Parameters
    ----------
    answers : Series of boolean
        With NA where nothing was recorded.

    Returns
    -------
    Series of bool

    Examples
    --------
    >>> import pandas as pd
    >>> no(pd.Series([True, False, None], dtype="boolean")).tolist()
    [False, True, False]
    """
    return answers.eq(False).fillna(False).astype(bool)
