"""What money buys on the page of a line: nothing, three budgets, more tests; and how success will be checked."""

import math

import pandas as pd

from towerlib.publish import plan_words
from towerlib.publish.summary_words import band, count, money, named, sentence, share, two

MOST_CHECKS = 4


def bought(study, levels):
    """The budgets side by side.

    Parameters
    ----------
    study : Assessment
    levels : pandas.DataFrame or None
        As `towerlib.plan.study.levels` gives it; None without a plan.

    Returns
    -------
    list of dict
        level, budget, spent, works, towers, avoided, left, each, further, weeks; the first buys nothing. Empty
        without a plan.
    """
    if levels is None or levels.empty:
        return []
    rate = study.outages.line.get("whole_line_per_year", math.nan)
    nothing = dict.fromkeys(("budget", "spent", "works", "towers", "avoided", "weeks"), "0")
    nothing |= {"level": "do nothing", "left": two(rate), "each": "–", "further": "–"}
    return [nothing, *(_level(row, rate) for row in levels.itertuples())]


def _level(row, rate):
    """One budget."""
    told = {"level": row.level, "budget": two(row.budget, 3)}
    if not math.isfinite(row.spent):
        blank = dict.fromkeys(("spent", "works", "towers", "left", "each", "further", "weeks"), "–")
        return told | blank | {"avoided": sentence(row.how)}
    further = 1 / row.added_per_cost if row.added_per_cost > 0 else math.nan
    return told | {
        "spent": two(row.spent, 3),
        "works": f"{two(row.cost_low)} to {two(row.cost_high)}",
        "towers": f"{row.towers:.0f}",
        "avoided": band(row.avoided_per_year, row.avoided_low, row.avoided_high),
        "left": two(max(rate - row.avoided_per_year, 0.0)) if math.isfinite(rate) else "–",
        "each": two(row.cost_per_benefit),
        "further": two(further),
        "weeks": two(row.crew_weeks),
    }


def told(study, levels, outlook=None):
    """What has to be said of the plan, in sentences.

    Parameters
    ----------
    study : Assessment
    levels : pandas.DataFrame or None
        As for `bought`.
    outlook : towerlib.plan.study.Outlook, optional
        Tells the knee of the budget curve and the tests worth most.

    Returns
    -------
    list of str
    """
    if study.budget.plan is None:
        return [sentence(why) for why in plan_words.no_plan(study.budget)] or ["There is no plan."]
    return [
        *_calibration(study),
        *_worth(study, levels),
        *_years(study),
        *_rules(study.budget),
        *_knee(outlook, study.line.plan.currency),
        *_tests(study, outlook),
    ]


def _calibration(study):
    """How far the record bears the model out."""
    line = study.outages.line
    if "calibration_factor" in line:
        ends = band(line["calibration_factor"], line["calibration_low"], line["calibration_high"])
        yield (
            f"These figures are the model's. The record of this line speaks for {ends} times as many trip-outs, avoided "
            "ones too; which towers come first hardly depends on it."
        )
    elif "whole_line_per_year" in line:
        yield (
            f"These figures are the model's, which may be off by a factor of {two(line['model_factor'])} to either side; "
            "which towers come first hardly depends on it."
        )


def _worth(study, levels):
    """Whether the budget pays by trip-outs alone."""
    price, currency = study.line.plan.cost_per_trip_out, study.line.plan.currency
    each = levels.set_index("level")["cost_per_benefit"].get("middle", math.nan) if len(levels) else math.nan
    if not price or not math.isfinite(each):
        return
    pays = (
        "less than one costs" if each < price else "more than one costs: by trip-outs alone it does not pay"
    )
    yield (
        f"Each trip-out avoided takes {money(each, currency)} of the middle budget, at {money(price, currency)} a "
        f"trip-out {pays}. What a trip-out costs is seldom known well: at half or twice as much all money told of them halves "
        "or doubles, and the plan, which counts trip-outs, stays."
    )


