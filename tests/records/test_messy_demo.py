"""The line of the demo that comes as crews send it: what its page says is what the reader makes of it."""

import zipfile
from pathlib import Path

import pytest

from towerlib import assessment
from towerlib.records.load import load
from towerlib.report import intake
from towerlib.simulate.demo import SEED, messy_line, write_mess
from towerlib.simulate.lines import simulate_line

LINE = messy_line().line_id
FOLDER = Path(__file__).parents[2] / "data" / "demo" / LINE


@pytest.fixture(scope="module")
def records():
    return load(FOLDER)


@pytest.fixture(scope="module")
def tables():
    return simulate_line(messy_line(), SEED)


def contents(folder):
    """Every file by name; a workbook as what it holds, for the packing may differ from one system to the next."""
    found = {}
    for path in sorted(folder.rglob("*")):
        if path.suffix == ".xlsx":
            with zipfile.ZipFile(path) as book:
                found[path.relative_to(folder).as_posix()] = {
                    name: book.read(name) for name in book.namelist()
                }
        elif path.is_file() and path.name != "README.md":
            found[path.relative_to(folder).as_posix()] = path.read_bytes()
    return found


def test_unchanged_messy_line(tables, tmp_path):
    # Guards against drift alone: the committed files are what is written today.
    write_mess(messy_line(), tables, tmp_path)
    assert contents(tmp_path / LINE) == contents(FOLDER)


def test_every_row_is_accounted_for(records):
    counts = records.by_file
    assert (counts["rows_in"] == counts["used"] + counts["rejected"]).all()
    assert (counts["repaired"] <= counts["used"]).all()
    assert 0 < counts["rejected"].sum() < 0.1 * counts["rows_in"].sum()


def test_towers_stand_where_they_were_built(records, tables):
    built = tables["towers"].set_index("tower_id")
    read = records.towers.set_index("tower_id")
    assert set(built.index) - set(read.index) == {"018"}
    for name in ("latitude_deg", "longitude_deg"):
        off = (read[name] - built[name].reindex(read.index)).abs()
        assert off.max() < 1e-5  # a thousandth of a minute is 1.7e-5 degrees: half of it, and the last figure


NUMBERS = [
    "impedance_ohm",
    "impedance_no_coils_ohm",
    "injected_ma",
    "legs_ma",
    "leakage_total_ma",
    "potential_probe_ohm",
    "current_probe_ohm",
    "test_frequency_hz",
]


@pytest.mark.parametrize(
    "name",
    [*NUMBERS, "tower_id", "date", "method", "soil_state", "bond_seen", "corrosion", "calibration_due"],
)
def test_no_value_is_read_wrongly(records, tables, name):
    """Against the tables from which the crews' files were written; what was lost on the way may be blank."""
    meant = tables["visits"].set_index("visit_id")[name]
    read = records.visits.set_index("visit_id")[name]
    read = read[read.notna()]
    if "impedance_ohm_bound" in records.visits and name == "impedance_ohm":
        read = read[
            (records.visits.set_index("visit_id")["impedance_ohm_bound"].reindex(read.index).fillna("") == "")
        ]
    meant = meant.reindex(read.index)
    if name in NUMBERS:
        assert read.to_numpy() == pytest.approx(meant.to_numpy(), rel=1e-9)
    else:
        assert (read == meant).all()


def test_legs_are_read_as_they_were(records, tables):
    legs = tables["legs"].assign(leg=tables["legs"]["leg"].str.upper())
    meant = legs.set_index(["visit_id", "leg"])["leakage_ma"]
    read = records.legs.assign(leg=records.legs["leg"].str.upper().str.removeprefix("LEG ")).set_index(
        ["visit_id", "leg"]
    )["leakage_ma"]
    assert len(read) > 200
    assert read.to_numpy() == pytest.approx(meant.reindex(read.index).to_numpy())


REJECTED = [  # (file, row, column, words)
    ("towers.csv", 20, "latitude_deg", "without a fix"),
    ("visits/2026-05-crew-a.csv", 7, "impedance_ohm", "siehe Bemerkung"),
    ("visits/2026-05-crew-a.csv", 10, "date", "not a day of the calendar"),
    ("visits/2026-05-crew-a.csv", 15, "tower_id", "no tower of the register"),
    ("visits/2026-05-crew-a.csv", 20, "tower_id", "own row in the register was rejected"),
    ("visits/2026-06-crew-b.xlsx [June]", 11, "date", "is blank"),
    ("visits/2026-06-crew-b.xlsx [June]", 18, "tower_id", "row of totals"),
    ("visits/2026-06-crew-c.csv", 4, "tower_id", "Which tower was it?"),
    ("visits/2026-06-crew-c.csv", 6, "impedance_ohm", "points to another row"),
    ("visits/2026-06-crew-c.csv", 7, "", "quotation marks"),
    ("visits/2026-06-crew-c.csv", 10, "impedance_ohm", "carries the unit V"),
    ("visits/2026-06-crew-c.csv", 11, "visit_id", "is a duplicate of another row"),
]


@pytest.mark.parametrize(("file", "row", "column", "words"), REJECTED)
def test_what_cannot_be_mended_is_reported(records, file, row, column, words):
    found = records.rejected[(records.rejected["file"] == file) & (records.rejected["row"] == row)]
    assert found["column"].to_list() == [column]
    assert words in found["reason"].iloc[0]


def test_the_check_reads_like_a_letter_to_the_crew():
    found = assessment.assess(FOLDER)
    records, grades = found.records, found.grades
    said = intake.words(records, grades)
    assert said.startswith("Ambermoss – Harrowmere 110 kV: ")
    assert "rows 6, 11, 16, 21 and" in said  # rows of one kind are one sentence
    assert "'10.6 ohm' → 10.6" in said
    assert "visits/2026-06-crew-b.xlsx [Instructions]" in said
    assert "nan" not in said.lower()
