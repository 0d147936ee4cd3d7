"""Charts and words of the plan: what they show, that they fit their page, what they answer where there is no plan."""

from dataclasses import replace
from types import SimpleNamespace

import matplotlib as mpl
import matplotlib.pyplot as plt
import numpy as np
import pandas as pd
import pytest
from pictures import condition as pictured
from pictures import crowded, drawn, png, words
from test_plan_budget import drawn_up, line_of, towers, treatments

from towerlib.plan import packages
from towerlib.plan import sensitivity as studies
from towerlib.report import maps, plan_charts, plan_words
from towerlib.route import build

RATES = {
    "whole_line_per_year": 3.0,
    "calibration_factor": 0.5,
    "calibration_low": 0.3,
    "calibration_high": 0.8,
}
SMALL = {"draws": 10, "steps": 3, "tests": 2}
CHANGED = {"budget": 60.0, "must_treat": '["T4"]', "cost_per_trip_out": 20.0}


@pytest.fixture(scope="module")
def made():
    """A line of six towers with its plan, once for all tests; nothing here changes it."""
    budget = drawn_up(**CHANGED)
    state = pictured(6).assign(tower_id=towers()["tower_id"], chainage_km=towers()["chainage_km"])
    line = line_of(**CHANGED)
    register = towers()[["tower_id", "latitude_deg", "longitude_deg"]].assign(sequence=np.arange(6.0))
    return SimpleNamespace(
        budget=budget,
        line=line,
        month="2026-06",
        condition=state,
        route=build(register, line),
        outages=SimpleNamespace(line=RATES),
        outlook=studies.outlook(budget, towers(), **SMALL),
    )


CHARTS = {
    "curve": lambda made: plan_charts.budget_curve(made.budget, made.outlook, made.line),
    "waterfall": lambda made: plan_charts.before_after(made.budget, made.outages, made.line),
    "chances": lambda made: plan_charts.chances(made.budget, made.outlook, made.line),
    "map": lambda made: maps.plan_map(made.route, made.condition, made.budget, made.line, month=made.month),
}


def said(figure):
    """All that can be read in a figure, on one line, with plain spaces."""
    return " ".join(words(figure).split())


def without(made, **changed):
    """The same line where there is no plan."""
    budget = drawn_up(**({"budget": None} | changed))
    return SimpleNamespace(**(vars(made) | {"budget": budget, "outlook": None}))


@pytest.mark.parametrize("name", CHARTS)
def test_no_text_lies_on_another_or_off_the_page(made, name):
    figure = CHARTS[name](made)
    assert crowded(figure) == []
    wide, high = figure.get_size_inches() * 25.4
    assert wide <= 210 - 2 * 15  # ISO 216: A4 is 210 mm by 297 mm
    assert high <= 297 - 2 * 15


@pytest.mark.parametrize("name", CHARTS)
def test_same_bytes_whatever_the_callers_style(made, name):
    plain = png(CHARTS[name](made))
    with mpl.style.context(["dark_background", {"font.size": 20}]):
        assert png(CHARTS[name](made)) == plain
    assert plt.get_fignums() == []


@pytest.mark.parametrize("name", CHARTS)
def test_without_a_plan_every_picture_says_why_in_words(made, name):
    text = said(CHARTS[name](without(made)))
    assert "[plan] budget is not set" in text
    assert "Most avoided for its cost: T0 (4 rods 3 m)" in text


def test_curve_shows_knee_levels_and_both_rules(made):
    figure = CHARTS["curve"](made)
    lines = {line.get_gid(): line for line in figure.axes[0].lines if line.get_gid()}
    for name in ("benefit", "greedy", "worst_first"):
        assert lines[name].get_ydata() == pytest.approx(made.outlook.curve[name].to_numpy(), nan_ok=True)
    levels = [line for line in figure.axes[0].lines if line.get_gid() == "level"]
    shown = made.outlook.levels[made.outlook.levels["benefit"].notna()]
    assert [line.get_xdata()[0] for line in levels] == shown["budget"].tolist()
    assert ("knee" in lines) == made.outlook.curve["at_knee"].any()
    assert "Budget of all years [EUR]" in said(figure)


def test_waterfall_ends_where_the_line_stands_after_the_plan(made):
    rows = plan_charts.waterfall(made.budget.works, RATES)
    works = made.budget.works
    assert rows["end"].iloc[0] == 3.0
    assert rows["end"].iloc[-1] == pytest.approx(3.0 - works["avoided_per_year"].sum())
    assert rows["low"].iloc[-1] == pytest.approx(3.0 - works["avoided_high"].sum())
    assert rows["high"].iloc[-1] == pytest.approx(3.0 - works["avoided_low"].sum())
    assert rows["start"].iloc[-2] == pytest.approx(rows["end"].iloc[-1])
    assert rows["end"].iloc[1:-1].tolist() == pytest.approx([3.0, *rows["start"].iloc[1:-2]])
    assert "0.50 (0.30–0.80) times every figure here" in said(CHARTS["waterfall"](made))


def test_waterfall_needs_the_trip_outs_of_the_line(made):
    other = SimpleNamespace(**(vars(made) | {"outages": SimpleNamespace(line={})}))
    assert "trip-outs of this line are not known" in said(CHARTS["waterfall"](other))


def test_map_tells_every_tower_of_the_plan_by_year_and_names_packages(made):
    figure, works = CHARTS["map"](made), made.budget.works
    years = works["year"].value_counts()
    shown = {}
    for name, count in drawn(figure).items():
        shown[name.removesuffix(", circled")] = shown.get(name.removesuffix(", circled"), 0) + count
    assert shown == {f"year {year}": count for year, count in years.items()} | {maps.LEFT: 6 - len(works)}
    assert sum(count for name, count in drawn(figure).items() if "circled" in name) == works["must_do"].sum()
    for name, some in works.groupby("package"):
        assert f"{name}: {len(some)}" in said(figure)