def _years(study):
    """Whether it can be delivered: the set budget year by year."""
    plan = study.budget.plan
    parts = [
        f"year {row.year:.0f}: {count(int(row.towers), 'tower')}, {money(row.spent, study.line.plan.currency)}, "
        f"{two(row.crew_weeks)} crew-weeks, {count(int(row.mobilisations), 'mobilisation')}"
        for row in plan.years.itertuples()
    ]
    must = int(plan.works["must_do"].sum())
    owed = f"; {count(must, 'work')} of it must be done whatever it saves" if must else ""
    yield f"The budget as set, {'; '.join(parts)}{owed}. Mobilisation: bringing a crew to a stretch of the line once."


def _rules(budget):
    """What the plan is, and what simpler rules would bring for the same money."""
    yield budget.plan.how
    yield from plan_words.beside_rules(budget.methods)


def _knee(outlook, currency):
    """Where more money begins to buy less."""
    if outlook is None or outlook.curve.empty or not outlook.curve["at_knee"].any():
        return
    row = outlook.curve[outlook.curve["at_knee"]].iloc[0]
    yield (
        f"The knee of the budget curve lies near {money(row['budget'], currency)}: beyond it money buys less than on the "
        "average of the whole curve, up to every tower treated."
    )


def _tests(study, outlook):
    """What testing first would change."""
    again, towers = len(study.retest), study.condition
    unsure = int((towers["rank_confidence"] == "open").sum())
    text = (
        f"Test more first: {count(again, 'tower')} on the retest list; of {count(unsure, 'read tower')} it is open whether "
        "they belong to the worst tenth"
    )
    if outlook is not None and len(outlook.tests):
        first = named(outlook.tests["tower_id"])
        yield f"{text}. Single tests that are expected to change the plan most: tower {first}."
    else:
        yield f"{text}, and there a further test is worth most before money is spent."


def checks(study, levels):
    """How success will be checked, in sentences.

    Parameters
    ----------
    study : Assessment
    levels : pandas.DataFrame or None

    Returns
    -------
    list of str
    """
    works, parts = study.budget.works, []
    if len(works):
        ways = works["verify"].fillna("").replace("", "not said").value_counts()
        some = [f"{count(int(number), 'work')} by {way}" for way, number in ways.head(MOST_CHECKS).items()]
        parts.append(f"First by the works themselves: {'; '.join(some)}.")
        verified = works["predicted_ohm"].notna().sum()
        parts.append(
            f"{count(int(verified), 'work')} of {len(works)} have a predicted footing to be held against the retest; the "
            "changes of each month tell fixed and verified, fixed not verified, and did not work apart."
        )
    else:
        parts.append(
            "Without a plan there is nothing to check yet: each treatment asks for a retest by the same method."
        )
    return parts + list(_proof(study, levels))


def _proof(study, levels):
    """How long until trip-outs show it."""
    years = study.outages.years
    if years.empty or years["years_each_side"].isna().all():
        yield "How long until trip-outs show it cannot be told: no rate of this line is known."
        return
    cut = _cut(study, levels)
    near = years.loc[(years["cut_fraction"] - cut).abs().idxmin()]
    after = near["years_after_record"] if pd.notna(near["years_after_record"]) else near["years_each_side"]
    how = "more than 60 years" if math.isinf(after) else f"about {count(int(after), 'year')}"
    yield (
        f"Then by trip-outs, slowly: if {share(near['cut_fraction'], 1)} of them really ceased, this line alone would take "
        f"{how} after the work to show it (one-sided 5 %, power 80 %); results pooled over treated lines, each "
        "with its flashes counted, show it sooner. A bad year that is followed by a better one proves nothing."
    )


def _cut(study, levels):
    """Part of the trip-outs that the middle budget would avoid; a half where there is no plan."""
    rate = study.outages.line.get("trip_outs_per_year", math.nan)
    if levels is None or levels.empty or not rate > 0:
        return 0.5
    middle = levels.set_index("level")["avoided_per_year"].get("middle", math.nan)
    return middle / rate if math.isfinite(middle) else 0.5
