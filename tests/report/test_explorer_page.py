"""The explorer in a real browser: choosing, linking, months, keys, sizes, and names that stay text."""

import geopandas as gpd
import pytest
from browser import SIZES, chromium, opened  # noqa: F401  (a fixture)
from shapely import box
from test_explorer import HOSTILE, TOWERS, renamed, repeated, study_of

from towerlib.report import line_explorer, map_layers

READY = "document.documentElement.dataset.ready === 'yes'"
SPOT = """([chart, row, x, y]) => {
  const find = (view) => view.model?.name === chart ? view : (view.child_views ?? []).map(find).find(Boolean);
  const view = [...Bokeh.index.roots].map(find).find(Boolean), rect = view.el.getBoundingClientRect();
  const { bbox } = view.frame, source = model.towers.data, frame = model[chart];
  const part = (range, value) => (value - range.start) / (range.end - range.start);
  return [rect.left + bbox.left + bbox.width * part(frame.x_range, source[x][row]),
          rect.top + bbox.bottom - bbox.height * part(frame.y_range, source[y][row])];
}"""


@pytest.fixture(scope="module")
def study(tmp_path_factory):
    return study_of(tmp_path_factory.mktemp("pages") / "start-of-demo")


@pytest.fixture(scope="module")
def path(study, tmp_path_factory):
    path = tmp_path_factory.mktemp("page") / "explorer.html"
    line_explorer.write(study, path)
    return path


@pytest.fixture
def seen(chromium, path):  # noqa: F811
    with opened(chromium, path) as seen:
        seen.page.wait_for_function(READY)
        seen.page.wait_for_timeout(150)
        yield seen
        assert seen.errors == []
        assert seen.left == []


def spot(page, chart, tower):
    """Pixels of a tower in a chart, scrolled into the window."""
    page.locator("#charts").scroll_into_view_if_needed()
    row = page.evaluate("(tower) => model.towers.data.tower.indexOf(tower)", tower)
    x, y = ("x", "y") if chart == "map" else ("along", "height")
    return page.evaluate(SPOT, [chart, row, x, y])


def pixels(page, chart):
    """Picture of one of the two charts."""
    whole = page.locator("#charts").bounding_box()
    high = page.evaluate("model.map.outer_height")
    top = whole["y"] + (0 if chart == "map" else high + 6)
    height = high if chart == "map" else whole["height"] - high - 12
    return page.screenshot(clip={"x": whole["x"], "y": top, "width": whole["width"], "height": height})


@pytest.mark.parametrize(("here", "there"), [("map", "profile"), ("profile", "map")])
def test_a_tap_in_one_chart_shows_in_the_other_and_is_told(seen, study, here, there):
    tower, page = 9, seen.page
    at = spot(page, here, tower)
    before = pixels(page, there)
    page.mouse.click(*at)
    page.wait_for_timeout(150)
    name = study.condition["tower_id"].iloc[tower]
    assert page.inner_text("#chosen-name").replace("\u2068", "").startswith(f"Tower {name}\u2069, km")
    assert page.input_value("#list") == f"tower:{tower}"
    place = page.evaluate("[model.chosen.data.along[0], model.chosen.data.x[0]]")
    assert place[0] == pytest.approx(study.condition["chainage_km"].iloc[tower], abs=0.001)
    assert place[1] == pytest.approx(study.route.towers.geometry.x.iloc[tower] / 1000, abs=0.001)
    page.mouse.move(2, 2)
    page.wait_for_timeout(150)
    assert pixels(page, there) != before


def test_the_pointer_over_the_map_marks_the_tower_in_the_profile(seen):
    page = seen.page
    at = spot(page, "map", 7)
    page.mouse.move(2, 2)
    page.wait_for_timeout(100)
    before = pixels(page, "profile")
    page.mouse.move(*at)
    page.wait_for_timeout(200)
    assert pixels(page, "profile") != before
    page.mouse.move(2, 2)
    page.wait_for_timeout(200)
    assert pixels(page, "profile") == before


