"""The line as a network: expected leg shares, bonds, earth faults, touch-voltage screening, and a scan for broken wires."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from towerlib.months import last_day
from towerlib.network import bonds, earth_fault, scan
from towerlib.network import model as network_model
from towerlib.network.bonds import bond_readings, expected_shares, join, usual_frequency
from towerlib.values import number

if TYPE_CHECKING:
    from towerlib.readings.quality import Grades
    from towerlib.records.load import Records
    from towerlib.route import Route


__all__ = ["Network", "assess", "join"]
SPANS = ["from_tower_id", "to_tower_id", "length_m"]


@dataclass(frozen=True)
class Network:
    """Network analysis of a line as of a month.

    Attributes
    ----------
    towers : pandas.DataFrame
        One row per tower in route order:

        - share: leg_share_expected, no_coils_expected_ohm (sound bond, at the test frequency of the reading),
          leg_share_measured, bond_z (standard uncertainties by which the reading exceeds the expected value), footing_assumed;
        - bond: bond_ohm with bond_low_ohm, bond_high_ohm (negative: less was read than is expected of a sound bond),
          bond_state (``sound``, ``worn``, ``open suspected``, ``not known``), suspicion_probability (of a poor bond,
          0 to 1; NaN where nothing was read), bond_suspect, bond_decided, bond_evidence, bond_visit_id;
        - fault at the tower: potential_rise_v, potential_rise_low_v, potential_rise_high_v, fault_current_a
          (through its footing);
        - touch: safety_screen (``below``, ``above``, ``cannot tell``; blank where off), safety_evidence;
        - scan: bond_scan (``suspected``, ``none``, ``not testable``; blank where off), bond_testable,
          bond_scan_evidence.
    spans : pandas.DataFrame
        One row per span: from_tower_id, to_tower_id, length_m, span_scan, span_probability (of a broken
        shield wire), span_statistic, span_threshold, span_evidence.
    off : tuple of str
        Analyses that are off, and what is missing for them.
    assumed : tuple of str
        Assumptions.
    """

    towers: pd.DataFrame
    spans: pd.DataFrame
    off: tuple[str, ...]
    assumed: tuple[str, ...]


def assess(
    records: Records,
    route: Route,
    condition: pd.DataFrame,
    currents: pd.DataFrame,
    grades: Grades,
    month: str,
) -> Network:
    """A line as a network, as of the last day of a month.

    Parameters
    ----------
    records, route : Records, Route
        The line.
    condition : pandas.DataFrame
        Its towers, as of `towerlib.condition.assess`.
    currents : pandas.DataFrame
        Leg currents of each visit, as `towerlib.readings.leg_currents.summarise` gives them.
    grades : Grades
        Its visits with their verdicts.
    month : str
        ``YYYY-MM``; later visits are not seen.

    Returns
    -------
    Network
        Every column is there; those of an analysis that is off are blank, and `off` says why.

    Raises
    ------
    SettingsError
        The month is none.

    Notes
    -----
    Bonds are judged by the injected test where there is one; the scan looks for what is left, open spans above
    all. The touch-voltage screening is a triage and no certificate. Nothing here replaces the local code, a measurement on
    site or a licensed person.
    """
    end = last_day(month)
    towers = condition[["tower_id"]].reset_index(drop=True)
    if why := network_model.missing(records, route, condition):
        return Network(_blank(towers, TOWERS), _blank(_places(route), SPAN_COLUMNS), (why,), ())
    model, assumed = network_model.line_model(records, route, condition)
    readings = bond_readings(records, condition, currents, grades, end)
    usual_hz = usual_frequency(grades, end, records.line.frequency_hz)
    field = bonds.field_of(records, condition, readings, end)
    expect = partial(expected_shares, model, readings, usual_hz, field)
    first = expect()
    verdicts = bonds.judge(model, readings, first)
    # Spans come between: an open one raises the towers about it, and only a lost bond goes beyond that.
    lost_ohm = _suspected(first, verdicts.state, bonds.certain(verdicts, first), readings)
    by_service, scan_off = scan.in_service(records, model, grades, currents, end, lost_ohm)
    found, expected = None, first
    if len(model.tower_id) > 2:
        found, expected = scan.span_scan(
            model, readings, by_service, lambda opened: expect(opened) if opened else first
        )
        verdicts = bonds.judge(model, readings, expected) if found.opened else verdicts
    suspected_ohm = _suspected(expected, verdicts.state, verdicts.suspect, readings)
    towers = towers.assign(**_share_columns(model, readings, expected, verdicts))
    risen, risk_off, risk_assumed = _risk(records, condition, model, suspected_ohm, end)
    towers = pd.concat([towers, risen, scan.of_bonds(verdicts, model)], axis=1)
    off = tuple(why for why in (*_share_off(readings), scan_off, *risk_off) if why)
    return Network(
        towers=towers.reindex(columns=["tower_id", *TOWERS]),
        spans=scan.of_spans(found, model, route),
        off=off,
        assumed=(*assumed, *_share_assumed(expected), *risk_assumed),
    )


TOWERS = {
    "leg_share_expected": "float64",
    "no_coils_expected_ohm": "float64",
    "leg_share_measured": "float64",
    "bond_z": "float64",
    "footing_assumed": "boolean",
    "bond_ohm": "float64",
    "bond_low_ohm": "float64",
    "bond_high_ohm": "float64",
    "bond_state": "str",
    "suspicion_probability": "float64",
    "bond_suspect": "boolean",
    "bond_decided": "boolean",
    "bond_evidence": "str",
    "bond_visit_id": "str",
    "potential_rise_v": "float64",
    "potential_rise_low_v": "float64",
    "potential_rise_high_v": "float64",
    "fault_current_a": "float64",
    "safety_screen": "str",
    "safety_evidence": "str",
    "bond_scan": "str",
    "bond_testable": "boolean",
    "bond_scan_evidence": "str",
}
SPAN_COLUMNS = {
    "span_scan": "str",
    "span_probability": "float64",
    "span_statistic": "float64",
    "span_threshold": "float64",
    "span_evidence": "str",
}
RISE = ("potential_rise_v", "potential_rise_low_v", "potential_rise_high_v", "fault_current_a")


def _places(route):
    """Spans of the route without findings."""
    return pd.DataFrame(route.spans[SPANS])


def _blank(table, columns):
    """A table with blank columns of their kinds."""
    blanks = {
        name: pd.array([""] * len(table) if kind == "str" else [pd.NA] * len(table), dtype=kind)
        if kind != "float64"
        else np.full(len(table), np.nan)
        for name, kind in columns.items()
    }
    return table.assign(**blanks)


def _suspected(expected, state, suspect, readings):
    """Bonds that the injected test suspects, in ohms: inf where open or of unknown size, 0 where none is."""
    size = np.where((state == bonds.OPEN) | readings["outside_coils"], np.inf, expected.bond_ohm)
    return np.where(suspect, np.where(size > 0, size, np.inf), 0.0)


def _share_columns(model, readings, expected, verdicts):
    """Findings of the injected test at each tower."""
    return {
        "leg_share_expected": expected.share,
        "no_coils_expected_ohm": expected.no_coils_ohm,
        "leg_share_measured": expected.measured_share,
        "bond_z": expected.off / expected.u,
        "footing_assumed": pd.array(model.footing_assumed, dtype="boolean"),
        **_sizes(readings, expected),
        "bond_state": pd.array(verdicts.state, dtype="str"),
        "suspicion_probability": verdicts.probability,
        "bond_suspect": pd.array(verdicts.suspect, dtype="boolean"),
        "bond_decided": pd.array(verdicts.decided, dtype="boolean"),
        "bond_evidence": pd.array(verdicts.evidence, dtype="str"),
        "bond_visit_id": readings["bond_visit_id"].to_numpy(),
    }


def _sizes(readings, expected):
    """Size of each bond; a path beside the coils leaves it open."""
    known = ~readings["outside_coils"].to_numpy()
    names = ("bond_ohm", "bond_low_ohm", "bond_high_ohm")
    return {name: np.where(known, getattr(expected, name), np.nan) for name in names}


def _share_off(readings):
    """Why bonds cannot be judged by the injected test, if so."""
    if (readings["reason"] != "").all():
        yield (
            "Bonds cannot be judged by the injected test: no usable reading without coils, and no share of an "
            "injected current, with its test frequency."
        )


def _share_assumed(expected):
    """Assumptions in the judgement of bonds."""
    percent = 100 * np.expm1(np.median(expected.centre))
    if percent:
        yield (
            f"The median reading lies {abs(percent):.0f} % {'above' if percent > 0 else 'below'} the ladder of the line. "
            "This is attributed to the wire data and removed before a bond is judged."
        )
    if expected.field_ohm.any():
        yield (
            f"The field of the probes is taken as {expected.field_factor:.1f} times that of point sources on uniform "
            "soil. It enters the expected readings."
        )
    if abs(percent) > 2 * number("network_wire_percent"):
        yield "That is much. Check resistance, GMR and heights of [shield_wires]. Many worn bonds give the same readings."


def _risk(records, condition, model, suspected_ohm, end):
    """Earth-fault and touch-voltage screenings: their columns, what is off, and assumptions."""
    line, count = records.line, len(model.tower_id)
    blank = _blank(pd.DataFrame(index=range(count)), {name: TOWERS[name] for name in RISE})
    blank = _blank(blank, dict.fromkeys(("safety_screen", "safety_evidence"), "str"))
    if why := earth_fault.missing(line):
        return blank, (why, "The touch-voltage screening is off: it needs the earth-fault screening."), ()
    risen = earth_fault.faults(model, line, suspected_ohm)
    table = blank.assign(
        **dict(zip(RISE, (risen.rise_v, risen.rise_low_v, risen.rise_high_v, risen.footing_a), strict=True))
    )
    assumed = [*earth_fault.assumed(line)]
    if risen.limited.any():
        assumed.append(
            f"At {network_model.listed(model.tower_id[risen.limited])} the fault currents as given could not flow. "
            "The earth-fault potential rise, or its upper end, is set to the voltage of a phase."
        )
    if why := earth_fault.screening_missing(line):
        return table, (why,), tuple(assumed)
    screened = earth_fault.screen(
        condition.reset_index(drop=True), records, end, risen.rise_low_v, risen.rise_high_v
    )
    return table.assign(**screened), (), (*assumed, earth_fault.TRIAGE, earth_fault.STEP)
