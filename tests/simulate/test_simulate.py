"""The synthetic lines: their physics, their flaws, and that the demo's files are what is written today."""

import tomllib
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy.integrate import quad
from scipy.special import j0

from towerlib.physics.ladder import ladder, solve
from towerlib.records.load import load
from towerlib.records.tables import TABLES
from towerlib.simulate import electrics, simulate_line, write, write_demo
from towerlib.simulate.crews import SWEEP_HZ
from towerlib.simulate.demo import SEED, brackwater_stonefell, demo_lines, messy_line, quillmere_tolstrand
from towerlib.simulate.specs import FLAWS, Planted
from towerlib.simulate.towers import build, tower_names, wenner_resistivity

DEMO = Path(__file__).parents[2] / "data" / "demo"
MESSY = messy_line().line_id  # has tests of its own
LINES = [spec.line_id for spec in demo_lines()]


@pytest.fixture(scope="module")
def lines():
    return {spec.line_id: simulate_line(spec, SEED) for spec in demo_lines()}


@pytest.fixture(scope="module")
def loaded():
    return {line_id: load(DEMO / line_id) for line_id in LINES}


@pytest.fixture(scope="module")
def visits(lines):
    """All visits of all lines with what is planted: footing truth by tower, flaw by visit, sum and share."""
    parts = []
    for line_id, tables in lines.items():
        towers = tables["truth"].merge(
            tables["towers"][["tower_id", "structure", "leg_count"]], on="tower_id"
        )
        flaws = tables["truth-visits"][["visit_id", "flaw", "leg"]]
        part = tables["visits"].merge(towers, on="tower_id").merge(flaws, on="visit_id", how="left")
        legs = tables["legs"].groupby("visit_id")["leakage_ma"]
        part = part.assign(line_id=line_id, leg_sum_ma=part["visit_id"].map(legs.sum()))
        parts.append(
            part.assign(
                weakest_ma=part["visit_id"].map(legs.min()), middle_ma=part["visit_id"].map(legs.median())
            )
        )
    table = pd.concat(parts, ignore_index=True)
    begun = table["defect_since"] <= table["date"]
    return table.assign(
        share=table["legs_ma"] / table["injected_ma"],
        ratio=table["impedance_no_coils_ohm"] / table["impedance_ohm"],
        state=table["defect"].where(begun, "none"),
        flaw=table["flaw"].fillna(""),
    )


def files(folder):
    return {
        path.relative_to(folder).as_posix(): path.read_bytes()
        for path in sorted(folder.rglob("*"))
        if path.is_file() and path.name != "README.md" and MESSY not in path.parts
    }


# ---- the files


def test_unchanged_demo(lines, tmp_path):
    # Guards against drift alone: the committed demo is what is written today, byte for byte.
    for spec in demo_lines():
        write(spec, lines[spec.line_id], tmp_path)
    assert files(tmp_path) == files(DEMO)


def test_the_demo_is_written_by_one_call(monkeypatch, tmp_path):
    monkeypatch.setattr("towerlib.simulate.demo.demo_lines", lambda: (quillmere_tolstrand(),))
    assert write_demo(tmp_path) == [tmp_path / "quillmere-tolstrand", tmp_path / MESSY]
    written = {
        f"quillmere-tolstrand/{name}" for name in ("line.toml", "towers.csv", "visits.csv", "truth.csv")
    }
    assert written < set(files(tmp_path))


def test_the_seed_decides():
    spec = quillmere_tolstrand()
    once, again, other = (simulate_line(spec, seed) for seed in (5, 5, 6))
    for name, table in once.items():
        pd.testing.assert_frame_equal(table, again[name])
    assert not once["visits"]["impedance_ohm"].equals(other["visits"]["impedance_ohm"])


def test_a_line_can_be_written_over(tmp_path):
    spec = quillmere_tolstrand()
    tables = simulate_line(spec, 5)
    assert write(spec, tables, tmp_path) == tmp_path / spec.line_id
    first = files(tmp_path)
    write(spec, tables, tmp_path)
    assert files(tmp_path) == first


