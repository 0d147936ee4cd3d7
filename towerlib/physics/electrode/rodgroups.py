"""Groups of equal vertical rods: exactly by their matrix, and by the factors of the trade's tables."""

import numpy as np

from towerlib.physics.electrode.rods import rod_resistance, rods_mutual


def rod_group(resistivity_ohm_m, length_m, radius_m, position_m):
    """Resistance of any number of equal bonded rods, their tops at the surface.

    Parameters
    ----------
    resistivity_ohm_m : float or array
        Resistivity [Ω·m].
    length_m, radius_m : float
        Length in the ground and radius of each [m].
    position_m : array, shape (n, 2)
        x and y of each rod [m].

    Returns
    -------
    float or array
        Resistance [Ω].

    Notes
    -----
    Matrix of `rod_resistance` on the diagonal and `rods_mutual` beside it, all rods at one potential.

    References
    ----------
    Average-potential method: Dwight (1936), Sunde (1949), from memory.

    Examples
    --------
    >>> print(rod_group(100.0, 3.0, 0.008, [(0, 0), (3, 0), (6, 0)]))
    13.65
    """
    position_m = np.atleast_2d(np.asarray(position_m, float))
    apart_m = _apart(position_m)
    matrix = np.diag(np.full(len(position_m), rod_resistance(1.0, length_m, radius_m)))
    others = ~np.eye(len(position_m), dtype=bool)
    matrix[others] = rods_mutual(1.0, length_m, apart_m[others])
    return np.asarray(resistivity_ohm_m, float) / np.linalg.solve(matrix, np.ones(len(matrix))).sum()


def group_factor(position_m, spacing_m):
    """How much the rods of a group stand in each other's way, taken as points: λ of the British standard.

    Parameters
    ----------
    position_m : array, shape (n, 2)
        x and y of each rod [m].
    spacing_m : float
        Distance between neighbours [m].

    Returns
    -------
    float
        λ.

    Notes
    -----
    λ = (1/n)·ΣΣ_{i≠j} s/D_ij; for n rods in a line (2/n)·Σ (n − k)/k. The tables for a hollow square count
    the rods along one side: 4(n − 1) in all.

    References
    ----------
    BS 7430, tables of λ, from memory (1.66 for three in a line and 7.65 for nine a side seen).

    Examples
    --------
    >>> print(group_factor([(0, 0), (3, 0), (6, 0)], 3.0))
    1.667
    """
    position_m = np.atleast_2d(np.asarray(position_m, float))
    apart_m = _apart(position_m)
    return float((spacing_m / apart_m[~np.eye(len(position_m), dtype=bool)]).sum() / len(position_m))


def rod_group_by_factor(resistivity_ohm_m, rod_ohm, spacing_m, count, factor):
    """Resistance of equal rods from that of one and the factor λ of their layout.

    Parameters
    ----------
    resistivity_ohm_m, rod_ohm, spacing_m : float or array
        Resistivity [Ω·m], resistance of one rod alone [Ω], distance between neighbours [m].
    count : int or array
        Number of rods.
    factor : float or array
        λ, from `group_factor` or the standard's table.

    Returns
    -------
    float or array
        Resistance [Ω].

    Notes
    -----
    R = R1·(1 + λα)/n, α = ρ/(2πR1·s): rods as points, good from a spacing of about their length on.

    References
    ----------
    BS 7430.

    Examples
    --------
    >>> print(rod_group_by_factor(244.0, 17.076, 8.25, 9, 7.65))
    5.898
    """
    resistivity_ohm_m, rod_ohm, spacing_m = (
        np.asarray(part, float) for part in (resistivity_ohm_m, rod_ohm, spacing_m)
    )
    if any(np.any(part <= 0) for part in (resistivity_ohm_m, rod_ohm, spacing_m)):
        raise ValueError("resistivity, resistance and spacing of rods must be greater than 0")
    alpha = resistivity_ohm_m / (2 * np.pi * rod_ohm * spacing_m)
    return rod_ohm * (1 + np.asarray(factor) * alpha) / np.asarray(count)


def _apart(position_m):
    """Distances between all positions, which must differ."""
    apart_m = np.linalg.norm(position_m[:, None] - position_m, axis=-1)
    if np.any(apart_m + np.eye(len(position_m)) <= 0):
        raise ValueError("two rods of a group stand at one place")
    return apart_m
