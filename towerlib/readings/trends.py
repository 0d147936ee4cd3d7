"""Changes over time: readings that may be compared, jumps and trends of their values, and the effect of treatments."""

from __future__ import annotations

from typing import TYPE_CHECKING, cast

import numpy as np
import pandas as pd

from towerlib.config.sections import Comparable, Seasons
from towerlib.readings.methods import FOOTING_ALONE, bound, yes
from towerlib.readings.season import class_of_season
from towerlib.values import number

if TYPE_CHECKING:
    from typing import Any

_FIELDS = {
    "frequency": ["test_frequency_hz"],
    "set-up": [
        *("potential_probe_distance_m", "current_probe_distance_m"),
        *("potential_probe_bearing_deg", "current_probe_bearing_deg"),
    ],
}
ASPECTS = ("method", "frequency", "season", "set-up", "works")  # in the order of the remarks


def comparable(
    visits: pd.DataFrame, works: pd.DataFrame | None = None, alike: Comparable | None = None
) -> pd.Series:
    """Group of each visit, named by its newest visit: readings with the same key may be compared over time.

    Missing where the reading can be compared with none: unusable, beyond the instrument's range, or its set-up not
    recorded. `works` has the tower_id and date of each treatment, `alike` the tolerances of ``[comparable]`` in
    ``line.toml``.

    Two readings are alike if tower, method (and with it whether the shield wire was lifted) and season class are the
    same, test frequency, probe distances and probe directions agree within the tolerances, and no treatment lies
    between. Each group is gathered about its newest reading, so tolerances do not add up from one to the next. A
    treatment dated on the day of a visit counts as done before it.
    """
    alike = alike or Comparable.model_validate({})
    facts = facts_of(visits, works)
    fields = [column for columns in _FIELDS.values() for column in columns]
    recorded = facts[fields].notna().to_numpy().all(axis=1)  # in full
    left = np.flatnonzero(readable(visits) & (recorded | alike.blank_agrees))
    order = np.lexsort((left, facts["date"].to_numpy()[left], facts["tower"].to_numpy()[left]))[::-1]
    left, newest = left[order], np.full(len(visits), -1)
    while left.size:
        tower = facts["tower"].to_numpy()[left]
        starts = np.flatnonzero(np.r_[True, tower[1:] != tower[:-1]])
        leader = left[starts][np.cumsum(np.isin(np.arange(left.size), starts)) - 1]
        same = ~np.column_stack(list(differences(facts, left, leader, alike).values())).any(axis=1)
        newest[left[same]] = leader[same]
        left = left[~same]
    keys = visits["visit_id"].to_numpy(object)[newest]
    return pd.Series(np.where(newest >= 0, keys, cast("Any", None)), visits.index, dtype="str")


def readable(visits: pd.DataFrame) -> np.ndarray:
    """Visits with a value that may be compared: read, in range, and not refused by the quality rules."""
    good = (visits["impedance_ohm"] > 0) & visits["date"].notna() & visits["method"].notna()
    good &= bound(visits) == ""
    if "footing_verdict" in visits:
        good &= visits["footing_verdict"] != "not usable"
    return good.fillna(False).to_numpy(bool)


def facts_of(visits: pd.DataFrame, works: pd.DataFrame | None = None) -> pd.DataFrame:
    """Properties that decide which readings compare, in numbers, one row per visit; takes what `comparable` takes.

    Codes of tower, method and season; treatments done before; and the set-up.
    """
    tower, names = pd.factorize(visits["tower_id"])
    wanted = [column for columns in _FIELDS.values() for column in columns]
    setup = visits.reindex(columns=wanted).astype(float).reset_index(drop=True)
    codes = {
        "tower": tower,
        "date": visits["date"].dt.normalize().to_numpy(),
        "method": pd.factorize(visits["method"])[0],
        "season": pd.factorize(class_of_season(visits))[0],
        "works": _works_before(tower, names, visits["date"], works),
    }
    return setup.assign(**codes)


def differences(
    facts: pd.DataFrame, rows: np.ndarray, others: np.ndarray, alike: Comparable
) -> dict[str, np.ndarray]:
    """Aspects (`ASPECTS`) in which the readings `rows` differ from `others`, pair by pair, by positions in `facts`."""
    column = {name: facts[name].to_numpy() for name in facts}
    differ = {name: column[name][rows] != column[name][others] for name in ("method", "season", "works")}
    for aspect, names in _FIELDS.items():
        pairs = [(column[name][rows], column[name][others]) for name in names]
        far = [_far(name, *pair, alike) for name, pair in zip(names, pairs, strict=True)]
        # one value not recorded, or both where that does not count as agreeing
        unequal = np.not_equal if alike.blank_agrees else np.logical_or
        blank = [unequal(*map(np.isnan, pair)) for pair in pairs]
        differ[aspect] = np.any(far + blank, axis=0)
    return {aspect: differ[aspect] for aspect in ASPECTS}


