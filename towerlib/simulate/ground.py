"""Where the line runs, and the soil under it."""

import numpy as np
import pandas as pd
from pyproj import Geod

GEOD = Geod(ellps="WGS84")


def lay(route, rng):
    """Towers along the route, straight from one angle to the next.

    Parameters
    ----------
    route : Route
        Where the line runs.
    rng : numpy.random.Generator
        Source of chance.

    Returns
    -------
    tuple of DataFrame and array
        One row a tower: tower_id, latitude_deg, longitude_deg, chainage_m, bearing_deg; and the spans [m].
    """
    bearing_deg = np.concatenate([np.full(count, float(bearing)) for bearing, count in route.sections])
    span_m = route.span_m * (1 + 0.13 * np.clip(rng.standard_normal(len(bearing_deg) - 1), -3, 3))
    places = [(route.longitude_deg, route.latitude_deg)]
    for bearing, length_m in zip(bearing_deg, span_m, strict=False):
        places.append(GEOD.fwd(*places[-1], bearing, length_m)[:2])
    longitude_deg, latitude_deg = np.round(places, 6).T
    return pd.DataFrame(
        {
            "tower_id": tower_names(route.names, len(bearing_deg)),
            "latitude_deg": latitude_deg,
            "longitude_deg": longitude_deg,
            "chainage_m": np.r_[0.0, np.cumsum(span_m)],
            "bearing_deg": bearing_deg,
        }
    ), span_m


def tower_names(style, count):
    """Names of towers as registers have them; a tower added later carries a letter.

    Parameters
    ----------
    style : str
        ``padded``, ``plain`` or ``section``.
    count : int
        How many.

    Returns
    -------
    list of str

    Examples
    --------
    >>> tower_names("padded", 14)[11:]
    ['012', '012A', '013']
    >>> tower_names("section", 76)[72:]
    ['A/73', 'A/74', 'B/1', 'B/2']
    """
    if style == "padded":
        return _with_additions([f"{k:03d}" for k in range(1, count)], ("012A",))
    if style == "plain":
        return _with_additions([str(k) for k in range(1, count - 1)], ("12A", "47A"))
    return [f"{'ABCDEF'[k // 74]}/{k % 74 + 1}" for k in range(count)]


def _with_additions(names, additions):
    """Each addition right behind the tower whose number it shares."""
    for name in additions:
        place = names.index(name[:-1]) + 1
        names = [*names[:place], name, *names[place:]]
    return names


def lay_soil(chainage_m, ground, rng):
    """Soil along the line: patches with sudden borders, and slow change within them.

    Parameters
    ----------
    chainage_m : array, shape (n,)
        Places [m].
    ground : Ground
        What the soil is like.
    rng : numpy.random.Generator
        Source of chance.

    Returns
    -------
    dict of str to array
        upper_layer_ohm_m, lower_layer_ohm_m, layer_depth_m; soil_resistivity_ohm_m is what pins at 6 m find.
    """
    step_m = np.diff(chainage_m, prepend=chainage_m[0] - 300.0)
    patch = np.cumsum(rng.random(len(chainage_m)) < 1 - np.exp(-step_m / 4000.0))
    values = rng.standard_normal((patch[-1] + 1, 3))[patch]
    slow = correlated(step_m, 1500.0, rng)
    upper = np.exp(ground.spread * (0.75 * values[:, 0] + 0.65 * slow))
    lower = upper * np.exp(0.6 * values[:, 1])
    depth_m = np.clip(3.0 * np.exp(0.4 * values[:, 2]), 1.0, 9.0)
    apparent = wenner_resistivity(upper, lower, depth_m, 6.0)
    scale = ground.resistivity_ohm_m / np.median(apparent)
    return {
        "upper_layer_ohm_m": scale * upper,
        "lower_layer_ohm_m": scale * lower,
        "layer_depth_m": depth_m,
        "soil_resistivity_ohm_m": scale * apparent,
    }


def correlated(step_m, length_m, rng):
    """Values along the line whose correlation fades over `length_m`, standard normal."""
    keep = np.exp(-np.asarray(step_m) / length_m)
    values = rng.standard_normal(len(keep))
    for k in range(1, len(values)):
        values[k] = keep[k] * values[k - 1] + np.sqrt(1 - keep[k] ** 2) * values[k]
    return values


def wenner_resistivity(upper_ohm_m, lower_ohm_m, depth_m, spacing_m):
    """Apparent resistivity that four pins at equal spacing find over two layers.

    Parameters
    ----------
    upper_ohm_m, lower_ohm_m, depth_m, spacing_m : float or array
        The layers [Ω·m], thickness of the upper one and spacing of the pins [m].

    Returns
    -------
    float or array
        Apparent resistivity [Ω·m].

    Notes
    -----
    ρa = ρ1·(1 + 4·Σ Kⁿ·[1/√(1 + (2nh/a)²) − 1/√(4 + (2nh/a)²)]), K = (ρ2 − ρ1)/(ρ2 + ρ1), 200 images.

    References
    ----------
    Sunde, Earth Conduction Effects (1949); Tagg, Earth Resistances (1964); IEEE Std 81 (from memory).

    Examples
    --------
    >>> print(wenner_resistivity(100.0, 100.0, 3.0, 6.0))
    100.0
    """
    upper, lower, depth_m = (np.asarray(a, float)[..., None] for a in (upper_ohm_m, lower_ohm_m, depth_m))
    n = np.arange(1, 201)
    reach = (2 * n * depth_m / np.asarray(spacing_m, float)[..., None]) ** 2
    images = ((lower - upper) / (lower + upper)) ** n * (1 / np.sqrt(1 + reach) - 1 / np.sqrt(4 + reach))
    return upper[..., 0] * (1 + 4 * images.sum(axis=-1))
