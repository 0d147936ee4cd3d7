"""How well the priority list, its suspicions, intervals and plan meet lines of a second, independent make.

``python -m tests.scores.order [--lines N] [--parity even|odd|all] [--seed S] [--regime NAME] [--jobs N] [--keep DIR]
[--write]`` prints it in Markdown. Even seeds are for tuning, odd seeds for reporting. ``--keep`` writes one row per tower
with its truth and its place in the list; ``--write`` puts the tables into ``SCORES.md``.
"""

import argparse
import sys
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from itertools import count, islice
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np
import pandas as pd

import towerlib as tl
from tests.scores.record import rewrite
from tests.scores.second_make.line_folder import write
from tests.scores.second_make.made_line import MONTH, REGIMES, draw
from tests.scores.second_make.true_state import truth, with_works

FIRST = (10, 20)
LIST = "priority list"
STEPS = ("by_footing", "by_bond", "by_lead")
STANDARD = ("4 radials 30 m", "4 rods 3 m", "2 radials 30 m")  # whichever applies first
BOND_STATES = ("worn", "open suspected")
COIL_FLAWS = ("coil reversed", "wrong turns")
COIL_CAUSES = ("wrong coil turns", "coil reversed", "reading impossible")
BINS = (0.0, 0.05, 0.2, 0.5, 0.8, 0.95, 1.0001)
FOUND_WITHIN = 5
FIELD = 1.2


@dataclass
class Judged:
    """One line, judged: a row per tower with truth and list, and the figures of the line."""

    name: str
    regime: str
    towers: pd.DataFrame
    spans: pd.DataFrame
    orders: pd.DataFrame
    plan: dict
    rejected: int


def judge(regime, seed, towers=None):
    """A line of a regime, assessed by the public interface and compared with its truth.

    Parameters
    ----------
    regime : str
    seed : int
    towers : int, optional
        Size; else drawn.

    Returns
    -------
    Judged
    """
    made = draw(regime, seed, towers)
    true, spans = truth(made)
    with TemporaryDirectory() as folder:
        sheets = write(made, true, folder)
        study = tl.assess(folder, month=MONTH)
        listed, condition = study.priority, study.condition
        table = _joined(made, true, listed, condition, study.records.visits, sheets)
        plan = _plan(made, study, table)
        rejected = len(study.records.rejected)
    orders = _orders(table, spans)
    return Judged(made.name, regime, table, spans, orders, plan, rejected)


def _joined(made, true, listed, condition, visits, sheets):
    """One row per tower in route order: truth, place in the list, condition, and the visit in force."""
    extra = [name for name in condition if name not in listed or name == "tower_id"]
    table = true.merge(listed.drop(columns="geometry", errors="ignore"), on="tower_id", validate="1:1")
    table = table.merge(condition[extra], on="tower_id", validate="1:1")
    order = made.towers.reset_index(names="place")[["tower_id", "place", "paths_in_coils", "shield_wire"]]
    table = table.drop(columns="shield_wire", errors="ignore").merge(order, on="tower_id", validate="1:1")
    flaws = sheets.set_index("visit_id")["flaw"]
    table["visit_flaw"] = _column(table, "footing_visit_id", "").map(flaws).fillna("")
    table["field"] = _column(table, "footing_visit_id", "").map(sheets.set_index("visit_id")["field"])
    coils = sheets[sheets["flaw"].isin(COIL_FLAWS)].groupby("tower_id").size()
    table["coil_flaw"] = table["tower_id"].map(coils).fillna(0) > 0
    last = visits.sort_values(["date", "visit_id"]).dropna(subset="impedance_ohm").drop_duplicates("tower_id", keep="last")
    table["last_ohm"] = table["tower_id"].map(last.set_index("tower_id")["impedance_ohm"]).astype(float)
    table["visits"] = table["tower_id"].map(visits.groupby("tower_id").size()).fillna(0)
    newest = table["tower_id"].map(visits.groupby("tower_id")["date"].max())
    since = pd.Series(made.bond_since.max(axis=0)).astype("datetime64[ns]")
    table["bond_read"] = newest.to_numpy() > since.to_numpy()
    joint = made.towers["joins_next"].to_numpy()
    table["joined"] = joint | np.r_[False, joint[:-1]]
    table["own"] = table[list(STEPS)].max(axis=1)
    return table.sort_values("place").reset_index(drop=True)


