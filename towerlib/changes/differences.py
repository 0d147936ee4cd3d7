"""Differences between two months: footings, leg currents, inspection findings and effects of treatments."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, cast

import numpy as np
import pandas as pd

from towerlib.changes.match import SPREAD, earlier_names
from towerlib.months import last_day
from towerlib.readings.causes import BOND_GONE
from towerlib.readings.season import class_of_season
from towerlib.values import number

if TYPE_CHECKING:
    from collections.abc import Collection, Iterable, Sequence

    from towerlib.assessment import Study
    from towerlib.changes.months import Snapshot


KINDS = {
    "new tower": "in the register now, and not before",
    "renamed": "the same place under another name",
    "gone from data": "a tower, or the reading that was used for it, is no longer in the records",
    "record corrected": "the same visit with another value: the records changed, not the tower",
    "worsened": "changed for the worse, beyond the uncertainty of both readings",
    "improved": "changed for the better, beyond the uncertainty of both readings",
    "fixed and verified": "treated, tested again, clearly down and within the limit",
    "treated, still above limit": "treated, tested again, clearly down, and not enough",
    "fixed not verified": "treated, and not yet tested in a way that shows the effect",
    "treatment did not work": "treated, tested again, and the required drop is ruled out",
    "overdue": "the last usable test is older than its rule allows",
    "never tested": "no visit in the records",
    "queue changed": "moved to another queue of the priority list",
}
NEWS, KNOWN = "this month", "before"
NUMBERS = ("before", "after", "uncertainty", "z")
TEXTS = ("unit", "state_before", "state_after", "since")
DATES = ("date_before", "date_after")
COLUMNS = """
    line_id month against kind tower_id since quantity before after unit uncertainty z state_before state_after
    date_before date_after sentence
""".split()
SUSPECT, SOUND = ("worn", "open suspected"), ("sound",)
LEGS_ALONE = "legs alone"
VERIFIED, PARTLY = "fixed and verified", "treated, still above limit"
OPEN, FAILED = "fixed not verified", "treatment did not work"


def rows(kind: str, tower_id: Collection[Any], sentence: Collection[Any], **more: Any) -> pd.DataFrame:
    """Rows of one kind of change, with all columns of the table; `more` gives further ones, and `since` is this month."""
    index = range(len(tower_id))
    blank = dict.fromkeys(NUMBERS, float("nan")) | dict.fromkeys(TEXTS) | dict.fromkeys(DATES, pd.NaT)
    cells: dict[str, Any] = blank | {"since": NEWS, "quantity": ""} | more
    cells = {
        name: list(part) if hasattr(part, "__len__") and not isinstance(part, str) else part
        for name, part in cells.items()
    }
    table = pd.DataFrame(
        {"kind": kind, "tower_id": list(tower_id), **cells, "sentence": list(sentence)}, index=index
    )
    return _typed(table)


def _typed(table):
    """The table with fixed column types, also when empty."""
    kinds = dict.fromkeys(NUMBERS, "float64") | dict.fromkeys(DATES, "datetime64[ns]")
    texts = ["kind", "tower_id", "quantity", *TEXTS, "sentence"]
    return table.astype(kinds | dict.fromkeys(texts, "str"))


def gathered(parts: Sequence[pd.DataFrame], route: Iterable[str]) -> pd.DataFrame:
    """One row per tower and kind, kinds in the order of `KINDS` and towers in route order, missing ones last.

    `parts` come with the strongest evidence first: figures are those of the first row, sentences those of all.
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
            "place": firsts["tower_id"].map(places.get).fillna(len(places)),
            "tower": firsts["tower_id"],
        }
    )
    return _typed(firsts.loc[keys.sort_values(["kind", "place", "tower"], kind="stable").index]).reset_index(
        drop=True
    )


def footings(both: pd.DataFrame, trend: pd.DataFrame) -> list[pd.DataFrame]:
    """Changes of the footings, worsened and improved, where another and not older reading is used now.

    If a comparable earlier reading exists (same method, frequency, season and set-up) that pair is used:
    z = Δln R/√(u₁² + u₂²), with the standard uncertainties of comparable readings. Otherwise the two readings in use are
    compared, each with the standard deviation of its own interval on the side towards the other. The limit for a
    change is ``jump_z``. JCGM 100:2008, 5.1.2, law of propagation (from memory).
    """
    change = footing_change(both, trend)
    news = another_reading(both)
    found = [
        _footing_rows(kind, both[chosen], change[chosen])
        for kind, chosen in (
            ("worsened", news & (change["z"] >= number("jump_z"))),
            ("improved", news & (change["z"] <= -number("jump_z"))),
        )
    ]
    return found


