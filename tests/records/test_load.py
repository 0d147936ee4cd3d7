"""A line folder to records: the contract's forms are read, and every bad row is named with its reason."""

import pandas as pd
import pytest
from folders import LINE, TOWERS, VISITS, accounted, line_folder

from towerlib.errors import RecordsError, SettingsError
from towerlib.records.load import load
from towerlib.records.tables import TABLES


def test_a_folder_written_from_the_contract_alone(tmp_path):
    records = load(line_folder(tmp_path / "low-moor"))
    assert records.towers["tower_id"].to_list() == ["1", "2", "4A"]
    assert records.visits["date"].to_list() == [pd.Timestamp("2026-03-01"), pd.Timestamp("2026-03-02")]
    assert records.rejected.empty
    assert records.repaired.empty
    assert accounted(records)


def test_every_column_of_the_dictionary_is_there(tmp_path):
    records = load(line_folder(tmp_path / "low-moor"))
    for name, schema in TABLES.items():
        assert set(schema.columns) <= set(getattr(records, name).columns)


def test_a_blank_is_not_recorded_and_never_zero(tmp_path):
    visits = "visit_id,tower_id,date,method,impedance_ohm,leads_missing\nv1,1,2026-03-01,leg coils,,\n"
    records = load(line_folder(tmp_path / "low-moor", visits_csv=visits))
    assert records.visits[["impedance_ohm", "leads_missing"]].isna().all(axis=None)


def test_columns_of_the_utility_are_carried_along(tmp_path):
    records = load(
        line_folder(
            tmp_path / "low-moor",
            towers_csv=TOWERS.replace("longitude_deg", "longitude_deg,painted")
            .replace("-20.000", "-20.000,white")
            .replace("-19.997", "-19.997,red")
            .replace("-19.994", "-19.994,"),
        )
    )
    assert records.towers["painted"].to_list()[:2] == ["white", "red"]


def test_tower_names_stay_text(tmp_path):
    towers = "tower_id,latitude_deg,longitude_deg\n012,-31,-20\n12,-31,-19.997\n1E2,-31,-19.994\n"
    visits = VISITS.replace("v1,1", "v1,012").replace("v2,2", "v2,1E2")
    records = load(line_folder(tmp_path / "low-moor", towers_csv=towers, visits_csv=visits))
    assert records.towers["tower_id"].to_list() == ["012", "12", "1E2"]
    assert records.visits["tower_id"].to_list() == ["012", "1E2"]


def test_semicolons_with_decimal_commas(tmp_path):
    visits = "visit_id;tower_id;date;method;impedance_ohm\nv1;1;2026-03-01;leg coils;4,2\nv2;2;2026-03-01;leg coils;22,5\n"
    records = load(line_folder(tmp_path / "low-moor", visits_csv=visits))
    assert records.visits["impedance_ohm"].to_list() == [4.2, 22.5]


def test_a_table_may_be_split_over_files(tmp_path):
    second = VISITS.replace("v1", "v3").replace("v2", "v4")
    records = load(
        line_folder(tmp_path / "low-moor", visits_csv=None, visits__a_csv=VISITS, visits__b_csv=second)
    )
    assert records.visits["visit_id"].to_list() == ["v1", "v2", "v3", "v4"]


@pytest.mark.parametrize("as_one_workbook", [True, False])
def test_workbooks_and_parquet_read_like_csv(tmp_path, as_one_workbook):
    plain = load(line_folder(tmp_path / "plain"))
    folder = line_folder(tmp_path / "other", towers_csv=None, visits_csv=None)
    columns = {"tower_id": str}
    towers = pd.read_csv(tmp_path / "plain" / "towers.csv", dtype=columns)
    visits = pd.read_csv(tmp_path / "plain" / "visits.csv", dtype=columns, parse_dates=["date"])
    if as_one_workbook:
        with pd.ExcelWriter(folder / "records.xlsx") as book:
            towers.to_excel(book, sheet_name="towers", index=False)
            visits.to_excel(book, sheet_name="Visits", index=False)
    else:
        towers.to_parquet(folder / "towers.parquet")
        visits.to_excel(folder / "visits.xlsx", index=False)
    read = load(folder)
    pd.testing.assert_frame_equal(read.towers, plain.towers)
    pd.testing.assert_frame_equal(read.visits, plain.visits, check_dtype=False)