def _column(table, name, blank=np.nan):
    """Column of a table; blanks where a study does not have it."""
    return table[name] if name in table else pd.Series(blank, index=table.index)


# ---- 1. order


def worth(places, own, spans):
    """True avoidable trip-outs of towers in an order, one running sum per place; a span counts at its first end.

    Parameters
    ----------
    places : sequence of int
        Positions along the line, in the order of the list.
    own : array
        Best step at each tower besides a span [1/year].
    spans : sequence of (place, by_span)
        Open spans by the tower where they begin.

    Returns
    -------
    array

    Examples
    --------
    >>> [float(sum_) for sum_ in worth([2, 1, 0], np.array([0.0, 1.0, 2.0]), [(0, 5.0)])]
    [2.0, 7.0, 7.0]
    """
    left, total, sums = dict(spans), 0.0, []
    for place in places:
        here = {span: left[span] for span in (place - 1, place) if span in left}
        best = max(here, key=here.get, default=None)
        if best is not None and here[best] > own[place]:
            total += left.pop(best)
        else:
            total += own[place]
        sums.append(total)
    return np.array(sums)


def best_order(own, spans):
    """Towers in the order that avoids most, place by place."""
    left, todo, order = dict(spans), set(range(len(own))), []
    while todo:
        value = {k: max([own[k], *(left.get(s, 0.0) for s in (k - 1, k))]) for k in todo}
        pick = max(todo, key=lambda k: (value[k], -k))
        todo.remove(pick)
        order.append(pick)
        here = {span: left[span] for span in (pick - 1, pick) if span in left}
        if here and max(here.values()) > own[pick]:
            left.pop(max(here, key=here.get))
    return order


def _orders(table, spans):
    """Share of the best possible and what is found in the first places, one row per order and number."""
    own = table["own"].to_numpy(float)
    pairs = list(spans[["place", "by_span"]].itertuples(index=False, name=None)) if len(spans) else []
    best = worth(best_order(own, pairs), own, pairs)
    keys = {
        LIST: table["rank"],
        "last reading, ohms": -_column(table, "last_ohm"),
        "footing in force": -_column(table, "footing_ohm"),
        "trip-outs of the study": -_column(table, "trip_outs_per_year"),
        "gap in mA": -_column(table, "gap_ma"),
    }
    rows = []
    for name, key in keys.items():
        order = _places(table, key)
        gained = worth(order, own, pairs)
        rows += [_row(name, n, gained, best, order, table) for n in FIRST if len(table) > n]
    whole = best[-1]
    for n in FIRST:
        if len(table) > n and best[n - 1] > 0:
            rows.append({"order": "any order", "first": n, "share": whole * n / len(table) / best[n - 1]})
    for queue, part in table.groupby("queue"):
        order = _places(part, part["queue_rank"])
        inside = [pair for pair in pairs if {pair[0], pair[0] + 1} & set(part["place"])]
        mask = np.where(np.isin(np.arange(len(own)), part["place"]), own, -1.0)
        top = [k for k in best_order(mask, inside) if k in set(order)]
        for n in FIRST:
            got, most = worth(order[:n], own, inside)[-1], worth(top[:n], own, inside)[-1]
            held = worth(order, own, inside)[-1] / whole if whole > 0 else np.nan
            row = {"order": f"queue {queue}", "first": n, "share": got / most if most > 0 else np.nan}
            rows.append(row | {"towers": len(part), "held": held} | _found(part, order[:n], table))
    return pd.DataFrame(rows)


