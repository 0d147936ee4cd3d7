"""Towers as sites of work, made by hand for tests."""

import numpy as np
import pandas as pd

NAMES = ("1", "2", "3", "4", "5", "6", "7", "8")


def towers(footing_ohm, upper=1000.0, lower=None, depth_m=np.inf, **more):
    """Sites: lattice towers on four legs, 8 m apart; what is not named is harmless."""
    ohm = np.atleast_1d(np.asarray(footing_ohm, float))
    lower = upper if lower is None else lower
    table = pd.DataFrame({"tower_id": [f"T{k}" for k in range(len(ohm))], "footing_ohm": ohm})
    table = table.assign(
        footing_low_ohm=ohm / 1.3,
        footing_high_ohm=ohm * 1.3,
        target_ohm=5.0,
        limit_ohm=15.0,
        verdict="usable",
        rank_confidence="sure",
        impedance_class="above limit",
        leads_missing=0.0,
        shield_wire="bonded",
        soil_class="ordinary",
        access="road",
        access_group="A",
        legs=4,
        spacing_m=8.0,
        width_m=8.0,
        span_behind_m=300.0,
        span_ahead_m=300.0,
        upper_ohm_m=upper,
        lower_ohm_m=lower,
        depth_m=depth_m,
        soil_u=0.2,
        soil_source="register",
    )
    flags = ("is_public", "has_ring", "lead_gone", "lead_weak", "bond_doubt", "bond_suspected", "touch_above")
    table = table.assign(**dict.fromkeys(flags, False), geometry_assumed=False).assign(**more)
    layers = np.isfinite(table["depth_m"])
    mean = np.sqrt(table["upper_ohm_m"].astype(float) * table["lower_ohm_m"].astype(float))
    return table.assign(is_layered=layers, resistivity_ohm_m=mean)
