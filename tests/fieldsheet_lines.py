"""Lines for tests of field sheets, laid out with GeographicLib: towers by bearing, turn and span."""

import csv
import io
from types import SimpleNamespace

from folders import line_folder
from geographiclib.geodesic import Geodesic

from towerlib import assessment, condition, months, plan
from towerlib.readings import leg_currents

EARTH = Geodesic.WGS84
START = (-31.0, -20.0)
LINE = '[line]\nid = "low-moor"\nname = "Low Moor"\nvoltage_kv = 110\nfrequency_hz = 50\n'
HOSTILE = [
    "<script>alert(1)</script>",
    "=cmd|'/c calc'!A1",
    'say "7"',
    "برج ١٢",
    "🗼 8",
    "012",
    "12/1",
    "it's",
]
HOSTILE_TITLE = "<img src=x onerror=alert(2)> & =1+1 خط"


def along(bearings_deg, *, start=START, span_m=300.0):
    """Places of towers: the first at `start`, each further one a span on in the next bearing."""
    places = [start]
    for bearing in bearings_deg:
        there = EARTH.Direct(*places[-1], bearing, span_m)
        places.append((there["lat2"], there["lon2"]))
    return places


def table(rows):
    """Rows of dictionaries as CSV."""
    names = list(dict.fromkeys(name for row in rows for name in row))
    text = io.StringIO()
    writer = csv.DictWriter(text, names, lineterminator="\n")
    writer.writeheader()
    writer.writerows(rows)
    return text.getvalue()


def towers(places, names=None, **columns):
    """Rows of the register in route order; a column is one value for all towers or a list."""
    names = names or [str(number) for number in range(1, len(places) + 1)]
    rows = []
    for number, ((latitude, longitude), name) in enumerate(zip(places, names, strict=True)):
        row = {"tower_id": name, "latitude_deg": f"{latitude:.9f}", "longitude_deg": f"{longitude:.9f}"}
        more = {key: value[number] if isinstance(value, list) else value for key, value in columns.items()}
        rows.append(
            row | {"sequence": number + 1} | {"ring": "no", "leg_count": 4, "leg_spacing_m": 6} | more
        )
    return rows


def visit(tower_id, **more):
    """A plain visit with coils."""
    usual = {"visit_id": f"v-{abs(hash(tower_id)) % 10**9}", "date": "2026-03-01", "method": "leg coils"}
    return {"tower_id": tower_id, "impedance_ohm": 10} | usual | more


def folder(place, register, visits=None, **files):
    """A line folder of such tables."""
    visits = [visit(register[0]["tower_id"], visit_id="v1")] if visits is None else visits
    more = {"line_toml": LINE} | files
    return line_folder(place, towers_csv=table(register), visits_csv=table(visits), **more)


def study(place, register, visits=None, *, month="", **files):
    """What is known of such a line, without network, outages, treatments and plan: a field sheet bears their want."""
    return known(folder(place, register, visits, **files), month)


def known(made, month=""):
    """The same of a line folder that is there."""
    found = assessment.assess(made)
    records, grades = found.records, found.grades
    laid = found.route
    month = month or months.newest(records.visits["date"])
    currents = leg_currents.summarise(records.visits, records.legs, records.towers)
    towers = condition.assess(records, grades, currents, laid, month)
    return SimpleNamespace(
        month=month,
        records=records,
        route=laid,
        grades=grades,
        condition=towers,
        priority=plan.priority_list(towers, records.line),
        retest=condition.retest_list(towers, grades, records.line, month),
        line=records.line,
    )


def hostile(place):
    """A line whose names would run, calculate or turn the page round, if they were let."""
    title = HOSTILE_TITLE.replace('"', '\\"')
    line = LINE.replace("Low Moor", title)
    return folder(place, towers(along([70.0] * (len(HOSTILE) - 1)), HOSTILE), line_toml=line)