def test_towers_from_a_gis_layer(tmp_path):
    geopandas = pytest.importorskip("geopandas")
    plain = load(line_folder(tmp_path / "plain"))
    folder = line_folder(tmp_path / "gis", towers_csv=None)
    points = geopandas.points_from_xy(plain.towers["longitude_deg"], plain.towers["latitude_deg"], crs=4326)
    layer = geopandas.GeoDataFrame({"tower_id": plain.towers["tower_id"]}, geometry=points)
    layer.to_crs(32727).to_file(folder / "towers.gpkg")
    towers = load(folder).towers
    assert towers["longitude_deg"].to_list() == pytest.approx(
        plain.towers["longitude_deg"].to_list(), abs=1e-8
    )


BAD_ROWS = [  # (table, file text, row number, column, sentence)
    ("visits", VISITS + "v3,99,2026-03-01,leg coils,5\n", 4, "tower_id", "99"),
    ("visits", VISITS + "v3,1,2026-03-01,leg coils,much\n", 4, "impedance_ohm", "'much'"),
    ("visits", VISITS + "v3,1,2026-02-30,leg coils,5\n", 4, "date", "2026-02-30"),
    ("visits", VISITS + "v3,1,,leg coils,5\n", 4, "date", "is blank"),
    ("visits", VISITS + "v3,1,2026-03-01,wishful,5\n", 4, "method", "leg coils"),
    ("visits", VISITS + "v3,1,2026-03-01,leg coils,-5\n", 4, "impedance_ohm", "at least 0 Ω"),
    ("visits", VISITS + "v2,2,2026-03-02,leg coils,22.5\n", 4, "visit_id", "is a duplicate"),
    ("visits", VISITS + "v3,1,2026-03-01,leg coils,5,extra,cells\n", 4, "", "7 cells, the header 5"),
    ("towers", TOWERS + "5,91,-19.99\n", 5, "latitude_deg", "not a position on earth"),
    ("towers", TOWERS + "5,,\n", 5, "latitude_deg", "no position"),
]


@pytest.mark.parametrize(("table", "text", "row", "column", "sentence"), BAD_ROWS)
def test_a_bad_row_is_named_and_the_others_are_used(tmp_path, table, text, row, column, sentence):
    records = load(line_folder(tmp_path / "low-moor", **{f"{table}_csv": text}))
    entry = records.rejected.iloc[0]
    assert (entry["table"], entry["file"], entry["row"], entry["column"]) == (
        table,
        f"{table}.csv",
        row,
        column,
    )
    assert sentence in entry["reason"]
    assert len(records.rejected) == 1
    assert accounted(records)


def test_differing_rows_with_one_id_are_both_set_aside(tmp_path):
    records = load(line_folder(tmp_path / "low-moor", visits_csv=VISITS + "v2,2,2026-03-02,leg coils,9\n"))
    assert records.visits["visit_id"].to_list() == ["v1"]
    assert records.rejected["reason"].str.contains("row 3 and visits.csv row 4").all()
    assert accounted(records)


def test_rows_of_a_rejected_visit_fall_with_it(tmp_path):
    visits = VISITS + "v3,99,2026-03-01,leg coils,5\n"
    legs = "visit_id,leg,leakage_ma\nv1,A,3\nv3,A,4\n"
    records = load(line_folder(tmp_path / "low-moor", visits_csv=visits, legs_csv=legs))
    assert records.legs["visit_id"].to_list() == ["v1"]
    assert "no visit that could be used" in records.rejected.query("table == 'legs'")["reason"].iloc[0]
    assert accounted(records)


