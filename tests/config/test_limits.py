"""Footing limits: the shipped figures, the rule that holds at each tower, and a table of one's own."""

import hypothesis
import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from towerlib.config import limits, parse
from towerlib.errors import SettingsError
from towerlib.values import STATUSES

CHINA = "Chinese construction and acceptance code, clause 4.7: 10 Ω to 100 Ω·m, 30 Ω over 2,000 Ω·m"
LADDER = "DL/T 620 and GB 50065, from memory"
PUE = "PUE-7, clause 2.5.129, table 2.5.19, from memory"
QUOTED = "figures commonly quoted in South Africa, from memory and doubtful"
PUBLISHED = [  # set, line voltage [kV], soil resistivity [Ω·m], limit [Ω], status, where the figure stands
    ("common practice", 132, np.nan, 15, "common practice", "a rule of the trade, no standard"),
    ("indonesia-150kv", 150, np.nan, 10, "confirmed", "SK DIR PLN 0520-1.K/DIR/2014, as quoted in JTEV"),
    ("india", 400, np.nan, 10, "confirmed", "trade text on practice in India"),
    ("china", 220, 100, 10, "confirmed", CHINA),
    ("china", 220, 101, 15, "from memory", LADDER),
    ("china", 220, 500, 15, "from memory", LADDER),
    ("china", 220, 501, 20, "from memory", LADDER),
    ("china", 220, 1000, 20, "from memory", LADDER),
    ("china", 220, 2000, 25, "from memory", LADDER),
    ("china", 220, 2001, 30, "confirmed", CHINA),
    ("russia", 110, 5001, 30.006, "from memory", PUE + ": 6·10⁻³·ρ"),
    ("russia", 110, 100, 10, "from memory", PUE),
    ("russia", 110, 500, 15, "from memory", PUE),
    ("russia", 110, 1000, 20, "from memory", PUE),
    ("russia", 110, 5000, 30, "from memory", PUE),
    ("russia", 110, 10_000, 60, "from memory", PUE + ": 6·10⁻³·ρ"),
    (
        "colombia-115kv",
        115,
        np.nan,
        30,
        "confirmed",
        "abstract of a survey of 3,025 towers, 115 kV, Colombia",
    ),
    ("south-africa", 132, np.nan, 20, "from memory", QUOTED),
    ("south-africa", 275, np.nan, 30, "from memory", QUOTED),
    ("south-africa", 400, np.nan, 40, "from memory", QUOTED),
    ("usa", 230, np.nan, 25, "from memory", "NESC, for a single electrode"),
]


def settings(voltage_kv=132, **figures):
    """Settings of a line with what stands under [limits]."""
    inside = "\n".join(f"{name} = {figure!r}" for name, figure in figures.items())
    head = f'[line]\nid = "north-ridge"\nvoltage_kv = {voltage_kv}\nfrequency_hz = 50\n'
    return parse(f"{head}[limits]\n{inside}")


def towers(**columns):
    """Towers of a line, 1 km apart."""
    count = max((len(column) for column in columns.values()), default=3)
    table = pd.DataFrame({"tower_id": [f"T{place}" for place in range(count)]})
    return table.assign(chainage_km=np.arange(count, dtype=float), **columns)


def own_table(folder, text):
    """Rules read from a table of one's own."""
    path = folder / "limits.csv"
    path.write_text(text, encoding="utf-8")
    return limits.read(path)


@pytest.mark.parametrize(("name", "voltage_kv", "soil", "limit_ohm", "status", "source"), PUBLISHED)
def test_published_figures(name, voltage_kv, soil, limit_ohm, status, source):
    found = limits.apply(towers(soil_resistivity_ohm_m=[soil]), settings(voltage_kv, rules=name)).iloc[0]
    assert found["limit_ohm"] == limit_ohm, source
    assert f"({status})" in found["limit_rule"]


def test_every_shipped_rule_is_among_the_published_figures():
    """No figure is shipped for Brazil or Saudi Arabia: documents exist, but no figure was seen."""
    assert set(limits.shipped()) == {name for name, *_ in PUBLISHED}
    for name, rules in limits.shipped().items():
        shown = {limit for of, _, soil, limit, *_ in PUBLISHED if of == name and soil not in (5001, 10_000)}
        assert {rule.limit_ohm for rule in rules if not np.isnan(rule.limit_ohm)} == shown


def test_every_shipped_rule_says_where_it_comes_from():
    for rules in limits.shipped().values():
        assert all(rule.source and rule.status in STATUSES for rule in rules)


def test_the_default_is_the_common_practice_pair():
    """Good up to 5 Ω, acceptable up to 15 Ω: *common practice*."""
    found = limits.apply(towers(), settings())
    assert found["target_ohm"].unique() == [5.0]
    assert found["limit_ohm"].unique() == [15.0]
    assert found["limit_rule"].unique() == [
        "common practice: good up to 5 Ω, acceptable up to 15 Ω; "
        "a rule of the trade, no standard (common practice)"
    ]


