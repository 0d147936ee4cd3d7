"""Rows of a comparison: one a tower and kind, the strongest evidence in front and every sentence kept."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from towerlib.changes.match import SPREAD, earlier_names
from towerlib.months import last_day
from towerlib.readings.season import class_of_season
from towerlib.values import number

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence
    from typing import Any

    from towerlib.assessment import Study
    from towerlib.changes.months import Snapshot


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


def rows(
    kind: str, tower_id: Sequence[str] | pd.Series, sentence: Sequence[str] | pd.Series, **more: Any
) -> pd.DataFrame:
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


def gathered(parts: Sequence[pd.DataFrame], route: Iterable[str]) -> pd.DataFrame:
    """One row per tower and kind, kinds in the order of `KINDS` and towers in route order.

    Parameters
    ----------
    parts : sequence of pandas.DataFrame
        From `rows`, the strongest evidence first.
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


def footings(both: pd.DataFrame, told: pd.DataFrame) -> list[pd.DataFrame]:
    """Footings up or down.

    Parameters
    ----------
    both : pandas.DataFrame
        From `towerlib.changes.match.beside`.
    told : pandas.DataFrame
        What comparable readings say, as `towerlib.readings.trends.history` has it.

    Returns
    -------
    list of pandas.DataFrame
        Rows of the kinds "worsened" and "improved".

    Notes
    -----
    Only where another reading stands now, and one no older. If it may be compared with an earlier one (method,
    frequency, season and set-up alike) that pair counts: z = Δln R/√(u₁² + u₂²), with the standard
    uncertainties of readings taken alike. Else the two readings that stand are set against each other, each
    with the standard deviation of its own interval on the side that faces the other. A change is one from
    ``jump_z`` on.

    References
    ----------
    JCGM 100:2008, 5.1.2, law of propagation (from memory).
    """
    change = footing_change(both, told)
    news = another_reading(both)
    found = [
        _footing_rows(kind, both[chosen], change[chosen])
        for kind, chosen in (
            ("worsened", news & (change["z"] >= number("jump_z"))),
            ("improved", news & (change["z"] <= -number("jump_z"))),
        )
    ]
    return found


def another_reading(both: pd.DataFrame) -> pd.Series:
    """Towers at which another reading of the footing stands than before, and one no older.

    Parameters
    ----------
    both : pandas.DataFrame

    Returns
    -------
    pandas.Series of bool
    """
    known = both["footing_ohm_now"].notna() & both["footing_ohm_before"].notna()
    other = (both["footing_visit_id_now"] != both["footing_visit_id_before"]).fillna(False)
    return known & other & (both["footing_date_now"] >= both["footing_date_before"])


def footing_change(both: pd.DataFrame, told: pd.DataFrame) -> pd.DataFrame:
    """The change of each footing between the readings that compare best.

    Parameters
    ----------
    both, told : pandas.DataFrame
        As for `footings`.

    Returns
    -------
    pandas.DataFrame
        Same index as `both`: before, after [Ω], uncertainty of their difference [Ω], z, alike (the pair was
        taken alike), date_before, date_after.
    """
    change = _by_interval(both)
    jump = told.set_index("tower_id").reindex(both["tower_id"]).set_axis(both.index)
    alike = jump["jump_z"].notna() & (jump["last_date"] == both["footing_date_now"].dt.normalize())
    one_campaign = (jump["last_date"] - jump["previous_date"]).dt.days <= number("campaign_gap_days")
    log_u = (
        np.log(jump["last_ohm"] / jump["previous_ohm"]) / jump["jump_z"].where(jump["jump_z"] != 0)
    ).abs()
    pair = pd.DataFrame(
        {
            "before": jump["previous_ohm"],
            "after": jump["last_ohm"],
            "uncertainty": log_u / np.sqrt(2.0) * np.hypot(jump["previous_ohm"], jump["last_ohm"]),
            "z": jump["jump_z"].mask(one_campaign, 0.0),  # two tests that disagree are no change
            "date_before": jump["previous_date"],
            "date_after": jump["last_date"],
        }
    )
    chosen = {name: pair[name].where(alike, change[name]) for name in pair}
    return pd.DataFrame(chosen).assign(alike=alike)


