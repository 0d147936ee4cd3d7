"""Pages over all lines: what they say, in a browser, on paper, with hostile names; and the command that writes them."""

import re
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path
from urllib.parse import unquote

import nbformat
import numpy as np
import pandas as pd
import pytest
from browser import SIZES, chromium, opened  # noqa: F401 - the fixture
from portfolio_lines import line, planned, report
from typer.testing import CliRunner

from towerlib import cli, portfolio
from towerlib.errors import TowerlibError
from towerlib.report import cautions, portfolio_page

HOSTILE = "<script>document.title='taken'</script> =cmd|' /C calc'!A0 O'Brien \"4\" برج ٧ 🗼 $x$ {{ 7*7 }}"
BLANKS = r"(?<![\w-])(nan|NaN|None|NaT|inf|<NA>)(?!\w)"
VOID = {"meta", "link", "img", "br", "wbr"}


class Outline(HTMLParser):
    """Elements of a page, whether they close, its links and its text."""

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
        if "style" not in self.open:
            self.text.append(text)

    def all(self, tag):
        """Attributes of every such element."""
        return [attributes for name, attributes in self.elements if name == tag]


def words(text):
    """What stands on a page, in one line with plain blanks."""
    return " ".join(" ".join(Outline(text).text).replace("\u202f", " ").split())


def lines():
    """Four lines: two with plans, one without any rate or price, one with a hostile name."""
    unknown = dict.fromkeys(("avoided_to_target_per_year", "avoided_low", "avoided_high"), np.nan)
    return [
        line("rich", (1.0, 0.1), title="Rich moor 132 kV", budget=20000.0, changed={"works": planned(1, 1)}),
        line("poor", (0.5, 0.4), budget=10000.0, changed={"works": planned(1, 0)}),
        line("bare", (np.nan,), (np.nan,), budget=np.nan, **unknown),
        line(
            "sly",
            (0.2,),
            (10.0,),
            title=HOSTILE,
            calibrated_per_year=1.0,
            calibrated_low=0.5,
            calibrated_high=2.0,
        ),
    ]


@pytest.fixture(scope="module")
def reports(tmp_path_factory):
    place = tmp_path_factory.mktemp("reports")
    for each in lines():
        folder = report(each, place)
        for name in ("summary.html", "priority-list.xlsx"):
            (folder / name).write_text(name)
    (place / "rich" / "2026-06" / "explorer.html").write_text("explorer")
    report(replace(lines()[0], folder="old & <b>"), place, "2026-05")
    portfolio_page.write(portfolio.gather(place, "2026-06"), place)
    return place


@pytest.fixture(scope="module")
def pages(reports):
    return [reports / "2026-06" / "portfolio.html", reports / "index.html"]


def test_pages_need_nothing_else(pages):
    for path in pages:
        text = path.read_text(encoding="utf-8")
        outline = Outline(text)
        assert outline.open == []
        assert not outline.all("script")
        for source in [each.get("src", "") for each in outline.all("img")]:
            assert source.startswith("data:")
        assert not re.search(BLANKS, words(text))
        assert not any(re.match(r"(\w+:|/)", each["href"]) for each in outline.all("a"))
        for caution in cautions.CAUTIONS:
            assert caution in words(text)


def test_links_resolve_to_what_is_there(pages, reports):
    found = set()
    for path in pages:
        for link in Outline(path.read_text(encoding="utf-8")).all("a"):
            if not link["href"].startswith("#"):
                target = (path.parent / unquote(link["href"])).resolve()
                assert target.is_file(), link
                found.add(target.relative_to(reports).as_posix())
    wanted = {f"{name}/2026-06/summary.html" for name in ("rich", "poor", "bare", "sly")}
    assert wanted | {"index.html", "2026-06/portfolio.html", "rich/2026-06/explorer.html"} <= found
    assert "poor/2026-06/explorer.html" not in found


def test_the_page_tells_sums_split_and_what_is_missing(pages):
    text = words(pages[0].read_text(encoding="utf-8"))
    assert "old & <b> : No report for 2026-06; the newest is 2026-05." in text
    # By hand: 2 + 2 + 2 avoidable, ends 3 and 9; towers 2 + 2 + 1 + 1.
    assert "Avoidable lightning trip-outs: 6.0 a year (80 % interval 3.0–9.0), 33 % of them" in text.replace(
        "\xa0", " "
    )
    assert "of 6 towers, 40.0 km" in text
    assert "bare is not in the split: its treatments have no price." in text
    assert "All lines in the split 30 000" in text


def test_hostile_names_stay_text(pages, chromium):  # noqa: F811
    assert "<script>" not in pages[0].read_text(encoding="utf-8")
    with opened(chromium, pages[0]) as seen:
        assert seen.page.title() == "All lines – earthing in 2026-06"
        assert HOSTILE in seen.page.locator("section:has(#lines) tbody").inner_text()
        assert seen.errors == []
    with opened(chromium, pages[1]) as seen:
        assert "old & <b>" in seen.page.locator("main").inner_text()


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("width", SIZES)
def test_pages_fit_every_window_and_ask_for_nothing(pages, chromium, width, scheme):  # noqa: F811
    for path in pages:
        with opened(chromium, path, width=width, scheme=scheme) as seen:
            assert seen.overhang_px() <= 0
            assert (seen.errors, seen.left) == ([], [])
            assert seen.page.evaluate(
                "[...document.images].every(each => each.naturalWidth > 0 && each.alt.length > 20)"
            )


