"""The page of a line: what it says, what it does in a browser and on paper, and what it says where records lack."""

import base64
import re
import shutil
from html.parser import HTMLParser
from io import BytesIO
from itertools import pairwise
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from browser import SIZES, chromium, opened  # noqa: F401 - the fixture
from folders import LINE, line_folder
from matplotlib.image import imread

from towerlib import assessment, changes
from towerlib.errors import SettingsError
from towerlib.report import summary
from towerlib.text import significant

PAGES = 3  # on A4, of a line with every analysis on
HOSTILE = {
    "script": "<script>document.title='taken'</script>",
    "formula": "=cmd|' /C calc'!A0",
    "quotes": 'O\'Brien "4" & <b>',
    "rtl": "برج ٧",
    "emoji": "🗼 12",
    "endless": "W" * 80,
}
BLANKS = r"(?<![\w-])(nan|NaN|None|NaT|inf|<NA>)(?!\w)"
VOID = {"meta", "link", "img", "br", "wbr"}


class Outline(HTMLParser):
    """Elements of a page in order, whether they close, and its text."""

    def __init__(self, text):
        super().__init__()
        self.elements, self.open, self.text = [], [], []
        self.feed(text)

    def handle_starttag(self, tag, attributes):
        """Keep an element and that it is open."""
        self.elements.append((tag, dict(attributes)))
        if tag not in VOID:
            self.open.append(tag)

    def handle_endtag(self, tag):
        """Close the innermost element: it must be this one."""
        assert self.open.pop() == tag

    def handle_data(self, text):
        """Keep what can be read."""
        if not {"style", "script"} & set(self.open):
            self.text.append(text)

    def all(self, tag):
        """Attributes of every such element."""
        return [attributes for name, attributes in self.elements if name == tag]


def words(text):
    """What stands on a page, in one line with plain blanks."""
    return " ".join(" ".join(Outline(text).text).replace("\u202f", " ").split())


@pytest.fixture(scope="module")
def study():
    return assessment.assess(Path("data/demo") / "quillmere-tolstrand")


@pytest.fixture(scope="module")
def found(study):
    return changes.against_last(study)


@pytest.fixture(scope="module")
def page(study, found):
    return summary.page(study, found)


@pytest.fixture(scope="module")
def written(page, tmp_path_factory):
    path = tmp_path_factory.mktemp("page") / "summary.html"
    path.write_text(page, encoding="utf-8")
    return path


@pytest.fixture(scope="module")
def bare(tmp_path_factory):
    """A line with three towers, two visits, and nothing else."""
    folder = line_folder(tmp_path_factory.mktemp("bare") / "low-moor")
    return assessment.assess(folder)


@pytest.fixture(scope="module")
def hostile(tmp_path_factory):
    cells = ['"' + name.replace('"', '""') + '"' for name in HOSTILE.values()]
    towers = "tower_id,latitude_deg,longitude_deg,leg_count\n"
    towers += "".join(f"{cell},-31,{-20 + 0.003 * place},4\n" for place, cell in enumerate(cells))
    visits = "visit_id,tower_id,date,method,impedance_ohm,leads_missing\n"
    visits += "".join(
        f"v{place},{cell},2026-03-0{place + 1},leg coils,{22 + place},1\n" for place, cell in enumerate(cells)
    )
    title = 'name = "<script>alert(1)</script> \\u202e=1+1 🗼 ' + "W" * 90 + '"\n'
    stations = '[stations]\nfirst = { name = "<img src=x onerror=alert(1)>" }\n'
    folder = line_folder(
        tmp_path_factory.mktemp("hostile") / "low-moor",
        line_toml=LINE + title + stations,
        towers_csv=towers,
        visits_csv=visits,
    )
    return assessment.assess(folder)


def test_the_page_needs_nothing_else(page):
    outline = Outline(page)
    assert outline.open == []
    assert not outline.all("script")
    linked = [
        value
        for _, attributes in outline.elements
        for name, value in attributes.items()
        if name in ("src", "href")
    ]
    assert all(value.startswith(("data:", "#")) for value in linked)
    assert "url(" not in page