def test_a_span_can_be_tapped(seen):
    page = seen.page
    first, second = spot(page, "map", 4), spot(page, "map", 5)
    page.mouse.click((first[0] + second[0]) / 2, (first[1] + second[1]) / 2)
    page.wait_for_timeout(150)
    assert page.inner_text("#chosen-name").startswith("Span")
    assert "Length" in page.inner_text("#evidence")


def test_everything_can_be_reached_with_the_keyboard(seen, study):
    page, names = seen.page, study.condition["tower_id"].tolist()
    reached = []
    page.locator("body").press("Tab")
    while "charts" not in reached and len(reached) < 30:
        reached.append(page.evaluate("document.activeElement.id"))
        page.keyboard.press("Tab")
    wanted = ["layer", "month", "find", "list", "by-rank", "previous", "next", "zoom-in", "whole", "charts"]
    assert [each for each in reached if each in wanted] == wanted
    page.focus("#charts")
    page.keyboard.press("ArrowRight")
    assert f"Tower \u2068{names[0]}\u2069" in page.inner_text("#chosen-name")
    page.keyboard.press("ArrowRight")
    assert f"Tower \u2068{names[1]}\u2069" in page.inner_text("#chosen-name")
    page.keyboard.press("Escape")
    assert page.inner_text("#chosen-name") == "Nothing selected"
    page.focus("#list")
    page.keyboard.press("ArrowDown")
    page.keyboard.press("ArrowDown")
    assert page.evaluate("model.chosen.data.along.length") == 1


def test_the_month_goes_back_to_what_stood_then(seen, study):
    page = seen.page
    page.focus("#month")
    page.keyboard.press("Home")
    first = study.grades.visits["date"].min()
    assert page.inner_text("#month-shown") == f"{first:%Y-%m}"
    read = study.grades.visits[study.grades.visits["date"].dt.to_period("M") == first.to_period("M")]
    tested = page.evaluate(
        "known.towers.name.filter((_, tower) => standing(known.layers[0], tower, state.month)).length"
    )
    assert 0 < tested <= read["tower_id"].nunique()
    page.click("#later")
    later = study.grades.visits["date"].dt.strftime("%Y-%m").sort_values().unique()[1]
    assert page.inner_text("#month-shown") == later


def test_every_layer_has_its_legend_its_words_and_as_many_towers_as_the_line(seen):
    page = seen.page
    for place in range(page.locator("#layer option").count()):
        page.select_option("#layer", str(place))
        text = page.inner_text("#legend")
        counts = page.evaluate(
            "[...document.querySelectorAll('#legend li')].map((each) => each.textContent.match(/\\((\\d+)\\)$/))"
            ".filter(Boolean).map((each) => Number(each[1]))"
        )
        looks = page.evaluate("known.layers[state.layer].looks.length")
        assert sum(counts[:looks]) == TOWERS, text
        assert len(page.inner_text("#meaning")) > 60
        marks = page.evaluate("known.layers[state.layer].looks.map((look) => look.marker)")
        assert len(set(marks)) == len(marks)  # shape alone tells the classes apart


def test_a_search_leaves_the_towers_that_fit(seen, study):
    page = seen.page
    page.fill("#find", study.condition["tower_id"].iloc[-1])
    values = page.evaluate("[...document.querySelectorAll('#list option')].map((each) => each.value)")
    assert f"tower:{TOWERS - 1}" in values
    assert len(values) < TOWERS


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("width", SIZES)
def test_no_page_is_wider_than_its_window(chromium, path, width, scheme):  # noqa: F811
    with opened(chromium, path, width=width, scheme=scheme) as seen:
        seen.page.wait_for_function(READY)
        seen.page.evaluate("choose('tower', 3)")
        seen.page.wait_for_timeout(200)
        assert seen.overhang_px() <= 0
        assert seen.errors == []
        assert seen.left == []


def test_the_map_is_true_to_scale_in_every_window(chromium, path):  # noqa: F811
    with opened(chromium, path, width=1440) as seen:
        seen.page.wait_for_function(READY)
        for width in (1440, 768, 390):
            seen.page.set_viewport_size({"width": width, "height": 900})
            seen.page.wait_for_timeout(400)
            across, up = seen.page.evaluate(
                "['x_range', 'y_range'].map((name, place) => (model.map[name].end - model.map[name].start) /"
                " (place ? model.map.inner_height : model.map.inner_width))"
            )
            assert across == pytest.approx(up, rel=0.01)


