"""Stops, probe places and tables of a field sheet."""

import math
import re

import pandas as pd
import pytest
from fieldsheet_lines import EARTH, HOSTILE, LINE, along, folder, hostile, study, table, towers, visit
from typer.testing import CliRunner

from towerlib import cli, fieldwork
from towerlib.errors import SettingsError
from towerlib.fieldwork import forms, probe_layout
from towerlib.records.load import load
from towerlib.records.tables import schema
from towerlib.report import fieldsheet


def sheet_of(place, register, visits=None, towers="all", **files):
    return fieldwork.prepare(study(place, register, visits, **files), towers)


def build(sheet, tower_id, name):
    rows = sheet.probe_layouts[
        (sheet.probe_layouts["tower_id"] == tower_id) & (sheet.probe_layouts["lay"] == name)
    ]
    assert len(rows) == 1
    return rows.iloc[0]


def stop(sheet, tower_id):
    return sheet.stops.set_index("tower_id").loc[tower_id]


WALKS = [  # start, bearings of the spans: any latitude, across the antimeridian, every quarter, angles
    pytest.param((-31.0, -20.0), [70.0, 70.0, 95.0, 40.0], id="south"),
    pytest.param((0.001, 36.0), [180.0, 170.0, 190.0], id="over the equator, southwards"),
    pytest.param((64.9, 179.993), [88.0, 91.0, 80.0], id="north, over the antimeridian"),
    pytest.param((12.0, -60.0), [359.0, 2.0, 310.0], id="northwards"),
]


@pytest.mark.parametrize(("start", "bearings"), WALKS)
def test_probes_stand_where_geographiclib_measures_them(tmp_path, start, bearings):
    """GeographicLib, C. F. F. Karney: distances to the millimetre, directions to a thousandth of a degree."""
    places = along(bearings, start=start)
    sheet = sheet_of(tmp_path / "low-moor", towers(places))
    here = dict(zip(map(str, range(1, len(places) + 1)), places, strict=True))
    assert len(sheet.probe_layouts) == 6 * len(places)
    for probe in ("current", "potential"):
        for row in sheet.probe_layouts.to_dict("records"):
            there = row[f"{probe}_latitude_deg"], row[f"{probe}_longitude_deg"]
            found = EARTH.Inverse(*here[row["tower_id"]], *there)
            assert found["s12"] == pytest.approx(row[f"{probe}_m"], abs=1e-3)
            assert abs((found["azi1"] - row["bearing_deg"] + 180) % 360 - 180) < 1e-3


@pytest.mark.parametrize(("start", "bearings"), WALKS)
def test_main_layouts_halve_the_angle_between_the_spans(tmp_path, start, bearings):
    """Each main lead makes one angle with both spans, measured at the tower by GeographicLib."""
    places = along(bearings, start=start)
    sheet = sheet_of(tmp_path / "low-moor", towers(places))
    for number in range(1, len(places) - 1):
        before, here, after = places[number - 1 : number + 2]
        back, ahead = (EARTH.Inverse(*here, *other)["azi1"] for other in (before, after))
        for name, side in (("left", -1), ("right", 1)):
            toward = build(sheet, str(number + 1), name)["bearing_deg"]
            from_ahead, from_back = ((toward - other + 180) % 360 - 180 for other in (ahead, back))
            assert math.copysign(1, from_ahead) == side
            assert abs(from_ahead) == pytest.approx(abs(from_back), abs=1e-3)


def test_distances_of_a_straight_line(tmp_path):
    """50 m from the line and leads no nearer to it than 30° (common practice); 61.8 % (MIL-HDBK-419A eq. 2-46)."""
    sheet = sheet_of(tmp_path / "low-moor", towers(along([70.0, 70.0])))
    assert build(sheet, "2", "left")[["current_m", "potential_m"]].to_list() == [50, 31]
    turned = sheet.probe_layouts[sheet.probe_layouts["alternative"]]
    assert turned["off_line_deg"].round(1).unique().tolist() == [60.0]
    assert turned["current_m"].unique().tolist() == [60]  # 50 m / sin 60° = 57.7 m, in steps of 5 m outward
    clear_m = sheet.probe_layouts["current_m"] * sheet.probe_layouts["off_line_deg"].map(math.radians).map(
        math.sin
    )
    assert clear_m.min() >= 49.95
    for row in sheet.probe_layouts.itertuples():
        a_m, p_m, c_m = 5.0, row.potential_m, row.current_m  # 1 − a/p − a/c + a/(c−p): hemisphere of 5 m
        assert 1 - a_m / p_m - a_m / c_m + a_m / (c_m - p_m) == pytest.approx(1, abs=0.01)


