"""Trip-outs of every tower and of the line: rates, bands, stand-ins, calibration."""

from functools import cache
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from folders import line_folder
from pyproj import Geod
from scipy import stats

from towerlib import assessment, condition, outages, route
from towerlib import config as settings_of
from towerlib.errors import SettingsError
from towerlib.outages import calibration, geometry, rates, record
from towerlib.physics.leakage_gap import CoilSpec
from towerlib.physics.lightning.rate import tower_rates
from towerlib.readings import leg_currents

DRAWS = 60
SPAN_M = {132: 300.0, 220: 350.0, 400: 400.0}
MONTH = "2026-06"
LOGNORMAL = np.exp(np.log(15) + 0.9 * stats.norm.ppf((np.arange(400) + 0.5) / 400))  # median 15 Ω
NO_TRIPS = pd.DataFrame(
    {
        "outage_id": pd.Series(dtype="str"),
        "time": pd.to_datetime([], utc=True),
        "cause": pd.Series(dtype="str"),
        "tower_id": pd.Series(dtype="str"),
        "distance_km": pd.Series(dtype=float),
        "distance_error_km": pd.Series(dtype=float),
    }
)
NO_FLASHES = pd.DataFrame(
    {"time": pd.to_datetime([], utc=True)}
    | {
        name: pd.Series(dtype=float)
        for name in ("latitude_deg", "longitude_deg", "peak_current_ka", "semi_major_m")
    }
)


def line_of(
    footing_ohm,
    *,
    settings="",
    kv=132,
    soil_m=20.0,
    register=None,
    target_ohm=10.0,
    trips=NO_TRIPS,
):
    """Records, route and condition of a straight line whose footings are given."""
    ohm = np.atleast_1d(np.asarray(footing_ohm, float))
    count = len(ohm)
    along_m = SPAN_M.get(kv, 300.0) * np.arange(count)
    longitude, latitude, _ = Geod(ellps="WGS84").fwd(*np.full((3, count), [[20.0], [0.0], [90.0]]), along_m)
    towers = pd.DataFrame(
        {"tower_id": [f"T{k}" for k in range(count)], "sequence": np.arange(count, dtype=float)}
    )
    towers = towers.assign(
        latitude_deg=latitude, longitude_deg=longitude, soil_resistivity_ohm_m=soil_m * ohm
    )
    blank = ("height_m", "strike_length_m", "ground_flash_density", "upper_layer_ohm_m", "lower_layer_ohm_m")
    towers = towers.assign(**dict.fromkeys(blank, np.nan), shield_wire="bonded").assign(**(register or {}))
    text = f'[line]\nid = "a"\nvoltage_kv = {kv}\nfrequency_hz = 50\n' + (
        settings or "[lightning]\nground_flash_density = 1\n"
    )
    line = settings_of.parse(text)
    soil = pd.DataFrame({"tower_id": pd.Series(dtype="str"), "spacing_m": [], "resistance_ohm": []})
    works = pd.DataFrame({"tower_id": pd.Series(dtype="str"), "date": pd.to_datetime([])})
    records = SimpleNamespace(
        line=line, towers=towers, soil=soil, outages=trips, flashes=NO_FLASHES, works=works
    )
    footings = pd.DataFrame({"tower_id": towers["tower_id"], "footing_ohm": ohm, "lower_bound_ohm": np.nan})
    footings = footings.assign(footing_low_ohm=ohm / 1.3, footing_high_ohm=ohm * 1.3, target_ohm=target_ohm)
    ranks = footings["footing_ohm"].rank(ascending=False, method="min").astype("Int64")
    return records, route.build(towers, line), footings.assign(impedance_rank=ranks)


def assessed(footing_ohm, **more):
    return outages.assess(*line_of(footing_ohm, **more), MONTH, draws=DRAWS)


