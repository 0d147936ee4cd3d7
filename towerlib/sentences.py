"""Safety and next-step sentences, from ``sentences.csv``: the only place, so that each reads the same everywhere."""

import csv
from functools import cache
from importlib.resources import files


@cache
def table() -> dict[str, str]:
    """All sentences by name, as shipped in ``sentences.csv``.

    Examples
    --------
    >>> table()["triage"]
    'The touch-voltage screening is a triage and no certificate.'
    """
    text = files("towerlib").joinpath("sentences.csv").read_text(encoding="utf-8")
    return {row["name"]: row["sentence"] for row in csv.DictReader(text.splitlines())}


def wording(name: str) -> str:
    """One sentence; a KeyError is an error of the program, not of the user."""
    return table()[name]
