"""Charts and words of lightning trip-outs: what they show, that they fit their page, that they answer what is missing."""

from dataclasses import replace

import matplotlib as mpl
import matplotlib.pyplot as plt
import numpy as np
import pandas as pd
import pytest
from matplotlib.patches import StepPatch
from pictures import crowded, drawn, png, words
from test_outages import assessed, demo_line, line_of

from towerlib.report import outage_results


@pytest.fixture
def study():
    return demo_line("brackwater-stonefell")


@pytest.fixture(params=["brackwater-stonefell", "stonefell-ambermoss", "ambermoss-harrowmere"])
def any_study(request):
    return demo_line(request.param)


CHARTS = {
    "profile": lambda study: outage_results.rate_profile(study.outages, study.line),
    "footing": lambda study: outage_results.rate_by_footing(study.outages, study.condition, study.line),
    "concentration": lambda study: outage_results.concentration(study.outages, study.line),
    "comparison": lambda study: outage_results.observed_against_modelled(study.outages, study.line),
}


@pytest.mark.parametrize("name", CHARTS)
def test_no_text_lies_on_another_or_off_the_page(any_study, name):
    figure = CHARTS[name](any_study)
    assert crowded(figure) == []
    wide, high = figure.get_size_inches() * 25.4
    assert wide <= 210 - 2 * 15  # ISO 216: A4 is 210 mm by 297 mm
    assert high <= 297 - 2 * 15


@pytest.mark.parametrize("name", CHARTS)
def test_same_bytes_whatever_the_callers_style(study, name):
    plain = png(CHARTS[name](study))
    with mpl.style.context(["dark_background", {"font.size": 20}]):
        before = dict(mpl.rcParams)
        assert png(CHARTS[name](study)) == plain
        assert dict(mpl.rcParams) == before
    assert plt.get_fignums() == []


@pytest.mark.parametrize("name", ["profile", "footing", "concentration"])
def test_modelled_rates_carry_how_far_they_may_be_off(study, name):
    text = words(CHARTS[name](study)).replace("\n", " ")
    assert "adds a factor of 2 to 5" in text
    assert "135 towers with a rate, 5 without" in text


def test_every_tower_with_a_rate_is_drawn_by_its_kind(study):
    towers = study.outages.towers
    rated = towers[towers["trip_outs_per_year"].notna()]
    helps = rated["treatment_can_help"].astype(bool)
    soil = rated["soil_source"] == "assumed"
    expected = {
        outage_results.HELPS: (helps & ~soil).sum(),
        outage_results.SOIL: (helps & soil).sum(),
        outage_results.SATURATED: (~helps).sum(),
    }
    for name in ("profile", "footing"):
        assert drawn(CHARTS[name](study)) == {kind: count for kind, count in expected.items() if count}


def test_trip_outs_on_record_keep_their_number(study):
    (steps,) = CHARTS["profile"](study).findobj(StepPatch)
    assert steps.get_data().values.sum() == pytest.approx(42)


def test_lorenz_curve_by_hand():
    """Rates 6, 3, 1, the last without: the largest third carries 0.6, two thirds 0.9."""
    share, carried = outage_results.lorenz([3.0, np.nan, 1.0, 6.0], 10.0)
    np.testing.assert_allclose(share, [0, 1 / 3, 2 / 3, 1])
    np.testing.assert_allclose(carried, [0, 0.6, 0.9, 1])


def test_the_worst_tenth_is_marked_with_what_the_sums_say(study):
    line = study.outages.line
    text = words(CHARTS["concentration"](study))
    assert f"carries {100 * line['worst_tenth_carries_fraction']:.0f} %" in text
    assert f"avoids {100 * line['avoided_worst_tenth_fraction']:.0f} %" in text


def test_curve_of_the_usual_tower_meets_the_towers(study):
    """Soil at most 100 m and at least 5 m times the footing: nearly all towers lie between the outer curves."""
    towers = outage_results.with_rate(study.outages, study.condition)
    towers = towers[towers["rate"].notna()]
    scaled = towers["rate"] / (towers["span_m"] * towers["flash_density"])
    scaled *= towers["span_m"].median() * towers["flash_density"].median()
    low, high = (
        outage_results.rates.usual_curve(
            study.outages.geometry, towers, study.line, towers["footing_ohm"], ratio
        )
        for ratio in (5.0, 100.0)
    )
    assert ((scaled > 0.85 * low) & (scaled < 1.15 * high)).mean() > 0.95