def test_the_rule_names_condition_reading_source_and_status():
    rule = limits.apply(towers(soil_resistivity_ohm_m=[300.0]), settings(rules="china"))["limit_rule"].iloc[0]
    assert rule == (
        "china-2: acceptable up to 15 Ω; soil over 100 up to 500 Ω·m; read in the dry part of the "
        "thunder season; shield wires not connected; DL/T 620 and GB 50065 (from memory)"
    )
    rule = limits.apply(towers(), settings(150, rules="indonesia-150kv"))["limit_rule"].iloc[0]
    assert "150 kV" in rule
    assert "2014" in rule


def test_a_rule_of_one_figure_has_its_target_there():
    assert limits.apply(towers(), settings(rules="india"))["target_ohm"].unique() == [10.0]


def test_numbers_in_line_toml_win_over_all():
    soil = {"soil_resistivity_ohm_m": [50.0, 6000.0]}
    found = limits.apply(towers(**soil), settings(rules="russia", target_ohm=8.0, limit_ohm=20.0))
    assert found["target_ohm"].to_list() == [8, 8]
    assert found["limit_ohm"].to_list() == [20, 20]
    assert found["limit_rule"].unique() == ["good up to 8 Ω, acceptable up to 20 Ω (set in line.toml)"]


def test_one_number_wins_and_the_rule_gives_the_other():
    soil = {"soil_resistivity_ohm_m": [50.0, 6000.0]}
    found = limits.apply(towers(**soil), settings(rules="russia", target_ohm=8.0))
    assert found["target_ohm"].to_list() == [8, 8]
    assert found["limit_ohm"].to_list() == [10, 36]
    assert found["limit_rule"].str.startswith("good up to 8 Ω (set in line.toml); else russia-").all()


def test_without_resistivity_the_strictest_step_holds_and_says_so():
    found = limits.apply(towers(soil_resistivity_ohm_m=[np.nan, 800.0]), settings(rules="china"))
    assert found["limit_ohm"].to_list() == [10, 20]
    assert (
        "not recorded: soil resistivity, so the strictest rule that may apply" in found["limit_rule"].iloc[0]
    )
    assert "not recorded" not in found["limit_rule"].iloc[1]
    assert limits.apply(towers(), settings(rules="china"))["limit_ohm"].unique() == [
        10
    ]  # no such column at all


OWN = """rule;station_within_km;occupancy;shield_wire;soil_upto_ohm_m;target_ohm;limit_ohm;source;year
approach;1,5;;;;2,5;5;Standing order 7;2021
people;;bare feet/frequented;;;;8;Standing order 7;2021
no wire;;;insulated/none;;;12;;
others;;;;400;;20;;
"""


def test_the_first_rule_of_an_own_table_whose_conditions_are_met_holds(tmp_path):
    rules = own_table(tmp_path, OWN)
    line = towers(
        occupancy=["frequented", "remote", "bare feet", "remote", "remote", "remote", "remote"],
        shield_wire=["bonded", "bonded", "bonded", "none", "bonded", "bonded", "bonded"],
        soil_resistivity_ohm_m=[100.0, 100.0, 100.0, 100.0, 401.0, 100.0, 100.0],
    )
    found = limits.apply(line, settings(rules="limits.csv"), rules)
    # Stations at km 0 and 6: towers 0, 1 and 5, 6 are near; tower 4 stands in soil that no rule covers.
    assert found["limit_ohm"].to_list() == [5, 5, 8, 12, 15, 5, 5]
    assert found["target_ohm"].to_list() == [2.5, 2.5, 8, 12, 5, 2.5, 2.5]
    assert (
        "within 1.5 km of a station; Standing order 7, 2021 (the utility's own)"
        in found["limit_rule"].iloc[0]
    )
    assert (
        found["limit_rule"]
        .iloc[4]
        .startswith("no rule of the set applies here; common practice: good up to 5 Ω")
    )


def test_an_own_rule_that_may_hold_is_stricter_than_none(tmp_path):
    rules = own_table(tmp_path, "occupancy,limit_ohm\nfrequented,8\nremote,30\n")
    found = limits.apply(towers(occupancy=["remote", None, "accessible"]), settings(), rules)
    assert found["limit_ohm"].to_list() == [30, 8, 15]


def test_the_strictest_of_those_that_may_hold_need_not_stand_first(tmp_path):
    rules = own_table(tmp_path, "occupancy,soil_upto_ohm_m,limit_ohm\nremote,,30\nfrequented,,8\n,200,9\n")
    line = towers(occupancy=[None, None, "remote"], soil_resistivity_ohm_m=[np.nan, 100.0, np.nan])
    found = limits.apply(line, settings(), rules)
    assert found["limit_ohm"].to_list() == [
        8,
        9,
        30,
    ]  # what is certain goes before what may be, strict or not


def test_over_leaves_its_end_out(tmp_path):
    rules = own_table(tmp_path, "soil_over_ohm_m,limit_ohm\n500,20\n")
    found = limits.apply(towers(soil_resistivity_ohm_m=[500.0, 500.1]), settings(), rules)
    assert found["limit_ohm"].to_list() == [15, 20]


