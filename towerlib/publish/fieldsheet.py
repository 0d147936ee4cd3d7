"""The files that a crew takes along: a page to print, waypoints for a handheld, tables to fill in."""

from functools import cache
from importlib.resources import files
from pathlib import Path

from towerlib import assessment, atomic, fieldwork, months
from towerlib.errors import SettingsError
from towerlib.fieldwork import selection, writing
from towerlib.fieldwork.returns import armoured
from towerlib.publish import cautions, context, fieldsheet_points, fieldsheet_sketch
from towerlib.publish.workbook import harmless

NAMES = ("fieldsheet.html", "fieldsheet.gpx", "fieldsheet.geojson", "visits.csv", "legs.csv")
SWEEP_ROWS = 4  # on paper, or as many as there are legs; a whole sweep is better saved by the instrument


def write_for(folder, out=None, *, towers="", month="", from_km=None, to_km=None):
    """Assess a line and write the field sheet for some of its towers.

    Parameters
    ----------
    folder : path
        Line folder; layers of its folder ``context`` are kept clear of.
    out : path, optional
        Where the files go; else ``reports/<line id>/fieldsheet/<month>/``.
    towers : str
        As for `towerlib.fieldwork.selection.choose`.
    month : str
        ``YYYY-MM``; blank takes the month of the newest visit.
    from_km, to_km : float, optional
        Stretch of chainage [km].

    Returns
    -------
    (FieldSheet, list of pathlib.Path)

    Raises
    ------
    RecordsError, SettingsError
        In one sentence; then nothing was written.
    """
    selection.check_stretch(from_km, to_km)
    if month:
        months.last_day(month)
    folder = Path(folder).resolve()
    study = assessment.assess(folder.parent, folder.name, month)
    layers = context.layers(folder)
    sheet = fieldwork.prepare(study, towers, from_km=from_km, to_km=to_km, context=layers)
    return sheet, write(sheet, out or Path("reports") / sheet.line_id / "fieldsheet" / sheet.month)


def write(sheet, folder):
    """Write the files of a field sheet.

    Parameters
    ----------
    sheet : FieldSheet
    folder : path
        Made where it does not exist.

    Returns
    -------
    list of pathlib.Path

    Raises
    ------
    SettingsError
        The folder cannot be written to, or holds tables that this sheet would not write: they may be filled in.
    """
    folder = Path(folder)
    texts = dict(zip(NAMES, _texts(sheet), strict=True))
    for name in ("visits.csv", "legs.csv"):
        if (folder / name).exists() and (folder / name).read_bytes() != texts[name].encode("utf-8"):
            raise SettingsError(
                f"{folder / name} is already there with other contents and may be filled in; "
                "name another folder with --out, or move it away"
            )
    try:
        with atomic.files(folder) as place:
            for name, text in texts.items():
                (place / name).write_bytes(text.encode("utf-8"))
    except OSError as flaw:
        raise SettingsError(f"the field sheet cannot be written to {folder}: {flaw.strerror}") from None
    return [folder / name for name in NAMES]


def page(sheet):
    """The field sheet as one HTML page that needs nothing else.

    Parameters
    ----------
    sheet : FieldSheet

    Returns
    -------
    str
        Prints on A4: an overview, then each tower from a new page on, with the cautions on top of every page.
    """
    laid = {name: rows.to_dict("records") for name, rows in sheet.lays.groupby("tower_id", sort=False)}
    legs = sheet.legs.groupby("visit_id", sort=False)["leg"].agg(list).to_dict()
    stops = [
        stop
        | {
            "lays": laid.get(stop["tower_id"], []),
            "legs": legs.get(stop["visit_id"], []),
            "sketch": fieldsheet_sketch.sketch(stop, laid.get(stop["tower_id"], [])),
        }
        for stop in sheet.stops.astype(object).where(sheet.stops.notna(), None).to_dict("records")
    ]
    return _template().render(
        sheet=sheet,
        stops=stops,
        cautions=cautions.CAUTIONS,
        groups=writing.visit_blanks(),
        leg_blanks=writing.blanks("legs", writing.LEG_WORDS),
        sweep_blanks=writing.blanks("sweeps", writing.SWEEP_WORDS),
        sweep_rows=SWEEP_ROWS if sheet.has_sweeps else 0,
    )


def _texts(sheet):
    """Contents of the files, in the order of `NAMES`."""
    yield page(sheet)
    yield fieldsheet_points.gpx(sheet)
    yield fieldsheet_points.geojson(sheet)
    for table in (sheet.visits, sheet.legs):
        rows = harmless(armoured(table).astype("str").where(table.notna()))
        yield "\ufeff" + rows.to_csv(
            index=False, lineterminator="\r\n"
        )  # so that spreadsheets know the encoding


@cache
def _template():
    """The shipped template; whatever is put into it is escaped."""
    from jinja2 import Environment, StrictUndefined

    text = files("towerlib.publish").joinpath("templates", "fieldsheet.html").read_text(encoding="utf-8")
    rules = Environment(autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True)
    return rules.from_string(text)