def test_every_picture_is_a_picture_with_words(page):
    pictures = Outline(page).all("img")
    assert len(pictures) == 3
    for picture in pictures:
        pixels = imread(BytesIO(base64.b64decode(picture["src"].split(",")[1])), format="png")
        assert np.ptp(pixels[..., :3]) > 0.5
        assert pixels.shape[1] / pixels.shape[0] == pytest.approx(
            int(picture["width"]) / int(picture["height"]), rel=0.02
        )
        assert len(picture["alt"]) > 60


def test_the_page_can_be_read_aloud(page):
    """Landmarks, headings without a leap, tables with captions, header cells with their direction."""
    outline = Outline(page)
    for landmark in ("header", "main", "footer"):
        assert len(outline.all(landmark)) == 1
    levels = [int(tag[1]) for tag, _ in outline.elements if re.fullmatch("h[1-6]", tag)]
    assert levels[0] == 1
    assert levels.count(1) == 1
    assert all(after - before <= 1 for before, after in pairwise(levels))
    assert len(outline.all("caption")) + 1 == len(
        outline.all("table")
    )  # the sign-off has its heading for one
    assert all(header.get("scope") in ("col", "row", "rowgroup") for header in outline.all("th"))
    ids = {attributes["id"] for _, attributes in outline.elements if "id" in attributes}
    for _, attributes in outline.elements:
        assert set(attributes.get("aria-labelledby", "").split()) <= ids
    assert outline.all("html")[0]["lang"] == "en"


def test_the_same_records_give_the_same_bytes(study, found, page):
    assert summary.page(study, found) == page


def test_every_figure_of_the_rates_has_an_interval_or_says_so(page, study):
    told = words(page)
    line = study.outages.line
    for name in ("whole_line", "calibrated", "observed"):
        ends = (line[f"{name}_{end}"] for end in ("low", "high"))
        assert "{}–{}".format(*(significant(end) for end in ends)) in told
    assert "factor of 3.0 to either side" in told
    assert f"{line['avoided_worst_tenth_fraction']:.0%}".replace("%", " %") in told.replace("\xa0", " ")


def test_the_money_of_the_sentence_is_the_rate_times_the_price(study):
    """By hand from the same rate: calibrated trip-outs × cost of one."""
    amount = study.outages.line["calibrated_per_year"] * study.line.plan.cost_per_trip_out
    said = str(summary.headline(study)).replace("\u202f", "").replace("\xa0", " ")
    assert f"about {float(f'{amount:.2g}'):.0f} EUR a year" in said


def test_coverage_adds_up(study):
    rows = {what.split(":")[0].split(",")[0]: int(number) for what, number, _ in summary.covered(study)}
    assert rows["on the line"] == len(study.condition)
    assert rows["tested at least once"] + rows["never tested"] == rows["on the line"]
    assert rows["usable"] == study.condition["footing_ohm"].notna().sum()
    assert rows["overdue"] == (study.retest["reason"] == "overdue").sum()


def test_the_first_ten_are_those_of_the_list(page, study):
    first = study.priority.head(10)
    rows = re.findall(r'<th scope="row"><bdi>([^<]*)</bdi>, ', page)
    assert rows == first["tower_id"].tolist()
    steps = first["next_step"]
    assert steps.str.startswith("Planned: ").any()  # these share the heading of planned treatments
    told = page.replace("&#39;", "'")
    assert all((summary.AS_PLANNED if step.startswith("Planned: ") else step) in told for step in steps)


def test_money_never_buys_more_than_the_next_budget(study):
    levels = summary._levels(study, None)
    rows = summary.bought(study, levels)
    assert [row["level"] for row in rows] == ["do nothing", "low", "middle", "high"]
    avoided = [float(row["avoided"].split()[0]) for row in rows]
    left = [float(row["left"]) for row in rows]
    assert avoided == sorted(avoided)
    assert left == sorted(left, reverse=True)
    assert rows[0]["left"] == f"{study.outages.line['whole_line_per_year']:.2g}"


@pytest.mark.parametrize(("price", "said"), [(1.0, "does not pay"), (1e9, "budget pays by trip-outs alone")])
def test_it_is_told_whether_the_budget_pays_by_trip_outs_alone(study, price, said):
    plan = study.line.plan.model_copy(update={"cost_per_trip_out": price})
    other = SimpleNamespace(line=SimpleNamespace(plan=plan))
    (sentence,) = summary._worth(other, summary._levels(study, None))
    assert said in sentence


