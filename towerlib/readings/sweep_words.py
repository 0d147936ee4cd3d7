"""What a sweep may mean, in words that claim no more than 40 Hz to 5 kHz allow."""

from string import Formatter

import numpy as np
import pandas as pd

from towerlib.physics import sweeps as formulas
from towerlib.values import number

SHAPES = {  # in order of precedence: the first met stands
    "turning": "|Z| turns within the sweep: interference or a second path looks so. Repeat it before use.",
    "contradictory": "|Z| rises while the phase is negative, which hardly any footing does: check the phase "
    "reference and the leads, then repeat.",
    "rising": "Inductive or rising: a long buried wire, test leads side by side or a path over the shield "
    "wires look so. The low-frequency value may be too hopeful for lightning.",
    "falling": "Capacitive or falling: soil of high resistivity looks so. If it is that, trip-out rates from "
    "the low-frequency value err on the high side.",
    "flat": "Flat up to {highest_hz:.0f} Hz, as a compact footing is. Long wires in the ground can hide "
    "behind a flat sweep.",
}
NOT_TOLD = "Too few clean points over too few frequencies to tell its shape."
BESIDE = {  # what stands before, or in place of, words about the electrode
    "footing and shield wires": "Footing and shield wires together: nothing is told of the electrode alone.",
    "not known": "No method recorded: whether shield wires take part is not known, so nothing is told of the "
    "electrode alone.",
}
_OF_ELECTRODE = ("rising", "falling", "flat")
_REMARKS = {
    "near_harmonic": "Left out near harmonics of the mains: {near_harmonic:.0f} points.",
    "unread": "Left out without a positive frequency and impedance: {unread:.0f} points.",
    "points_off": "Set aside off their neighbours: {points_off:.0f} points.",
    "no_phase": "No phase recorded.",
    "short": "Covers less than a decade.",
    "leads_alike": "Both leads lay in one direction: {lead_apart:g} m apart they alone would show "
    "{lead_ohm:.2g} Ω of reactance.",
    "outside": "The test frequency of the single reading lies outside the sweep.",
    "disagrees": "The sweep passes {sweep_at_test_ohm:.3g} Ω where the single reading is {single_ohm:.3g} Ω.",
}


def told(table, turns):
    """Sign of the reactance, shape of the sweep, and what it may mean.

    Parameters
    ----------
    table : pandas.DataFrame
        One row a sweep, with its numbers.
    turns : array of bool
        Whether it passes, between its ends, beyond both of them.

    Returns
    -------
    dict
        Columns of the summary, and those that `remarks` asks for.
    """
    phase, least = table["phase_deg"], number("sweep_phase_deg")
    signs = [phase >= least, phase <= -least, phase.notna()]
    sign = np.select(signs, ["inductive", "capacitive", "flat"], default="")
    met = _shapes(table["high_over_low"].to_numpy(), sign, turns)
    shape = np.select(list(met.values()), list(met), default="not told")
    return {
        "reactance_sign": pd.array(sign, dtype="str"),
        "shape": pd.array(shape, dtype="str"),
        "screening": pd.array(_meanings(table, shape), dtype="str"),
        "no_phase": phase.isna() & (table["points_used"] > 0),
        "leads_alike": (sign == "inductive") & _side_by_side(table),
        "disagrees": table["single_agrees"].eq(False).fillna(False),
        "lead_ohm": _lead_ohm(table),
    }


def _meanings(table, shape):
    """What each sweep may mean; of the electrode only where the method sees it alone."""
    meanings = []
    for sees, name, hertz in zip(table["sees"], shape, table["highest_hz"], strict=True):
        words = (SHAPES | {"not told": NOT_TOLD})[name].format(highest_hz=hertz)
        before = BESIDE.get(sees, "")
        meanings.append(before if before and name in _OF_ELECTRODE else f"{before} {words}".strip())
    return meanings


def remarks(table):
    """What else is to say of each sweep, in sentences.

    Parameters
    ----------
    table : pandas.DataFrame
        One row a sweep, with its numbers and what is told of them.

    Returns
    -------
    pandas.Series of str
        "" where there is nothing.
    """
    alike = table["leads_alike"] & table["lead_ohm"].notna()
    known = table.assign(lead_apart=number("lead_apart_m"), leads_alike=alike)
    texts = np.full(len(table), "", dtype=object)
    for name, sentence in _REMARKS.items():
        rows = np.flatnonzero(known[name].astype(bool))
        fields = [field for _, field, _, _ in Formatter().parse(sentence) if field]
        columns = [known[field].to_numpy(float)[rows].tolist() for field in fields]
        said = [sentence.format(**dict(zip(fields, row, strict=True))) for row in zip(*columns, strict=True)]
        texts[rows] += [f" {text}" for text in said or [sentence] * len(rows)]
    return pd.Series(texts, dtype="str").str.strip()


def _shapes(ratio, sign, turns):
    """Which shapes each sweep has; the phase may tell where the magnitude does not reach far enough."""
    flat = number("sweep_flat_percent") / 100.0 + 1e-9
    rises, falls, known = ratio > 1.0 + flat, ratio < 1.0 - flat, np.isfinite(ratio)
    return {
        "turning": turns & known,
        "contradictory": rises & (sign == "capacitive"),
        "rising": rises | (sign == "inductive"),
        "falling": falls | (sign == "capacitive"),
        "flat": known,
    }


def _side_by_side(table):
    """Visits whose two probes lie in about one direction, so that their leads couple."""
    bearings = table[["potential_probe_bearing_deg", "current_probe_bearing_deg"]].astype(float)
    between = bearings.iloc[:, 0] - bearings.iloc[:, 1]
    return ((between + 180.0) % 360.0 - 180.0).abs() < number("lead_parallel_deg")


def _lead_ohm(table):
    """Reactance that two leads side by side show at the top of the sweep [Ω]."""
    distances = table[["potential_probe_distance_m", "current_probe_distance_m"]].astype(float)
    shorter, apart_m = distances.min(axis=1), number("lead_apart_m")
    henry = 1e-6 * formulas.lead_coupling_uh(shorter.where(shorter > 2.0 * apart_m), apart_m)
    return 2.0 * np.pi * table["high_frequency_hz"] * henry
