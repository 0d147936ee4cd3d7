"""Sweeps over frequency: low-frequency value, flatness, reactance, and an interpretation within 40 Hz to 5 kHz."""

from __future__ import annotations

from string import Formatter
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from towerlib.physics import probes as formulas
from towerlib.readings.methods import SEES, bound
from towerlib.readings.quality import in_force
from towerlib.values import number

if TYPE_CHECKING:
    from typing import Any


SHAPES = {  # in order of precedence: the first met applies
    "turning": "|Z| turns within the sweep: interference or a second path gives this shape. Repeat it before use.",
    "contradictory": "|Z| rises while the phase is negative, which hardly any footing shows. Check the phase "
    "reference and the leads, then repeat.",
    "rising": "Inductive or rising: a long buried wire, test leads side by side or a path over the shield "
    "wires give this shape. The low-frequency value may be too low for lightning.",
    "falling": "Capacitive or falling: soil of high resistivity gives this shape. If so, trip-out rates from "
    "the low-frequency value are too high.",
    "flat": "Flat up to {highest_hz:.0f} Hz, as for a compact footing. Long wires in the ground can also give "
    "a flat sweep.",
}
UNDECIDED = "Too few clean points over too few frequencies: the shape cannot be decided."
BESIDE = {  # words before, or in place of, those about the electrode
    "footing and shield wires": "Footing and shield wires together: the sweep says nothing of the electrode alone.",
    "not known": "No method recorded: whether shield wires take part is not known, so the sweep says nothing of the "
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


def interpretation(table: pd.DataFrame, turns: np.ndarray) -> dict[str, Any]:
    """Sign of the reactance, shape of each sweep, and its possible meaning: columns of the summary and of `remarks`.

    `turns`: whether a sweep passes, between its ends, beyond both of them.
    """
    phase, least = table["phase_deg"], number("sweep_phase_deg")
    signs = [phase >= least, phase <= -least, phase.notna()]
    sign = np.select(signs, ["inductive", "capacitive", "flat"], default="")
    met = _shapes(table["high_over_low"].to_numpy(), sign, turns)
    shape = np.select(list(met.values()), list(met), default="undecided")
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
    """Possible meaning of each sweep; of the electrode only where the method sees it alone."""
    meanings = []
    for sees, name, hertz in zip(table["sees"], shape, table["highest_hz"], strict=True):
        words = (SHAPES | {"undecided": UNDECIDED})[name].format(highest_hz=hertz)
        before = BESIDE.get(sees, "")
        meanings.append(before if before and name in _OF_ELECTRODE else f"{before} {words}".strip())
    return meanings


def remarks(table: pd.DataFrame) -> pd.Series:
    """Remarks on each sweep, in sentences; "" where there is nothing."""
    alike = table["leads_alike"] & table["lead_ohm"].notna()
    known = table.assign(lead_apart=number("lead_apart_m"), leads_alike=alike)
    texts = np.full(len(table), "", dtype=object)
    for name, sentence in _REMARKS.items():
        rows = np.flatnonzero(known[name].astype(bool))
        fields = [field for _, field, _, _ in Formatter().parse(sentence) if field]
        columns = [known[field].to_numpy(float)[rows].tolist() for field in fields]
        written = [
            sentence.format(**dict(zip(fields, row, strict=True))) for row in zip(*columns, strict=True)
        ]
        texts[rows] += [f" {text}" for text in written or [sentence] * len(rows)]
    return pd.Series(texts, dtype="str").str.strip()


def _shapes(ratio, sign, turns):
    """Which shapes each sweep has; the phase decides where the magnitude does not reach far enough."""
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


BAND = np.sqrt(10.0)  # low and high end of a sweep: half a decade each
_COLUMN_NAMES = """
    visit_id tower_id date method sees point_count points_used points_off lowest_hz highest_hz
    low_frequency_ohm low_frequency_u_ohm low_frequency_hz high_frequency_hz high_over_low percent_per_decade
    phase_deg reactance_ohm reactance_sign shape screening single_ohm sweep_at_test_ohm single_off_fraction
    single_agrees remark
"""
COLUMNS = _COLUMN_NAMES.split()


def summarise(visits: pd.DataFrame, sweeps: pd.DataFrame, mains_hz: float) -> pd.DataFrame:
    """Low-frequency value, flatness and reactance of each sweep, and what they may mean.

    Parameters
    ----------
    visits, sweeps
        Tables of one line, as loaded. Sweeps of other visits are ignored.
    mains_hz
        Mains frequency [Hz]: points near its harmonics are left out.

    Returns
    -------
    pandas.DataFrame
        One row per visit with a sweep, in the order of `visits`:

        - ``visit_id``, ``tower_id``, ``date``, ``method``, ``sees`` (footing alone, footing and shield
          wires, not known); ``point_count``, ``points_used``, ``points_off``, ``lowest_hz``, ``highest_hz``;
        - ``low_frequency_ohm``, standard uncertainty ``low_frequency_u_ohm``, at ``low_frequency_hz``;
        - ``high_over_low`` (impedance of the top over that of the bottom), ``percent_per_decade``;
        - ``phase_deg`` and ``reactance_ohm`` at ``high_frequency_hz``; ``reactance_sign``: inductive,
          capacitive, flat, or blank without phases;
        - ``shape``, a key of `SHAPES` or "undecided", and ``screening``, its possible meaning;
        - ``single_ohm``, the visit's own reading, ``sweep_at_test_ohm`` at its frequency,
          ``single_off_fraction`` and ``single_agrees`` (NA where they cannot be compared); ``remark``.

    Notes
    -----
    Low and high values are medians over the first and last half decade of the points that are clean: off the
    mains harmonics and off no neighbour. A point is off its neighbours if the median of the three lies
    elsewhere. The uncertainty joins the scatter of the low points with the accuracy limit of a reading. The
    sign is given from `sweep_phase_deg` on, where the phase error of a test set no longer explains it.
    """
    points, rows = _by_frequency(visits, sweeps)
    table = visits.iloc[rows].reset_index(drop=True)
    clean, counts = _clean(points, mains_hz)
    table = _named(table).assign(**counts)
    table = table.assign(**_ends({name: np.where(clean, of, np.nan) for name, of in points.items()}))
    table = table.assign(**_against_single(table, points, clean))
    turns = _turns(np.where(clean, points["impedance_ohm"], np.nan))
    table = table.assign(**interpretation(table, turns))
    return table.assign(remark=remarks(table)).reindex(columns=COLUMNS)


def _by_frequency(visits, sweeps):
    """Sweeps as arrays, a row a visit and a column a point of rising frequency; and rows of the visits."""
    owner = pd.Index(visits["visit_id"]).get_indexer(sweeps["visit_id"])
    hertz = sweeps["frequency_hz"].to_numpy(float)
    order = np.lexsort((hertz, owner))
    order = order[owner[order] >= 0]
    rows, owner = np.unique(owner[order], return_inverse=True)
    place = np.arange(len(owner)) - np.searchsorted(owner, owner)
    shape = (len(rows), max(int(place.max(initial=0)) + 1, 3))
    points = {}
    for name in ("frequency_hz", "impedance_ohm", "phase_deg"):
        points[name] = np.full(shape, np.nan)
        if name in sweeps:
            points[name][owner, place] = sweeps[name].to_numpy(float)[order]
    points["taken"] = np.zeros(shape, dtype=bool)
    points["taken"][owner, place] = True
    return points, rows


def _named(table):
    """Visits with what their sweep sees, and columns that need not be recorded."""
    wanted = ["test_frequency_hz", "impedance_ohm", "impedance_ohm_bound"]
    probes = [
        f"{probe}_probe_{what}"
        for probe in ("potential", "current")
        for what in ("distance_m", "bearing_deg")
    ]
    table = table.reindex(columns=["visit_id", "tower_id", "date", "method", *wanted, *probes])
    sees = table["method"].map(SEES).astype("str").fillna("not known")
    single = table["impedance_ohm"].astype(float)
    return table.assign(sees=sees, single_ohm=single.where((single > 0) & (bound(table) == "")))


def _clean(points, mains_hz):
    """Points that are used, and how many are not and why."""
    hertz, ohm = points["frequency_hz"], points["impedance_ohm"]
    read = (hertz > 0) & (ohm > 0)
    guard_hz = number("sweep_harmonic_guard_hz")
    quiet = read & (formulas.harmonic_distance_hz(np.where(read, hertz, np.nan), mains_hz) >= guard_hz)
    off = quiet & _off_neighbours(ohm, quiet)
    counts = {
        "point_count": points["taken"].sum(axis=1),
        "points_used": (quiet & ~off).sum(axis=1),
        "points_off": off.sum(axis=1),
        "near_harmonic": (read & ~quiet).sum(axis=1),
        "unread": (points["taken"] & ~read).sum(axis=1),
    }
    return quiet & ~off, counts


def _off_neighbours(ohm, quiet):
    """Points far from the median of themselves and their two neighbours; an end has no two neighbours."""
    logs, shift = _packed(np.log(np.where(quiet, ohm, np.nan)))
    three = np.stack([logs[:, :-2], logs[:, 1:-1], logs[:, 2:]])
    middle = np.sort(three, axis=0)[1]
    off = np.zeros(ohm.shape, dtype=bool)
    off[:, 1:-1] = np.isfinite(three).all(axis=0) & (
        np.abs(logs[:, 1:-1] - middle) > np.log1p(number("sweep_point_off_percent") / 100.0)
    )
    back = np.zeros_like(off)
    np.put_along_axis(back, shift, off, axis=1)
    return back


def _packed(values):
    """Rows with their numbers moved to the front, in order, and where each came from."""
    shift = np.argsort(np.isnan(values), axis=1, kind="stable")
    return np.take_along_axis(values, shift, axis=1), shift


def _row_median(values):
    """Median of the numbers in each row, NaN in a row without any."""
    ordered = np.sort(values, axis=1)  # NaN come last
    last = np.maximum(np.sum(~np.isnan(values), axis=1) - 1, 0)
    middle = np.stack([last // 2, (last + 1) // 2], axis=1)
    return np.take_along_axis(ordered, middle, axis=1).mean(axis=1)


def _ends(points):
    """Medians over the low and the high half decade of each sweep."""
    hertz, ohm, phase = points["frequency_hz"], points["impedance_ohm"], points["phase_deg"]
    lowest = np.fmin.reduce(hertz, axis=1)
    highest = np.fmax.reduce(hertz, axis=1)
    low, high = hertz <= (lowest * BAND)[:, None], hertz >= (highest / BAND)[:, None]
    low_ohm, low_hz, high_hz = (
        _row_median(np.where(*pair, np.nan)) for pair in ((low, ohm), (low, hertz), (high, hertz))
    )
    wide = highest >= 10.0 * lowest
    ratio = np.where(wide, _row_median(np.where(high, ohm, np.nan)) / low_ohm, np.nan)
    reactance = _row_median(np.where(high, formulas.reactance_ohm(ohm, phase), np.nan))
    return {
        "lowest_hz": lowest,
        "highest_hz": highest,
        "low_frequency_ohm": low_ohm,
        "low_frequency_u_ohm": _uncertainty(np.where(low, ohm, np.nan), low_ohm),
        "low_frequency_hz": low_hz,
        "high_frequency_hz": high_hz,
        "high_over_low": ratio,
        "percent_per_decade": formulas.percent_per_decade(ratio, low_hz, np.where(wide, high_hz, np.nan)),
        "phase_deg": _row_median(np.where(high, phase, np.nan)),
        "reactance_ohm": reactance,
        "short": ~wide & np.isfinite(lowest),
    }


def _uncertainty(ohm, median):
    """Standard uncertainty of the median: scatter of the points, and the accuracy limit of a reading."""
    count = np.maximum(np.sum(~np.isnan(ohm), axis=1), 1)
    scatter = 1.4826 * _row_median(np.abs(ohm - median[:, None])) * np.sqrt(np.pi / 2.0 / count)
    return np.hypot(scatter, median * number("impedance_reading_percent") / 100.0 / np.sqrt(3.0))


def _against_single(table, points, clean):
    """The sweep at the test frequency of the visit's own reading, and whether both agree."""
    wanted = table["test_frequency_hz"].astype(float).to_numpy()
    wanted = np.where(wanted > 0, wanted, np.nan)
    hertz = np.where(clean, points["frequency_hz"], np.nan)
    under, at_under = _beside(hertz, points["impedance_ohm"], hertz <= wanted[:, None], np.fmax)
    over, at_over = _beside(hertz, points["impedance_ohm"], hertz >= wanted[:, None], np.fmin)
    with np.errstate(invalid="ignore", divide="ignore"):
        part = np.where(over == under, 0.0, np.log(wanted / under) / np.log(over / under))
    at_test = np.exp((1.0 - part) * np.log(at_under) + part * np.log(at_over))
    off = pd.Series(at_test / table["single_ohm"].to_numpy() - 1.0)
    most = next(rule.threshold for rule in in_force() if rule.rule == "sweep_agrees")
    agrees = (off.abs() <= most).astype("boolean").mask(off.isna())
    outside = table["single_ohm"].notna() & np.isfinite(wanted) & np.isnan(at_test)
    return {
        "sweep_at_test_ohm": at_test,
        "single_off_fraction": off,
        "single_agrees": agrees,
        "outside": outside,
    }


def _beside(hertz, ohm, side, nearest):
    """Nearest frequency of each sweep on one side of the test frequency, and the impedance there."""
    frequency = nearest.reduce(np.where(side, hertz, np.nan), axis=1)
    return frequency, _row_median(np.where(hertz == frequency[:, None], ohm, np.nan))


def _turns(ohm):
    """Sweeps that pass, between their ends, clearly beyond both of them."""
    logs, _ = _packed(np.log(ohm))
    count = np.sum(~np.isnan(logs), axis=1)
    last = np.take_along_axis(logs, np.maximum(count - 1, 0)[:, None], axis=1)[:, 0]
    # The middle one of three neighbours: one wild point makes no turn.
    middle = np.sort(np.stack([logs[:, :-2], logs[:, 1:-1], logs[:, 2:]]), axis=0)[1]
    middle = np.where(np.isnan(logs[:, 2:]), np.nan, middle)
    most = np.log1p(number("sweep_point_off_percent") / 100.0)
    above = np.fmax.reduce(middle, axis=1) - np.fmax(logs[:, 0], last)
    below = np.fmin(logs[:, 0], last) - np.fmin.reduce(middle, axis=1)
    return (above > most) | (below > most)
