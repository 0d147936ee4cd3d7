"""The reading that stands for a tower, its class against the limit, and both ranks."""

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from towerlib import condition, config, plan
from towerlib.config import limits
from towerlib.errors import SettingsError
from towerlib.readings import standing
from towerlib.readings.leg_currents import summarise
from towerlib.values import number

UNREAD = [
    "impedance_no_coils_ohm",
    "injected_ma",
    "legs_ma",
    "coil_turns",
    "coil_turns_recorded",
    "over_range",
    "in_service",
]
LINE = config.parse('line = { id = "north-ridge", voltage_kv = 132, frequency_hz = 50 }')


def visit(visit_id, tower_id, date, ohm=10.0, **more):
    """One usable visit with coils, changed by `more`."""
    clean = {
        "visit_id": visit_id,
        "tower_id": tower_id,
        "date": pd.Timestamp(date),
        "method": "leg coils",
        "impedance_ohm": ohm,
        "impedance_ohm_bound": "",
        "soil_state": "normal",
        "leakage_total_ma": np.nan,
        "leads_missing": np.nan,
        "corrosion": None,
        "bond_seen": None,
        "verdict": "usable",
    }
    verdict = more.get("verdict", "usable")
    return clean | {"footing_verdict": verdict, "leakage_verdict": verdict} | more


def assess(
    *visits,
    legs=(),
    towers=("1", "2", "3"),
    ring=(),
    month="2026-06",
    settings=LINE,
    works=(),
    sweeps=(),
    outside=(),
):
    """Condition of a small line from visits, and rows of legs, works and sweeps; `outside`: paths beside the coils."""
    register = pd.DataFrame({"tower_id": list(towers)}).assign(
        structure="lattice",
        ring=[tower in ring for tower in towers],
        access="road",
        occupancy="remote",
        shield_wire="bonded",
        soil_resistivity_ohm_m=np.nan,
        leg_count=np.nan,
        earth_paths_in_coils=pd.array(
            [False if tower in outside else pd.NA for tower in towers], dtype="boolean"
        ),
    )
    register["ring"] = register["ring"].astype("boolean")
    places = pd.DataFrame({"tower_id": list(towers), "latitude_deg": -32.0, "longitude_deg": -18.0})
    places["chainage_m"] = np.arange(len(towers)) * 300.0
    records = SimpleNamespace(
        towers=register,
        legs=pd.DataFrame(list(legs), columns=["visit_id", "leg", "leakage_ma"]).assign(
            impedance_ohm=np.nan, coil_turns=np.nan
        ),
        works=pd.DataFrame(list(works), columns=["tower_id", "date", "treatment"]).astype(
            {"date": "datetime64[ns]"}
        ),
        sweeps=pd.DataFrame(
            list(sweeps), columns=["visit_id", "frequency_hz", "impedance_ohm", "phase_deg"]
        ).astype({"impedance_ohm": float, "frequency_hz": float, "phase_deg": float}),
        line=settings,
        limit_rules=limits.named(settings.limits.rules),
    )
    table = pd.DataFrame(list(visits) or [visit("none", "-", "2000-01-01")])
    table = table.assign(upper_limit_only=standing.beside_coils(table, register))
    grades = SimpleNamespace(visits=table)
    unread = [name for name in UNREAD if name not in table]
    currents = summarise(table.assign(**dict.fromkeys(unread, np.nan)), records.legs, register)
    return condition.assess(records, grades, currents, SimpleNamespace(towers=places), month).set_index(
        "tower_id"
    )


def test_common_practice_classes():
    """Below 5 Ω good, up to 15 Ω acceptable: *common practice*."""
    towers = assess(
        visit("a", "1", "2026-01-01", 4.9),
        visit("b", "2", "2026-01-01", 15.0),
        visit("c", "3", "2026-01-01", 15.1),
    )
    assert towers["impedance_class"].to_list() == ["good", "acceptable", "above limit"]
    assert towers["impedance_rank"].to_list() == [3, 2, 1]
    assert "common practice" in towers["limit_rule"].iloc[0]


def test_the_newest_usable_visit_is_in_force():
    towers = assess(
        visit("old", "1", "2020-01-01", 8.0),
        visit("new", "1", "2025-01-01", 12.0, verdict="usable with caution"),
        visit("worse", "1", "2026-01-01", 99.0, verdict="not usable"),
    )
    assert towers.loc["1", "footing_visit_id"] == "new"
    assert (
        towers.loc["1", "footing_age_days"] == (pd.Timestamp("2026-06-30") - pd.Timestamp("2025-01-01")).days
    )
    assert towers.loc["1", "verdict"] == "usable with caution"