def _places(table, key):
    """Places in the order of a key, blanks last, then by the route."""
    keyed = pd.DataFrame({"key": pd.to_numeric(key, errors="coerce").astype(float), "place": table["place"]})
    return keyed.sort_values(["key", "place"], na_position="last")["place"].astype(int).tolist()


def _row(name, n, gained, best, order, table):
    """Figures of the first n of an order."""
    share = gained[n - 1] / best[n - 1] if best[n - 1] > 0 else np.nan
    return {"order": name, "first": n, "share": share} | _found(table, order[:n], table)


def _found(_, places, table):
    """Exceeders and faults among some places."""
    chosen = table.loc[table["place"].isin(places)]
    return {"exceeders": int(chosen["exceeds"].sum()), "faults": int(chosen["fault"].sum())}


# ---- 2. suspicions


def suspicions(table):
    """What is suspected at each tower and what is true of it, as pairs of columns by cause.

    Parameters
    ----------
    table : DataFrame
        As `judge` gives it.

    Returns
    -------
    dict of str to (Series, Series)
        Suspected, true.
    """
    cause = _column(table, "suspected_cause", "").fillna("").astype(str)
    state = _column(table, "bond_state", "").fillna("").astype(str)
    spans = _column(table, "span_suspected", "").fillna("").astype(str)
    leads = pd.to_numeric(_column(table, "leads_missing"), errors="coerce").fillna(0) > 0
    heavy = _column(table, "corrosion", "").fillna("").astype(str) == "heavy"
    above = _column(table, "impedance_class", "").astype(str).str.startswith("above limit")
    near = table["span"].ne("").astype(float).rolling(3, center=True, min_periods=1).max().gt(0)
    return {
        "bond: inspect": (cause.str.startswith("bond") | state.isin(BOND_STATES), table["bond"] != "sound"),
        "span: inspect": ((spans != "") | cause.str.startswith("span"), near),
        "lead or leg": ((cause == "weak leg") | leads | heavy, table["lead"] != "sound"),
        "coils": (cause.isin(COIL_CAUSES), table["coil_flaw"]),
        "above the limit": (above, table["exceeds"]),
    }


def probabilities(table):
    """Stated probabilities of a fault with whether it is there: one row per statement, with ``column``."""
    rows = []
    for name in table:
        if "probability" not in name or not pd.api.types.is_numeric_dtype(table[name]):
            continue
        target = table[["bond", "lead"]].ne("sound").any(axis=1) | (table["span"] != "")
        if "bond" in name:
            target = table["bond"] != "sound"
        elif "span" in name:
            target = table["span"] != ""
        elif "above" in name or "exceed" in name or "limit" in name:
            target = table["exceeds"]
        stated = table[name].astype(float)
        rows.append(pd.DataFrame({"column": name, "stated": stated, "true": target}).dropna())
    return pd.concat(rows) if rows else pd.DataFrame(columns=["column", "stated", "true"])


# ---- 3. intervals


def reading_class(table):
    """What the reading in force is worth, in words; blank without one.

    Of two reasons the first counts: risen since the test, flawed visit, earth paths beside the coils, probes in the field
    of the current probe (exact meters would be off by more than `FIELD`).
    """
    date = pd.to_datetime(_column(table, "footing_date"))
    risen = pd.to_datetime(table["rises_since"]) > date
    beside = ~table["paths_in_coils"].astype(bool)
    words = np.select(
        [date.isna(), risen, table["visit_flaw"] != "", beside, np.log(table["field"]).abs() > np.log(FIELD)],
        ["", "risen since the test", "flawed visit", "beside the coils", "probe field"],
        "sound visit",
    )
    return pd.Series(words, table.index)


# ---- 4. plan


def _plan(made, study, table):
    """Claimed and true avoided trip-outs of the plan, and of worst ohms first with a standard treatment."""
    budget = study.budget
    works = budget.works
    spent = float(getattr(budget.plan, "spent", np.nan)) if budget.plan is not None else np.nan
    found = {"spent": spent} | _worked(made, works, "plan")
    if not np.isfinite(spent):
        return found
    plain = _worst_first(study, table, spent)
    return found | _worked(made, plain, "plain")


