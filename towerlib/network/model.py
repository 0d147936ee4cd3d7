"""A line's ladder at any frequency: its shield wires, spans, footings and stations as the records have them."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, cast

import numpy as np

from towerlib import text
from towerlib.physics import overhead_line
from towerlib.physics.ladder import driving_points, ladder
from towerlib.physics.overhead_line import Wires, mean_height
from towerlib.physics.statistics import SEED
from towerlib.values import number

if TYPE_CHECKING:
    from collections.abc import Collection, Sequence

    import pandas as pd

    from towerlib.config import Line
    from towerlib.physics.ladder import Ladder
    from towerlib.records.load import Records
    from towerlib.route import Route


Z_95 = 1.96  # half of a 95 % interval in standard deviations


@dataclass(frozen=True)
class LineModel:
    """Parts of the ladder of a line of n towers, in route order.

    Attributes
    ----------
    tower_id : array of str, shape (n,)
        Names.
    footing_ohm, footing_low_ohm, footing_high_ohm : array, shape (n,)
        Footing with the 95 % interval in which it lies [Ω].
    footing_u : array, shape (n,)
        Standard uncertainty of its logarithm [1].
    footing_assumed : array of bool, shape (n,)
        The footing is not known: the line's median is used.
    bonded : array of bool, shape (n,)
        By design the tower is bonded to the shield wire.
    length_m : array, shape (n − 1,)
        Length of the spans [m].
    span_open : array of bool, shape (n − 1,)
        By design no shield wire runs through the span.
    wires : Wires
        The shield wires.
    resistivity_ohm_m : float
        Soil under the line, for the earth return [Ω·m].
    station_ohm : tuple of float
        Earth of the first and the last station [Ω]; inf where not known.
    """

    tower_id: np.ndarray
    footing_ohm: np.ndarray
    footing_low_ohm: np.ndarray
    footing_high_ohm: np.ndarray
    footing_u: np.ndarray
    footing_assumed: np.ndarray
    bonded: np.ndarray
    length_m: np.ndarray
    span_open: np.ndarray
    wires: Wires
    resistivity_ohm_m: float
    station_ohm: tuple[float, float]


def missing(records: Records, route: Route, condition: pd.DataFrame) -> str:
    """Why a line cannot be modelled as a ladder.

    Parameters
    ----------
    records, route, condition : Records, Route, DataFrame
        The line, as for `towerlib.network.assess`.

    Returns
    -------
    str
        One sentence; blank where nothing is missing.
    """
    head = "The network analysis is off: "
    if not records.line.shield_wires.wires:
        return (
            head + "line.toml has no [shield_wires]; give position, radius, GMR and resistance of each wire."
        )
    if flaw := _wire_flaw(shield_wires(records.line)):
        return head + f"line.toml, [shield_wires]: {flaw}."
    if len(route.towers) < 2:
        return head + "the line has one tower, and a ladder needs a span."
    if (condition["shield_wire"] == "none").to_numpy().all():
        return head + "no tower of the register has a shield wire."
    if not (condition["footing_ohm"] > 0).to_numpy().any():
        return head + "no footing of the line is known."
    length_m = route.spans["length_m"].to_numpy(float)
    if (pointless := ~(length_m > 0)).any():
        span = route.spans["span_id"].to_numpy(object)[pointless][0]
        return head + f"span {span} has no length; mend the positions of its towers in the register."
    return ""


def _wire_flaw(wires):
    """Why the shield wires of the settings are impossible; "" where they can."""
    if (wires.y_m <= 0).any():
        return "a wire would hang below ground, seen over the span; check y_m and sag_m"
    first, second = np.triu_indices(len(wires.x_m), 1)
    apart_m = np.hypot(wires.x_m[first] - wires.x_m[second], wires.y_m[first] - wires.y_m[second])
    if (apart_m < 2 * np.maximum(wires.gmr_m[first], wires.gmr_m[second])).any():
        return "two wires hang at the same place; give each wire once, with its own x_m"
    return ""


def line_model(records: Records, route: Route, condition: pd.DataFrame) -> tuple[LineModel, tuple[str, ...]]:
    """Parts of the ladder of a line of which nothing is `missing`, and the assumptions in sentences.

    A tower with an insulated shield wire, or with none, has an open bond by design. A wire ends at the last tower that
    has one, so a span beside a tower without is open. The station earths hang on the nodes of the end towers: the spans
    into the gantries count as short.
    """
    footings, words = _footings(condition)
    kind = condition["shield_wire"].astype("object").to_numpy()
    without = kind == "none"
    resistivity, soil_words = _soil(records.towers)
    stations = records.line.stations
    earth_ohm = tuple(
        np.inf if end.earth_ohm is None else end.earth_ohm for end in (stations.first, stations.last)
    )
    model = LineModel(
        tower_id=condition["tower_id"].to_numpy(object),
        **footings,
        bonded=~without & (kind != "insulated"),
        length_m=route.spans["length_m"].to_numpy(float),
        span_open=without[:-1] | without[1:],
        wires=shield_wires(records.line),
        resistivity_ohm_m=resistivity,
        station_ohm=cast("tuple[float, float]", earth_ohm),
    )
    return model, (*words, *soil_words, *_station_words(earth_ohm), *_cut_words(model))


def shield_wires(line: Line) -> Wires:
    """Shield wires of the settings, at their mean heights, in metres.

    Parameters
    ----------
    line : Line
        Settings.

    Returns
    -------
    Wires
    """
    names = ("x_m", "y_m", "sag_m", "gmr_mm", "r_ohm_km")
    x_m, y_m, sag_m, gmr_mm, r_ohm_km = np.array(
        [[getattr(wire, name) for name in names] for wire in line.shield_wires.wires], float
    ).T
    return Wires(x_m, mean_height(y_m, sag_m), gmr_mm / 1e3, r_ohm_km / 1e3)


def span_impedance(model: LineModel, frequency_hz: float) -> np.ndarray:
    """Impedance of the equivalent shield wire, span by span, as if no span were open.

    Parameters
    ----------
    model : LineModel
        n towers.
    frequency_hz : float
        Frequency [Hz].

    Returns
    -------
    array of complex, shape (n − 1,)
        Impedance [Ω].
    """
    matrix = overhead_line.impedance_matrix(model.wires, frequency_hz, model.resistivity_ohm_m)
    return overhead_line.equivalent_wire(matrix) * model.length_m


def ladder_at(
    model: LineModel, frequency_hz: float, *, opened: Sequence[int] = (), bond_ohm: float | np.ndarray = 0.0
) -> Ladder:
    """Ladder at a frequency [Hz], with spans open beside those that are so by design.

    `bond_ohm` [Ω] is that of the towers that are bonded by design, one value or one each.
    """
    span_ohm = np.where(model.span_open, np.inf, span_impedance(model, frequency_hz))
    span_ohm[list(opened)] = np.inf
    return ladder(model.footing_ohm, np.where(model.bonded, bond_ohm, np.inf), span_ohm, model.station_ohm)


def _footings(condition):
    """Footings with their intervals; the line's median where none is known, or the lower limit above it."""
    read, low, high = (condition[f"footing{end}_ohm"].to_numpy(float) for end in ("", "_low", "_high"))
    known, bound = read > 0, condition["lower_bound_ohm"].to_numpy(float)
    median = float(np.median(read[known]))
    footing_ohm = np.where(known, read, np.fmax(median, bound))
    spread = number("network_footing_spread")
    if known.sum() >= number("line_values_min"):
        spread = np.log(read[known]).std(ddof=1)
    whole = known & (low > 0) & np.isfinite(high)
    factor = np.exp(Z_95 * spread)
    low = np.where(whole, low, np.fmax(footing_ohm / factor, np.where(known, np.nan, bound)))
    high = np.where(whole, high, footing_ohm * factor)
    footings = {
        "footing_ohm": footing_ohm,
        "footing_low_ohm": low,
        "footing_high_ohm": high,
        "footing_u": np.log(high / low) / (2 * Z_95),
        "footing_assumed": ~known,
    }
    return footings, _footing_words(condition, known, median)


