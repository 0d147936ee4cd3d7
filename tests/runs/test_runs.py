"""One line, one month: a report folder that is whole or not there, and one sentence for what is wrong."""

import json

import nbformat
import pandas as pd
import pytest
from folders import LINE, VISITS, line_folder
from typer.testing import CliRunner

from towerlib import cli, plan, runs
from towerlib.errors import RecordsError, SettingsError

LEGS = "visit_id,leg,leakage_ma\n" + "".join(f"v1,{leg},8\nv2,{leg},9\n" for leg in "ABCD")


@pytest.fixture(scope="module")
def report(tmp_path_factory):
    """The report of a small line, made once."""
    place = tmp_path_factory.mktemp("run")
    folder = line_folder(place / "records" / "low-moor", legs_csv=LEGS)
    return runs.run_line(folder, place / "reports", parameters={"top": "3"})


def test_the_report_holds_what_the_readme_promises(report):
    names = {path.name for path in report.folder.rglob("*")}
    assert {
        "priority-list.csv",
        "priority-list.xlsx",
        "1-condition.ipynb",
        "2-performance.ipynb",
        "3-plan.ipynb",
    } <= names
    assert {"route-map.png", "line.gpkg", "rejected-rows.csv", "run.json", "priority.parquet"} <= names
    assert report.folder.parts[-2:] == ("low-moor", "2026-03")
    assert [path.name for path in report.folder.parent.iterdir()] == ["2026-03"]


def test_the_list_has_one_row_a_tower_and_the_contracts_columns(report):
    listed = pd.read_csv(report.folder / "priority-list.csv", dtype={"tower_id": str})
    assert list(listed.columns) == plan.COLUMNS
    assert sorted(listed["tower_id"]) == ["1", "2", "4A"]
    assert listed["rank"].to_list() == [1, 2, 3]


def test_the_manifest_accounts_for_every_row(report):
    manifest = json.loads((report.folder / "run.json").read_text(encoding="utf-8"))
    for counts in manifest["counts"].values():
        assert counts["rows_in"] == counts["used"] + counts["rejected"]
    assert set(manifest["inputs"]) == {"line.toml", "towers.csv", "visits.csv", "legs.csv"}
    assert manifest["parameters"]["top"] == "3"
    assert "priority-list.csv" in manifest["files"]


def test_notebooks_ran_with_the_parameters(report):
    book = nbformat.read(report.folder / "1-condition.ipynb", as_version=4)
    injected = next(cell for cell in book.cells if "injected-parameters" in cell.metadata.get("tags", []))
    assert "top = 3" in injected.source
    assert not any(output.output_type == "error" for cell in book.cells for output in cell.get("outputs", []))


def test_layers_open_with_their_coordinate_system(report):
    geopandas = pytest.importorskip("geopandas")
    counts = {}
    for layer in ("towers", "spans", "route"):
        read = geopandas.read_file(report.folder / "line.gpkg", layer=layer)
        counts[layer] = len(read)
        assert read.crs.is_projected
    assert counts == {"towers": 3, "spans": 2, "route": 1}


def test_a_rerun_gives_the_same_tables_to_the_bit(report, tmp_path):
    again = runs.run_line(report.study.records.folder, tmp_path)
    for name in (
        "priority-list.csv",
        "priority-list.xlsx",
        "rejected-rows.csv",
        "route-map.png",
        "line.gpkg",
    ):
        assert (again.folder / name).read_bytes() == (report.folder / name).read_bytes(), name
    for path in (again.folder / "tables").iterdir():
        assert path.read_bytes() == (report.folder / "tables" / path.name).read_bytes(), path.name


def test_a_failed_notebook_leaves_the_old_report(report, monkeypatch):
    def stop(name, folder, parameters, manager):
        raise RecordsError("a cell stopped")

    monkeypatch.setattr(runs, "execute", stop)
    before = (report.folder / "run.json").read_bytes()
    with pytest.raises(RecordsError, match="a cell stopped"):
        runs.run_line(report.study.records.folder, report.folder.parents[1])
    assert (report.folder / "run.json").read_bytes() == before
    assert [path.name for path in report.folder.parent.iterdir()] == ["2026-03"]


@pytest.mark.parametrize(
    ("parameters", "sentence"),
    [
        ({"topp": "3"}, "'topp' is no parameter that a run may set; did you mean 'top'"),
        ({"line": "x"}, "'line' is no parameter that a run may set"),
        ({"top": "many"}, "top = 'many' must be of type int"),
    ],
)
def test_parameters_that_no_notebook_knows(parameters, sentence):
    with pytest.raises(SettingsError, match=sentence):
        runs.typed(parameters)


def command(*words):
    """The command's exit status and everything it said, as `main` would end it."""
    result = CliRunner().invoke(cli.app, [str(word) for word in words])
    if isinstance(result.exception, cli.TowerlibError):
        return 2, str(result.exception)
    assert result.exception is None or isinstance(result.exception, SystemExit), result.exception
    return result.exit_code, result.output + result.stderr


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        (["run", "nowhere"], "is not a folder"),
        (["run", "."], "holds no line folder"),
        (["run", "low-moor", "--month", "2026-13"], "is not a month"),
        (["run", "low-moor", "--line", "../etc"], "'../etc' is no line in"),
        (["run", "low-moor", "--parameter", "top"], "must read NAME=VALUE"),
        (["run", "low-moor", "--parameter", "tip=1"], "did you mean 'top'"),
        (["run", "low-moor", "--reports", "file"], "reports cannot be written"),
        (["run"], "Missing argument"),
    ],
)
def test_wrong_input_is_one_sentence_and_status_2(tmp_path, monkeypatch, words, sentence):
    line_folder(tmp_path / "low-moor")
    (tmp_path / "file").write_text("no folder")
    monkeypatch.chdir(tmp_path)
    if words == ["run", "."]:
        (tmp_path / "low-moor" / "line.toml").unlink()
    status, said = command(*words)
    assert status == 2
    assert sentence in said
    assert "Traceback" not in said


def test_one_bad_line_does_not_stop_the_others(tmp_path, monkeypatch):
    line_folder(tmp_path / "a-bad", line_toml=LINE.replace("low-moor", "high-moor"), visits_csv=None)
    line_folder(tmp_path / "b-good")
    monkeypatch.setattr(runs, "NOTEBOOKS", ("3-plan",))
    status, said = command("run", tmp_path, "--reports", tmp_path / "reports")
    assert status == 1
    assert "a-bad: " in said
    assert "the table visits is missing" in said
    assert "low-moor/2026-03/priority-list.csv" in said


def test_a_line_id_cannot_leave_the_reports_folder(tmp_path):
    line_folder(tmp_path / "sly", line_toml=LINE.replace("low-moor", "../sly"))
    status, said = command("run", tmp_path / "sly", "--reports", tmp_path / "reports")
    assert status == 2
    assert "only letters, digits" in said


def test_one_tower_alone_runs(tmp_path, monkeypatch):
    monkeypatch.setattr(runs, "NOTEBOOKS", ("3-plan",))
    towers = "tower_id,latitude_deg,longitude_deg\n1,-31,-20\n"
    folder = line_folder(tmp_path / "one", towers_csv=towers, visits_csv=VISITS.split("v2")[0])
    assert len(runs.run_line(folder, tmp_path / "reports").study.priority) == 1
