"""Condition of the towers of a line as tables and sentences, and what ambient currents can show of bonds and spans."""

from __future__ import annotations

from textwrap import fill
from typing import TYPE_CHECKING, cast

import numpy as np
import pandas as pd

from towerlib.plan.priority import INSPECT
from towerlib.readings.causes import WEAK_LEG
from towerlib.report.tables import Table, nothing, table
from towerlib.report.tower_marks import number_of
from towerlib.text import wrapped

if TYPE_CHECKING:
    from numpy.typing import ArrayLike

    from towerlib.assessment import Study
    from towerlib.network import Network

CAN = (
    "The load induces a current in the shield wires. Where the induced current is equal in all spans, as along a "
    "section of one arrangement, the footings carry none of it. Neither footing resistance nor bond state matters "
    "there. Current down a tower comes from places where the induction changes.",
    "An open span is such a place: the whole induced current, amperes, goes to earth at the two towers beside it, and "
    "less at each tower farther away. Current in service alone shows that. A transposition, another arrangement of the "
    "conductors, a tee or a line end has the same effect on a sound line.",
    "Usual sizes: milliamperes to tens of milliamperes mid-line; 0.1 to 2 A near stations, transpositions, changes "
    "of arrangement and broken wires; more beside double circuits with equal phasing. Clean insulators leak "
    "tenths of a milliampere. These are figures of our own models; we know of no published ones.",
)
CANNOT = (
    "An open bond mid-line changes hardly anything in service: a tower that carries little with its bond carries "
    "little without. A low total where neighbours carry much is only a hint; a lost footing looks the "
    "same. A zero gap is no proof of a good bond either.",
    "More visits in service do not help: the differences from span to span are the same every time. The load is not "
    "known, so only readings of one round are compared.",
    "The gap in milliamperes is the weakest sign: a ring or counterpoise that joins the legs makes it large with a sound "
    "bond. The link between a wide gap and a poor bond comes from circuit modelling; we know of no printed rule.",
)
TEST = (
    "The injected test decides: with a sound bond the legs take some 0.05 to 0.3 of the current, without one all "
    "of it. Of two shield wires one bond is enough to look sound. Without coils a tower with an open bond reads "
    "its own footing; beside an open span two neighbours read nearly twice as much, which fades from tower to "
    "tower. A worn bond of a few ohms looks like an open span at one tower; the neighbours decide.",
)
TO_LOOK_AT = (*INSPECT, WEAK_LEG)


def ambient_text(width: int = 110) -> str:
    """What currents in service can and cannot show, and what the injected test adds; sizes by own ladder models.

    >>> ambient_text().startswith("What currents in service can show")
    True
    """
    parts = {
        "What currents in service can show": CAN,
        "What they cannot": CANNOT,
        "What the injected test adds": TEST,
    }
    lines = []
    for head, sentences in parts.items():
        lines += [head, *(fill(f"- {words}", width, subsequent_indent="  ") for words in sentences)]
    return "\n".join(lines)


def ambient_on_line(network: Network, width: int = 110) -> str:
    """At how many towers and spans of a line the readings could show an open bond or span."""
    bonds, spans = network.towers["bond_scan"], network.spans["span_scan"]
    if bool((bonds == "").all()) and bool((spans == "").all()):
        return (
            "\n".join(fill(words, width) for words in network.off) or "The scan of the line is not available."
        )
    read = network.towers["leg_share_measured"].notna().to_numpy()
    shown = network.towers["bond_testable"].eq(True).fillna(False).to_numpy(bool)
    asked = network.towers["bond_testable"].notna().to_numpy(bool)
    words = [
        f"On this line an open span would show in {_of(spans != 'not testable')} spans, an open bond at "
        f"{_of(shown[asked])} towers with a bond.",
        f"{np.count_nonzero(read)} towers have an injected test of their own bond; of the other "
        f"{np.count_nonzero(asked & ~read)} an open bond would show at {np.count_nonzero(shown & ~read)}.",
    ]
    return "\n".join(fill(one, width) for one in words)


def _of(true: ArrayLike) -> str:
    """How many of how many."""
    return f"{number_of(true)} of {np.size(true)}"


def rows_used(study: Study) -> Table:
    """Audit of rows: read, used, repaired and rejected, one row per table of the records that has any."""
    counts = study.records.counts
    counts = counts[counts["rows_in"] > 0].rename_axis("name").reset_index()
    return table("rows used", counts, "Rows read = used + rejected; repaired rows are used")


def verdicts(study: Study) -> Table:
    """Number of visits up to the month by verdict, then by quality rule that they do not meet; several can apply."""
    visits, findings = study.grades.visits, study.grades.findings
    seen = visits.loc[visits["date"].dt.strftime("%Y-%m") <= study.month]
    counts = seen["verdict"].value_counts().rename("visits").rename_axis("verdict").reset_index()
    findings = findings[findings["visit_id"].isin(seen["visit_id"])]
    rules = cast("pd.Series", findings.groupby(["severity", "rule"]).size()).rename("visits").reset_index()
    found = pd.concat(
        [counts.assign(rule="all visits"), rules.rename(columns={"severity": "verdict"})], ignore_index=True
    )
    found = found.assign(whole=found["rule"] == "all visits")
    found = found.sort_values(["verdict", "whole", "visits", "rule"], ascending=[True, False, False, True])
    return table("visit verdicts", found, "Visits by verdict, and by the quality rules that they do not meet")


