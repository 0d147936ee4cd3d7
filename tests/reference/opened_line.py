"""Potentials and currents of a line with one element open, from those of the closed line."""

import numpy as np

from towerlib.physics.fault_scan.response import BOND, OPEN_ALREADY, SPAN, _footing_alone
from towerlib.physics.ladder import Flow, admittance, solve


def flow_if_open(line, cases, injected_a=0.0, span_emf_v=0.0):
    """Potentials and currents under a drive with each element opened alone.

    Parameters
    ----------
    line : Ladder
        n towers.
    cases : Openings
        h cases of that line.
    injected_a : complex or array, shape (n,) or (n, m)
        Current injected into each tower body [A].
    span_emf_v : complex or array, shape (n − 1,) or (n − 1, m)
        EMF of each span [V], positive when it drives current towards the next tower.

    Returns
    -------
    Flow
        As of `solve`, with an axis of h in front of each array: (h, n), or (h, n, m) for m drives.

    Notes
    -----
    One solve of the closed line, then `change_per_ampere` times `carried_current`. An EMF in an opened span
    drives nothing.

    References
    ----------
    As for `towerlib.physics.fault_scan.response.openings`.

    Examples
    --------
    >>> from towerlib.physics.fault_scan.response import openings
    >>> from towerlib.physics.ladder import ladder
    >>> line = ladder([10.0, 10.0], 0.0, [20.0])
    >>> flow = flow_if_open(line, openings(line), injected_a=[1.0, 0.0])
    >>> print(np.round(flow.tower_v.real, 6))
    [[10.  0.]
     [10.  0.]
     [10.  0.]]
    """
    base = solve(line, injected_a, span_emf_v)
    carried_a = carried_current(line, cases, base, injected_a)
    change = change_per_ampere(line, cases)
    names = ("wire_v", "tower_v", "footing_a", "wire_a", "station_a")
    flow = Flow(*(_changed(getattr(base, name), getattr(change, name), carried_a) for name in names))
    is_span = np.flatnonzero(cases.kind == SPAN)
    flow.wire_a[is_span, cases.position[is_span]] = 0.0  # also where nobody knows what it carried
    return flow


def carried_current(line, cases, flow, injected_a=0.0):
    """Current of each element in the line as it stands, before it is opened.

    Parameters
    ----------
    line : Ladder
        n towers.
    cases : Openings
        h cases of that line.
    flow : Flow
        Answer of that line to the drive.
    injected_a : complex or array, shape (n,) or (n, m)
        Current injected into each tower body by the drive [A].

    Returns
    -------
    array, shape (h,) or (h, m)
        From the wire into the tower for a bond, towards the next tower for a span [A].

    Examples
    --------
    >>> from towerlib.physics.fault_scan.response import openings
    >>> from towerlib.physics.ladder import ladder
    >>> line = ladder([10.0, 10.0], 0.0, [20.0])
    >>> print(np.round(carried_current(line, openings(line), solve(line, [1.0, 0.0]), [1.0, 0.0]).real, 6))
    [-0.25  0.25  0.25]
    """
    many = flow.footing_a.ndim == 2
    injected_a = np.asarray(injected_a)
    into_tower_a = flow.footing_a - (injected_a[:, None] if many and injected_a.ndim == 1 else injected_a)
    bonds, spans = (cases.position[cases.kind == kind] for kind in (BOND, SPAN))
    return np.concatenate([into_tower_a[bonds], flow.wire_a[spans]])


def change_per_ampere(line, cases):
    """Change of every potential and current when an element opens, per ampere that it carried.

    Parameters
    ----------
    line : Ladder
        n towers.
    cases : Openings
        h cases of that line.

    Returns
    -------
    Flow
        Shapes (h, n), (h, n − 1) for the wire and (h, 2) for the stations; potentials in Ω, currents in A/A.

    Notes
    -----
    Opening an element has the effect of forcing the current that it carried back where it came from. So the
    answer to any drive in the opened line is that of the closed line plus this times `carried_current`: rank
    one, for potentials and currents alike.

    References
    ----------
    Compensation theorem of linear circuits.

    Examples
    --------
    >>> from towerlib.physics.fault_scan.response import openings
    >>> from towerlib.physics.ladder import ladder
    >>> line = ladder([10.0, 10.0], 0.0, [20.0])
    >>> print(np.round(change_per_ampere(line, openings(line, bonds=[0], spans=[])).footing_a.real, 6))
    [[-1.  1.]]
    """
    share, rise_ohm, g, station_s = line.body_share, cases.rise_ohm, line.span_s, line.station_s
    case, place = np.arange(len(cases.kind)), cases.position
    closed = cases.remark != OPEN_ALREADY
    bond, span = (case[(cases.kind == kind) & closed] for kind in (BOND, SPAN))
    with np.errstate(invalid="ignore"):  # what is unknown passes as NaN
        tower_ohm = np.where(share == 0, 0.0, share * rise_ohm)
        tower_ohm[bond, place[bond]] = -_footing_alone(line)[place[bond]]
        footing = np.where(np.isinf(line.footing_ohm), 0.0, admittance(line.footing_ohm) * tower_ohm)
        wire = np.where(g == 0, 0.0, g * (rise_ohm[:, :-1] - rise_ohm[:, 1:]))
        wire[span, place[span]] = -1.0
        ends = station_s[[0, -1]] if len(station_s) > 1 else np.r_[station_s, 0]
        station = np.where(ends == 0, 0.0, ends * rise_ohm[:, [0, -1]])
    return Flow(rise_ohm, tower_ohm, footing, wire, station)


def _changed(before, per_ampere, carried_a):
    """Before (k[, m]) plus the change (h, k) of each case times the current carried (h[, m])."""
    per_ampere = per_ampere.reshape(per_ampere.shape + (1,) * (before.ndim - 1))
    with np.errstate(invalid="ignore"):  # a case without an answer is NaN
        return before + np.where(per_ampere == 0, 0.0, per_ampere * carried_a[:, None])
