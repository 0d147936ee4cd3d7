"""Footings in uniform soils after the same treatment: one matrix serves all soils."""

import numpy as np

from towerlib.physics.electrode.footing import prepare, with_footing
from towerlib.physics.layered_soil import uniform


def treated_resistance(electrode, legs_m, footing_ohm, resistivity_ohm_m):
    """Resistance of towers in uniform soils after the same metal was bonded to each.

    Parameters
    ----------
    electrode : towerlib.physics.electrode.segments.Electrode
        The metal that is added.
    legs_m : array, shape (k, 2)
        x and y of each leg [m].
    footing_ohm, resistivity_ohm_m : float or array, shape (t,)
        Footing [Ω] and resistivity of the soil [Ω·m] of each tower; NaN where unknown.

    Returns
    -------
    float or array, shape (t,)
        Resistance [Ω]; NaN where footing or soil is unknown: it cannot be predicted.

    Notes
    -----
    In uniform soil R/ρ depends on R0/ρ and the geometry alone, so one matrix serves all towers.

    References
    ----------
    As `with_footing`.

    Examples
    --------
    >>> from towerlib.physics.electrode.segments import leg_positions
    >>> from towerlib.physics.electrode.segments import radials
    >>> wires = radials(4, 30.0, 0.004, 0.6, start_m=5.66)
    >>> print(np.round(treated_resistance(wires, leg_positions(8.0), [34.2, 68.4, 20.0], [1000.0, 2000.0, np.nan]), 1))
    [16.5 33.1  nan]
    """
    footing_ohm, resistivity_ohm_m = np.asarray(footing_ohm, float), np.asarray(resistivity_ohm_m, float)
    if np.any(resistivity_ohm_m <= 0):
        raise ValueError("a resistivity must be greater than 0 ohm m")
    added = prepare(electrode, legs_m, uniform(1.0))
    return resistivity_ohm_m * with_footing(added, footing_ohm / resistivity_ohm_m)
