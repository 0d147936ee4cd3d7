"""What notebooks and pages say of the plan in words: levels, packages, how sure it is, what earlier works taught."""

import numpy as np

from towerlib.plan import sensitivity as studies
from towerlib.plan.budget import OWN
from towerlib.text import counted, listed, money, plain, rounded, share, two, wrapped

KINDS = {  # kind of treatment, and how pictures and sentences call it
    "lead": "leads and leg bonds repaired",
    "rebond": "shield-wire bonds re-made",
    "rods": "rods",
    "drilled": "deep electrodes",
    "radials": "radial wires",
    "ring": "rings",
    "ring and radials": "rings with radial wires",
    "counterpoise": "continuous counterpoise",
    "arresters": "line arresters",
    "under-built": "under-built wire",
}
PACKAGES = {
    "package": "package",
    "access": "access",
    "towers": "towers",
    "trench_m": "trench_m",
    "wire_m": "wire_m",
    "rod_count": "rods",
    "drilled_m": "drilled_m",
    "arrester_sets": "arresters",
    "crew_weeks": "crew_weeks",
    "cost": "cost",
    "cost_low": "low",
    "cost_high": "high",
    "avoided_per_year": "avoided",
}


def levels(budget, outlook, line):
    """What each of the levels buys, one paragraph each.

    Parameters
    ----------
    budget : Budget
    outlook : towerlib.plan.sensitivity.Outlook or None
    line : Line

    Returns
    -------
    str
    """
    if outlook is None or outlook.levels.empty:
        return wrapped([*no_plan(budget)] or ["The budget is 0: there are no levels to compare."])
    return wrapped(
        [_level(row, budget.constraints, line.plan.currency) for row in outlook.levels.itertuples()]
    )


def _level(row, terms, currency):
    """One level in sentences."""
    head = f"{row.level.capitalize()}, {money(row.budget, currency)}:"
    if not np.isfinite(row.spent):
        return f"{head} no plan. {row.how}"
    text = (
        f"{head} {row.towers:.0f} towers in {row.mobilisations:.0f} mobilisations and {plain(row.crew_weeks)} crew-weeks for "
        f"{money(row.spent, currency)} (works {money(row.cost_low)} to {money(row.cost_high)} at low and high prices); "
        f"{two(row.avoided_per_year)} trip-outs a year avoided once all is done ({two(row.avoided_low)} to "
        f"{two(row.avoided_high)}), {two(row.benefit)} over {plain(terms.horizon_years)} years"
    )
    if row.benefit > 0:
        text += f", {money(rounded(row.cost_per_benefit), currency)} each"
    if np.isfinite(row.gain):
        text += f"; {share(row.gain)} than worst ohms first"
    if np.isfinite(row.added_per_cost) and row.added_per_cost > 0:
        text += f". What is above the level before costs {money(rounded(1 / row.added_per_cost), currency)} a trip-out avoided"
    return text + "."


def beside_rules(methods):
    """What the plan brings beside each simple rule, whatever its sign: one sentence per kind of answer.

    Parameters
    ----------
    methods : pandas.DataFrame
        As `towerlib.plan.Budget.methods`.

    Returns
    -------
    list of str
    """
    others = methods[methods["method"] != OWN]
    told = others[np.isfinite(others["gain"].astype(float))]
    parts = [f"{share(row.gain)} than “{row.method}”" for row in told.itertuples()]
    said = [f"The plan avoids {' and '.join(parts)} with the same money."] if parts else []
    vain = others.loc[np.isposinf(others["gain"].astype(float)), "method"]
    failing = others.loc[others["fails"].astype(bool), "method"]
    said += [f"“{name}” avoids nothing with the same money." for name in vain]
    return said + [f"“{name}” cannot carry the must-do works with this money." for name in failing]


def packages(table, rows=20):
    """Packages of the plan with their totals, as text.

    Parameters
    ----------
    table : pandas.DataFrame
        As `towerlib.plan.packages.packages` gives it.
    rows : int

    Returns
    -------
    str
    """
    if table.empty:
        return "No package: there is no plan, or nothing in it."
    shown = table[list(PACKAGES)].rename(columns=PACKAGES).head(rows)
    whole = {"avoided": "{:.2f}".format, "crew_weeks": "{:.1f}".format}
    text = shown.to_string(index=False, na_rep="-", float_format="{:.0f}".format, formatters=whole)
    left = len(table) - len(shown)
    return text + (f"\n… and {left} more in packages.csv." if left > 0 else "")