def _footing_words(condition, known, median):
    """Footings that are not known, and those that cannot be."""
    words = []
    if count := int((~known).sum()):
        words.append(
            f"{count} of {len(known)} footings are not known. The line's median of {median:.3g} Ω, or the lower "
            "limit where that is higher, is used in their place and marked."
        )
    if (odd := condition.loc[condition["footing_ohm"] <= 0, "tower_id"]).size:
        words.append(f"A footing of 0 Ω or less is impossible: {listed(odd)} counts as not known.")
    return words


def _soil(towers):
    """Soil for the earth return: the median of the register."""
    known = towers["soil_resistivity_ohm_m"]
    known = known[known > 0]
    if known.empty:
        soil = number("network_soil_ohm_m")
        return soil, [f"No soil resistivity in the register: {soil:g} Ω·m for the earth return."]
    return float(known.median()), []


def _station_words(earth_ohm):
    """Stations whose earth is not known."""
    gone = [end for end, ohm in zip(("first", "last"), earth_ohm, strict=True) if np.isinf(ohm)]
    if not gone:
        return []
    return [
        f"The earth of the {' and the '.join(gone)} station is not in line.toml: the wire ends there without it, "
        "and expected shares near that end are too high."
    ]


def _cut_words(model):
    """Towers whose wire leads nowhere."""
    before, behind = np.r_[True, model.span_open], np.r_[model.span_open, True]
    alone = before & behind
    # The wire of an end tower may still lead into its station.
    alone[[0, -1]] &= np.isinf(model.station_ohm)
    alone &= model.bonded
    if not alone.any():
        return []
    return [
        f"Both spans are without a shield wire at {listed(model.tower_id[alone])}: such a tower has its "
        "own footing only, and its bond cannot be judged."
    ]