@pytest.mark.parametrize("line_id", LINES)
def test_the_loader_takes_every_row_as_it_is(loaded, line_id):
    records = loaded[line_id]
    assert len(records.rejected) == 0
    assert len(records.repaired) == 0
    assert records.line.id == line_id


@pytest.mark.parametrize("line_id", LINES)
def test_columns_ids_and_words_of_the_contract(lines, line_id):
    for name, table in lines[line_id].items():
        if name.startswith("truth"):
            continue
        contract = TABLES[name].columns
        assert set(table.columns) <= set(contract), name
        key = list(TABLES[name].metadata["key"])
        assert not table.duplicated(key).any() if key else True
    towers, visits = lines[line_id]["towers"], lines[line_id]["visits"]
    assert visits["tower_id"].isin(towers["tower_id"]).all()
    for name in ("legs", "sweeps"):
        assert lines[line_id][name]["visit_id"].isin(visits["visit_id"]).all()
    for name in ("soil", "works"):
        assert lines[line_id][name]["tower_id"].isin(towers["tower_id"]).all()


def test_the_demo_is_small_and_plain():
    contents = files(DEMO)
    assert sum(len(content) for content in contents.values()) < 3_000_000
    assert not any(b"\r" in content for content in contents.values())
    assert b";" in contents["quillmere-tolstrand/visits.csv"]
    assert "stonefell-ambermoss/visits/2024-03-crew-b.csv" in contents


def test_all_towers_stand_in_the_open_ocean(lines):
    # From a globe: no land within 500 km of 32° S, 18° W; UTM zones 27 and 28 meet at 18° W.
    for tables in lines.values():
        assert tables["towers"]["latitude_deg"].between(-33, -31).all()
        assert tables["towers"]["longitude_deg"].between(-20, -17).all()
    east = lines["stonefell-ambermoss"]["towers"]["longitude_deg"]
    assert east.min() < -18 < east.max()


def test_the_stations_stand_at_the_ends(loaded):
    for records in loaded.values():
        ends = records.towers.iloc[[0, -1]]
        for station, (_, tower) in zip(
            (records.line.stations.first, records.line.stations.last), ends.iterrows(), strict=True
        ):
            assert abs(station.latitude_deg - tower["latitude_deg"]) < 0.001
            assert abs(station.longitude_deg - tower["longitude_deg"]) < 0.001


def test_the_newest_visits_are_of_june_2026(lines):
    for tables in lines.values():
        assert tables["visits"]["date"].max().strftime("%Y-%m") == "2026-06"
        assert set(tables["visits"]["date"].dt.year) >= {2019, 2024, 2026}


def test_towers_are_named_as_registers_do():
    assert tower_names("plain", 60)[11:14] == ["12", "12A", "13"]
    for style in ("padded", "plain", "section"):
        assert len(set(tower_names(style, 220))) == 220


# ---- the physics


@pytest.mark.parametrize(("lower", "depth_m"), [(1000.0, 3.0), (10.0, 3.0), (300.0, 1.0), (50.0, 8.0)])
@pytest.mark.parametrize("spacing_m", [2.0, 6.0, 20.0])
def test_two_layer_resistivity_against_the_integral(lower, depth_m, spacing_m):
    # Stefanesco and the Schlumbergers (1930): potential of a point source on two layers as an integral of
    # Bessel functions, here by quadrature.
    k = (lower - 100.0) / (lower + 100.0)

    def integrand(u):
        image = k * np.exp(-2 * u * depth_m)
        return image / (1 - image) * (j0(u * spacing_m) - j0(2 * u * spacing_m))

    integral = quad(integrand, 0, 25 / depth_m, limit=500)[0]
    by_integral = 100.0 * (1 + 4 * spacing_m * integral)
    assert wenner_resistivity(100.0, lower, depth_m, spacing_m) == pytest.approx(by_integral, rel=2e-4)