def sureness(outlook):
    """How sure the plan is, and which test would change it most, in sentences.

    Parameters
    ----------
    outlook : towerlib.plan.sensitivity.Outlook or None

    Returns
    -------
    str
    """
    if outlook is None:
        return "Without a plan nothing can be said of how sure it is."
    free = outlook.chances[~outlook.chances["must_do"]]
    mine = free[free["in_plan"]]
    firm, open_ = mine[mine["chance"] >= 0.8], mine[mine["chance"] < 0.5]
    parts = [
        f"Of {len(mine)} towers in the plan that are no must-do, {len(firm)} stay in it in at least 80 % of what the "
        f"benefits could be, {len(open_)} in less than half"
        + (f" ({listed(open_['tower_id'])})" if len(open_) else "")
        + ".",
        _left_out(free[~free["in_plan"] & (free["chance"] >= 0.4)]),
        _regret(outlook.regret),
        *_tests(outlook.tests),
    ]
    return wrapped(parts)


def _left_out(near):
    """Towers that are out of the plan but could as well be in it."""
    if near.empty:
        return ""
    return f"Not in the plan, but in at least 40 % of what could be: {listed(near['tower_id'])}."


def _regret(regret):
    """What better knowledge would bring."""
    if not regret["perfect"] > 0:
        return ""
    return (
        f"Who knew every benefit beforehand could avoid {regret['regret'] / regret['perfect']:.0%} more than the plan does: "
        "so much at most are tests and soundings worth."
    )


def _tests(tests):
    """The next tests with what they are expected to add."""
    if tests.empty:
        return ["No single test is expected to change the plan for the better."]
    lines = ["Tests that are expected to change the plan most (gains of single tests; they do not add up):"]
    return lines + [
        f"  {row.rank}. tower {row.tower_id}: {row.gain_part:.2%} more avoided, changes what is done there with a chance of "
        f"{row.chance_changes:.0%}"
        for row in tests.itertuples()
    ]


def learned(treatments):
    """What earlier works achieved: those that did not improve, and the corrections learned, in sentences.

    Parameters
    ----------
    treatments : Treatments

    Returns
    -------
    str
    """
    done = treatments.learned
    judged = done[done["improved"].notna()] if len(done) else done
    if judged.empty:
        return "No earlier work has comparable readings before and after it, so nothing is learned yet."
    failed = treatments.did_not_improve
    parts = [
        f"{counted(len(judged), 'earlier work')} with comparable readings on both sides; {len(failed)} without clear improvement."
    ]
    parts += [
        f"  No clear improvement: {row.treatment} at tower {row.tower_id}, {plain(row.before_ohm)} Ω before, "
        f"{plain(row.after_ohm)} Ω after{_expected(row.predicted_ohm)}."
        for row in failed.itertuples()
    ]
    parts += [
        f"  Learned for {KINDS.get(row.kind, row.kind)} in {row.soil_class} ground: predictions times "
        f"{row.learned_factor:.2f}, from {counted(row.n, 'work')}."
        for row in treatments.corrections.itertuples()
    ]
    return wrapped(parts)


def _expected(ohm):
    """What was to be expected, where that is known."""
    return f"; {plain(ohm)} Ω was to be expected" if np.isfinite(ohm) else ""


def no_plan(budget):
    """Why there is no plan, and what stands instead; nothing where there is one.

    Parameters
    ----------
    budget : Budget

    Returns
    -------
    list of str
    """
    if budget.plan is not None:
        return []
    best = budget.best[budget.best["benefit_per_year"].astype(float) > 0] if len(budget.best) else budget.best
    if best.empty:
        return list(budget.off)
    column = "benefit_per_cost" if best["benefit_per_cost"].notna().any() else "effort_rate"
    rate = best["avoided_per_year"] / best["effort"].where(best["effort"] > 0)
    first = (
        best.assign(effort_rate=rate.fillna(np.inf))
        .sort_values(column, ascending=False, kind="stable")
        .head(5)
    )
    by = "for its cost" if column == "benefit_per_cost" else "per metre of trench"
    named = ", ".join(f"{row.tower_id} ({row.option})" for row in first.itertuples())
    return [*budget.off, f"Most avoided {by}: {named}."]


