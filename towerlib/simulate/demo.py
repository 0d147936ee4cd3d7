"""The demo lines, one of them as three crews might type it. All names and numbers are invented."""

from __future__ import annotations

import datetime
import tomllib
from importlib.resources import files
from pathlib import Path
from typing import TYPE_CHECKING, Any, cast

import numpy as np
import pandas as pd

from towerlib.safe_files import shipped_rows
from towerlib.simulate.lines import simulate_line
from towerlib.simulate.specs import Campaign, Drive, Ground, LineSpec, Planted, Route

if TYPE_CHECKING:
    from os import PathLike


SEED = 20260701


def write_demo(folder: str | PathLike[str]) -> list[Path]:
    """Write the demo lines: three in clean files, a fourth with the formatting quirks of three crews.

    Returns the line folders, with the planted truth in ``truth.csv`` and ``truth-visits.csv``.
    """
    clean = [write(spec, simulate_line(spec, SEED), folder) for spec in demo_lines()]
    spec = messy_line()
    return [*clean, write_mess(spec, simulate_line(spec, SEED), folder)]


def write(spec: LineSpec, tables: dict[str, pd.DataFrame], folder: str | PathLike[str]) -> Path:
    """Write the tables of one line into its own folder below `folder`; existing files are overwritten."""
    place = Path(folder) / spec.line_id
    place.mkdir(parents=True, exist_ok=True)
    (place / "line.toml").write_text(spec.settings, encoding="utf-8", newline="\n")
    for name, table in tables.items():
        for part, rows in _parts(spec, name, table):
            path = place / f"{part}.csv"
            path.parent.mkdir(exist_ok=True)
            _write_table(rows, path, spec.separator)
    return place


def _parts(spec, name, table):
    """Files of a table: one, or for split visits one per crew and month."""
    if name != "visits" or not spec.split_visits:
        return [(name, table)]
    month = table["date"].dt.strftime("%Y-%m")
    return list(table.groupby("visits/" + month + "-crew-" + table["crew"].str.lower()))


def _write_table(table, path, separator):
    """Write a CSV with plain numbers and dates, identical on every system."""
    table.to_csv(
        path,
        sep=separator,
        index=False,
        encoding="utf-8",
        lineterminator="\n",
        float_format="%.10g",
        date_format="%Y-%m-%d",
    )


def demo_lines() -> tuple[LineSpec, ...]:
    """Specifications of the three clean demo lines."""
    return quillmere_tolstrand(), brackwater_stonefell(), stonefell_ambermoss()


def quillmere_tolstrand() -> LineSpec:
    """Short 66 kV line with many angles and a steel shield wire; files with ``;``."""
    return _spec("quillmere-tolstrand")


def brackwater_stonefell() -> LineSpec:
    """Single 132 kV line with one shield wire that is broken in one span since 2023."""
    return _spec("brackwater-stonefell")


def stonefell_ambermoss() -> LineSpec:
    """Long 400 kV line with two shield wires across the border of two UTM zones; visits in several files."""
    return _spec("stonefell-ambermoss")


def messy_line() -> LineSpec:
    """Short 110 kV line whose records arrive in the formats of three crews."""
    return _spec("ambermoss-harrowmere")


def _spec(line_id: str) -> LineSpec:
    """Specification of a line from ``lines.toml``, and the text of its own ``line.toml``."""
    here = files("towerlib.simulate")
    spec: dict[str, Any] = _tuples(
        tomllib.loads(here.joinpath("lines.toml").read_text(encoding="utf-8"))[line_id]
    )
    parts = {
        "route": Route(**spec.pop("route")),
        "ground": Ground(**spec.pop("ground")),
        "drive": Drive(**spec.pop("drive")),
        "planted": Planted(**{"open_span": None} | spec.pop("planted")),
        "campaigns": tuple(Campaign(*each) for each in spec.pop("campaigns")),
    }
    settings = here.joinpath(f"{line_id}.toml").read_text(encoding="utf-8")
    return LineSpec(line_id=line_id, settings=settings, **parts, **spec)


