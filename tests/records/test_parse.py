"""Numbers, yes or no, and words from a list, as crews write them.

Spellings of numbers come from the Unicode CLDR through Babel, sizes of units from SciPy's constants.
"""

import numpy as np
import pandas as pd
import pytest
from babel.numbers import format_decimal
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import constants

from towerlib.records.numbers import choice, factor, numbers, yes_no

law = settings(max_examples=60, deadline=None)
METHODS = ("leg coils", "no coils", "shield wire lifted")


def text(*cells):
    return pd.Series(cells, dtype="str")


def is_one_of_three(read, cells):
    """Each cell is a value (a bound without number included), a blank or a problem, never two of them."""
    value = read.values.notna() | (read.censored != "")
    problem = read.problem != ""
    blank = ~value & ~problem
    said_nothing = cells.astype("str").fillna("").str.strip() == ""
    assert not (value & problem).any()
    assert not (problem & read.repaired).any()
    assert (blank | ~said_nothing).all()
    assert read.repaired[blank & ~said_nothing].all()  # a word that means blank is reported


# numbers: how people write them


@pytest.mark.parametrize(
    "locale", ["en", "de", "fr", "es", "pt", "pt_PT", "de_CH", "en_IN", "en_ZA", "es_MX", "sv"]
)
@pytest.mark.parametrize("value", [0.5, -3.25, 1234.5, 1234567.25, -0.125, 12345678.5])
def test_number_formats_of_the_cldr(locale, value):
    # source: Unicode CLDR, decimal formats, through Babel
    read = numbers(text(format_decimal(value, locale=locale)), "ohm")
    assert read.values.tolist() == [value]
    assert read.problem.tolist() == [""]


@pytest.mark.parametrize(
    ("cell", "unit", "value"),
    [
        ("3,2 Ohm", "ohm", 3.2),
        ("3.2\u03a9", "ohm", 3.2),
        ("3.2 \u2126", "ohm", 3.2),
        ("1,2 kΩ", "ohm", 1.2 * constants.kilo),
        ("5 mΩ", "ohm", 5 * constants.milli),
        ("5 MΩ", "ohm", 5 * constants.mega),
        ("4.7 Kohm", "ohm", 4.7 * constants.kilo),
        ("0.15 A", "mA", 0.15 / constants.milli),
        ("350mA", "mA", 350.0),
        ("80 µA", "mA", 80 * constants.micro / constants.milli),
        ("80 \u03bcA", "mA", 80 * constants.micro / constants.milli),
        ("120 mV", "V", 120 * constants.milli),
        ("132 kV", "V", 132 * constants.kilo),
        ("164 ft", "m", 164 * constants.foot),
        ("1.2 km", "m", 1.2 * constants.kilo),
        ("850 m", "km", 0.85),
        ("50Hz", "Hz", 50.0),
        ("0,5 kHz", "Hz", 0.5 * constants.kilo),
        ("45°", "deg", 45.0),
        ("45 º", "deg", 45.0),
        ("250 ms", "s", 250 * constants.milli),
        ("12,5 %", "%", 12.5),
        ("120 Ohm·m", "Ω·m", 120.0),
        ("5000 Ω cm", "Ω·m", 5000 * constants.centi),
        ("31 kA", "kA", 31.0),
        ("<0,5 kΩ", "ohm", 0.5 * constants.kilo),
    ],
)
def test_unit_in_the_cell(cell, unit, value):
    # source of the factors: scipy.constants (SI prefixes; international foot)
    read = numbers(text(cell), unit)
    assert read.values[0] == pytest.approx(value, rel=1e-14)
    assert read.repaired[0]


def test_milli_and_mega_differ_by_the_letter_alone():
    # source: BIPM, The International System of Units, 9th edition (2019), table 7: m = 10^-3, M = 10^6
    assert factor("MΩ", "ohm") / factor("mΩ", "ohm") == pytest.approx(1e9)


@pytest.mark.parametrize(
    ("cell", "unit"), [("3 V", "ohm"), ("3 A", "V"), ("3 m", "1"), ("12 ohm", "ohm_m"), ("5 %", "1")]
)
def test_unit_of_another_quantity_is_a_problem(cell, unit):
    read = numbers(text(cell), unit)
    assert read.values.isna().all()
    assert "carries the unit" in read.problem[0]


