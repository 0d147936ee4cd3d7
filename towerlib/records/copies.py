"""Rows that stand twice: a file that was sent again, a table that was pasted twice, two rows that claim one name."""

import numpy as np
import pandas as pd

from towerlib.records import ledger

_PLACE = ("_file", "_row")
_MIX = np.uint64(0x9E3779B97F4A7C15)  # odd, so that no bit is lost: 2^64 over the golden ratio


def claimed_twice(rows, key):
    """Rows whose name stands more than once: true copies after the first, and all that differ.

    Parameters
    ----------
    rows : pandas.DataFrame
    key : list of str
        Columns that name a row.

    Returns
    -------
    pandas.DataFrame
        In the form of `towerlib.records.ledger.flaws`.
    """
    if rows.empty:
        return ledger.none()
    codes = [_codes(rows[name], name) for name in key]  # -1 where blank: such a row claims nothing
    named = np.all([code >= 0 for code in codes], axis=0)
    whole = np.ravel_multi_index([code[named] for code in codes], [code.max() + 2 for code in codes])
    twice = np.zeros(len(rows), bool)
    twice[named] = pd.Series(whole).duplicated(keep=False)
    if not twice.any():
        return ledger.none()
    names = pd.Series(whole[twice[named]], index=rows.index[twice])
    shared = rows.loc[names.index]
    content = [name for name in rows if name not in _PLACE]
    copies = shared[shared.duplicated(content)]
    rest = names.drop(index=copies.index)
    differing = rest[rest.duplicated(keep=False)]
    bad = shared.index[shared.index.isin(copies.index) | shared.index.isin(differing.index)]
    spots = _spots(shared, names)
    reason = (
        "stands more than once with different contents ("
        + spots
        + f"); give each its own {' and '.join(key)}, or delete the wrong one"
    )
    reason = reason.mask(
        shared.index.isin(copies.index), "is a copy of another row (" + spots + "); the first is used"
    )
    return ledger.flaws(bad, key[0], shared.loc[bad, key[0]], reason.loc[bad])


def twice(rows, codes=None):
    """Rows without a name of their own that repeat another row in every cell.

    Parameters
    ----------
    rows : pandas.DataFrame
    codes : array of int, optional
        Which tower or visit each row belongs to.

    Returns
    -------
    pandas.DataFrame
        In the form of `towerlib.records.ledger.flaws`.
    """
    if len(rows) < 2 or _climbs(rows, codes):
        return ledger.none()
    likely = pd.Series(_mixed(rows, codes)).duplicated(keep=False).to_numpy()
    if not likely.any():
        return ledger.none()
    shared = rows[likely]
    content = [name for name in rows if name not in _PLACE]
    shared = shared[shared.duplicated(content, keep=False)]
    bad = shared.index[shared.duplicated(content)]
    if bad.empty:
        return ledger.none()
    spots = _spots(shared, [shared[name] for name in content])
    first = content[0]
    value = shared.loc[bad, first].astype("str").fillna("")
    return ledger.flaws(
        bad, first, value, ("is a copy of another row (" + spots + "); the first is used").loc[bad]
    )


def _climbs(rows, codes):
    """Whether visit by visit the frequencies climb, as instruments export them: then no row can stand twice."""
    if codes is None or "frequency_hz" not in rows:
        return False
    steps, climb = np.diff(codes), np.diff(rows["frequency_hz"].to_numpy())
    return bool(((steps > 0) | ((steps == 0) & (climb > 0))).all())


def _mixed(rows, codes):
    """A number for each row, the same for rows with the same numbers and codes: cheaper than comparing texts."""
    mixed = np.zeros(len(rows), np.uint64) if codes is None else codes.astype(np.uint64)
    for name in rows:
        if name not in _PLACE and rows[name].dtype.kind in "fM":
            numbers = rows[name].to_numpy(
                dtype="float64" if rows[name].dtype.kind == "f" else "datetime64[ns]"
            )
            mixed = (mixed ^ (mixed >> np.uint64(29))) * _MIX + numbers.view(np.uint64)
    return mixed


def _codes(names, column):
    """A number for each name; legs without case, spaces and the word itself, for leg A and a are one leg."""
    codes, distinct = pd.factorize(names)
    if column != "leg":
        return codes
    folded, _ = pd.factorize(
        np.array([leg.casefold().removeprefix("leg").strip(" .:-_") or leg for leg in distinct], object)
    )
    return np.append(folded, -1)[codes]


def _spots(rows, groups):
    """Where the rows of each group stand: at most three places."""
    place = rows["_file"] + " row " + rows["_row"].astype("str")
    return place.groupby(groups, dropna=False).transform(_listed)


def _listed(spots):
    """At most three places for a sentence."""
    shown = " and ".join(spots.iloc[:3])
    return shown if len(spots) < 4 else f"{shown} and {len(spots) - 3} more"