def _tuples(part: Any) -> Any:
    """Part of a TOML file with tuples in place of lists."""
    if isinstance(part, dict):
        return {key: _tuples(value) for key, value in part.items()}
    return tuple(map(_tuples, part)) if isinstance(part, list) else part


_HEADERS = shipped_rows("towerlib.simulate", "headers.csv")  # blank where a crew has no such column
# In Windows-1252, which has no Ω.
GERMAN = {row["column"]: row["crew_a"] for row in _HEADERS if row["crew_a"]}
GERMAN_WORDS = {
    "yes": "ja", "no": "nein", "dry": "trocken", "wet": "nass", "leg coils": "mit Spulen", "no coils": "ohne Spulen",
    "none": "keine", "light": "leicht", "heavy": "stark", "sound": "in Ordnung", "damaged": "beschädigt",
    "missing": "fehlt", "not seen": "nicht gesehen", "shield wire lifted": "Erdseil abgehoben",
}  # fmt: skip
# Crew B has a row of units.
SHEET = {row["column"]: (row["crew_b"], row["crew_b_unit"]) for row in _HEADERS if row["crew_b"]}
# The "Value" of crew C is named in line.toml.
PLAIN = {row["column"]: row["crew_c"] for row in _HEADERS if row["crew_c"]}
FOOT_M = 0.3048
CREATED = datetime.datetime(2026, 6, 30)  # fixed, so that the same tables give the same workbook
TITLE = (
    "Farrowmark Grid - earthing tests",
    "Crew B, June 2026. Fill in one row a visit; units are in row 5.",
)


def write_mess(spec: LineSpec, tables: dict[str, pd.DataFrame], folder: str | PathLike[str]) -> Path:
    """Write the tables of one line with the formatting quirks of the crews A, B and C; its folder."""
    place = Path(folder) / spec.line_id
    for folder in (place / "visits", place / "legs"):
        folder.mkdir(parents=True, exist_ok=True)
    (place / "line.toml").write_text(spec.settings, encoding="utf-8", newline="\n")
    for name in ("sweeps", "soil", "outages", "flashes", "works", "prices", "truth", "truth-visits"):
        _write_table(tables[name], place / f"{name}.csv", ",")
    _write_table(_register(tables["towers"]), place / "towers.csv", ",")
    visits, legs = tables["visits"], tables["legs"]
    for (month, crew), part in cast("Any", visits).groupby(
        [visits["date"].dt.strftime("%Y-%m"), visits["crew"]]
    ):
        stem = f"{month}-crew-{crew.lower()}"
        own = legs[legs["visit_id"].isin(part["visit_id"])]
        {"A": _crew_a, "B": _crew_b, "C": _crew_c}[crew](part.reset_index(drop=True), own, place, stem)
    return place


def _register(towers):
    """Office register with flaws: degrees and minutes at the last towers, one swap, one lost sign, one lost position."""
    latitude, longitude = (towers[name].map("{:.6f}".format) for name in ("latitude_deg", "longitude_deg"))
    for place in range(len(towers) - 6, len(towers)):
        latitude[place] = minutes(towers["latitude_deg"][place], "NS")
        longitude[place] = minutes(towers["longitude_deg"][place], "EW")
    latitude[4], longitude[4] = longitude[4], latitude[4]
    latitude[9] = latitude[9].lstrip("-")
    latitude[18], longitude[18] = "0", "0"
    return towers.assign(latitude_deg=latitude, longitude_deg=longitude)


def minutes(angle: float, letters: str) -> str:
    """Angle in degrees and minutes to a thousandth (2 m), with the letter of the hemisphere."""
    whole, minutes = divmod(round(abs(angle) * 60, 3), 60)
    return f"{whole:.0f}° {minutes:.3f}' {letters[0] if angle > 0 else letters[1]}"


