"""One change of the line: a bond opened, a span opened, a footing of another value."""

from dataclasses import dataclass, replace

import numpy as np

from towerlib.errors import SettingsError
from towerlib.network.ladder import ladder_at
from towerlib.whatif.places import span_place, tower_place


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

    bonds: tuple = ()
    spans: tuple = ()
    footings: tuple = ()

    @property
    def is_none(self):
        """Nothing changes."""
        return not (self.bonds or self.spans or self.footings)


def change(route, open_bond="", open_span="", footing_tower="", footing_ohm=0.0):
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


def suspected_change(network, stretch):
    """What the network analysis suspects within a stretch, as a change.

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


def footings_with(footing_ohm, change):
    """Footings with those of a change in their place; works along the last axis.

    Parameters
    ----------
    footing_ohm : array, shape (..., n)
        Footings [Ω].
    change : Change
        What differs.

    Returns
    -------
    array, shape (..., n)
    """
    changed = np.array(footing_ohm, float)
    for place, ohm in change.footings:
        changed[..., place] = ohm
    return changed


def bonds_with(count, change):
    """Bonds of a line of so many towers, sound but for those of a change [Ω], shape (count,)."""
    bond_ohm = np.zeros(count)
    bond_ohm[list(change.bonds)] = np.inf
    return bond_ohm


def ladder_with(model, frequency_hz, change):
    """Ladder of the line with a change.

    Parameters
    ----------
    model : LineModel
        n towers.
    frequency_hz : float
        Frequency [Hz].
    change : Change
        What differs.

    Returns
    -------
    Ladder
    """
    changed = replace(model, footing_ohm=footings_with(model.footing_ohm, change))
    bond_ohm = bonds_with(len(model.tower_id), change)
    return ladder_at(changed, frequency_hz, opened=change.spans, bond_ohm=bond_ohm)


def rivals(model, change):
    """Changes that are easily taken for this one: the spans beside it.

    Parameters
    ----------
    model : LineModel
        n towers.
    change : Change
        What differs.

    Returns
    -------
    list of Change
        For an open span those before and behind it, for an open bond the spans on both sides.
    """
    places = [place + step for place in change.spans for step in (-1, 1)]
    places += [place + step for place in change.bonds for step in (-1, 0)]
    count = len(model.length_m)
    kept = [p for p in places if 0 <= p < count and p not in change.spans and not model.span_open[p]]
    return [Change(spans=(place,), footings=change.footings) for place in dict.fromkeys(kept)]
