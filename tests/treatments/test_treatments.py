"""Options of towers: which apply, what they bring, on the demo and on towers made by hand."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from folders import line_folder
from hypothesis import given, settings
from hypothesis import strategies as st
from treatment_sites import towers

from towerlib import assessment, treatments
from towerlib import config as settings_of
from towerlib.config.sections import Treatments
from towerlib.errors import SettingsError
from towerlib.plan import problem
from towerlib.plan.problem import Constraints
from towerlib.readings.tower_soil import ASSUMED, COLUMNS, soil_or_assumed
from towerlib.treatments import learned, options
from towerlib.treatments.catalogue import Treatment, offered, shipped
from towerlib.treatments.costs import quantities
from towerlib.treatments.prediction import banded, lengths, lightning_lengths, response

SETTINGS = Treatments()
BY_NAME = {treatment.option: treatment for treatment in shipped()}
LINE = settings_of.parse('[line]\nid = "a"\nvoltage_kv = 132\nfrequency_hz = 50\n')


def after(treatment, sites):
    return banded(response(treatment, sites, SETTINGS, lengths(treatment, sites)), sites)


def barred(name, **more):
    return options.barred(BY_NAME[name], towers(more.pop("footing_ohm", 40.0), **more), SETTINGS)[0]


# ---- laws

# From 0.025 1/m on four legs 8 m apart stand clear of each other.
ratios, soils = st.floats(0.025, 0.3), st.floats(50.0, 5000.0)


@settings(max_examples=40, deadline=None)
@given(
    ratios, soils, st.integers(1, 8), st.floats(5.0, 60.0), st.sampled_from(["radials", "rods", "drilled"])
)
def test_more_metal_is_never_worse_and_never_as_good_as_plain_parallel(ratio, soil, count, length_m, kind):
    site = towers(ratio * soil, soil)
    less, more = (after(Treatment("a", kind, count, part * length_m), site)[0] for part in (1.0, 1.5))
    before = site["footing_ohm"].to_numpy()
    assert more <= less * (1 + 1e-9)
    assert less <= before
    alone = (
        np.exp(response(Treatment("a", kind, count, length_m), site, SETTINGS, [length_m]).log_ratio[0, -1])
        * soil
    )
    assert less > before * alone / (before + alone)


@settings(max_examples=30, deadline=None)
@given(ratios, soils, st.sampled_from(sorted(name for name, one in BY_NAME.items() if one.count)))
def test_band_holds_the_prediction(ratio, soil, name):
    predicted, low, high = after(BY_NAME[name], towers(ratio * soil, soil))
    assert 0 < low <= predicted <= high


def test_no_soil_or_no_reading_no_prediction():
    sites = towers([40.0, np.nan, 40.0], np.array([np.nan, 500.0, 500.0]))
    found = after(BY_NAME["4 radials 30 m"], sites)
    assert np.isnan(found).tolist() == [[True, True, False]] * 3


def test_a_surer_reading_narrows_the_band():
    wide, close = towers(40.0), towers(40.0, footing_low_ohm=39.0, footing_high_ohm=41.0)
    (_, low, high), (_, near, far) = (after(BY_NAME["4 radials 20 m"], site) for site in (wide, close))
    assert low < near
    assert far < high


# ---- which apply


def waits(name, **more):
    return options.conditions(BY_NAME[name], towers(40.0, **more))[0]


def test_inspection_and_repair_decide_about_digging():
    # Practice: a fault of a bond or a lead is repaired and the tower tested again before anything is dug. The money for
    # the digging is a reserve until then: a suspicion must not leave a high footing without any.
    suspicions = [
        ({"bond_doubt": True, "bond_suspected": True}, "inspection of the shield-wire bond at T0"),
        ({"bond_doubt": True}, "new leg currents at T0 with turns and direction of each coil checked"),
        ({"lead_gone": True}, "repair of the leads at T0 and a new test"),
        ({"lead_weak": True}, "inspection of the leg named at T0"),
        ({"spans": "inspection of span T0–T1"}, "inspection of span T0–T1"),
        (
            {"lead_gone": True, "spans": "inspection of span T0–T1"},
            "repair of the leads at T0 and a new test; inspection of span T0–T1",
        ),
    ]
    for name, one in BY_NAME.items():
        digs = one.kind in ("rods", "drilled", "radials", "ring", "ring and radials")
        for more, told in suspicions:
            if digs:
                assert barred(name, **more) == barred(name)
            if digs or one.kind in ("arresters", "under-built"):
                assert waits(name, **more) == told
        assert waits(name) == ""
        assert waits(name, bond_doubt=True, bond_suspected=True, shield_wire="insulated") == ""
    assert barred("re-bond shield wire", bond_doubt=True, bond_suspected=True) == ""
    assert "not in doubt" in barred("re-bond shield wire")
    assert "by design" in barred("re-bond shield wire", bond_suspected=True, shield_wire="insulated")
    assert barred("repair leg bond or lead", lead_gone=True) == ""


def test_every_suspicion_has_the_work_that_decides_it():
    sites = towers(
        [40.0] * 4,
        lead_gone=[True, False, False, False],
        lead_weak=[False, True, False, False],
        bond_doubt=[False, False, True, True],
        bond_suspected=[False, False, True, False],
        spans=["inspection of span T0–T1"] * 2 + [""] * 2,
        spans_named=["inspection of span T0–T1", "", "", ""],
        spans_begun=[1, 0, 0, 0],
    )
    settled = {name: options.decides(one, sites) for name, one in BY_NAME.items()}
    for place in range(4):
        told = options.conditions(BY_NAME["ring"], sites)[place]
        there = [words[place] for words in settled.values()]
        if place == 1:  # the span is inspected from its first tower
            there.append("inspection of span T0–T1")
        assert sorted(part for words in there for part in words.split("; ") if part) == sorted(
            told.split("; ")
        )
    assert options.barred(BY_NAME["inspect span"], sites, SETTINGS).tolist()[0] == ""
    assert (options.barred(BY_NAME["inspect span"], sites, SETTINGS)[1:] != "").all()


def test_a_suspected_span_is_named_at_both_ends_in_route_order():
    table = pd.DataFrame({"tower_id": ["17", "18", "19"], "span_suspected": ["18", "17, 19", "18"]})
    found = options._suspected_spans(table)
    assert found["spans"].tolist() == [
        "inspection of span 17–18",
        "inspection of span 17–18; inspection of span 18–19",
        "inspection of span 18–19",
    ]
    assert found["spans_begun"].tolist() == [1, 1, 0]
    assert options._suspected_spans(table.assign(span_suspected=np.nan))["spans"].tolist() == [""] * 3


def test_a_reading_beside_other_earth_paths_bars_works_before_a_retest():
    for name, one in BY_NAME.items():
        if one.kind in options.CONDITIONAL:
            assert barred(name, upper_limit_only=True) == options.UPPER_FIRST
    assert barred("ring", upper_limit_only=True, touch_above=True) == ""
    assert barred("retest first", upper_limit_only=True) == ""
    assert barred("retest first") != ""


def test_what_a_repair_avoids_is_not_counted_twice():
    # By hand: the repair avoids 0.02 of the 0.05 that rods would avoid from the reading before it.
    sites = towers([40.0, 40.0], lead_gone=[True, False])
    lead = {"kind": "lead", "avoided_per_year": np.array([0.02, 0.02])}
    rods = {
        "kind": "rods",
        "avoided_per_year": np.array([0.05, 0.05]),
        "avoided_low": np.array([0.01, 0.01]),
        "avoided_high": np.array([0.09, 0.09]),
    }
    options._after_repair({"lead": lead, "rods": rods}, sites)
    assert rods["avoided_per_year"].tolist() == pytest.approx([0.03, 0.05])
    assert rods["avoided_low"].tolist() == pytest.approx([0.0, 0.01])
    assert rods["avoided_high"].tolist() == pytest.approx([0.07, 0.09])


def test_ground_people_room_and_ways_in():
    assert barred("4 rods 6 m", soil_class="rock") == "rods cannot be driven into rock"
    assert barred("4 deep electrodes 12 m", access="helicopter") == "not accessible for a drilling rig"
    assert "use a ring" in barred("4 radials 30 m", is_public=True)
    assert barred("ring", is_public=True) == ""
    assert "exists already" in barred("ring", has_ring=True)
    assert "within its target" in barred("4 radials 30 m", footing_ohm=4.0)
    assert barred("ring", footing_ohm=4.0, touch_above=True) == ""
    assert barred("4 radials 30 m", footing_ohm=np.nan) == options.NO_READING
    assert "from 2000" in barred("8 radials 60 m", upper=900.0)
    assert "fill" in barred("4 radials 30 m in fill", upper=90.0)
    tight = Treatments(space_m=25.0)
    assert "space for 25 m" in options.barred(BY_NAME["4 radials 30 m"], towers(40.0), tight)[0]
    assert options.barred(BY_NAME["4 radials 20 m"], towers(40.0), tight)[0] == ""


def test_a_continuous_counterpoise_serves_chains():
    # GB 50169-2016, 4.7: continuous wire above 2000 Ω·m.
    sites = towers([90.0] * 4, 3000.0, impedance_class=["above limit", "above limit", "good", "above limit"])
    told = options.barred(BY_NAME["continuous counterpoise"], sites, SETTINGS)
    assert [word == "" for word in told] == [True, True, False, False]
    assert lengths(BY_NAME["continuous counterpoise"], sites).tolist() == [150.0] * 4


def test_arresters_only_where_earthing_does_not_do():
    found = {
        "ring": {
            "kind": "ring",
            "reason": np.array(["", "", "", "x"]),
            "predicted_ohm": np.array([10, 20, np.nan, np.nan]),
        },
        "line arresters": {"kind": "arresters", "reason": np.array([""] * 4)},
        "under-built wire": {"kind": "under-built", "reason": np.array([""] * 4)},
    }
    sites = towers([40.0, 90.0, 40.0, 40.0])
    told = options.last_resorts(found, sites, np.zeros(4, bool))
    assert told["line arresters"].tolist() == [
        "earthing is predicted to be sufficient",
        "",
        options.NO_SOIL,
        "",
    ]
    assert "20 to 80" in told["under-built wire"][1]
    assert told["under-built wire"][3] == ""
    assert (options.last_resorts(found, sites, np.ones(4, bool))["line arresters"] == "").all()


def test_rings_for_people_and_lost_leads_are_no_matter_of_budget():
    sites = towers(
        [40.0] * 3,
        touch_above=[True, True, False],
        is_public=[True, False, True],
        lead_gone=[False, False, True],
    )
    assert options.must_do(BY_NAME["ring"], sites).tolist() == [True, False, False]
    assert options.must_do(BY_NAME["repair leg bond or lead"], sites).tolist() == [False, False, True]
    assert not options.must_do(BY_NAME["4 radials 30 m"], sites).any()


# ---- quantities


def test_quantities_by_hand():
    site = towers(40.0)
    wires = quantities(BY_NAME["4 radials 30 m in fill"], site, SETTINGS, LINE).loc[0]
    assert wires[["trench_m", "wire_m", "fill_m", "rod_m"]].tolist() == [120, 120, 120, 0]
    assert wires["crew_days"] == pytest.approx(120 / 40 + 120 / 40)
    rods = quantities(BY_NAME["4 rods 6 m"], site, SETTINGS, LINE).loc[0]
    assert rods[["rod_count", "rod_m"]].tolist() == [4, 24]
    assert rods["trench_m"] == pytest.approx(4 * 1.5 * np.sqrt(2))
    ring = quantities(BY_NAME["ring"], site, SETTINGS, LINE).loc[0]
    assert ring["trench_m"] == pytest.approx(4 * 10 + 4 * np.sqrt(2))
    assert ring["effort"] == pytest.approx(ring["trench_m"])  # ordinary ground: metres as they are
    hard = quantities(BY_NAME["ring"], towers(40.0, soil_class="rock"), SETTINGS, LINE).loc[0]
    assert hard["effort"] == pytest.approx(ring["trench_m"] * 40 / 8)
    assert quantities(BY_NAME["do nothing"], site, SETTINGS, LINE).loc[0].sum() == 0


def test_lightning_sees_no_more_than_the_credited_length():
    # Own lossy-line computation, front 3.7 µs: 22, 39, 53, 75 m in 100, 300, 500, 1000 Ω·m; in whole steps of 5 m.
    sites = towers([20.0] * 4, np.array([100.0, 300.0, 500.0, 1000.0]))
    assert lightning_lengths(BY_NAME["4 radials 60 m"], sites).tolist() == [20.0, 35.0, 50.0, 60.0]
    assert lightning_lengths(BY_NAME["4 rods 6 m"], sites).tolist() == [6.0] * 4


# ---- catalogue


def test_catalogue_is_complete():
    kinds = {one.kind for one in shipped()}
    assert kinds >= {"lead", "rebond", "rods", "drilled", "radials", "ring", "counterpoise", "arresters"}
    assert kinds >= {"under-built", "retest", "nothing"}
    assert any(one.fill_mm for one in shipped())
    for one in shipped():
        assert one.suits
        assert one.verify
        assert one.purse in ("maintenance", "capital")
        assert one.status in ("confirmed", "from memory", "common practice", "assumed")
        assert one.life_years > 0 or one.kind in ("nothing", "retest", "inspect span")


def own(text):
    return offered(
        settings_of.parse(f'[line]\nid = "a"\nvoltage_kv = 132\nfrequency_hz = 50\n{text}').treatments
    )


def test_a_utility_edits_the_catalogue():
    changed = own('[[treatments.own]]\noption = "ring"\nlife_years = 12\n')
    assert {one.option: one.life_years for one in changed}["ring"] == 12
    assert len(changed) == len(shipped())
    assert len(own('[treatments]\noff = ["ring", "line arresters"]\n')) == len(shipped()) - 2


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ('[treatments]\noff = ["rings"]\n', "not a shipped treatment; did you mean 'ring'"),
        ('[[treatments.own]]\noption = "x"\nlife_years = 3\n', "needs a kind"),
        ('[[treatments.own]]\noption = "x"\nkind = "rods"\nlife_years = 3\n', "needs count and length_m"),
        ('[[treatments.own]]\noption = "x"\nkind = "ring"\n', "needs life_years"),
        ('[[treatments.own]]\noption = "x"\nlife = 3\n', "'life' is not known"),
        ("[treatments]\nwire_mm = -1\n", "wire_mm = -1"),
        ("[treatments.crew]\nrod_m = 0\n", "rod_m = 0"),
    ],
)
def test_settings_that_make_no_sense(text, told):
    with pytest.raises(SettingsError, match=told):
        own(text)


# ---- the demo


@pytest.fixture(scope="module")
def demo():
    """A line of the demo and its treatments."""
    found = assessment.assess(Path("data/demo") / "brackwater-stonefell")
    return found, treatments.assess(
        found.records,
        found.route,
        found.joined("network", "outages"),
        None,
        found.outages,
        found.month,
        visits=found.grades.visits,
    )


@pytest.fixture(scope="module")
def truth():
    return pd.read_csv("data/demo/brackwater-stonefell/truth.csv", dtype={"tower_id": str}).set_index(
        "tower_id"
    )


def test_one_row_a_tower_and_treatment(demo):
    table = demo[1].options
    assert len(table) == len(demo[0].condition) * len(shipped())
    assert not table.duplicated(["tower_id", "option"]).any()
    assert list(dict.fromkeys(table["tower_id"])) == demo[0].condition["tower_id"].tolist()
    assert (table.loc[~table["applies"], "reason"] != "").all()
    assert table.loc[~table["applies"], ["predicted_ohm", "avoided_per_year", "cost"]].isna().all(axis=None)


def test_benefits_keep_within_what_there_is(demo):
    table = demo[1].choices.merge(
        demo[0].outages.towers[["tower_id", "trip_outs_per_year"]], on="tower_id", validate="m:1"
    )
    known = table[table["avoided_per_year"].notna()]
    assert len(known) > 500
    assert (known["avoided_per_year"] >= 0).all()
    assert (known["avoided_low"] <= known["avoided_high"]).all()
    assert (known["avoided_per_year"] <= known["trip_outs_per_year"] * 1.01).all()
    held = known["avoided_per_year"].between(known["avoided_low"] - 1e-9, known["avoided_high"] + 1e-9)
    assert held.mean() > 0.97
    metal = known[known["predicted_ohm"] < known["footing_ohm"]]
    assert (metal["predicted_ohm"] <= metal["lightning_ohm"].fillna(np.inf) * (1 + 1e-9)).all()


def test_digging_at_open_bonds_that_were_found_waits_for_their_inspection(demo, truth):
    table = demo[1].options
    digging = table[table["kind"].isin(["rods", "drilled", "radials", "ring"]) & table["applies"]]
    at_bonds = digging[digging["tower_id"].isin(truth.index[truth["defect"] == "open bond"])]
    told = "inspection of the shield-wire bond at " + at_bonds["tower_id"]
    assert all(part in whole for part, whole in zip(told, at_bonds["conditional_on"], strict=True))
    settled = set(demo[1].choices["decides"].str.split("; ").explode())
    assert set(table["conditional_on"].str.split("; ").explode()) <= settled | {""}


def test_the_work_that_failed_is_listed_and_the_others_are_not(demo, truth):
    failed = truth.index[truth["treatment_factor"] > 0.9]
    assert demo[1].did_not_improve["tower_id"].tolist() == failed.tolist()
    told = demo[1].learned.set_index("tower_id")
    true_ratio = told["after_ohm"] / told["before_ohm"] / truth["treatment_factor"].reindex(told.index)
    assert true_ratio.between(0.7, 1.4).all()


def test_plan_takes_the_choices(demo):
    found = demo[1]
    fees = dict(zip(found.mobilisation["access_group"], found.mobilisation["price"], strict=True))
    posed = problem.pose(found.choices, Constraints(budget=(1e5,), mobilisation=fees, crew_weeks=(20.0,)))
    assert len(posed.options) > 500
    assert posed.must.sum() == found.options["must_do"].sum()
    by_effort = problem.pose(found.choices, Constraints(budget=(1e3,), measure="effort"))
    assert (by_effort.spend > 0).all()


def test_towers_without_soil_are_named(demo):
    bare = demo[1].options.query(f"applies and soil_source == '{ASSUMED}' and kind == 'radials'")
    assert len(bare)
    assert (bare["predicted_ohm"] < bare["footing_ohm"]).all()
    assert bare["reason"].str.contains("teaches nothing about this treatment").all()
    assert any(
        "No soil data" in sentence and "20 m times the footing" in sentence for sentence in demo[1].assumed
    )


def test_without_soil_data_the_footing_gives_a_wide_prediction():
    # By hand: 20 m times 40 Ω are 800 Ω·m, with a standard deviation of 0.49 of the logarithm (Hileman, from memory).
    ids = pd.Series(["1", "2", "3"])
    blank = pd.DataFrame([(np.nan,) * 3 + (False, np.nan, np.nan, "")] * 3, columns=COLUMNS, index=ids.index)
    known = blank.copy()
    known.loc[1, ["upper_ohm_m", "lower_ohm_m", "resistivity_ohm_m", "soil_u"]] = 500.0, 500.0, 500.0, 0.2
    known.loc[1, "soil_source"] = "register"
    found = soil_or_assumed(known, pd.Series([40.0, 40.0, np.nan]))
    assert found["resistivity_ohm_m"].tolist()[:2] == [800.0, 500.0]
    assert found["soil_u"].tolist()[:2] == [0.49, 0.2]
    assert found["soil_source"].tolist() == [ASSUMED, "register", ""]
    assert np.isnan(found["upper_ohm_m"].iloc[2])
    assert known["soil_source"].iloc[0] == ""
    sure, guessed = towers(40.0, 800.0), towers(40.0, 800.0, soil_u=0.49, soil_source=ASSUMED)
    (ohm, low, high), (same, wide_low, wide_high) = (
        after(BY_NAME["4 radials 20 m"], s) for s in (sure, guessed)
    )
    assert same == ohm
    assert wide_low < low
    assert wide_high > high
    beyond = options.barred(BY_NAME["4 radials 60 m"], guessed.assign(depth_m=np.inf), SETTINGS)[0]
    assert beyond == options.NO_SOIL


def test_a_prediction_from_the_footing_alone_is_no_lesson():
    work = towers([40.0, 40.0], soil_source=[ASSUMED, "register"]).assign(treatment="ring", quantity=np.nan)
    found = learned._predicted(work.assign(before_ohm=40.0), tuple(shipped()), SETTINGS)
    assert found["predicted_ohm"].notna().tolist() == [False, True]


def test_touch_screen_makes_rings_a_must(demo):
    found = demo[0]

    class Screen:
        towers = found.condition[["tower_id"]].assign(bond_suspect=False, safety_screen="above")

    told = treatments.assess(
        found.records, found.route, found.condition, Screen, None, found.month, visits=found.grades.visits
    )
    must = told.options[told.options["must_do"] & (told.options["kind"] != "lead")]
    public = found.condition.set_index("tower_id")["occupancy"].isin(["frequented", "bare feet"])
    assert len(must)
    assert set(must["kind"]) == {"ring", "ring and radials"}
    assert public[must["tower_id"].unique()].all()
    assert any("no trip-out rates" in sentence for sentence in told.off)
    assert told.options["avoided_per_year"].fillna(0).eq(0).all()


# ---- a line with next to nothing


def test_a_line_with_next_to_nothing(tmp_path):
    line_folder(tmp_path / "low-moor")
    found = assessment.assess(tmp_path / "low-moor")
    told = treatments.assess(found.records, found.route, found.condition, None, found.outages, found.month)
    off = " ".join(told.off)
    assert "No prices" in off
    assert "No soil data" in " ".join(told.assumed)
    assert "ground_flash_density" in off
    work = told.choices
    assert len(work)
    assert work["cost"].isna().all()
    assert (work["effort"] > 0).all()
    assert len(told.learned) == 0
    assert len(told.corrections) == 0
    assert told.options.query("option == 'retest first' and tower_id == '4A'")["applies"].all()