def _crew_a(visits, legs, place, stem):
    """Crew A: Windows-1252, semicolons, decimal commas, a title, a sum under each visit's legs."""
    table = german(visits)
    if stem.startswith("2026"):
        table.loc[3, "Erdungsimpedanz [Ohm]"] = "siehe Bemerkung"
        table.loc[6, "Prüfdatum"] = "31.06.2026"
        table.loc[9, "Erdungsimpedanz [Ohm]"] = "nicht gemessen"
        table.loc[11, "Mast Nr."] = "Mast 99"
    _write_german(table, place / "visits" / f"{stem}.csv", f"Prüfprotokoll Ambermoss-Harrowmere {stem[:7]}")
    sums = (
        legs.groupby("visit_id", as_index=False)["leakage_ma"].sum().assign(leg="Summe")
        if "2026" in stem
        else legs[:0]
    )
    both = pd.concat([legs, sums]).sort_values("visit_id", kind="stable", ignore_index=True)
    headers = {
        "visit_id": "Prüfnummer",
        "leg": "Eckstiel",
        "leakage_ma": "Ableitstrom [mA]",
        "coil_turns": "Windungen",
    }
    _write_german(german(both, headers), place / "legs" / f"{stem}.csv", "")


def german(visits: pd.DataFrame, headers: dict[str, str] = GERMAN) -> pd.DataFrame:
    """Visits in the format of crew A, as text: German words and headers, decimal commas, points between thousands."""
    return pd.DataFrame(
        {headers[name]: visits[name].map(_german, na_action="ignore") for name in headers}
    ).astype("str")


def _german(cell):
    """One cell in German."""
    if isinstance(cell, datetime.date):
        return f"{cell:%d.%m.%Y}"
    if isinstance(cell, str):
        return GERMAN_WORDS.get(cell, cell)
    if abs(cell) >= 1000 and cell == round(cell):
        return f"{cell:,.0f}".replace(",", ".")
    return f"{cell:.10g}".replace(".", ",")


def _write_german(table, path, title):
    """Write a German file, optionally with a title and a blank row above the header."""
    text = table.to_csv(sep=";", index=False, lineterminator="\r\n")
    head = f"{title}\r\n\r\n" if title else ""
    path.write_bytes((head + text).encode("cp1252"))


def _crew_b(visits, legs, place, stem):
    """Crew B: a workbook with titles, a row of units, one column per leg, a row of means and a sheet of instructions."""
    header, units, rows = sheet(visits, legs)
    value = header.index("Impedance")
    rows[2][value] = "OL"
    rows[5][header.index("Date")] = None
    mean: list[Any] = [None] * len(header)
    mean[0], mean[value] = "Mean", float(round(visits["impedance_ohm"].mean(), 1))
    with pd.ExcelWriter(place / "visits" / f"{stem}.xlsx", engine="xlsxwriter") as writer:
        book = writer.book
        book.set_properties({"created": CREATED})
        _notes(book.add_worksheet("Instructions"))
        page, day = book.add_worksheet("June"), book.add_format({"num_format": "dd/mm/yyyy"})
        page.merge_range(0, 0, 0, 5, TITLE[0])
        page.write_string(1, 0, TITLE[1])
        for row, cells in enumerate([header, units, *rows, mean], start=3):
            _write_row(page, row, cells, day)


def sheet(visits: pd.DataFrame, legs: pd.DataFrame) -> tuple[list[str], list[str], list[list[Any]]]:
    """Visits in the format of crew B: one row per visit, one column per leg, probe resistances in kΩ.

    Header, row of units, and rows with numbers, dates and text; None where blank.
    """
    wide = legs.pivot(index="visit_id", columns="leg", values="leakage_ma").reindex(visits["visit_id"])
    kilo = visits.assign(
        **{name: visits[name] / 1000 for name in ("potential_probe_ohm", "current_probe_ohm")}
    )
    kilo = kilo.assign(tower_id=[int(name) if name.isdigit() else name for name in visits["tower_id"]])
    both = pd.concat([kilo[list(SHEET)].reset_index(drop=True), wide.reset_index(drop=True)], axis=1).astype(
        object
    )
    header = [text for text, _ in SHEET.values()] + [f"I leg {leg}" for leg in wide]
    units = [unit for _, unit in SHEET.values()] + ["mA"] * wide.shape[1]
    return header, units, both.where(both.notna(), None).to_numpy().tolist()