def _worked(made, works, name):
    """Claimed and true avoided trip-outs per year of some works."""
    if not len(works):
        return {f"{name}_works": 0, f"{name}_claimed": 0.0, f"{name}_true": 0.0}
    before, after, ohm = with_works(made, works)
    predicted = works.set_index(works["tower_id"].astype(str))["predicted_ohm"].astype(float)
    ratio = np.log(ohm.reindex(predicted.index) / predicted)
    digging = ~works["kind"].isin(["lead", "rebond", "arresters", "under-built"]).to_numpy()
    claimed = works["avoided_per_year"].astype(float)
    return {
        f"{name}_works": len(works),
        f"{name}_blank": int(claimed.isna().sum()),
        f"{name}_claimed": float(claimed.sum()),
        f"{name}_true": float(before - after),
        f"{name}_log_ratio": float(np.nanmedian(ratio[digging])) if digging.any() else np.nan,
    }


def _worst_first(study, table, money):
    """Works on the highest last readings, one standard treatment each, until the money is spent."""
    treatments = study.treatments
    options = treatments.options[treatments.options["applies"].astype(bool)].set_index(["tower_id", "option"])
    trips = getattr(treatments, "mobilisation", None)
    trips = {} if trips is None or not len(trips) else trips.set_index("access_group")["price"].astype(float).to_dict()
    paid, chosen, left = set(), [], money
    for tower in table.sort_values("last_ohm", ascending=False, na_position="last").dropna(subset="last_ohm").itertuples():
        names = [name for name in STANDARD if (tower.tower_id, name) in options.index]
        priced = [name for name in names if pd.notna(options.loc[(tower.tower_id, name), "cost"])]
        if not priced:
            continue
        work = options.loc[(tower.tower_id, priced[0])]
        group = work["access_group"]
        cost = float(work["cost"]) + (0.0 if group in paid else trips.get(group, 0.0))
        if cost > left:
            break
        left -= cost
        paid.add(group)
        chosen.append(work.to_dict() | {"tower_id": tower.tower_id, "option": priced[0]})
    return pd.DataFrame(chosen)


# ---- what goes wrong


def wrongs(judged):
    """Towers that the first ten miss or hold in vain, each with a class and the trip-outs at stake.

    Parameters
    ----------
    judged : Judged

    Returns
    -------
    DataFrame
        line, regime, tower_id, side (missed or in vain), why, loss [1/year] (what a missed tower would avoid over the
        mean of what stands in vain), rank, queue and the true state.
    """
    table, spans = judged.towers, judged.spans
    if len(table) <= FIRST[0]:
        return pd.DataFrame()
    pairs = list(spans[["place", "by_span"]].itertuples(index=False, name=None)) if len(spans) else []
    own = table["own"].to_numpy(float)
    best = best_order(own, pairs)[: FIRST[0]]
    value = own.copy()
    for place, saved in pairs:
        value[place : place + 2] = np.maximum(value[place : place + 2], saved)
    listed = table.loc[table["rank"] <= FIRST[0], "place"].tolist()
    vain = [k for k in listed if k not in best]
    kinds = reading_class(table)
    rows = []
    for k in best:
        if k not in listed:
            rows.append(_wrong(judged, table.loc[k], "missed", _why_missed(table.loc[k], kinds[k]), value[k]))
    for k in vain:
        rows.append(_wrong(judged, table.loc[k], "in vain", _why_in_vain(table.loc[k], kinds[k]), value[k]))
    return pd.DataFrame(rows)


def _wrong(judged, tower, side, why, value):
    """One row of `wrongs`."""
    names = ("tower_id", "rank", "queue", "suspected_cause", "footing_ohm", "true_ohm", "bond", "lead", "span", "visit_flaw")
    facts = {name: tower.get(name) for name in names}
    return {"line": judged.name, "regime": judged.regime, "side": side, "why": why, "value": float(value)} | facts


