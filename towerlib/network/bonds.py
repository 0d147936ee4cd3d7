"""Bonds by the injected test: the reading of each tower, the expected leg share, and the state of each bond."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, cast

import numpy as np
import pandas as pd

from towerlib.network.model import Z_95, LineModel, copies, ladder_at
from towerlib.physics.fault_scan.response import openings
from towerlib.physics.ladder import bond_resistance, driving_points, leg_share_expected
from towerlib.physics.statistics import SEED
from towerlib.readings.causes import BOND_CAUSE, BOND_CAUSES, SPAN_CAUSE
from towerlib.readings.methods import FOOTING_ALONE, no
from towerlib.text import figure
from towerlib.values import number

if TYPE_CHECKING:
    from towerlib.network import Network
    from towerlib.readings.quality import Grades
    from towerlib.records.load import Records


IMPEDANCE, SHARE = "impedance", "share"
_VISIT = ["visit_id", "tower_id", "date", "method", "footing_verdict", "test_frequency_hz"]


def bond_readings(
    records: Records, condition: pd.DataFrame, currents: pd.DataFrame, grades: Grades, end: pd.Timestamp
) -> pd.DataFrame:
    """Reading of each tower by which its bond is judged, in the order of `condition`; visits after `end` are not seen.

    Columns bond_visit_id, bond_date, kind (``impedance``: the line in parallel was read without coils [Ω]; ``share``: of
    the injected current in the legs [1]), measured, measured_u (standard uncertainty of its logarithm), own_ohm and own_u
    (footing of the tower at that reading), outside_coils, other_share (of the same visit, by the currents), reason (why
    there is none). The impedance without coils goes first: the footing hardly enters it, while a share depends directly
    on it. Where an earth path lies outside the coils, only the impedance counts. Newest visit first.
    """
    outside = records.towers.set_index("tower_id")["earth_paths_in_coils"].reindex(condition["tower_id"])
    outside = no(cast("pd.Series", outside))
    visits = cast("pd.DataFrame", grades.visits[grades.visits["date"] <= end])
    share = currents[["visit_id", "leg_share_lambda", "leg_share_u"]]
    read = [*_VISIT, "impedance_ohm", "impedance_no_coils_ohm", "injected_ma", "legs_ma"]
    visits = cast("pd.DataFrame", visits[read]).merge(share, on="visit_id", how="left", validate="1:1")
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
    return _with_footing(table, condition).assign(outside_coils=outside.to_numpy(), reason=reason)


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
        own_ohm=np.where(np.isnan(own), in_force, own), own_u=np.where(np.isnan(own), np.nan, instrument_u)
    ).drop(columns=["method", "footing_verdict", "first"])


@dataclass(frozen=True)
class Shares:
    """Expected and measured shares of the n towers of a line.

    Attributes
    ----------
    frequency_hz : array, shape (n,)
        Of the reading; the usual one of the line where the tower has none [Hz].
    share, no_coils_ohm : array, shape (n,)
        Expected with a sound bond [1], [Ω].
    measured_share : array, shape (n,)
        Share of the injected current in the legs by the reading [1]; NaN without one.
    off : array, shape (n,)
        Natural logarithm of reading over expected value, less `centre`; NaN without a reading.
    u : array, shape (n,)
        Standard uncertainty of `off`.
    centre : float
        Median of the logarithms over the line, which is attributed to the wire data.
    opened : tuple of int
        Spans that are taken as open.
    beside : array, shape (n,)
        The largest `off` at the tower that an open span on one of its sides would make.
    bond_ohm, bond_low_ohm, bond_high_ohm : array, shape (n,)
        Bond that explains the reading, with its 95 % interval [Ω].
    """

    frequency_hz: np.ndarray
    share: np.ndarray
    no_coils_ohm: np.ndarray
    measured_share: np.ndarray
    off: np.ndarray
    u: np.ndarray
    centre: float
    opened: tuple[int, ...]
    beside: np.ndarray
    bond_ohm: np.ndarray
    bond_low_ohm: np.ndarray
    bond_high_ohm: np.ndarray


def expected_shares(
    model: LineModel, readings: pd.DataFrame, usual_hz: float, opened: tuple[int, ...] = ()
) -> Shares:
    """Expected leg shares of a line of n towers, beside n `bond_readings`; spans in `opened` are taken as open.

    Towers without a reading are computed at `usual_hz` [Hz]. The median of all readings over their expected values is
    attributed to the wire data and removed. Current divider and ladder; statistics as in `towerlib.network.model`.
    """
    read_hz = readings["test_frequency_hz"].to_numpy(float)
    frequency_hz = np.where(read_hz > 0, read_hz, usual_hz)
    own_ohm = np.where(readings["own_ohm"].isna(), model.footing_ohm, readings["own_ohm"])
    own_u = np.where(readings["own_u"].isna(), model.footing_u, readings["own_u"])
    line = _Reading(model, readings, frequency_hz, own_ohm, own_u)
    u = np.hypot(readings["measured_u"].to_numpy(float), _expected_u(line, opened))
    rest_s = _rest(line, opened)
    raw = _off(line, rest_s)
    centre = _centre(raw)
    found = _bonds(line, rest_s * np.exp(-centre), opened, centre)
    return Shares(
        frequency_hz=frequency_hz,
        share=leg_share_expected(own_ohm, rest_s, np.where(model.bonded, 0.0, np.inf)),
        no_coils_ohm=np.where(model.bonded, 1 / np.abs(1 / own_ohm + rest_s), own_ohm),
        measured_share=_as_share(line),
        off=raw - centre,
        u=u,
        centre=centre,
        opened=opened,
        beside=_beside(raw - _off(line, _rest_opened(line, opened))),
        **found,
    )


@dataclass(frozen=True)
class _Reading:
    """A line with its readings."""

    model: LineModel
    readings: pd.DataFrame
    frequency_hz: np.ndarray
    own_ohm: np.ndarray
    own_u: np.ndarray

    @property
    def measured(self) -> np.ndarray:
        """Readings, of bonded towers with a test frequency only."""
        known = (self.readings["reason"] == "").to_numpy() & self.model.bonded
        return np.where(known, self.readings["measured"].to_numpy(float), np.nan)

    @property
    def by_share(self) -> np.ndarray:
        """Readings that are shares of the current."""
        return (self.readings["kind"] == SHARE).to_numpy()


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


def _off(line, rest_s, own_ohm=None):
    """Logarithm of reading over the value expected of a sound bond."""
    own_ohm = line.own_ohm if own_ohm is None else own_ohm
    with np.errstate(divide="ignore", invalid="ignore"):  # a tower without any wire beside it has no figure
        expected = 1 / np.abs(np.where(line.by_share, 1 + own_ohm * rest_s, 1 / own_ohm + rest_s))
        return np.where(rest_s == 0, np.nan, np.log(line.measured / expected))


def _expected_u(line, opened):
    """Standard uncertainty of the logarithm of the expected value."""
    u = np.full(len(line.own_ohm), np.nan)
    own_ohm = _own_draws(line)
    for frequency_hz, towers in _each_frequency(line):
        drawn = copies(line.model, frequency_hz, opened=opened)
        u[towers] = _off(line, drawn.rest_s, own_ohm).std(axis=0, ddof=1)[towers]
    return u


def _own_draws(line):
    """Footing of each tower at its own reading, perturbed within its uncertainty [Ω]."""
    rng = np.random.default_rng([SEED, 1])
    noise = rng.standard_normal((int(number("network_draws")), len(line.own_ohm)))
    return line.own_ohm * np.exp(line.own_u * noise)


def _centre(off):
    """Median over the line; 0 where too few towers were read."""
    known = off[np.isfinite(off)]
    return float(np.median(known)) if len(known) >= number("peer_count_min") else 0.0


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


def _bonds(line, rest_s, opened, centre):
    """Bond that explains each reading, with its interval."""
    share = _as_share(line)
    own_ohm = _own_draws(line)
    noise = np.random.default_rng([SEED, 2]).standard_normal(own_ohm.shape)
    measured = share * line.own_ohm * np.exp(line.readings["measured_u"].to_numpy(float) * noise)
    drawn_share = np.where(line.by_share, measured / line.own_ohm, measured / own_ohm)
    drawn_ohm = np.full(own_ohm.shape, np.nan)
    for frequency_hz, towers in _each_frequency(line):
        drawn = copies(line.model, frequency_hz, opened=opened)
        drawn_ohm[:, towers] = _bond(drawn_share, own_ohm, drawn.rest_s * np.exp(-centre))[:, towers]
    drawn_ohm = np.where(np.isnan(share), np.nan, np.nan_to_num(drawn_ohm, nan=0.0, posinf=np.inf))
    low, high = np.quantile(drawn_ohm, [0.025, 0.975], axis=0, method="nearest")
    return {"bond_ohm": _bond(share, line.own_ohm, rest_s), "bond_low_ohm": low, "bond_high_ohm": high}


def _bond(share, own_ohm, rest_s):
    """Bond that explains a share; without any wire beside the tower it cannot be decided."""
    alone = rest_s == 0
    return np.where(alone, np.nan, bond_resistance(share, own_ohm, np.where(alone, 1.0, rest_s)))


SOUND, WORN, OPEN, UNKNOWN = "sound", "worn", "open suspected", "not known"
MUCH = 5.0  # an interval that reaches so many times the value has no meaningful upper end
INSPECT = "Inspect the bond under the utility's licensed procedure; never open it for a test."


def judge(
    model: LineModel, readings: pd.DataFrame, shares: Shares
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """State of each bond, the need for an inspection, and the evidence.

    Parameters
    ----------
    model, readings, shares : LineModel, DataFrame, Shares
        The line, as of `line_model`, `bond_readings` and `expected_shares`.

    Returns
    -------
    tuple of array, shape (n,)
        bond_state (one of ``sound``, ``worn``, ``open suspected``, ``not known``), bond_suspect (bool) and
        bond_evidence (sentences).

    Notes
    -----
    A bond is suspected where the reading lies ``bond_z`` standard uncertainties above the expected one and
    no open span explains it. *Sound* asks for more than no suspicion: with the same uncertainty a share of
    ``leg_share_suspect`` would have been seen. Where two shield wires have a bond each, one of them carries.
    """
    with np.errstate(invalid="ignore"):
        z = shares.off / shares.u
    high, low = z >= number("bond_z"), z <= -number("bond_z")
    sensitive = shares.share * np.exp(number("bond_z") * shares.u) < number("leg_share_suspect")
    unread = np.isnan(z)
    span_too = high & _span_may_explain(shares, unread)
    most = shares.measured_share >= number("leg_share_open")
    state = np.select(
        [unread | low | span_too, high & most & ~readings["outside_coils"].to_numpy(), high, sensitive],
        [UNKNOWN, OPEN, WORN, SOUND],
        UNKNOWN,
    )
    words = [
        _words(model, readings.iloc[k], shares, k, (z[k], high[k], low[k], span_too[k], sensitive[k]))
        for k in range(len(z))
    ]
    return state, high, np.array(words, object)


def certain(shares: Shares) -> np.ndarray:
    """Bonds that are suspected whatever the spans beside them are like.

    Parameters
    ----------
    shares : Shares
        n towers.

    Returns
    -------
    array of bool, shape (n,)
    """
    with np.errstate(invalid="ignore"):
        return shares.off - shares.beside >= number("bond_z") * shares.u


def _span_may_explain(shares, unread):
    """An open span beside the tower fits as well, and the tower behind that span was not read."""
    limit = number("bond_z")
    beside_unread = np.r_[unread[1:], True] | np.r_[True, unread[:-1]]
    return beside_unread & (shares.off - shares.beside < limit * shares.u)


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
        return f"{figures} That is the value expected of a sound bond. Of several bonds at least one carries."
    return f"{figures} The uncertainty is too large to distinguish a sound bond from a worn one."


def _figures(reading, shares, k, z):
    """Reading and expected value."""
    measured, expected = reading["measured"], shares.share[k]
    unit = ""
    text = "The legs take {} of the injected current"
    if reading["kind"] == "impedance":
        expected, unit = shares.no_coils_ohm[k], " Ω"
        text = "{} read without coils"
    expected = expected * np.exp(shares.centre)
    return (
        text.format(f"{figure(measured, 3)}{unit}")
        + f" where {figure(expected)}{unit} is expected with a sound bond at {shares.frequency_hz[k]:g} Hz (z {z:.1f})."
    )


def _explanations(reading, shares, k, span_too):
    """What would explain a reading that is too high."""
    factor = np.exp(shares.beside[k])
    parts = [_bond_words(reading, shares, k)]
    if span_too:
        parts.append(
            "An open span beside the tower gives the same reading; the tower behind it was not read."
        )
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
ADDED = """
    leg_share_expected no_coils_expected_ohm bond_ohm bond_state bond_evidence potential_rise_v fault_current_a
    safety_screen safety_evidence bond_scan bond_testable
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
    """
    added = network.towers[["tower_id", *ADDED, "bond_suspect", "bond_scan_evidence"]]
    table = condition.drop(columns=[name for name in ADDED if name in condition])
    table = table.merge(added, on="tower_id", how="left", validate="1:1").set_axis(condition.index)
    suspect = table["bond_suspect"].eq(True).fillna(False).astype(bool)
    scanned = table["bond_scan_evidence"].fillna("") != ""
    cause = table["suspected_cause"]
    raised = (suspect | scanned) & (cause.isna() | cause.isin(GIVES_WAY))
    news = np.where(suspect, table["bond_evidence"], table["bond_scan_evidence"])
    # the network's evidence on a bond holds more than that of the readings alone; everything else is kept beside it
    before = table["evidence"].fillna("").mask(suspect & cause.isin(BOND_CAUSES), "")
    longer = pd.Series([f"{new} {old}".strip() for new, old in zip(news, before, strict=True)], table.index)
    table = table.assign(
        suspected_cause=cause.mask(raised, BOND_CAUSE),
        evidence=table["evidence"].mask(suspect | scanned, longer),
    ).drop(columns=["bond_suspect", "bond_scan_evidence"])
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
