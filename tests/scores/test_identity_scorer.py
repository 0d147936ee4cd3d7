"""Every tower of many registers under the spellings of crews and spreadsheets: none goes astray."""

import itertools
import re
from functools import partial
from pathlib import Path

import pandas as pd
import pytest

from towerlib.records.tower_names import match

DEMO = Path(__file__).parents[2] / "data" / "demo"

REGISTERS = {  # invented numberings, each of a kind in use
    "plain": [str(n) for n in range(1, 131)] + ["12A", "12B", "47A", "100A"],
    "padded": [f"{n:03d}" for n in range(1, 131)] + ["012A", "047A"],
    "prefixed": [f"T{n:03d}" for n in range(1, 131)] + ["T012A"],
    "line code": [f"BF-{n:02d}" for n in range(1, 131)],
    "section and number": [f"{section}/{n}" for section in "ABC" for n in range(1, 75)],
    "kilometre and number": [f"{km}/{n}" for km in range(1, 32) for n in range(1, 13)],
    "kilometre and few": [f"{km}-{n}" for km in range(1, 40) for n in range(1, 5)],
    "twins": [f"{n}{side}" for n in range(1, 61) for side in "LR"] + ["61", "62"],
    "inserted later": [str(n) for n in range(1, 40)] + ["12 bis", "12N", "20bis", "20B", "30 new"],
    "tee": [str(n) for n in range(1, 40)] + [f"T{n}" for n in range(1, 9)],
    "branch E": [str(n) for n in range(1, 131)] + [f"{n}E{k}" for n in range(1, 6) for k in range(1, 4)],
    "merged": [
        "12",
        "012",
        "12A",
        "12/1",
        "12-1",
        "1/12",
        "T12",
        "12L",
        "12R",
        "1E2",
        "100",
        "120",
        "12.10",
        "12bis",
    ],
}


def prefixed(word):
    return lambda tower: word + tower


def swapped(pattern, sign):
    return lambda tower: re.sub(pattern, sign, tower)


def as_date(form, day_first):
    """A name of two numbers as a spreadsheet shows it after taking it for a date; other names stay."""

    def shown(tower):
        parts = re.fullmatch(r"([0-9]{1,2})[/-]([0-9]{1,2})", tower)
        if not parts:
            return tower
        day, month = map(int, parts.groups() if day_first else parts.groups()[::-1])
        try:
            return format(pd.Timestamp(2026, month, day), form)
        except ValueError:
            return tower

    return shown


def as_number(form):
    """A name that a spreadsheet can take for a number as it shows that number; other names stay."""

    def shown(tower):
        is_number = re.fullmatch(r"[0-9]+(\.[0-9]+)?|[0-9]+E[0-9]+", tower)
        return format(float(tower), form) if is_number else tower

    return shown


SPELLINGS = {
    "small letters": str.lower,
    "outer spaces": " {} ".format,
    "hard space": "\u00a0{}".format,
    "long dash": swapped("-", "\u2013"),
    **{
        f"{word!r} before it": prefixed(word)
        for word in ["T-", "T", "Tower ", "Twr.", "Mast ", "No ", "#", "pylon "]
    },
    "zero added": swapped("^(?=[0-9])", "0"),
    "zeros left off": swapped("(?<![0-9])0+(?=[0-9])", ""),
    "space before a letter": swapped("(?<=[0-9])(?=[A-Za-z])", " "),
    "hyphen before a letter": swapped("(?<=[0-9])(?=[A-Za-z])", "-"),
    "sign left off": swapped("(?<=[A-Z])[-/](?=[0-9])", ""),
    "slash for sign": swapped("[-.]", "/"),
    "hyphen for sign": swapped("[/.]", "-"),
    "point for sign": swapped("[/-]", "."),
    "space for sign": swapped("[/.-]", " "),
    "side in words": lambda tower: re.sub("R$", " right", re.sub("L$", " left", tower)),
    "side left off": swapped("(?<=[0-9])[LR]$", ""),
    "bis in capitals": swapped(" ?bis$", " BIS"),
    "bis for B": swapped("(?<=[0-9])B$", "bis"),
    "B for bis": swapped(" ?bis$", "B"),
    "line code left off": swapped("^BF-", ""),
    "number": as_number("g"),
    "number with decimals": as_number(".1f"),
    "power of ten": as_number(".2E"),
    **{f"date {form}, day first": as_date(form, True) for form in ["%d-%b", "%Y-%m-%d 00:00:00", "%d.%m.%Y"]},
    **{f"date {form}, month first": as_date(form, False) for form in ["%d-%b", "%Y-%m-%d", "%m/%d/%Y"]},
}


def demo_registers():
    """Tower ids of the demo's lines."""
    for path in sorted(DEMO.glob("*/towers.csv")):
        yield (
            path.parent.name,
            pd.read_csv(path, sep=None, engine="python", dtype="str")["tower_id"].to_list(),
        )


def scores(register, spellings, every=1):
    """One row a tower and spelling that changes its name: how it was written, and what it was taken for."""
    rows = [
        (spelling, tower, *spell(tower))
        for spelling, spell in spellings.items()
        for tower in register[::every]
    ]
    scored = pd.DataFrame(rows, columns=["spelling", "tower_id", "written", "says_another"])
    scored = scored[scored["written"] != scored["tower_id"]].reset_index(drop=True)
    found = match(scored["written"], register)
    return scored.assign(taken=found["tower_id"], certainty=found["certainty"])


def astray(scored):
    """Names taken for another tower than was meant, though they are not that tower's very name."""
    is_other = scored["taken"].notna() & (scored["taken"] != scored["tower_id"])
    return scored[is_other & ~scored["says_another"]]


def once(register):
    """Each spelling alone: the written name, and whether it is the very name of another tower."""

    def spelt(spell, tower):
        written = spell(tower)
        return written, written != tower and written in towers

    towers = set(register)
    return {name: partial(spelt, spell) for name, spell in SPELLINGS.items()}


def twice(register):
    """Two spellings one after the other; either alone may already give the very name of another tower."""

    def spelt(first, second, tower):
        written = second(first(tower))
        return written, any(
            name != tower and name in towers for name in (first(tower), second(tower), written)
        )

    towers = set(register)
    pairs = itertools.permutations(SPELLINGS.items(), 2)
    return {f"{one}, {two}": partial(spelt, first, second) for (one, first), (two, second) in pairs}


ALL = {**REGISTERS, **dict(demo_registers())}


def test_the_demo_is_among_the_registers():
    assert len(ALL) > len(REGISTERS)


@pytest.mark.parametrize("name", ALL)
def test_no_spelling_leads_to_another_tower(name):
    lost = astray(scores(ALL[name], once(ALL[name])))
    assert lost.empty, lost.to_string()


@pytest.mark.parametrize("name", ALL)
def test_no_two_spellings_lead_to_another_tower(name):
    every = max(1, len(ALL[name]) // 8)
    lost = astray(scores(ALL[name], twice(ALL[name]), every))
    assert lost.empty, lost.to_string()


@pytest.mark.parametrize("name", ["plain", "padded", "kilometre and few", "inserted later", "branch E"])
def test_most_spellings_are_understood(name):
    # these numberings leave few spellings that two towers share; a match that only asks is no help
    scored = scores(REGISTERS[name], once(REGISTERS[name]))
    assert (scored["taken"] == scored["tower_id"]).mean() > 0.95