def listed(names: Collection[str], most: int = 5) -> str:
    """Names of towers as text, the first few of many.

    Parameters
    ----------
    names : sequence of str
        One at least.
    most : int
        Number that is named.

    Returns
    -------
    str

    Examples
    --------
    >>> listed(["1", "2"]), listed(["1", "2", "3"], most=1)
    ('towers 1, 2', 'towers 1 and 2 more')
    """
    return f"tower{'s' * (len(names) > 1)} {text.listed(names, most)}"


@dataclass(frozen=True)
class Draws:
    """Perturbed lines of n towers at one frequency.

    Attributes
    ----------
    footing_ohm : array, shape (d, n)
        Footing of each tower in each perturbed line [Ω].
    rest_s : array of complex, shape (d, n)
        Admittance of the rest of the line, seen from each tower [S].
    """

    footing_ohm: np.ndarray
    rest_s: np.ndarray


def copies(model: LineModel, frequency_hz: float, *, opened: Sequence[int] = (), seed: int = SEED) -> Draws:
    """Lines with footings, wires and stations perturbed within the stated uncertainty.

    Parameters
    ----------
    model : LineModel
        n towers.
    frequency_hz : float
        Frequency [Hz].
    opened : sequence of int
        Spans that are open beside those that are so by design.
    seed : int
        Of the random numbers.

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
    """Admittance of the rest of the line at every tower of one perturbed line [S]."""
    footing_ohm, wire, station_ohm = drawn
    # A wire of a different impedance and a span of a different length are the same to the ladder.
    other = replace(
        model, footing_ohm=footing_ohm, length_m=model.length_m * wire, station_ohm=tuple(station_ohm)
    )
    return driving_points(ladder_at(other, frequency_hz, opened=opened)).rest_s
