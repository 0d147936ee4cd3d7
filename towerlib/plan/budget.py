"""The budget plan of a line: selected works, comparison with simple rules, and remarks."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, cast

import numpy as np
import pandas as pd

from towerlib.errors import SettingsError
from towerlib.plan.expected import column, expected_benefit
from towerlib.plan.heuristic import NO_PRICES, failed, greedy, worst_first
from towerlib.plan.optimise import optimise
from towerlib.plan.outcome import Plan
from towerlib.plan.priority import queues, tiers
from towerlib.plan.problem import Constraints, phrases, spread_evenly, together_in_zones
from towerlib.plan.uncertainty import compared
from towerlib.text import counted, grouped, listed

if TYPE_CHECKING:
    from towerlib.config import Line
    from towerlib.config.sections import Plan as PlanSettings
    from towerlib.treatments import Treatments


NO_BUDGET = "No plan: [plan] budget is not set in line.toml. Each tower shows its treatment with the most benefit per cost."
OWN = "budget plan"  # its row among the methods
NO_CHOICE = "No plan: no treatment applies at any tower."
QUANTITIES = """
    trench_m wire_m rod_count rod_m drilled_m fill_m leads bonds arrester_sets underbuilt_m
""".split()
REPAIRS = ("lead", "rebond")
FACTS = ("leads_missing", "corrosion", "suspected_cause", "bond_seen", "impedance_class", "occupancy")
SHOWN = 6  # towers named in a sentence where the tables hold the rest
METHODS = "method towers spent benefit expected gain gain_low gain_high fails".split()
WORKS = """
    package year access_group access tower_id chainage_km option kind must_do footing_ohm predicted_ohm
    predicted_low_ohm predicted_high_ohm avoided_per_year avoided_low avoided_high cost cost_low cost_high
    crew_weeks decides conditional_on
""".split()
ADDED = """
    treatment plan_year package conditional_on predicted_ohm avoided_per_year avoided_low avoided_high cost cost_low cost_high
    benefit_per_cost
