"""What-ifs: open bonds, open spans and other footings, the readings then expected, and those that show the change."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from towerlib.errors import SettingsError, nearest, no_tower
from towerlib.months import last_day
from towerlib.network import model as network_model
from towerlib.network.bonds import bond_readings, usual_frequency
from towerlib.network.model import ladder_at, span_impedance
from towerlib.physics.ladder import driving_points, leg_share_expected, solve
from towerlib.physics.statistics import SEED
from towerlib.values import number

if TYPE_CHECKING:
    from numpy.typing import ArrayLike

    from towerlib.assessment import Study
    from towerlib.network import Network
    from towerlib.network.model import LineModel
    from towerlib.physics.ladder import Ladder
    from towerlib.route import Route


BESIDE = 6  # towers on either side of a place that is looked at


@dataclass(frozen=True)
class Stretch:
    """Neighbouring towers of a line.

    Attributes
    ----------
    first, last : int
        Place of the first and the last tower, 0 the first of the line.
    from_km, to_km : float
        Chainage between which they lie [km].
    """

    first: int
    last: int
    from_km: float
    to_km: float

    @property
    def towers(self) -> slice:
        """Places of the towers."""
        return slice(self.first, self.last + 1)

    @property
    def spans(self) -> slice:
        """Places of the spans between them."""
        return slice(self.first, self.last)


def stretch(route: Route, from_km: float, to_km: float) -> Stretch:
    """Towers of the line between two chainages.

    Parameters
    ----------
    route : Route
        Towers in route order.
    from_km, to_km : float
        Ends [km]; both 0 take the whole line.

    Returns
    -------
    Stretch

    Raises
    ------
    SettingsError
        The ends are no numbers, are in the wrong order or have fewer than two towers between them.
    """
    along_km = route.towers["chainage_m"].to_numpy(float) / 1000
    length_km = float(np.nanmax(along_km))
    if from_km == to_km == 0:
        from_km, to_km = 0.0, length_km
    if not np.isfinite([from_km, to_km]).all():
        raise SettingsError(f"from_km = {from_km}, to_km = {to_km}: chainages are numbers in km")
    if not from_km < to_km:
        raise SettingsError(f"from_km = {from_km:g} must lie before to_km = {to_km:g}")
    places = np.flatnonzero((along_km >= from_km) & (along_km <= to_km))
    if len(places) < 2:
        raise SettingsError(
            f"from_km = {from_km:g}, to_km = {to_km:g}: a stretch takes two towers at least, and this one has "
            f"{len(places)}; the line runs from km 0 to km {length_km:.1f}"
        )
    return Stretch(int(places[0]), int(places[-1]), float(from_km), float(to_km))


def around(route: Route, first: int, last: int, beside: int = BESIDE) -> Stretch:
    """Stretch with some towers on either side of a place.

    Parameters
    ----------
    route : Route
        Towers in route order.
    first, last : int
        Towers of the place.
    beside : int
        Towers on either side.

    Returns
    -------
    Stretch
        With ends rounded outwards to 0.01 km.
    """
    along_km = route.towers["chainage_m"].to_numpy(float) / 1000
    first, last = max(first - beside, 0), min(last + beside, len(along_km) - 1)
    ends = np.floor(100 * along_km[first]) / 100, np.ceil(100 * along_km[last]) / 100
    return Stretch(first, last, float(ends[0]), float(ends[1]))


def tower_place(route: Route, name: str) -> int:
    """Place of a tower on the route, by its name in the register; `SettingsError` where there is none."""
    names = route.towers["tower_id"].tolist()
    if name not in names:
        raise no_tower(name, names)
    return names.index(name)


def span_place(route: Route, name: str) -> int:
    """Place of a span on the route, by both towers with a dash between them, either first: ``90-91``.

    `SettingsError` where there is none.
    """
    pairs = list(zip(route.spans["from_tower_id"], route.spans["to_tower_id"], strict=True))
    wanted = _plain(name)
    for place, (one, other) in enumerate(pairs):
        if wanted in (_plain(f"{one}-{other}"), _plain(f"{other}-{one}")):
            return place
    names = [f"{one}-{other}" for one, other in pairs]
    raise SettingsError(f"span {name!r} is not on the line{nearest(name, names, 3)}")


def _plain(name):
    """Name of a span without blanks, with a plain dash."""
    return "".join(str(name).split()).replace("–", "-")


@dataclass(frozen=True)
class Change:
    """What differs from the line as recorded; nothing where all are empty.

    Attributes
    ----------
    bonds, spans : tuple of int
        Towers whose bond is open, spans without a shield wire.
    footings : tuple of (int, float)
        Towers with the footing that they have instead [Ω].
    """

    bonds: tuple[int, ...] = ()
    spans: tuple[int, ...] = ()
    footings: tuple[tuple[int, float], ...] = ()

    @property
    def is_none(self) -> bool:
        """Nothing changes."""
        return not (self.bonds or self.spans or self.footings)


def change(
    route: Route, open_bond: str = "", open_span: str = "", footing_tower: str = "", footing_ohm: float = 0.0
) -> Change:
    """Change of a line by the names of its towers and spans.

    Parameters
    ----------
    route : Route
        The line.
    open_bond : str
        Tower whose bond is opened; blank for none.
    open_span : str
        Span without shield wires, as ``90-91``; blank for none.
    footing_tower : str
        Tower with another footing; blank for none.
    footing_ohm : float
        That footing [Ω].

    Returns
    -------
    Change

    Raises
    ------
    SettingsError
        A tower or a span that the line does not have; a footing that is not greater than 0.
    """
    if footing_tower and not (np.isfinite(footing_ohm) and footing_ohm > 0):
        raise SettingsError(f"footing_ohm = {footing_ohm}: the footing of a tower is greater than 0 Ω")
    return Change(
        bonds=(tower_place(route, open_bond),) if open_bond else (),
        spans=(span_place(route, open_span),) if open_span else (),
        footings=((tower_place(route, footing_tower), float(footing_ohm)),) if footing_tower else (),
    )


def suspected_change(network: Network, stretch: Stretch) -> Change:
    """Suspicions of the network analysis within a stretch, as a change.

    Parameters
    ----------
    network : Network
        As of `towerlib.network.assess`.
    stretch : Stretch
        Where to look.

    Returns
    -------
    Change
    """
    spans = np.flatnonzero(network.spans["span_scan"] == "suspected")
    bonds = np.flatnonzero(network.towers["bond_state"] == "open suspected")
    return Change(
        bonds=tuple(int(place) for place in bonds if stretch.first <= place <= stretch.last),
        spans=tuple(int(place) for place in spans if stretch.first <= place < stretch.last),
    )


def footings_with(footing_ohm: ArrayLike, change: Change) -> np.ndarray:
    """Footings [Ω], shape (…, n), with those of a change in their place."""
    changed = np.array(footing_ohm, float)
    for place, ohm in change.footings:
        changed[..., place] = ohm
    return changed


def bonds_with(count: int, change: Change) -> np.ndarray:
    """Bonds of a line of so many towers, sound but for those of a change [Ω], shape (count,)."""
    bond_ohm = np.zeros(count)
    bond_ohm[list(change.bonds)] = np.inf
    return bond_ohm


def ladder_with(model: LineModel, frequency_hz: float, change: Change) -> Ladder:
    """Ladder of the line at a frequency [Hz] with a change."""
    changed = replace(model, footing_ohm=footings_with(model.footing_ohm, change))
    bond_ohm = bonds_with(len(model.tower_id), change)
    return ladder_at(changed, frequency_hz, opened=change.spans, bond_ohm=bond_ohm)


def rivals(model: LineModel, change: Change) -> list[Change]:
    """Changes that give similar readings, as open spans beside a change.

    For an open span those before and behind it, for an open bond the spans on both sides.
    """
    places = [place + step for place in change.spans for step in (-1, 1)]
    places += [place + step for place in change.bonds for step in (-1, 0)]
    count = len(model.length_m)
    kept = [p for p in places if 0 <= p < count and p not in change.spans and not model.span_open[p]]
    return [Change(spans=(place,), footings=change.footings) for place in dict.fromkeys(kept)]


OLD_DAYS = 730  # a reading so much older than the newest of the line may be of another state of it


@dataclass(frozen=True)
class Case:
    """A line of n towers with its readings, for what-ifs.

    Attributes
    ----------
    model : LineModel
        Parts of its ladder, every bond sound.
    test_hz : array, shape (n,)
        Test frequency of each tower; the usual one of the line where none is known [Hz].
    service_hz : float
        Frequency of service [Hz].
    measured : pandas.DataFrame
        One row per tower: tower_id, chainage_km, footing_ohm (with leg coils, of the visit that read without
        them), no_coils_ohm, leg_share, injected_date, injected_old, total_ma (in service), total_date,
        total_old. Old is a reading more than two years before the newest of its kind.
    assumed : tuple of str
        Assumptions.
    """

    model: network_model.LineModel
    test_hz: np.ndarray
    service_hz: float
    measured: pd.DataFrame
    assumed: tuple[str, ...]


def case_of(study: Study) -> Case:
    """A line as of a month, for what-ifs.

    Parameters
    ----------
    study : Study
        The line.

    Returns
    -------
    Case

    Raises
    ------
    SettingsError
        What is missing to model the line as a ladder.
    """
    parts = study.records, study.route, study.condition
    if why := network_model.missing(*parts):
        raise SettingsError(why)
    model, assumed = network_model.line_model(*parts)
    end = last_day(study.month)
    readings = bond_readings(study.records, study.condition, study.currents, study.grades, end)
    service_hz = study.records.line.frequency_hz
    read_hz = readings["test_frequency_hz"].to_numpy(float)
    usual_hz = usual_frequency(study.grades, end, service_hz)
    return Case(
        model=model,
        test_hz=np.where(read_hz > 0, read_hz, usual_hz),
        service_hz=service_hz,
        measured=_measured(study.condition, readings),
        assumed=assumed,
    )


def _measured(condition, readings):
    """Readings at each tower."""
    usable = (readings["reason"] == "").to_numpy()
    own_ohm = readings["own_ohm"].to_numpy(float)
    value = np.where(usable, readings["measured"].to_numpy(float), np.nan)
    impedance = (readings["kind"] == "impedance").to_numpy()
    table = condition[["tower_id", "chainage_km"]].reset_index(drop=True)
    return table.assign(
        footing_ohm=own_ohm,
        no_coils_ohm=np.where(impedance, value, value * own_ohm),
        leg_share=np.where(impedance, value / own_ohm, value),
        injected_date=readings["bond_date"].where(usable).to_numpy(),
        injected_old=is_old(readings["bond_date"].where(usable)),
        total_ma=condition["leakage_total_ma"].to_numpy(float),
        total_date=condition["leakage_date"].to_numpy(),
        total_old=is_old(condition["leakage_date"]),
    )


def is_old(date: pd.Series) -> np.ndarray:
    """Whether readings are more than two years older than the newest of them.

    Parameters
    ----------
    date : pandas.Series
        Days of the readings; NaT without one.

    Returns
    -------
    array of bool

    Examples
    --------
    >>> is_old(pd.Series(pd.to_datetime(["2020-05-01", "2026-05-01"]))).tolist()
    [True, False]
    """
    date = pd.to_datetime(date)
    return (date < date.max() - pd.Timedelta(days=OLD_DAYS)).to_numpy()


def predict(case: Case, change: Change = Change()) -> pd.DataFrame:
    """Expected readings of every tower of the line.

    Parameters
    ----------
    case : Case
        n towers.
    change : Change
        What differs from the line as recorded.

    Returns
    -------
    pandas.DataFrame
        One row per tower: tower_id, no_coils_ohm and leg_share at its test frequency; ambient_ma_per_a: size of
        the current down the tower in service, for 1 A that induction forces through the shield wires [mA/A].

    Notes
    -----
    Sizes only. Where induction is the same in all spans no footing of a whole line carries any of it; it is
    never quite the same, so each span's is taken as off by ``whatif_uneven`` at random, and the sizes are
    root mean squares of the two parts.

    References
    ----------
    Current divider and Kirchhoff's laws on the ladder of `towerlib.network.model`.
    """
    own_ohm = footings_with(_own(case), change)
    bond_ohm = np.where(case.model.bonded, bonds_with(len(own_ohm), change), np.inf)
    share = np.full(len(own_ohm), np.nan)
    for frequency_hz in np.unique(case.test_hz):
        rest_s = driving_points(ladder_with(case.model, frequency_hz, change)).rest_s
        towers = case.test_hz == frequency_hz
        share[towers] = leg_share_expected(own_ohm, rest_s, bond_ohm)[towers]
    return pd.DataFrame(
        {
            "tower_id": case.model.tower_id,
            "no_coils_ohm": share * own_ohm,
            "leg_share": share,
            "ambient_ma_per_a": 1e3 * _ambient(case, change),
        }
    )


def _own(case):
    """Footing of each tower as read with the same visit, else the one of the line."""
    read = case.measured["footing_ohm"].to_numpy(float)
    return np.where(read > 0, read, case.model.footing_ohm)


def _ambient(case, change):
    """Size of the current down each tower for 1 A forced through the spans [A/A]."""
    line = ladder_with(case.model, case.service_hz, change)
    emf_v = network_model.span_impedance(case.model, case.service_hz)
    each = solve(line, span_emf_v=np.diag(emf_v)).footing_a
    uneven = number("whatif_uneven")
    return np.hypot(np.abs(each.sum(axis=1)), uneven * np.sqrt((np.abs(each) ** 2).sum(axis=1)))


def compare(case: Case, change: Change, stretch: Stretch) -> pd.DataFrame:
    """Readings of a stretch, and those expected as recorded and with a change.

    Parameters
    ----------
    case, change, stretch : Case, Change, Stretch
        The line, what differs, where.

    Returns
    -------
    pandas.DataFrame
        One row per tower of the stretch: the columns of ``case.measured``, and no_coils_ohm, leg_share and
        ambient_ma_per_a each with ``_now`` (as recorded) and ``_then`` (with the change).
    """
    now, then = predict(case), predict(case, change)
    names = ["no_coils_ohm", "leg_share", "ambient_ma_per_a"]
    both = now[names].add_suffix("_now").join(then[names].add_suffix("_then"))
    return case.measured.join(both).iloc[stretch.towers].reset_index(drop=True)


def drive(compared: pd.DataFrame, when: str) -> tuple[float, float]:
    """Current that induction must force through the shield wires to explain the totals in service.

    Parameters
    ----------
    compared : pandas.DataFrame
        As of `compare`.
    when : str
        ``now`` or ``then``.

    Returns
    -------
    tuple of float
        Median over the towers [A], and the factor within which two towers in three lie about it; NaN with
        fewer than three totals that are not old.

    Notes
    -----
    The load is not known, so that its size is free; how well one size fits all towers decides.
    """
    fresh = compared[~compared["total_old"] & (compared["total_ma"] > 0)]
    ratio = np.log(fresh["total_ma"] / fresh[f"ambient_ma_per_a_{when}"])
    ratio = ratio[np.isfinite(ratio)]
    if len(ratio) < 3:
        return np.nan, np.nan
    low, middle, high = np.quantile(ratio, [1 / 6, 1 / 2, 5 / 6])
    return float(np.exp(middle)), float(np.exp((high - low) / 2))


def likely_drive(compared: pd.DataFrame) -> float:
    """The smaller of the drives that the line as recorded and that with a change ask for [A].

    Parameters
    ----------
    compared : pandas.DataFrame
        As of `compare`.

    Returns
    -------
    float
        NaN where totals are too few.
    """
    return float(np.fmin(drive(compared, "now")[0], drive(compared, "then")[0]))


WITH, WITHOUT, SHARE, SERVICE = "with leg coils", "without coils", "share in the legs", "total in service"
KINDS = (WITH, WITHOUT, SHARE, SERVICE)


def telling(case: Case, change: Change, stretch: Stretch, drive_a: float = np.nan) -> pd.DataFrame:
    """Readings of a stretch by how well each alone would show a change.

    Parameters
    ----------
    case, change, stretch : Case, Change, Stretch
        The line of n towers, what differs, where readings can be taken.
    drive_a : float
        Current that induction forces through the shield wires [A]; NaN leaves readings in service out.

    Returns
    -------
    pandas.DataFrame
        One row per reading, most telling first: tower_id, reading (one of `KINDS`), as_recorded and what_if
        (Ω, share, or mA; medians), apart (distance of the two in standard uncertainties), apart_rival (the
        same to what is most like it of the spans beside it; NaN without any), last_read.

    Notes
    -----
    Lines perturbed within the stated uncertainty and read with the instrument's error, under every
    hypothesis; apart = difference of the mean logarithms over the root of the mean variance. Footings, wire and
    stations are off as in `towerlib.network.model`; in service besides the drive (``whatif_drive``), its unevenness from
    span to span, the tower's own leakage and the coils. Order: by the smaller of both distances.

    References
    ----------
    Discriminability index of two normal laws: D. M. Green, J. A. Swets, Signal Detection Theory (1966), from
    memory.
    """
    others = [] if change.is_none else rivals(case.model, change)
    drawn = [_logs(case, one, drive_a) for one in (Change(), change, *others)]
    mean, variance = np.array([[log.mean(axis=1), log.var(axis=1, ddof=1)] for log in drawn]).swapaxes(0, 1)
    distance = np.abs(mean - mean[1]) / np.sqrt((variance + variance[1]) / 2)
    rival = distance[2:].min(axis=0) if others else np.full(distance[0].shape, np.nan)
    rows = [
        _of_kind(case, place, np.exp(mean[:2, place]), distance[0, place], rival[place])
        for place in range(len(KINDS))
    ]
    table = pd.concat([row.iloc[stretch.towers] for row in rows], ignore_index=True)
    table = table[table["apart"].notna()]
    least = table[["apart", "apart_rival"]].min(axis=1)
    return table.loc[least.sort_values(ascending=False, kind="stable").index].reset_index(drop=True)


def _of_kind(case, kind, sizes, apart, rival):
    """Rows of one kind of reading, one a tower."""
    date = "total_date" if KINDS[kind] == SERVICE else "injected_date"
    unit = 1e3 if KINDS[kind] == SERVICE else 1.0
    return pd.DataFrame(
        {
            "tower_id": case.model.tower_id,
            "reading": KINDS[kind],
            "as_recorded": unit * sizes[0],
            "what_if": unit * sizes[1],
            "apart": apart,
            "apart_rival": rival,
            "last_read": case.measured[date].to_numpy(),
        }
    )


def _logs(case, change, drive_a):
    """Logarithms of the readings of perturbed lines, shape (kinds, lines, towers)."""
    model, rng = case.model, np.random.default_rng([SEED, 3])
    count, towers = int(number("network_draws")), len(model.tower_id)
    own_ohm = footings_with(model.footing_ohm, change)
    fixed = np.isin(np.arange(towers), [place for place, _ in change.footings])
    footing_ohm = own_ohm * np.exp(
        np.where(fixed, 0.0, model.footing_u) * rng.standard_normal((count, towers))
    )
    wire = np.exp(number("network_wire_percent") / 100 * rng.standard_normal(count))
    station = np.exp(number("network_station_percent") / 100 * rng.standard_normal((count, 2)))
    logs = [
        _read(replace(case, model=_drawn(model, *drawn)), change, drive_a, rng)
        for drawn in zip(footing_ohm, wire, station, strict=True)
    ]
    return np.array(logs).swapaxes(0, 1)


def _drawn(model, footing_ohm, wire, station):
    """One perturbed line: a wire of another impedance and spans of other lengths are the same to the ladder."""
    earth_ohm = tuple(np.asarray(model.station_ohm) * station)
    return replace(model, footing_ohm=footing_ohm, length_m=model.length_m * wire, station_ohm=earth_ohm)


def _read(case, change, drive_a, rng):
    """Logarithms of all readings of one perturbed line, shape (kinds, towers)."""
    model = case.model
    towers = len(model.tower_id)
    reading_u = number("impedance_reading_percent") / 100 / np.sqrt(3)
    noise = reading_u * rng.standard_normal((2, towers))
    bond_ohm = np.where(model.bonded, bonds_with(towers, change), np.inf)
    # The perturbed lines have the footings of the change already.
    kept = replace(change, footings=())
    share = np.full(towers, np.nan)
    for frequency_hz in np.unique(case.test_hz):
        here = case.test_hz == frequency_hz
        rest_s = driving_points(ladder_with(model, frequency_hz, kept)).rest_s
        share[here] = leg_share_expected(model.footing_ohm, rest_s, bond_ohm)[here]
    with np.errstate(divide="ignore"):
        with_coils = np.log(model.footing_ohm) + noise[0]
        without = np.log(model.footing_ohm * share) + noise[1]
    service = _in_service(case, kept, drive_a, rng)
    return np.array([with_coils, without, np.log(share) + noise[1] - noise[0], service])


def _in_service(case, change, drive_a, rng):
    """Logarithms of the totals in service of one perturbed line [A]."""
    model = case.model
    towers, spans = len(model.tower_id), len(model.length_m)
    factor = drive_a * np.exp(number("whatif_drive") * rng.standard_normal())
    uneven = 1 + number("whatif_uneven") * _complex(rng, spans)
    emf_v = factor * uneven * span_impedance(model, case.service_hz)
    flow = solve(ladder_with(model, case.service_hz, change), span_emf_v=emf_v)
    own = number("scan_own_a") * _complex(rng, towers)
    noise = np.sqrt(2) * number("scan_noise_a") * _complex(rng, towers)
    gain = 1 + number("scan_gain") * rng.standard_normal(towers)
    return np.log(np.abs(flow.footing_a * gain + own + noise))


def _complex(rng, size):
    """Complex normal noise with a mean square of 1."""
    return (rng.standard_normal(size) + 1j * rng.standard_normal(size)) / np.sqrt(2)


__all__ = [
    "Case",
    "Change",
    "Stretch",
    "around",
    "case_of",
    "change",
    "compare",
    "drive",
    "is_old",
    "likely_drive",
    "predict",
    "stretch",
    "suspected_change",
    "telling",
]