def test_on_one_day_the_better_verdict_decides():
    towers = assess(
        visit("good", "1", "2026-01-01", 8.0),
        visit("doubtful", "1", "2026-01-01", 12.0, verdict="usable with caution"),
    )
    assert towers.loc["1", "footing_ohm"] == 8.0


def test_a_month_sees_visits_up_to_its_last_day():
    visits = [visit("june", "1", "2026-06-30", 8.0), visit("july", "1", "2026-07-01", 30.0)]
    assert assess(*visits).loc["1", "footing_ohm"] == 8.0
    assert assess(*visits, month="2026-07").loc["1", "footing_ohm"] == 30.0


def test_a_reading_without_coils_is_a_lower_bound_and_never_the_value():
    """The line in parallel can only lower the reading: R ≥ |Z| for a passive ladder."""
    towers = assess(
        visit("a", "1", "2026-01-01", 2.0, method="no coils"),
        visit("b", "2", "2026-01-01", 20.0, method="no coils"),
    )
    assert towers["footing_ohm"].isna().all()
    assert towers["lower_bound_ohm"].to_list()[:2] == [2.0, 20.0]
    assert towers["impedance_class"].to_list() == ["lower limit only", "above limit", "not tested"]
    assert towers["impedance_rank"].isna().all()


def test_a_reading_beside_other_earth_paths_is_an_upper_limit():
    """A passive path in parallel only lowers an impedance: what the coils miss makes the footing lower than the reading."""
    towers = assess(
        visit("a", "1", "2026-01-01", 40.0, impedance_no_coils_ohm=2.0),
        visit("b", "2", "2026-01-01", 4.0, impedance_no_coils_ohm=2.0),
        visit("c", "3", "2026-01-01", 40.0, method="shield wire lifted"),
        outside=("1", "2", "3"),
    )
    assert towers["upper_limit_only"].to_list() == [True, True, False]
    assert towers["impedance_class"].to_list() == ["upper limit only", "good", "above limit"]
    assert towers.loc["1", ["footing_ohm", "footing_low_ohm"]].to_list() == [40.0, 2.0]
    assert towers.loc["1", "footing_high_ohm"] > 40.0
    assert towers["impedance_rank"].to_list() == [2, 3, 1]  # √(2·45) = 9.5 Ω by the middle of its interval


def test_lower_end_of_an_upper_limit_without_a_reading_of_its_own():
    towers = assess(
        visit("a", "1", "2026-01-01", 60.0),
        visit("old", "2", "2020-01-01", 3.0, method="no coils"),
        visit("b", "2", "2026-01-01", 60.0),
        outside=("1", "2"),
    )
    assert towers.loc["1", "footing_low_ohm"] == pytest.approx(60.0 / number("beside_coils_factor"))
    assert towers.loc["2", "footing_low_ohm"] == 3.0


def test_a_lower_limit_above_the_limit_counts_beside_an_upper_limit():
    towers = assess(
        visit("old", "1", "2020-01-01", 20.0, method="no coils"),
        visit("a", "1", "2026-01-01", 60.0),
        outside=("1",),
    )
    assert towers.loc["1", "impedance_class"] == "above limit"


def test_a_reading_of_all_paths_goes_before_an_upper_limit():
    lifted = visit("lifted", "1", "2024-01-01", 8.0, method="shield wire lifted")
    towers = assess(
        visit("a", "1", "2020-01-01", 50.0), lifted, visit("b", "1", "2026-01-01", 60.0), outside=("1",)
    )
    assert towers.loc["1", "footing_visit_id"] == "lifted"
    assert not towers.loc["1", "upper_limit_only"]


def test_a_tower_read_beside_other_paths_is_to_be_tested_again():
    visits = [
        visit("a", "1", "2026-01-01", 40.0),
        visit("b", "2", "2026-01-01", 4.0),
        visit("c", "3", "2026-01-01"),
    ]
    towers = assess(*visits, outside=("1", "2")).reset_index()
    grades = SimpleNamespace(
        visits=pd.DataFrame(visits), findings=pd.DataFrame(columns=["visit_id", "tower_id", "sentence"])
    )
    listed = condition.retest_list(towers, grades, LINE, "2026-06")
    assert listed[["tower_id", "reason"]].to_numpy().tolist() == [["1", "read beside other earth paths"]]


def test_probes_that_suit_a_lone_footing_read_high_beside_shield_wires():
    """A tenth of the current in the legs: the ratio of 1 − a/p + (a/q − a/c)/λ, by hand below, moves the lower end."""
    near = {"potential_probe_distance_m": 62.0, "current_probe_distance_m": 100.0, "leg_spacing_m": np.nan}
    near |= {"potential_probe_bearing_deg": 90.0, "current_probe_bearing_deg": 90.0}
    towers = assess(
        visit("a", "1", "2026-01-01", 20.0, **near, impedance_no_coils_ohm=2.0),
        visit("b", "2", "2026-01-01", 20.0, **near, impedance_no_coils_ohm=20.0),
    )
    radius = number("footing_hemisphere_m")
    ratio = 1 - radius / 62 + (radius / 38 - radius / 100) / 0.1
    assert ratio == pytest.approx(1.685, abs=0.01)
    assert towers.loc["1", "footing_low_ohm"] < 20.0 / ratio
    assert towers.loc["2", "footing_low_ohm"] > 15.0