@pytest.mark.parametrize(
    ("rho", "f", "magnitude"),
    [(50, 1e3, 1.00), (200, 5e3, 0.98), (500, 1e3, 0.97), (1000, 1e3, 0.97), (1000, 5e3, 0.92)],
)
def test_dispersion_of_a_compact_footing(rho, f, magnitude):
    # A buried-line model of counterpoises of 5 to 15 m with the same soil (Alipio and Visacro 2014), worked
    # separately; the wires' own inductance is not in the compact form, hence 1.5 %.
    assert abs(electrics.dispersion(f, rho)) == pytest.approx(magnitude, abs=0.015)


def test_poor_soil_turns_the_phase_negative():
    assert np.degrees(np.angle(electrics.dispersion(5e3, [100.0, 1000.0, 5000.0]))).tolist() == sorted(
        np.degrees(np.angle(electrics.dispersion(5e3, [100.0, 1000.0, 5000.0]))), reverse=True
    )
    assert np.degrees(np.angle(electrics.dispersion(5e3, 5000.0))) < -8


def test_legs_and_ladder_are_one_network(monkeypatch):
    # Thévenin's theorem: each tower on the wire as it would be without that tower carries what the ladder
    # says. No soil field, no body current: then the vector total is the ladder's footing current.
    monkeypatch.setattr(electrics, "BODY_A_KV", 0.0)
    spec = brackwater_stonefell()
    settings = tomllib.loads(spec.settings)
    built = build(spec, np.random.default_rng(3))
    now = electrics.state(built, np.datetime64("2026-06-30"), "normal")
    flows = electrics.stray(built, spec.drive, np.random.default_rng(4))
    still = np.zeros_like(flows.soil_v)
    current_a = electrics.in_service(built, settings, now, replace(flows, soil_v=still, ring_v=still))
    footing_ohm, _ = electrics.footings(built, now)
    span_ohm = electrics.span_impedance(built, settings, 50.0)
    line = ladder(footing_ohm, now.bond_ohm, np.where(now.span_open, np.inf, span_ohm), (0.4, 0.9))
    by_ladder = solve(line, span_emf_v=flows.forced_a * span_ohm).footing_a
    assert np.nansum(current_a, axis=1) == pytest.approx(by_ladder, rel=1e-6, abs=1e-9)


def test_sweeps_stay_off_the_harmonics(lines):
    distance = np.abs(np.array(SWEEP_HZ) - 50 * np.round(np.array(SWEEP_HZ) / 50))
    assert distance.min() >= 8
    assert min(SWEEP_HZ) == 41
    assert 4900 < max(SWEEP_HZ) < 5000
    for tables in lines.values():
        assert set(tables["sweeps"]["frequency_hz"]) == set(SWEEP_HZ)


def test_readings_by_coils_meet_the_footing(visits):
    # The season moves a footing by 5 to 45 %, probes and coils by a few per cent.
    sound = visits[
        (visits["method"] == "leg coils") & (visits["flaw"] == "") & (visits["earth_paths_in_coils"] == "yes")
    ]
    sound = sound[sound["treated_on"].isna() & ~sound["defect"].isin(["corroded leg", "open leg"])]
    ratio = sound["impedance_ohm"] / sound["footing_ohm"]
    assert ratio.median() == pytest.approx(1.0, abs=0.1)
    assert ratio.between(0.7, 1.7).all()


def test_stray_voltage_is_leakage_times_footing(visits):
    # Ohm's law, 0.45 V over 150 mA is 3 Ω: where the total is well above the coils' noise.
    sound = visits[(visits["flaw"] == "") & (visits["leakage_total_ma"] > 30) & (visits["ring"] == "no")]
    sound = sound[sound["earth_paths_in_coils"] == "yes"]
    ratio = sound["interference_potential_probe_v"] / (
        sound["leakage_total_ma"] / 1e3 * sound["impedance_ohm"]
    )
    assert ratio.median() == pytest.approx(1.0, abs=0.03)
    assert (ratio.between(0.75, 1.33)).mean() > 0.99


