"""A fourth line of the demo: as its crews really sent it, with what no reader can mend."""

import datetime
from pathlib import Path

import pandas as pd

from towerlib.simulate.habits import german, minutes, plain, sheet
from towerlib.simulate.specs import Campaign, Drive, Ground, LineSpec, Planted, Route

CREATED = datetime.datetime(2026, 6, 30)  # fixed, so that the same tables give the same workbook
TITLE = (
    "Farrowmark Grid - earthing tests",
    "Crew B, June 2026. Fill in one row a visit; units are in row 5.",
)


def ambermoss_harrowmere(settings):
    """Short 110 kV line whose records come in as crews type them.

    Parameters
    ----------
    settings : str
        Text of its ``line.toml``.

    Returns
    -------
    LineSpec
    """
    return LineSpec(
        line_id="ambermoss-harrowmere",
        prefix="AH",
        settings=settings,
        route=Route(
            latitude_deg=-32.1061,
            longitude_deg=-17.5942,
            sections=((64, 9), (88, 8), (47, 9)),
            span_m=290.0,
            names="padded",
        ),
        ground=Ground(resistivity_ohm_m=300.0, spread=0.75, leg_spacing_m=5.0, ring_share=0.08),
        drive=Drive(forced_a=7.0, unevenness=0.10),
        planted=Planted(2, 1, 1, 1, None, treated=1, untested=1),
        campaigns=(
            Campaign("2023-09-11", "dry", 0.9, 0.30, "A"),
            Campaign("2026-05-11", "normal", 1.0, 0.0, "A"),
            Campaign("2026-06-08", "normal", 1.0, 0.0, "BC"),
        ),
    )


def write_messy(spec, tables, place, write_table):
    """Write a line folder of three crews' files.

    Parameters
    ----------
    spec : LineSpec
        From `ambermoss_harrowmere`.
    tables : dict of str to DataFrame
        From `simulate_line`: what the crews found.
    place : path
        The line folder.
    write_table : callable
        Writes (table, path, separator) as a plain CSV.
    """
    place = Path(place)
    for folder in (place / "visits", place / "legs"):
        folder.mkdir(parents=True, exist_ok=True)
    (place / "line.toml").write_text(spec.settings, encoding="utf-8", newline="\n")
    for name in ("sweeps", "soil", "outages", "flashes", "works", "prices", "truth", "truth-visits"):
        write_table(tables[name], place / f"{name}.csv", ",")
    write_table(_register(tables["towers"]), place / "towers.csv", ",")
    visits, legs = tables["visits"], tables["legs"]
    for (month, crew), part in visits.groupby([visits["date"].dt.strftime("%Y-%m"), visits["crew"]]):
        stem = f"{month}-crew-{crew.lower()}"
        own = legs[legs["visit_id"].isin(part["visit_id"])]
        {"A": _crew_a, "B": _crew_b, "C": _crew_c}[crew](part.reset_index(drop=True), own, place, stem)


def _register(towers):
    """The office's register: the last towers in degrees and minutes, one swapped, one without its sign, one lost."""
    latitude, longitude = (towers[name].map("{:.6f}".format) for name in ("latitude_deg", "longitude_deg"))
    for place in range(len(towers) - 6, len(towers)):
        latitude[place] = minutes(towers["latitude_deg"][place], "NS")
        longitude[place] = minutes(towers["longitude_deg"][place], "EW")
    latitude[4], longitude[4] = longitude[4], latitude[4]
    latitude[9] = latitude[9].lstrip("-")
    latitude[18], longitude[18] = "0", "0"
    return towers.assign(latitude_deg=latitude, longitude_deg=longitude)


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
        "coil_turns_worn": "Windungen",
    }
    _write_german(german(both, headers), place / "legs" / f"{stem}.csv", "")


def _write_german(table, path, title):
    """A German file, with a title and a blank row above the header."""
    text = table.to_csv(sep=";", index=False, lineterminator="\r\n")
    head = f"{title}\r\n\r\n" if title else ""
    path.write_bytes((head + text).encode("cp1252"))


def _crew_b(visits, legs, place, stem):
    """Crew B: a workbook with titles, a row of units, a column a leg, a row of means and a sheet of instructions."""
    header, units, rows = sheet(visits, legs)
    value = header.index("Impedance")
    rows[2][value] = "OL"
    rows[5][header.index("Date")] = None
    mean = [None] * len(header)
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


def _notes(page):
    """A sheet that is no table."""
    for row, text in enumerate(
        ("Coils round all legs before the first reading.", "Hand in the workbook on Friday.")
    ):
        page.write_string(row, 0, text)


def _write_row(page, row, cells, day):
    """One row of a workbook; a tower that looks like a number becomes one, as when somebody types it."""
    for column, cell in enumerate(cells):
        if isinstance(cell, datetime.date):
            page.write_datetime(row, column, cell, day)
        elif isinstance(cell, str) and cell:
            page.write_string(row, column, cell)
        elif isinstance(cell, int | float):
            page.write_number(row, column, cell)


def _crew_c(visits, legs, place, stem):
    """Crew C: month first, feet, amperes, spellings of their own; some rows are past mending, the end came twice."""
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
