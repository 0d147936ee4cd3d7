"""The answer of the plan in sentences: what the budget buys, what that is worth, and what to doubt."""

from towerlib.plan import study as studies
from towerlib.publish import plan_words
from towerlib.publish.lettering import plain
from towerlib.publish.plan_figures import money, rounded, two, wrapped
from towerlib.publish.plan_words import KINDS, no_plan


def answer(study, outlook):
    """What the budget buys, in sentences: towers, treatments, years, trip-outs, money, and what to doubt.

    Parameters
    ----------
    study : Assessment
    outlook : towerlib.plan.study.Outlook or None

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
            f"{money(sum(budget.terms.budget), terms.currency)} buys nothing here: no work fits or brings a benefit."
        ]
    low, middle, high = (works[name].sum() for name in ("avoided_low", "avoided_per_year", "avoided_high"))
    years = ", ".join(
        f"{row.towers} towers in year {row.year} ({money(row.spent, terms.currency)})"
        for row in plan.years.itertuples()
    )
    must = int(works["must_do"].sum())
    parts = [
        f"{money(plan.spent, terms.currency)} of {money(sum(budget.terms.budget), terms.currency)} treat {len(works)} towers: "
        f"{years}. Must-dos among them, whatever they bring: {must}.",
        f"Once all is done, {two(middle)} trip-outs a year are avoided ({two(low)} to {two(high)} if all works err alike); "
        f"{two(plan.benefit)} over {plain(budget.terms.horizon_years)} years, later ones counted less.",
    ]
    return [*parts, plan.how, *plan_words.beside_rules(budget.methods)]


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