def test_without_coils_is_a_lower_bound(visits):
    # The ladder is passive: R >= |Z_m|, up to the noise of two readings.
    sound = visits[(visits["flaw"] == "") & visits["ratio"].notna()]
    assert (sound["ratio"] < 1.1).all()
    both = sound[sound["share"] > 0.2]
    assert (both["share"] / both["ratio"]).median() == pytest.approx(1.0, abs=0.02)


def test_leakage_is_of_the_usual_order(visits):
    # Induced currents through footings: milliamperes to tens of them in mid-line, amperes where the line
    # changes (computed for typical geometries; no published survey is known).
    total = visits.loc[visits["flaw"] == "", "leakage_total_ma"].dropna()
    assert 20 < total.median() < 150
    assert 0.5e3 < total.max() < 10e3


def test_footings_are_of_the_usual_order(lines):
    for tables in lines.values():
        footing = tables["truth"]["footing_ohm"]
        assert 10 < footing.median() < 16
        assert footing.min() > 0.5
        assert footing.max() < 200


# ---- what is planted


@pytest.mark.parametrize("spec", demo_lines(), ids=LINES)
def test_as_many_defects_as_asked_for(lines, spec):
    truth, planted = lines[spec.line_id]["truth"], spec.planted
    found = truth["defect"].value_counts()
    assert found["open bond"] == planted.open_bonds
    assert found["worn bond"] == planted.worn_bonds
    assert found["corroded leg"] == planted.corroded_legs
    assert found["open leg"] == planted.open_legs
    assert (truth["tested"] == "no").sum() == planted.untested
    assert (
        not lines[spec.line_id]["visits"]["tower_id"]
        .isin(truth.loc[truth["tested"] == "no", "tower_id"])
        .any()
    )
    assert len(lines[spec.line_id]["works"]) == planted.treated
    assert truth["span_ahead_open_since"].notna().sum() == (planted.open_span is not None)


def test_nothing_asked_for_nothing_planted():
    tables = simulate_line(
        replace(quillmere_tolstrand(), planted=Planted(0, 0, 0, 0, None, 0, 0), flaws={}), 5
    )
    assert (tables["truth"]["defect"] == "none").all()
    assert (tables["truth"]["bond_ohm"] == 0).all()
    assert len(tables["truth-visits"]) == 0
    assert len(tables["works"]) == 0


def newest(visits, state):
    """The newest sound coil visits to towers in that state, all paths in coils."""
    sound = visits[
        (visits["method"] == "leg coils") & (visits["flaw"] == "") & (visits["earth_paths_in_coils"] == "yes")
    ]
    return sound[(sound["state"] == state) & (sound["date"] > "2026-05-01")]


def test_an_open_bond_shows_in_the_leg_share_and_the_total(visits):
    # Current divider: no injected current finds the wire, and no induced current finds the footing.
    open_bonds = newest(visits, "open bond")
    assert open_bonds["tower_id"].nunique() >= 15
    assert open_bonds["share"].between(0.9, 1.1).all()
    assert (open_bonds["leakage_total_ma"] < 6).sum() >= len(open_bonds) - 2
    sound = newest(visits, "none")
    assert (sound.loc[sound["shield_wire"] == "bonded", "share"] < 0.6).all()


def test_an_insulated_wire_looks_like_an_open_bond(visits):
    insulated = newest(visits, "none").query("shield_wire == 'insulated'")
    assert len(insulated) > 0
    assert (insulated["share"] > 0.9).all()


def test_a_worn_bond_lies_between(visits):
    worn = newest(visits, "worn bond")
    assert worn["share"].between(0.1, 0.98).all()