@pytest.mark.parametrize(
    ("columns", "current_m"),
    [
        ({"leg_spacing_m": 6}, 50),  # 5 · 8.49 m = 42 m: the 50 m govern
        ({"leg_spacing_m": 10}, 75),  # 5 · 14.14 m = 70.7 m
        ({"leg_spacing_m": 20}, 145),  # 5 · 28.28 m = 141.4 m
        ({"structure": "monopole", "leg_count": 1, "leg_spacing_m": ""}, 50),
    ],
)
def test_the_current_probe_is_five_diagonals_away(tmp_path, columns, current_m):
    """IEEE Std 81: current probe at five times the electrode's largest extent (from memory)."""
    sheet = sheet_of(tmp_path / "low-moor", towers(along([70.0, 70.0]), **columns))
    assert build(sheet, "2", "right")["current_m"] == current_m


def test_limits_of_the_line_hold_for_its_sheet_too(tmp_path):
    line = LINE + "\n[quality]\ncurrent_probe_off_the_line = { threshold = 80 }\n"
    sheet = sheet_of(tmp_path / "low-moor", towers(along([70.0, 70.0])), line_toml=line)
    assert build(sheet, "2", "left")["current_m"] == 80


def test_buried_wires_widen_the_lay_and_bar_flat_angles(tmp_path):
    """120 m as four arms of 30 m: 8.49 + 60 = 68.5 m across, so 137 m and up to 140 m."""
    works = table(
        [{"tower_id": "2", "date": "2026-01-10", "treatment": "radial counterpoise", "quantity": 120}]
    )
    register = towers(along([70.0, 70.0, 95.0]))
    sheet = sheet_of(
        tmp_path / "low-moor", register, [visit("2", date="2025-05-01")], month="2026-03", works_csv=works
    )
    assert build(sheet, "2", "left")["current_m"] == 140
    assert "four arms" not in stop(sheet, "2")["probe_doubts"]
    assert "taken as 4 arms of 30 m" in stop(sheet, "2")["probe_doubts"]
    assert "two directions 60° apart" in stop(sheet, "2")["probe_doubts"]
    assert stop(sheet, "1")["probe_doubts"] == ""
    assert stop(sheet, "2")["expected_said"].startswith("below ")
    assert "radial counterpoise, 2026-01-10" in stop(sheet, "2")["expected_said"]


def test_a_ring_leaves_no_lead_nearer_than_60_degrees(tmp_path):
    register = towers(along([70.0, 70.0, 95.0, 95.0]), ring=["yes", "", "yes", "no", "no"])
    sheet = sheet_of(tmp_path / "low-moor", register)
    kept = sheet.probe_layouts.groupby("tower_id")["lay"].agg(list)
    assert kept["1"] == ["left", "right", "left, forward", "left, back", "right, forward", "right, back"]
    assert kept["3"] == ["left", "right", "left, forward", "left, back"]  # right is inside the turn of 25°
    assert sheet.probe_layouts.loc[sheet.probe_layouts["tower_id"] == "3", "off_line_deg"].min() >= 60 - 1e-6
    assert "route is not recorded" in stop(sheet, "1")["probe_doubts"]
    assert "is not recorded: ask" in stop(sheet, "2")["probe_doubts"]


def test_a_steep_angle_is_reported_on_its_inside(tmp_path):
    sheet = sheet_of(tmp_path / "low-moor", towers(along([10.0, 80.0, 80.0])))
    assert "turns by 70° to the right" in build(sheet, "2", "right")["doubts"]
    assert "at 55° to the nearer span" in build(sheet, "2", "right")["doubts"]
    assert build(sheet, "2", "left")["doubts"] == ""
    inside = sheet.probe_layouts.query("tower_id == '2' and lay.str.startswith('right')")
    assert inside["lay"].to_list() == ["right"]  # an alternative would leave a span at 25°
    assert inside["current_m"].item() == 65  # 50 m / sin 55° = 61.0 m