def footing_change(both: pd.DataFrame, trend: pd.DataFrame) -> pd.DataFrame:
    """Change of each footing between the most comparable readings, with the index of `both`.

    Columns: before, after [Ω], uncertainty of their difference [Ω], z, alike (comparable), date_before, date_after.
    """
    change = _by_interval(both)
    jump = trend.set_index("tower_id").reindex(both["tower_id"]).set_axis(both.index)
    alike = jump["jump_z"].notna() & (jump["last_date"] == both["footing_date_now"].dt.normalize())
    one_campaign = (jump["last_date"] - jump["previous_date"]).dt.days <= number("campaign_gap_days")
    log_u = np.abs(
        np.log(jump["last_ohm"] / jump["previous_ohm"]) / jump["jump_z"].where(jump["jump_z"] != 0)
    )
    pair = pd.DataFrame(
        {
            "before": jump["previous_ohm"],
            "after": jump["last_ohm"],
            "uncertainty": log_u / np.sqrt(2.0) * np.hypot(jump["previous_ohm"], jump["last_ohm"]),
            "z": jump["jump_z"].mask(
                one_campaign, 0.0
            ),  # two tests of one campaign that disagree are not a change
            "date_before": jump["previous_date"],
            "date_after": jump["last_date"],
        }
    )
    chosen = {name: pair[name].where(alike, change[name]) for name in pair}
    return pd.DataFrame(chosen).assign(alike=alike)


def _by_interval(both):
    """Change between the readings in use, by the interval of each."""
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


def another_reading(both: pd.DataFrame) -> pd.Series:
    """True where another, not older reading of the footing is used than before."""
    known = both["footing_ohm_now"].notna() & both["footing_ohm_before"].notna()
    other = (both["footing_visit_id_now"] != both["footing_visit_id_before"]).fillna(False)
    no_older = both["footing_date_now"] >= both["footing_date_before"]
    return cast("pd.Series", known & other & no_older)