def test_years_differ_in_shape_and_not_in_colour_alone():
    marks = maps.marks_of(8)
    assert len({mark.shape for mark in marks.values()}) == 9
    assert len({tuple(np.round(mpl.colors.to_rgb(mark.colour), 4)) for mark in marks.values()}) == 9


def test_chances_leave_must_dos_out(made):
    inside, outside = plan_charts.doubtful(made.outlook.chances, 20)
    assert "T4" not in {*inside["tower_id"], *outside["tower_id"]}
    assert inside["chance"].is_monotonic_increasing
    assert outside["chance"].is_monotonic_decreasing
    assert "Must-do works, in every plan and not shown: 1." in said(CHARTS["chances"](made))


def test_ids_that_look_like_formulas_stay_as_they_are(made):
    outlook = replace(
        made.outlook, chances=made.outlook.chances.assign(tower_id=[f"${k}$^_" for k in range(6)])
    )
    figure = plan_charts.chances(made.budget, outlook, made.line)
    assert "$1$^_" in words(figure)


def test_levels_hold_their_figures(made):
    found = plan_words.levels(made.budget, made.outlook, made.line).set_index("level")
    assert found["budget [EUR]"].to_dict() == {"low": 30, "middle": 60, "high": 90}
    middle = made.outlook.levels.iloc[1]
    assert found.loc["middle", "towers"] == middle["towers"]
    assert found.loc["middle", "mobilisations"] == middle["mobilisations"]
    gain = found.loc["middle", "gain over worst ohms first [%]"]
    assert gain == float(f"{100 * middle['gain']:.2g}")


def test_answer_holds_towers_years_money_and_doubts(made):
    text = " ".join(plan_words.answer(made, made.outlook).split())
    plan = made.budget.plan
    assert f"{plan.spent:.0f} EUR of 60 EUR treat {len(made.budget.works)} towers" in text
    assert "Must-do works among them, whatever they avoid: 1." in text
    each = float(f"{plan.spent / plan.benefit:.2g}")
    assert f"one trip-out avoided costs {each:.0f} EUR" in text
    halved = float(f"{plan.spent / plan.benefit / 0.5:.2g}")
    assert f"one then costs {halved:.0f} EUR" in text
    assert "than the 20 EUR that a trip-out costs" in text


def test_answer_names_the_budget_beyond_which_money_is_lost(made):
    curve = pd.DataFrame(
        {"budget": [0.0, 40.0, 80.0], "added_per_cost": [np.nan, 0.1, 0.04], "at_knee": False}
    )
    outlook = replace(made.outlook, curve=curve)
    assert "Beyond about 40 EUR each further" in " ".join(plan_words.answer(made, outlook).split())
    cheap = replace(outlook, curve=curve.assign(added_per_cost=[np.nan, 0.1, 0.06]))
    assert "Beyond about" not in plan_words.answer(made, cheap)


@pytest.mark.parametrize(
    ("changed", "told"),
    [
        ({"budget": None}, "budget is not set"),
        ({"budget": 0}, "0 EUR buys nothing here"),
    ],
)
def test_answer_without_money(made, changed, told):
    other = without(made, **changed)
    assert told in " ".join(plan_words.answer(other, None).split())
    assert plan_words.levels(other.budget, None, other.line).caption


def test_answer_without_prices_ranks_by_trench(made):
    could = treatments(cost=np.nan, cost_low=np.nan, cost_high=np.nan)
    other = SimpleNamespace(**(vars(made) | {"budget": drawn_up(could)}))
    text = " ".join(plan_words.answer(other, None).split())
    assert "No prices were given" in text
    assert "Most avoided per metre of trench: T0 (4 rods 3 m)" in text


def test_packages_in_words_say_how_many_are_left(made):
    table = packages.packages(made.budget, treatments().mobilisation)
    assert f"({len(table) - 1} more not shown)" in plan_words.packages(table, "EUR", rows=1).caption
    found = plan_words.packages(table, "EUR")
    assert "not shown" not in found.caption
    assert found["cost [EUR]"].to_list() == table["cost"].round().to_list()
    assert "No package" in plan_words.packages(table.iloc[:0], "EUR").caption


def test_learned_names_what_did_not_improve():
    done = pd.DataFrame(
        {
            "tower_id": ["T1", "T2"],
            "treatment": ["extra rods", "deep rod"],
            "before_ohm": [24.9, 30.0],
            "after_ohm": [24.9, 12.0],
            "predicted_ohm": [np.nan, 14.0],
            "improved": pd.array([False, True], "boolean"),
        }
    )
    taught = pd.DataFrame({"kind": ["rods"], "soil_class": ["stony"], "n": [1], "learned_factor": [0.9]})
    could = SimpleNamespace(learned=done, did_not_improve=done.iloc[:1], corrections=taught)
    text = plan_words.learned(could)
    assert "2 earlier works" in text
    assert "No clear improvement: extra rods at tower T1, 24.9 Ω before, 24.9 Ω after." in text
    assert "rods in stony ground: predictions times 0.90, from 1 work" in text
    assert "nothing is learned" in plan_words.learned(SimpleNamespace(learned=done.iloc[:0]))


def test_confidence_counts_the_towers_of_the_plan(made):
    text = plan_words.confidence(made.outlook)
    mine = made.outlook.chances
    assert f" of {int((mine['in_plan'] & ~mine['must_do']).sum())} selected towers" in text
    assert "Without a plan" in plan_words.confidence(None)