def test_towers_at_one_place_have_no_lay_but_a_sentence(tmp_path):
    places = along([70.0])
    sheet = sheet_of(tmp_path / "low-moor", towers([places[0], places[0]]))
    assert sheet.probe_layouts.empty
    assert "no positions can be computed" in stop(sheet, "1")["probe_doubts"]
    assert "Tower 1" in fieldsheet.page(sheet).replace("<bdi>", "").replace("</bdi>", "")


def test_neighbours_are_reported_where_they_come_near(tmp_path):
    """A second line 80 m to the right, a station 200 m ahead, a pipe on the left, all placed by GeographicLib."""
    import geopandas
    from shapely import LineString

    places = along([90.0] * 6)
    aside = [EARTH.Direct(*place, 180.0, 80.0) for place in places]
    beside = [(place["lat2"], place["lon2"]) for place in aside]
    folder(tmp_path / "other", towers(beside), line_toml=LINE.replace("low-moor", "o").replace("Low", "High"))
    folder(tmp_path / "broken", towers(beside), line_toml="[line")
    station = EARTH.Direct(*places[-1], 90.0, 200.0)
    position = f"latitude_deg = {station['lat2']:.7f}\nlongitude_deg = {station['lon2']:.7f}\n"
    line = f'{LINE}[stations.last]\nname = "East"\n{position}'
    pipe = [EARTH.Direct(*places[2], 0.0, 30.0)[key] for key in ("lon2", "lat2")]
    made = study(tmp_path / "low-moor", towers(places), line_toml=line)
    layer = geopandas.GeoDataFrame(geometry=[LineString([pipe, (pipe[0] + 1e-4, pipe[1])])], crs=4326)
    layer.attrs["name"] = "pipes"
    sheet = fieldwork.prepare(made, "all", context=[layer])
    assert "High Moor lies 30 m from this lead" in build(sheet, "3", "right")["doubts"]
    assert "High Moor" not in build(sheet, "3", "left")["doubts"]
    assert "layer pipes crosses this lead" in build(sheet, "3", "left")["doubts"]
    assert "Station East is 200 m from this lead" in build(sheet, "7", "left")["doubts"]
    assert "Station" not in build(sheet, "4", "left")["doubts"]
    assert any("broken could not be read" in remark for remark in sheet.remarks)
    assert any("first station" in remark and "not known" in remark for remark in sheet.remarks)


def test_last_value_band_and_set_up(tmp_path):
    """10 Ω in wet soil, limits of three standard deviations (JCGM 100:2008, 4.3.9), worked by hand.

    10·exp(−1.96/3·ln 1.3) = 8.42 Ω to 10·exp(1.96/3·√(ln² 1.3 + ln² 1.5)) = 13.7 Ω.
    """
    setup = {
        "soil_state": "wet",
        "test_frequency_hz": 128,
        "current_probe_distance_m": 60,
        "leakage_total_ma": "",
    }
    register = towers(along([70.0, 70.0]))
    sheet = sheet_of(tmp_path / "low-moor", register, [visit("2", current_probe_bearing_deg=160, **setup)])
    shown = stop(sheet, "2")
    assert shown["last_said"].startswith("10 Ω on 2026-03-01")
    assert shown["expected_said"].startswith("8.42 to 13.7 Ω")
    assert shown["setup_said"] == "leg coils, 128 Hz, soil wet, current probe 60 m at 160°"
    assert stop(sheet, "1")["last_said"] == "no usable value"
    assert stop(sheet, "1")["why"] == "Never tested."


def test_what_the_last_crew_saw_is_a_caution(tmp_path):
    register = towers(along([70.0, 70.0]))
    visits = [visit("1", leads_missing=2), visit("2", bond_seen="missing", visit_id="v9")]
    sheet = sheet_of(tmp_path / "low-moor", register, visits)
    assert "may be live" in stop(sheet, "1")["cautions"]
    assert "open or touch nothing" in stop(sheet, "2")["cautions"]
    assert stop(sheet, "3")["cautions"] == ""