def test_grade_is_that_of_the_weakest_figure():
    good, late = (
        summary.Measure("a", 99.0, (95, 85, 70)),
        summary.Measure("b", 69.9, (95, 85, 70)),
    )
    edge, nothing = (
        summary.Measure("c", 85.0, (95, 85, 70)),
        summary.Measure("d", np.nan, (95, 85, 70)),
    )
    assert [part.grade for part in (good, edge, late, nothing)] == ["A", "B", "D", "D"]
    assert summary.overall([good, edge]) == "B"
    assert summary.overall([good, late]) == "D"


def test_grade_of_a_line_without_tests_is_the_lowest(bare):
    assert summary.overall(summary.measures(bare)) == "D"


@pytest.mark.parametrize("way", [(1, 0), (0, 1), (-1, 0), (-3, -4), (1, -1)])
def test_the_strip_lays_the_route_along_the_page(way):
    """A turn keeps lengths and does not mirror: north stays left of east."""
    places = np.linspace(0, 1000, 7)[:, None] * np.array(way, float) + [300.0, -50.0]
    turn, centre = summary.turned(places)
    laid = (places - centre) @ turn.T
    assert np.all(np.diff(laid[:, 0]) > 0)
    assert laid[:, 1] == pytest.approx(0, abs=1e-9)
    assert turn @ turn.T == pytest.approx(np.eye(2))
    assert np.linalg.det(turn) == pytest.approx(1)


def test_missing_analyses_are_told_in_sentences(bare):
    told = words(summary.page(bare))
    for said in (
        "Expected lightning trip-outs: not available.",
        "not screened",
        "No plan",
        "this month was not compared with another one.",
        "Not available: no trip-out rate of this line",
        "line.toml",
    ):
        assert said in told
    assert not re.search(BLANKS, told)
    assert not re.search(r"\(\)|: \.|\.\.|  ", told)


def test_no_blank_value_of_the_tables_shows(page):
    assert not re.search(BLANKS, words(page))


def test_without_flash_density_the_shares_still_stand(tmp_path):
    folder = Path(shutil.copytree("data/demo/quillmere-tolstrand", tmp_path / "quillmere-tolstrand"))
    for name in ("flashes.csv", "outages.csv", "legs.csv", "sweeps.csv"):
        (folder / name).unlink()
    settings = folder / "line.toml"
    text = settings.read_text(encoding="utf-8")
    settings.write_text(text.replace("ground_flash_density = 5.4", ""), encoding="utf-8")
    register = pd.read_csv(folder / "towers.csv", sep=";", dtype="str")
    register.drop(columns="ground_flash_density").to_csv(folder / "towers.csv", sep=";", index=False)
    told = words(summary.page(assessment.assess(tmp_path / folder.name)))
    assert "not available. Relative rates only: no ground flash density." in told
    assert re.search(r"would avoid \d+ % of the modelled trip-outs", told.replace("\xa0", " "))
    assert not re.search(BLANKS, told)


def test_names_stay_text(hostile):
    text = summary.page(hostile)
    outline = Outline(text)
    assert not outline.all("script")
    assert not outline.all("b") or all("onerror" not in attributes for _, attributes in outline.elements)
    assert [image["src"][:5] for image in outline.all("img")] == ["data:"] * 3
    told = " ".join(outline.text)
    for name in HOSTILE.values():
        assert name in told


@pytest.mark.parametrize("width", SIZES)
def test_in_the_browser(chromium, written, width):  # noqa: F811
    with opened(chromium, written, width=width) as seen:
        assert seen.errors == []
        assert seen.left == []
        assert seen.overhang_px() <= 0
        loaded = seen.page.evaluate("[...document.images].map(image => image.naturalWidth)")
        assert all(loaded)


@pytest.mark.parametrize("width", SIZES)
def test_hostile_names_in_the_browser(chromium, hostile, tmp_path, width):  # noqa: F811
    path = summary.write(hostile, tmp_path / "summary.html")
    with opened(chromium, path, width=width) as seen:
        assert seen.errors == []
        assert seen.left == []
        assert seen.overhang_px() <= 0
        assert seen.page.title().startswith("<script>alert(1)</script>")
        assert seen.page.inner_text(f"tbody bdi:text-is({HOSTILE['formula']!r})") == HOSTILE["formula"]


