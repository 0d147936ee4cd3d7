"""The public interface: light to import, lazy, and the same results whichever way a setting is given."""

import re
import subprocess
import sys
from dataclasses import replace
from datetime import date
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
    study.plot.map("gap_fraction", suspected=False)
    assert "network" not in study.computed
    study.plot.map("footing_ohm")
    assert "outages" not in study.computed


def test_charts_from_the_ranks_are_those_of_the_finished_condition(demo):
    from towerlib.report import condition_charts

    for name, draw in {"profile": "route_profile", "worst": "ranked_bars", "gaps": "gap_scatter"}.items():
        early = getattr(demo.plot, name)()
        late = getattr(condition_charts, draw)(demo.condition, demo.line, month=demo.month)
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
    own = [line for line in (replaced.line, fresh.line) if line.replaced]
    assert own == [replaced.line]
    assert any(not getattr(fresh, name).equals(getattr(whole, name)) for name in RESULTS), (
        "the setting matters"
    )
    for name in RESULTS:
        table = getattr(replaced, name)
        if "limit_rule" in table:  # it names the origin of the figures, which is all that may differ
            rule = table["limit_rule"].str.replace("set for this study", "set in line.toml")
            table = table.assign(limit_rule=rule.astype(table["limit_rule"].dtype))
        pd.testing.assert_frame_equal(table, getattr(fresh, name), obj=name)
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
    with pytest.raises(tl.SettingsError, match=r"'limit' is not a section.*'limits'"):
        study.tables.settings("limit")
    with pytest.raises(tl.SettingsError, match=r"name a section.* limits, .* plan, "):
        study.tables.settings()


# ---- other months, results by hand


def test_another_month_is_that_of_a_fresh_assessment(study):
    study.priority  # noqa: B018
    early, fresh = study.at("2025-06"), tl.assess(study.folder, "2025-06")
    for name in RESULTS:
        pd.testing.assert_frame_equal(getattr(early, name), getattr(fresh, name), obj=name)
    assert early.ranks["footing_date"].max() < pd.Timestamp("2025-07-01")
    assert study.at("2030-01").latest == tl.assess(study.folder, "2030-01").latest
    with pytest.raises(tl.SettingsError, match="is not a month"):
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
    with pytest.raises(tl.SettingsError, match="'rank' is not a stage; did you mean 'ranks'"):
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
    assert "safety and reliability are never summed" in text.lower()
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
    with pytest.raises(tl.SettingsError, match=r"no map of 'altitude'.*footing_ohm, gap_fraction, plan_year"):
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


# ---- what a newcomer tries


def test_a_replaced_limit_is_said_to_be_of_this_study(study):
    other = study.replace(limits={"limit_ohm": 10})
    assert other.line.replaced == {"limits.limit_ohm": 10}
    assert "limits.limit_ohm = 10" in repr(other)
    assert "limits.limit_ohm = 10" in other._repr_html_()
    assert "limits." not in repr(study)
    for text in (other.answer.condition(), str(other.explain("1"))):
        assert "10 Ω (set for this study)" in text
        assert "line.toml)" not in text
    assert any("limits.limit_ohm = 10" in rule for rule in other.explain("1").sections["Rules"])


def test_each_figure_names_its_own_origin(tmp_path):
    filed = tl.assess(synthetic(tmp_path, line_toml=FULL + "[limits]\ntarget_ohm = 5\nlimit_ohm = 20\n"))
    other = filed.replace(limits={"limit_ohm": 10})
    assert set(other.ranks["limit_rule"]) == {
        "good up to 5 Ω (set in line.toml), acceptable up to 10 Ω (set for this study)"
    }
    again = other.replace(limits={"limit_ohm": 20})
    assert again.line.replaced == {}
    assert set(again.ranks["limit_rule"]) == set(filed.ranks["limit_rule"])


def test_explaining_needs_no_outlook(study):
    study.explain("3")
    assert "outlook" not in study.computed


def progress_of(study, monkeypatch, capsys, *, terminal, slow_s=0.0):
    """What the network analysis prints to stderr where somebody waits for it, or nobody does."""
    from towerlib import network

    compute = network.assess

    def slowly(*facts):
        import time

        time.sleep(0.1)
        return compute(*facts)

    monkeypatch.setattr(network, "assess", slowly)
    monkeypatch.setattr(assessment, "SLOW_S", slow_s)
    monkeypatch.setattr(assessment.sys.stderr, "isatty", lambda: terminal, raising=False)
    study.network  # noqa: B018
    return capsys.readouterr().err.splitlines()


def test_a_slow_stage_is_named_on_a_terminal(study, monkeypatch, capsys):
    monkeypatch.delenv(assessment.PROGRESS, raising=False)
    assert "towerlib: network …" in progress_of(study, monkeypatch, capsys, terminal=True)


