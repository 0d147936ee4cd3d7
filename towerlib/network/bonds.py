"""Bonds by the injected test: the reading of each tower, the expected leg share, and the state of each bond."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, cast

import numpy as np
import pandas as pd

from towerlib.network.model import Z_95, LineModel, copies, ladder_at
from towerlib.network.probe_field import (
    PROBES,
    ProbeField,
    leg_current,
    probe_field,
    reading_ohm,
    true_footing,
    without_field,
)
from towerlib.physics.fault_scan.response import openings
from towerlib.physics.ladder import bond_resistance, driving_points
from towerlib.physics.statistics import SEED
from towerlib.readings.causes import BOND_CAUSE, BOND_CAUSES, BOND_GONE, SPAN_CAUSE
from towerlib.readings.methods import FOOTING_ALONE, no
from towerlib.sentences import wording
from towerlib.text import figure
from towerlib.values import number

if TYPE_CHECKING:
    from towerlib.network import Network
    from towerlib.readings.quality import Grades
    from towerlib.records.load import Records


IMPEDANCE, SHARE = "impedance", "share"
LIFTED = "shield wire lifted"
_VISIT = ["visit_id", "tower_id", "date", "method", "footing_verdict", "test_frequency_hz", *PROBES]
_IN_SERVICE = ["total_vs_line", "rise_vs_line", "peer_class"]


def bond_readings(
    records: Records, condition: pd.DataFrame, currents: pd.DataFrame, grades: Grades, end: pd.Timestamp
) -> pd.DataFrame:
    """Reading of each tower by which its bond is judged, in the order of `condition`; visits after `end` are not seen.

    Parameters
    ----------
    records, condition, currents, grades : Records, DataFrame, DataFrame, Grades
        The line, as for `towerlib.network.assess`.
    end : pandas.Timestamp
        Later visits are not seen.

    Returns
    -------
    pandas.DataFrame
        One row per tower in the order of `condition`: bond_visit_id, bond_date, kind (``impedance``: the line
        in parallel was read without coils [Ω]; ``share``: of the injected current in the legs [1]), measured,
        measured_u (standard uncertainty of its logarithm), own_ohm and own_u (footing of the tower at that
        reading), own_read and lifted (whether it was read with it, and with the shield wires lifted), outside_coils,
        other_share (of the same visit, by the currents), caution (of the quality rules), the places of the probes,
        service_z (robust z of the current in service among those of other towers; NaN where it says nothing of the
        bond), seen (what the crew saw of the bond), age_years (of the reading), reason (why there is no reading).

    Notes
    -----
    The impedance without coils goes first: the footing hardly enters it, while a share depends directly on
    the footing. Where an earth path lies outside the coils footing and share are not what they seem, so
    only the impedance counts. Newest visit first; unusable readings stay out.
    """
    outside = records.towers.set_index("tower_id")["earth_paths_in_coils"].reindex(condition["tower_id"])
    outside = no(cast("pd.Series", outside))
    visits = cast("pd.DataFrame", grades.visits[grades.visits["date"] <= end])
    share = currents[["visit_id", "leg_share_lambda", "leg_share_u"]]
    read = [*_VISIT, "impedance_ohm", "impedance_no_coils_ohm", "injected_ma", "legs_ma"]
    visits = cast("pd.DataFrame", visits.reindex(columns=read)).merge(
        share, on="visit_id", how="left", validate="1:1"
    )
    candidates = _candidates(visits, outside)
    usable = candidates[candidates["footing_verdict"] != "not usable"]
    newest = usable.sort_values(["date", "first"], kind="stable").drop_duplicates("tower_id", keep="last")
    table = condition[["tower_id"]].merge(newest, on="tower_id", how="left", validate="1:1")
    seen = condition["tower_id"].isin(candidates["tower_id"]).to_numpy()
    unread = np.where(seen, "its readings are not usable", "no reading shows it")
    reason = np.where(table["kind"].isna(), unread, "")
    reason = np.where(
        (reason == "") & ~(table["test_frequency_hz"] > 0), "the test frequency is not recorded", reason
    )
    seen_bond = condition["bond_seen"].to_numpy(object) if "bond_seen" in condition else ""
    return _with_footing(table, condition).assign(
        outside_coils=outside.to_numpy(),
        service_z=_in_service(condition, currents, grades, end),
        seen=seen_bond,
        age_years=np.nan_to_num((end - table["date"]).dt.days / 365.25),
        reason=reason,
    )


def field_of(
    records: Records, condition: pd.DataFrame, readings: pd.DataFrame, end: pd.Timestamp
) -> ProbeField:
    """Field of the probes in the reading of each tower.

    Parameters
    ----------
    records, condition, readings, end : Records, DataFrame, DataFrame, Timestamp
        As for `bond_readings`, and what it returns.

    Returns
    -------
    ProbeField
    """
    own_ohm = readings["own_ohm"].to_numpy(float)
    outside = readings["outside_coils"].to_numpy(bool)
    return probe_field(records, cast("pd.Series", condition["tower_id"]), readings, own_ohm, outside, end)


def usual_frequency(grades: Grades, end: pd.Timestamp, frequency_hz: float) -> float:
    """Test frequency of most visits up to `end` [Hz]; `frequency_hz` where no visit has one."""
    read = grades.visits.loc[grades.visits["date"] <= end, "test_frequency_hz"]
    common = read[read > 0].mode()
    return float(frequency_hz if common.empty else common.iloc[0])


def _candidates(visits, outside):
    """Every reading by which a bond can be judged, one row each; `first` is 1 for an impedance."""
    alone = visits["method"].isin(FOOTING_ALONE)
    second = visits["impedance_no_coils_ohm"].where(alone)
    z_ohm = second.fillna(visits["impedance_ohm"].where(visits["method"] == "no coils"))
    reading_u = number("impedance_reading_percent") / 100 / np.sqrt(3)
    by_current = visits["legs_ma"].notna() & visits["injected_ma"].gt(0)
    lam = visits["leg_share_lambda"].where(by_current & (visits["leg_share_lambda"] > 0))
    shared = visits.assign(
        own_ohm=visits["impedance_ohm"].where(alone & (visits["impedance_ohm"] > 0)), other_share=lam
    )
    impedance = shared.assign(kind=IMPEDANCE, measured=z_ohm, measured_u=reading_u, first=1)
    share = shared.assign(kind=SHARE, measured=lam, measured_u=visits["leg_share_u"] / lam, first=0)
    share = share[~share["tower_id"].map(outside).fillna(False).astype(bool)]
    both = pd.concat([share[share["measured"] > 0], impedance[impedance["measured"] > 0]], ignore_index=True)
    kept = [*_VISIT, "kind", "measured", "measured_u", "own_ohm", "other_share", "first"]
    return both[kept]


def _with_footing(table, condition):
    """The footing of the same visit, else the one in force; with its uncertainty."""
    instrument_u = np.log1p(number("operating_uncertainty_percent") / 100) / Z_95
    own = table["own_ohm"].to_numpy(float)
    in_force = condition["footing_ohm"].where(condition["footing_ohm"] > 0).to_numpy(float)
    table = table.rename(columns={"visit_id": "bond_visit_id", "date": "bond_date"})
    return table.assign(
        own_ohm=np.where(np.isnan(own), in_force, own),
        own_u=np.where(np.isnan(own), np.nan, instrument_u),
        own_read=~np.isnan(own),
        lifted=(table["method"] == LIFTED).to_numpy(bool),
        caution=(table["footing_verdict"] == "usable with caution").to_numpy(bool),
    ).drop(columns=["method", "footing_verdict", "first"])


def _in_service(condition, currents, grades, end):
    """Robust z of the current down each tower among those of the line: newest visit, the higher of total and rise."""
    day = grades.visits.set_index("visit_id")[["tower_id", "date"]]
    table = currents.reindex(columns=["visit_id", *_IN_SERVICE]).join(day, on="visit_id")
    table = table[
        (table["date"] <= end) & table["total_vs_line"].notna() & (table["peer_class"] == "legs alone")
    ]
    table = table.sort_values("date", kind="stable").drop_duplicates("tower_id", keep="last")
    # A high footing explains a low total, but not a low rise of the tower.
    z = np.fmax(table["total_vs_line"].astype(float), table["rise_vs_line"].astype(float))
    return condition["tower_id"].map(pd.Series(z.to_numpy(), table["tower_id"])).to_numpy(float)


@dataclass(frozen=True)
class Shares:
    """Expected and measured shares of the n towers of a line.

    Attributes
    ----------
    frequency_hz : array, shape (n,)
        Of the reading; the usual one of the line where the tower has none [Hz].
    share, no_coils_ohm : array, shape (n,)
        Expected with a sound bond, in the field of the probes [1], [Ω].
    field_ohm : array, shape (n,)
        Part of `no_coils_ohm` that the field of the probes makes [Ω].
    measured_share : array, shape (n,)
        Share of the injected current in the legs by the reading [1]; NaN without one.
    off : array, shape (n,)
        Natural logarithm of reading over expected value, less `centre`; NaN without a reading.
    u : array, shape (n,)
        Standard uncertainty of `off`, widened to the scatter along the line.
    stated_u : array, shape (n,)
        The stated part of `u`.
    spread : array, shape (n,)
        What the scatter along the line adds to the stated uncertainty, as a standard deviation of `off`.
    centre : array, shape (n,)
        Median of the logarithms over the line, which is attributed to the wire data; of its own for towers with an
        earth path beside the coils.
    field_factor : float
        Size of the probes' field, over that of uniform soil, by which the readings agree best.
    opened : tuple of int
        Spans that are taken as open.
    beside : array, shape (n,)
        The largest `off` at the tower that an open span on one of its sides would make.
    raised : array, shape (n − 1, n)
        `off` that each open span would make at each tower.
    rest_s : array of complex, shape (n,)
        Admittance of the rest of the line [S].
    bond_ohm, bond_low_ohm, bond_high_ohm : array, shape (n,)
        Bond that explains the reading, with its 95 % interval [Ω].
    factor : array, shape (2, n)
        Likelihood of the reading with a worn bond, and with an open one, over that with a sound one; 1 without a reading.
    """

    frequency_hz: np.ndarray
    share: np.ndarray
    no_coils_ohm: np.ndarray
    field_ohm: np.ndarray
    measured_share: np.ndarray
    off: np.ndarray
    u: np.ndarray
    stated_u: np.ndarray
    spread: np.ndarray
    centre: np.ndarray
    field_factor: float
    opened: tuple[int, ...]
    beside: np.ndarray
    raised: np.ndarray
    rest_s: np.ndarray
    bond_ohm: np.ndarray
    bond_low_ohm: np.ndarray
    bond_high_ohm: np.ndarray
    factor: np.ndarray


def expected_shares(
    model: LineModel,
    readings: pd.DataFrame,
    usual_hz: float,
    field: ProbeField,
    opened: tuple[int, ...] = (),
) -> Shares:
    """Expected leg shares of a line of n towers, beside n `bond_readings`; spans in `opened` are taken as open.

    Parameters
    ----------
    model : LineModel
        n towers.
    readings : pandas.DataFrame
        As of `bond_readings`, n rows.
    usual_hz : float
        Test frequency for towers without a reading [Hz].
    field : ProbeField
        Field of the probes in those readings, n values.
    opened : tuple of int
        Spans that are taken as open.

    Returns
    -------
    Shares

    Notes
    -----
    The median of all readings over their expected values is attributed to the wire data and removed. The size of the
    probes' field is fitted to the line, since the soil at the depth that it meets is not known.

    References
    ----------
    Current divider and ladder; statistics as in `towerlib.network.model`.
    """
    read_hz = readings["test_frequency_hz"].to_numpy(float)
    frequency_hz = np.where(read_hz > 0, read_hz, usual_hz)
    own_ohm = np.where(readings["own_ohm"].isna(), model.footing_ohm, readings["own_ohm"])
    own_u = np.where(readings["own_u"].isna(), model.footing_u, readings["own_u"])
    line = _Reading(model, readings, frequency_hz, own_ohm, own_u, field)
    rest_s = _rest(line, opened)
    factor = _field_factor(line, rest_s)
    line = replace(line, field=field.times(factor))
    drawn = _Drawn(line, opened)
    raw, outside = _off(line, rest_s), readings["outside_coils"].to_numpy(bool)
    stated_u = np.hypot(readings["measured_u"].to_numpy(float), _expected_u(line, rest_s, drawn))
    centre = line_centre(raw, outside)
    off = raw - centre
    spread = line_spread(off, stated_u, outside)
    u = np.hypot(stated_u, spread)
    own = _own(line, rest_s)
    bonded = model.bonded
    plain = 1 / np.abs(1 / own + rest_s)
    no_coils = reading_ohm(own, rest_s, line.field)
    raised = raw - _off(line, _rest_opened(line, opened))
    beside = _beside(raised)
    return Shares(
        frequency_hz=frequency_hz,
        share=np.where(bonded, np.abs(leg_current(own, rest_s, line.field)), 1.0),
        no_coils_ohm=np.where(bonded, no_coils, own_ohm),
        field_ohm=np.where(bonded, no_coils - plain, 0.0),
        measured_share=_as_share(line),
        off=off,
        u=u,
        stated_u=stated_u,
        spread=spread,
        centre=centre,
        field_factor=factor,
        opened=opened,
        beside=beside,
        raised=raised,
        rest_s=rest_s,
        factor=_factor(line, rest_s, off, u, beside, centre),
        **_bonds(line, rest_s * np.exp(-centre), drawn, centre),
    )


@dataclass(frozen=True)
class _Reading:
    """A line with its readings."""

    model: LineModel
    readings: pd.DataFrame
    frequency_hz: np.ndarray
    own_ohm: np.ndarray
    own_u: np.ndarray
    field: ProbeField

    @property
    def measured(self) -> np.ndarray:
        """Readings, of bonded towers with a test frequency only."""
        known = (self.readings["reason"] == "").to_numpy() & self.model.bonded
        return np.where(known, self.readings["measured"].to_numpy(float), np.nan)

    @property
    def by_share(self) -> np.ndarray:
        """Readings that are shares of the current."""
        return (self.readings["kind"] == SHARE).to_numpy()

    @property
    def outside(self) -> np.ndarray:
        """Towers with an earth path beside the coils."""
        return self.readings["outside_coils"].to_numpy(bool)


class _Drawn:
    """Perturbed footings, fields and lines, shape (draws, towers) each."""

    def __init__(self, line: _Reading, opened: tuple[int, ...]) -> None:
        """Draw them once."""
        shape = int(number("network_draws")), len(line.own_ohm)
        noise = np.random.default_rng([SEED, 1]).standard_normal((2, *shape))
        self.own_ohm = line.own_ohm * np.exp(line.own_u * noise[0])
        self.field = line.field.times(np.exp(line.field.log_u * noise[1]))
        self.rest_s = np.full(shape, np.nan, complex)
        for frequency_hz, towers in _each_frequency(line):
            self.rest_s[:, towers] = copies(line.model, frequency_hz, opened=opened).rest_s[:, towers]


def _each_frequency(line):
    """Every frequency of the line with the towers that were read at it."""
    for frequency_hz in np.unique(line.frequency_hz):
        yield frequency_hz, line.frequency_hz == frequency_hz


def _rest(line, opened):
    """Admittance of the rest of the line at each tower, at its own frequency [S]."""
    rest_s = np.full(len(line.own_ohm), np.nan, complex)
    for frequency_hz, towers in _each_frequency(line):
        points = driving_points(ladder_at(line.model, frequency_hz, opened=opened))
        rest_s[towers] = points.rest_s[towers]
    return rest_s


def _rest_opened(line, opened):
    """The same with each span opened beside, shape (spans, towers)."""
    rest_s = np.full((len(line.own_ohm) - 1, len(line.own_ohm)), np.nan, complex)
    for frequency_hz, towers in _each_frequency(line):
        ladder = ladder_at(line.model, frequency_hz, opened=opened)
        cases = openings(ladder, bonds=[])
        with np.errstate(divide="ignore", invalid="ignore"):  # a piece without a path to earth has NaN
            rest_s[:, towers] = (1 / cases.wire_ohm - ladder.tower_s)[:, towers]
    return rest_s


def _own(line, rest_s, own_ohm=None, field=None):
    """Footing behind the reading with coils [Ω]; one of another visit is taken as it is."""
    own_ohm, field = line.own_ohm if own_ohm is None else own_ohm, field or line.field
    seen_s = np.where(line.readings["lifted"], 0.0, rest_s)
    return np.where(line.readings["own_read"], true_footing(own_ohm, seen_s, field), own_ohm)


def _expected(line, rest_s, own_ohm=None, field=None, factor=None):
    """Reading that is expected: a share or an impedance. `factor` is the whole footing over what the coils see."""
    field = field or line.field
    own = (1.0 if factor is None else factor) * _own(line, rest_s, own_ohm, field)
    share = np.abs(leg_current(own, rest_s, field))
    return np.where(line.by_share, share, reading_ohm(own, rest_s, field))


def _off(line, rest_s, own_ohm=None, field=None):
    """Logarithm of reading over the value expected of a sound bond."""
    with np.errstate(divide="ignore", invalid="ignore"):  # a tower without any wire beside it has no figure
        expected = _expected(line, rest_s, own_ohm, field)
        return np.where(rest_s == 0, np.nan, np.log(line.measured / expected))


FIELD_FACTORS = np.linspace(0.0, 1.5, 16)
FIELD_SCALE, CENTRE_SCALE = (
    0.2,
    0.25,
)  # of the logarithms of readings, and of the wire data, for the fit of the field
TAIL = 8  # degrees of freedom of Student's law: misreadings that no rule of quality catches


def _field_factor(line, rest_s):
    """Size of the field over that of uniform soil that makes the readings of the line agree best; 1 where few show it."""
    inside = np.isfinite(_off(line, rest_s)) & (line.field.apart_ohm > 0)
    if (inside & ~line.outside).sum() >= number("peer_count_min"):
        inside &= ~line.outside
    if inside.sum() < number("peer_count_min"):
        return 1.0
    losses = []
    for factor in FIELD_FACTORS:
        off = _off(line, rest_s, None, line.field.times(factor))[inside]
        centre = np.median(off)
        loss = (TAIL + 1) / 2 * np.log1p(((off - centre) / FIELD_SCALE) ** 2 / TAIL).sum()
        prior = ((factor - 1) / number("probe_soil_u")) ** 2 + (centre / CENTRE_SCALE) ** 2
        losses.append(loss + prior / 2)
    return float(FIELD_FACTORS[int(np.argmin(losses))])


def _expected_u(line, rest_s, drawn):
    """Standard uncertainty of the logarithm of the expected value."""
    spread = _off(line, drawn.rest_s, drawn.own_ohm, drawn.field).std(axis=0, ddof=1)
    with np.errstate(divide="ignore", invalid="ignore"):
        unknown = line.field.unknown_ohm / reading_ohm(_own(line, rest_s), rest_s, line.field)
    return np.hypot(spread, np.nan_to_num(unknown))


def line_centre(off: np.ndarray, outside: np.ndarray) -> np.ndarray:
    """Median over the line, of its own for towers with a path beside the coils; 0 where too few towers were read."""
    known, least = np.isfinite(off), number("peer_count_min")
    whole = float(np.median(off[known])) if known.sum() >= least else 0.0
    centre = np.full(len(off), whole)
    for kind in (outside, ~outside):
        if (kind & known).sum() >= least:
            centre[kind] = np.median(off[kind & known])
    return centre


def line_spread(off: np.ndarray, stated_u: np.ndarray, outside: np.ndarray) -> np.ndarray:
    """Robust scatter of the readings of a line beyond their stated uncertainty, of its own with paths beside the coils."""
    found, least = np.zeros(len(off)), number("peer_count_min")
    for kind, usual in ((~outside, number("bond_line_spread")), (outside, number("bond_line_spread_beside"))):
        known = np.isfinite(off) & kind
        count, beyond = int(known.sum()), 0.0
        if count:
            seen = MAD_TO_SIGMA * np.median(np.abs(off[known] - np.median(off[known])))
            beyond = max(seen**2 - float(np.median(stated_u[known] ** 2)), 0.0)
        found[kind] = np.sqrt((least * usual**2 + count * beyond) / (least + count))
    return found


MAD_TO_SIGMA = 1.4826


def _beside(raised):
    """Rise of the expected value (logarithm) at each tower by the worse of the open spans beside it."""
    spans = np.arange(len(raised))
    worse = np.zeros(len(raised) + 1)
    for towers in (spans, spans + 1):
        np.maximum.at(worse, towers, np.nan_to_num(raised[spans, towers]))
    return worse


def _as_share(line):
    """Readings as shares of the injected current."""
    return np.where(line.by_share, line.measured, line.measured / line.own_ohm)


def _bonds(line, rest_s, drawn, centre):
    """Bond that explains each reading, with its interval."""
    share = _as_share(line)
    noise = np.random.default_rng([SEED, 2]).standard_normal(drawn.own_ohm.shape)
    measured = line.measured * np.exp(line.readings["measured_u"].to_numpy(float) * noise)
    drawn_share = np.where(line.by_share, measured, measured / drawn.own_ohm)
    drawn_ohm = _bond(line, drawn_share, drawn.own_ohm, drawn.rest_s * np.exp(-centre), drawn.field)
    drawn_ohm = np.where(np.isnan(share), np.nan, np.nan_to_num(drawn_ohm, nan=0.0, posinf=np.inf))
    low, high = np.quantile(drawn_ohm, [0.025, 0.975], axis=0, method="nearest")
    bond_ohm = _bond(line, share, line.own_ohm, rest_s, line.field)
    return {"bond_ohm": bond_ohm, "bond_low_ohm": low, "bond_high_ohm": high}


def _bond(line, share, own_ohm, rest_s, field):
    """Bond that explains a share; without any wire beside the tower it cannot be decided."""
    alone = rest_s == 0
    footing, without = without_field(own_ohm, share * own_ohm, field)
    own = np.where(line.readings["own_read"] & ~line.readings["lifted"], footing, own_ohm)
    plain = np.where(field.apart_ohm > 0, np.fmax(without, 1e-3 * share), share)
    return np.where(alone, np.nan, bond_resistance(plain, own, np.where(alone, 1.0, rest_s)))


# ---- probability of a poor bond

SIZES = np.linspace(0.0, 1.0, 40)  # of a poor bond, in the logarithm of ohms from the least to the greatest
BESIDE = np.exp(
    np.linspace(np.log(0.08), 0.0, 6)
)  # whole footing over what the coils see, with a path beside them
MINOR = np.array([0.1, 0.3, 0.6])  # of the least ohms: a bond that is not quite sound, and counts as sound


def _factor(line, rest_s, off, u, beside, centre):
    """Likelihood of each reading with a worn and with an open bond over that with a sound one."""
    factor = np.ones((2, len(off)))
    unread = _unread_beside(np.isnan(off))
    for k in np.flatnonzero(np.isfinite(off) & np.isfinite(u)):
        one = _only(line, k)
        predicted = _predicted(one, rest_s[k])
        fixed = np.hypot(one.readings["measured_u"].iloc[0], number("bond_open_u"))
        if not one.readings["own_read"].iloc[0] and not one.by_share[0]:
            fixed = np.hypot(fixed, one.own_u[0])
        span = number("bond_span_prior") * (1.0 if unread[k] else SPAN_READ)
        sound, *poor = _likelihoods(predicted, off[k], (fixed, u[k]), centre[k], (span, beside[k]))
        slip = number("bond_slip") * (number("bond_slip_caution") if one.readings["caution"].iloc[0] else 1.0)
        flat = slip / (max(predicted["open"].max() - predicted["sound"], 0.0) + SLIP_WIDTH)
        factor[:, k] = ((1 - slip) * np.array(poor) + flat) / ((1 - slip) * sound + flat)
    return factor


def _likelihoods(predicted, off, scales, centre, beside):
    """Likelihood of a reading with a sound bond, with a worn one, and with an open one.

    `predicted` is of `_predicted`; `off` the logarithm of reading over expected value less `centre`. What is uncertain in
    the line (`scales`, its second) counts in full with a sound bond and not at all with an open one.
    """
    fixed, line_u = scales
    span, rise = beside
    log_sound, reach = predicted["sound"], max(predicted["open"].max() - predicted["sound"], 1e-6)
    # A reading under the expected one speaks no more for a sound bond than the expected one does.
    seen = log_sound + centre + max(off, 0.0)

    def density(logs, raised=0.0):
        by_line = np.clip(1 - (logs - log_sound) / reach, 0.0, 1.0)
        return student(seen - logs - raised - centre * by_line, np.hypot(fixed, line_u * by_line))

    minor = number("bond_minor_prior")
    sound = (1 - span - minor) * density(log_sound) + span * density(log_sound, rise)
    sound += minor * density(predicted["minor"]).mean()
    return sound, density(predicted["worn"]).mean(), density(predicted["open"]).mean()


SPAN_READ = (
    0.05  # of the prior of an open span beside, where the neighbours were read: the scan looks for those
)
SLIP_WIDTH = 3.0  # logarithm: how far a misreading may lie beyond the readings of a sound and of an open bond


def _only(line, k):
    """One tower of the line."""
    rows = slice(k, k + 1)
    return _Reading(
        replace(line.model, bonded=line.model.bonded[rows]),
        line.readings.iloc[rows],
        line.frequency_hz[rows],
        line.own_ohm[rows],
        line.own_u[rows],
        line.field.rows(rows),
    )


def _predicted(one, rest_s):
    """Ln of the reading with an open bond, with worn ones, with minor ones, and with a sound one."""
    least = max(number("bond_least_ohm"), number("bond_least_share") * one.own_ohm[0])
    most = max(number("bond_most_ohm"), 10 * least)
    sizes = np.exp(np.log(least) + SIZES * np.log(most / least))
    factors = BESIDE if one.outside[0] else np.ones(1)
    ohm = np.concatenate([[0.0], MINOR * least, sizes])[:, None]
    logs = np.log(_expected(one, 1 / (1 / rest_s + ohm), factor=factors))
    opened = np.log(_expected(one, np.zeros((1, 1)), factor=factors))
    first = 1 + len(MINOR)
    return {"sound": logs[0, -1], "minor": logs[1:first, -1], "worn": logs[first:], "open": opened}


def student(z: np.ndarray | float, scale: np.ndarray | float) -> np.ndarray:
    """Density of Student's law with `TAIL` degrees of freedom at z, of a scale."""
    from scipy.special import gammaln

    norm = np.exp(gammaln((TAIL + 1) / 2) - gammaln(TAIL / 2)) / np.sqrt(TAIL * np.pi)
    return norm / scale * (1 + (np.asarray(z) / scale) ** 2 / TAIL) ** (-(TAIL + 1) / 2)