def _far(name, one, other, alike):
    """Pairs further apart than the tolerance of their column."""
    if name.endswith("bearing_deg"):
        return np.abs((one - other + 180.0) % 360.0 - 180.0) > alike.bearing_deg
    percent = alike.frequency_percent if name.endswith("_hz") else alike.distance_percent
    return np.fmax(one, other) > np.fmin(one, other) * (1.0 + percent / 100.0)


def _works_before(tower, names, dates, works):
    """How many treatments were done at the tower up to the day of each visit."""
    if works is None or works.empty:
        return np.zeros(len(tower), dtype=int)
    place = pd.Index(names).get_indexer(works["tower_id"])
    done = np.column_stack([place, _days(works["date"])])[place >= 0]
    span = 1_000_000  # more days than any record covers
    done = np.sort(done[:, 0] * span + done[:, 1])
    upto = np.searchsorted(done, tower * span + _days(dates), side="right")
    return upto - np.searchsorted(done, tower * span, side="left")


def _days(dates):
    """Days since 1900; a missing date counts as the first of them."""
    return (dates - pd.Timestamp("1900-01-01")).dt.days.fillna(0).to_numpy(np.int64)


_COLUMN_NAMES = """
    tower_id reading_count comparable_count last_visit_id last_date last_ohm season_class previous_visit_id
    previous_date previous_ohm jump_ohm jump_percent jump_z jump_verdict trend_percent_per_year
    trend_low_percent_per_year trend_high_percent_per_year trend_days works_date works_treatment
    before_works_date before_works_ohm after_works_date after_works_ohm works_change_ohm works_z works_verdict
    reason
"""
COLUMNS = _COLUMN_NAMES.split()
_DIFFER = {
    "method": "{} by another method",
    "frequency": "{} at another test frequency, or none recorded",
    "season": "{} in another season",
    "set-up": "{} with the probes elsewhere, or not recorded",
    "works": "{} on the other side of a treatment",
}


def history(
    visits: pd.DataFrame,
    works: pd.DataFrame,
    towers: pd.DataFrame,
    *,
    alike: Comparable | None = None,
    seasons: Seasons | None = None,
) -> pd.DataFrame:
    """Changes over time of the footing of each tower, by readings of the footing alone.

    Parameters
    ----------
    visits
        Visits, graded (``footing_verdict``) or not.
    works
        Treatments done: ``tower_id``, ``date``, ``treatment``.
    towers
        Register: ``tower_id``, ``ring``.
    alike, seasons
        Tolerances and seasonal ratios of the user's own.

    Returns
    -------
    pandas.DataFrame
        One row per tower, in the order of `towers`:

        - ``reading_count`` of the footing alone; ``comparable_count``, days with comparable readings;
        - ``last_…`` and ``previous_…``: the newest two of these days; ``jump_ohm`` between them, and
          ``jump_z``, the change of the logarithm in standard uncertainties of both; ``jump_verdict``;
        - ``trend_percent_per_year`` with its 95 % interval, from ``trend_days`` days;
        - ``works_date``, ``works_treatment``: the last treatment; the readings before and after it, their
          change and ``works_verdict``;
        - ``reason``: why there is no jump, no trend.

    Notes
    -----
    Readings from before the last treatment enter no jump and no trend. Among the groups of comparable
    readings since, those of three days go before those of two, and newer ones before older ones. Two days of
    one campaign that differ are tests that disagree, not a change. The trend is a straight line by least
    squares through the logarithms; its interval takes the uncertainty of a reading or the scatter about the line,
    whichever gives more. The change over a treatment may compare two seasons: its uncertainty then holds the
    seasonal interval. A change shows no cause: a repair and a lost lead can give the same values.
    """
    alike, seasons = alike or Comparable.model_validate({}), seasons or Seasons.model_validate({})
    alone = cast("pd.DataFrame", visits[visits["method"].isin(FOOTING_ALONE)])
    alone = cast("pd.DataFrame", alone[readable(alone)]).reset_index(drop=True)
    ring = (
        yes(cast("pd.Series", towers.set_index("tower_id")["ring"]))
        .reindex(alone["tower_id"], fill_value=False)
        .to_numpy()
    )
    facts = facts_of(alone, works)
    all_works = works["tower_id"].value_counts().reindex(alone["tower_id"], fill_value=0).to_numpy()
    read = alone.assign(
        key=comparable(alone, works, alike),
        season_class=class_of_season(alone),
        since=facts["works"] == all_works,
        u=_uncertainty(class_of_season(alone), ring, seasons),
        season_u=_season_u(ring, seasons),
    )
    days = _chosen(_history_days(read[read["since"]]))
    parts = [
        _jumps(days),
        _trends(days),
        _over_works(read, facts, works, alike),
        read["tower_id"].value_counts().rename("reading_count"),
    ]
    table = towers[["tower_id"]].join(pd.concat(parts, axis=1), on="tower_id", validate="1:1")
    table = table.assign(reason=_reasons(table, _why_not(read, facts, alike)))
    return _worded(table.reindex(columns=COLUMNS)).reset_index(drop=True)