def _footing_rows(kind, towers, change):
    """Rows of footings that changed."""
    sentences = [
        f"Footing {'up' if row.z > 0 else 'down'} from {row.before:.3g} Ω ({row.date_before:%Y-%m-%d}) to "
        f"{row.after:.3g} Ω ({row.date_after:%Y-%m-%d}), {abs(row.z):.1f} standard uncertainties of "
        + (
            "two comparable readings."
            if row.alike
            else "two readings that are not comparable, each with its interval."
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


def leg_shares(both: pd.DataFrame) -> list[pd.DataFrame]:
    """Bonds whose verdict by the injected-current test changed.

    Both the verdict on the bond and the share of the injected current in the legs must have changed, the share
    by ``jump_z`` standard uncertainties of both.
    """
    z, u = _z(both, "leg_share_lambda", both["leg_share_u_now"], both["leg_share_u_before"])
    states = (both["bond_state_before"], both["bond_state_now"])
    return _turned_rows(
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


def _z(both, name, u_now, u_before):
    """Change of a quantity in standard uncertainties of both readings, and their joint uncertainty."""
    u = np.hypot(u_now, u_before)
    return (both[f"{name}_now"] - both[f"{name}_before"]) / u.where(u > 0), u


def _turned_rows(both, z, turned, figures, template):
    """Rows of a quantity whose rise is bad, where its verdict turned and the change exceeds the uncertainty."""
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


def gaps(both: pd.DataFrame) -> list[pd.DataFrame]:
    """Leakage gaps that opened or closed, at towers whose legs are the only path to earth.

    gap = arithmetic sum of the leg currents − their vector total; an indicator, not a fault. It is taken relative to
    the sum, since the currents follow the load of the line. It counts only where its lower limit left or reached 0,
    since a gap that is wide in both months varies with the load.
    """
    parts = [both[f"gap_u_ma_{end}"] / both[f"leakage_sum_ma_{end}"] for end in ("now", "before")]
    z, u = _z(both, "gap_fraction", *parts)
    alone = (both["peer_class_now"] == LEGS_ALONE) & (both["peer_class_before"] == LEGS_ALONE)
    wide = [both[f"gap_fraction_low_{end}"] > 0 for end in ("before", "now")]
    return _turned_rows(
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
    """Changed inspection findings: missing leads, and the bond, where both months have one; without uncertainty.

    Corrosion is excluded: two inspections of the same rust often differ by a grade, and rust does not recede. Where
    it moves a tower to another queue, the queue change reports it.
    """
    facts = [
        ("leads missing", "leads_missing", lambda column: column.astype(float)),
        ("shield-wire bond", "bond_seen", lambda column: _grade(column, ("sound",), BOND_GONE)),
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


def _grade(column, good, bad):
    """0 for good, 1 for bad, blank for anything else."""
    return pd.Series(np.select([column.isin(good), column.isin(bad)], [0.0, 1.0], np.nan), column.index)


def _worded(column):
    """Inspection finding in words."""
    if pd.api.types.is_numeric_dtype(column):
        return column.map(lambda count: f"{count:.0f}", na_action="ignore").astype("str")
    return column.astype("str")


def treated(
    study: Study, trend: pd.DataFrame, before: Snapshot | None, pairs: pd.DataFrame
) -> list[pd.DataFrame]:
    """Treated towers, by the result of the test after the treatment; "fixed and verified" only if new.

    Readings before and after the last treatment, by one method and frequency: Δ = ln(after/before) with standard
    uncertainty u of both. Verified: Δ ≤ −3 u (``jump_z``) and the footing within its limit. Without effect: Δ − 2 u
    (``jump_doubt_z``) lies above ln(1 − ``treatment_least_drop_percent``/100), which rules out the least drop required
    of a treatment; readings of two seasons rarely rule it out. All other cases need another test.
    """
    table = trend[trend["works_date"].notna() & (trend["works_date"] <= last_day(study.month))]
    limit = study.condition.set_index("tower_id")["limit_ohm"].reindex(table["tower_id"]).to_numpy()
    table = table.assign(limit_ohm=limit, change=np.log(table["after_works_ohm"] / table["before_works_ohm"]))
    table = table.assign(u=_uncertainty(table, study.grades.visits))
    table = table.assign(kind=_kinds(table), since=_since(table, before, pairs))
    listed = (table["kind"] != VERIFIED) | (table["since"] != KNOWN)
    return [_rows(kind, part) for kind, part in table[listed].groupby("kind", sort=False)]


def _uncertainty(table, visits):
    """Standard uncertainty of the logarithm of each change; for z = 0 that of two readings of one season."""
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
    """Kind of change of each treated tower."""
    down = table["works_z"] <= -number("jump_z")
    least = np.log1p(-number("treatment_least_drop_percent") / 100.0)
    ruled_out = table["change"] - number("jump_doubt_z") * table["u"] > least
    above = table["after_works_ohm"] > table["limit_ohm"]
    kinds = np.select([down & ~above, down & above, ruled_out & ~down], [VERIFIED, PARTLY, FAILED], OPEN)
    return pd.Series(kinds, table.index, dtype="str")


def _since(table, before, pairs):
    """Whether the treatment, its test or its verdict is new against the earlier month."""
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
    """Effect of the treatment, in words."""
    what = f"{tower.works_treatment or 'treatment'} of {tower.works_date:%Y-%m-%d}".capitalize()
    if pd.isna(tower.works_z):
        return f"{what}: no comparable readings before and after it. Test again with the earlier set-up."
    figures = f"{what}: from {tower.before_works_ohm:.3g} Ω ({tower.before_works_date:%Y-%m-%d}) to "
    figures += f"{tower.after_works_ohm:.3g} Ω ({tower.after_works_date:%Y-%m-%d})"
    return (
        figures
        + {
            VERIFIED: f", within the limit of {tower.limit_ohm:.3g} Ω.",
            PARTLY: f", clearly down and still above the limit of {tower.limit_ohm:.3g} Ω.",
            FAILED: f"; a drop of {number('treatment_least_drop_percent'):.0f} % is ruled out.",
            OPEN: "; the effect cannot be decided within the uncertainty of season and instrument. Test again in the season of "
            "the first reading.",
        }[kind]
    )