def _why_missed(tower, kind):
    """Why a tower that avoids much is not among the first."""
    steps = {"by_footing": tower["by_footing"], "by_bond": tower["by_bond"], "by_lead": tower["by_lead"]}
    step = max(steps, key=steps.get)
    if tower["span"] != "" and tower["queue"] not in ("bond", "repair") and steps[step] < 1e-9:
        return "open span not suspected"
    if tower["queue"] == "retest":
        return "not read: sent to retest, its benefit unknown"
    if step == "by_bond" and tower["bond"] != "sound" and tower["queue"] != "bond":
        return "faulty bond not suspected"
    if step == "by_lead" and tower["queue"] != "repair":
        return "lead fault not suspected"
    if tower["queue"] == "none":
        known = {"risen since the test": "risen since the test", "flawed visit": "flawed visit reads low"}
        return known.get(kind, "within its limit by its reading, yet among the best")
    if tower["queue"] == "footing":
        read = pd.notna(tower.get("avoided_per_year"))
        return "footing queue: behind suspicions or others" if read else "footing queue: benefit blank, sent to its end"
    return f"in queue {tower['queue']}, behind others of it"


def _why_in_vain(tower, kind):
    """Why a tower that avoids little is among the first."""
    cause = str(tower.get("suspected_cause") or "")
    if tower["queue"] == "safety":
        return "safety (not judged here)"
    if tower["queue"] == "bond":
        real = tower["bond"] != "sound" or tower["span"] != ""
        return f"{'real fault of small benefit' if real else 'suspicion on a sound bond'}: {cause or 'span or seen'}"
    if tower["queue"] == "repair":
        return "lead repair of small benefit" if tower["lead"] != "sound" else "lead repair where none is needed"
    if tower["queue"] == "footing":
        if kind == "beside the coils":
            return "reading beside the coils overstates the footing"
        return f"footing: {kind or 'lower limit'}, benefit overstated"
    return f"queue {tower['queue']} reached"


# ---- many lines


def seeds(lines, parity="odd", first=1, regime=None):
    """Regimes and seeds of some lines, the regimes in turn.

    >>> seeds(2, "odd", 1)
    [('few exceed', 1), ('many exceed', 3)]
    """
    names = [regime] if regime else list(REGIMES)
    step = {"odd": 1, "even": 0}.get(parity)
    allowed = (seed for seed in count(first) if step is None or seed % 2 == step)
    return [(names[k % len(names)], seed) for k, seed in enumerate(islice(allowed, lines))]


def judge_all(todo, jobs=1, tell=None):
    """Every line of a list, in its order."""
    if jobs == 1:
        return [_judged(regime, seed, tell) for regime, seed in todo]
    with ProcessPoolExecutor(jobs) as pool:
        return list(pool.map(_judged, *zip(*todo, strict=True)))


def _judged(regime, seed, tell=None):
    """A line judged, or the words of what stopped its assessment."""
    try:
        found = judge(regime, seed)
    except Exception as flaw:  # any crash of the package is a finding, and the other lines count
        found = f"{regime} {seed}: {type(flaw).__name__}: {flaw}"
    if tell is not None:
        tell(found)
    return found


# ---- tables


def _markdown(table):
    """A table as Markdown."""
    names = list(table.columns)
    rows = [[_cell(value) for value in row] for row in table.itertuples(index=False)]
    lines = ["| " + " | ".join(map(str, names)) + " |", "|" + "---|" * len(names)]
    return "\n".join([*lines, *("| " + " | ".join(row) + " |" for row in rows)])


def _cell(value):
    """A number or word as the tables show it."""
    if isinstance(value, str):
        return value
    if value is None or pd.isna(value):
        return "–"
    if isinstance(value, int | np.integer):
        return f"{value}"
    return f"{value:.2f}" if abs(value) < 99.5 else f"{value:.0f}"