def test_an_open_bond_leaves_the_footing_as_it_was(visits):
    # By coils the footing is the same with and without a bond: only season may move it.
    towers = visits[
        (visits["defect"] == "open bond") & (visits["method"] == "leg coils") & (visits["flaw"] == "")
    ]
    towers = towers[towers["earth_paths_in_coils"] == "yes"]
    ratio = towers["impedance_ohm"] / towers["footing_ohm"]
    assert (towers["state"] == "none").any()
    assert ratio.between(0.75, 1.5).all()


def test_a_lame_leg_is_weak_and_the_footing_hardly_higher(visits):
    for state, most in (("corroded leg", 0.55), ("open leg", 0.2)):
        lame = newest(visits, state).query("middle_ma > 8")
        assert len(lame) > 0
        assert (lame["weakest_ma"] / lame["middle_ma"] < most).all(), state


def test_a_missing_lead_is_seen_on_towers_with_an_open_leg_alone(visits):
    assert (visits.loc[visits["leads_missing"] > 0, "state"] == "open leg").all()
    assert (newest(visits, "open leg")["leads_missing"] == 1).mean() > 0.5


def test_the_open_span_throws_current_into_its_neighbours(lines):
    # Against the same line, chance for chance, with the wire whole. In a ladder of 15 Ω and 350 m spans a
    # break nearly doubles the readings without coils on both sides: 1.84, from closed forms.
    spec = brackwater_stonefell()
    whole = simulate_line(replace(spec, planted=replace(spec.planted, open_span_since="2030-01-01")), SEED)
    broken = lines[spec.line_id]
    beside = broken["truth"]["tower_id"].iloc[spec.planted.open_span : spec.planted.open_span + 2]
    visits = broken["visits"].merge(whole["visits"], on="visit_id", suffixes=("", "_whole"))
    visits = visits[~visits["visit_id"].isin(broken["truth-visits"]["visit_id"])]
    visits = visits[visits["tower_id"].isin(beside) & (visits["date"] > spec.planted.open_span_since)]
    assert visits["tower_id"].nunique() == 2
    assert (visits["leakage_total_ma"] > 300).all()
    assert (visits["leakage_total_ma"] > 5 * visits["leakage_total_ma_whole"]).all()
    ratio = visits["impedance_no_coils_ohm"] / visits["impedance_no_coils_ohm_whole"]
    assert ratio.between(1.4, 2.1).all()
    assert visits["impedance_ohm"].equals(visits["impedance_ohm_whole"])


def test_ring_towers_have_a_gap_with_a_sound_bond(visits):
    rings = newest(visits, "none").query("ring == 'yes' and leakage_total_ma == leakage_total_ma")
    gap_fraction = 1 - rings["leakage_total_ma"] / rings["leg_sum_ma"]
    assert gap_fraction.median() > 0.7
    plain = newest(visits, "none").query("ring == 'no' and leg_sum_ma > 30")
    assert (1 - plain["leakage_total_ma"] / plain["leg_sum_ma"]).median() < 0.03


@pytest.mark.parametrize("line_id", LINES)
def test_works_helped_but_for_the_last(lines, line_id):
    tables = lines[line_id]
    flawed = tables["truth-visits"]["visit_id"]
    visits = tables["visits"]
    visits = visits[(visits["method"] == "leg coils") & ~visits["visit_id"].isin(flawed)]
    for tower in tables["truth"].dropna(subset="treated_on").itertuples():
        readings = visits[visits["tower_id"] == tower.tower_id]
        before = readings.loc[readings["date"] < tower.treated_on, "impedance_ohm"].mean()
        after = readings.loc[readings["date"] > tower.treated_on, "impedance_ohm"].mean()
        assert after / before == pytest.approx(tower.treatment_factor, rel=0.3)
    assert (tables["truth"]["treatment_factor"] > 0.9).sum() == 1


def test_every_flaw_is_there(visits):
    assert set(visits["flaw"]) == {"", "calibration lapsed", *FLAWS}