def test_an_earlier_rule_goes_before_a_stricter_one(tmp_path):
    rules = own_table(tmp_path, "occupancy,limit_ohm\nremote,30\n,8\n")
    assert limits.apply(towers(occupancy=["remote", "accessible"]), settings(), rules)[
        "limit_ohm"
    ].to_list() == [30, 8]


def test_an_own_table_is_found_in_the_line_folder(tmp_path):
    own_table(tmp_path, "limit_ohm\n7\n")
    assert limits.of_line(settings(rules="limits.csv"), tmp_path)[0].limit_ohm == 7
    assert limits.of_line(settings(rules="india"), tmp_path) == limits.named("india")


def test_the_table_of_towers_stays_as_it_was_and_its_index_is_kept():
    line = towers(soil_resistivity_ohm_m=[50.0, 700.0]).set_axis([7, 3])
    before = line.copy(deep=True)
    found = limits.apply(line, settings(rules="russia"))
    pd.testing.assert_frame_equal(line, before)
    assert found.index.to_list() == [7, 3]
    assert found["limit_rule"].dtype == "str"


def test_no_towers_no_limits():
    assert limits.apply(towers().iloc[:0], settings(rules="china")).shape == (0, 3)


@hypothesis.settings(deadline=None, max_examples=40)
@given(st.sampled_from(["china", "russia"]), st.lists(st.floats(1, 20_000), min_size=2, max_size=9))
def test_worse_soil_never_lowers_the_limit(name, soil):
    found = limits.apply(towers(soil_resistivity_ohm_m=sorted(soil)), settings(rules=name))
    assert found["limit_ohm"].is_monotonic_increasing


@pytest.mark.parametrize(
    ("figures", "sentence"),
    [
        (
            {"rules": "chine"},
            r"rules = 'chine' in \[limits\]: there is no set of limits 'chine'; did you mean 'china'",
        ),
        ({"rules": "../limits.csv"}, r"rules = .* in \[limits\]: name a file in the line folder itself"),
        ({"target_ohm": 20.0, "limit_ohm": 10.0}, "target_ohm 20 lies above limit_ohm 10"),
        ({"limit_ohm": 4.0}, "target_ohm 5 lies above limit_ohm 4"),
    ],
)
def test_wrong_settings_are_reported_when_they_are_read(figures, sentence):
    with pytest.raises(SettingsError, match=sentence):
        settings(**figures)


@pytest.mark.parametrize(
    ("figures", "sentence"),
    [
        ({"rules": "indonesia-150kv"}, r"no rule for 132 kV \(only 150 kV\)"),
        ({"rules": "india", "target_ohm": 12.0}, r"target_ohm 12 lies above limit_ohm 10 at 3 towers"),
        ({"rules": "limits.csv"}, r"hand over limits.of_line"),
    ],
)
def test_settings_that_do_not_go_together(figures, sentence):
    with pytest.raises(SettingsError, match=sentence):
        limits.apply(towers(), settings(**figures))


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        ("limit\n7\n", "no column 'limit' in a table of limits; did you mean 'limit_ohm'"),
        ("limit_ohm\n7\nseven\n", "row 3: limit_ohm 'seven' is not a number from 0.01 to 10000"),
        ("limit_ohm\n1e308\n", "row 2: limit_ohm '1e308' is not a number from 0.01 to 10000"),
        ("limit_ohm\n0\n", "row 2: limit_ohm '0' is not a number from 0.01 to 10000"),
        ("limit_ohm_per_ohm_m\n1e300\n", "row 2: limit_ohm_per_ohm_m '1e300' is not a number from 0 to 100"),
        ("soil_upto_ohm_m,limit_ohm\n1e300,7\n", "row 2: soil_upto_ohm_m '1e300' is not a number from 0 to"),
        ("limit_ohm\n-7\n", "row 2: limit_ohm '-7' is not a number from 0.01 to 10000"),
        ("limit_ohm,occupancy\n7,crowded\n", "row 2: occupancy 'crowded' is none of bare feet, frequented"),
        ("limit_ohm,status\n7,sure\n", "row 2: status 'sure' is none of confirmed"),
        ("limit_ohm,target_ohm\n7,9\n", "row 2: target_ohm 9 lies above limit_ohm 7"),
        (
            "voltage_min_kv,voltage_max_kv,limit_ohm\n220,110,7\n",
            "voltage_min_kv 220 lies above voltage_max_kv 110",
        ),
        ("rule,target_ohm\na,7\n", "row 2: give either limit_ohm or limit_ohm_per_ohm_m"),
        ("limit_ohm,note\n7,dry, only\n", "row 2 has more cells than the header"),
        ("limit_ohm\n", "has no rule"),
        ("", "has no rule"),
    ],
)
def test_a_table_that_cannot_be_used_names_row_value_and_mend(tmp_path, text, sentence):
    with pytest.raises(SettingsError, match=sentence):
        own_table(tmp_path, text)


def test_a_missing_table(tmp_path):
    with pytest.raises(SettingsError, match=r"limits\.csv is missing: \[limits\] rules names it"):
        limits.of_line(settings(rules="limits.csv"), tmp_path)