def order_tables(judged):
    """Shares of the best possible: by order over all lines, by queue, and by regime."""
    rows = pd.concat([one.orders.assign(line=one.name, regime=one.regime) for one in judged], ignore_index=True)
    plain = rows[~rows["order"].str.startswith("queue ")]
    wide = plain.pivot_table(index="order", columns="first", values=["share", "exceeders", "faults"], sort=False)
    names = list(dict.fromkeys(plain["order"]))
    overall = pd.DataFrame({"order": names})
    for n in FIRST:
        for figure, word in (("share", "share of the best"), ("exceeders", "above the limit"), ("faults", "faults")):
            if (figure, n) in wide:
                overall[f"first {n}: {word}"] = wide[(figure, n)].reindex(names).to_numpy()
    queue = rows[rows["order"].str.startswith("queue ")]
    by_queue = pd.DataFrame(
        [
            {
                "queue": name.removeprefix("queue "),
                "towers per line": part.drop_duplicates("line")["towers"].sum() / len(judged),
                "holds of the line": part.drop_duplicates("line")["held"].mean(),
                **{f"first {n} of the queue's best": part.loc[part["first"] == n, "share"].mean() for n in FIRST},
            }
            for name, part in queue.groupby("order", sort=True)
        ]
    )
    by_regime = plain[plain["first"] == FIRST[0]].pivot_table(index="regime", columns="order", values="share", sort=False)
    by_regime = by_regime.reindex(columns=names).reset_index()
    by_regime.insert(1, "lines", [sum(one.regime == name for one in judged) for name in by_regime["regime"]])
    return overall, by_queue, by_regime


def suspicion_tables(judged):
    """Precision and recall by cause, recall by kind of bond fault, false accusations on clean lines, reliability."""
    rows, false = [], {}
    tables = [one.towers for one in judged]
    pairs = [suspicions(table) for table in tables]
    for cause in pairs[0]:
        told = pd.concat([pair[cause][0] for pair in pairs], ignore_index=True).astype(bool)
        real = pd.concat([pair[cause][1] for pair in pairs], ignore_index=True).astype(bool)
        rows.append(
            {
                "cause": cause,
                "suspected": int(told.sum()),
                "real": int(real.sum()),
                "precision": (told & real).sum() / max(told.sum(), 1) if told.any() else np.nan,
                "recall": (told & real).sum() / max(real.sum(), 1) if real.any() else np.nan,
            }
        )
        clean = [pair[cause] for pair, one in zip(pairs, judged, strict=True) if one.regime == "clean"]
        false[cause] = np.mean([(told & ~real).sum() for told, real in clean]) if clean else np.nan
    table = pd.DataFrame(rows)
    table["false per clean line"] = table["cause"].map(false)
    whole = pd.concat(tables, ignore_index=True)
    told = pd.concat([pair["bond: inspect"][0] for pair in pairs], ignore_index=True)
    kinds = pd.DataFrame(
        [
            {"bond": kind, "towers": int((whole["bond"] == kind).sum()), "suspected": told[whole["bond"] == kind].mean()}
            for kind in ("open", "one open", "worn", "sound")
        ]
    )
    stated = probabilities(whole)
    reliability = _binned(stated, ["column"]) if len(stated) else pd.DataFrame()
    return table, kinds, reliability


def _binned(stated, by):
    """Stated probabilities by bins against what came true."""
    cut = pd.cut(stated["stated"].astype(float), BINS, right=False, labels=[f"{low:g} to {min(high, 1):g}" for low, high in zip(BINS, BINS[1:], strict=False)])
    grouped = stated.assign(bin=cut).groupby([*by, "bin"], observed=True)
    table = grouped.agg(towers=("true", "size"), stated=("stated", "mean"), true=("true", "mean")).reset_index()
    return table.assign(true=table["true"].astype(float))


