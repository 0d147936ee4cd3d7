"""How far off the expected values of a line may be: copies of the line, each as wrong as its data may be."""

from dataclasses import dataclass, replace

import numpy as np

from towerlib.network.ladder import LineModel, ladder_at
from towerlib.physics.drivingpoints import driving_points
from towerlib.physics.statistics import SEED
from towerlib.values import number


@dataclass(frozen=True)
class Draws:
    """Copies of a line of n towers at one frequency.

    Attributes
    ----------
    footing_ohm : array, shape (d, n)
        Footing of each tower in each copy [Ω].
    rest_s : array of complex, shape (d, n)
        Admittance of the rest of the line, seen from each tower [S].
    """

    footing_ohm: np.ndarray
    rest_s: np.ndarray


def copies(model, frequency_hz, *, opened=(), seed=SEED):
    """Copies of a line with footings, wires and stations as far off as they may be.

    Parameters
    ----------
    model : LineModel
        n towers.
    frequency_hz : float
        Frequency [Hz].
    opened : sequence of int
        Spans that are open beside those that are so by design.
    seed : int
        Of the random copies.

    Returns
    -------
    Draws

    Notes
    -----
    Footings, wires and stations are off by log-normal factors: each footing by its own, all of them by one of the
    season, since they were not all read when this tower was (wet to dry soil, ``season_ratio_high``); the wires of
    the whole line by one (``network_wire_percent``), each station by its own (``network_station_percent``).
    """
    rng = np.random.default_rng(seed)
    count = int(number("network_draws"))
    wire_u, station_u = number("network_wire_percent") / 100, number("network_station_percent") / 100
    season_u = np.log(number("season_ratio_high")) / np.sqrt(12)  # anywhere from wet to dry
    off = model.footing_u * rng.standard_normal((count, len(model.footing_ohm)))
    footing_ohm = model.footing_ohm * np.exp(off + season_u * rng.standard_normal((count, 1)))
    wire = np.exp(wire_u * rng.standard_normal(count))
    station = np.exp(station_u * rng.standard_normal((count, 2)))
    rest_s = [
        _rest(model, frequency_hz, opened, drawn)
        for drawn in zip(footing_ohm, wire, np.asarray(model.station_ohm) * station, strict=True)
    ]
    return Draws(footing_ohm, np.array(rest_s))


def _rest(model: LineModel, frequency_hz, opened, drawn):
    """Admittance of the rest of the line at every tower of one copy [S]."""
    footing_ohm, wire, station_ohm = drawn
    # A wire of a different impedance and a span of a different length are the same to the ladder.
    other = replace(
        model, footing_ohm=footing_ohm, length_m=model.length_m * wire, station_ohm=tuple(station_ohm)
    )
    return driving_points(ladder_at(other, frequency_hz, opened=opened)).rest_s