@cache
def demo_line(name):
    """A line of the demo with its trip-outs, and no more of its assessment than they need."""
    found = assessment.assess(Path("data/demo") / name)
    records, grades = found.records, found.grades
    laid = found.route
    coils = CoilSpec(**records.line.coils.model_dump())
    currents = leg_currents.summarise(records.visits, records.legs, records.towers, coils)
    towers = condition.assess(records, grades, currents, laid, MONTH)
    trips = outages.assess(records, laid, towers, MONTH)
    return SimpleNamespace(records=records, route=laid, condition=towers, line=records.line, outages=trips)


@pytest.fixture
def demo():
    return demo_line("brackwater-stonefell")


# ---- rates against figures computed apart from this code, on the same typical towers


@pytest.mark.parametrize(
    ("kv", "expected", "slack"), [(132, 5.83, 0.02), (220, 4.51, 0.02), (400, 1.305, 0.005)]
)
def test_line_of_good_and_bad_towers_sums_rates(kv, expected, slack):
    """Half the towers at 10 Ω, half at 90 Ω, soil 20 m times the footing, 1 flash/km²/year: per 100 km and year."""
    told = assessed(np.tile([10.0, 90.0], 60), kv=kv)
    assert told.line["trip_outs_per_100_km"] == pytest.approx(expected, abs=slack)
    assert told.line["trip_outs_per_year"] == pytest.approx(told.towers["trip_outs_per_year"].sum())


@pytest.mark.parametrize(
    ("kv", "expected", "worst_tenth", "worst_fifth"),
    [(132, 3.40, 0.28, 0.48), (220, 1.86, 0.39, 0.60), (400, 0.444, 0.46, 0.66)],
)
def test_few_towers_carry_the_trip_outs(kv, expected, worst_tenth, worst_fifth):
    """Footings log-normal about 15 Ω with a deviation of 0.9: rate of the line, shares of the worst 10 and 20 %."""
    told = assessed(LOGNORMAL, kv=kv)
    assert told.line["trip_outs_per_100_km"] == pytest.approx(
        expected, rel=0.02
    )  # a sample of mean 22.2 Ω there
    assert told.line["worst_tenth_carries_fraction"] == pytest.approx(worst_tenth, abs=0.011)
    rate = told.towers["trip_outs_per_year"]
    assert rate.nlargest(80).sum() / rate.sum() == pytest.approx(worst_fifth, abs=0.011)


@pytest.mark.parametrize(("soil", "rates_per_100_km"), [(500.0, (3.96, 0.55)), (2000.0, (10.54, 1.86))])
def test_avoided_is_the_rate_less_that_at_the_target(soil, rates_per_100_km):
    """132 kV in soil of 500 Ω·m from 20 to 5 Ω, and of 2000 Ω·m from 100 to 10 Ω."""
    footing, target = {500.0: (20.0, 5.0), 2000.0: (100.0, 10.0)}[soil]
    told = assessed(np.full(30, footing), soil_m=soil / footing, target_ohm=target)
    now, aimed = rates_per_100_km
    assert told.line["trip_outs_per_100_km"] == pytest.approx(now, abs=0.006)
    assert told.line["avoided_to_target_per_year"] / told.line["length_km"] * 100 == pytest.approx(
        now - aimed, abs=0.012
    )


def test_saturated_towers_by_the_same_table():
    """132 kV, 2000 Ω·m: halving 100 Ω saves 1 − 9.01/10.54, halving 20 Ω 1 − 1.86/4.77."""
    told = assessed([100.0, 20.0, 100.0, 20.0], register={"soil_resistivity_ohm_m": 2000.0})
    saves = told.towers["halving_saves_fraction"]
    np.testing.assert_allclose(saves, [0.145, 0.610, 0.145, 0.610], atol=0.003)
    assert told.towers["treatment_can_help"].tolist() == [False, True, False, True]