def _uncertainty(season_class, ring, seasons):
    """Standard uncertainty of the logarithm of a reading, its season as far as recorded."""
    own = number("impedance_reading_percent") / 100.0 / np.sqrt(3.0)
    repeat = number("season_repeat_percent") / 100.0
    frost = np.log(np.where(ring, seasons.frozen_ring_ratio, seasons.frozen_ratio)) / np.sqrt(12.0)
    unknown = season_class.str.startswith("unknown").to_numpy()
    more = np.select([unknown, season_class == "frozen"], [_season_u(ring, seasons), frost], 0.0)
    return np.sqrt(own**2 + repeat**2 + more**2)


def _season_u(ring, seasons):
    """Standard uncertainty of the logarithm of a reading in another season: anywhere from wet to dry."""
    return np.log(np.where(ring, seasons.ring_ratio_high, seasons.ratio_high)) / np.sqrt(12.0)


def _history_days(read):
    """One row per day of comparable readings: repeats of one day share its soil and count once."""
    read = read[read["key"].notna()].assign(
        day=read["date"].dt.normalize(), log=np.log(read["impedance_ohm"].astype(float))
    )
    read = read.sort_values(["tower_id", "key", "day"], kind="stable")
    by_day = read.groupby(["tower_id", "key", "day"], sort=True)
    firsts = by_day[["visit_id", "season_class", "u"]].last()
    return firsts.assign(log=by_day["log"].mean()).reset_index()


def _chosen(days):
    """Days of the group that is used for each tower: enough for a trend first, then the newest."""
    groups = days.groupby("key")
    size, newest = groups["day"].transform("count"), groups["day"].transform("max")
    ranked = days.assign(telling=size.clip(upper=number("trend_readings")), newest=newest)
    best = ranked.sort_values(["telling", "newest"], kind="stable").groupby("tower_id")["key"].last()
    return days[days["key"] == days["tower_id"].map(best)]


def _jumps(days):
    """The newest two days of each tower and the change between them."""
    days = days.sort_values(["tower_id", "day"], kind="stable")
    last = days.groupby("tower_id").tail(1).set_index("tower_id")
    before = days[days.duplicated("tower_id", keep="last")]
    before = before.groupby("tower_id").tail(1).set_index("tower_id").reindex(last.index)
    change = last["log"] - before["log"]
    return pd.DataFrame(
        {
            "comparable_count": days.groupby("tower_id").size(),
            "last_visit_id": last["visit_id"],
            "last_date": last["day"],
            "last_ohm": np.exp(last["log"]),
            "season_class": last["season_class"],
            "previous_visit_id": before["visit_id"],
            "previous_date": before["day"],
            "previous_ohm": np.exp(before["log"]),
            "jump_ohm": np.exp(last["log"]) - np.exp(before["log"]),
            "jump_percent": 100.0 * np.expm1(change),
            "jump_z": change / np.hypot(last["u"], before["u"]),
        }
    )


def _trends(days):
    """Straight line through the logarithms of each tower with days enough, and its 95 % interval."""
    from scipy.special import stdtrit

    years = (days["day"] - days["day"].min()).dt.days / number("days_per_year")
    tower = days["tower_id"]
    off = days.assign(years=years - years.groupby(tower).transform("mean"))
    off["log"] = off["log"] - off["log"].groupby(tower).transform("mean")
    sums = off.assign(tt=off["years"] ** 2, ty=off["years"] * off["log"]).groupby(tower)
    span, count, tt = sums["years"].max() - sums["years"].min(), sums.size(), sums["tt"].sum()
    enough = (count >= number("trend_readings")) & (span >= number("trend_span_years"))
    slope = (sums["ty"].sum() / tt.where(enough)).rename("slope")
    left = (off["log"] - off["years"] * slope.reindex(tower).to_numpy()) ** 2
    scatter = np.sqrt(left.groupby(tower).sum() / (count - 2).where(enough) / tt)
    own = sums["u"].max() / np.sqrt(tt.where(enough))
    half = np.fmax(1.96 * own, stdtrit((count - 2).where(enough), 0.975) * scatter)
    return pd.DataFrame(
        {
            "trend_percent_per_year": 100.0 * np.expm1(slope),
            "trend_low_percent_per_year": 100.0 * np.expm1(slope - half),
            "trend_high_percent_per_year": 100.0 * np.expm1(slope + half),
            "trend_days": count.where(enough),
        }
    )


