"""The public interface: light to import, lazy, and the same results whichever way a setting is given."""

import re
import subprocess
import sys
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import matplotlib.figure
import pandas as pd
import pytest
from folders import LINE, line_folder

import towerlib as tl
from towerlib import assessment, changes
from towerlib.assessment import STAGES
from towerlib.config import Line

TOWERS = "tower_id,latitude_deg,longitude_deg,soil_resistivity_ohm_m,leg_spacing_m,access_group\n" + "".join(
    f"{place + 1},-31,{-20 + 0.003 * place:.3f},{100 + 40 * place},8,G{place // 3}\n" for place in range(6)
)
OHM = [4.2, 22.5, 9.1, 35.0, 12.4, 60.0]
YEARS = [2026, 2026, 2026, 2026, 2026, 2023]  # the last tower was not visited again
VISITS = "visit_id,tower_id,date,method,impedance_ohm,leakage_total_ma\n" + "".join(
    f"{name}{place},{place + 1},{year - back}-03-0{place + 1},leg coils,{ohm},9\n"
    for place, (ohm, year) in enumerate(zip(OHM, YEARS, strict=True))
    for name, back in (("v", 0), ("w", 1))
)
LEGS = "visit_id,leg,leakage_ma\n" + "".join(f"v{k},{leg},{3 + k}\n" for k in range(6) for leg in "ABCD")
PRICES = (
    "item,unit,price\ntrench,m,45\nwire,m,9\nrod,m,75\ndrilled rod,m,190\nbackfill,m,38\nleg lead,piece,260\n"
    "mobilisation,group,1200\nretest,tower,240\narrester set,tower,6800\nshield-wire bond,piece,380\n"
)
FULL = (
    LINE
    + """
[stations]
first = { earth_ohm = 0.4 }
last = { earth_ohm = 0.9 }
[shield_wires]
wires = [{ x_m = 0, y_m = 30, radius_mm = 5, gmr_mm = 5, r_ohm_km = 0.36 }]
[phases]
conductors = [{ phase = "a", x_m = 0, y_m = 21 }]
[earth_fault]
from_first_a = 4200
from_last_a = 2600
clearing_s = 0.5
[lightning]
ground_flash_density = 3
[plan]
budget = 20000
currency = "EUR"
cost_per_trip_out = 9000
"""
)
FILES = {
    "towers_csv": TOWERS,
    "visits_csv": VISITS,
    "legs_csv": LEGS,
    "prices_csv": PRICES,
    "line_toml": FULL,
}
RESULTS = ("condition", "priority", "retest")


def synthetic(place, **files):
    """Six towers with every analysis available."""
    return line_folder(place / "low-moor", **(FILES | files))


@pytest.fixture
def study(tmp_path):
    return tl.assess(synthetic(tmp_path))


@pytest.fixture(scope="module")
def whole(tmp_path_factory):
    """The same with every stage computed, so that any could be kept wrongly."""
    found = tl.assess(synthetic(tmp_path_factory.mktemp("whole")))
    assert len(found.priority) == len(OHM)
    assert found.budget.plan is not None
    assert len(found.retest) <= len(OHM)
    return found


@pytest.fixture(scope="module")
def demo():
    return tl.assess(tl.find_line("ambermoss-harrowmere"), "2026-06")


# ---- importing


def in_a_fresh_interpreter(code):
    """What a program prints that starts from nothing."""
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    return done.stdout.split()


def test_importing_the_package_imports_no_library():
    heavy = "pandas numpy scipy matplotlib geopandas pydantic"
    loaded = in_a_fresh_interpreter(
        f"import towerlib, sys; print(*[name for name in {heavy.split()} if name in sys.modules])"
    )
    assert loaded == []


def test_every_public_name_is_there_and_listed():
    assert dir(tl) == sorted(tl.__all__)
    for name in tl.__all__:
        assert getattr(tl, name) is not None
    with pytest.raises(AttributeError, match="no attribute 'asess'"):
        tl.asess  # noqa: B018
    listed = {name for names in tl.HOMES.values() for name in names}
    assert listed == set(tl.__all__) - {"__version__"}


def test_the_package_says_that_it_is_typed():
    assert (Path(tl.__file__).parent / "py.typed").is_file()


# ---- stages