def test_a_sheet_that_repeats_an_older_one_is_no_new_reading():
    towers = assess(
        visit("old", "1", "2020-01-01", 8.0, repeats_visit_id=""),
        visit("copied", "1", "2026-01-01", 8.0, repeats_visit_id="old"),
    )
    assert towers.loc["1", "footing_visit_id"] == "old"


def test_readings_beyond_the_range_are_bounds():
    towers = assess(
        visit("a", "1", "2026-01-01", 2000.0, impedance_ohm_bound=">"),
        visit("b", "2", "2026-01-01", 0.5, impedance_ohm_bound="<"),
    )
    assert towers.loc["1", "lower_bound_ohm"] == 2000.0
    assert pd.isna(towers.loc["1", "footing_ohm"])
    assert towers.loc["2", "footing_low_ohm"] == 0.0


def test_verdict_of_a_tower_without_a_usable_reading():
    towers = assess(visit("a", "1", "2026-01-01", verdict="not usable"))
    assert towers["verdict"].to_list() == ["not usable", "not tested", "not tested"]


def test_gap_is_sum_minus_total():
    """Numbers of a four-leg model with an open bond: 2.4, 2.8, 2.5, 3.0 mA, total 0.4 mA, gap 10.3 mA, 0.96."""
    legs = [("a", leg, ma) for leg, ma in zip("ABCD", (2.4, 2.8, 2.5, 3.0), strict=True)]
    towers = assess(visit("a", "1", "2026-01-01", leakage_total_ma=0.4), legs=legs)
    assert towers.loc["1", "gap_ma"] == pytest.approx(10.3)
    assert towers.loc["1", "gap_fraction"] == pytest.approx(0.96, abs=0.005)
    assert towers.loc["1", "gap_rank"] == 1


def test_a_flaw_of_one_reading_does_not_condemn_the_other():
    bad_probe = visit("a", "1", "2026-01-01", leakage_total_ma=30.0, footing_verdict="not usable")
    towers = assess(bad_probe, legs=[("a", "A", 32.0)])
    assert pd.isna(towers.loc["1", "footing_ohm"])
    assert towers.loc["1", "gap_ma"] == 2.0


def test_a_negative_gap_is_kept():
    towers = assess(visit("a", "1", "2026-01-01", leakage_total_ma=50.0), legs=[("a", "A", 40.0)])
    assert towers.loc["1", "gap_ma"] == -10.0


def test_no_current_gives_no_fraction():
    towers = assess(visit("a", "1", "2026-01-01", leakage_total_ma=0.0), legs=[("a", "A", 0.0)])
    assert pd.isna(towers.loc["1", "gap_fraction"])


def test_ring_towers_are_not_ranked_by_gap():
    legs = [("a", "A", 700.0), ("a", "B", 700.0), ("b", "A", 50.0), ("b", "B", 50.0)]
    towers = assess(
        visit("a", "1", "2026-01-01", leakage_total_ma=28.0),
        visit("b", "2", "2026-01-01", leakage_total_ma=90.0),
        legs=legs,
        ring=("1",),
    )
    assert pd.isna(towers.loc["1", "gap_rank"])
    assert towers.loc["2", "gap_rank"] == 1


PROBES = {"potential_probe_distance_m": 46.0, "current_probe_distance_m": 75.0, "test_frequency_hz": 128.0}
PROBES |= {"potential_probe_bearing_deg": 90.0, "current_probe_bearing_deg": 90.0}


def test_the_years_stand_beside_the_condition():
    """Both readings are 5 % instrument (rectangular) and 5 % between years: a factor of 2 is far beyond both."""
    towers = assess(
        *[visit(f"a{y}", "1", f"{y}-03-01", ohm, **PROBES) for y, ohm in ((2024, 8.0), (2026, 16.0))],
        *[
            visit(f"b{y}", "2", f"{y}-03-01", ohm, **PROBES)
            for y, ohm in ((2020, 5.0), (2023, 10.0), (2026, 20.0))
        ],
        visit("c", "3", "2026-03-01", 9.0),
    )
    assert towers["jump_verdict"].to_list() == ["up", "up", ""]
    assert towers.loc["1", "jump_percent"] == pytest.approx(100)
    # Doubling in three years is 2^(1/3) − 1 = 26 % a year, by hand.
    assert towers.loc["2", "trend_percent_per_year"] == pytest.approx(26, abs=0.1)
    assert (
        0
        < towers.loc["2", "trend_low_percent_per_year"]
        < 26
        < towers.loc["2", "trend_high_percent_per_year"]
    )
    assert towers["history_reason"].to_list()[2] == "One reading only."
    assert towers.loc["1", "history_reason"].startswith("No trend: 2 days")