def test_a_quick_stage_is_not_named(study, monkeypatch, capsys):
    assert progress_of(study, monkeypatch, capsys, terminal=True, slow_s=600) == []


def test_nothing_is_named_where_nobody_waits(study, monkeypatch, capsys):
    assert progress_of(study, monkeypatch, capsys, terminal=False) == []


def test_the_lines_on_slow_stages_can_be_turned_off(study, monkeypatch, capsys):
    monkeypatch.setenv(assessment.PROGRESS, "off")
    assert progress_of(study, monkeypatch, capsys, terminal=True) == []


def test_columns_have_their_meaning(study):
    listed = tl.columns()
    assert list(listed.columns) == ["table", "column", "type", "unit", "meaning"]
    assert not listed.duplicated(["table", "column"]).any()
    assert listed["meaning"].str.len().min() > 3
    ranks = tl.columns("ranks").set_index("column")
    assert set(study.ranks.columns) <= set(ranks.index)
    assert ranks.loc["footing_ohm", "unit"] == "Ω"
    for column in study.ranks.columns:
        assert study.meaning(column).startswith(column)
    assert study.meaning("gap_ma").startswith("gap_ma [mA]: ")
    assert "[" not in study.meaning("tower_id").partition(":")[0]
    with pytest.raises(tl.SettingsError, match="'gap_rnk'; did you mean 'gap_rank'"):
        study.meaning("gap_rnk")
    with pytest.raises(tl.SettingsError, match="'rank' is not a table; did you mean 'ranks'"):
        tl.columns("rank")


def test_a_comparison_prints_its_count_and_first_rows(study):
    found = tl.compare(study, "2025-06")
    first = repr(found).splitlines()[0]
    assert f"{len(found.table)} entr" in first
    assert f"{found.table['tower_id'].nunique()} tower" in first
    assert "2025-06" in first
    assert "2026-03" in first
    assert "Changes(" not in repr(found)
    assert repr(found).count("\n") <= changes.SHOWN + 1 + 1 + len(found.remarks)
    assert found.table["sentence"].iloc[0] in repr(found)
    assert found._repr_html_().count("<tr") == 1 + min(len(found.table), changes.SHOWN)


@pytest.mark.parametrize("earlier", ["2025-06", pd.Period("2025-06"), pd.Timestamp("2025-06-11")])
def test_a_month_is_compared_by_its_name(study, earlier):
    found = tl.compare(study, earlier)
    assert found.against == "2025-06"
    pd.testing.assert_frame_equal(found.table, tl.compare(study, study.at("2025-06")).table)


def test_what_is_neither_month_nor_folder_is_not_compared(study):
    with pytest.raises(tl.RecordsError, match="no such folder; name a month as YYYY-MM"):
        tl.compare(study, "2025-6")
    with pytest.raises(tl.SettingsError, match="not an earlier month"):
        tl.compare(study, "2026-04")


@pytest.mark.parametrize(
    "month", [pd.Period("2025-06"), pd.Period("2025-06-04"), pd.Timestamp("2025-06-30"), date(2025, 6, 1)]
)
def test_a_month_may_be_a_period_or_a_day(study, month):
    assert tl.assess(study.folder, month).month == study.at(month).month == "2025-06"


@pytest.mark.parametrize("month", [202506, pd.Period("2025Q2"), pd.NaT, "2025-6", None])
def test_other_things_are_not_months(study, month):
    for way in (study.at, lambda month: tl.assess(study.folder, month)):
        with pytest.raises(tl.SettingsError, match="is not a month: write YYYY-MM"):
            way(month)


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"open_span": (3, 4)}, 'names of towers are text: write "3"'),
        ({"open_span": ("3",)}, "open_span = .*write a pair"),
        ({"open_bond": 3}, 'names of towers are text: write "3"'),
        ({"footing": ("3", "5")}, "footing: '5' is not a number"),
        ({"footing": (3, 5)}, 'names of towers are text: write "3"'),
        ({"footing": "3"}, "footing = '3': write a pair"),
        ({"between_km": ("a", 1)}, "between_km: 'a' is not a number"),
        ({"between_km": 3}, "between_km = 3: write a pair"),
    ],
)
def test_a_what_if_of_the_wrong_kind_is_one_sentence(study, change, said):
    with pytest.raises(tl.SettingsError, match=said):
        study.what_if(**change)


