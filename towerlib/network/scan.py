"""Scan of the line for open bonds and open spans: readings of many visits together."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from towerlib.network.model import ladder_at, listed
from towerlib.physics.fault_scan import scan as fault_scan_scan
from towerlib.physics.ladder import pieces
from towerlib.physics.leg_currents import CoilSpec
from towerlib.readings.causes import DOUBTFUL_COILS
from towerlib.readings.methods import FOOTING_ALONE, no, yes
from towerlib.text import figure
from towerlib.values import number

if TYPE_CHECKING:
    from towerlib.network.model import LineModel
    from towerlib.physics.fault_scan.scan import FaultScan
    from towerlib.readings.quality import Grades
    from towerlib.records.load import Records
    from towerlib.route import Route


SUSPECTED, NONE, NOT_TESTABLE = "suspected", "none", "not testable"
LEG_COUNT = 4  # coils of which the noise of a total is made up
# A false alarm sends a crew out for nothing: in one of fifty lines without a fault. Enough simulated lines to decide that.
DECIDE = {"false_alarm": 0.02, "copies": 100, "power_copies": 20}
INSPECT = "Inspect {} under the utility's licensed procedure."


def scan(
    records: Records,
    model: LineModel,
    grades: Grades,
    currents: pd.DataFrame,
    end: pd.Timestamp,
    bond_ohm: np.ndarray,
) -> tuple[FaultScan | None, str]:
    """The scan of a line as of a day.

    Parameters
    ----------
    records, model, grades, currents : Records, LineModel, Grades, DataFrame
        The line, as for `towerlib.network.assess`.
    end : pandas.Timestamp
        Later visits are not seen.
    bond_ohm : array, shape (n,)
        Bonds that the injected test has found already [Ω]: inf open, 0 sound. The scan looks for what is left.

    Returns
    -------
    tuple of FaultScan or None, and str
        The second: why there is none, or what was left out of it, in one sentence.

    Notes
    -----
    The newest usable reading of each tower. Currents in service are compared within one round of visits only,
    since the load differs; rounds of fewer than ``peer_count_min`` towers say nothing of it and stay out, and so
    do towers with a ring or a path beside the coils. The phases' drive is unknown: one current in all spans,
    its size taken from the readings. A transposition breaks that and looks like a broken wire there; where the
    impedances without coils speak against one, the currents in service are left out.
    """
    if len(model.tower_id) < 3:
        return None, "The scan for open bonds and spans is off: it takes a line of 3 towers."
    visits = _visits(records, model, grades, currents, end)
    in_service = _ambient(visits, model, records.line.frequency_hz, bond_ohm)
    tests = _injected(visits, model, bond_ohm)
    if not in_service and not tests:
        return None, (
            "The scan for open bonds and spans is off: no impedance without coils, and no round of visits with "
            "enough leakage totals."
        )
    errors = _errors(model, records.line)
    try:
        found = _scanned(in_service, tests, errors)
    except ValueError as flaw:  # such as a line on which every bond is lost already
        return None, f"The scan for open bonds and spans is off: {flaw}."
    against = [fault.position for fault in found.faults if _contradicted(fault)]
    if not against or not tests:
        return found, ""
    return _scanned([], tests, errors), (
        "Currents in service are left out of the scan: they change near "
        f"{listed(model.tower_id[sorted(against)])} as beside a broken shield wire, which the impedances without "
        "coils do not confirm. A transposition or another arrangement of the conductors gives such readings."
    )


def _scanned(in_service, tests, errors):
    """The scan itself."""
    with np.errstate(invalid="ignore"):  # a footing that is not known passes as NaN
        return fault_scan_scan.scan_faults(in_service, tests, errors, fault_scan_scan.ScanOptions(**DECIDE))


def _contradicted(fault):
    """Whether impedances without coils speak against a broken wire that the currents in service ask for."""
    return fault.kind == "span" and fault.from_injected < -fault.threshold


def _visits(records, model, grades, currents, end):
    """Usable readings of each visit: footing alone, without coils, total in service; with place and round."""
    visits = grades.visits[grades.visits["date"] <= end].sort_values("date", kind="stable")
    register = records.towers.set_index("tower_id")
    beside = yes(register["ring"]) | no(register["earth_paths_in_coils"])
    cause = visits["visit_id"].map(currents.set_index("visit_id")["suspected_cause"])
    footing_good, leakage_good = (
        visits[f"{kind}_verdict"] != "not usable" for kind in ("footing", "leakage")
    )
    read = visits["impedance_ohm"].where(footing_good & (visits["impedance_ohm"] > 0))
    second = visits["impedance_no_coils_ohm"].where(footing_good & (visits["impedance_no_coils_ohm"] > 0))
    total_good = leakage_good & ~cause.isin(DOUBTFUL_COILS) & ~visits["tower_id"].map(beside).astype(bool)
    total_good &= ~no(visits["in_service"])
    return pd.DataFrame(
        {
            "place": pd.Index(model.tower_id).get_indexer(visits["tower_id"]),
            "round": (visits["date"].diff().dt.days > number("campaign_gap_days")).cumsum(),
            "frequency_hz": visits["test_frequency_hz"],
            "footing_ohm": read.where(visits["method"].isin(FOOTING_ALONE)),
            "no_coils_ohm": second.fillna(read.where(visits["method"] == "no coils")),
            "total_a": visits["leakage_total_ma"].where(total_good) / 1e3,
        }
    )


def _ambient(visits, model, frequency_hz, bond_ohm):
    """Rounds in service."""
    for_rounds = _newest(visits, "total_a").groupby("round")
    return [
        fault_scan_scan.Ambient(_line(model, found, frequency_hz, bond_ohm), _spread(model, found, "total_a"))
        for _, found in for_rounds
        if len(found) >= number("peer_count_min")
    ]


def _injected(visits, model, bond_ohm):
    """Readings without coils, frequency by frequency."""
    found = _newest(visits[visits["frequency_hz"] > 0], "no_coils_ohm")
    return [
        fault_scan_scan.Injected(_line(model, rows, hertz, bond_ohm), _spread(model, rows, "no_coils_ohm"))
        for hertz, rows in found.groupby("frequency_hz")
    ]


def _newest(visits, name):
    """The newest visit of each tower with such a reading."""
    return visits[visits[name].notna()].drop_duplicates("place", keep="last")


def _spread(model, found, name):
    """Readings as one value a tower, NaN without."""
    values = np.full(len(model.tower_id), np.nan)
    values[found["place"]] = found[name]
    return values


def _line(model, found, frequency_hz, bond_ohm):
    """The line with the footings of those visits; NaN for footings that are not known."""
    own_ohm = _spread(model, found, "footing_ohm")
    known = np.where(model.footing_assumed, np.nan, model.footing_ohm)
    footing_ohm = np.where(np.isnan(own_ohm), known, own_ohm)
    line = ladder_at(replace(model, footing_ohm=footing_ohm), frequency_hz, bond_ohm=bond_ohm)
    piece = pieces(line.span_s)
    alone = np.bincount(piece, weights=(line.tower_s + line.station_s) != 0)[piece] == 0
    # A piece of wire without any path to earth touches nothing else: 1 S only lets the matrix be inverted.
    return replace(line, station_s=line.station_s + alone)


def _errors(model, line):
    """Uncertainties of readings and line, by the settings."""
    coils = CoilSpec(**line.coils.model_dump())
    return fault_scan_scan.Errors(
        noise_a=max(1e-3 * np.sqrt(LEG_COUNT) * coils.noise_ma, 1e-5),
        gain=float(np.hypot(number("scan_gain"), coils.gain_u)),
        footing=np.maximum(model.footing_u, number("scan_footing")),
    )


def opened(found: FaultScan | None) -> tuple[int, ...]:
    """Spans that the scan suspects.

    Parameters
    ----------
    found : FaultScan or None
        None where the scan is off.

    Returns
    -------
    tuple of int
        Positions of the towers before them.
    """
    return () if found is None else tuple(f.position for f in found.faults if f.kind == "span")


def of_bonds(
    found: FaultScan | None, model: LineModel, suspect: np.ndarray, cleared: np.ndarray
) -> pd.DataFrame:
    """Findings of the scan at each bond.

    Parameters
    ----------
    found : FaultScan or None
        None where the scan is off.
    model : LineModel
        n towers.
    suspect, cleared : array of bool, shape (n,)
        Bonds that the injected test at the tower itself suspects, and those that it finds carrying: it goes
        before the scan, which draws on the neighbours.

    Returns
    -------
    DataFrame
        One row per tower: bond_scan (``suspected``, ``none``, ``not testable``; blank where the scan is off),
        bond_testable (NA where there is no bond by design), bond_scan_evidence.
    """
    count = len(model.tower_id)
    if found is None:
        words, testable, evidence = [""] * count, [pd.NA] * count, [""] * count
    else:
        faults = {fault.position: fault for fault in found.faults if fault.kind != "span"}
        faults = {place: fault for place, fault in faults.items() if not cleared[place]}
        hit = np.isin(np.arange(count), list(faults)) | suspect
        testable = hit | (np.nan_to_num(found.bond_power) >= number("scan_power_min"))
        words = np.select([hit, testable], [SUSPECTED, NONE], NOT_TESTABLE)
        testable = pd.Series(testable, dtype="boolean").where(model.bonded)
        evidence = [_bond_words(faults.get(k)) for k in range(count)]
    return pd.DataFrame(
        {
            "bond_scan": pd.array(words, dtype="str"),
            "bond_testable": pd.array(testable, dtype="boolean"),
            "bond_scan_evidence": pd.array(evidence, dtype="str"),
        }
    )


def _bond_words(fault):
    """Evidence for a bond that the scan alone suspects."""
    if fault is None:
        return ""
    return (
        f"Scan of the line: the readings fit {'a worn' if fault.kind == 'worn' else 'an open'} bond here better "
        f"than none ({_figures(fault)}). A lost footing gives the same readings in service. "
        + INSPECT.format("the bond")
    )


def _figures(fault):
    """Statistic and threshold of a fault, and where the statistic comes from."""
    parts = [
        round(part, 6) for part in (fault.from_ambient, fault.from_injected)
    ]  # what rounding leaves is 0
    return (
        f"statistic {figure(fault.score)}, threshold {figure(fault.threshold, 3)}; from currents in service "
        f"{figure(parts[0])}, from impedances without coils {figure(parts[1])}"
    )


def of_spans(found: FaultScan | None, model: LineModel, route: Route) -> pd.DataFrame:
    """Findings of the scan in each span.

    Parameters
    ----------
    found : FaultScan or None
        None where the scan is off.
    model, route : LineModel, Route
        n towers.

    Returns
    -------
    DataFrame
        One row per span: from_tower_id, to_tower_id, length_m, span_scan (``suspected``, ``none``,
        ``not testable``; blank where the scan is off), span_statistic, span_threshold, span_evidence.
    """
    table = pd.DataFrame(route.spans[["from_tower_id", "to_tower_id", "length_m"]])
    count, silent = len(table), "" if found is None else NOT_TESTABLE
    statistic, threshold, power = np.full((3, count), np.nan)
    faults = {}
    if found is not None:
        faults = {fault.position: fault for fault in found.faults if fault.kind == "span"}
        statistic, power = found.span_score.copy(), found.span_power
        threshold[:] = found.threshold
    for place, fault in faults.items():
        statistic[place], threshold[place] = fault.score, fault.threshold
    hit = np.isin(np.arange(count), list(faults))
    testable = np.nan_to_num(power) >= number("scan_power_min")
    words = np.select([model.span_open, hit, testable], [NOT_TESTABLE, SUSPECTED, NONE], silent)
    evidence = [_span_words(word, faults.get(k), model.span_open[k]) for k, word in enumerate(words)]
    return table.assign(
        span_scan=pd.array(words, dtype="str"),
        span_statistic=statistic,
        span_threshold=threshold,
        span_evidence=pd.array(evidence, dtype="str"),
    )


def _span_words(word, fault, by_design):
    """Evidence of one span."""
    where = INSPECT.format("the shield wires of this span and the next ones")
    if by_design:
        return "No shield wire runs through this span, by design."
    if fault is not None:
        return (
            f"The readings fit a broken shield wire in this span better than none ({_figures(fault)}). It may be "
            "the span before or behind. In service a transposition, another arrangement of the conductors or a "
            f"tee gives the same readings. {where}"
        )
    return "A broken shield wire here would not show in these readings." if word == NOT_TESTABLE else ""