def test_rock_below_is_reported(tmp_path):
    layers = {"upper_layer_ohm_m": 100, "lower_layer_ohm_m": [1000, 200, 50], "layer_depth_m": 3}
    sheet = sheet_of(tmp_path / "low-moor", towers(along([70.0, 70.0]), **layers))
    assert ["9 % low" in doubts for doubts in sheet.stops["probe_doubts"]] == [True, False, False]


def test_a_stretch_and_a_list_in_route_order(tmp_path):
    made = study(tmp_path / "low-moor", towers(along([70.0] * 4), list("dbcae")))
    assert fieldwork.prepare(made, "a, d").stops["tower_id"].to_list() == ["d", "a"]
    inside = fieldwork.prepare(made, from_km=0.25, to_km=0.65)
    assert inside.stops["tower_id"].to_list() == ["b", "c"]
    assert fieldwork.prepare(made, from_km=0, to_km=0).stops["tower_id"].to_list() == ["d"]
    assert inside.chosen == "All towers from km 0.25 to km 0.65."
    assert fieldwork.prepare(made).stops["tower_id"].to_list() == ["b", "c", "a", "e"]  # never tested


def test_lists_of_the_plan(tmp_path):
    made = study(tmp_path / "low-moor", towers(along([70.0] * 2)))
    made.priority["package"] = ["", "P1", None]
    planned = made.priority["tower_id"].iloc[1]
    assert fieldwork.prepare(made, "plan").stops["tower_id"].to_list() == [planned]
    made.priority["queue"] = ["none", "bond", "none"]
    assert fieldwork.prepare(made, "bond").stops["tower_id"].to_list() == [planned]
    assert fieldwork.prepare(made, "priority").stops["tower_id"].to_list() == [planned]


def test_a_tower_named_like_a_list_is_that_tower(tmp_path):
    made = study(tmp_path / "low-moor", towers(along([70.0] * 2), ["all", "1, 2", "3"]))
    assert fieldwork.prepare(made, "all").stops["tower_id"].to_list() == ["all"]
    assert fieldwork.prepare(made, "1, 2").stops["tower_id"].to_list() == ["1, 2"]


def command(*words):
    result = CliRunner().invoke(cli.app, [str(word) for word in words])
    if isinstance(result.exception, cli.TowerlibError):
        return 2, str(result.exception)
    assert result.exception is None or isinstance(result.exception, SystemExit), result.exception
    return result.exit_code, result.output


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        (["--towers", "9"], "'9' is not a tower of low-moor"),
        (["--towers", "T2a"], "did you mean 'T2'"),
        (["--from-km", "5", "--to-km", "3"], "--from-km 5 lies beyond --to-km 3"),
        (["--from-km", "nan"], "is not a chainage"),
        (["--from-km", "7"], "the line runs from km 0 to km 0.600"),
        (["--towers", "safety"], "safety queue of the priority list.: there is none"),
        (["--month", "2026-13"], "is not a month"),
        (["--out", "file"], "cannot be written"),
    ],
)
def test_wrong_input_is_one_sentence_and_status_2(tmp_path, monkeypatch, words, sentence):
    folder(tmp_path / "low-moor", towers(along([70.0, 70.0]), ["T1", "T2", "T3"]))
    (tmp_path / "file").write_text("no folder")
    monkeypatch.chdir(tmp_path)
    status, said = command("fieldsheet", "low-moor", *words)
    assert status == 2
    assert re.search(sentence, said)
    assert "\n" not in said.strip()
    assert not (tmp_path / "reports").exists()


def test_every_column_of_a_visit_is_asked_for_once():
    asked = [column for words in forms.VISIT_GROUPS.values() for column in words]
    assert sorted([*asked, *forms.PREFILLED]) == sorted(schema("visits").columns)
    assert set(forms.LEG_WORDS) | {"visit_id", "leg"} == set(schema("legs").columns)
    assert set(forms.SWEEP_WORDS) | {"visit_id"} == set(schema("sweeps").columns)