def contrast(one, other):
    """Contrast ratio of two colours (WCAG 2.1, relative luminance and contrast ratio)."""

    def luminance(colour):
        parts = np.array([int(part) for part in re.findall(r"\d+", colour)[:3]]) / 255
        linear = np.where(parts <= 0.03928, parts / 12.92, ((parts + 0.055) / 1.055) ** 2.4)
        return linear @ [0.2126, 0.7152, 0.0722]

    low, high = sorted((luminance(one), luminance(other)))
    return (high + 0.05) / (low + 0.05)


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_text_and_ground_are_far_enough_apart(chromium, written, scheme):  # noqa: F811
    """4.5 to 1 at least: WCAG 2.1, success criterion 1.4.3. Pictures keep a white ground of their own."""
    with opened(chromium, written, scheme=scheme) as seen:
        style = "element => { const s = getComputedStyle(element); return [s.color, s.backgroundColor] }"
        page_ground = seen.page.eval_on_selector("body", style)[1]
        for place in ("body", ".meta", "figcaption", ".answer", ".caution", ".group th", ".group b"):
            ink, ground = seen.page.eval_on_selector(place, style)
            ground = page_ground if ground == "rgba(0, 0, 0, 0)" else ground
            assert contrast(ink, ground) >= 4.5, place
        assert seen.page.eval_on_selector("img", style)[1] == "rgb(255, 255, 255)"
        dark = contrast(page_ground, "rgb(0, 0, 0)") < 2
        assert dark == (scheme == "dark")


def test_wide_parts_are_reached_by_the_keyboard(chromium, written):  # noqa: F811
    with opened(chromium, written, width=390) as seen:
        wide = seen.page.evaluate(
            "[...document.querySelectorAll('*')].filter(e => e.scrollWidth > e.clientWidth + 1 && "
            "getComputedStyle(e).overflowX === 'auto').map(e => [e.tabIndex, e.getAttribute('aria-label')])"
        )
        assert len(wide) >= 3
        assert all(tab == 0 and name for tab, name in wide)


def test_printed_pages(chromium, written):  # noqa: F811
    with opened(chromium, written) as seen:
        pages = seen.printed()
    assert PAGES <= len(pages) <= PAGES + 1  # one more where the machine has wide letters only
    assert "Expected lightning trip-outs" in pages[0]
    assert "Sign-off" in pages[-1]
    assert any("Nothing here is a permit" in " ".join(text.split()) for text in pages)


def test_pdf(written, tmp_path):
    pytest.importorskip("weasyprint", reason="the extra pdf is not installed")
    reader = pytest.importorskip("pypdfium2", reason="pypdfium2 is not installed")
    path = summary.write_pdf(written, tmp_path / "summary.pdf")
    paper = reader.PdfDocument(path)
    assert (
        PAGES <= len(paper) <= PAGES + 1
    )  # wider letters, where the usual fonts are not there, take one more
    assert paper[0].get_size() == pytest.approx((595.3, 841.9), abs=0.5)  # A4: ISO 216, 210 × 297 mm
    assert "Expected lightning trip-outs" in paper[0].get_textpage().get_text_bounded()
    paper.close()


def test_pdf_without_the_extra_is_one_sentence(written, tmp_path, monkeypatch):
    monkeypatch.setitem(__import__("sys").modules, "weasyprint", None)
    with pytest.raises(SettingsError, match=re.escape("towerlib[pdf]")):
        summary.write_pdf(written, tmp_path / "summary.pdf")


def test_what_changed_is_told_with_its_towers(found):
    table = found.table
    found = summary.changed(found)
    kinds = {row["kind"]: row for row in found["rows"]}
    for kind, row in kinds.items():
        assert row["count"] == (table["kind"] == kind).sum() > 0
    assert set(kinds) | set(found["none"].split("; ")) == set(changes.KINDS)


def test_an_outlook_tells_knee_and_tests(study):
    outlook = SimpleNamespace(
        curve=pd.DataFrame({"budget": [0.0, 40000.0], "at_knee": [False, True]}),
        tests=pd.DataFrame({"tower_id": ["012", "013"]}),
    )
    told = (
        " ".join(summary.remarks(study, summary._levels(study, None), outlook))
        .replace("\u202f", "")
        .replace("\xa0", " ")
    )
    assert "near 40000 EUR" in told
    assert "for the plan: tower 012, 013" in told