def _notes(page):
    """Fill a sheet without a table."""
    for row, text in enumerate(
        ("Coils round all legs before the first reading.", "Hand in the workbook on Friday.")
    ):
        page.write_string(row, 0, text)


def _write_row(page, row, cells, day):
    """Write one row of a workbook; numeric tower names become numbers, as when typed."""
    for column, cell in enumerate(cells):
        if isinstance(cell, datetime.date):
            page.write_datetime(row, column, cell, day)
        elif isinstance(cell, str) and cell:
            page.write_string(row, column, cell)
        elif isinstance(cell, int | float):
            page.write_number(row, column, cell)


def _crew_c(visits, legs, place, stem):
    """Crew C: month first, feet, amperes, own spellings; some rows cannot be repaired, the last rows are duplicated."""
    table = plain(visits)
    table.loc[1, "Lat"], table.loc[1, "Long"] = "0", "0"
    table.loc[2, "Structure No"] = "12 or 12A"
    table.loc[4, "Value"] = "same as last"
    table.loc[6, "Value"] = ">2000"
    table.loc[7, "Resistance without coils"] = "n/a"
    table.loc[8, "Value"] = table.loc[8, "Value"].removesuffix(" ohm") + " V"
    lines = table.to_csv(index=False, lineterminator="\n").splitlines()
    lines[6] += ", gate locked, key with farmer"  # commas without quotation marks
    (place / "visits" / f"{stem}.csv").write_text("\n".join(lines) + "\n", encoding="utf-8-sig", newline="\n")
    again = [lines[0], *lines[-3:]]
    (place / "visits" / f"{stem} (2).csv").write_text(
        "\n".join(again) + "\n", encoding="utf-8-sig", newline="\n"
    )
    named = legs.assign(leg="leg " + legs["leg"].str.lower())[["visit_id", "leg", "leakage_ma"]]
    headers = {"visit_id": "Record No", "leg": "Leg", "leakage_ma": "I (mA)"}
    text = named.rename(columns=headers).to_csv(index=False, lineterminator="\n", float_format="%.10g")
    (place / "legs" / f"{stem}.csv").write_text(text, encoding="utf-8", newline="\n")


def plain(visits: pd.DataFrame) -> pd.DataFrame:
    """Visits in the format of crew C, as text: month first, amperes, feet, units in cells, degrees and minutes."""
    feet = {
        name: np.round(visits[name] / FOOT_M, 1)
        for name in ("potential_probe_distance_m", "current_probe_distance_m")
    }
    amperes = {name: visits[name] / 1000 for name in ("injected_ma", "legs_ma")}
    shown = visits.assign(**feet, **amperes)[list(PLAIN)].map(_plain, na_action="ignore")
    return shown.assign(
        impedance_ohm=_with(shown["impedance_ohm"], " ohm"),
        leakage_total_ma=_with(shown["leakage_total_ma"], " mA"),
        latitude_deg=[minutes(angle, "NS") for angle in visits["latitude_deg"]],
        longitude_deg=[minutes(angle, "EW") for angle in visits["longitude_deg"]],
        tower_id=[_structure(name, place) for place, name in enumerate(visits["tower_id"])],
    ).rename(columns=PLAIN)


def _plain(cell):
    """One cell with the month first."""
    if isinstance(cell, datetime.date):
        return f"{cell:%m/%d/%Y}"
    return cell if isinstance(cell, str) else f"{cell:.10g}"


def _with(cells, unit):
    """Every third cell with its unit."""
    return [
        cell + unit if isinstance(cell, str) and place % 3 == 0 else cell for place, cell in enumerate(cells)
    ]


def _structure(name, place):
    """Tower name in one of four spellings."""
    bare = name.lstrip("0")
    return (f"T-{bare}", f"Twr {name}", bare.lower(), f"No. {bare}")[place % 4]