def test_ranks_cost_no_network_and_no_plan(study):
    towers = study.towers
    assert towers.crs.to_epsg() == 4326
    assert set(study.computed) == {"records", "route", "grades", "currents", "ranks"}
    assert towers["impedance_rank"].notna().all()
    assert towers["gap_rank"].notna().any()
    assert len(study.spans) == len(towers) - 1
    assert study.spans.crs.to_epsg() == 4326


@pytest.mark.parametrize("name", ["profile", "worst", "gaps", "distribution"])
def test_charts_of_the_condition_draw_from_the_ranks(study, name):
    assert isinstance(getattr(study.plot, name)(), matplotlib.figure.Figure)
    assert "network" not in study.computed


def test_a_map_without_suspicions_needs_no_network_and_with_them_no_plan(study):
    study.plot.map("gap_ma", suspected=False)
    assert "network" not in study.computed
    study.plot.map("footing_ohm")
    assert "outages" not in study.computed


def test_charts_from_the_ranks_are_those_of_the_finished_condition(demo):
    from towerlib.report import condition_charts

    for name, draw in {"profile": "route_profile", "worst": "ranked_bars", "gaps": "gap_scatter"}.items():
        early, late = getattr(demo.plot, name)(), getattr(condition_charts, draw)(demo.condition, demo.line)
        texts = [
            [text.get_text() for text in figure.findobj(matplotlib.text.Text)] for figure in (early, late)
        ]
        assert texts[0] == texts[1]


def test_a_what_if_takes_the_network_and_no_plan(study):
    found = study.what_if(open_span=("3", "4"))
    assert study.computed[-1] != "network"
    beside = found.towers.set_index("tower_id")
    assert beside.loc["3", "no_coils_ohm_then"] > 1.2 * beside.loc["3", "no_coils_ohm_now"]
    assert not {"outages", "treatments", "budget", "condition"} & set(study.computed)
    assert "span 3–4 open" in repr(found)


def test_towers_gain_columns_as_stages_are_asked_for(study):
    assert "bond_state" not in study.towers
    study.network  # noqa: B018
    assert "bond_state" in study.towers
    assert "trip_outs_per_year" not in study.towers
    assert "span_scan" in study.spans


# ---- settings


class Watched(Line):
    """Settings that remember which of them were read."""

    def __getattribute__(self, name):
        if name in Line.model_fields:
            READ.add(name)
        return super().__getattribute__(name)


READ = set()


def watched(line):
    """The same settings, watched."""
    return Watched.model_validate(line.model_dump(exclude_unset=True))


def sections_read(study):
    """Sections of line.toml that each stage reads by itself, with all that it needs computed before."""
    line = watched(study.line)
    found, seen = assessment.Study(study.folder, line, study.month, study.latest), {}
    for name, stage in STAGES.items():
        for need in stage.needs:
            found._result(need)
        READ.clear()
        found._result(name)
        seen[name] = set(READ)
        if name == "records":
            found._results[name] = replace(found.records, line=line)
    return seen


NOT_RESULTS = {"name"}  # shown on pages only


@pytest.mark.parametrize("line", ["ambermoss-harrowmere", "quillmere-tolstrand", "synthetic"])
def test_stages_read_no_setting_that_they_do_not_name(line, tmp_path):
    folder = synthetic(tmp_path) if line == "synthetic" else tl.find_line(line)
    read = sections_read(tl.assess(folder, "2026-06"))
    for name, sections in read.items():
        stated = {setting.partition(".")[0] for setting in STAGES[name].settings}
        assert sections - NOT_RESULTS <= stated, name
    assert "plan" in read["budget"]  # the watch works
    assert "limits" in read["ranks"]


def test_stages_name_only_settings_and_stages_before_them():
    known = set(Line.model_fields)
    order = list(STAGES)
    for name, stage in STAGES.items():
        assert {setting.partition(".")[0] for setting in stage.settings} <= known
        assert all(order.index(need) < order.index(name) for need in stage.needs)


def test_other_limits_keep_what_does_not_depend_on_them(study):
    study.network  # noqa: B018
    other = study.replace(limits={"limit_ohm": 10.0, "target_ohm": 5.0})
    assert other.computed == ("records", "route", "grades", "currents")
    assert other.grades.visits.equals(study.grades.visits)
    assert other.line.limits.limit_ohm == other.records.line.limits.limit_ohm == 10.0
    assert study.line.limits.limit_ohm != 10.0


def test_another_budget_keeps_all_but_the_plan(whole):
    kept = "records route grades currents ranks network outages treatments"
    assert whole.replace(plan={"budget": 5000}).computed == tuple(kept.split())