def interval_tables(judged):
    """Coverage of the footing intervals by what the reading is worth, by regime, and the worst tenth."""
    whole = pd.concat([one.towers.assign(regime=one.regime, line=one.name) for one in judged], ignore_index=True)
    whole["kind"] = reading_class(whole)
    low, high = (_column(whole, f"footing_{end}_ohm").astype(float) for end in ("low", "high"))
    whole["below"], whole["over"] = whole["true_ohm"] < low, whole["true_ohm"] > high
    whole["inside"], whole["width"] = ~(whole["below"] | whole["over"]), high / low
    read = whole[low.notna() & high.notna()]
    read = read.assign(kind=read["kind"].replace("", "no reading"))

    def figures(part):
        return {
            "towers": len(part),
            "inside": part["inside"].mean(),
            "true below": part["below"].mean(),
            "true above": part["over"].mean(),
            "high over low, median": part["width"].median(),
        }

    by_kind = pd.DataFrame([{"reading": name} | figures(part) for name, part in read.groupby("kind")])
    sound = read[read["kind"] == "sound visit"]
    by_regime = pd.DataFrame(
        [
            {"regime": name, "all, inside": part["inside"].mean(), "sound visits": len(sound[sound["regime"] == name])}
            | {"sound visits, inside": sound.loc[sound["regime"] == name, "inside"].mean()}
            for name, part in read.groupby("regime", sort=False)
        ]
    )
    tenth = []
    for one in judged:
        if "chance_worst_tenth" in one.towers:
            n = max(round(len(one.towers) / 10), 1)
            worst = one.towers["true_ohm"].rank(ascending=False, method="first") <= n
            tenth.append(pd.DataFrame({"stated": one.towers["chance_worst_tenth"].astype(float), "true": worst}).dropna())
    worst = _binned(pd.concat(tenth), []) if tenth else pd.DataFrame()
    return by_kind, by_regime, worst


def plan_table(judged):
    """Claimed and true avoided trip-outs of plan and plain rule, by regime and in all."""
    plans = pd.DataFrame([one.plan | {"regime": one.regime} for one in judged])
    plans = plans.dropna(subset="spent") if "spent" in plans else plans
    rows = []
    for name, part in [*plans.groupby("regime", sort=False), ("all", plans)]:
        row = {"regime": name, "lines": len(part)}
        for way, word in (("plan", "plan"), ("plain", "worst ohms first")):
            claimed, true = part[f"{way}_claimed"].sum(), part[f"{way}_true"].sum()
            row[f"{word}: works"] = int(part[f"{way}_works"].sum())
            row[f"{word}: claimed"], row[f"{word}: true"] = claimed, true
            row[f"{word}: true/claimed"] = true / claimed if claimed > 0 else np.nan
        row["plan over plain, true"] = row["plan: true"] / row["worst ohms first: true"] if row["worst ohms first: true"] else np.nan
        row["plan: true over predicted ohms"] = np.exp(part["plan_log_ratio"].median()) if "plan_log_ratio" in part else np.nan
        rows.append(row)
    return pd.DataFrame(rows)


def bond_table(judged):
    """True bond faults within the first places of a line by gap rank, by lowest total, and by ranks of suspicion."""
    rows = []
    for kind in ("open", "one open", "worn"):
        row = {"bond": kind, "towers": 0, "tested since": 0}
        for one in judged:
            table = one.towers
            real = table["bond"] == kind
            row["towers"] += int(real.sum())
            row["tested since"] += int((real & table["bond_read"]).sum())
            ranks = {"gap rank": _column(table, "gap_rank"), "lowest total": _column(table, "leakage_total_ma").rank(method="min")}
            ranks |= {name: table[name] for name in table if "bond" in name and "rank" in name}
            for name, rank in ranks.items():
                first = pd.to_numeric(rank, errors="coerce").astype(float) <= FOUND_WITHIN
                row[f"first {FOUND_WITHIN} by {name}"] = row.get(f"first {FOUND_WITHIN} by {name}", 0) + int((real & first).sum())
        rows.append(row)
    return pd.DataFrame(rows)