def test_flaws_show_in_the_columns(visits):
    by = dict(iter(visits.groupby("flaw")))
    assert by["method not stated"]["method"].isna().all()
    assert visits["method"].isna().sum() == len(by["method not stated"])
    assert (by["over_range"]["over_range"] == "yes").all()
    assert (by["high probe resistance"]["current_probe_ohm"] > 30_000).all()
    assert (by["probes too near"]["current_probe_distance_m"] < 20).all()
    assert (by["turns not entered"]["coil_turns"] != by["turns not entered"]["coil_turns_recorded"]).all()
    assert (by["calibration lapsed"]["calibration_due"] < by["calibration lapsed"]["date"]).all()


def test_a_reversed_coil_makes_gap_and_footing_too_large(visits):
    # By hand: of four equal legs one reversed leaves half the total and makes twice the impedance.
    reversed_coil = visits[
        (visits["flaw"] == "reversed coil") & (visits["ring"] == "no") & (visits["leg_sum_ma"] > 30)
    ]
    assert (reversed_coil["leakage_total_ma"] / reversed_coil["leg_sum_ma"]).median() == pytest.approx(
        0.5, abs=0.12
    )
    usual = reversed_coil["impedance_ohm"] / reversed_coil["footing_ohm"] / 2
    assert usual.median() == pytest.approx(1.0, abs=0.3)


def test_leads_along_the_line_show_in_their_bearing(visits, lines):
    bearing = {
        line_id: np.degrees(
            np.arctan2(
                np.gradient(tables["towers"]["longitude_deg"]) * np.cos(np.radians(32)),
                np.gradient(tables["towers"]["latitude_deg"]),
            )
        )
        for line_id, tables in lines.items()
    }
    place = {
        line_id: dict(zip(tables["towers"]["tower_id"], bearing[line_id], strict=True))
        for line_id, tables in lines.items()
    }
    line_deg = np.array(
        [
            place[line_id][tower_id]
            for line_id, tower_id in zip(visits["line_id"], visits["tower_id"], strict=True)
        ]
    )
    off = np.abs((visits["current_probe_bearing_deg"] - line_deg + 90) % 180 - 90)
    assert (off[visits["flaw"] == "probes along the line"] < 30).all()
    assert off[visits["flaw"] == ""].median() > 60


# ---- lightning


@pytest.mark.parametrize("spec", demo_lines(), ids=LINES)
def test_flashes_as_many_as_their_density_says(lines, loaded, spec):
    # Poisson: density times corridor times years, within four standard deviations.
    tables = lines[spec.line_id]
    length_km = tables["truth"]["chainage_m"].max() / 1e3
    density = loaded[spec.line_id].line.lightning.ground_flash_density
    expected = 0.93 * density * 2 * length_km * 7.49
    assert abs(len(tables["flashes"]) - expected) < 4 * np.sqrt(expected)
    assert tables["flashes"]["time"].str.endswith("Z").all()


def test_towers_that_tripped_have_high_footings(lines):
    tables = lines["brackwater-stonefell"]
    footing = tables["truth"].set_index("tower_id")["footing_ohm"]
    struck = tables["outages"]["tower_id"].dropna().map(footing)
    assert struck.mean() > 1.2 * footing.mean()


def test_lightning_trip_outs_meet_a_flash(lines):
    # Trip-outs carry the control room's zone: within 10 ms of a flash, but for flashes not detected.
    for tables in lines.values():
        flashes = pd.to_datetime(tables["flashes"]["time"], format="ISO8601", utc=True).sort_values()
        trips = tables["outages"].query("cause == 'lightning'")["time"]
        trips = pd.to_datetime(trips, format="ISO8601", utc=True)
        nearest = pd.merge_asof(
            trips.to_frame("trip").sort_values("trip"),
            flashes.to_frame("flash"),
            left_on="trip",
            right_on="flash",
            direction="nearest",
        )
        met = (nearest["trip"] - nearest["flash"]).abs() <= pd.Timedelta(milliseconds=10)
        assert met.mean() > 0.75
