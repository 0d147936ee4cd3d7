"""The explorer's tables: what stood in each month, its classes, its size, and text that stays text."""

import json
import re
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from shapely import LineString, Point, box
from shapely.affinity import translate

from towerlib import assessment, condition
from towerlib.readings import standing
from towerlib.report import line_explorer, style

DEMO = Path(__file__).parents[2] / "data" / "demo" / "brackwater-stonefell"
TOWERS = 16  # of the demo, from its first station on
TOLD = ("evidence", "bond_evidence", "safety_evidence", "span_evidence", "history_reason", "reasons")
TABLES = ("visits", "legs", "sweeps", "soil")
HOSTILE = (
    "<script>alert(1)</script>",
    '=cmd|"/C calc"!A0',
    "\"'><img src=x onerror=alert(2)>",
    "برج ١٢",
    "\u202eabc",
    "⚡ 12 🗼",
    "</script><script>alert(3)</script>",
    "$$x^2$$ {{7*7}} @words",
)


def start_of_demo(place, towers=TOWERS):
    """Folder of the first towers of the demo; without the outage record, which belongs to the whole line."""
    place.mkdir(parents=True, exist_ok=True)
    register = pd.read_csv(DEMO / "towers.csv", dtype=str).head(towers)
    register.to_csv(place / "towers.csv", index=False)
    kept = pd.read_csv(DEMO / "visits.csv", dtype=str)
    kept = set(kept.loc[kept["tower_id"].isin(register["tower_id"]), "visit_id"])
    for name in TABLES:
        rows = pd.read_csv(DEMO / f"{name}.csv", dtype=str)
        mine = (
            rows["visit_id"].isin(kept) if "visit_id" in rows else rows["tower_id"].isin(register["tower_id"])
        )
        rows[mine].to_csv(place / f"{name}.csv", index=False)
    (place / "line.toml").write_text((DEMO / "line.toml").read_text(encoding="utf-8"), encoding="utf-8")
    return place


def study_of(place):
    """The first towers of the demo, assessed."""
    return assessment.assess(start_of_demo(place).parent / place.name)


def renamed(study, name):
    """The same study with every tower under another name."""
    names = {tower: name(tower) for tower in study.condition["tower_id"]}
    columns = ("tower_id", "from_tower_id", "to_tower_id")

    def swap(table):
        found = [column for column in columns if column in table]
        return table.assign(**{column: table[column].map(names).fillna(table[column]) for column in found})

    return with_tables(study, swap)


def with_tables(study, change):
    """The same study with every table that holds towers changed."""
    return study.with_results(
        **{name: change(getattr(study, name)) for name in ("condition", "priority", "retest", "currents")},
        grades=replace(study.grades, visits=change(study.grades.visits)),
        network=replace(
            study.network, towers=change(study.network.towers), spans=change(study.network.spans)
        ),
        outages=replace(study.outages, towers=change(study.outages.towers)),
        route=replace(study.route, towers=change(study.route.towers), spans=change(study.route.spans)),
    )


def repeated(study, copies):
    """A long line: the same towers again and again, one behind the other."""
    width = np.ptp(study.route.towers.geometry.x) + 400
    columns = ("tower_id", "from_tower_id", "to_tower_id", "visit_id", "footing_visit_id", "bond_visit_id")

    def again(table, copy):
        part = table.copy()
        for column in columns:
            if column in part:
                part[column] = part[column] + f"-{copy}"
        for column in ("chainage_km", "chainage_m"):
            if column in part:
                part[column] += copy * width / (1000 if column.endswith("km") else 1)
        if isinstance(part, gpd.GeoDataFrame):
            part.geometry = [translate(shape, copy * width) for shape in part.geometry]
        for column in TOLD:
            if column in part:  # sentences differ from tower to tower: nothing is saved by keeping each once
                part[column] = part[column] + f" ({copy})"
        if "rank" in part:
            part["rank"] += copy * len(table)
        return part

    return with_tables(
        study, lambda table: pd.concat([again(table, copy) for copy in range(copies)], ignore_index=True)
    )


@pytest.fixture(scope="module")
def study(tmp_path_factory):
    return study_of(tmp_path_factory.mktemp("lines") / "start-of-demo")


@pytest.fixture(scope="module")
def found(study):
    """Layers by their keys."""
    return {layer.key: layer for layer in line_explorer.all_layers(study)[0]}