def test_a_published_case_of_better_footings():
    """150 kV in rock, Warmi and others, IJECE: footings lower by 80 % cut the back-flashovers by 90 to 95 %."""
    told = assessed(np.full(20, 14.2), kv=150, target_ohm=2.84)
    cut = told.line["avoided_to_target_per_year"] / told.line["trip_outs_per_year"]
    assert 0.90 <= cut <= 0.96


def test_rates_grow_with_footing_and_in_proportion_to_flashes():
    told = assessed([1.0, 5.0, 20.0, 60.0, 200.0, 900.0])
    inner = told.towers["trip_outs_per_year"].iloc[1:-1]
    assert inner.is_monotonic_increasing
    twice = assessed([1.0, 5.0, 20.0, 60.0, 200.0, 900.0], settings="[lightning]\nground_flash_density = 2\n")
    np.testing.assert_allclose(twice.towers["trip_outs_per_year"], 2 * told.towers["trip_outs_per_year"])
    ceiling = 0.6 * told.towers["flashes_per_year"]
    assert (told.towers["trip_outs_per_year"] < ceiling).all()


def test_towers_go_before_the_line():
    """Own flash density, height and strike length of a tower; half spans at the ends."""
    own = {
        "ground_flash_density": [np.nan, 3.0, np.nan, np.nan, np.nan],
        "height_m": [np.nan, np.nan, 45.0, np.nan, np.nan],
        "strike_length_m": [np.nan, np.nan, np.nan, 2.62, np.nan],
    }
    towers = assessed(np.full(5, 20.0), register=own).towers
    flashes = towers["flashes_per_year"]
    assert flashes[0] == pytest.approx(28 * 30**0.6 * 150 * 1e-6, rel=1e-6)  # Eriksson 1987; 1 flash/km²/year
    assert flashes[1] == pytest.approx(3 * 2 * flashes[0])
    assert flashes[2] == pytest.approx(2 * flashes[0] * 1.5**0.6)
    assert towers["critical_current_ka"][3] > 1.5 * towers["critical_current_ka"][1]
    assert towers["trip_outs_per_year"][3] < 0.5 * towers["trip_outs_per_year"][1] / 3


def test_share_of_flashovers_that_trip():
    half = "[lightning]\nground_flash_density = 1\ntrip_outs_per_flashover = 0.5\n"
    one, other = (assessed(np.full(4, 20.0), settings=text).line for text in ("", half))
    assert other["trip_outs_per_year"] == pytest.approx(0.5 * one["trip_outs_per_year"])


# ---- bands


def drawn(footing_ohm, density_u, draws=4000, **more):
    records, laid, towers = line_of(footing_ohm, **more)
    shape, *_ = geometry.line_geometry(records.line)
    exposed = rates.filled(geometry.towers_exposed(records, laid, towers, None), shape)
    return shape, exposed, records.line, rates.draw(shape, exposed, records.line, density_u, draws=draws)


def test_band_of_the_flash_density_alone_in_closed_form():
    """Insulators so short that every stroke flashes them over: the rate is in proportion to a log-normal density."""
    *_, found = drawn(np.full(3, 20.0), 0.3, register={"strike_length_m": 0.01})
    low, high = rates.ends(found.now)
    middle = np.median(found.now, axis=0)
    np.testing.assert_allclose(high / middle, np.exp(1.2816 * 0.3), rtol=0.04)  # 90 % point of the normal
    np.testing.assert_allclose(middle / low, np.exp(1.2816 * 0.3), rtol=0.04)
    assert np.corrcoef(found.now.T)[0, 1] == pytest.approx(1)  # one density for the line


