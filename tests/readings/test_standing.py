"""Which reading is in force: the rule of one day against a plain search, and many month ends against that rule."""

import numpy as np
import pandas as pd
import pytest

from towerlib import condition
from towerlib.months import last_day
from towerlib.readings import standing

MONTHS = [str(month) for month in pd.period_range("2023-11", "2026-06", freq="M")]
VERDICTS = ["usable", "usable with caution", "not usable"]
METHODS = ["leg coils", "shield wire lifted", "no coils", None]


def visits(seed, count=400, towers=12):
    """Visits at random: few days, so that several fall on one day."""
    rng = np.random.default_rng(seed)
    days = pd.Timestamp("2024-01-20") + pd.to_timedelta(rng.integers(0, 60, count) * 14, unit="D")
    ohm = np.where(rng.random(count) < 0.1, np.nan, rng.lognormal(2, 1, count))
    table = {
        "visit_id": [f"V{place}" for place in range(count)],
        "tower_id": rng.integers(0, towers, count).astype(str),
        "date": days,
        "method": rng.choice(np.array(METHODS, object), count, p=[0.4, 0.2, 0.3, 0.1]),
        "impedance_ohm": ohm,
        "impedance_ohm_bound": rng.choice(["", "<", ">"], count, p=[0.8, 0.1, 0.1]),
        "footing_verdict": rng.choice(VERDICTS, count, p=[0.4, 0.3, 0.3]),
    }
    return pd.DataFrame(table)


def searched(table, tower, day, kinds):
    """The rule word by word: newest day, then the better verdict, then the one listed last."""
    best = None
    for place, row in enumerate(table.itertuples()):
        if row.tower_id != tower or row.date > day or row.footing_verdict == "not usable":
            continue
        if np.isnan(row.impedance_ohm) or (row.method, row.impedance_ohm_bound) not in kinds:
            continue
        key = row.date, row.footing_verdict == "usable", place
        if best is None or key > best[0]:
            best = key, row.visit_id
    return best and best[1]


ALONE = {(method, side) for method in ("leg coils", "shield wire lifted") for side in ("", "<")}
LIMITS = {("leg coils", ">"), ("shield wire lifted", ">"), ("no coils", ""), ("no coils", ">")}


@pytest.mark.parametrize("seed", range(5))
@pytest.mark.parametrize(("chosen", "kinds"), [(standing.footings, ALONE), (standing.lower_limits, LIMITS)])
def test_one_day_is_what_a_plain_search_finds(seed, chosen, kinds):
    table = visits(seed)
    for day in pd.to_datetime(["2024-01-01", "2024-05-07", "2025-03-31", "2027-01-01"]):
        found = standing.in_force(chosen(table[table["date"] <= day]), "footing_verdict")["visit_id"]
        plain = {tower: searched(table, tower, day, kinds) for tower in set(table["tower_id"])}
        assert found.to_dict() == {tower: visit for tower, visit in plain.items() if visit}


@pytest.mark.parametrize("seed", range(5))
@pytest.mark.parametrize("chosen", [standing.footings, standing.lower_limits])
def test_every_month_end_is_the_rule_of_that_day(seed, chosen):
    table = visits(seed)
    towers = [*sorted(set(table["tower_id"])), "never tested"]
    changed = standing.changes(chosen(table), "footing_verdict")
    wide = {name: standing.at_months(changed, name, MONTHS, towers) for name in ("visit_id", "impedance_ohm")}
    for month in MONTHS:
        day = standing.in_force(chosen(table[table["date"] <= last_day(month)]), "footing_verdict")
        at_month = standing.at_month(changed, month)
        assert at_month["visit_id"].to_dict() == day["visit_id"].to_dict()
        for name, months in wide.items():
            assert months.loc[month].dropna().to_dict() == day[name].to_dict()
    assert list(wide["visit_id"].columns) == towers


def test_no_reading_at_all_leaves_every_month_blank():
    none = standing.changes(standing.footings(visits(0).iloc[:0]), "footing_verdict")
    for name in ("impedance_ohm", "date"):
        found = standing.at_months(none, name, MONTHS, ["1", "2"])
        assert found.shape == (len(MONTHS), 2)
        assert found.isna().all(axis=None)


def test_a_visit_without_a_date_is_never_in_force():
    table = visits(0).assign(date=pd.NaT)
    assert standing.in_force(standing.footings(table), "footing_verdict").empty