def test_other_rules_read_the_records_again(study):
    assert study.replace(limits={"rules": "common practice"}).computed == ()


CHANGES = {
    "limits": ({"target_ohm": 5, "limit_ohm": 10}, "[limits]\ntarget_ohm = 5\nlimit_ohm = 10\n"),
    "coils": ({"gain_percent": 9}, "[coils]\ngain_percent = 9\n"),
    "seasons": ({"ratio_high": 3.0}, "[seasons]\nratio_high = 3.0\n"),
    "lightning": ({"ground_flash_density": 6}, None),
    "plan": ({"budget": 6000}, None),
    "earth_fault": ({"clearing_s": 0.2}, None),
    "stations": ({"first": {"earth_ohm": 2.0}}, None),
    "retest": ({"normal_years": 1, "close_years": 1}, "[retest]\nnormal_years = 1\nclose_years = 1\n"),
    "safety": ({"standard": "IEEE 80"}, '[safety]\nstandard = "IEEE 80"\n'),
}
EDITS = {  # of the text of line.toml
    "lightning": ("ground_flash_density = 3", "ground_flash_density = 6"),
    "plan": ("budget = 20000", "budget = 6000"),
    "earth_fault": ("clearing_s = 0.5", "clearing_s = 0.2"),
    "stations": ("earth_ohm = 0.4", "earth_ohm = 2.0"),
}


@pytest.mark.parametrize("section", CHANGES)
def test_replaced_settings_give_what_a_fresh_folder_gives(whole, section, tmp_path):
    keys, added = CHANGES[section]
    text = FULL + added if added else FULL.replace(*EDITS[section])
    assert text != FULL
    replaced = whole.replace(**{section: keys})
    fresh = tl.assess(synthetic(tmp_path, line_toml=text))
    assert replaced.line == fresh.line
    assert any(not getattr(fresh, name).equals(getattr(whole, name)) for name in RESULTS), (
        "the setting matters"
    )
    for name in RESULTS:
        pd.testing.assert_frame_equal(getattr(replaced, name), getattr(fresh, name), obj=name)
    pd.testing.assert_frame_equal(replaced.network.towers, fresh.network.towers)
    pd.testing.assert_frame_equal(replaced.treatments.options, fresh.treatments.options)


def test_unknown_settings_are_refused_by_name(study):
    with pytest.raises(tl.SettingsError, match=r"'limit' is not a section of line.toml; .*limits"):
        study.replace(limit={"limit_ohm": 10})
    with pytest.raises(tl.SettingsError, match="limit_ohm"):
        study.replace(limits={"limit_ohm": -1})


def test_settings_are_listed_with_their_meaning(study):
    listed = study.settings.set_index(["section", "key"])
    assert listed.loc[("line", "voltage_kv"), "value"] == 110
    assert listed.loc[("plan", "budget"), "value"] == 20000
    assert bool(listed.loc[("plan", "budget"), "set"])
    assert not listed.loc[("limits", "limit_ohm"), "set"]
    assert "Ω" in listed.loc[("limits", "limit_ohm"), "meaning"]
    with pytest.raises(tl.SettingsError, match="'limit' is not a section"):
        study.tables.settings("limit")


# ---- other months, results by hand


def test_another_month_is_that_of_a_fresh_assessment(study):
    study.priority  # noqa: B018
    early, fresh = study.at("2025-06"), tl.assess(study.folder, "2025-06")
    for name in RESULTS:
        pd.testing.assert_frame_equal(getattr(early, name), getattr(fresh, name), obj=name)
    assert early.ranks["footing_date"].max() < pd.Timestamp("2025-07-01")
    assert study.at("2030-01").latest == tl.assess(study.folder, "2030-01").latest
    with pytest.raises(tl.SettingsError, match="is no month"):
        study.at("2025-13")


def test_what_a_caller_does_to_a_table_reaches_nobody_else(study):
    other = tl.assess(study.folder)
    kept = other.ranks["footing_ohm"].to_list()
    study.ranks["footing_ohm"] = 999.0
    study.network.towers["bond_state"] = "spoilt"
    study.records.visits["impedance_ohm"] = 0.0
    assert other.ranks["footing_ohm"].to_list() == kept
    assert study.condition["footing_ohm"].to_list() == kept
    assert "spoilt" not in set(other.network.towers["bond_state"])
    assert (other.records.visits["impedance_ohm"] > 0).all()