def _over_works(read, facts, works, alike):
    """The last treatment of each tower, the readings before and after it, and their change."""
    last = works.sort_values("date", kind="stable").drop_duplicates("tower_id", keep="last")
    last = last.set_index("tower_id")[["date", "treatment"]].add_prefix("works_")
    after = read[read["since"] & read["tower_id"].isin(last.index)]
    after = after.sort_values("date", kind="stable").drop_duplicates("tower_id", keep="last")
    before = _before(read, facts, after, alike).reindex(after["tower_id"])
    after = after.set_index("tower_id")
    same = before["season_class"] == after["season_class"]
    u = np.sqrt(before["u"] ** 2 + after["u"] ** 2 + 2.0 * after["season_u"].mask(same, 0.0) ** 2)
    change = np.log(after["impedance_ohm"] / before["impedance_ohm"])
    return last.join(
        pd.DataFrame(
            {
                "before_works_date": before["date"],
                "before_works_ohm": before["impedance_ohm"],
                "after_works_date": after["date"],
                "after_works_ohm": after["impedance_ohm"],
                "works_change_ohm": after["impedance_ohm"] - before["impedance_ohm"],
                "works_z": change / u,
            }
        ),
        how="left",
    )


def _before(read, facts, after, alike):
    """The readings before the works: method and frequency as after them, the same season if there is one."""
    mates = pd.Series(after.index, after["tower_id"].to_numpy())
    rows = np.flatnonzero(read["tower_id"].isin(mates.index) & ~read["since"])
    others = mates.reindex(read["tower_id"].iloc[rows]).to_numpy(int)
    differ = differences(facts, rows, others, alike)
    fits = ~differ["method"] & ~differ["frequency"]
    found = read.iloc[rows[fits]].assign(same_season=~differ["season"][fits])
    found = found.sort_values(["same_season", "date"], kind="stable")
    return found.drop_duplicates("tower_id", keep="last").set_index("tower_id")


def _why_not(read, facts, alike):
    """In how many readings of each tower each aspect differs from the newest reading."""
    ordered = read.sort_values("date", kind="stable")
    newest = pd.Series(ordered.index, ordered["tower_id"]).groupby(level=0).last()
    others = newest.reindex(read["tower_id"]).to_numpy()
    differ = pd.DataFrame(differences(facts, np.arange(len(read)), others, alike))
    own = np.arange(len(read)) == others
    return differ[~own].groupby(read["tower_id"][~own]).sum()


def _reasons(table, differ):
    """Why a tower has no jump or no trend, in words."""
    counts = table[["reading_count", "comparable_count", "trend_days"]].fillna(0).to_numpy(int)
    several = differ.reindex(table["tower_id"]).fillna(0).to_numpy(int)
    most = int(number("trend_readings"))
    words = []
    for (readings, days, trend), how in zip(counts, several, strict=True):
        others = [_DIFFER[aspect].format(n) for aspect, n in zip(ASPECTS, how, strict=True) if n]
        if readings < 2:
            words.append(["No usable reading of the footing alone.", "One reading only."][readings])
        elif days < 2:
            against = f", set against the newest: {'; '.join(others)}" if others else ": all on one day"
            words.append(f"No two days with comparable readings{against}.")
        elif days < most:
            words.append(f"No trend: {days} days with comparable readings, {most} are needed.")
        else:
            words.append("" if trend else "No trend: the comparable readings lie within a year.")
    return pd.array(words, dtype="str")


def _worded(table):
    """The table with its counts whole and its verdicts in words."""
    counts = ["reading_count", "comparable_count", "trend_days"]
    over = _verdict(table["works_z"], " over the treatment")
    unpaired = table["works_date"].notna() & table["works_z"].isna()
    return table.assign(
        **{name: table[name].fillna(0).astype("int64") for name in counts},
        jump_verdict=_jump_verdict(table),
        works_verdict=over.mask(unpaired, "no pair of readings about the treatment"),
    )


def _jump_verdict(table):
    """Verdict on a jump; within one campaign nothing has changed, so two tests that differ disagree."""
    words = _verdict(table["jump_z"], "")
    days = (table["last_date"] - table["previous_date"]).dt.days
    doubtful = (days <= number("campaign_gap_days")) & (table["jump_z"].abs() >= number("jump_doubt_z"))
    return words.mask(doubtful, "two tests of one campaign disagree")


def _verdict(z, over):
    """Verdict on a change, from its size in standard uncertainties."""
    size, way = z.abs(), np.where(z > 0, "up", "down").astype(object)
    met = [size >= number("jump_z"), size >= number("jump_doubt_z"), z.notna()]
    words = np.select(met, [way + over, "perhaps " + way + over, "no clear change" + over], default="")
    return pd.Series(words, z.index, dtype="str")