def contents_of(html):
    """Tables of a page, as the browser reads them."""
    return json.loads(re.search(r'id="contents">(.*?)</script>', html, re.S)[1])


MONTHS = ("2019-09", "2021-06", "2023-08", "2024-12", "2025-09", "2026-06")


@pytest.mark.parametrize("month", MONTHS)
def test_what_stood_in_a_month_is_what_an_assessment_of_that_month_says(study, month):
    records, grades = study.records, study.grades
    then = condition.assess(records, grades, study.currents, study.route, month).set_index("tower_id")
    footings = line_explorer.footing_changes(
        grades.visits, study.records.towers, study.line.seasons, study.month
    )
    in_force = standing.at_month(footings, month).reindex(then.index)
    bounded = then["footing_ohm"].isna()
    assert len(then) == TOWERS
    pd.testing.assert_series_equal(
        in_force["value"], then["footing_ohm"].fillna(then["lower_bound_ohm"]), check_names=False
    )
    for end in ("low", "high"):
        pd.testing.assert_series_equal(
            in_force[end].where(~bounded), then[f"footing_{end}_ohm"], check_names=False
        )
    gaps = standing.at_month(line_explorer.gap_changes(grades.visits, study.currents, study.month), month)
    pd.testing.assert_series_equal(gaps["value"].reindex(then.index), then["gap_fraction"], check_names=False)
    verdicts = line_explorer.verdict_changes(grades.visits, footings, study.month)
    told = standing.at_month(verdicts, month)["verdict"].reindex(then.index).fillna("not tested")
    assert told.tolist() == then["verdict"].tolist()


@pytest.mark.parametrize("month", MONTHS)
def test_classes_of_a_month_are_those_of_its_assessment(study, found, month):
    then = condition.assess(study.records, study.grades, study.currents, study.route, month)
    changes = found["impedance"].changes
    seen = changes[changes["month"] <= standing.month_number(month)].drop_duplicates("tower", keep="last")
    kinds = seen.set_index("tower")["kind"].reindex(range(TOWERS)).fillna(0).astype(int)
    names = [name.split(",")[0] for name in style.CLASSES]
    assert [names[kind] for kind in kinds] == then["impedance_class"].tolist()


def test_the_demo_shows_more_than_one_class_over_the_months(found):
    assert found["impedance"].changes.groupby("tower")["kind"].nunique().max() > 1


def visit(date, method, ohm, verdict="usable", bound=""):
    """One visit at tower T1."""
    named = {"tower_id": "T1", "date": pd.Timestamp(date), "method": method, "impedance_ohm": ohm}
    return named | {"footing_verdict": verdict, "impedance_ohm_bound": bound, "soil_state": None}


def standing_of(study, *visits):
    """Value and whether it is a lower bound, month by month."""
    towers = pd.DataFrame({"tower_id": ["T1"], "ring": pd.array([False], dtype="boolean")})
    table = line_explorer.footing_changes(pd.DataFrame(visits), towers, study.line.seasons, "2026-12")
    return [
        (f"{row.month // 12}-{row.month % 12 + 1:02d}", row.value, row.bounded) for row in table.itertuples()
    ]


def test_a_lower_bound_stands_until_the_footing_alone_is_read(study):
    told = standing_of(
        study,
        visit("2024-03-01", "no coils", 1.5),
        visit("2025-05-02", "leg coils", 9.0),
        visit("2025-08-03", "no coils", 2.0),
        visit("2026-01-04", "leg coils", 30.0, "not usable"),
    )
    assert told == [("2024-03", 1.5, True), ("2025-05", 9.0, False)]


def test_the_better_verdict_of_a_day_stands(study):
    told = standing_of(
        study,
        visit("2024-03-01", "leg coils", 9.0),
        visit("2024-03-01", "leg coils", 11.0, "usable with caution"),
    )
    assert told == [("2024-03", 9.0, False)]


def test_a_reading_beyond_the_range_is_a_lower_bound(study):
    assert standing_of(study, visit("2024-03-01", "leg coils", 200.0, bound=">")) == [
        ("2024-03", 200.0, True)
    ]


def test_visits_after_the_month_are_not_seen(study):
    early = replace(study, month="2021-06")
    told = line_explorer.page(early)
    assert contents_of(told)["months"][-1] == "2021-06"
    assert "2023-" not in json.dumps(contents_of(told)["layers"])


