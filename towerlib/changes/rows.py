"""Rows of a comparison: one a tower and kind, the strongest evidence in front and every sentence kept."""

import pandas as pd

KINDS = {
    "new tower": "in the register now, and not before",
    "renamed": "the same place under another name",
    "gone from data": "a tower, or the reading that stood for it, is no longer in the records",
    "record corrected": "the same visit with another value: the records changed, not the tower",
    "worsened": "changed for the worse, beyond the uncertainty of both readings",
    "improved": "changed for the better, beyond the uncertainty of both readings",
    "fixed and verified": "treated, tested again, clearly down and within the limit",
    "treated, still above limit": "treated, tested again, clearly down, and not enough",
    "fixed not verified": "treated, and no test yet that could show what it brought",
    "treatment did not work": "treated, tested again, and the drop that was wanted is ruled out",
    "overdue": "the last usable test is older than its rule allows",
    "never tested": "no visit in the records",
    "queue changed": "stands in another queue of the priority list",
}
NEWS, KNOWN = "this month", "before"
NUMBERS = ("before", "after", "uncertainty", "z")
TEXTS = ("unit", "state_before", "state_after", "since")
DATES = ("date_before", "date_after")
COLUMNS = """
    line_id month against kind tower_id since quantity before after unit uncertainty z state_before state_after
    date_before date_after sentence
""".split()


def rows(kind, tower_id, sentence, **more):
    """Rows of one kind, with a column for everything that the table tells.

    Parameters
    ----------
    kind : str
        One of `KINDS`.
    tower_id, sentence : sequence of str
        One entry a row.
    **more
        Columns by name; what is not given stays blank, and `since` is this month.

    Returns
    -------
    pandas.DataFrame
    """
    index = range(len(tower_id))
    blank = dict.fromkeys(NUMBERS, float("nan")) | dict.fromkeys(TEXTS) | dict.fromkeys(DATES, pd.NaT)
    told = blank | {"since": NEWS, "quantity": ""} | more
    told = {
        name: list(part) if hasattr(part, "__len__") and not isinstance(part, str) else part
        for name, part in told.items()
    }
    table = pd.DataFrame(
        {"kind": kind, "tower_id": list(tower_id), **told, "sentence": list(sentence)}, index=index
    )
    return _typed(table)


def gathered(parts, route):
    """One row a tower and kind, kinds in the order of `KINDS` and towers in route order.

    Parameters
    ----------
    parts : sequence of pandas.DataFrame
        As `rows` gives them, the strongest evidence first.
    route : sequence of str
        Names of the towers in route order; others (gone) come last.

    Returns
    -------
    pandas.DataFrame
        Figures of the first row of each tower and kind; the sentences of all.
    """
    every = pd.concat([rows("worsened", [], []), *parts], ignore_index=True)
    if every.empty:
        return every
    both = every.groupby(["kind", "tower_id"], sort=False)
    firsts = every.drop_duplicates(["kind", "tower_id"]).reset_index(drop=True)
    firsts["sentence"] = both["sentence"].agg(" ".join).to_numpy()
    places = {name: place for place, name in enumerate(route)}
    keys = pd.DataFrame(
        {
            "kind": firsts["kind"].map(list(KINDS).index),
            "place": firsts["tower_id"].map(places).fillna(len(places)),
            "tower": firsts["tower_id"],
        }
    )
    return _typed(firsts.loc[keys.sort_values(["kind", "place", "tower"], kind="stable").index]).reset_index(
        drop=True
    )


def _typed(table):
    """The table with each column in its kind, empty or not."""
    kinds = dict.fromkeys(NUMBERS, "float64") | dict.fromkeys(DATES, "datetime64[ns]")
    texts = ["kind", "tower_id", "quantity", *TEXTS, "sentence"]
    return table.astype(kinds | dict.fromkeys(texts, "str"))