def test_visit_names_are_free_and_no_dates(tmp_path):
    register = towers(along([70.0, 70.0]))
    sheet = sheet_of(tmp_path / "low-moor", register, [visit("1", visit_id="V2603-002")])
    assert sheet.visits["visit_id"].to_list() == ["V2603-001", "V2603-002b", "V2603-003"]


def test_legs_have_the_names_in_use(tmp_path):
    legs = table([{"visit_id": "v1", "leg": leg, "leakage_ma": 5} for leg in ("N", "E", "S", "W")])
    register = towers(along([70.0, 70.0]), leg_count=[4, 2, ""], structure=["lattice", "portal", "monopole"])
    sheet = sheet_of(tmp_path / "low-moor", register, legs_csv=legs)
    named = sheet.legs.groupby("visit_id")["leg"].agg("".join)
    assert named.to_list() == ["NESW", "AB", "A"]


def test_filled_in_tables_are_accepted(tmp_path):
    """Written, filled in as a spreadsheet would, put into the line folder, and checked: no row is lost."""
    place = hostile(tmp_path / "low-moor")
    status, _ = command("fieldsheet", place, "--towers", "all", "--out", tmp_path / "sheet")
    assert status == 0
    back = {name: pd.read_csv(tmp_path / "sheet" / f"{name}.csv", dtype="str") for name in ("visits", "legs")}
    assert len(back["visits"]) == len(HOSTILE)
    assert not back["visits"].map(lambda cell: str(cell).startswith(("=", "+", "@"))).any(axis=None)
    filled = back["visits"].assign(date="2026-07-01", method="leg coils", impedance_ohm="12.5", note="=1+1")
    for name, rows in (("visits", filled), ("legs", back["legs"].assign(leakage_ma="40"))):
        (place / name).mkdir()
        rows.to_csv(place / name / "2026-07-crew-b.csv", index=False)
    status, said = command("check", place, "--reports", tmp_path / "reports")
    assert status == 0, said
    records = load(place)
    new = records.visits[records.visits["date"] == "2026-07-01"]
    assert new["tower_id"].to_list() == HOSTILE
    assert records.legs["visit_id"].isin(new["visit_id"]).sum() == 4 * len(HOSTILE)


def test_a_filled_table_is_not_written_over(tmp_path):
    sheet = sheet_of(tmp_path / "low-moor", towers(along([70.0, 70.0])))
    first = fieldsheet.write(sheet, tmp_path / "out")
    assert fieldsheet.write(sheet, tmp_path / "out") == first
    (tmp_path / "out" / "visits.csv").write_text("visit_id,tower_id,date\nV2603-001,1,2026-07-01\n")
    with pytest.raises(SettingsError, match="may be filled in"):
        fieldsheet.write(sheet, tmp_path / "out")


@pytest.mark.parametrize("name", ["012", "12/1", "12-1", "1E2", "1.10", "3 May", "2026-01-02", "12:30"])
def test_names_that_a_spreadsheet_would_change_are_held(name):
    assert forms.armoured(pd.DataFrame({"tower_id": [name]}))["tower_id"].item() == "'" + name


@pytest.mark.parametrize("name", ["12", "T-12", "12A", "A/1", "North", "0"])
def test_names_that_it_leaves_alone_are_left_alone(name):
    assert forms.armoured(pd.DataFrame({"tower_id": [name]}))["tower_id"].item() == name


def test_the_same_line_gives_the_same_files(tmp_path):
    sheet = sheet_of(tmp_path / "low-moor", towers(along([70.0, 70.0])))
    one, two = (fieldsheet.write(sheet, tmp_path / name) for name in ("one", "two"))
    assert [path.read_bytes() for path in one] == [path.read_bytes() for path in two]


def test_a_switched_off_rule_still_sets_the_place(tmp_path):
    line = LINE + '\n[quality]\ncurrent_probe_off_the_line = { severity = "off" }\n'
    made = study(tmp_path / "low-moor", towers(along([70.0])), line_toml=line)
    assert probe_layout.Clearances.of(made.line).line_m == 50