def answer(study, outlook):
    """What the budget buys, in sentences: towers, treatments, years, trip-outs, money, and what to doubt.

    Parameters
    ----------
    study : Study
    outlook : towerlib.plan.sensitivity.Outlook or None

    Returns
    -------
    str
    """
    budget, line = study.budget, study.line
    head = f"{line.title}, as of {study.month}:"
    if budget.plan is None:
        return wrapped([head, *no_plan(budget)])
    parts = [
        head,
        *_bought(budget, line.plan),
        *_kinds(budget, line.plan.currency),
        *_worth(budget, study.outages.line, line.plan),
        *_levelled(outlook, line.plan.currency),
        *_enough(outlook, line.plan),
        *(f"Not considered: {sentence}" for sentence in budget.off),
        *(sentence for sentence in budget.assumed if sentence != budget.plan.how),
    ]
    return wrapped(parts)


def _bought(budget, terms):
    """Towers, money and trip-outs of the plan, and how far the simple rules fall short."""
    plan, works = budget.plan, budget.works
    if works.empty:
        return [
            f"{money(sum(budget.constraints.budget), terms.currency)} buys nothing here: no work fits or brings a benefit."
        ]
    low, middle, high = (works[name].sum() for name in ("avoided_low", "avoided_per_year", "avoided_high"))
    years = ", ".join(
        f"{row.towers} towers in year {row.year} ({money(row.spent, terms.currency)})"
        for row in plan.years.itertuples()
    )
    must = int(works["must_do"].sum())
    parts = [
        f"{money(plan.spent, terms.currency)} of {money(sum(budget.constraints.budget), terms.currency)} treat "
        f"{len(works)} towers: {years}. Must-dos among them, whatever they bring: {must}.",
        f"Once all is done, {two(middle)} trip-outs a year are avoided ({two(low)} to {two(high)} if all works err alike); "
        f"{two(plan.benefit)} over {plain(budget.constraints.horizon_years)} years, later ones counted less.",
    ]
    return [*parts, plan.how, *beside_rules(budget.methods)]


def _kinds(budget, currency):
    """What each kind of treatment avoids."""
    table = studies.by_kind(budget.works)
    told = [
        f"{KINDS.get(row.kind, row.kind)} at {row.towers} ({two(row.avoided_per_year)} a year for {money(row.cost, currency)})"
        for row in table.itertuples()
    ]
    return [f"By treatment, without mobilisation: {'; '.join(told)}."] if told else []


def _worth(budget, rates, terms):
    """What a trip-out must cost for the plan to pay, by the model and by the record."""
    plan = budget.plan
    if not plan.benefit > 0:
        return []
    each = plan.spent / plan.benefit
    parts = [
        f"By the model, one trip-out avoided costs {money(rounded(each), terms.currency)}{_pays(each, terms)}."
    ]
    factor = rates.get("calibration_factor")
    if factor and abs(factor - 1) > 0.05:
        low, high = rates["calibration_low"], rates["calibration_high"]
        each /= factor
        parts.append(
            f"The line's own record calls for {two(factor)} times ({two(low)} to {two(high)}) as many trip-outs as the model, "
            f"so for as many avoided: one costs {money(rounded(each), terms.currency)} then{_pays(each, terms)}. The order of "
            "the towers stays."
        )
    if rates.get("model_factor"):
        parts.append(
            f"The method itself may be off by a factor of {two(rates['model_factor'])} to either side, much the same for all "
            "towers."
        )
    return parts


def _pays(each, terms):
    """Whether that is less than what a trip-out costs."""
    if terms.cost_per_trip_out is None:
        return ""
    less = "less" if each <= terms.cost_per_trip_out else "more"
    return f", {less} than the {money(terms.cost_per_trip_out, terms.currency)} that a trip-out costs"


def _levelled(outlook, currency):
    """Where the curve bends."""
    if outlook is None or not outlook.curve["at_knee"].any():
        return []
    knee = outlook.curve[outlook.curve["at_knee"]].iloc[0]
    bought = f"{knee['towers']:.0f} towers, {two(knee['benefit'])} trip-outs avoided"
    where = f"{money(rounded(knee['budget']), currency)} ({bought})"
    return [
        f"The budget curve bends near {where}: up to there money buys more than the average, beyond it less."
    ]


def _enough(outlook, terms):
    """The budget beyond which a trip-out avoided costs more than one that happens."""
    if outlook is None or terms.cost_per_trip_out is None:
        return []
    curve = outlook.curve
    dear = curve["added_per_cost"] * terms.cost_per_trip_out < 1
    if not dear.any():
        return []
    last = curve.loc[dear.idxmax() - 1, "budget"]
    return [
        f"Beyond about {money(rounded(last), terms.currency)} each further trip-out avoided costs more, by the model, than "
        f"the {money(terms.cost_per_trip_out, terms.currency)} that one is said to cost."
    ]
