"""How much of a buried counterpoise lightning sees: no more than its effective length."""

import numpy as np

# Effective length of each of four wires for first strokes: chosen by Schroeder et al. so as not to exceed it.
SOIL_OHM_M = (300.0, 600.0, 1000.0, 2000.0, 4000.0)
EFFECTIVE_M = (22.0, 37.0, 52.0, 82.0, 132.0)


def effective_length(resistivity_ohm_m):
    """Length of a counterpoise wire beyond which lightning performance gains nothing.

    Parameters
    ----------
    resistivity_ohm_m : float or array
        Soil resistivity [Ω·m], above 0.

    Returns
    -------
    float or array
        Of each of four wires, for first strokes [m]; straight lines through the logarithms, and beyond the table
        along its last pieces.

    Raises
    ------
    ValueError
        A resistivity that is not above 0.

    Notes
    -----
    Two other published sets lie some 20 to 30 % lower.

    References
    ----------
    Schroeder et al., Electr. Power Syst. Res. (2017), frequency-dependent soil models, lengths of Table 4.

    Examples
    --------
    >>> print(effective_length([300.0, 1000.0]))
    [22. 52.]
    """
    resistivity_ohm_m = np.asarray(resistivity_ohm_m, float)
    if np.any(resistivity_ohm_m <= 0):
        raise ValueError("resistivity_ohm_m must be above 0; what is not known is NaN")
    x, knots, logs = np.log(resistivity_ohm_m), np.log(SOIL_OHM_M), np.log(EFFECTIVE_M)
    with np.errstate(invalid="ignore"):
        piece = np.clip(np.searchsorted(knots, x) - 1, 0, len(knots) - 2)
    slope = np.diff(logs) / np.diff(knots)
    return np.exp(logs[piece] + slope[piece] * (x - knots[piece]))


def credited_length(length_m, resistivity_ohm_m):
    """Length of a counterpoise wire that counts for lightning.

    Parameters
    ----------
    length_m : float or array
        Length of each wire [m].
    resistivity_ohm_m : float or array
        Soil resistivity [Ω·m].

    Returns
    -------
    float or array
        The shorter of the length and `effective_length` [m]. The footing that a counterpoise treatment is
        credited with is its low-frequency resistance at this length, without ionisation
        (``Method(gradient_kv_m=inf)``).

    Examples
    --------
    >>> print(credited_length([30.0, 100.0], 1000.0))
    [30. 52.]
    """
    return np.minimum(np.asarray(length_m, float), effective_length(resistivity_ohm_m))


def buried_wire_resistance(resistivity_ohm_m, length_m, depth_m, radius_m):
    """Resistance to earth of one buried horizontal wire.

    Parameters
    ----------
    resistivity_ohm_m, length_m, depth_m, radius_m : float or array
        Soil resistivity [Ω·m]; length, depth and radius of the wire [m]. With the distance of a parallel wire
        in place of the radius, the mutual resistance of both.

    Returns
    -------
    float or array
        ρ/(πl)·(ln(2l/√(2hr)) − 1) [Ω], for a slender wire that lies shallow.

    References
    ----------
    Sunde 1949, as quoted by Alipio et al., Electr. Power Syst. Res. (2023), tower-foot grounding model, eqs 3–4.

    Examples
    --------
    >>> print(buried_wire_resistance(100.0, 30.0, 0.5, 0.005).round(1))
    6.1
    """
    length_m = np.asarray(length_m, float)
    log = np.log(2.0 * length_m / np.sqrt(2.0 * np.asarray(depth_m, float) * radius_m))
    return resistivity_ohm_m / (np.pi * length_m) * (log - 1.0)