def test_band_of_the_reading_alone_in_closed_form(monkeypatch):
    """The rate rises with the footing, so its quantiles are the rates at the quantiles of the footing."""
    monkeypatch.setattr(rates, "_log_percent", lambda name: 0.0)
    shape, exposed, _, found = drawn(np.full(3, 20.0), 0.0)
    low, high = rates.ends(found.now)
    spread = np.log(1.3) / 1.95996 * 1.28155
    for end, sign in ((low, -1), (high, 1)):
        ohm = 20.0 * np.exp(sign * spread) * np.ones(3)
        exact = tower_rates(shape, rates.physics_towers(exposed, ohm)).backflashovers_per_year
        np.testing.assert_allclose(end, exact, rtol=0.015)
    assert abs(np.corrcoef(found.now.T)[0, 1]) < 0.06  # readings err tower by tower


def test_the_season_moves_all_towers_alike(monkeypatch):
    monkeypatch.setattr(rates, "_log_percent", lambda name: 0.0)
    records, laid, towers = line_of(np.full(3, 20.0))
    towers = towers.assign(footing_low_ohm=20 / 3.0, footing_high_ohm=60.0)
    shape, *_ = geometry.line_geometry(records.line)
    exposed = rates.filled(geometry.towers_exposed(records, laid, towers, None), shape)
    found = rates.draw(shape, exposed, records.line, 0.0, draws=2000)
    # by hand: shared part of the variance of ln R is 1 − ln²1.3/ln²3 = 0.943
    assert np.corrcoef(np.log(found.now).T)[0, 1] == pytest.approx(0.943, abs=0.03)


def test_bands_hold_the_point_and_the_method_stands_apart(demo):
    told = demo.outages
    rated = told.towers[told.towers["trip_outs_per_year"].notna()]
    inside = rated["trip_outs_per_year"].between(rated["trip_outs_low"], rated["trip_outs_high"])
    assert inside.mean() > 0.97
    inside = rated["avoided_to_target_per_year"].between(rated["avoided_low"], rated["avoided_high"])
    assert inside.mean() > 0.95
    line = told.line
    assert line["model_low"] == pytest.approx(line["whole_line_low"] / 3)
    assert line["model_high"] == pytest.approx(line["whole_line_high"] * 3)


def test_chance_of_the_worst_tenth(demo):
    towers = demo.outages.towers
    assert towers["chance_worst_tenth_benefit"].sum() == pytest.approx(
        14, abs=0.01
    )  # 137 drawn, so 14 in each draw
    first = towers["benefit_rank"] <= 5
    assert (towers.loc[first, "chance_worst_tenth_benefit"] > 0.9).all()


def test_the_same_numbers_every_time(demo):
    again = outages.assess(demo.records, demo.route, demo.condition, MONTH)
    pd.testing.assert_frame_equal(again.towers, demo.outages.towers)
    assert again.line == demo.outages.line


def test_what_was_handed_over_is_left_alone(demo):
    before = [
        table.copy()
        for table in (demo.condition, demo.records.towers, demo.records.outages, demo.records.flashes)
    ]
    outages.assess(demo.records, demo.route, demo.condition, MONTH, draws=20)
    after = (demo.condition, demo.records.towers, demo.records.outages, demo.records.flashes)
    for one, other in zip(before, after, strict=True):
        pd.testing.assert_frame_equal(one, other)


# ---- what is missing or wrong


def test_without_flash_density_only_relative_rates():
    told = assessed([10.0, 40.0, 20.0, 10.0], settings="[lightning]\n")
    assert told.towers[["trip_outs_per_year", "avoided_low", "flashes_per_year"]].isna().all(axis=None)
    assert told.towers["relative_rate"].mean() == pytest.approx(1)
    assert told.towers["benefit_rank"].idxmin() == 1
    assert "trip_outs_per_year" not in told.line
    assert told.line["avoided_worst_tenth_fraction"] > 0.2
    assert told.off[0].startswith("Relative rates only: no ground flash density")
    full = assessed([10.0, 40.0, 20.0, 10.0])
    np.testing.assert_allclose(told.towers["relative_rate"], full.towers["relative_rate"])


