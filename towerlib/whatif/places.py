"""A stretch of the line by chainage, and its towers and spans by name."""

from dataclasses import dataclass
from difflib import get_close_matches

import numpy as np

from towerlib.errors import SettingsError

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
    def towers(self):
        """Places of the towers."""
        return slice(self.first, self.last + 1)

    @property
    def spans(self):
        """Places of the spans between them."""
        return slice(self.first, self.last)


def stretch(route, from_km, to_km):
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
        The ends are no numbers, stand the wrong way round or leave fewer than two towers between them.
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


def around(route, first, last, beside=BESIDE):
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


def tower_place(route, name):
    """Place of a tower on the route.

    Parameters
    ----------
    route : Route
        Towers in route order.
    name : str
        As in the register.

    Returns
    -------
    int

    Raises
    ------
    SettingsError
        No such tower.
    """
    names = route.towers["tower_id"].tolist()
    if name not in names:
        raise SettingsError(f"tower {name!r} is not on the line; {_near(name, names)}")
    return names.index(name)


def span_place(route, name):
    """Place of a span on the route.

    Parameters
    ----------
    route : Route
        Spans in route order.
    name : str
        Both towers with a dash between them, either first: ``90-91``.

    Returns
    -------
    int

    Raises
    ------
    SettingsError
        No such span.
    """
    pairs = list(zip(route.spans["from_tower_id"], route.spans["to_tower_id"], strict=True))
    wanted = _plain(name)
    for place, (one, other) in enumerate(pairs):
        if wanted in (_plain(f"{one}-{other}"), _plain(f"{other}-{one}")):
            return place
    names = [f"{one}-{other}" for one, other in pairs]
    raise SettingsError(f"span {name!r} is not on the line; {_near(name, names)}")


def _plain(name):
    """Name of a span without blanks, with a plain dash."""
    return "".join(str(name).split()).replace("–", "-")


def _near(name, names):
    """The names that are most like one that is not there."""
    near = get_close_matches(str(name), names, n=3, cutoff=0.3)
    return f"the nearest names are {', '.join(near)}" if near else f"names are as {', '.join(names[:3])}"