STOPS = [  # (files, sentence)
    ({"visits_csv": None}, r"the table visits is missing or has no rows; add visits\.csv"),
    ({"towers_csv": None}, r"the table towers is missing"),
    ({"visits_csv": "visit_id,tower_id,date,method\n"}, r"the table visits is missing or has no rows"),
    ({"visits_csv": ""}, r"visits\.csv: the file is empty"),
    ({"visits_csv": "visit_id,date,method\nv1,2026-03-01,leg coils\n"}, r"lacks the needed column tower_id"),
    (
        {"towers_csv": "tower_id,latitude_deg\n1,-31\n"},
        r"lacks the needed column latitude_deg and longitude_deg",
    ),
    ({"visits_csv": VISITS.replace("method", "date")}, r"two columns for date"),
    ({"visits_csv": "a\0b,c\n1,2\n"}, r"NUL bytes"),
    (
        {"visits_csv": None, "visits_xlsx": "no workbook"},
        r"visits\.xlsx: the file is damaged or is not a workbook",
    ),
    ({"towers_parquet": b"PAR1"}, r"the table towers is in towers\.csv and towers\.parquet"),
    (
        {"visits_csv": VISITS.replace("v1,1", "v1,8").replace("v2,2", "v2,9")},
        r"no row of the table visits can be used",
    ),
]


@pytest.mark.parametrize(("files", "sentence"), STOPS)
def test_what_stops_the_work_is_one_sentence(tmp_path, files, sentence):
    with pytest.raises(RecordsError, match=sentence) as caught:
        load(line_folder(tmp_path / "low-moor", **files))
    assert "\n" not in str(caught.value)


def test_a_folder_that_is_none(tmp_path):
    with pytest.raises(RecordsError, match="is not a folder"):
        load(tmp_path / "nowhere")


def test_positions_on_a_grid_need_a_crs(tmp_path):
    """UTM 27S: the central meridian 21° W has easting 500 000 m by definition (EPSG:32727)."""
    towers = "tower_id,easting_m,northing_m\n1,500000,6570000\n2,500300,6570000\n"
    with pytest.raises(RecordsError, match=r"line\.toml names no crs"):
        load(line_folder(tmp_path / "without", towers_csv=towers))
    records = load(line_folder(tmp_path / "with", towers_csv=towers, line_toml=LINE + 'crs = "EPSG:32727"\n'))
    assert records.towers["longitude_deg"].iloc[0] == pytest.approx(-21.0, abs=1e-9)


def test_an_unknown_file_is_named(tmp_path):
    records = load(line_folder(tmp_path / "low-moor", visit_csv=VISITS))
    assert records.unread == ("visit.csv",)


def test_own_headers_name_known_columns(tmp_path):
    line = LINE + '[columns]\n"Pole" = "tower_idd"\n'
    with pytest.raises(SettingsError, match="did you mean 'tower_id'"):
        load(line_folder(tmp_path / "low-moor", line_toml=line))


def test_a_tower_name_in_another_spelling_is_used_and_listed(tmp_path):
    records = load(
        line_folder(tmp_path / "low-moor", visits_csv=VISITS + "v3,T-04a,2026-03-01,leg coils,5\n")
    )
    assert records.visits.loc[2, ["tower_id", "tower_as_written"]].to_list() == ["4A", "T-04a"]
    mended = records.repaired.iloc[0]
    assert (mended["row"], mended["column"], mended["value"], mended["used"]) == (
        4,
        "tower_id",
        "T-04a",
        "4A",
    )
    assert mended["reason"].startswith("probable: ")
    assert records.counts.loc["visits", ["rows_in", "used", "repaired", "rejected"]].to_list() == [3, 3, 1, 0]


def test_a_limits_table_of_the_line_is_an_input_like_the_others(tmp_path):
    line = LINE + '[limits]\nrules = "ours.csv"\n'
    records = load(
        line_folder(tmp_path / "low-moor", line_toml=line, ours_csv="limit_ohm,source\n20,our own\n")
    )
    assert records.limit_rules[0].limit_ohm == 20
    assert records.unread == ()
    assert "ours.csv" in {path.name for path in records.files}