def test_typical_geometry_is_marked_as_assumed():
    told = assessed(np.full(4, 20.0))
    words = " ".join(told.assumed)
    for piece in (
        "Tower height assumed: 30 m",
        "Shield wires assumed",
        "Phases assumed",
        "Strike length assumed: 1.31 m",
    ):
        assert piece in words
    own = (
        "[lightning]\nground_flash_density = 1\n[tower]\nheight_m = 30\nsurge_impedance_ohm = 190\n[phases]\nsag_m = 7\n"
        "strike_length_m = 1.31\nconductors = [{ phase = 'a', x_m = 3.2, y_m = 24.6 }]\n[shield_wires]\n"
        "wires = [{ x_m = 0, y_m = 30, sag_m = 5, radius_mm = 5, gmr_mm = 5, r_ohm_km = 0.3 }]\n"
    )
    told = assessed(np.full(4, 20.0), settings=own)
    assert [sentence for sentence in told.assumed if "typical" in sentence] == []
    assert "Crossarms assumed" in told.assumed[0]


@pytest.mark.parametrize(
    ("settings", "kv", "words"),
    [
        ("[phases]\nconductors = [{ phase = 'a', x_m = 3, y_m = 31, crossarm_y_m = 29 }]\n", 132, "above"),
        ("[lightning]\nground_flash_density = 1\n", 11, "no typical tower for 11 kV"),
    ],
)
def test_senseless_geometry_leaves_every_rate_blank(settings, kv, words):
    told = assessed(np.full(4, 20.0), settings=settings, kv=kv)
    assert told.towers["trip_outs_per_year"].isna().all()
    assert told.line["towers_without_rate"] == 4
    assert words in told.off[0]


def test_towers_without_what_a_rate_needs_are_blank_and_named():
    ohm = np.array([20.0, 0.0, np.nan, 5000.0, 20.0, 20.0, 20.0])
    register = {"shield_wire": ["bonded"] * 4 + ["none", "insulated", "bonded"]}
    told = assessed(ohm, register=register | {"soil_resistivity_ohm_m": 400.0})
    assert told.towers["trip_outs_per_year"].isna().tolist() == [False, True, True, True, True, False, False]
    assert told.line["towers_without_rate"] == 4
    words = " ".join(told.off)
    for piece in (
        "(T1): footing resistance is not above 0",
        "(T2): footing resistance is not known",
        "(T3): footing",
        "(T4): no shield",
    ):
        assert piece in words
    assert "sparks over" in " ".join(told.assumed)
    collected = told.towers["flashes_per_year"]
    rated = told.towers["trip_outs_per_year"].notna()
    scaled = told.line["trip_outs_per_year"] * collected.sum() / collected[rated].sum()
    assert told.line["whole_line_per_year"] == pytest.approx(scaled)


def test_missing_soil_is_assumed_and_marked_or_left_blank():
    register = {
        "soil_resistivity_ohm_m": [400.0, np.nan, np.nan, 400.0],
        "upper_layer_ohm_m": [np.nan, np.nan, 100, np.nan],
    }
    register["lower_layer_ohm_m"] = [np.nan, np.nan, 400, np.nan]
    told = assessed(np.full(4, 20.0), register=register)
    assert told.towers["soil_source"].tolist() == ["register", "assumed", "two layers", "register"]
    assert told.towers["resistivity_ohm_m"].tolist() == pytest.approx([400, 400, 200, 400])
    assert told.towers["assumed"][1] == "soil resistivity 20 m times the footing"
    refused = "[lightning]\nground_flash_density = 1\nassume_missing_soil = false\n"
    told = assessed(np.full(4, 20.0), register=register, settings=refused)
    assert told.towers["trip_outs_per_year"].isna().tolist() == [False, True, False, False]
    assert any("(T1): soil resistivity is not known" in sentence for sentence in told.off)


def test_soil_that_cannot_belong_to_the_footing_is_pointed_at():
    told = assessed([20.0, 100.0, 20.0], register={"soil_resistivity_ohm_m": [400.0, 100.0, 400.0]})
    assert told.towers["soil_fits"].tolist() == [True, False, True]
    assert any("(T1): broken lead" in sentence for sentence in told.remarks)


