"""Hidden defects and completed works, planted on towers drawn by chance."""

import numpy as np

BOND_OHM = (10.0, 60.0)  # a worn bond
LEAD_FACTOR = (3.0, 8.0)  # resistance of a corroded lead, in own resistances of its foot
WORK_FACTOR = (0.30, 0.55)  # what works leave of a footing, where they succeed
FAILED_FACTOR = 0.98


def plant(planted, towers, own_ohm, rng):
    """Defects with their days and sizes.

    Parameters
    ----------
    planted : Planted
        How many of each.
    towers : DataFrame
        One row a tower, with structure, ring, tail and shield_wire.
    own_ohm : array, shape (n, 5)
        Own resistance of each path [Ω].
    rng : numpy.random.Generator
        Source of chance.

    Returns
    -------
    dict of str to array
        defect, defect_since, bond_ohm, defect_leg (−1 where none), lead_factor, treated_on, treatment_factor,
        tested, span_ahead_open_since.
    """
    role = _roles(planted, towers, own_ohm, rng)
    return _bonds_and_legs(planted, role, rng) | _works(role, rng) | _open_span(planted, len(role))


def _roles(planted, towers, own_ohm, rng):
    """Role of each tower, one thing a tower; kept clear of the ends and of an open span."""
    place = np.arange(len(towers))
    bonded = ((towers["shield_wire"] == "bonded") & ~towers["tail"]).to_numpy()
    inner = bonded & (place > 3) & (place < len(place) - 4)
    if planted.open_span is not None:
        inner &= np.abs(place - planted.open_span - 0.5) > 3
    legged = inner & ((towers["structure"] == "lattice") & ~towers["ring"]).to_numpy()
    parallel_ohm = 1 / np.nansum(1 / own_ohm, axis=1)
    role = np.full(len(towers), "none", dtype=object)
    for name, count, allowed in (
        ("corroded leg", planted.corroded_legs, legged),
        ("open leg", planted.open_legs, legged),
        ("open bond", planted.open_bonds, inner),
        ("worn bond", planted.worn_bonds, inner),
        ("treated", planted.treated, legged & (parallel_ohm > np.quantile(parallel_ohm, 0.7))),
        ("untested", planted.untested, bonded),
    ):
        role[rng.choice(np.flatnonzero(allowed & (role == "none")), count, replace=False)] = name
    return role


def _bonds_and_legs(planted, role, rng):
    """Electrical defects: the bond's impedance, or the leg and its lead."""
    count = len(role)
    lame = np.isin(role, ["corroded leg", "open leg"])
    begun = lame | np.isin(role, ["open bond", "worn bond"])
    since = rng.choice(np.array(planted.since, "datetime64[D]"), count)
    leg = rng.integers(0, 4, count)
    worn_ohm, lead = (low + (high - low) * rng.random(count) for low, high in (BOND_OHM, LEAD_FACTOR))
    return {
        "defect": np.where(begun, role, "none").astype(str),
        "defect_since": np.where(begun, since, np.datetime64("NaT")),
        "bond_ohm": np.select([role == "open bond", role == "worn bond"], [np.inf, worn_ohm], 0.0),
        "defect_leg": np.where(lame, leg, -1),
        "lead_factor": np.select([role == "open leg", lame], [np.inf, lead], 0.0),
        "tested": role != "untested",
    }


def _works(role, rng):
    """Works of early 2025; the last treated tower is no better for it."""
    treated = np.flatnonzero(role == "treated")
    low, high = WORK_FACTOR
    factor = np.full(len(role), np.nan)
    factor[treated] = low + (high - low) * rng.random(len(treated))
    factor[treated[-1:]] = FAILED_FACTOR
    day = np.datetime64("2025-03-10") + rng.integers(0, 40, len(role))
    return {
        "treated_on": np.where(np.isfinite(factor), day, np.datetime64("NaT")),
        "treatment_factor": factor,
    }


def _open_span(planted, count):
    """Day on which the shield wire broke, at the tower in front of the span."""
    since = np.full(count, np.datetime64("NaT", "D"))
    if planted.open_span is not None:
        since[planted.open_span] = np.datetime64(planted.open_span_since)
    return {"span_ahead_open_since": since}