@pytest.mark.parametrize(
    ("ask", "said"),
    [
        (lambda study: study.explain(3), 'names of towers are text: write "3", not 3'),
        (lambda study: study.explain("03"), "'03' is not on .*did you mean '3'"),
        (
            lambda study: study.plot.map("gap_ma"),
            r"no map of 'gap_ma'; study.explore\('gap_ma'\) .*gap_fraction",
        ),
        (lambda study: study.plot.map("footing"), "no map of 'footing'; did you mean 'footing_ohm'"),
        (lambda study: study.plot.map("nonsense"), "no map of 'nonsense'(?!.*explore)"),
        (lambda study: study.tables.footings(-1), "rows = -1"),
        (lambda study: study.tables.footings("3"), "rows = '3'"),
        (lambda study: study.tables.gaps(0), "rows = 0"),
        (lambda study: study.replace(limits=10), r"\[limits\] is a section: write limits={.*: value}"),
        (lambda study: study.replace(limit_ohm=10), r"key of \[limits\]: write limits={'limit_ohm': 10}"),
        (lambda study: study.joined("networks"), "'networks' adds no columns.*'network'"),
    ],
)
def test_a_slip_is_answered_with_the_way_to_mend_it(study, ask, said):
    with pytest.raises(tl.SettingsError, match=said):
        ask(study)


def test_the_name_in_other_letters_comes_first(tmp_path):
    towers = TOWERS.replace("\n3,", "\n2A,").replace("\n6,", "\n2B,")
    visits = VISITS.replace(",3,", ",2A,", 1).replace(",6,", ",2B,", 1)
    named = tl.assess(synthetic(tmp_path, towers_csv=towers, visits_csv=visits))
    with pytest.raises(tl.SettingsError, match="did you mean '2A'"):
        named.explain("2a")


def test_months_without_visits_are_remarked_on(study):
    assert study.remarks == ()
    before, after = study.at("2015-01"), study.at("2026-05")
    assert "2022-03-06" in before.remarks[0]  # the first visit: the year before that of tower 6
    assert "2026-03-05" in after.remarks[0]
    for other in (before, after, tl.assess(study.folder, "2035-01")):
        assert other.remarks[0].rstrip(".") in repr(other)
        assert other.remarks[0] in other.answer.condition().replace("\n  ", " ")
    assert "still to come" in tl.assess(study.folder, "2035-01").remarks[0]


def test_a_folder_of_lines_lists_its_lines():
    with pytest.raises(
        tl.TowerlibError, match=r"folder of line folders.*ambermoss-harrowmere.*quillmere-tolstrand"
    ):
        tl.assess(tl.demo_folder())


@pytest.mark.parametrize("name", ["profile", "worst", "gaps", "distribution", "map"])
def test_charts_of_the_condition_name_their_month(study, name):
    texts = [text.get_text() for text in getattr(study.plot, name)().texts]
    assert any(f"s of {study.month}" in text for text in texts)


@pytest.mark.parametrize("name", ["plot", "tables", "answer"])
def test_views_list_their_methods(study, name):
    view = getattr(study, name)
    listed = repr(view).splitlines()[1:]
    methods = [one for one in dir(view) if not one.startswith("_")]
    assert sorted(line.split("()")[0].strip() for line in listed) == methods
    assert all(len(line.split("()")[1].strip()) > 10 for line in listed)


def test_an_explanation_writes_numbers_as_people_read_them(whole):
    for tower in whole.ranks["tower_id"]:
        text = str(whole.explain(tower))
        assert "(> 0)" not in text
        assert not re.search(r"\binf\b", text)
        assert not re.search(r"\d ohm\b", text)
        assert "Ω·m (soil not on record)" not in text or "any ground up to" in text


def test_the_end_at_the_phase_voltage_is_named_and_no_other(demo):
    from towerlib.report import line_explorer

    top_v = 1000 * demo.line.voltage_kv / 3**0.5
    row = line_explorer._joined(demo).iloc[0].to_dict()
    row |= {"potential_rise_v": 4000.0, "potential_rise_low_v": 3000.0}
    ends = {}
    for high_v in (top_v, 0.9 * top_v):
        said = line_explorer._fault(row | {"potential_rise_high_v": high_v}, demo.line.voltage_kv)
        ends[high_v] = " ".join(said)
    assert "phase voltage" in ends[top_v]
    assert "phase voltage" not in ends[0.9 * top_v]


def test_a_report_with_the_older_word_for_a_lower_limit_stays_readable(study, tmp_path):
    import hashlib
    import json

    folder = tl.write_report(study.at("2025-06"), tmp_path / "reports")
    expected = tl.compare(study, folder).table
    table, manifest = folder / "tables" / "condition.parquet", folder / "run.json"
    old = pd.read_parquet(table)
    old["impedance_class"] = "lower bound only"
    old.to_parquet(table)
    facts = json.loads(manifest.read_text(encoding="utf-8"))
    facts["files"]["tables/condition.parquet"] = hashlib.sha256(table.read_bytes()).hexdigest()
    manifest.write_text(json.dumps(facts), encoding="utf-8")
    pd.testing.assert_frame_equal(tl.compare(study, folder).table, expected)