def test_a_treatment_after_the_month_is_not_seen():
    read = [visit(f"a{y}", "1", f"{y}-03-01", ohm, **PROBES) for y, ohm in ((2024, 16.0), (2026, 8.0))]
    done = [("1", "2025-05-01", "deep rod")]
    assert assess(*read, works=done).loc["1", "works_verdict"] == "down over the treatment"
    assert assess(*read, works=done, month="2024-12").loc["1", "works_verdict"] == ""


def test_settings_of_the_line_decide_what_is_compared_and_how_wide_seasons_are():
    text = 'line = { id = "x", voltage_kv = 66, frequency_hz = 50 }\n'
    read = [visit(f"a{y}", "1", f"{y}-03-01", ohm) for y, ohm in ((2024, 8.0), (2026, 16.0))]
    assert assess(*read).loc["1", "jump_verdict"] == ""
    lenient = config.parse(text + "comparable = { blank_agrees = true }")
    assert assess(*read, settings=lenient).loc["1", "jump_verdict"] == "up"
    wide = config.parse(text + "seasons = { ratio_high = 4, ring_ratio_high = 4 }")
    assert (
        assess(*read, settings=wide).loc["1", "footing_high_ohm"]
        > 1.2 * assess(*read).loc["1", "footing_high_ohm"]
    )


def test_the_newest_sweep_is_beside_the_condition():
    def swept(name, top_ohm):
        hertz = (41.0, 62.0, 92.0, 128.0, 1377.0, 4975.0)
        ohm = (10.0, 10.0, 10.0, 10.0, top_ohm, top_ohm)
        return [(name, f, z, 8.0 if f > 1000 and z > 10 else 0.0) for f, z in zip(hertz, ohm, strict=True)]

    towers = assess(
        visit("old", "1", "2024-03-01", 10.0, test_frequency_hz=128.0),
        visit("new", "1", "2026-03-01", 12.0, test_frequency_hz=128.0),
        visit("bad", "1", "2026-04-01", 12.0, test_frequency_hz=128.0, verdict="not usable"),
        visit("b", "2", "2026-03-01"),
        sweeps=[*swept("old", 10.0), *swept("new", 13.0), *swept("bad", 10.0)],
    )
    assert towers.loc["1", "sweep_date"] == pd.Timestamp("2026-03-01")
    assert towers.loc["1", ["sweep_shape", "sweep_reactance_sign"]].to_list() == ["rising", "inductive"]
    assert "long buried wire" in towers.loc["1", "sweep_screening"]
    assert not towers.loc["1", "sweep_agrees"]  # 10 Ω of the sweep against 12 Ω
    assert towers.loc[["2", "3"], "sweep_shape"].isna().all()


def test_limits_of_the_utility_are_named_as_such():
    text = 'line = { id = "x", voltage_kv = 66, frequency_hz = 50 }\nlimits = { target_ohm = 10, limit_ohm = 30 }'
    towers = assess(visit("a", "1", "2026-01-01", 20.0), settings=config.parse(text))
    assert towers.loc["1", "impedance_class"] == "acceptable"
    assert "set in line.toml" in towers.loc["1", "limit_rule"]


@pytest.mark.parametrize("month", ["2026-13", "June", "2026", "26-06", "2026-06-01"])
def test_a_month_that_is_none(month):
    with pytest.raises(SettingsError, match="is not a month"):
        assess(month=month)


def test_queues_take_the_first_reason_that_applies():
    towers = assess(
        visit("a", "1", "2026-01-01", 40.0, leads_missing=2, bond_seen="missing"),
        visit("b", "2", "2026-01-01", 3.0, bond_seen="damaged"),
        visit("c", "3", "2026-01-01", 40.0),
        visit("d", "4", "2026-01-01", 3.0),
        towers=("1", "2", "3", "4", "5"),
    ).reset_index()
    listed = plan.priority_list(towers, LINE)
    assert listed["tower_id"].to_list() == ["1", "2", "3", "5", "4"]
    assert listed["queue"].to_list() == ["repair", "bond", "footing", "retest", "none"]
    assert list(listed.columns) == plan.COLUMNS
    assert listed["cost"].isna().all()
    assert "2 earthing leads missing" in listed.loc[0, "evidence"]


def test_no_step_asks_to_open_a_bond():
    assert not any("open" in step.lower() for step in plan.NEXT_STEP.values())
    assert "licensed procedure" in plan.NEXT_STEP["bond"]
