"""Scan of the line for open bonds and open spans: readings of many visits together."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from towerlib.network.bonds import SLIP_WIDTH, line_centre, line_spread, student
from towerlib.network.model import ladder_at
from towerlib.physics.fault_scan import scan as fault_scan_scan
from towerlib.physics.ladder import pieces
from towerlib.physics.leakage_gap import CoilSpec
from towerlib.readings.causes import BOND_GONE, DOUBTFUL_COILS
from towerlib.readings.methods import FOOTING_ALONE, no, yes
from towerlib.text import figure
from towerlib.values import number

if TYPE_CHECKING:
    from collections.abc import Callable

    from towerlib.network.bonds import Shares, Verdicts
    from towerlib.network.model import LineModel
    from towerlib.readings.quality import Grades
    from towerlib.records.load import Records
    from towerlib.route import Route


SUSPECTED, NONE, NOT_TESTABLE = "suspected", "none", "not testable"
LEG_COUNT = 4  # coils of which the noise of a total is made up
# A false alarm of the currents in service is one of fifty lines without a fault; their power is not asked for.
DECIDE = {"false_alarm": number("line_scan_false_alarm"), "copies": 100, "power_copies": 1}
INSPECT = "Inspect {} under the utility's licensed procedure."
SUSPECT_FROM, CLEAR_TO = 0.5, 0.1
REACH = 6  # towers on either side whose injected tests count for a span
RISE_LEAST, RISE_U = (
    0.03,
    0.4,
)  # rise (logarithm) from which a reading counts; relative uncertainty of that rise
ONE_TOWER = 2.5  # most evidence (logarithm) of one tower: no tower accuses a span alone
BESIDE_WEIGHT = 0.5  # of the evidence of a tower with an earth path beside the coils
TELLS = 3.0  # expected evidence (logarithm) from which an open span would show
OPENED_MOST = 4


@dataclass(frozen=True)
class SpanScan:
    """Probability of a broken shield wire in each of m spans.

    Attributes
    ----------
    probability : array, shape (m,)
        That all wires of the span are open [1]; where the readings do not tell neighbouring spans apart, the most likely
        one stands for those beside it. NaN where nothing within reach was read.
    by_test, by_service : array, shape (m,)
        ln of the likelihood ratio, of injected tests and of currents in service.
    testable : array of bool, shape (m,)
        Injected tests would show an open span.
    opened : tuple of int
        Suspected spans.
    """

    probability: np.ndarray
    by_test: np.ndarray
    by_service: np.ndarray
    testable: np.ndarray
    opened: tuple[int, ...]


def in_service(
    records: Records,
    model: LineModel,
    grades: Grades,
    currents: pd.DataFrame,
    end: pd.Timestamp,
    bond_ohm: np.ndarray,
) -> tuple[np.ndarray, str]:
    """What the currents in service say of each span, as of a day.

    Parameters
    ----------
    records, model, grades, currents : Records, LineModel, Grades, DataFrame
        The line, as for `towerlib.network.assess`.
    end : pandas.Timestamp
        Later visits are not seen.
    bond_ohm : array, shape (n,)
        Bonds that the injected test has found already [Ω]: inf open, 0 sound.

    Returns
    -------
    tuple of array, shape (n − 1,), and str
        ln of the likelihood ratio of an open span, bounded; NaN where they say nothing. The second: why they say
        nothing, in one sentence.

    Notes
    -----
    The currents in service are compared within one round of visits only, since the load differs; rounds of fewer
    than ``peer_count_min`` towers say nothing and stay out, and so do towers with a ring or a path beside the coils,
    and the end towers, whose spans into the station have a current of their own. The drive of the phases is unknown:
    one current in all spans, its size taken from the readings. A transposition, a tee or another arrangement of the
    conductors breaks that and looks like a broken wire. So the statistic of the scan only decides where the currents
    point to: their likelihood ratio is ``span_service_factor`` there, less beside it, and their silence says little.
    """
    count = len(model.tower_id)
    nothing = np.full(count - 1, np.nan)
    if count < 3:
        return nothing, "The scan for open spans is off: it takes a line of 3 towers."
    visits = _visits(records, model, grades, currents, end)
    rounds = _ambient(visits, model, records.line.frequency_hz, bond_ohm)
    if not rounds:
        return nothing, ""
    try:
        with np.errstate(invalid="ignore"):  # a footing that is not known passes as NaN
            found = fault_scan_scan.scan_faults(
                rounds, [], _errors(model, records.line), fault_scan_scan.ScanOptions(**DECIDE)
            )
    except ValueError as flaw:  # such as a line on which every bond is lost already
        return nothing, f"The currents in service are left out of the scan for open spans: {flaw}."
    said = np.where(np.isnan(found.span_score), np.nan, number("span_service_silence"))
    most = np.log(number("span_service_factor"))
    for fault in found.faults:
        if fault.kind == "span":
            for place, value in (
                (fault.position, most),
                (fault.position - 1, most - 1),
                (fault.position + 1, most - 1),
            ):
                if 0 <= place < count - 1:
                    said[place] = np.fmax(said[place], value)
    return said, ""


def span_scan(
    model: LineModel,
    readings: pd.DataFrame,
    by_service: np.ndarray,
    expect: Callable[[tuple[int, ...]], Shares],
) -> tuple[SpanScan, Shares]:
    """Broken shield wires by injected tests and currents in service.

    Parameters
    ----------
    model, readings : LineModel, DataFrame
        n towers, as of `line_model` and `bond_readings`.
    by_service : array, shape (n − 1,)
        As of `in_service`.
    expect : callable
        Suspected spans to expected shares, as `expected_shares` gives them.

    Returns
    -------
    tuple of SpanScan and Shares
        The second with the suspected spans open.

    Notes
    -----
    Each reading within reach has its likelihood with the span open and with all spans whole, both over the states of
    its own bond, so that a tower that stands out alone is explained by its bond. The day on which a span broke is
    unknown, and readings before it show a whole line: the likelihood is averaged over that day. Injected tests at both
    ends outvote the currents in service. Prior ``span_prior``. A span from a probability of 0.5 on is taken as open
    and the rest is looked at again.
    """
    opened: tuple[int, ...] = ()
    shares = expect(opened)
    probability, by_test, testable, service = _spans(model, readings, by_service, shares)
    held = {}
    while len(opened) < OPENED_MOST and np.nanmax(np.nan_to_num(probability), initial=0.0) >= SUSPECT_FROM:
        best = int(np.nanargmax(probability))
        held[best] = probability[best], by_test[best], service[best]
        opened = tuple(sorted((*opened, best)))
        shares = expect(opened)
        probability, by_test, testable, service = _spans(model, readings, by_service, shares, opened)
    for place, (one, test, currents) in held.items():
        probability[place], by_test[place], service[place], testable[place] = one, test, currents, True
    return SpanScan(probability, by_test, service, testable, opened), shares


def _spans(model, readings, by_service, shares, opened=()):
    """Probability, evidence by injected tests, whether they would show it, and evidence by currents in service."""
    off, u, raised = shares.off, shares.u, np.nan_to_num(shares.raised)
    read = np.isfinite(off) & np.isfinite(u)
    gone = readings["seen"].isin(BOND_GONE).to_numpy()
    poor_prior = np.where(gone, 1 - 1e-3, number("bond_prior"))
    share_open = number("bond_open_share")
    poor = (1 - share_open) * shares.factor[0] + share_open * shares.factor[1]
    poor = poor_prior * student(off, u) * poor + number("bond_slip") / SLIP_WIDTH
    spans, towers = np.arange(len(raised))[:, None], np.arange(len(off))[None, :]
    near = (towers >= spans - REACH) & (towers <= spans + 1 + REACH) & (np.abs(raised) >= RISE_LEAST) & read
    left, line_u = _recentred(shares, raised, readings["outside_coils"].to_numpy(bool))
    whole = (1 - poor_prior) * student(off, line_u) + poor
    wider = np.hypot(line_u, RISE_U * raised)
    broken = (1 - poor_prior) * student(left, wider) + poor
    # Neighbours with paths beside the coils err together: their whole footings are not known.
    weight = np.where(readings["outside_coils"].to_numpy(bool), BESIDE_WEIGHT, 1.0)
    each = np.where(near, weight * np.minimum(np.log(broken / whole), ONE_TOWER), 0.0)
    by_test = _over_days(each, near, readings["age_years"].to_numpy(float))
    expected = np.where(near, weight * raised**2 / (2 * wider**2), 0.0).sum(axis=1)
    both = read[:-1] & read[1:] & near[spans[:, 0], spans[:, 0]] & near[spans[:, 0], spans[:, 0] + 1]
    service = np.nan_to_num(by_service) * np.where(both, number("span_service_outvoted"), 1.0)
    odds = number("span_prior") * np.exp(by_test + service)
    said = near.any(axis=1) | np.isfinite(by_service)
    shut = model.span_open | np.isin(np.arange(len(odds)), opened)
    odds = np.where(said & ~shut, odds, 0.0)
    probability = np.where(said & ~shut, _shared(odds), np.nan)
    return probability, by_test, expected >= TELLS, np.where(np.isfinite(by_service), service, 0.0)


def _recentred(shares, raised, outside):
    """What is left of each reading with each span open, and its uncertainty: median and scatter of the line as they then are."""
    left, line_u = shares.off - raised, np.tile(shares.u, (len(raised), 1))
    for k, row in enumerate(left):
        row -= line_centre(row, outside)
        spread = line_spread(row, shares.stated_u, outside)
        line_u[k] = np.hypot(shares.stated_u, np.minimum(spread, shares.spread))
    return left, line_u


def _over_days(each, near, age_years):
    """Ln of the likelihood ratio, averaged over the day on which the span broke."""
    horizon = number("span_horizon_years")
    found = np.zeros(len(each))
    for k, (logs, used) in enumerate(zip(each, near, strict=True)):
        rows = np.flatnonzero(used)
        rows = rows[np.argsort(age_years[rows], kind="stable")]  # newest first
        ages = np.minimum(np.concatenate([[0.0], age_years[rows], [horizon]]), horizon)
        weight = np.diff(ages)
        total = np.concatenate([[0.0], np.cumsum(logs[rows])])  # with the readings since that day
        if weight.sum() <= 0:
            found[k] = total[-1]
            continue
        top = total.max()
        found[k] = top + np.log((weight * np.exp(total - top)).sum() / weight.sum())
    return found


def _shared(odds):
    """Probability of each span from its odds; spans within reach exclude each other, the best of three stands for them."""
    count = len(odds)
    total = np.array([odds[max(k - REACH, 0) : k + REACH + 1].sum() for k in range(count)])
    own = odds / (1 + total)
    three = np.array([odds[max(k - 1, 0) : k + 2].sum() for k in range(count)]) / (1 + total)
    best = np.array([odds[k] >= odds[max(k - 1, 0) : k + 2].max() for k in range(count)])
    return np.where(best, three, own)


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
    # The span into a station has a current of its own, which nobody knows; it meets the end tower.
    inner = visits[visits["place"].between(1, len(model.tower_id) - 2)]
    for_rounds = _newest(inner, "total_a").groupby("round")
    return [
        fault_scan_scan.Ambient(_line(model, found, frequency_hz, bond_ohm), _spread(model, found, "total_a"))
        for _, found in for_rounds
        if len(found) >= number("peer_count_min")
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


def of_bonds(verdicts: Verdicts, model: LineModel) -> pd.DataFrame:
    """Findings of the line as a whole at each bond.

    Parameters
    ----------
    verdicts : Verdicts
        As of `bonds.judge`, n towers.
    model : LineModel
        n towers.

    Returns
    -------
    DataFrame
        One row per tower: bond_scan (``suspected``, ``none``, ``not testable``), bond_testable (NA where there is no
        bond by design), bond_scan_evidence.
    """
    with np.errstate(invalid="ignore"):
        none = (verdicts.by_test <= CLEAR_TO) & ~verdicts.suspect
    words = np.select([verdicts.suspect, none], [SUSPECTED, NONE], NOT_TESTABLE)
    testable = pd.Series(verdicts.suspect | none, dtype="boolean").where(model.bonded)
    only = verdicts.suspect & np.isnan(verdicts.by_test)
    evidence = np.where(
        only,
        "The current in service is as low here as with an open bond. A lost footing or a "
        "lightly loaded section gives the same reading. " + INSPECT.format("the bond"),
        "",
    )
    return pd.DataFrame(
        {
            "bond_scan": pd.array(words, dtype="str"),
            "bond_testable": pd.array(testable, dtype="boolean"),
            "bond_scan_evidence": pd.array(evidence, dtype="str"),
        }
    )


def of_spans(found: SpanScan | None, model: LineModel, route: Route) -> pd.DataFrame:
    """Findings of the scan in each span.

    Parameters
    ----------
    found : SpanScan or None
        None where the scan is off.
    model, route : LineModel, Route
        n towers.

    Returns
    -------
    DataFrame
        One row per span: from_tower_id, to_tower_id, length_m, span_scan (``suspected``, ``none``,
        ``not testable``; blank where the scan is off), span_probability, span_statistic (ln of the likelihood ratio),
        span_threshold (from which the span is suspected), span_evidence.
    """
    table = pd.DataFrame(route.spans[["from_tower_id", "to_tower_id", "length_m"]])
    count = len(table)
    probability, statistic, threshold = np.full((3, count), np.nan)
    words, evidence = np.where(model.span_open, NOT_TESTABLE, ""), [""] * count
    if found is not None:
        probability = np.where(model.span_open, np.nan, found.probability)
        statistic = np.where(np.isnan(probability), np.nan, found.by_test + found.by_service)
        threshold = np.where(np.isnan(probability), np.nan, -np.log(number("span_prior")))
        hit = np.isin(np.arange(count), found.opened)
        clear = found.testable & (np.nan_to_num(probability, nan=1.0) <= CLEAR_TO)
        clear &= found.by_test <= -np.log(2)  # readings of long ago leave the years since
        words = np.select([model.span_open, hit, clear], [NOT_TESTABLE, SUSPECTED, NONE], NOT_TESTABLE)
    two = len(model.wires.x_m) > 1
    if found is not None:
        evidence = [_span_words(words[k], found, k, model.span_open[k], two) for k in range(count)]
    elif model.span_open.any():
        evidence = [BY_DESIGN if shut else "" for shut in model.span_open]
    return table.assign(
        span_scan=pd.array(words, dtype="str"),
        span_probability=probability,
        span_statistic=statistic,
        span_threshold=threshold,
        span_evidence=pd.array(evidence, dtype="str"),
    )


BY_DESIGN = "No shield wire runs through this span, by design."
ONE_OF_TWO = " One broken wire of two may give the same readings, or none that show."


def _span_words(word, found, k, by_design, two):
    """Evidence of one span."""
    where = INSPECT.format("the shield wires of this span and the next ones")
    if by_design:
        return BY_DESIGN
    test, service = round(found.by_test[k], 6), round(found.by_service[k], 6)
    figures = (
        f"Probability of a broken shield wire: {found.probability[k]:.2f} (ln of the likelihood ratio: injected tests "
        f"{figure(test)}, currents in service {figure(service)})."
    )
    if word == SUSPECTED:
        return (
            f"The readings fit a broken shield wire in this span better than none. {figures} It may be the span "
            "before or behind. In service a transposition, another arrangement of the conductors or a tee gives the "
            f"same readings.{ONE_OF_TWO if two else ''} {where}"
        )
    if word != NOT_TESTABLE:
        return ""
    if np.isnan(found.probability[k]) or found.probability[k] <= CLEAR_TO:
        return "A broken shield wire here would not show in these readings."
    return (
        f"{figures} That decides nothing: a transposition, a tee, and poor bonds give such readings too. Impedances "
        "without coils at both towers would decide."
    )