@pytest.mark.parametrize(
    "cell", ["1 MA", "3 furlongs", "0x1F", "1_000", "True", "yes", "3-4", "12/1", "1,2,3", "3..2", "5 6"]
)
def test_what_is_no_number_is_a_problem(cell):
    read = numbers(text(cell), "ohm")
    assert read.values.isna().all()
    assert read.problem[0].startswith(f"'{cell}' is not a number in ohm; write one number")


@pytest.mark.parametrize("cell", ["inf", "-inf", "Infinity", "1e400", "1e999 kΩ"])
def test_endless_numbers_are_a_problem(cell):
    read = numbers(text(cell), "ohm")
    assert read.values.isna().all()
    assert "not a finite number" in read.problem[0]


@pytest.mark.parametrize(
    ("cell", "value"),
    [
        ("1e3", 1000.0),
        ("1.2E-3", 0.0012),
        ("1,5e3", 1500.0),
        (".5", 0.5),
        (",5", 0.5),
        ("+7", 7.0),
        ("−3,2", -3.2),
    ],
)
def test_exponents_and_signs(cell, value):
    assert numbers(text(cell), "ohm").values.tolist() == [value]


# numbers: thousand or decimal


@pytest.mark.parametrize(
    ("column", "decimal", "values"),
    [
        (["1.234"], None, [1.234]),  # a lone point is a decimal point
        (["1,234"], None, [np.nan]),  # a lone comma may be either
        (["1,234", "1.234"], None, [np.nan, 1.234]),
        (["1,234", "3,2"], None, [1.234, 3.2]),
        (["1.234", "3,2"], None, [1234.0, 3.2]),
        (["1.234", "1.234,5"], None, [1234.0, 1234.5]),
        (["1,234", "3.2"], None, [1234.0, 3.2]),
        (["1,234", "1,234.5"], None, [1234.0, 1234.5]),
        (["1,234", "1,234,567"], None, [1234.0, 1234567.0]),
        (["1,234", "0.234"], None, [1234.0, 0.234]),  # no thousand begins with 0
        (["1,234", "0,234"], None, [1.234, 0.234]),
        (["1,234", "3.2 kΩ"], None, [1234.0, 3200.0]),  # a cell with a unit is evidence too
        (["1,234", "3,2 kΩ"], None, [1.234, 3200.0]),
        (["1,234", "3,2", "3.2"], None, [np.nan, 3.2, 3.2]),  # both marks: nobody decides
        (["1.234", "3,2", "3.2"], None, [np.nan, 3.2, 3.2]),
        (["1,234", "12"], None, [np.nan, 12.0]),
        (["1,234", "1.234"], ",", [1.234, 1234.0]),
        (["1,234", "1.234"], ".", [1234.0, 1.234]),
        (["1,234", "3.25"], ",", [1.234, 3.25]),
        (["1.234", "3.25"], ",", [np.nan, 3.25]),  # the file says comma, the column says point
        (["1,234", "3,25"], ".", [np.nan, 3.25]),
        (["1.234", "3,25"], ".", [1.234, 3.25]),
    ],
)
def test_the_column_or_the_file_decides_thousand_from_decimal(column, decimal, values):
    read = numbers(text(*column), "ohm", decimal=decimal)
    np.testing.assert_array_equal(read.values, values)
    assert (read.problem != "").tolist() == np.isnan(values).tolist()


def test_sentence_of_an_unsettled_comma_names_both_readings():
    problem = numbers(text("1,234"), "ohm").problem[0]
    assert "'1,234' reads as 1.234 or as 1234" in problem
    assert problem.endswith("write 1234 or 1.2340.")
    # both proposals of the sentence can be read, in the same column
    assert numbers(text("1234", "1.2340", "3,2"), "ohm").values.tolist() == [1234.0, 1.234, 3.2]


# numbers: what is reported as repaired, bounds, words


def test_repaired_is_what_took_interpretation():
    column = text("3.2", "12", "3,2", "1.234,5", "3 Ω", "<3", "n/a", "", None)
    assert numbers(column, "ohm").repaired.tolist() == [False, False, *[True] * 5, False, False]
    assert numbers(text("1.234", "3,2"), "ohm").repaired.tolist() == [True, True]  # 1.234 is a thousand there
    in_comma_file = numbers(text("3,2", "12", "1,234", "1.234,5", "3,2 Ω"), "ohm", decimal=",")
    assert in_comma_file.repaired.tolist() == [False, False, False, True, True]