def test_every_link_is_reached_by_the_keyboard_and_says_where_it_goes(pages, chromium):  # noqa: F811
    with opened(chromium, pages[0]) as seen:
        names = set()
        for _ in range(40):
            seen.page.keyboard.press("Tab")
            names.add(
                seen.page.evaluate("document.activeElement.ariaLabel || document.activeElement.innerText")
            )
    assert {
        "To the page",
        "All reports",
        "summary of Rich moor 132 kV",
        "explorer of Rich moor 132 kV",
    } <= names


def test_the_page_prints_on_a4(pages, chromium):  # noqa: F811
    with opened(chromium, pages[0]) as seen:
        paper = seen.printed()
    assert len(paper) <= 4
    assert "Sign-off" in paper[-1]
    assert "permit" in paper[0]


def test_one_line_of_one_month_has_a_page(tmp_path):
    only = line("only", (np.nan,), (np.nan,), avoided_to_target_per_year=np.nan)
    report(replace(only, coverage=only.coverage.tail(1)), tmp_path)
    paths = portfolio_page.write(portfolio.gather(tmp_path), tmp_path)
    text = words(paths[0].read_text(encoding="utf-8"))
    assert "No trip-out rate is known on any of these lines." in text
    assert "There is only one month to show." in text
    assert not re.search(BLANKS, text)


def test_a_half_written_page_leaves_the_page_of_before(tmp_path, monkeypatch):
    for each in lines()[:2]:
        report(each, tmp_path)
    found = portfolio.gather(tmp_path)
    before = {path: path.read_bytes() for path in portfolio_page.write(found, tmp_path)}
    write = Path.write_bytes

    def cut_short(path, content):
        write(path, content[:10])
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(Path, "write_bytes", cut_short)
    with pytest.raises(TowerlibError, match="No space left on device"):
        portfolio_page.write(found, tmp_path)
    assert {path: path.read_bytes() for path in before} == before
    assert not list(tmp_path.rglob(".*"))


def test_the_same_reports_give_the_same_page(reports):
    found = portfolio.gather(reports, "2026-06")
    assert portfolio_page.page_html(found, reports) == portfolio_page.page_html(found, reports)


def test_years_of_the_split_are_told():
    told = portfolio_page.years(portfolio.split(lines()[:2]))
    wanted = "Year 1: 4 towers in 2 mobilisations, 40.0 of 30 000 EUR, 4.0 crew-weeks."
    assert [" ".join(each.replace("\u202f", " ").split()) for each in told] == [wanted]


def test_bars_stand_at_what_the_lines_could_avoid():
    found = portfolio.together([*lines()[:2], line("third", avoided_to_target_per_year=5.0)], "2026-06")
    axes = portfolio_page.avoidable(found.lines).axes[0]
    assert [bar.get_width() for bar in axes.patches] == [5.0, 2.0, 2.0]
    assert [label.get_text() for label in axes.get_yticklabels()] == ["third", "poor", "Rich moor 132 kV"]
    drawn = portfolio_page.reach(found.coverage).axes[0].lines[0]
    assert np.asarray(drawn.get_ydata()).tolist() == found.coverage["usable_percent"].tolist()


def command(*asked):
    """The command's exit status and everything it said, as `main` would end it."""
    result = CliRunner().invoke(cli.app, [str(word) for word in asked])
    if isinstance(result.exception, TowerlibError):
        return 2, str(result.exception)
    assert result.exception is None or isinstance(result.exception, SystemExit), result.exception
    return result.exit_code, result.output


def test_the_command_writes_notebook_page_and_index(tmp_path):
    for each in lines()[:2]:
        report(each, tmp_path)
    status, said = command("portfolio", tmp_path, "--budget", "25")
    assert status == 0
    assert "would avoid" in said
    book = nbformat.read(tmp_path / "2026-06" / "portfolio.ipynb", as_version=4)
    outputs = "".join(out.get("text", "") for cell in book.cells for out in cell.get("outputs", []))
    assert "rich" in outputs
    assert "One budget of 25 EUR would avoid" in (tmp_path / "2026-06" / "portfolio.html").read_text(
        encoding="utf-8"
    ).replace("\u00a0", " ")
    assert (tmp_path / "index.html").is_file()
    assert not list(tmp_path.glob(".*"))


@pytest.mark.parametrize(
    ("asked", "sentence"),
    [
        (["nowhere"], "is not a folder"),
        (["."], "contains no report of a line"),
        ([".", "--month", "2026-13"], "is not a month"),
    ],
)
def test_wrong_input_is_one_sentence_and_status_2(tmp_path, monkeypatch, asked, sentence):
    monkeypatch.chdir(tmp_path)
    status, said = command("portfolio", *asked)
    assert status == 2
    assert sentence in said


def test_answer_names_what_is_missing(reports):
    said = portfolio_page.answer(portfolio.gather(reports, "2026-06"))
    assert "old & <b> (no report for 2026-06; the newest is 2026-05)" in said
    assert "Safety, not traded against cost: 4 towers" in said
    assert pd.isna(portfolio.gather(reports, "2026-06").lines["rank_trip_outs"].iloc[-1])
