"""Season of a reading, what may be compared over time, jumps and trends."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import linregress

from towerlib.config.sections import Comparable, Seasons
from towerlib.readings import season
from towerlib.readings.quality import grade
from towerlib.readings.season import class_of_season
from towerlib.readings.trends import COLUMNS, comparable, history
from towerlib.records.load import load
from towerlib.route import build

# Footings in wet and in dry soil [Ω], 13 months in Nigeria: Aibangbee and Ikheloa, IJIRD 7(8), 2018.
NIGERIA = [(120, 165), (66, 83), (75, 110), (60, 90)]
NO_WORKS = pd.DataFrame({"tower_id": [], "date": pd.to_datetime([]), "treatment": []})
PROBES = {"potential_probe_distance_m": 46.0, "current_probe_distance_m": 75.0}
PROBES |= {"potential_probe_bearing_deg": 90.0, "current_probe_bearing_deg": 90.0}
LIKE = {"tower_id": "7", "method": "leg coils", "test_frequency_hz": 128.0, "soil_state": "dry"} | PROBES


def visits(dates, ohm=8.0, **more):
    names = [f"V{number + 1}" for number in range(len(dates))]
    return pd.DataFrame(
        {"visit_id": names, "date": pd.to_datetime(dates), "impedance_ohm": ohm} | LIKE | more
    )


def towers(*names, ring=None):
    return pd.DataFrame(
        {"tower_id": list(names or ["7"]), "ring": pd.array([ring] * max(len(names), 1), "boolean")}
    )


def works(*dates, tower_id="7"):
    return pd.DataFrame({"tower_id": tower_id, "date": pd.to_datetime(list(dates)), "treatment": "deep rod"})


def factors(season_class, *, ring=False, seasons=None):
    return season.factors(pd.Series([season_class]), pd.Series([ring], dtype="boolean"), seasons).loc[0]


def past(read, done=NO_WORKS, register=None, **more):
    return history(read, done, towers() if register is None else register, **more).loc[0]


# ---- season ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("wet_ohm", "dry_ohm"), NIGERIA)
def test_band_holds_the_published_footings(wet_ohm, dry_ohm):
    wet, dry = factors("wet"), factors("dry")
    assert wet["dry_low_factor"] * wet_ohm <= dry_ohm <= wet["dry_high_factor"] * wet_ohm
    assert dry["season_low_factor"] * dry_ohm <= wet_ohm <= dry_ohm * dry["season_high_factor"]


def test_ratios_are_the_published_ones():
    ratios = [dry / wet for wet, dry in NIGERIA]
    assert np.round(ratios, 2) == pytest.approx([1.38, 1.26, 1.47, 1.50], abs=0.006)
    assert Seasons().ratio_low <= min(ratios)
    assert Seasons().ratio_high == pytest.approx(max(ratios))


def test_a_ring_moves_more():
    # Top metre of soil at 4 times and at half: footings with four wires of 30 m at 0.6 m give 1.49 and 0.82,
    # footings alone 1.08 and 0.92: own method-of-moments computation, apart from this package.
    assert factors("wet", ring=True)["season_high_factor"] == pytest.approx(1.49 / 0.82, abs=0.02)
    assert factors("wet")["season_high_factor"] > 1.08 / 0.92
    assert factors("wet", ring=None)["season_high_factor"] == factors("wet")["season_high_factor"]


def test_frozen_ground_may_hide_a_far_lower_footing():
    # Top 1.5 m at 10 times: four rods of 3 m 1.58, four wires at 0.6 m 5.08 (the same computation).
    assert 1 / factors("frozen")["season_low_factor"] > 1.58
    assert 1 / factors("frozen", ring=True)["season_low_factor"] > 5.08


def test_normal_lies_half_way_and_unknown_at_either_end():
    normal, unknown = factors("normal"), factors("unknown, summer")
    assert normal["season_high_factor"] == pytest.approx(np.sqrt(1.5))
    assert unknown["season_high_factor"] == 1 / unknown["season_low_factor"] == 1.5


@given(
    st.sampled_from(["dry", "normal", "wet", "frozen", "unknown", "unknown, spring"]),
    st.sampled_from([True, False, None]),
    st.floats(1, 3),
    st.floats(0, 2),
)
@settings(deadline=None)
def test_band_only_widens(season_class, ring, low, more):
    own = Seasons(ratio_low=low, ratio_high=low + more, ring_ratio_high=low + 2 * more)
    found = factors(season_class, ring=ring, seasons=own)
    assert found["season_low_factor"] <= 1 <= found["season_high_factor"]
    assert found["dry_low_factor"] <= found["dry_high_factor"] <= found["season_high_factor"] * 1.000001
    wet, dry = factors("wet", ring=ring, seasons=own), factors("dry", ring=ring, seasons=own)
    assert wet["season_high_factor"] * dry["season_low_factor"] == pytest.approx(1)


def test_class_is_the_recorded_state_else_unknown():
    read = visits(["2026-01-10", "2026-07-10", "2026-07-10", "2026-10-01", "2026-04-01"])
    read["soil_state"] = ["wet", None, None, None, "soaked"]
    read["latitude_deg"] = [-32.0, -32.0, 52.0, np.nan, np.nan]
    expected = ["wet", "unknown, winter", "unknown, summer", "unknown", "unknown"]
    assert class_of_season(read).tolist() == expected
    assert class_of_season(read, 52.0).tolist()[3:] == ["unknown, autumn", "unknown, spring"]
    assert class_of_season(read.assign(date=pd.NaT), 52.0).tolist()[1:] == ["unknown"] * 4


# ---- comparable --------------------------------------------------------------------------------------------

TWO = ["2024-09-03", "2026-09-02"]


def test_alike_readings_share_the_newest_visit_as_key():
    assert comparable(visits(TWO)).tolist() == ["V2", "V2"]


@pytest.mark.parametrize(
    ("column", "value"),
    [
        ("tower_id", "8"),
        ("method", "shield wire lifted"),
        ("soil_state", "wet"),
        ("test_frequency_hz", 145.0),
        ("potential_probe_distance_m", 60.0),
        ("current_probe_distance_m", 100.0),
        ("potential_probe_bearing_deg", 125.0),
        ("current_probe_bearing_deg", 270.0),
    ],
)
def test_one_thing_that_differs_parts_them(column, value):
    read = visits(TWO)
    read[column] = [value, read[column][1]]
    assert comparable(read).tolist() == ["V1", "V2"]


def test_within_the_tolerances():
    read = visits(TWO).assign(test_frequency_hz=[128.0, 140.0], current_probe_distance_m=[75.0, 93.0])
    read["potential_probe_bearing_deg"] = [350.0, 15.0]  # round north
    assert comparable(read).tolist() == ["V2", "V2"]
    assert comparable(read, alike=Comparable(bearing_deg=20)).tolist() == ["V1", "V2"]


def test_tolerances_do_not_add_up():
    read = visits(["2022-09-01", *TWO]).assign(current_probe_bearing_deg=[40.0, 65.0, 90.0])
    assert comparable(read).tolist() == ["V1", "V3", "V3"]


def test_a_treatment_parts_them():
    assert comparable(visits(TWO), works("2025-01-01")).tolist() == ["V1", "V2"]
    assert comparable(visits(TWO), works("2026-09-02")).tolist() == ["V1", "V2"]
    assert comparable(visits(TWO), works("2026-09-03")).tolist() == ["V2", "V2"]
    assert comparable(visits(TWO), works("2025-01-01", tower_id="8")).tolist() == ["V2", "V2"]


@pytest.mark.parametrize(
    "blank", ["method", "impedance_ohm", "test_frequency_hz", "current_probe_bearing_deg", "date"]
)
def test_what_was_not_recorded_agrees_with_nothing(blank):
    read = visits(TWO)
    read[blank] = read[blank].where([False, True])
    assert comparable(read).isna().tolist() == [True, False]


def test_blank_set_ups_agree_if_the_user_says_so():
    read = visits(TWO, current_probe_bearing_deg=np.nan)
    assert comparable(read).isna().all()
    assert comparable(read, alike=Comparable(blank_agrees=True)).tolist() == ["V2", "V2"]
    read["current_probe_bearing_deg"] = [np.nan, 90.0]
    assert comparable(read, alike=Comparable(blank_agrees=True)).tolist() == ["V1", "V2"]


def test_refused_and_out_of_range_readings_are_left_out():
    verdicts = visits(TWO).assign(footing_verdict=["not usable", "usable with caution"])
    assert comparable(verdicts).isna().tolist() == [True, False]
    assert comparable(visits(TWO).assign(impedance_ohm_bound=["<", None])).isna().tolist() == [True, False]


def test_unknown_seasons_keep_the_times_of_the_year_apart():
    read = visits(["2024-01-05", "2025-07-05", "2026-01-15"], soil_state=None, latitude_deg=-32.0)
    assert comparable(read).tolist() == ["V3", "V2", "V3"]


setups = st.lists(
    st.tuples(
        st.integers(0, 3000), st.sampled_from(["dry", "wet"]), st.integers(0, 359), st.sampled_from("78")
    ),
    min_size=1,
    max_size=9,
    unique_by=lambda setup: (setup[0], setup[3]),
)


@given(setups, st.randoms())
@settings(max_examples=25, deadline=None)
def test_groups_do_not_depend_on_the_order_of_the_rows(setup, chance):
    day, state, bearing, tower = zip(*setup, strict=True)
    read = visits(pd.Timestamp("2015-01-01") + pd.to_timedelta(day, unit="D"))
    read = read.assign(soil_state=state, current_probe_bearing_deg=np.array(bearing, float), tower_id=tower)
    order = list(range(len(read)))
    chance.shuffle(order)
    keys = comparable(read)
    assert comparable(read.iloc[order]).sort_index().equals(keys)
    leader = read.set_index("visit_id").reindex(keys)
    assert (
        leader[["soil_state", "tower_id"]].to_numpy() == read[["soil_state", "tower_id"]].to_numpy()
    ).all()
    assert (read["date"].to_numpy() <= leader["date"].to_numpy()).all()


# ---- history -----------------------------------------------------------------------------------------------


def test_a_jump_by_hand():
    found = past(visits(TWO, ohm=[8.0, 16.0]))
    own = np.hypot(0.05 / np.sqrt(3), 0.05)  # 5 % rectangular, and 5 % from year to year
    assert found["jump_ohm"] == pytest.approx(8.0)
    assert found["jump_z"] == pytest.approx(np.log(2) / (np.sqrt(2) * own))
    assert (found["jump_verdict"], found["comparable_count"]) == ("up", 2)
    assert found["reason"] == "No trend: 2 days with comparable readings, 3 are needed."


@pytest.mark.parametrize(
    ("ohm", "verdict"), [(8.2, "no clear change"), (9.8, "perhaps up"), (6.5, "perhaps down"), (4.0, "down")]
)
def test_words_of_a_jump(ohm, verdict):
    assert past(visits(TWO, ohm=[8.0, ohm]))["jump_verdict"] == verdict


def test_two_tests_of_one_campaign_disagree():
    assert past(visits(["2026-09-01", "2026-09-08"], ohm=[8.0, 16.0]))["jump_verdict"].endswith("disagree")


def test_an_unknown_season_widens_a_jump():
    known = past(visits(TWO, ohm=[8.0, 16.0]))
    unknown = past(visits(TWO, ohm=[8.0, 16.0], soil_state=None, latitude_deg=-32.0))
    assert unknown["jump_z"] < known["jump_z"]
    wide = past(visits(TWO, ohm=[8.0, 16.0], soil_state=None), register=towers(ring=True))
    assert wide["jump_z"] < unknown["jump_z"]


YEARS = ["2018-09-01", "2020-09-03", "2023-08-30", "2026-09-02"]


def test_trend_against_scipy():
    ohm = np.array([8.0, 9.1, 9.4, 13.0])
    days = (pd.to_datetime(YEARS) - pd.Timestamp(YEARS[0])).days / 365.25
    line = linregress(days, np.log(ohm))
    found = past(visits(YEARS, ohm=ohm))
    assert found["trend_percent_per_year"] == pytest.approx(100 * np.expm1(line.slope))
    # Student's t for two degrees of freedom at 97.5 %: 4.303 (any table).
    high = 100 * np.expm1(line.slope + 4.303 * line.stderr)
    assert found["trend_high_percent_per_year"] == pytest.approx(high, rel=1e-3)
    assert (found["trend_days"], found["reason"]) == (4, "")


def test_trend_of_readings_on_a_line_keeps_the_band_of_the_readings():
    days = ((pd.to_datetime(YEARS) - pd.Timestamp(YEARS[0])).days / 365.25).to_numpy()
    found = past(visits(YEARS, ohm=8.0 * 1.05**days))
    assert found["trend_percent_per_year"] == pytest.approx(5)
    own = 1.96 * np.hypot(0.05 / np.sqrt(3), 0.05) / np.sqrt(((days - days.mean()) ** 2).sum())
    assert found["trend_low_percent_per_year"] == pytest.approx(100 * np.expm1(np.log(1.05) - own))


def test_no_trend_within_a_year_or_from_repeats():
    short = past(visits(["2026-01-01", "2026-04-01", "2026-07-01"]))
    assert np.isnan(short["trend_percent_per_year"])
    assert short["reason"] == "No trend: the comparable readings lie within a year."
    repeats = past(visits(["2024-09-03", "2024-09-03", "2026-09-02"], ohm=[7.0, 9.0, 8.0]))
    assert repeats["comparable_count"] == 2
    assert repeats["previous_ohm"] == pytest.approx(np.sqrt(63))
    assert past(visits(["2026-09-02", "2026-09-02"]))["reason"].endswith("all on one day.")


def test_reasons():
    assert past(visits([]))["reason"] == "No usable reading of the footing alone."
    assert past(visits(TWO, method="no coils"))["reason"] == "No usable reading of the footing alone."
    assert past(visits(TWO[:1]))["reason"] == "One reading only."
    found = past(visits(TWO).assign(soil_state=["wet", "dry"], test_frequency_hz=[55.0, 128.0]))
    assert "1 at another test frequency, or none recorded; 1 in another season." in found["reason"]


def test_a_treatment_is_no_jump_and_no_trend():
    read = visits(YEARS, ohm=[20.0, 20.5, 19.5, 8.0])
    found = past(read, works("2025-03-01"))
    assert found[["jump_ohm", "trend_percent_per_year"]].isna().all()
    assert (found["works_treatment"], found["works_verdict"]) == ("deep rod", "down over the treatment")
    assert (found["before_works_ohm"], found["after_works_ohm"]) == (19.5, 8.0)
    assert "3 on the other side of a treatment" in found["reason"]
    # Without the record of the works the same readings make a trend of nothing.
    assert past(read)["trend_days"] == 4


def test_before_the_treatment_the_same_season_goes_first():
    read = visits(YEARS, ohm=[20.0, 15.0, 14.0, 12.0]).assign(soil_state=["dry", "wet", "wet", "dry"])
    same = past(read, works("2025-03-01"))
    assert same["before_works_ohm"] == 20.0
    other = past(read.iloc[1:], works("2025-03-01"))
    assert other["before_works_ohm"] == 14.0
    own, season = np.hypot(0.05 / np.sqrt(3), 0.05), np.log(1.5) / np.sqrt(12)
    assert same["works_z"] == pytest.approx(np.log(12 / 20) / (np.sqrt(2) * own))
    assert other["works_z"] == pytest.approx(np.log(12 / 14) / np.sqrt(2 * own**2 + 2 * season**2))


def test_no_reading_since_the_treatment():
    found = past(visits(YEARS), works("2026-10-01"))
    assert found["works_verdict"] == "no pair of readings about the treatment"
    assert found["comparable_count"] == 0
    assert np.isnan(found["jump_ohm"])


def test_every_tower_has_a_row_in_the_order_of_the_register():
    table = history(visits(TWO), NO_WORKS, towers("9", "7"))
    assert table["tower_id"].tolist() == ["9", "7"]
    assert list(table) == COLUMNS
    assert table["reading_count"].tolist() == [0, 2]
    assert table["works_verdict"].tolist() == ["", ""]


@given(st.lists(st.floats(1, 200), min_size=4, max_size=4), st.floats(0.1, 10))
@settings(max_examples=15, deadline=None)
def test_a_common_factor_changes_no_verdict(ohm, scale):
    ohm = np.array(ohm)
    plain, scaled = (past(visits(YEARS, ohm=ohm * by)) for by in (1.0, scale))
    assert scaled["jump_z"] == pytest.approx(plain["jump_z"], abs=1e-9)
    assert scaled["jump_ohm"] == pytest.approx(scale * plain["jump_ohm"], abs=1e-9)
    assert scaled["trend_percent_per_year"] == pytest.approx(plain["trend_percent_per_year"], abs=1e-9)
    low, high = plain["trend_low_percent_per_year"], plain["trend_high_percent_per_year"]
    assert low < plain["trend_percent_per_year"] < high


def test_inputs_stay_as_they_were():
    read, done = visits(TWO), works("2025-01-01")
    before = read.copy(), done.copy()
    history(read, done, towers())
    pd.testing.assert_frame_equal(read, before[0])
    pd.testing.assert_frame_equal(done, before[1])


@pytest.fixture(scope="module", params=["quillmere-tolstrand", "brackwater-stonefell", "stonefell-ambermoss"])
def demo(request):
    """History of a demo line beside its planted truth."""
    folder = f"data/demo/{request.param}"
    records = load(folder)
    graded = grade(records, build(records.towers, records.line))
    truth = pd.read_csv(f"{folder}/truth.csv", sep=None, engine="python", dtype={"tower_id": "str"})
    return history(graded.visits, records.works, records.towers).merge(truth, on="tower_id")


def test_planted_treatments_are_seen_and_are_no_trend(demo):
    treated = demo[demo["treated_on"].notna()]
    worked = treated["treatment_factor"] < 0.9
    assert (treated.loc[worked, "works_verdict"] == "down over the treatment").all()
    assert treated.loc[~worked, "works_verdict"].str.startswith("no clear change").all()
    assert treated["trend_percent_per_year"].isna().all()
    assert not treated["jump_verdict"].isin(["up", "down"]).any()


def test_few_towers_jump_where_nothing_was_planted(demo):
    sound = demo[(demo["defect"] == "none") & demo["treated_on"].isna()]
    assert sound["jump_verdict"].isin(["up", "down"]).sum() <= 1
    assert ((sound["trend_low_percent_per_year"] > 0) | (sound["trend_high_percent_per_year"] < 0)).sum() == 0