def _by_interval(both):
    """The change between the readings that stand, by the interval of each."""
    before, after = both["footing_ohm_before"], both["footing_ohm_now"]
    change = np.log(after / before)
    sides = [
        (
            np.log(both[f"footing_high_ohm_{end}"] / ohm),
            np.log(ohm / both[f"footing_low_ohm_{end}"].replace(0, np.nan)),
        )
        for end, ohm in (("before", before), ("now", after))
    ]
    (before_up, before_down), (after_up, after_down) = sides
    u_before = before_up.where(change > 0, before_down) / SPREAD
    u_after = after_down.where(change > 0, after_up) / SPREAD
    return pd.DataFrame(
        {
            "before": before,
            "after": after,
            "uncertainty": np.hypot(before * u_before, after * u_after),
            "z": change / np.hypot(u_before, u_after),
            "date_before": both["footing_date_before"],
            "date_after": both["footing_date_now"],
        }
    )


def _footing_rows(kind, towers, change):
    """Rows of footings that changed."""
    sentences = [
        f"Footing {'up' if row.z > 0 else 'down'} from {row.before:.3g} Ω ({row.date_before:%Y-%m-%d}) to "
        f"{row.after:.3g} Ω ({row.date_after:%Y-%m-%d}), {abs(row.z):.1f} standard uncertainties of "
        + (
            "two readings taken alike."
            if row.alike
            else "two readings not taken alike, each with its interval."
        )
        for row in change.itertuples()
    ]
    figures = change[["before", "after", "uncertainty", "z", "date_before", "date_after"]]
    return rows(
        kind,
        towers["tower_id"],
        sentences,
        quantity="footing impedance",
        unit="Ω",
        **figures.to_dict("series"),
    )


SUSPECT, SOUND = ("worn", "open suspected"), ("sound",)
BROKEN = ("damaged", "missing")
LEGS_ALONE = "legs alone"


def leg_shares(both: pd.DataFrame) -> list[pd.DataFrame]:
    """Bonds that the injected test suspects now and did not before, or the other way round.

    Parameters
    ----------
    both : pandas.DataFrame

    Returns
    -------
    list of pandas.DataFrame

    Notes
    -----
    Both the verdict on the bond and the share of the injected current in the legs must have changed, the share
    by ``jump_z`` standard uncertainties of both.
    """
    z, u = _z(both, "leg_share_lambda", both["leg_share_u_now"], both["leg_share_u_before"])
    states = (both["bond_state_before"], both["bond_state_now"])
    return _told(
        both,
        z,
        (states[0].isin(SOUND) & states[1].isin(SUSPECT), states[0].isin(SUSPECT) & states[1].isin(SOUND)),
        {
            "quantity": "share of the injected current in the legs",
            "unit": "%",
            "before": 100 * both["leg_share_lambda_before"],
            "after": 100 * both["leg_share_lambda_now"],
            "uncertainty": 100 * u,
            "state_before": states[0],
            "state_after": states[1],
            "date_before": both["cause_date_before"],
            "date_after": both["cause_date_now"],
        },
        "Share of the injected current in the legs {way} from {before:.0f} % to {after:.0f} %: bond {state_before}, "
        "now {state_after}.",
    )


def gaps(both: pd.DataFrame) -> list[pd.DataFrame]:
    """Leakage gaps that opened or closed at towers whose legs are the only path to earth.

    Parameters
    ----------
    both : pandas.DataFrame

    Returns
    -------
    list of pandas.DataFrame

    Notes
    -----
    gap = arithmetic sum of the leg currents − their vector total; an indicator, not a fault. It counts as part of
    the sum, since the currents themselves follow the load of the line; and only where its lower bound left or
    reached 0, since a gap that is wide in both months moves with the load.
    """
    parts = [both[f"gap_u_ma_{end}"] / both[f"leakage_sum_ma_{end}"] for end in ("now", "before")]
    z, u = _z(both, "gap_fraction", *parts)
    alone = (both["peer_class_now"] == LEGS_ALONE) & (both["peer_class_before"] == LEGS_ALONE)
    wide = [both[f"gap_fraction_low_{end}"] > 0 for end in ("before", "now")]
    return _told(
        both,
        z.where(alone),
        (~wide[0] & wide[1], wide[0] & ~wide[1]),
        {
            "quantity": "leakage gap, part of the sum",
            "unit": "%",
            "before": 100 * both["gap_fraction_before"],
            "after": 100 * both["gap_fraction_now"],
            "uncertainty": 100 * u,
            "date_before": both["leakage_date_before"],
            "date_after": both["leakage_date_now"],
        },
        "Leakage gap {way} from {before:.0f} % to {after:.0f} % of the sum of the leg currents, "
        "{z:.1f} standard uncertainties of both: an indicator, not a fault.",
    )