def test_hostile_names_stay_text(chromium, study, tmp_path):  # noqa: F811
    names = iter(HOSTILE * 2)
    hostile = renamed(study, lambda tower: f"{next(names)} {tower}")
    line_explorer.write(hostile, tmp_path / "explorer.html")
    with opened(chromium, tmp_path / "explorer.html") as seen:
        page = seen.page
        page.wait_for_function(READY)
        options = page.evaluate("[...document.querySelectorAll('#list optgroup')][0].textContent")
        for tower, name in enumerate(hostile.condition["tower_id"]):
            assert name in options
            page.evaluate("(tower) => choose('tower', tower)", tower)
            assert name in page.text_content("#chosen-name")
            page.mouse.move(*spot(page, "map", tower))
            page.wait_for_timeout(60)
        assert (
            page.evaluate("document.querySelectorAll('#evidence img, #evidence script, h2 img').length") == 0
        )
        assert seen.errors == []
        assert seen.left == []


def test_the_tooltip_shows_a_hostile_name_as_text(chromium, study, tmp_path):  # noqa: F811
    hostile = renamed(study, lambda tower: f"<img src=x onerror=alert(1)><b>{tower}</b>")
    line_explorer.write(hostile, tmp_path / "explorer.html")
    with opened(chromium, tmp_path / "explorer.html") as seen:
        page = seen.page
        page.wait_for_function(READY)
        page.wait_for_timeout(150)
        page.mouse.move(*spot(page, "map", 8))
        page.wait_for_selector("text=<b>")
        assert page.locator("b", has_text="9").count() == 0
        assert seen.errors == []


def test_context_lies_under_the_map_and_in_the_legend(chromium, study, tmp_path, monkeypatch):  # noqa: F811
    middle = study.route.towers.geometry.iloc[5]
    lake = box(middle.x - 800, middle.y - 500, middle.x + 800, middle.y + 500)
    layer = gpd.GeoDataFrame(geometry=[lake], crs=study.route.crs)
    layer.attrs["name"] = "<i>lake</i>"
    monkeypatch.setattr(
        map_layers, "layers", lambda folder: [layer] if folder == study.records.folder else []
    )
    line_explorer.write(study, tmp_path / "explorer.html")
    with opened(chromium, tmp_path / "explorer.html") as seen:
        seen.page.wait_for_function(READY)
        assert "<i>lake</i>" in seen.page.inner_text("#legend")
        first = seen.page.evaluate("model.map.renderers.map((each) => each.glyph.type)[0]")
        assert first == "MultiPolygons"
        assert seen.errors == []


def test_a_long_line_answers(chromium, study, tmp_path):  # noqa: F811
    line_explorer.write(repeated(study, 313), tmp_path / "explorer.html")
    with opened(chromium, tmp_path / "explorer.html") as seen:
        page = seen.page
        page.wait_for_function(READY, timeout=60_000)
        page.select_option("#layer", "1")
        page.focus("#charts")
        page.keyboard.press("ArrowRight")
        assert page.inner_text("#chosen-name").startswith("Tower")
        assert page.locator("#list option").count() > 5000
        assert seen.errors == []


def test_charts_fit_on_paper_and_grow_back(chromium, path):  # noqa: F811
    width = "() => document.getElementById('charts').getBoundingClientRect().width"
    with opened(chromium, path, width=1440) as seen:
        seen.page.wait_for_function(READY)
        before = seen.page.evaluate(width)
        seen.page.evaluate("() => dispatchEvent(new Event('beforeprint'))")
        zoom = seen.page.evaluate("() => +document.getElementById('charts').style.zoom")
        assert zoom * before == pytest.approx(660, abs=0.1)  # A4 between its margins, in pixels of CSS
        seen.page.evaluate("() => dispatchEvent(new Event('afterprint'))")
        assert seen.page.evaluate(width) == before
        assert seen.errors == []