def test_comparison_shows_every_interval(study):
    rows = outage_results.comparison(study.outages)
    line = study.outages.line
    assert rows.loc[rows["name"] == "Calibrated", "high"].item() == line["calibrated_high"]
    assert (rows[["low", "middle"]].dropna().diff(axis=1)["middle"] > 0).all()
    text = words(CHARTS["comparison"](study)).replace("\n", " ")
    assert "Observed, lightning: 42 in 7.5 years" in text
    assert "never by tower" in text


def without_density():
    """A line of which only relative rates are known."""
    footing = np.linspace(5, 50, 12)
    records, _, condition = line_of(footing)
    return assessed(footing, settings="[lightning]\n"), condition, records.line


def test_relative_rates_are_drawn_as_such():
    outages, condition, line = without_density()
    for figure in (
        outage_results.rate_profile(outages, line),
        outage_results.rate_by_footing(outages, condition, line),
        outage_results.concentration(outages, line),
    ):
        text = words(figure).replace("\n", " ")
        assert "Relative rates only: no ground flash density" in text
        assert "per tower and year" not in text
        assert crowded(figure) == []
    blank = outage_results.observed_against_modelled(outages, line)
    assert "Neither a modelled rate" in words(blank)
    assert "trip-outs a year are not available" in outage_results.answer(outages, line)


def test_avoided_shares_are_drawn_for_relative_rates_too():
    outages, _, line = without_density()
    text = words(outage_results.concentration(outages, line))
    assert f"avoids {100 * outages.line['avoided_worst_tenth_fraction']:.0f} %" in text
    assert outages.line["avoided_worst_tenth_fraction"] > 0.1


def test_no_rate_is_answered_in_words():
    records, _, condition = line_of(np.full(4, 20.0), kv=11)
    outages = assessed(np.full(4, 20.0), kv=11)
    for figure in (
        outage_results.rate_profile(outages, records.line),
        outage_results.rate_by_footing(outages, condition, records.line),
        outage_results.concentration(outages, records.line),
    ):
        assert "No tower of this line has a trip-out rate" in words(figure).replace("\n", " ")
    assert outage_results.ranks(outages, condition).empty
    assert outage_results.verdicts(outages).caption == "No trip-out on record."
    assert "No local ground flash density" in outage_results.density(outages)


# ---- words


def test_answer_says_cost_sureness_and_share(study):
    text = outage_results.answer(study.outages, study.line).replace("\n  ", " ")
    line = study.outages.line
    assert f"{line['calibrated_per_year']:.2g} a year (95 % interval {line['calibrated_low']:.2g}–" in text
    assert "uncertain by a factor of 3 either way" in text
    assert f"{line['avoided_worst_tenth_fraction']:.0%}" in text
    assert "42 lightning trip-outs in 7.5 years" in text
    cost = float(f"{line['calibrated_per_year'] * 9000:.2g}")  # 9000 EUR a trip-out in line.toml
    assert f"{cost:,.0f} EUR a year".replace(",", " ") in text


def test_years_that_nobody_sees():
    table = pd.DataFrame({"cut_fraction": [0.3], "years_each_side": [np.inf], "years_after_record": [np.nan]})
    outages = replace(assessed(np.full(4, 20.0)), years=table)
    assert outage_results.years(outages).iloc[0].to_list() == ["30%", "over 60", "–"]


def test_ranks_are_shown_beside_each_other(study):
    first = outage_results.ranks(study.outages, study.condition, rows=1)
    best = study.outages.towers.sort_values("benefit_rank").iloc[0]
    assert first["tower"].to_list() == [best["tower_id"]]
    assert first["rank by benefit"].to_list() == [1]
    assert first["trip-outs [1/year]"].iloc[0] == float(f"{best['trip_outs_per_year']:.2g}")


def test_ranks_that_agree_are_said_to():
    outages = assessed(np.linspace(20, 24, 8))
    agreed = replace(outages, towers=outages.towers.assign(rank_reason=""))
    condition = line_of(np.linspace(20, 24, 8))[2]
    assert outage_results.rank_reasons(agreed, condition).empty
    reasons = outage_results.rank_reasons(outages, condition)["reason"]
    assert reasons.str.contains("its spans are short").any()  # the last