def seen(both: pd.DataFrame) -> list[pd.DataFrame]:
    """What the crew saw otherwise than before: leads missing, and the bond.

    Parameters
    ----------
    both : pandas.DataFrame

    Returns
    -------
    list of pandas.DataFrame
        Where both months know; such a change has no uncertainty, it is as good as the look.

    Notes
    -----
    Corrosion does not count: two looks at the same rust differ by a grade too often, and rust does not go back.
    Where it moves a tower to another queue, that is told there.
    """
    facts = [
        ("leads missing", "leads_missing", lambda column: column.astype(float)),
        ("shield-wire bond", "bond_seen", lambda column: _grade(column, ("sound",), BROKEN)),
    ]
    found = []
    for quantity, name, graded in facts:
        before, after = both[f"{name}_before"], both[f"{name}_now"]
        step = graded(after) - graded(before)
        words = [_worded(column) for column in (before, after)]
        for kind, chosen in (("worsened", step > 0), ("improved", step < 0)):
            sentences = [
                f"Seen by the crew: {quantity} {late}, before {early}."
                for early, late in zip(words[0][chosen], words[1][chosen], strict=True)
            ]
            states = {"state_before": words[0][chosen], "state_after": words[1][chosen]}
            found.append(rows(kind, both["tower_id"][chosen], sentences, quantity=quantity, **states))
    return found


def _z(both, name, u_now, u_before):
    """Change of a quantity in standard uncertainties of both readings, and their joint uncertainty."""
    u = np.hypot(u_now, u_before)
    return (both[f"{name}_now"] - both[f"{name}_before"]) / u.where(u > 0), u


def _told(both, z, turned, figures, template):
    """Rows of a quantity whose rise is bad: where its verdict turned and the change is beyond both readings."""
    found = []
    beyond = (z >= number("jump_z"), z <= -number("jump_z"))
    for kind, way, chosen in (
        ("worsened", "up", turned[0] & beyond[0]),
        ("improved", "down", turned[1] & beyond[1]),
    ):
        chosen = chosen.fillna(False).astype(bool)
        part = {name: value if isinstance(value, str) else value[chosen] for name, value in figures.items()}
        part |= {"z": z[chosen]}
        table = rows(kind, both["tower_id"][chosen], [""] * int(chosen.sum()), **part)
        sentences = [
            template.format(**(row | {"way": way, "z": abs(row["z"])})) for row in table.to_dict("records")
        ]
        found.append(table.assign(sentence=pd.array(sentences, dtype="str")))
    return found


def _grade(column, good, bad):
    """0 for good, 1 for bad, blank for anything else."""
    return pd.Series(np.select([column.isin(good), column.isin(bad)], [0.0, 1.0], np.nan), column.index)


def _worded(column):
    """What was seen, in words."""
    if pd.api.types.is_numeric_dtype(column):
        return column.map(lambda count: f"{count:.0f}", na_action="ignore").astype("str")
    return column.astype("str")


VERIFIED, PARTLY = "fixed and verified", "treated, still above limit"
OPEN, FAILED = "fixed not verified", "treatment did not work"


def treated(
    study: Study, told: pd.DataFrame, before: Snapshot | None, pairs: pd.DataFrame
) -> list[pd.DataFrame]:
    """Treated towers by what a test after the treatment shows.

    Parameters
    ----------
    study : Study
    told : pandas.DataFrame
        As `towerlib.readings.trends.history` has it, of the same month.
    before : Snapshot or None
        The month before; None leaves `since` blank.
    pairs : pandas.DataFrame
        Names of both months, from `towerlib.changes.match.pair`.

    Returns
    -------
    list of pandas.DataFrame
        Rows of four kinds; "fixed and verified" only where it is news, the others as long as they stand.

    Notes
    -----
    Readings before and after the last treatment, by one method and frequency: Δ = ln(after/before) with standard
    uncertainty u of both. Verified: Δ ≤ −3 u (``jump_z``) and the footing within its limit. Without effect: Δ − 2 u
    (``jump_doubt_z``) still lies above ln(1 − ``treatment_least_drop_percent``/100), so the least drop that is
    wanted of a treatment is ruled out; two seasons rarely rule it out. Everything between waits for a test.
    """
    table = told[told["works_date"].notna() & (told["works_date"] <= last_day(study.month))]
    limit = study.condition.set_index("tower_id")["limit_ohm"].reindex(table["tower_id"]).to_numpy()
    table = table.assign(limit_ohm=limit, change=np.log(table["after_works_ohm"] / table["before_works_ohm"]))
    table = table.assign(u=_uncertainty(table, study.grades.visits))
    table = table.assign(kind=_kinds(table), since=_since(table, before, pairs))
    told_now = (table["kind"] != VERIFIED) | (table["since"] != KNOWN)
    return [_rows(kind, part) for kind, part in table[told_now].groupby("kind", sort=False)]