def wrong_table(judged):
    """Classes of what goes wrong in the first ten, with towers per line and trip-outs at stake."""
    parts = [part for one in judged if len(part := wrongs(one))]
    if not parts:
        return pd.DataFrame(), pd.DataFrame()
    each = pd.concat(parts, ignore_index=True)
    stake = each.groupby("side")["value"].transform("sum")
    each = each.assign(part=each["value"] / stake)
    table = each.groupby(["side", "why"]).agg(towers=("value", "size"), value=("value", "sum"), part=("part", "sum"))
    table = table.reset_index().sort_values(["side", "towers"], ascending=[False, False])
    table.columns = ["side", "why", "towers", "trip-outs a year", "share of its side"]
    return table, each


def report(judged):
    """Every table in Markdown, with headings."""
    overall, by_queue, by_regime = order_tables(judged)
    causes, kinds, reliability = suspicion_tables(judged)
    by_kind, by_regime_intervals, worst = interval_tables(judged)
    parts = [
        ("Order: share of the best possible true avoidable trip-outs", overall),
        ("Each queue alone", by_queue),
        ("First ten by regime", by_regime),
        ("Suspicions", causes),
        ("Bond faults by kind", kinds),
        ("Reliability of stated probabilities", reliability),
        ("Footing intervals by reading", by_kind),
        ("Footing intervals by regime", by_regime_intervals),
        ("Probability of being in the highest tenth", worst),
        ("Plan", plan_table(judged)),
        ("Bond finding", bond_table(judged)),
        ("What goes wrong in the first ten", wrong_table(judged)[0]),
    ]
    return "\n\n".join(f"**{title}**\n\n{_markdown(table) if len(table) else 'Not stated by this study.'}" for title, table in parts)


def keep(judged, folder):
    """One CSV of all towers, one of the orders, one of the plans and one of what goes wrong."""
    folder = Path(folder)
    folder.mkdir(parents=True, exist_ok=True)
    towers = [one.towers.assign(line=one.name, regime=one.regime) for one in judged]
    pd.concat(towers).to_csv(folder / "towers.csv", index=False)
    pd.concat([one.orders.assign(line=one.name, regime=one.regime) for one in judged]).to_csv(folder / "orders.csv", index=False)
    pd.DataFrame([one.plan | {"line": one.name, "regime": one.regime} for one in judged]).to_csv(folder / "plans.csv", index=False)
    wrong_table(judged)[1].to_csv(folder / "wrongs.csv", index=False)


def main(words=None):
    """Print the tables."""
    parser = argparse.ArgumentParser(description="How well the list meets lines of a second make.")
    parser.add_argument("--lines", type=int, default=30, help="lines to make, the regimes in turn")
    parser.add_argument("--parity", choices=["even", "odd", "all"], default="odd", help="even for tuning, odd for reporting")
    parser.add_argument("--seed", type=int, default=1, help="first seed")
    parser.add_argument("--regime", choices=list(REGIMES), help="one regime alone")
    parser.add_argument("--jobs", type=int, default=1, help="processes")
    parser.add_argument("--keep", help="folder for the rows behind the tables")
    parser.add_argument("--write", action="store_true", help="rewrite the section of SCORES.md")
    asked = parser.parse_args(words)
    todo = seeds(asked.lines, asked.parity, asked.seed, asked.regime)
    found = judge_all(todo, asked.jobs, lambda one: print(getattr(one, "name", one), file=sys.stderr, flush=True))
    judged, stopped = ([one for one in found if isinstance(one, str) == words] for words in (False, True))
    if asked.keep:
        keep(judged, asked.keep)
    head = f"{len(judged)} lines of 20 to 70 towers, {asked.parity} seeds from {todo[0][1]} to {todo[-1][1]}"
    head += f", regime {asked.regime}.\n\n" if asked.regime else ", the regimes in turn.\n\n"
    text = head + report(judged)
    if stopped:
        text += "\n\n**Lines whose assessment stopped**\n\n" + "\n".join(f"- {one}" for one in stopped)
    print(text)
    if asked.write:
        rewrite("order", text)


if __name__ == "__main__":
    main()