@pytest.mark.parametrize(
    ("cell", "value", "side"),
    [
        ("<0,5", 0.5, "<"),
        ("< 0.5 Ω", 0.5, "<"),
        (">2000", 2000.0, ">"),
        ("≤0.5", 0.5, "<"),
        (">= 1'999", 1999.0, ">"),
    ],
)
def test_bounds(cell, value, side):
    read = numbers(text(cell), "ohm")
    assert (read.values[0], read.censored[0]) == (value, side)


@pytest.mark.parametrize(
    "cell",
    [
        "OL",
        "O.L.",
        "ol",
        ">OL",
        "OL kΩ",
        "Over Range",
        "over-range",
        "over_range",
        "Überlast",
        "hors gamme",
        "out of range Ω",
    ],
)
def test_over_range_words_are_a_bound_without_number(cell):
    read = numbers(text(cell), "ohm")
    assert np.isnan(read.values[0])
    assert (read.censored[0], read.problem[0], read.repaired[0]) == (">", "", True)


@pytest.mark.parametrize(
    "cell",
    [
        "n/a",
        "N.A.",
        "---",
        "—",
        "-",
        "nan",
        "NaN",
        "NULL",
        "None",
        "not measured",
        "nicht gemessen",
        "no medido",
        "n.g.",
    ],
)
def test_not_measured_words_are_blank(cell):
    read = numbers(text(cell), "ohm")
    assert np.isnan(read.values[0])
    assert (read.censored[0], read.problem[0], read.repaired[0]) == ("", "", True)


@pytest.mark.parametrize("cell", ["same as last", "Same", "ditto", '"', "wie vorher", "idem"])
def test_same_as_last_is_never_filled_in(cell):
    read = numbers(text("3.2", cell), "ohm")
    assert np.isnan(read.values[1])
    assert "points to another row" in read.problem[1]


def test_zero_stays_zero():
    assert numbers(text("0", "0,0"), "ohm").values.tolist() == [0.0, 0.0]


# numbers: laws

STYLES = {
    "point": lambda value: f"{value:.2f}",
    "comma": lambda value: f"{value:.2f}".replace(".", ","),
    "English thousands": lambda value: f"{value:,.2f}",
    "German thousands": lambda value: f"{value:,.2f}".translate(str.maketrans(",.", ".,")),
    "spaces": lambda value: f"{value:,.2f}".replace(",", " ").replace(".", ","),
    "no-break spaces": lambda value: f"{value:,.2f}".replace(",", "\u00a0"),
    "thin spaces": lambda value: f"{value:,.2f}".replace(",", "\u2009").replace(".", ","),
    "apostrophes": lambda value: f"{value:,.2f}".replace(",", "'"),
    "minus sign": lambda value: f"{value:.2f}".replace("-", "\u2212"),
    "unit": lambda value: f"{value:.2f} Ohm",
    "exponent": lambda value: f"{value:.15e}",
}


@law
@given(
    st.lists(st.integers(-(10**11), 10**11).map(lambda cents: cents / 100), min_size=1, max_size=5),
    st.sampled_from(sorted(STYLES)),
)
def test_numbers_come_back_as_they_were_written(values, style):
    read = numbers(text(*map(STYLES[style], values)), "ohm")
    np.testing.assert_allclose(read.values, values, rtol=1e-15)


@law
@given(
    st.lists(st.integers(1000, 999_999), min_size=1, max_size=5),
    st.sampled_from([(",", "3.2"), (".", "3,2"), (" ", "3"), ("'", "3")]),
)
def test_whole_thousands_come_back_where_the_column_proves_the_mark(values, mark_and_proof):
    mark, proof = mark_and_proof
    column = text(*(f"{value:,}".replace(",", mark) for value in values), proof)
    assert numbers(column, "ohm").values.tolist()[:-1] == values


PIECES = st.sampled_from(
    [
        "1",
        "234",
        ",",
        ".",
        " ",
        "'",
        "-",
        "−",
        "<",
        ">",
        "e",
        "k",
        "M",
        "Ω",
        "ohm",
        "V",
        "OL",
        "n/a",
        "\u00a0",
        "%",
        "°",
    ]
)
CELLS = st.lists(st.one_of(st.none(), st.text(), st.lists(PIECES, max_size=8).map("".join)), max_size=6)