def test_a_lower_bound_has_a_band_and_a_chance_but_no_rate():
    records, laid, towers = line_of(np.r_[np.geomspace(5, 30, 19), np.nan])
    towers.loc[19, "lower_bound_ohm"] = 80.0
    told = outages.assess(records, laid, towers, MONTH, draws=DRAWS)
    last = told.towers.iloc[19]
    assert np.isnan(last["trip_outs_per_year"])
    assert last["trip_outs_low"] > told.towers["trip_outs_per_year"].median()
    assert last["chance_worst_tenth_benefit"] > 0.5


@pytest.mark.parametrize("count", [1, 2])
def test_the_shortest_lines(count):
    told = assessed(np.full(count, 20.0))
    assert told.towers["trip_outs_per_year"].notna().all() == (count == 2)
    if count == 1:
        assert "span is not" in told.off[0]


def test_a_folder_with_the_least_that_is_needed(tmp_path):
    line_folder(tmp_path / "low-moor")
    told = assessment.assess(tmp_path / "low-moor").outages
    assert told.towers["relative_rate"].notna().sum() == 2
    assert any(sentence.startswith("Relative rates only") for sentence in told.off)
    assert any("outages.csv has no trip-out" in sentence for sentence in told.off)


def test_the_month_must_be_one(demo):
    with pytest.raises(SettingsError, match="is not a month"):
        outages.assess(demo.records, demo.route, demo.condition, "2026-13")


# ---- why ranks differ


def test_ranks_differ_for_the_reason_that_was_planted():
    """Equal footings nearly, but ten times the flashes at one tower, and insulators twice as long at another."""
    ohm = np.linspace(20, 24, 30)
    flashes, strike = np.full(30, 1.0), np.full(30, 1.31)
    flashes[3], strike[26] = 10.0, 2.62
    register = {"ground_flash_density": flashes, "strike_length_m": strike}
    towers = assessed(ohm, register=register).towers
    assert towers["benefit_rank"][3] == 1
    assert towers["rank_reason"][3] == "more flashes fall there"
    assert towers["rank_reason"][26] == "its insulators are long"
    assert (towers["rank_reason"].drop([0, 3, 26, 29]) == "").all()


# ---- against the record


def test_planted_rate_of_the_demo(demo):
    """Planted: 34 trip-outs booked as lightning and 8 as unknown, all by lightning."""
    line = demo.outages.line
    assert line["observed_trip_outs"] == 42
    assert line["observed_years"] == pytest.approx(7.5, abs=0.05)  # 2019-01-01 to 2026-06-30
    low, high = stats.chi2.ppf([0.025, 0.975], [84, 86]) / 2 / line["observed_years"]
    assert (line["observed_low"], line["observed_high"]) == pytest.approx((low, high))
    assert demo.outages.towers["observed_trip_outs"].sum() == pytest.approx(42)


def test_later_trip_outs_are_not_seen(demo):
    told = outages.assess(demo.records, demo.route, demo.condition, "2022-12", draws=20)
    assert told.record["time"].max() < pd.Timestamp("2023-01-01", tz="UTC")
    assert told.line["observed_years"] == pytest.approx(4, abs=0.05)
    assert 0 < told.line["observed_trip_outs"] < 42


def test_years_of_record_can_be_stated():
    at = pd.to_datetime(["2024-03-01T00:00:00.5Z", "2025-03-01T00:00:00.5Z"], utc=True, format="ISO8601")
    trips = pd.DataFrame(
        {"outage_id": ["1", "2"], "time": at, "cause": "lightning", "tower_id": ["T1", "T1"]}
    )
    trips = trips.assign(distance_km=np.nan, distance_error_km=np.nan)
    told = "[lightning]\nground_flash_density = 1\n[outage_record]\noutages_from = 2016-07-01\n"
    line = assessed(np.full(4, 20.0), settings=told + "outages_to = 2026-06-30\n", trips=trips).line
    assert line["observed_years"] == pytest.approx(10, abs=0.01)
    assert line["observed_per_year"] == pytest.approx(0.2, rel=0.01)