def worst_footings(towers: pd.DataFrame, rows: int = 10) -> Table:
    """Towers with the highest footing impedance."""
    ranked = towers.loc[towers["impedance_rank"].notna()].sort_values("impedance_rank")
    if ranked.empty:
        return nothing("No tower has a usable reading of the footing alone.")
    caption = "Highest footing impedances; intervals by instrument and season, ranks in four draws of five"
    return table("worst footings", ranked, caption, rows=rows)


def widest_gaps(towers: pd.DataFrame, rows: int = 10) -> Table:
    """Towers that lead the ranking by leakage gap."""
    ranked = towers.loc[towers["gap_rank"].notna()].sort_values("gap_rank")
    if ranked.empty:
        return nothing("No tower has leg currents that can be ranked by gap.")
    caption = "Ranking by leakage gap and low total; an indicator, not a fault"
    return table("widest gaps", ranked, caption, rows=rows)


def causes(towers: pd.DataFrame) -> Table:
    """Number of towers by suspected cause."""
    named = towers["suspected_cause"].fillna("no leg currents read")
    counts = named.value_counts(sort=True).rename_axis("cause").rename("towers").reset_index()
    return table("causes", counts, "Towers by suspected cause")


def suspected(towers: pd.DataFrame, rows: int = 10) -> Table:
    """Suspected towers in route order, with cause and evidence."""
    found = towers.loc[towers["suspected_cause"].isin(TO_LOOK_AT)]
    if found.empty:
        return nothing("No tower is suspected.")
    return table("suspected towers", found, "Suspected towers; a suspicion asks for an inspection", rows=rows)


def clear_changes(towers: pd.DataFrame, rows: int = 10) -> Table:
    """Towers with a clear jump, a clear trend or a treatment."""
    clear = towers.query(
        "jump_verdict in ['up', 'down'] or works_verdict != ''"
        " or trend_low_percent_per_year > 0 or trend_high_percent_per_year < 0"
    )
    counts = towers["jump_verdict"].replace("", "nothing comparable").value_counts()
    all_towers = ", ".join(f"{verdict} {count}" for verdict, count in counts.items())
    if clear.empty:
        return nothing(f"No clear jump, no clear trend, no treatment. Towers by last change: {all_towers}.")
    caption = f"Clear jumps, clear trends (95 % interval) and treatments. Towers by last change: {all_towers}"
    return table("clear changes", clear, caption, rows=rows)


def condition_answer(study: Study, towers: pd.DataFrame) -> str:
    """Which towers have a high footing impedance, and which a wide gap, in sentences."""
    classes = towers["impedance_class"].value_counts()
    ranked = towers.loc[towers["impedance_rank"].notna()].sort_values("impedance_rank").head(3)
    gaps = towers.loc[towers["gap_rank"].notna()].sort_values("gap_rank").head(3)
    unread = number_of(towers["footing_ohm"].isna())
    above = classes.get("above limit", 0)
    return wrapped(
        [
            f"{above} of {len(towers)} towers lie above the limit on {study.line.title}, as of {study.month} "
            f"({study.route.length_m / 1000:.1f} km).",
            f"{classes.get('acceptable', 0)} are acceptable, {classes.get('good', 0)} are good; {unread} have no usable "
            "reading of the footing alone.",
            _leaders("Highest footing impedance", ranked, "footing_ohm", "{:.1f} Ω"),
            _leaders("Most suspect by gap and low total", gaps, "leakage_total_ma", "total {:.1f} mA"),
            *(f"Rule: {rule}." for rule in towers["limit_rule"].unique()),
            _confidence(towers),
            f"Suspected from the leg currents: {_suspects(towers)}.",
            "A wide gap asks for an inspection of bond and coils; it does not prove a fault.",
            *study.route.remarks,
            *study.remarks,
        ]
    )


def _confidence(towers: pd.DataFrame) -> str:
    """For how many towers it is decided whether they belong to the worst tenth."""
    counts = towers["rank_confidence"].value_counts()
    return (
        f"Worst tenth by footing impedance: for {counts.get('sure', 0)} towers it is certain whether they belong to it, for "
        f"{counts.get('likely', 0)} likely, for {counts.get('open', 0)} undecided. A further test is worth most at the last."
    )


def _suspects(towers: pd.DataFrame) -> str:
    """Causes to look at with the number of their towers."""
    counts = towers.loc[towers["suspected_cause"].isin(TO_LOOK_AT), "suspected_cause"].value_counts()
    return "; ".join(f"{cause}: {count}" for cause, count in counts.items()) or "nothing"


def _leaders(title: str, towers: pd.DataFrame, column: str, form: str) -> str:
    """The first few towers of a rank with their figures."""
    named = [
        f"{tower} ({form.format(value)})"
        for tower, value in zip(towers["tower_id"], towers[column], strict=True)
        if pd.notna(value)
    ]
    return f"{title}: {', '.join(named)}." if named else ""


def queue_answer(study: Study) -> str:
    """Number of towers of each queue and the first of them, in sentences."""
    parts = [f"{study.line.title}, as of {study.month}:"]
    for queue, towers in study.priority.groupby("queue", sort=False):
        if queue != "none":
            first = ", ".join(towers["tower_id"].head(3))
            parts.append(f"{queue}: {len(towers)} tower{'s' * (len(towers) != 1)}, first {first}.")
    idle = number_of(study.priority["queue"] == "none")
    parts.append(f"{idle} tower{' needs' if idle == 1 else 's need'} no work now.")
    return wrapped(parts)