CLASSES = [  # footing, lower limit, class, class with the lower limit apart; good up to 5 Ω, limit 15 Ω
    (5.0, np.nan, "good", "good"),
    (5.1, np.nan, "acceptable", "acceptable"),
    (15.0, 99.0, "acceptable", "acceptable"),  # a reading goes before a lower limit
    (15.1, np.nan, "above limit", "above limit"),
    (
        np.nan,
        15.0,
        condition.LOWER_LIMIT_ONLY,
        condition.LOWER_LIMIT_ONLY,
    ),  # it may be any value from 15 Ω on
    (np.nan, 3.0, condition.LOWER_LIMIT_ONLY, condition.LOWER_LIMIT_ONLY),
    (np.nan, 15.1, "above limit", condition.ABOVE_BY_LOWER_LIMIT),
    (np.nan, np.nan, "not tested", "not tested"),
]


@pytest.mark.parametrize(("footing", "lower", "name", "finer"), CLASSES)
def test_class_against_target_and_limit(footing, lower, name, finer):
    assert condition.impedance_class(footing, lower, 5.0, 15.0) == name
    assert condition.impedance_class(footing, lower, 5.0, 15.0, by_lower_limit=True) == finer


def test_classes_of_months_and_towers_are_those_one_by_one():
    read = np.array([[3.0, np.nan, 30.0], [8.0, 20.0, np.nan]])
    lower, limit = np.array([[np.nan, 40.0, 1.0], [np.nan, np.nan, 9.0]]), np.array([15.0, 25.0, 25.0])
    table = condition.impedance_class(read, lower, 5.0, limit)
    for at, name in np.ndenumerate(table):
        assert name == condition.impedance_class(read[at], lower[at], 5.0, limit[at[1]])


# ---- upper limits and repeated sheets


def test_paths_outside_the_coils_make_a_reading_with_coils_an_upper_limit():
    towers = pd.DataFrame(
        {
            "tower_id": ["lattice", "counterpoise", "guyed", "guys in coils", "unknown"],
            "structure": ["lattice", "lattice", "guyed", "guyed", "lattice"],
            "earth_paths_in_coils": pd.array([True, False, None, True, None], dtype="boolean"),
        }
    )
    read = pd.DataFrame({"tower_id": towers["tower_id"], "method": "leg coils"})
    assert standing.beside_coils(read, towers).to_list() == [False, True, True, False, False]
    for method in ("shield wire lifted", "no coils", None):
        assert not standing.beside_coils(read.assign(method=method), towers).any()


@pytest.mark.parametrize("seed", range(3))
def test_an_upper_limit_counts_until_there_is_a_reading_of_all_paths(seed):
    table = visits(seed)
    upper = np.random.default_rng(seed).random(len(table)) < 0.5
    table = table.assign(upper_limit_only=upper & table["method"].eq("leg coils"))
    for day in pd.to_datetime(["2024-03-01", "2024-05-07", "2025-03-31"]):
        seen = table[table["date"] <= day]
        found = standing.in_force(standing.footings(seen), "footing_verdict")
        whole = {
            tower: searched(seen[~seen["upper_limit_only"]], tower, day, ALONE)
            for tower in set(table["tower_id"])
        }
        for tower, visit in whole.items():
            plain = visit or searched(seen, tower, day, ALONE)
            assert (found["visit_id"].get(tower) == plain) or plain is None
        of_upper = found.index[found["upper_limit_only"]]
        assert all(whole[tower] is None for tower in of_upper)


def test_repeated_sheets_are_no_reading_of_any_kind():
    table = visits(3).assign(repeats_visit_id="V0")
    assert standing.footings(table).empty
    assert standing.lower_limits(table).empty


UPPER = [  # upper limit, lower limit, class
    (5.0, np.nan, "good"),
    (15.0, np.nan, "acceptable"),
    (15.1, np.nan, condition.UPPER_LIMIT_ONLY),
    (99.0, 15.0, condition.UPPER_LIMIT_ONLY),
    (99.0, 15.1, "above limit"),  # the lower limit shows it
    (15.0, 15.1, "acceptable"),  # both cannot hold; the reading of the footing goes before
]


@pytest.mark.parametrize(("footing", "lower", "name"), UPPER)
def test_class_of_an_upper_limit(footing, lower, name):
    assert condition.impedance_class(footing, lower, 5.0, 15.0, upper_limit_only=True) == name