def test_results_put_in_place_leave_the_others_and_cost_nothing(study):
    planted = study.with_results(ranks=study.ranks.assign(footing_ohm=1.0))
    assert "network" not in study.computed
    assert (planted.ranks["footing_ohm"] == 1.0).all()
    assert planted.condition["footing_ohm"].to_list() == study.condition["footing_ohm"].to_list()
    with pytest.raises(tl.SettingsError, match="'rank' is no stage"):
        study.with_results(rank=1)
    with pytest.raises(tl.SettingsError, match="put in place by hand"):
        planted.replace(limits={"limit_ohm": 10})
    with pytest.raises(tl.SettingsError, match="put in place by hand"):
        tl.write_report(planted, study.folder.parent / "reports")


# ---- pictures of it in words


def test_representations_are_short(demo):
    demo.priority  # noqa: B018
    assert len(repr(demo)) < 300
    assert "\n" not in repr(demo)
    assert len(demo._repr_html_()) < 2000
    assert "25" in demo._repr_html_()


def test_an_explanation_holds_reading_cause_rule_and_next_step(demo):
    row = demo.priority.set_index("tower_id").loc["012A"]
    found = demo.explain("012A")
    text = str(found)
    assert row["next_step"] in text
    assert f"{demo.ranks.set_index('tower_id').loc['012A', 'footing_ohm']:g} Ω" in text
    assert "Bond: inspect" in text
    assert row["limit_rule"] in found.sections["Rules"][0]
    assert "safety and reliability are never summed" in text
    assert found.title in found._repr_html_()
    with pytest.raises(tl.SettingsError, match=r"tower '12A' is not on .*012A"):
        demo.explain("12A")


def test_tables_are_tables_with_units_and_caption(demo):
    footings = demo.tables.footings(3)
    assert isinstance(footings, pd.DataFrame)
    worst = demo.ranks.sort_values("impedance_rank").head(3)
    assert footings["tower"].to_list() == worst["tower_id"].to_list()
    assert footings["footing [Ω]"].to_list() == pytest.approx(worst["footing_ohm"].to_list(), rel=1e-3)
    assert (
        f"({len(demo.ranks) - int(demo.ranks['impedance_rank'].isna().sum()) - 3} more not shown)"
        in footings.caption
    )
    assert footings.caption.split(";")[0] in footings._repr_html_()
    assert type(footings.copy()) is pd.DataFrame


ASKED = {"settings": ("limits",)}
ACCESSORS = [
    (kind, name)
    for kind in ("tables", "answer")
    for name in vars({"tables": assessment.Tables, "answer": assessment.Answers}[kind])
    if not name.startswith("_")
]


@pytest.mark.parametrize(("kind", "name"), ACCESSORS)
def test_every_table_and_answer_of_the_demo_says_something_finite(demo, kind, name):
    text = str(getattr(getattr(demo, kind), name)(*ASKED.get(name, ())))
    assert text.strip()
    assert not re.search(r"\b(nan|inf|None|NaT|<NA>)\b", text)


@pytest.mark.parametrize(("kind", "name"), ACCESSORS)
def test_every_table_and_answer_bears_a_line_of_three_files(kind, name, tmp_path):
    bare = tl.assess(line_folder(tmp_path / "low-moor"))
    text = str(getattr(getattr(bare, kind), name)(*ASKED.get(name, ())))
    assert text.strip()
    assert not re.search(r"\b(nan|inf|None|NaT|<NA>)\b", text)


def test_every_picture_bears_a_line_of_three_files(tmp_path):
    bare = tl.assess(line_folder(tmp_path / "low-moor"))
    for name in vars(assessment.Plots):
        if not name.startswith("_"):
            assert isinstance(getattr(bare.plot, name)(), matplotlib.figure.Figure), name
    with pytest.raises(tl.SettingsError, match="no map of 'altitude'"):
        bare.plot.map("altitude")
    found = bare.what_if()
    assert "shield" in found.why_not
    assert found.why_not in str(found.table())
    assert isinstance(found.plot(), matplotlib.figure.Figure)
    with pytest.raises(tl.SettingsError, match="shield"):
        found.towers  # noqa: B018


def test_exploring_without_its_packages_says_what_to_install(study, monkeypatch):
    monkeypatch.setattr(assessment, "find_spec", lambda name: None)
    with pytest.raises(tl.TowerlibError, match=r"needs folium and mapclassify: .*towerlib\[explore\]"):
        study.explore()


