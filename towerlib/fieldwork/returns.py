"""The tables that a crew fills in and sends back: rows with their names, everything else blank."""

import re

import pandas as pd

from towerlib.records.tables import schema

LETTERS = "ABCDEFGHIJKL"
MANGLED = r"[0-9]+([.,/:-][0-9]+)*|[0-9]+[eE][+-]?[0-9]+|[0-9]+[ ./-]*[^\W\d_]{3,}"  # a spreadsheet reads more into it


def visits(stops, study):
    """Rows of ``visits.csv`` to fill in.

    Parameters
    ----------
    stops : DataFrame
        One row a tower: tower_id, place.
    study : Assessment

    Returns
    -------
    pandas.DataFrame
        Every column of the table in the order of the data dictionary; visit_id and tower_id are filled in.

    Notes
    -----
    visit_id is V, year and month, and the tower's place on the route: V2606-012. It begins with a letter, or
    spreadsheets would make a date of it. A name that is taken gets a letter behind.
    """
    taken = set(study.records.visits["visit_id"])
    stem = f"V{study.month[2:4]}{study.month[5:]}"
    names = [_free(f"{stem}-{place:03d}", taken) for place in stops["place"]]
    return _blank("visits", {"visit_id": names, "tower_id": stops["tower_id"].to_list()})


def legs(stops, study):
    """Rows of ``legs.csv`` to fill in.

    Parameters
    ----------
    stops : DataFrame
        One row a tower: visit_id, tower_id, structure, leg_count.
    study : Assessment

    Returns
    -------
    pandas.DataFrame
        One row a leg, named as at the newest visit that read all legs, else A, B, C …
    """
    read = _read_legs(study)
    rows = [
        (stop.visit_id, leg)
        for stop in stops.itertuples()
        for leg in _names(read.get(stop.tower_id, []), _count(stop))
    ]
    return _blank("legs", {"visit_id": [row[0] for row in rows], "leg": [row[1] for row in rows]})


def armoured(table):
    """A table whose texts a spreadsheet leaves as they are.

    Parameters
    ----------
    table : pandas.DataFrame

    Returns
    -------
    pandas.DataFrame
        tower_id and leg with an apostrophe in front where a spreadsheet would make a number or a date of them,
        which the reader of records takes off again.

    Examples
    --------
    >>> armoured(pd.DataFrame({"tower_id": ["12A", "012", "12/1", "1E2", "7"]}))["tower_id"].to_list()
    ['12A', "'012", "'12/1", "'1E2", '7']
    """
    guarded = {
        name: [f"'{text}" if _mangled(text) else text for text in table[name]]
        for name in ("tower_id",)
        if name in table
    }
    return table.assign(**guarded)


def _mangled(text):
    """Whether a spreadsheet shows a name otherwise than it is written; a plain number stays what it is."""
    return bool(re.fullmatch(MANGLED, text)) and not re.fullmatch(r"0|[1-9][0-9]{0,14}", text)


def _free(name, taken):
    """A name that no visit has yet."""
    endings = ("", *(chr(letter) for letter in range(ord("b"), ord("z") + 1)))
    return next((name + ending for ending in endings if name + ending not in taken), f"{name}-{len(taken)}")


def _blank(table, filled):
    """A table of the data dictionary with some columns filled."""
    return pd.DataFrame(filled, dtype="str").reindex(columns=list(schema(table).columns)).astype("object")


def _read_legs(study):
    """Names of the legs at each tower's visit that read most of them, the newest of these."""
    told = study.records.legs.groupby("visit_id")["leg"].agg(list).rename("legs")
    seen = study.records.visits[["visit_id", "tower_id", "date"]].merge(told, on="visit_id", validate="1:1")
    seen = seen.assign(count=seen["legs"].map(len)).sort_values(["count", "date"], kind="stable")
    return seen.drop_duplicates("tower_id", keep="last").set_index("tower_id")["legs"].to_dict()


def _count(stop):
    """How many legs to leave room for; a blank register counts as usual for its kind."""
    if pd.notna(stop.leg_count):
        return int(stop.leg_count)
    return 1 if stop.structure == "monopole" else 4


def _names(read, count):
    """Names of the legs: those in use, if all of them were read."""
    return read if len(read) >= count else list(LETTERS[:count])