def _unread_beside(unread):
    """Towers beside which a tower was not read, so that an open span may explain a high reading."""
    return np.r_[unread[1:], True] | np.r_[True, unread[:-1]]


def service_factor(z: np.ndarray) -> np.ndarray:
    """Likelihood of a current in service with an open bond over that with a sound or a worn one.

    Parameters
    ----------
    z : array
        Robust z of ln total among the towers of the line; NaN where it says nothing.

    Returns
    -------
    array
        1 where z is NaN.

    Notes
    -----
    Sound: Student's law, scale 1. Open: what flows is the leakage of the tower's own strings and loops, some
    ``bond_service_drop`` standard deviations lower, with a wide spread; some open bonds carry a usual current. Worn
    bonds of some ohms change little at 50 Hz.

    Examples
    --------
    >>> print(service_factor(np.array([np.nan, -4.0, 1.0])).round(2))
    [ 1.   84.62  0.17]
    """
    known = np.nan_to_num(np.asarray(z, float))
    sound = student(known, 1.0)
    spread, missed = number("bond_service_spread"), number("bond_service_missed")
    opened = (1 - missed) * student(known + number("bond_service_drop"), spread) + missed * sound
    return np.where(np.isnan(z), 1.0, opened / sound)


def probabilities(
    shares: Shares, readings: pd.DataFrame, bonded: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Probability of a poor bond at each tower.

    Parameters
    ----------
    shares, readings : Shares, DataFrame
        As of `expected_shares` and `bond_readings`, n towers.
    bonded : array of bool, shape (n,)
        By design the tower is bonded.

    Returns
    -------
    tuple of two arrays, shape (n,)
        By all evidence; NaN where nothing was read or no bond is there by design. By the injected test alone; NaN
        without one.

    Notes
    -----
    Bayes: prior ``bond_prior``. Sound: ln(reading/expected) is about 0. Poor: a series resistance from
    ``bond_least_ohm`` (or ``bond_least_share`` of the footing where that is more) to ``bond_most_ohm``, uniform in its
    logarithm, or open. Both with Student's law, and with a share of misreadings that say nothing. The currents in
    service add a factor of their own, for open bonds, and ``bond_lost_per_year`` the bonds lost since. A bond that the
    crew saw damaged or missing has probability 1.
    """
    service_z = readings["service_z"].to_numpy(float)
    tested = np.isfinite(shares.off)
    by_test = np.where(tested, _posterior(*shares.factor), np.nan)
    every = _posterior(shares.factor[0], shares.factor[1] * service_factor(service_z))
    every = np.where(tested | np.isfinite(service_z), every, np.nan)
    # A bond may be lost after its newest reading.
    every = 1 - (1 - every) * (1 - np.minimum(number("bond_lost_per_year") * readings["age_years"], 0.5))
    every = np.where(readings["seen"].isin(BOND_GONE), 1.0, every)
    return np.where(bonded, every, np.nan), np.where(bonded, by_test, np.nan)


def _posterior(worn, opened):
    """Probability of a poor bond from the likelihoods of a worn and of an open one over that of a sound one."""
    prior, share = number("bond_prior"), number("bond_open_share")
    odds = prior / (1 - prior) * ((1 - share) * worn + share * opened)
    return odds / (1 + odds)


SOUND, WORN, OPEN, UNKNOWN = "sound", "worn", "open suspected", "not known"
MUCH = 5.0  # an interval that reaches so many times the value has no meaningful upper end
INSPECT = wording("inspect_bond")


@dataclass(frozen=True)
class Verdicts:
    """Verdict on each of n bonds.

    Attributes
    ----------
    state : array of str
        ``sound``, ``worn``, ``open suspected`` or ``not known``.
    suspect : array of bool
        The probability is at least 0.5.
    decided : array of bool
        By the injected test itself, with a probability of ``bond_decided`` at least, the legs taking
        ``leg_share_suspect`` of the current at least, and no earth path beside the coils.
    probability : array
        Of a poor bond by all evidence [1]; NaN where nothing was read.
    by_test : array
        By the injected test alone [1]; NaN without one.
    evidence : array of str
        Sentences.
    """

    state: np.ndarray
    suspect: np.ndarray
    decided: np.ndarray
    probability: np.ndarray
    by_test: np.ndarray
    evidence: np.ndarray


def judge(model: LineModel, readings: pd.DataFrame, shares: Shares) -> Verdicts:
    """State of each bond, its probability of being poor, and the evidence.

    Parameters
    ----------
    model, readings, shares : LineModel, DataFrame, Shares
        The line, as of `line_model`, `bond_readings` and `expected_shares`.

    Returns
    -------
    Verdicts

    Notes
    -----
    *Sound* asks for more than no suspicion: with the same uncertainty a share of ``leg_share_suspect`` would have been
    seen. Where two shield wires have a bond each, one of them carries.
    """
    probability, by_test = probabilities(shares, readings, model.bonded)
    with np.errstate(invalid="ignore"):
        z = shares.off / shares.u
        suspect, low = probability >= SUSPECT_FROM, z <= -number("bond_z")
        by_reading = by_test >= SUSPECT_FROM
        sensitive = shares.share * np.exp(SENSITIVE_Z * shares.u) < number("leg_share_suspect")
        clear = (by_test <= CLEAR_TO) & ~suspect
        span_too = by_reading & _span_may_explain(shares, np.isnan(z))
        most = shares.measured_share >= number("leg_share_open")
        decided = (by_test >= number("bond_decided")) & (shares.measured_share >= number("leg_share_suspect"))
    outside = readings["outside_coils"].to_numpy(bool)
    state = np.select(
        [np.isnan(z) | low | span_too, by_reading & most & ~outside, by_reading, clear & sensitive],
        [UNKNOWN, OPEN, WORN, SOUND],
        UNKNOWN,
    )
    either = (z >= SENSITIVE_Z) & _span_may_explain(shares, np.isnan(z))
    flags = zip(z, by_reading, low, either, clear & sensitive, strict=True)
    words = [
        _words(model, readings.iloc[k], shares, k, flag)
        + _probability_words(probability[k], readings.iloc[k])
        for k, flag in enumerate(flags)
    ]
    return Verdicts(
        state, suspect, decided & ~outside & ~span_too, probability, by_test, np.array(words, object)
    )


SUSPECT_FROM, CLEAR_TO = 0.5, 0.1
SENSITIVE_Z = 2.0


def certain(verdicts: Verdicts, shares: Shares) -> np.ndarray:
    """Bonds that are suspected whatever the spans beside them are like.

    Parameters
    ----------
    verdicts, shares : Verdicts, Shares
        n towers.

    Returns
    -------
    array of bool, shape (n,)
    """
    with np.errstate(invalid="ignore"):
        beyond = shares.off - shares.beside >= SENSITIVE_Z * shares.u
        return (verdicts.by_test >= SUSPECT_FROM) & beyond


def _span_may_explain(shares, unread):
    """An open span beside the tower fits as well, and the tower behind that span was not read."""
    return _unread_beside(unread) & (shares.off - shares.beside < SENSITIVE_Z * shares.u)


def _probability_words(probability, reading):
    """The probability as a sentence, with what the crew saw."""
    if np.isnan(probability):
        return ""
    if reading["seen"] in BOND_GONE:
        return f" The crew saw the bond {reading['seen']}."
    service = ""
    if np.isfinite(z := reading["service_z"]) and service_factor(np.array(z)) > SERVICE_SAID:
        service = f" with the current in service (robust z {z:.1f})"
    return f" Probability of a poor bond{service}: {_rounded(probability)}."


SERVICE_SAID = 3.0  # likelihood ratio from which the current in service belongs to the evidence


def _rounded(probability):
    """A probability as people read it."""
    if probability < 0.01:
        return "under 0.01"
    return "over 0.99" if probability > 0.99 else f"{probability:.2f}"


def _words(model, reading, shares, k, flags):
    """Evidence of one tower."""
    z, high, low, span_too, enough = flags
    if not model.bonded[k]:
        return "No bonded shield wire at this tower, by design."
    if reading["reason"]:
        return f"Not known: {reading['reason']}."
    if np.isnan(z):
        return "Not known: no shield wire leads away from this tower."
    figures = _figures(reading, shares, k, z)
    if high:
        return " ".join([figures, *_explanations(reading, shares, k, span_too), INSPECT])
    if low:
        older = " An older reading, from before a span broke, gives the same result." if shares.opened else ""
        return f"{figures} Less than any bond allows: a slip, probes too near or wrong wire data.{older}"
    if enough:
        several = " One open bond of two would not show." if len(model.wires.x_m) > 1 else ""
        return f"{figures} That is the value expected of a sound bond.{several}"
    doubt = f"{figures} The uncertainty is too large to distinguish a sound bond from a worn one."
    return f"{doubt} {SPAN_TOO}" if span_too else doubt


def _figures(reading, shares, k, z):
    """Reading and expected value."""
    measured, expected = reading["measured"], shares.share[k]
    unit, beside = "", ""
    text = "The legs take {} of the injected current"
    scale = np.exp(shares.centre[k])
    if reading["kind"] == "impedance":
        expected, unit = shares.no_coils_ohm[k], " Ω"
        text = "{} read without coils"
        if shares.field_ohm[k] > 0.2 * expected:
            beside = f", {figure(shares.field_ohm[k] * scale)} Ω of it from the field of the probes"
    expected = expected * scale
    return (
        text.format(f"{figure(measured, 3)}{unit}")
        + f" where {figure(expected)}{unit} is expected with a sound bond at {shares.frequency_hz[k]:g} Hz"
        + f"{beside} (z {z:.1f})."
    )


SPAN_TOO = "An open span beside the tower gives the same reading; the tower behind it was not read."


def _explanations(reading, shares, k, span_too):
    """What would explain a reading that is too high."""
    factor = np.exp(shares.beside[k])
    parts = [_bond_words(reading, shares, k)]
    if span_too:
        parts.append(SPAN_TOO)
    else:
        parts.append(
            f"A broken wire beside the tower would raise it {figure(factor)} times, not {_times(shares, k)}."
        )
    if np.isfinite(reading["other_share"]) and reading["kind"] == "impedance":
        parts.append(f"By the currents the legs take {reading['other_share']:.2f}.")
    parts.append("A shield wire insulated or ended here, or a slip in a reading, gives the same reading.")
    return parts


def _times(shares, k):
    """How many times the expected value was read."""
    return figure(np.exp(shares.off[k]))


def _bond_words(reading, shares, k):
    """The bond that explains it."""
    if reading["outside_coils"]:
        return "A bond that is worn or open explains it; an earth path beside the coils leaves its size open."
    low, value, high = (getattr(shares, name)[k] for name in ("bond_low_ohm", "bond_ohm", "bond_high_ohm"))
    share = f"The legs would take {shares.measured_share[k]:.2f} of the current."
    if not np.isfinite(value):
        return f"{share} A bond that carries nothing explains it."
    if not high < MUCH * value:
        return f"{share} A bond of {figure(low)} Ω or more, or an open one, explains it."
    return f"{share} A bond of {figure(value)} Ω ({figure(low)} to {figure(high)} Ω) explains it."


GIVES_WAY = ("none", "too small to judge", "cannot tell", "ring or other earth path")
CANNOT_TELL, NOTHING = "cannot tell", "none"
ADDED = """
    leg_share_expected no_coils_expected_ohm bond_ohm bond_state suspicion_probability bond_decided bond_evidence
    potential_rise_v fault_current_a safety_screen safety_evidence bond_scan bond_testable
""".split()


def join(condition: pd.DataFrame, network: Network) -> pd.DataFrame:
    """Condition of the towers with the findings of the network analysis.

    Parameters
    ----------
    condition : pandas.DataFrame
        One row per tower, as of `towerlib.condition.assess`.
    network : Network
        As of `towerlib.network.assess`, of the same towers.

    Returns
    -------
    pandas.DataFrame
        The same rows and order, with the columns of `ADDED`, and span_suspected: the far ends of the suspected
        spans that begin or end here, else blank. suspected_cause becomes ``bond: inspect`` or ``span: inspect``
        where nothing else was suspected; its evidence gets the numbers of the network in front.

    Notes
    -----
    A cause that is a flaw of the readings (a coil reversed, wrong turns, a weak leg) stays: the evidence of the
    bond goes in front of its own. Evidence of the readings alone on a suspected bond gives way to that of the network.
    A bond that the visit suspects and the network does not becomes ``none`` where it is sound, else ``cannot tell``.
    What the crew saw of a bond raises no cause: it is a finding, and no suspicion.
    """
    added = network.towers[["tower_id", *ADDED, "bond_z", "bond_suspect", "bond_scan_evidence"]]
    table = condition.drop(columns=[name for name in ADDED if name in condition])
    table = table.merge(added, on="tower_id", how="left", validate="1:1").set_axis(condition.index)
    seen = table["bond_seen"].isin(BOND_GONE) if "bond_seen" in table else pd.Series(False, table.index)
    suspect, tested = table["bond_suspect"].eq(True).fillna(False).astype(bool), table["bond_z"].notna()
    by_state = table["bond_state"].isin([WORN, OPEN])
    suspect &= ~seen | by_state
    scanned = table["bond_scan_evidence"].fillna("") != ""
    cause = table["suspected_cause"]
    raised = (suspect | scanned) & (cause.isna() | cause.isin(GIVES_WAY))
    doubted = cause.isin(BOND_CAUSES) & table["suspicion_probability"].lt(SUSPECT_FROM) & ~scanned & ~seen
    cleared = doubted & table["bond_state"].eq(SOUND) & cause.eq(BOND_CAUSE)
    news = np.where(suspect | doubted, table["bond_evidence"], table["bond_scan_evidence"])
    # the network's evidence on a bond holds more than that of the readings alone; everything else is kept beside it
    before = table["evidence"].fillna("").mask(suspect & tested & cause.isin(BOND_CAUSES), "")
    before = before.mask(
        doubted, "By the visit alone: " + before.str.replace(INSPECT, "", regex=False).str.strip()
    )
    longer = pd.Series([f"{new} {old}".strip() for new, old in zip(news, before, strict=True)], table.index)
    table = table.assign(
        suspected_cause=cause.mask(raised, BOND_CAUSE).mask(doubted, CANNOT_TELL).mask(cleared, NOTHING),
        evidence=table["evidence"].mask(suspect | scanned | doubted, longer),
    ).drop(columns=["bond_suspect", "bond_scan_evidence", "bond_z"])
    return _with_spans(table, network.spans)


def _with_spans(table, spans):
    """The suspected span at both of its towers."""
    beside = spans[spans["span_scan"] == "suspected"]
    pairs = pd.concat(
        [
            beside.set_axis(["tower_id", "far", *beside.columns[2:]], axis=1),
            beside.set_axis(["far", "tower_id", *beside.columns[2:]], axis=1),
        ]
    )
    by_tower = pairs.groupby("tower_id", sort=False)
    far = table["tower_id"].map(by_tower["far"].agg(", ".join)).astype("str").fillna("")
    evidence = table["tower_id"].map(by_tower["span_evidence"].first()).astype("str").fillna("")
    here = far != ""
    words = "Span to tower " + far + ": " + evidence + " " + table["evidence"].fillna("")
    cause = table["suspected_cause"]
    return table.assign(
        span_suspected=far,
        suspected_cause=cause.mask(here & (cause.isna() | cause.isin(GIVES_WAY)), SPAN_CAUSE),
        evidence=table["evidence"].mask(here, words.str.strip()),
    )