def test_a_column_that_is_not_there_is_refused(study, monkeypatch):
    monkeypatch.setattr(assessment, "find_spec", lambda name: SimpleNamespace())
    with pytest.raises(tl.SettingsError, match=r"no column 'footing'.*footing_ohm"):
        study.explore("footing")


def test_the_map_to_explore_holds_every_tower(study):
    pytest.importorskip("folium")
    pytest.importorskip("mapclassify")
    study.network  # noqa: B018
    for column in ("footing_ohm", "impedance_class", "footing_date"):
        page = study.explore(column).get_root().render()
        assert page.count('"tower_id"') >= len(study.towers)


# ---- comparing, writing, many lines


def test_a_month_is_compared_with_a_study_or_its_report(study, tmp_path):
    early = study.at("2025-06")
    by_study = tl.compare(study, early)
    folder = tl.write_report(early, tmp_path / "reports")
    assert folder == tmp_path / "reports" / "low-moor" / "2025-06"
    by_report = tl.compare(study, folder)
    assert by_report.source == changes.months.FROZEN
    pd.testing.assert_frame_equal(by_study.table, by_report.table)
    assert by_study.against == by_report.against == "2025-06"
    assert not any("No earlier report" in remark for remark in by_study.remarks)
    for other in (study, study.at("2026-12")):
        with pytest.raises(tl.SettingsError, match="not an earlier month"):
            tl.compare(study, other)
    with pytest.raises(tl.RecordsError, match=r"cannot be compared with: run.json is missing"):
        tl.compare(study, tmp_path)


def test_two_lines_are_not_compared(study, demo):
    with pytest.raises(tl.SettingsError, match="they are two lines"):
        tl.compare(demo, study.at("2025-06"))


def test_a_report_lists_its_settings_and_is_whole_or_not_there(study, tmp_path, monkeypatch):
    import json

    other = study.replace(limits={"limit_ohm": 10.0, "target_ohm": 5.0})
    folder = tl.write_report(other, tmp_path / "reports")
    manifest = json.loads((folder / "run.json").read_text(encoding="utf-8"))
    assert manifest["settings_replaced"]["limits"]["limit_ohm"] == 10.0
    assert set(manifest["settings_replaced"]) == {"limits"}
    listed = pd.read_csv(folder / "priority-list.csv", dtype={"tower_id": str})
    assert set(listed["limit_ohm"]) == {10.0}
    before = (folder / "run.json").read_bytes()
    (study.folder / "visits.csv").write_text(VISITS.replace("22.5", "22.6"), encoding="utf-8")
    with pytest.raises(tl.RecordsError, match=r"visits.csv changed during the run"):
        tl.write_report(study, tmp_path / "reports")
    assert (folder / "run.json").read_bytes() == before
    assert [path.name for path in folder.parent.iterdir()] == ["2026-03"]


def test_lines_are_ranked_from_studies_and_from_reports(study, tmp_path):
    tl.write_report(study, tmp_path / "reports")
    by_report, by_study = tl.rank_lines(tmp_path / "reports"), tl.rank_lines([study])
    assert by_report.month == by_study.month == "2026-03"
    for name in ("table", "safety", "coverage", "budgets"):
        pd.testing.assert_frame_equal(getattr(by_report, name)(), getattr(by_study, name)())
    assert by_report.answer() == by_study.answer()
    assert isinstance(by_study.plot_avoidable(), matplotlib.figure.Figure)
    with pytest.raises(tl.SettingsError, match="as of one month"):
        tl.rank_lines([study, study.at("2025-06")])
    with pytest.raises(tl.SettingsError, match="no line"):
        tl.rank_lines([])


def test_lines_are_found_by_name(tmp_path):
    assert tl.find_line("ambermoss-harrowmere") == tl.demo_folder() / "ambermoss-harrowmere"
    synthetic(tmp_path)
    assert tl.find_line("low-moor", tmp_path) == tmp_path / "low-moor"
    with pytest.raises(tl.RecordsError, match="no line folder 'high-moor'; it holds low-moor"):
        tl.find_line("high-moor", tmp_path)


def test_records_are_read_alone(study):
    records = tl.read_records(study.folder)
    assert records.counts.eval("rows_in == used + rejected").all()
    assert len(records.visits) == 2 * len(OHM)
