"""Which single reading would tell a change of the line from the line as recorded."""

from dataclasses import replace

import numpy as np
import pandas as pd

from towerlib.network.ladder import span_impedance
from towerlib.physics.drivingpoints import driving_points
from towerlib.physics.ladder import solve
from towerlib.physics.legshare import leg_share_expected
from towerlib.physics.statistics import SEED
from towerlib.values import number
from towerlib.whatif.changed import Change, bonds_with, footings_with, ladder_with, rivals

WITH, WITHOUT, SHARE, SERVICE = "with leg coils", "without coils", "share in the legs", "total in service"
KINDS = (WITH, WITHOUT, SHARE, SERVICE)


def telling(case, change, stretch, drive_a=np.nan):
    """Readings of a stretch by how well each alone would tell a change.

    Parameters
    ----------
    case, change, stretch : Case, Change, Stretch
        The line of n towers, what differs, where readings can be taken.
    drive_a : float
        Current that induction forces through the shield wires [A]; NaN leaves readings in service out.

    Returns
    -------
    pandas.DataFrame
        One row a reading, most telling first: tower_id, reading (one of `KINDS`), as_recorded and what_if
        (Ω, share, or mA; medians), apart (distance of the two in standard uncertainties), apart_rival (the
        same to what is most like it of the spans beside it; NaN without any), last_read.

    Notes
    -----
    Copies of the line, each as wrong as its data may be and read with the instrument's error, under every
    hypothesis; apart = difference of the mean logarithms over the root of the mean variance. Footings, wire and
    stations are off as in `towerlib.network.draws`; in service besides the drive (``whatif_drive``), its unevenness from
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
    """Logarithms of the readings of copies of a line, shape (kinds, copies, towers)."""
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
    """One copy of a line: a wire of another impedance and spans of other lengths are the same to the ladder."""
    earth_ohm = tuple(np.asarray(model.station_ohm) * station)
    return replace(model, footing_ohm=footing_ohm, length_m=model.length_m * wire, station_ohm=earth_ohm)


def _read(case, change, drive_a, rng):
    """Logarithms of all readings of one copy, shape (kinds, towers)."""
    model = case.model
    towers = len(model.tower_id)
    reading_u = number("impedance_reading_percent") / 100 / np.sqrt(3)
    noise = reading_u * rng.standard_normal((2, towers))
    bond_ohm = np.where(model.bonded, bonds_with(towers, change), np.inf)
    # The copies carry the footings of the change already.
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
    """Logarithms of the totals in service of one copy [A]."""
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