def test_a_plan_year_is_shown_where_there_is_one(study):
    years = pd.array([1, 3, *[pd.NA] * (TOWERS - 2)], dtype="Int64")
    planned = study.with_results(priority=study.priority.assign(plan_year=years))
    layer = {layer.key: layer for layer in line_explorer.all_layers(planned)[0]}["plan"]
    assert [look.label for look in layer.looks] == ["no work planned", "year 3", "year 1"]
    towers = study.condition["tower_id"].tolist()
    kinds = layer.changes.set_index("tower")["kind"]
    assert kinds[towers.index(study.priority["tower_id"].iloc[0])] == 2
    assert kinds[towers.index(study.priority["tower_id"].iloc[1])] == 1
    assert (kinds == 0).sum() == TOWERS - 2


def test_a_layer_that_has_nothing_to_say_is_missing_with_its_reason(study):
    assert line_explorer.all_layers(study)[1] == {
        "Plan year": "No plan has been made for this line and month."
    }
    rates = study.outages.towers.assign(trip_outs_per_year=np.nan)
    off = study.with_results(
        outages=replace(study.outages, towers=rates, off=("The flash density is not set.",))
    )
    assert line_explorer.all_layers(off)[1]["Lightning trip-outs"] == "The flash density is not set."


def test_classes_of_trip_outs_go_by_the_mean(study):
    towers = study.outages.towers
    rates = np.resize([0.1, 0.5, 1.0, 2.4], len(towers))  # mean 1
    altered = study.with_results(
        outages=replace(study.outages, towers=towers.assign(trip_outs_per_year=rates))
    )
    layer = {layer.key: layer for layer in line_explorer.all_layers(altered)[0]}["trip-outs"]
    assert layer.changes.sort_values("tower")["kind"].tolist()[:4] == [1, 2, 3, 4]


def test_a_suspected_span_is_told_with_its_next_step(study):
    spans = study.network.spans.assign(span_scan=["suspected", *["none"] * (TOWERS - 2)])
    spans = spans.assign(span_evidence=["Readings fit a broken wire.", *[""] * (TOWERS - 2)])
    first, second, *_ = line_explorer.of_spans(spans)
    assert "A broken shield wire is suspected in this span." in first
    assert "Readings fit a broken wire." in first
    assert any("licensed procedure" in text for text in first)
    assert not any("licensed procedure" in text for text in second)


def test_evidence_has_values_with_units_and_bands(study):
    tower = study.condition[study.condition["footing_ohm"].notna()].iloc[0]
    told = line_explorer.of_towers(study)[tower.name]
    ends = re.fullmatch(
        r"([\d.]+) Ω \(([\d.]+)–([\d.]+)\), read on (\d{4}-\d\d-\d\d); .*\.", told["Footing"][0]
    )
    assert [float(part) for part in ends.groups()[:3]] == pytest.approx(
        tower[["footing_ohm", "footing_low_ohm", "footing_high_ohm"]].tolist(), rel=0.005
    )
    assert ends[4] == f"{tower['footing_date']:%Y-%m-%d}"
    assert next(iter(told)) == "What to do next"
    assert re.search(r"gap −?[\d.]+ mA", told["Leg currents in service"][0])
    assert re.search(r"[\d.]+ a year \([\d.]+–[\d.]+\)", told["Lightning"][0])


def test_every_visit_is_told_newest_first(study):
    for tower, told in zip(study.condition["tower_id"], line_explorer.of_towers(study), strict=True):
        visits = study.grades.visits[study.grades.visits["tower_id"] == tower]
        days = [text[:10] for text in told["Visits, newest first"]]
        assert days == sorted(visits["date"].dt.strftime("%Y-%m-%d"), reverse=True)


class Elements(HTMLParser):
    """Elements of a page and where they would fetch from."""

    def __init__(self):
        super().__init__()
        self.tags, self.fetched = [], []

    def handle_starttag(self, tag, attributes):
        """Keep the element and its addresses."""
        self.tags.append(tag)
        self.fetched += [
            value for name, value in attributes if name in ("src", "href", "srcset", "data", "action")
        ]


def elements_of(html):
    parser = Elements()
    parser.feed(html)
    return parser


