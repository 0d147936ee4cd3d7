"""What every tower would read: without coils, as a share of the injected current, in service."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from towerlib.errors import SettingsError
from towerlib.months import last_day
from towerlib.network import ladder
from towerlib.network.readings import bond_readings, usual_frequency
from towerlib.physics.drivingpoints import driving_points
from towerlib.physics.ladder import solve
from towerlib.physics.legshare import leg_share_expected
from towerlib.values import number
from towerlib.whatif.changed import Change, bonds_with, footings_with, ladder_with

OLD_DAYS = 730  # a reading so much older than the newest of the line may be of another state of it


@dataclass(frozen=True)
class Case:
    """A line of n towers with what was read, for what-ifs.

    Attributes
    ----------
    model : LineModel
        What its ladder is made of, every bond sound.
    test_hz : array, shape (n,)
        Test frequency of each tower; the usual one of the line where none is known [Hz].
    service_hz : float
        Frequency of service [Hz].
    measured : pandas.DataFrame
        One row a tower: tower_id, chainage_km, footing_ohm (with leg coils, of the visit that read without
        them), no_coils_ohm, leg_share, injected_date, injected_old, total_ma (in service), total_date,
        total_old. Old is a reading more than two years before the newest of its kind.
    assumed : tuple of str
        What was taken for granted.
    """

    model: ladder.LineModel
    test_hz: np.ndarray
    service_hz: float
    measured: pd.DataFrame
    assumed: tuple[str, ...]


def case_of(study):
    """A line as of a month, for what-ifs.

    Parameters
    ----------
    study : Assessment
        The line.

    Returns
    -------
    Case

    Raises
    ------
    SettingsError
        What is missing to see the line as a ladder.
    """
    parts = study.records, study.route, study.condition
    if why := ladder.missing(*parts):
        raise SettingsError(why)
    model, assumed = ladder.line_model(*parts)
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
    """What was read at each tower."""
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


def is_old(date):
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


def predict(case, change=Change()):  # noqa: B008 - frozen
    """What every tower of the line would read.

    Parameters
    ----------
    case : Case
        n towers.
    change : Change
        What differs from the line as recorded.

    Returns
    -------
    pandas.DataFrame
        One row a tower: tower_id, no_coils_ohm and leg_share at its test frequency; ambient_ma_per_a: size of
        the current down the tower in service, for 1 A that induction forces through the shield wires [mA/A].

    Notes
    -----
    Sizes only. Where induction is the same in all spans no footing of a whole line carries any of it; it is
    never quite the same, so each span's is taken as off by ``whatif_uneven`` at random, and the sizes are
    root mean squares of the two parts.

    References
    ----------
    Current divider and Kirchhoff's laws on the ladder of `towerlib.network.ladder`.
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
    emf_v = ladder.span_impedance(case.model, case.service_hz)
    each = solve(line, span_emf_v=np.diag(emf_v)).footing_a
    uneven = number("whatif_uneven")
    return np.hypot(np.abs(each.sum(axis=1)), uneven * np.sqrt((np.abs(each) ** 2).sum(axis=1)))


def compare(case, change, stretch):
    """What the towers of a stretch read, and would read as recorded and with a change.

    Parameters
    ----------
    case, change, stretch : Case, Change, Stretch
        The line, what differs, where.

    Returns
    -------
    pandas.DataFrame
        One row a tower of the stretch: the columns of ``case.measured``, and no_coils_ohm, leg_share and
        ambient_ma_per_a each with ``_now`` (as recorded) and ``_then`` (with the change).
    """
    now, then = predict(case), predict(case, change)
    names = ["no_coils_ohm", "leg_share", "ambient_ma_per_a"]
    both = now[names].add_suffix("_now").join(then[names].add_suffix("_then"))
    return case.measured.join(both).iloc[stretch.towers].reset_index(drop=True)


def drive(compared, when):
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
    The load is not known, so that its size is free; how well one size serves all towers is what tells.
    """
    fresh = compared[~compared["total_old"] & (compared["total_ma"] > 0)]
    ratio = np.log(fresh["total_ma"] / fresh[f"ambient_ma_per_a_{when}"])
    ratio = ratio[np.isfinite(ratio)]
    if len(ratio) < 3:
        return np.nan, np.nan
    low, middle, high = np.quantile(ratio, [1 / 6, 1 / 2, 5 / 6])
    return float(np.exp(middle)), float(np.exp((high - low) / 2))


def likely_drive(compared):
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
