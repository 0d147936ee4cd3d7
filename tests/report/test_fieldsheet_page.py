"""The page that a crew prints, in a real browser."""

import pytest
from browser import SIZES, chromium, opened  # noqa: F401
from fieldsheet_lines import HOSTILE, HOSTILE_TITLE, along, hostile, known, study, towers, visit

from towerlib import fieldwork
from towerlib.report import fieldsheet
from towerlib.report.cautions import CAUTIONS


def page_of(place, sheet):
    fieldsheet.write(sheet, place)
    return place / "fieldsheet.html"


@pytest.fixture(scope="module")
def names(tmp_path_factory):
    place = hostile(tmp_path_factory.mktemp("names") / "low-moor")
    sheet = fieldwork.prepare(known(place), "all")
    return page_of(place.parent / "out", sheet)


@pytest.fixture(scope="module")
def sound(tmp_path_factory):
    place = tmp_path_factory.mktemp("sound")
    register = towers(along([70.0, 70.0, 95.0]), structure="lattice", access="track", occupancy="remote")
    visits = [visit(str(number), visit_id=f"v{number}", leads_missing=number - 1) for number in (1, 2, 3)]
    return page_of(place / "out", fieldwork.prepare(study(place / "low-moor", register, visits), "all"))


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("width", SIZES)
@pytest.mark.parametrize("which", ["sound", "names"])
def test_the_page_is_quiet_and_fits(chromium, request, which, width, scheme):  # noqa: F811
    with opened(chromium, request.getfixturevalue(which), width=width, scheme=scheme) as seen:
        assert seen.overhang_px() <= 0
        assert seen.errors == []
        assert seen.left == []


def test_names_stay_text(chromium, names):  # noqa: F811
    with opened(chromium, names) as seen:
        assert seen.page.locator("h2 bdi").all_text_contents() == HOSTILE
        assert HOSTILE_TITLE in seen.page.locator("h1").text_content()
        assert seen.page.locator("script, img, iframe").count() == 0
        assert seen.errors == []


def test_each_tower_is_one_printed_page_with_the_cautions(chromium, sound):  # noqa: F811
    with opened(chromium, sound) as seen:
        printed = seen.printed()
    assert len(printed) == 1 + 4
    for number, text in enumerate(printed):
        words = " ".join(text.split())
        assert all(words.count(caution) == 1 for caution in CAUTIONS)
        assert (f"stop {number} of 4" if number else "overview") in words
    assert "Leads were missing or cut here" in " ".join(printed[2].split())


def test_a_long_sheet_repeats_the_cautions_on_every_page(chromium, tmp_path):  # noqa: F811
    register = towers(along([70.0] * 79), ring="yes")
    sheet = fieldwork.prepare(study(tmp_path / "low-moor", register), "all")
    with opened(chromium, page_of(tmp_path / "out", sheet)) as seen:
        printed = seen.printed()
    assert len(printed) >= 2 + 80
    assert all(CAUTIONS[0] in " ".join(text.split()) for text in printed)


def test_every_field_has_its_unit(chromium, sound):  # noqa: F811
    with opened(chromium, sound) as seen:
        fields = seen.page.locator("#stop-1 .field").all_inner_texts()
    told = {text.split("\n")[0].strip(): text.split("\n")[-1].strip() for text in fields}
    assert told["Impedance by that method"] == "Ω"
    assert told["Injected current"] == "mA"
    assert told["Current probe, from the tower"] == "m"
    assert told["Stray voltage, frequency"] == "Hz"
    assert told["Current probe, true direction"] == "°"


def test_places_on_paper_are_those_of_the_table(chromium, tmp_path):  # noqa: F811
    sheet = fieldwork.prepare(study(tmp_path / "low-moor", towers(along([70.0, 70.0]))), "2")
    with opened(chromium, page_of(tmp_path / "out", sheet)) as seen:
        row = seen.page.locator("#stop-1 .probes tbody tr").first.inner_text()
    lay = sheet.probe_layouts.iloc[0]
    assert f"{lay['current_latitude_deg']:.5f}, {lay['current_longitude_deg']:.5f}" in row
    assert f"{lay['potential_latitude_deg']:.5f}, {lay['potential_longitude_deg']:.5f}" in row
    assert "50 m" in row
    assert "31 m" in row