def test_the_page_fetches_nothing(study):
    elements = elements_of(line_explorer.page(study))
    assert elements.tags.count("script") == 4
    assert set(elements.fetched) == {"data:,", "#cautions"}


def test_names_stay_text(study):
    names = iter(HOSTILE * 2)
    hostile = renamed(study, lambda tower: f"{next(names)} {tower}")
    html = line_explorer.page(hostile)
    assert elements_of(html).tags == elements_of(line_explorer.page(study)).tags
    told = contents_of(html)["towers"]["name"]
    assert told == hostile.condition["tower_id"].tolist()


def test_names_of_line_stations_and_settings_stay_text(study):
    first = study.line.stations.first.model_copy(update={"name": HOSTILE[2]})
    named = {"name": HOSTILE[0], "stations": study.line.stations.model_copy(update={"first": first})}
    records = replace(study.records, line=study.line.model_copy(update=named))
    network = replace(study.network, off=(HOSTILE[6],), assumed=(HOSTILE[2],))
    told = line_explorer.page(study.with_results(records=records, network=network))
    elements, harmless = elements_of(told), elements_of(line_explorer.page(study))
    assert elements.tags.count("script") == 4
    assert "img" not in elements.tags
    assert set(elements.fetched) == set(harmless.fetched)
    assert contents_of(told)["stations"]["name"][0] == HOSTILE[2]


def test_the_same_study_gives_the_same_bytes(study, tmp_path):
    for name in ("a.html", "b.html"):
        line_explorer.write(study, tmp_path / name)
    assert (tmp_path / "a.html").read_bytes() == (tmp_path / "b.html").read_bytes()


def test_nothing_of_the_study_is_changed(study):
    before = [table.copy() for table in (study.condition, study.priority, study.grades.visits)]
    line_explorer.page(study)
    for was, now in zip(before, (study.condition, study.priority, study.grades.visits), strict=True):
        pd.testing.assert_frame_equal(was, now)


def test_five_hundred_towers_take_less_than_three_megabytes(study):
    assert len(line_explorer.page(repeated(study, 32)).encode()) < 3e6


def test_every_caution_stands_on_the_page(study):
    from html import unescape

    from towerlib.report import cautions

    text = unescape(line_explorer.page(study))
    assert all(caution in text for caution in cautions.CAUTIONS)


def layer_of(*shapes, name="water", crs=None):
    """A context layer in the grid of the demo."""
    layer = gpd.GeoDataFrame(geometry=list(shapes), crs=crs)
    layer.attrs["name"] = name
    return layer


def test_context_is_cut_to_the_line_and_keeps_its_holes(study):
    towers, *_ = line_explorer.towers_placed(study)
    x, y = 1000 * towers["x"].iloc[3], 1000 * towers["y"].iloc[3]
    lake = box(x - 900, y - 900, x + 900, y + 900).difference(box(x - 300, y - 300, x + 300, y + 300))
    river = LineString([(x - 1e6, y), (x + 1e6, y)])
    far = layer_of(Point(x + 1e6, y), crs=study.route.crs, name="far")
    near = layer_of(lake, river, Point(x, y), crs=study.route.crs).to_crs(4326)
    near.attrs["name"] = "water"
    bare = layer_of(Point(x, y), name="bare")
    shapes, remarks = line_explorer.context_shapes([near, far, bare], towers, study.route.crs)
    assert [shape["name"] for shape in shapes] == ["water"]
    ((xs,), (ys,)) = shapes[0]["areas"][0]
    assert len(xs) == len(ys) == 2
    assert np.ptp(xs[0]) == pytest.approx(1.8, abs=0.01)
    assert np.ptp(xs[1]) == pytest.approx(0.6, abs=0.01)
    assert np.ptp(shapes[0]["lines"][0][0]) < 20
    assert shapes[0]["points"] == [pytest.approx((x / 1000, y / 1000), abs=0.002)]
    assert remarks == ["Not drawn, context layers without a CRS: 1."]


def test_a_line_without_visits_or_places_still_has_a_page(study):
    bare = study.with_results(
        grades=replace(study.grades, visits=study.grades.visits.iloc[:0]),
        currents=study.currents.iloc[:0],
    )
    told = contents_of(line_explorer.page(bare))
    assert told["months"] == [study.month]
    assert told["layers"][0]["changes"] == []