@law
@given(
    CELLS,
    st.sampled_from(["ohm", "mA", "m", "deg", "%", "1", "Ω·m", "money"]),
    st.sampled_from([None, ",", "."]),
)
def test_any_text_is_a_value_a_blank_or_a_problem(cells, unit, decimal):
    column = pd.Series(cells, dtype="str", index=np.arange(len(cells)) // 2)  # an index with doubles
    before = column.copy()
    read = numbers(column, unit, decimal=decimal)
    is_one_of_three(read, column)
    assert np.isfinite(read.values.dropna()).all()
    for part in (read.values, read.repaired, read.censored, read.problem):
        assert part.index.equals(column.index)
    pd.testing.assert_series_equal(column, before)


@law
@given(CELLS)
def test_plain_cells_agree_with_pandas(cells):
    # reference: pandas.to_numeric, where both see a finite number and no mark is in question
    column = pd.Series(cells, dtype="str")
    reference = pd.to_numeric(column, errors="coerce").astype("float64")
    plain = np.isfinite(reference) & ~column.str.contains(r"[.,]", regex=True, na=False)
    np.testing.assert_allclose(numbers(column, "ohm").values[plain], reference[plain], rtol=1e-15)


def test_no_cells_are_no_readings():
    read = numbers(text(), "ohm")
    assert (len(read.values), read.values.dtype) == (0, "float64")


def test_typed_columns_pass_as_well():
    assert numbers(pd.Series([3.2, None]), "ohm").values.tolist()[0] == 3.2
    assert numbers(pd.Series([3, 4]), "ohm").values.tolist() == [3.0, 4.0]
    assert numbers(pd.Series([True, False]), "ohm").values.isna().all()


# yes or no, words


@pytest.mark.parametrize("cell", ["yes", "Y", "TRUE", "1", "1.0", "ja", "Oui", "si", "sí", "SIM", "x", "✓"])
def test_yes(cell):
    assert yes_no(text(cell)).values.tolist() == [True]


@pytest.mark.parametrize("cell", ["no", "N", "false", "0", "0.0", "Nein", "non", "não", "nao", "falsch"])
def test_no(cell):
    assert yes_no(text(cell)).values.tolist() == [False]


def test_yes_no_refuses_what_is_neither():
    read = yes_no(text("maybe", "2", "ditto", "n/a", "", "yes", "ja"))
    assert read.values.dtype == "boolean"
    assert read.values.isna().tolist() == [True] * 5 + [False] * 2
    assert (read.problem != "").tolist() == [True] * 3 + [False] * 4
    assert read.problem[0].startswith("'maybe' is neither yes nor no")
    assert read.repaired.tolist() == [False, False, False, True, False, False, True]


@pytest.mark.parametrize(
    "cell", ["leg coils", "Leg Coils", "LEG-COILS", "leg_coils", "legcoils", " leg  coils "]
)
def test_choice_overlooks_case_spaces_and_hyphens(cell):
    assert choice(text(cell), METHODS).values.tolist() == ["leg coils"]


def test_choice_takes_the_word_none_where_it_is_an_option():
    corrosion = choice(text("None", "n/a", "light"), ("none", "light", "heavy"))
    assert corrosion.values[0] == "none"
    assert corrosion.values.isna().tolist() == [False, True, False]
    assert corrosion.repaired.tolist() == [True, True, False]


def test_choice_reads_synonyms():
    read = choice(text("earth wire lifted"), METHODS, {"Earth-wire lifted": "shield wire lifted"})
    assert read.values.tolist() == ["shield wire lifted"]
    assert choice(text("none"), ("none", "light"), {"none": "light"}).values.tolist() == ["none"]


def test_choice_does_not_guess_but_lists_the_nearest_first():
    read = choice(text("shieldwire lift"), METHODS)
    assert read.values.isna().all()
    assert read.problem[0].startswith("'shieldwire lift' is not a word of this column")
    listed = read.problem[0].partition("): ")[2].rstrip(".").split(", ")
    assert listed[0] == "shield wire lifted"
    assert sorted(listed) == sorted(METHODS)


@law
@given(CELLS)
def test_any_text_is_a_word_a_blank_or_a_problem(cells):
    column = pd.Series(cells, dtype="str", index=np.arange(len(cells)) // 2)
    for read in (choice(column, METHODS), yes_no(column)):
        is_one_of_three(read, column)
        assert read.problem.index.equals(column.index)


def test_long_cells_are_cut_in_the_sentence():
    problem = numbers(text("x" * 500), "ohm").problem[0]
    assert len(problem) < 200
    assert "…'" in problem