""".split()


@dataclass(frozen=True)
class Budget:
    """Budget plan of a line.

    Attributes
    ----------
    options : pandas.DataFrame
        Options of the plan: rows of `towerlib.treatments.Treatments.choices`, with obligation: the place of each
        inspection and repair in their order, blank for all other options.
    constraints : Constraints or None
        Budget, crews and years; None without a budget.
    plan : Plan or None
        Optimal where `plan.proven`; otherwise `plan.how` states the distance to the best possible.
    works : pandas.DataFrame
        One row per selected work, by year and access group: columns as in `WORKS` and `QUANTITIES`, and verify. A
        tower can have an inspection or repair, which decides something, and a treatment that is conditional on it.
    methods : pandas.DataFrame
        One row per planning method within the same constraints, the plan first as `OWN`: method, towers, spent,
        benefit (trip-outs avoided over the horizon, discounted, by the estimates that the plan is made of), expected
        (the same on the true footings), gain (of the plan over the method on the true footings, relative, with
        gain_low and gain_high, 80 %; infinite over a method that avoids nothing), fails (True for a method that
        violates a constraint, such as a must-do; its gain is blank).
    best : pandas.DataFrame
        One row per tower: the selected option, the treatment before the inspection or repair that it waits for;
        otherwise the inspection or repair, otherwise the option with the most benefit per cost.
    off, assumed : tuple of str
        What is not available, with the reason; assumptions of the plan.
    """

    options: pd.DataFrame
    constraints: Constraints | None
    plan: Plan | None
    works: pd.DataFrame
    methods: pd.DataFrame
    best: pd.DataFrame
    off: tuple[str, ...]
    assumed: tuple[str, ...]


def optimise_plan(treatments: Treatments, condition: pd.DataFrame, line: Line) -> Budget:
    """Budget plan of a line within the constraints of its settings.

    Parameters
    ----------
    treatments : Treatments
        Options, from `towerlib.treatments.assess`.
    condition : pandas.DataFrame
        One row per tower, from `towerlib.condition.assess`.
    line : Line
        Settings, of which ``[plan]`` is used.

    Returns
    -------
    Budget

    Raises
    ------
    SettingsError
        The must-do works exceed the constraints; the message names them and the excess.

    Notes
    -----
    The benefit is trip-outs avoided a year, from the year after the work to the end of its life or of the
    horizon, later years discounted. Safety works are must-dos; their value is not expressed in trip-outs.
    Inspections and repairs come before the other works, each in the earliest year whose money and crews suffice, in
    the order of the priority list: safety, certain damage, expected benefit. The cost of a conditional work is a
    reserve until its inspection.
    """
    options = _options(treatments, condition, line)
    priced = options.loc[options["obligation"].isna() | options["kind"].isin(REPAIRS), "cost"].notna()
    if not len(options):
        return _without(options, condition, NO_CHOICE)
    if line.plan.budget is None:
        return _without(options, condition, NO_BUDGET)
    if not bool(priced.any()):
        owed = " Without prices, [plan] must_treat has no effect." if line.plan.must_treat else ""
        return _without(options, condition, NO_PRICES + owed)
    options, unpriced = _priced_must_do(options)
    constraints, unpaid = (
        constraints_of(line.plan, treatments.mobilisation),
        _unpaid(treatments.mobilisation, options),
    )
    footings = cast("pd.Series", condition.set_index("tower_id")["footing_ohm"])
    plan = optimise(options, constraints, search=False, footing_ohm=footings)
    ways = {
        OWN: plan,
        "most benefit per cost next": greedy(options, constraints),
        "worst ohms first": worst_first(options, constraints, footings),
    }
    works = _works(plan, options, condition)
    empty = (plan.how,) if works.empty else ()  # it then gives the reason why no work is selected
    return Budget(
        options=options,
        constraints=constraints,
        plan=plan,
        works=works,
        methods=_methods(ways, options, condition),
        best=_best(options, works),
        off=(
            *empty,
            *_owed_in_vain(options, line),
            *_beyond(plan),
            *unpriced,
            *_uncosted(works),
            *unpaid,
            *plan.problem.left_out,
        ),
        assumed=(
            *(() if empty else (plan.how,)),
            *_inspected(plan),
            *_reserve(works, line.plan.currency),
            *_assumed(constraints, line.plan),
        ),
    )


def constraints_of(plan: PlanSettings, mobilisation: pd.DataFrame) -> Constraints:
    """Constraints of a plan from the settings and the mobilisation prices.

    Parameters
    ----------
    plan : towerlib.config.sections.Plan
        With a budget; it is spread evenly over the years.
    mobilisation : pandas.DataFrame
        access_group and price, from `towerlib.treatments.Treatments.mobilisation`; a missing price counts as 0, and
        `Budget.off` reports it.

    Returns
    -------
    Constraints
    """
    fees = mobilisation.set_index("access_group")["price"].astype(float).fillna(0.0)
    weeks = plan.crew_weeks_per_year
    return Constraints(
        budget=spread_evenly(plan.budget or 0.0, plan.years),
        mobilisation=fees.to_dict(),
        crew_weeks=None if weeks is None else (weeks,) * plan.years,
        horizon_years=max(plan.horizon_years, plan.years),
        discount_rate=plan.discount_rate,
    )


def join(condition: pd.DataFrame, budget: Budget) -> pd.DataFrame:
    """Condition of the towers, with the treatment selected by the plan or by benefit per cost.

    Parameters
    ----------
    condition : pandas.DataFrame
        One row per tower.
    budget : Budget

    Returns
    -------
    pandas.DataFrame
        The same rows in the same order, with treatment, plan_year and package (blank for towers outside the plan),
        conditional_on (the inspection or repair that decides about the treatment, else blank),
        predicted_ohm, avoided_per_year with avoided_low and avoided_high, cost with cost_low and cost_high,
        and benefit_per_cost.
    """
    kept = condition.drop(columns=[name for name in ADDED if name in condition])
    best = budget.best.rename(columns={"option": "treatment"})[["tower_id", *ADDED]]
    best = best.assign(conditional_on=best["conditional_on"].astype("str"))
    return kept.merge(best, on="tower_id", how="left", validate="1:1").set_axis(condition.index)


def _options(treatments, condition, line):
    """Options of a plan; towers in [plan] must_treat are must-dos."""
    options = treatments.choices
    unknown = set(line.plan.must_treat) - set(condition["tower_id"])
    if unknown:
        raise SettingsError(
            f"[plan] must_treat names tower {sorted(unknown)[0]!r}, which the register does not have"
        )
    texts = {name: _text(options, name) for name in ("decides", "conditional_on")}
    options = options.assign(**texts, obligation=_obligations(options.assign(**texts), condition))
    beside = options["obligation"].notna()
    owed = options["tower_id"].isin(line.plan.must_treat) & ~beside
    options = options.assign(must_do=options["must_do"] | owed | beside)
    if line.plan.station_zone_km is None:
        return options
    chainage = condition["chainage_km"]
    near = np.minimum(chainage, chainage.max() - chainage) <= line.plan.station_zone_km
    free = ~beside & (options["conditional_on"] == "")  # a zone does not wait for an inspection
    labels = together_in_zones(condition.assign(in_station_zone=near), options.loc[free, "tower_id"].unique())
    return options.assign(together=options["tower_id"].map(labels).where(free))


def _text(options, name):
    """Text column of the options, "" where it is blank or missing."""
    return column(options, name, "").fillna("").astype("str")


def _obligations(options, condition):
    """Place of each inspection and repair in their order, blank for all other options.

    The cheapest of a tower that settles the same. Safety first, then certain damage, then by expected benefit, as in
    the priority list; then along the line.
    """
    mine = options[options["decides"] != ""]
    mine = mine.sort_values("cost", kind="stable").drop_duplicates(["tower_id", "decides"])
    known = condition.assign(**{name: column(condition, name) for name in FACTS})
    facts = known.assign(
        tier=tiers(known, queues(known)),
        expected=expected_benefit(known)["expected_avoided_per_year"].fillna(0.0),
        along=np.arange(len(known)),
    ).set_index("tower_id")
    keys = facts[["tier", "expected", "along"]].reindex(mine["tower_id"]).set_index(mine.index)
    keys = keys.assign(tier=keys["tier"] - 0.5 * (mine["must_do"] & (keys["tier"] > 1)))
    order = keys.assign(expected=-keys["expected"]).sort_values(["tier", "expected", "along"], kind="stable")
    return pd.Series(np.arange(float(len(order))), order.index).reindex(options.index)


def _owed_in_vain(options, line):
    """Remark on towers in [plan] must_treat to which no treatment applies."""
    lost = [tower for tower in line.plan.must_treat if tower not in set(options["tower_id"])]
    return [f"[plan] must_treat: no treatment applies at tower {', '.join(lost)}."] if lost else []


def _beyond(plan):
    """Remark on inspections and repairs for which money or crews do not suffice in any year."""
    problem = plan.problem
    lost = problem.owed & (problem.when == 0)
    if not lost.any():
        return []
    return [
        f"Money or crews do not suffice for {counted(int(lost.sum()), 'inspection or repair', 'inspections or repairs')}; "
        f"in order: {_in_order(problem, lost)}."
    ]


def _inspected(plan):
    """Inspections and repairs by year, each in their order."""
    problem = plan.problem
    most = None if (problem.owed & (problem.when == 0)).any() else SHOWN
    parts = [
        f"year {year}: {_in_order(problem, problem.when == year, most)}"
        for year in range(1, problem.constraints.years + 1)
        if (problem.when == year).any()
    ]
    if not parts:
        return []
    return [
        "Inspections and repairs come first, in the order of safety, certain damage and expected benefit, each in the "
        f"earliest year with money and crews. Towers by {'; '.join(parts)}."
    ]


def _in_order(problem, chosen, most=None):
    """Towers of some obligations in their order, all of them or the first few."""
    rows = np.flatnonzero(chosen)
    rows = rows[np.argsort(problem.order[rows], kind="stable")]
    names = list(dict.fromkeys(problem.options["tower_id"].to_numpy(str)[rows]))
    return listed(names, most or len(names))


def _uncosted(works):
    """Remark on inspections and repairs whose cost is not known."""
    lost = works.loc[works["cost"].isna(), "tower_id"]
    if lost.empty:
        return []
    what = counted(len(lost), "inspection or repair", "inspections or repairs")
    return [
        f"{what} without a price in prices.csv count as 0: tower {listed(lost)}. The plan costs more than stated."
    ]


def _reserve(works, currency):
    """Sentence on the money of conditional works."""
    waiting = works[works["conditional_on"] != ""]
    if waiting.empty:
        return []
    return [
        f"{grouped(waiting['cost'].sum())} {currency} of the plan is a reserve: "
        f"{counted(len(waiting), 'work')} wait for an inspection or repair that can make them unnecessary. The benefit "
        "stated for them holds if the reading is confirmed."
    ]


def _priced_must_do(options: pd.DataFrame) -> tuple[pd.DataFrame, list[str]]:
    """Options without the towers whose must-do has no price, and a remark on those towers."""
    must = options["must_do"].astype(bool) & options["obligation"].isna()
    priced = options["cost"].notna()
    lost = sorted(set(options.loc[must, "tower_id"]) - set(options.loc[must & priced, "tower_id"]))
    if not lost:
        return options, []
    remark = (
        f"Must-do without a price, not in the plan: tower {', '.join(lost)}. Give the price in prices.csv."
    )
    gone = options["tower_id"].isin(lost) & options["obligation"].isna()
    kept = options.loc[~gone].reset_index(drop=True)
    return kept, [remark]


def _unpaid(mobilisation, options):
    """Remark on access groups without a mobilisation price."""
    missing = mobilisation.loc[mobilisation["price"].isna(), "access_group"]
    lost = sorted(set(missing) & set(_labels(options)))
    if not lost:
        return []
    return [
        f"Mobilisation without a price counts as 0: {counted(len(lost), 'access group')} ({', '.join(lost[:6])}"
        f"{', …' if len(lost) > 6 else ''}). The plan costs more than stated."
    ]


def _labels(options):
    """Access group of each option; a tower without a group forms its own."""
    own = "tower " + options["tower_id"].astype("str")
    return options["access_group"].astype("str").where(options["access_group"].notna(), own)


def _without(options, condition, why):
    """Result without a plan; the best option of each tower is still listed."""
    nothing = pd.DataFrame(columns=[*WORKS, *QUANTITIES, "verify"])
    methods = pd.DataFrame(columns=METHODS)
    return Budget(options, None, None, nothing, methods, _best(options, nothing), (why,), ())


def _works(plan, options, condition):
    """Works of the plan, with all data of a work order."""
    chosen = plan.works[["year", "tower_id", "option"]].merge(
        options, on=["tower_id", "option"], validate="1:1"
    )
    places = condition[["tower_id", "chainage_km"]]
    works = chosen.merge(places, on="tower_id", validate="m:1")
    works = works.assign(access_group=_labels(works), conditional_on=_conditions(works))
    works = works.assign(package="Y" + works["year"].astype("str") + " " + works["access_group"])
    works = works.sort_values("obligation", kind="stable")
    return works[[*WORKS, *QUANTITIES, "verify"]].sort_values(
        ["year", "access_group", "chainage_km"], ignore_index=True, kind="stable"
    )


def _conditions(works):
    """What each work waits for, with the year of it in the plan."""
    when = {phrase: row.year for row in works.itertuples() for phrase in phrases(row.decides) if row.decides}
    found = []
    for row in works.itertuples():
        parts = []
        for phrase in phrases(row.conditional_on):
            year = when.get(phrase)
            same = ", the same year: inspection first" if year == row.year else ""
            parts.append(phrase if year is None else f"{phrase} in year {year}{same}")
        found.append("; ".join(parts))
    return pd.Series(found, works.index, dtype="str")


def _best(options, works):
    """One option per tower: that of the plan, else that with most benefit per cost, or per effort without prices."""
    rate = options["avoided_per_year"] / options["cost"].where(options["cost"] > 0)
    effort = options["avoided_per_year"] / options["effort"].where(options["effort"] > 0)
    taken = works[["tower_id", "option", "year", "package", "conditional_on"]]
    taken = taken.rename(columns={"year": "plan_year", "conditional_on": "_in_plan"})
    ranked = options.assign(benefit_per_cost=rate, _effort=effort).merge(
        taken, on=["tower_id", "option"], how="left", validate="1:1"
    )
    ranked["conditional_on"] = ranked.pop("_in_plan").where(
        ranked["plan_year"].notna(), ranked["conditional_on"]
    )
    beside, planned = ranked["obligation"].notna(), ranked["plan_year"].notna()
    keys = pd.DataFrame(
        {
            "planned": ~planned,
            "beside": np.where(planned, beside, ~beside),
            "must": ~ranked["must_do"],
            "rate": -ranked["benefit_per_cost"].fillna(0.0),
            "effort": -ranked["_effort"].fillna(0.0),
        }
    )
    ranked = ranked.loc[keys.sort_values(list(keys), kind="stable").index]
    # an option without a prediction is not proposed, unless it is a must-do or a repair
    proposed = ranked["avoided_per_year"].gt(0) | ranked["must_do"] | ranked["kind"].isin(REPAIRS)
    ranked = ranked[proposed]
    best = ranked.drop_duplicates("tower_id").assign(plan_year=lambda t: t["plan_year"].astype("Int64"))
    return best.drop(columns="_effort").reset_index(drop=True)


def _methods(ways, options, condition):
    """Comparison of the planning methods, on the true footings."""
    plans = [(way.problem, way.choice) for way in ways.values()]
    table = compared(plans, options, condition).assign(
        method=list(ways),
        towers=[way.works["tower_id"].nunique() for way in ways.values()],
        spent=[way.spent for way in ways.values()],
        benefit=[way.benefit for way in ways.values()],
        fails=[failed(way) for way in ways.values()],
    )
    table.loc[table["fails"], ["gain", "gain_low", "gain_high"]] = np.nan
    return table[METHODS]


def _assumed(constraints, plan):
    """Assumptions of the plan, in sentences."""
    crews = (
        "no limit of crews"
        if constraints.crew_weeks is None
        else f"{plan.crew_weeks_per_year:g} crew-weeks a year"
    )
    total = grouped(plan.budget)
    return (
        f"Budget {total} {plan.currency}, spread evenly over {counted(plan.years, 'year')}, {crews}. Mobilisation "
        "is paid once per access group and year.",
        f"Trip-outs avoided count over {constraints.horizon_years:g} years, discounted by "
        f"{constraints.discount_rate:.1%} a year.",
        "Treatment can move flashovers to untreated neighbours. The sum does not include this effect.",
    )
