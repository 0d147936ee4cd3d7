"""Small line folders for tests, written from texts."""

LINE = '[line]\nid = "low-moor"\nvoltage_kv = 110\nfrequency_hz = 50\n'
TOWERS = "tower_id,latitude_deg,longitude_deg\n1,-31,-20.000\n2,-31,-19.997\n4A,-31,-19.994\n"
VISITS = "visit_id,tower_id,date,method,impedance_ohm\nv1,1,2026-03-01,leg coils,4.2\nv2,2,2026-03-02,leg coils,22.5\n"


def line_folder(place, **files):
    """A line folder; a name `visits_csv` stands for ``visits.csv``, None leaves the file out.

    Texts go in as UTF-8, bytes as they are.
    """
    place.mkdir(parents=True, exist_ok=True)
    contents = {"line_toml": LINE, "towers_csv": TOWERS, "visits_csv": VISITS} | files
    for name, content in contents.items():
        stem, _, ending = name.rpartition("_")
        if content is not None:
            path = place / f"{stem.replace('__', '/')}.{ending}"
            path.parent.mkdir(exist_ok=True)
            path.write_bytes(content if isinstance(content, bytes) else content.encode())
    return place


def accounted(records):
    """Whether every input row is used or rejected."""
    counts = records.counts
    return (counts["rows_in"] == counts["used"] + counts["rejected"]).all()
