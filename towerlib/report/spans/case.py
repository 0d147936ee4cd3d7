"""A stretch of the line: readings beside those expected of a simulated change, as tables and sentences."""

from __future__ import annotations

from dataclasses import dataclass
from textwrap import fill
from typing import TYPE_CHECKING, cast

import numpy as np
import pandas as pd

from towerlib.errors import SettingsError
from towerlib.network import what_if
from towerlib.report import cautions, tower_case, tower_marks
from towerlib.report.tables import Table, nothing, table
from towerlib.text import plain, rough

if TYPE_CHECKING:
    from towerlib.assessment import Study
    from towerlib.network.what_if import Case, Change, Stretch


MOST_CELLS = 30  # towers whose histories and sweeps fit beside one another


@dataclass(frozen=True)
class LineCase:
    """A line as of a month with what every stretch of it needs; without a ladder `case` is None, and why."""

    study: Study
    tables: tower_case.Tables
    case: what_if.Case | None
    why_not: str


@dataclass(frozen=True)
class SpanCase:
    """A stretch of a line, for its panels: towers with their values, and readings compared under a change."""

    line: LineCase
    stretch: what_if.Stretch
    towers: pd.DataFrame
    compared: pd.DataFrame | None
    change: what_if.Change

    @property
    def chainage_km(self):
        """Chainage of the towers [km]."""
        return self.towers["chainage_km"].to_numpy(float)

    @property
    def tower_id(self):
        """Names of the towers."""
        return self.towers["tower_id"].tolist()

    @property
    def ends_km(self):
        """Ends of the axis along the route, the same in every panel [km]."""
        low, high = np.nanmin(self.chainage_km), np.nanmax(self.chainage_km)
        # Half a span at both ends, for what is drawn in the cells of the end towers.
        margin = 0.5 * (high - low) / (len(self.towers) - 1)
        return float(low - margin), float(high + margin)

    @property
    def suspects(self):
        """Chainages of suspected spans, (s, 2), and of towers with a suspected bond, (b,) [km]."""
        network = self.line.study.network
        spans = np.flatnonzero(network.spans["span_scan"].iloc[self.stretch.spans] == "suspected")
        bonds = network.towers["bond_suspect"].iloc[self.stretch.towers].eq(True).fillna(False)
        x = self.chainage_km
        return np.column_stack([x[spans], x[spans + 1]]), x[bonds.to_numpy(bool)]


def line_case(study):
    """A line with what every stretch of it needs."""
    case, why_not = None, ""
    try:
        case = what_if.case_of(study)
    except SettingsError as flaw:
        why_not = str(flaw)
    return LineCase(study, tower_case.tables_of(study), case, why_not)


def span_case(line, stretch, change=None):
    """A stretch with a what-if beside it; without one, with what the network analysis suspects there."""
    change = what_if.suspected_change(line.study.network, stretch) if change is None else change
    compared = None if line.case is None else what_if.compare(line.case, change, stretch)
    condition = line.study.condition.iloc[stretch.towers].reset_index(drop=True)
    return SpanCase(line, stretch, tower_marks.with_value(condition), compared, change)


def change_words(line, change):
    """A what-if in words.

    >>> change_words(None, what_if.Change())
    'nothing changed'
    """
    if change.is_none:
        return "nothing changed"
    names, spans = line.study.network.towers["tower_id"], line.study.network.spans
    parts = [f"bond of {names[place]} open" for place in change.bonds]
    parts += [
        f"span {spans['from_tower_id'][place]}–{spans['to_tower_id'][place]} open" for place in change.spans
    ]
    parts += [f"footing of {names[place]} {plain(ohm)} Ω" for place, ohm in change.footings]
    return ", ".join(parts)


WIDE = 110  # characters of a line
CLEAR = 2.0  # standard uncertainties from which a single reading is worth naming
MUCH_A = 200.0  # more than induction forces through shield wires, even of double circuits with equal phasing


def suspected(study):
    """Suspected places of the line, spans first: words, state, places of both towers, stretch around them [km]."""
    network, rows = study.network, []
    for place in np.flatnonzero(network.spans["span_scan"] == "suspected"):
        span = network.spans.iloc[place]
        rows.append(
            (f"span {span['from_tower_id']}-{span['to_tower_id']}", "open suspected", place, place + 1)
        )
    for place in np.flatnonzero(network.towers["bond_suspect"].eq(True).fillna(False)):
        tower = network.towers.iloc[place]
        rows.append((f"bond {tower['tower_id']}", tower["bond_state"], place, place))
    around = [what_if.around(study.route, first, last) for _, _, first, last in rows]
    table = pd.DataFrame(rows, columns=["place", "state", "first", "last"])
    return table.assign(from_km=[one.from_km for one in around], to_km=[one.to_km for one in around])


def _ranked(line, stretch, change):
    """The ranked readings, or why there are none."""
    if line.case is None:
        return line.why_not
    if change.is_none:
        return "No what-if is set: name a bond, a span or a footing."
    drive_a = what_if.likely_drive(what_if.compare(line.case, change, stretch))
    return what_if.telling(line.case, change, stretch, drive_a)


def drive_words(found):
    """Drive that the totals in service need, as recorded and with the change."""
    (now_a, now_spread), (then_a, then_spread) = (
        what_if.drive(found.compared, when) for when in ("now", "then")
    )
    if not np.isfinite(now_a):
        return "In service: too few totals of these years to weigh one state of the line against another."
    words = [
        f"In service: as recorded the totals ask for {_amperes(now_a, now_spread)} through the shield wires"
    ]
    if not found.change.is_none:
        words.append(f", with {change_words(found.line, found.change)} for {_amperes(then_a, then_spread)}")
    over = " More than some hundred amperes induction does not force." if max(now_a, then_a) > MUCH_A else ""
    return "".join(words) + "." + over