def test_more_trip_outs_than_flashes_collected():
    """69 kV at Porto Alegre: 130 trip-outs/100 km·year on 3 km at 5 flashes/km²/year (Telló and others, SIPDA 2007).

    Towers of 15 m collect 71 flashes per 100 km and year (Eriksson 1987), so 2.1 a year on 3 km.
    """
    seen = {"observed_per_year": 3.9, "observed_low": 2.5}
    assert "earthing alone cannot cure this line" in calibration.over_ceiling(seen, 2.13)
    assert "This is certain" in calibration.over_ceiling(seen, 2.13)
    assert "Chance may still explain it" in calibration.over_ceiling(seen | {"observed_low": 1.9}, 2.13)
    assert calibration.over_ceiling(seen | {"observed_per_year": 2.0}, 2.13) == ""
    assert calibration.over_ceiling({}, 2.13) == ""


def test_calibration_moves_the_line_and_no_tower(demo):
    told = demo.outages
    line = told.line
    expected = line["whole_line_per_year"] * line["observed_years"]
    assert line["expected_trip_outs"] == pytest.approx(expected)
    assert min(1, 42 / expected) < line["calibration_factor"] < max(1, 42 / expected)
    assert line["calibrated_per_year"] == pytest.approx(
        line["calibration_factor"] * line["whole_line_per_year"]
    )
    assert told.towers["trip_outs_per_year"].sum() == pytest.approx(
        line["trip_outs_per_year"]
    )  # as before it


def test_shielding_failures_are_no_benefit_of_earthing():
    text = "[lightning]\nground_flash_density = 1\nshielding_failures_per_100_km_year = 2\n"
    with_some, without = (assessed(np.full(11, 20.0), settings=part).line for part in (text, ""))
    assert with_some["shielding_per_year"] == pytest.approx(0.06)  # 3 km
    assert with_some["trip_outs_per_year"] == without["trip_outs_per_year"]
    seen = {"observed_trip_outs": 5, "observed_years": 10.0}
    assert calibration.calibrated(seen, 0.3, 0.2)["expected_trip_outs"] == pytest.approx(5)
    assert calibration.calibrated(seen, 0.3, 0.2)["calibration_factor"] == pytest.approx(1)


def test_nothing_observed_is_told_as_such():
    told = assessed(np.full(4, 20.0))
    assert "observed_per_year" not in told.line
    assert "calibration_factor" not in told.line
    assert told.record.empty
    assert set(told.record.columns) >= {"verdict", "flash_lag_ms"}
    assert told.years["years_each_side"].isna().all()


def test_unknown_in_a_storm_is_counted_apart():
    at = pd.to_datetime(["2025-01-01T00:00:00.1Z", "2025-06-01T00:00:00.1Z"], utc=True, format="ISO8601")
    judged = pd.DataFrame({"time": at, "verdict": [record.BY_BOOKING, record.IN_STORM]})
    flashes = pd.DataFrame({"flash_time": pd.to_datetime(["2024-06-01", "2026-06-01"], utc=True)})
    settings = settings_of.parse('line = { id = "a", voltage_kv = 132, frequency_hz = 50 }').outage_record
    seen = calibration.observed(judged, flashes, settings, pd.Timestamp("2026-07-01", tz="UTC"), 50.0)
    assert seen["observed_per_year"] == pytest.approx(0.5, rel=0.01)
    assert seen["observed_with_storm_per_year"] == pytest.approx(1.0, rel=0.01)
    assert seen["observed_per_100_km_year"] == pytest.approx(1.0, rel=0.01)
