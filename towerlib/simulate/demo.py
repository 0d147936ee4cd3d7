"""The demo lines. All names and numbers are invented."""

from __future__ import annotations

from importlib.resources import files
from pathlib import Path
from typing import TYPE_CHECKING

from towerlib.simulate.lines import simulate_line
from towerlib.simulate.messy import ambermoss_harrowmere, write_messy
from towerlib.simulate.specs import Campaign, Drive, Ground, LineSpec, Planted, Route

if TYPE_CHECKING:
    from os import PathLike

    import pandas as pd


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


def write_mess(spec: LineSpec, tables: dict[str, pd.DataFrame], folder: str | PathLike[str]) -> Path:
    """Write the tables of one line with the formatting quirks of the crews A, B and C; its folder."""
    place = Path(folder) / spec.line_id
    write_messy(spec, tables, place, _write_table)
    return place


def demo_lines() -> tuple[LineSpec, ...]:
    """Specifications of the three clean demo lines."""
    return quillmere_tolstrand(), brackwater_stonefell(), stonefell_ambermoss()


def quillmere_tolstrand() -> LineSpec:
    """Short 66 kV line with many angles and a steel shield wire; files with ``;``."""
    return LineSpec(
        line_id="quillmere-tolstrand",
        prefix="QT",
        settings=_settings("quillmere-tolstrand"),
        route=Route(
            latitude_deg=-32.3410,
            longitude_deg=-19.3320,
            sections=((38, 7), (74, 6), (21, 8), (96, 5), (58, 9), (117, 6), (83, 7), (40, 12)),
            span_m=248.0,
            names="padded",
            monopoles=((0, 6), (55, 60)),
        ),
        ground=Ground(resistivity_ohm_m=240.0, spread=0.75, leg_spacing_m=4.2, ring_share=0.08),
        drive=Drive(forced_a=4.0, unevenness=0.10),
        planted=Planted(2, 2, 2, 1, None, treated=2, untested=2),
        campaigns=(
            Campaign("2019-09-16", "dry", 0.80, 0.50, "A"),
            Campaign("2022-03-14", "wet", 0.50, 0.15, "A"),
            Campaign("2024-09-09", "dry", 0.60, 0.05, "AD"),
            Campaign("2026-06-08", "normal", 0.85, 0.04, "AD"),
        ),
        separator=";",
    )


def _settings(line_id):
    """Text of the ``line.toml`` of a line, stored next to this module."""
    return files("towerlib.simulate").joinpath(f"{line_id}.toml").read_text(encoding="utf-8")


def brackwater_stonefell() -> LineSpec:
    """Single 132 kV line with one shield wire that is broken in one span since 2023."""
    return LineSpec(
        line_id="brackwater-stonefell",
        prefix="BS",
        settings=_settings("brackwater-stonefell"),
        route=Route(
            latitude_deg=-32.1120,
            longitude_deg=-18.9350,
            sections=((82, 34), (61, 28), (95, 41), (70, 37)),
            span_m=322.0,
            names="plain",
            monopoles=((128, 140),),
        ),
        ground=Ground(resistivity_ohm_m=360.0, spread=0.85, leg_spacing_m=6.0, ring_share=0.08),
        drive=Drive(forced_a=11.5, unevenness=0.10),
        planted=Planted(6, 4, 4, 2, open_span=91, treated=4, untested=4),
        campaigns=(
            Campaign("2019-09-02", "dry", 0.75, 0.55, "AB"),
            Campaign("2021-03-15", "wet", 0.40, 0.15, "BC"),
            Campaign("2023-08-21", "dry", 0.65, 0.08, "BC"),
            Campaign("2024-03-11", "wet", 0.30, 0.05, "B"),
            Campaign("2025-09-08", "dry", 0.45, 0.04, "BC"),
            Campaign("2026-06-01", "normal", 0.80, 0.03, "BC"),
        ),
    )


def stonefell_ambermoss() -> LineSpec:
    """Long 400 kV line with two shield wires across the border of two UTM zones; visits in several files."""
    return LineSpec(
        line_id="stonefell-ambermoss",
        prefix="SA",
        settings=_settings("stonefell-ambermoss"),
        route=Route(
            latitude_deg=-32.0330,
            longitude_deg=-18.4680,
            sections=((104, 62), (88, 55), (112, 48), (79, 55)),
            span_m=388.0,
            names="section",
            guyed=((96, 124),),
            insulated=((40, 45),),
        ),
        ground=Ground(resistivity_ohm_m=360.0, spread=0.72, leg_spacing_m=9.0, ring_share=0.14),
        drive=Drive(forced_a=10.0, unevenness=0.08, transpositions=(73, 147)),
        planted=Planted(9, 6, 6, 2, None, treated=5, untested=5),
        campaigns=(
            Campaign("2019-10-07", "dry", 0.65, 0.50, "CD"),
            Campaign("2021-09-13", "dry", 0.45, 0.15, "CD"),
            Campaign("2024-03-04", "wet", 0.40, 0.06, "BCD"),
            Campaign("2025-10-06", "dry", 0.35, 0.04, "CD"),
            Campaign("2026-06-02", "wet", 0.75, 0.03, "BCD"),
        ),
        split_visits=True,
    )


def messy_line() -> LineSpec:
    """Specification of the demo line with messy files."""
    return ambermoss_harrowmere(_settings("ambermoss-harrowmere"))
