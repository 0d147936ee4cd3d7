"""Tables of a stretch of the line: suspected places, evidence, what-if, and the readings that decide."""

from __future__ import annotations

from typing import TYPE_CHECKING, cast

import numpy as np
import pandas as pd

from towerlib.network import what_if
from towerlib.report.spans import case
from towerlib.report.tables import NONE, Table, nothing, table
from towerlib.text import plain

if TYPE_CHECKING:
    from towerlib.assessment import Study
    from towerlib.network.what_if import Case, Change, Stretch

UNITS = {what_if.WITH: " Ω", what_if.WITHOUT: " Ω", what_if.SERVICE: " mA", what_if.SHARE: ""}


def places(study: Study, rows: int = 12) -> Table:
    """Suspected spans and bonds of the line, with a stretch around each."""
    found = case.suspected(study)
    if found.empty:
        off = " ".join(study.network.off)
        return nothing(f"The network analysis suspects no span and no bond. {off}".strip())
    columns = {"place": "place", "from_km": "from [km]", "to_km": "to [km]", "state": "state"}
    return table(found, columns, "Suspected places; a suspicion asks for an inspection", rows=rows)


def evidence(study: Study, stretch: Stretch, rows: int = 8) -> Table:
    """Evidence of the network analysis at the suspected spans and bonds of a stretch."""
    spans = study.network.spans.iloc[stretch.spans]
    towers = study.network.towers.iloc[stretch.towers]
    spans = spans[spans["span_scan"] == "suspected"]
    towers = towers[towers["bond_suspect"].eq(True).fillna(False).astype(bool)]
    found = pd.DataFrame(
        {
            "place": [
                *("span " + spans["from_tower_id"] + "-" + spans["to_tower_id"]),
                *("bond " + towers["tower_id"]),
            ],
            "evidence": [*spans["span_evidence"], *towers["bond_evidence"]],
        }
    )
    if found.empty:
        why = ("No span and no bond of this stretch is suspected.", *study.network.off)
        return nothing(" ".join(why))
    caption = f"Evidence from km {stretch.from_km:.2f} to km {stretch.to_km:.2f}"
    return table(found, {"place": "place", "evidence": "evidence"}, caption, rows=rows)


def compared(of_line: Case, stretch: Stretch, change: Change) -> Table:
    """Readings of a stretch beside those expected as recorded and with a change.

    In service: mA for 1 A that induction forces through the shield wires.
    """
    found = what_if.compare(of_line, change, stretch)
    percent = {f"leg_share{end}": 100 * found[f"leg_share{end}"] for end in ("", "_now", "_then")}
    old = found["total_old"].to_numpy(bool)
    found = found.assign(**percent, age=np.where(old, "old", ""))
    columns = {"tower_id": "tower", "chainage_km": "chainage [km]"}
    for name, words in {"no_coils_ohm": "without coils [Ω]", "leg_share": "legs [%]"}.items():
        ends = {"": "read", "_now": "recorded", "_then": "what-if"}
        columns |= {f"{name}{end}": f"{words} {kind}" for end, kind in ends.items()}
    columns |= {
        "ambient_ma_per_a_now": "in service [mA/A] recorded",
        "ambient_ma_per_a_then": "in service [mA/A] what-if",
        "total_ma": "total [mA] read",
        "age": "total is old",
    }
    found["chainage_km"] = found["chainage_km"].round(2)
    caption = "Readings beside those expected of the line as recorded and with the what-if"
    return table(found, columns, caption)


def deciding(of_line: Case, stretch: Stretch, change: Change, rows: int = 6) -> Table:
    """Single readings that separate a change best from the line as recorded.

    Distances in standard uncertainties: from the line as recorded, and from an open span beside it, whichever is
    more like it.
    """
    if change.is_none:
        return nothing("No what-if is set: name a bond, a span or a footing.")
    drive_a = what_if.likely_drive(what_if.compare(of_line, change, stretch))
    found = what_if.telling(of_line, change, stretch, drive_a)
    if found.empty:
        return nothing("No reading of this stretch can be predicted.")
    units = cast("pd.Series", found["reading"]).map(UNITS)
    found = found.assign(
        as_recorded=found["as_recorded"].map(_two) + units,
        what_if=found["what_if"].map(_two) + units,
        apart=found["apart"].round(1),
        apart_rival=found["apart_rival"].round(1),
        last_read=[f"{day:%Y-%m-%d}" if pd.notna(day) else "never" for day in found["last_read"]],
    )
    columns = {
        "tower_id": "tower",
        "reading": "reading",
        "as_recorded": "as recorded",
        "what_if": "what-if",
        "apart": "distance [u]",
        "apart_rival": "from a neighbour [u]",
        "last_read": "last read",
    }
    caption = "Readings that decide best; distances in standard uncertainties u of such a reading"
    return table(found, columns, caption, rows=rows)


def _two(value: float) -> str:
    """Two significant figures."""
    return plain(float(f"{value:.2g}")) if np.isfinite(value) else NONE
