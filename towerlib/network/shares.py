"""What a sound bond lets expect at each tower at its own test frequency, and how far the reading stands off."""

from dataclasses import dataclass

import numpy as np

from towerlib.network.draws import copies
from towerlib.network.ladder import LineModel, ladder_at
from towerlib.network.readings import SHARE
from towerlib.physics.drivingpoints import driving_points
from towerlib.physics.legshare import bond_resistance, leg_share_expected
from towerlib.physics.statistics import SEED
from towerlib.physics.whatifs import openings
from towerlib.values import number


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
        Median of the logarithms over the line, which is taken for an error of the wire data.
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
    opened: tuple
    beside: np.ndarray
    bond_ohm: np.ndarray
    bond_low_ohm: np.ndarray
    bond_high_ohm: np.ndarray


def expected_shares(model: LineModel, readings, usual_hz, opened=()):
    """Expected shares of a line against the readings.

    Parameters
    ----------
    model : LineModel
        n towers.
    readings : pandas.DataFrame
        As of `bond_readings`, n rows.
    usual_hz : float
        Test frequency for towers without a reading [Hz].
    opened : tuple of int
        Spans that are taken as open.

    Returns
    -------
    Shares

    Notes
    -----
    The median of all readings over their expected values is put down to the wire data and taken out.

    References
    ----------
    Current divider and ladder; statistics as in `towerlib.network.draws`.
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
    readings: object
    frequency_hz: np.ndarray
    own_ohm: np.ndarray
    own_u: np.ndarray

    @property
    def measured(self):
        """Readings, of bonded towers with a test frequency only."""
        known = (self.readings["reason"] == "").to_numpy() & self.model.bonded
        return np.where(known, self.readings["measured"].to_numpy(float), np.nan)

    @property
    def by_share(self):
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
    """Logarithm of reading over what a sound bond lets expect."""
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
    """Footing of each tower at its own reading, as far off as it may be [Ω]."""
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
    """Bond that explains a share; without any wire beside the tower nothing can be said."""
    alone = rest_s == 0
    return np.where(alone, np.nan, bond_resistance(share, own_ohm, np.where(alone, 1.0, rest_s)))