def _uncertainty(table, visits):
    """Standard uncertainty of the logarithm of each change; without a change, that of two readings of a season."""
    u = (table["change"] / table["works_z"].where(table["works_z"] != 0)).abs()
    seasons = visits.assign(season=class_of_season(visits)).drop_duplicates(["tower_id", "date"], keep="last")
    seasons = seasons.set_index(["tower_id", "date"])["season"]
    early, late = (
        seasons.reindex(pd.MultiIndex.from_frame(table[["tower_id", f"{end}_works_date"]]))
        .astype("str")
        .fillna("unknown")
        for end in ("before", "after")
    )
    same = (early.to_numpy() == late.to_numpy()) & ~early.str.startswith("unknown").to_numpy(bool)
    own = (
        np.hypot(number("impedance_reading_percent") / np.sqrt(3.0), number("season_repeat_percent")) / 100.0
    )
    tied = pd.Series(np.where(same, np.sqrt(2.0) * own, np.inf), table.index)
    return u.fillna(tied.where(table["works_z"].notna()))


def _kinds(table):
    """The kind of each treated tower."""
    down = table["works_z"] <= -number("jump_z")
    least = np.log1p(-number("treatment_least_drop_percent") / 100.0)
    ruled_out = table["change"] - number("jump_doubt_z") * table["u"] > least
    above = table["after_works_ohm"] > table["limit_ohm"]
    kinds = np.select([down & ~above, down & above, ruled_out & ~down], [VERIFIED, PARTLY, FAILED], OPEN)
    return pd.Series(kinds, table.index, dtype="str")


def _since(table, before, pairs):
    """Whether the treatment, its test or its verdict is news against the month before."""
    if before is None:
        return pd.Series(None, table.index, dtype="str")
    was = before.condition.set_index("tower_id")["works_verdict"].astype("str")
    was = was.reindex(earlier_names(table["tower_id"], pairs)).fillna("")
    news = (table["works_date"] > before.end) | (table["after_works_date"] > before.end)
    news |= was.to_numpy() != table["works_verdict"].fillna("").to_numpy()
    return pd.Series(np.where(news, NEWS, KNOWN), table.index, dtype="str")


def _rows(kind, table):
    """Rows of one kind."""
    read = table["u"].notna() & np.isfinite(table["u"])
    u = table["u"].where(read) / np.sqrt(2.0) * np.hypot(table["before_works_ohm"], table["after_works_ohm"])
    return rows(
        kind,
        table["tower_id"],
        [_sentence(kind, tower) for tower in table.itertuples()],
        quantity="footing impedance over the treatment",
        unit="Ω",
        before=table["before_works_ohm"],
        after=table["after_works_ohm"],
        uncertainty=u,
        z=table["works_z"],
        state_after=table["works_treatment"],
        date_before=table["before_works_date"],
        date_after=table["after_works_date"],
        since=table["since"],
    )


def _sentence(kind, tower):
    """What the treatment brought, in words."""
    what = f"{tower.works_treatment or 'treatment'} of {tower.works_date:%Y-%m-%d}".capitalize()
    if pd.isna(tower.works_z):
        return f"{what}: no readings before and after it that compare; test again, set up as before it."
    figures = f"{what}: from {tower.before_works_ohm:.3g} Ω ({tower.before_works_date:%Y-%m-%d}) to "
    figures += f"{tower.after_works_ohm:.3g} Ω ({tower.after_works_date:%Y-%m-%d})"
    return (
        figures
        + {
            VERIFIED: f", within the limit of {tower.limit_ohm:.3g} Ω.",
            PARTLY: f", clearly down and still above the limit of {tower.limit_ohm:.3g} Ω.",
            FAILED: f"; a drop of {number('treatment_least_drop_percent'):.0f} % is ruled out.",
            OPEN: "; season and instrument leave open what it brought. Test again in the season of the first reading.",
        }[kind]
    )