def _amperes(drive_a, spread):
    """A drive and how far the towers scatter about it."""
    return f"{rough(drive_a)} A (two towers in three within {spread:.2f} times)"


def answer(line, stretch, change):
    """How well the readings of a stretch fit a what-if, in sentences."""
    study = line.study
    head = f"{study.line.title}, as of {study.month}, km {stretch.from_km:.2f} to {stretch.to_km:.2f}."
    if line.case is None:
        return f"{head}\n{line.why_not}"
    found = span_case(line, stretch, change)
    parts = [head, *_injected_words(found), drive_words(found), *_best_words(line, stretch, change)]
    return "\n".join(fill(part, WIDE) for part in (*parts, BOUND))


BOUND = (
    "A what-if that fits is no proof: a transposition, several worn bonds in a row or wrong wire data may fit as "
    f"well. {cautions.INSPECT_SPAN}"
)


def _injected_words(found):
    """How far the readings without coils lie from both expectations."""
    table = found.compared[~found.compared["injected_old"]]
    off = [
        np.log(table["no_coils_ohm"] / table[f"no_coils_ohm_{when}"]).abs().dropna()
        for when in ("now", "then")
    ]
    if not len(off[0]):
        yield "No impedance without coils was read here in these years."
        return
    now, then = (100 * np.expm1(one.median()) for one in off)
    words = f"Without coils, median distance of {len(off[0])} readings: {now:.0f} % from the line as recorded"
    if found.change.is_none:
        yield f"{words}."
        return
    yield f"{words}, {then:.0f} % from that with {change_words(found.line, found.change)}."
    yield from _own_words(found)


def _own_words(found):
    """What was read without coils where the change is."""
    change = found.change
    places = [
        *change.bonds,
        *(p + step for p in change.spans for step in (0, 1)),
        *(p for p, _ in change.footings),
    ]
    names = [found.line.study.network.towers["tower_id"][place] for place in places]
    table = found.compared.set_index("tower_id")
    read = [
        f"{name} {rough(row['no_coils_ohm'])} Ω read, {rough(row['no_coils_ohm_now'])} as recorded, "
        f"{rough(row['no_coils_ohm_then'])} with the what-if"
        for name, row in ((name, table.loc[name]) for name in dict.fromkeys(names) if name in table.index)
        if row["no_coils_ohm"] > 0
    ]
    if read:
        yield f"Where it would be: {'; '.join(read)}."


def _best_words(line, stretch, change):
    """The reading that would decide best, and the best that was never taken."""
    found = _ranked(line, stretch, change)
    if isinstance(found, str):
        yield found
        return
    best = found.iloc[0]
    taken = "never taken" if pd.isna(best["last_read"]) else f"last taken {best['last_read']:%Y-%m-%d}"
    yield (
        f"The single reading that decides best: {best['reading']} at {best['tower_id']} ({rough(best['as_recorded'])} as "
        f"recorded, {rough(best['what_if'])} with the what-if, {best['apart']:.1f} standard uncertainties apart; {taken})."
    )
    fresh = found.loc[found["last_read"].isna()]
    if pd.notna(best["last_read"]) and len(fresh) and fresh["apart"].iloc[0] >= CLEAR:
        new = fresh.iloc[0]
        yield f"Of those never taken: {new['reading']} at {new['tower_id']}, {new['apart']:.1f} apart."
    if best["apart_rival"] < CLEAR:
        yield (
            "No single reading distinguishes it from an open span next to it: that takes readings on both sides, or "
            "an inspection of all of them."
        )


UNITS = {what_if.WITH: " Ω", what_if.WITHOUT: " Ω", what_if.SERVICE: " mA", what_if.SHARE: ""}


def places(study: Study, rows: int = 12) -> Table:
    """Suspected spans and bonds of the line, with a stretch around each."""
    found = suspected(study)
    if found.empty:
        off = " ".join(study.network.off)
        return nothing(f"The network analysis suspects no span and no bond. {off}".strip())
    return table("suspected places", found, "Suspected places; a suspicion asks for an inspection", rows=rows)


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
    return table("evidence", found, caption, rows=rows)


def compared(of_line: Case, stretch: Stretch, change: Change) -> Table:
    """Readings of a stretch beside those expected as recorded and with a change; service in mA per A induced."""
    found = what_if.compare(of_line, change, stretch)
    percent = {f"leg_share{end}": 100 * found[f"leg_share{end}"] for end in ("", "_now", "_then")}
    old = found["total_old"].to_numpy(bool)
    found = found.assign(**percent, age=np.where(old, "old", ""))
    found["chainage_km"] = found["chainage_km"].round(2)
    caption = "Readings beside those expected of the line as recorded and with the what-if"
    return table("expected readings", found, caption)


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
        as_recorded=found["as_recorded"].map(rough) + units,
        what_if=found["what_if"].map(rough) + units,
        apart=found["apart"].round(1),
        apart_rival=found["apart_rival"].round(1),
        last_read=[f"{day:%Y-%m-%d}" if pd.notna(day) else "never" for day in found["last_read"]],
    )
    caption = "Readings that decide best; distances in standard uncertainties u of such a reading"
    return table("deciding readings", found, caption, rows=rows)
