"""How much of everything a treatment takes at each tower."""

import numpy as np
import pandas as pd

from towerlib.treatments.predict import lengths

QUANTITIES = """
    trench_m wire_m rod_count rod_m drilled_m fill_m leads bonds arrester_sets underbuilt_m retests
""".split()
EFFORT = (
    "Effort is trench metres: work other than trenching counts as the metres of trench in ordinary ground that take "
    "one crew as long."
)


def quantities(treatment, sites, settings, line):
    """Amounts of a treatment at every tower.

    Parameters
    ----------
    treatment : Treatment
    sites : pandas.DataFrame
        As `towerlib.treatments.sites.sites` gives it.
    settings : towerlib.line.treating.Treatments
    line : Line
        Its circuits, each of which takes an arrester set.

    Returns
    -------
    pandas.DataFrame
        One row a tower: `QUANTITIES`, crew_days, crew_weeks, effort [m of trench].

    Notes
    -----
    Rods and rings need a connecting wire, in a trench of its own, to each leg or rod. A lead known to be corroded,
    not missing, counts as one lead. Ground without a class counts as ordinary for the crew's time.
    """
    amounts = pd.DataFrame(0.0, index=sites.index, columns=QUANTITIES)
    for name, value in _amounts(treatment, sites, settings, line).items():
        amounts[name] = value
    crew_days = _crew_days(amounts, sites, settings.crew)
    return amounts.assign(
        crew_days=crew_days,
        crew_weeks=crew_days / settings.crew.days_per_week,
        effort=crew_days * settings.crew.trench_m_ordinary,
    )


def _amounts(treatment, sites, settings, line):
    """What is not zero."""
    kind, count, width_m = treatment.kind, treatment.count, sites["width_m"].to_numpy(float)
    wires_m = count * lengths(treatment, sites)
    side_m = width_m + 2 * settings.ring_outside_m
    legs = np.minimum(sites["legs"].to_numpy(), 4)
    around_m = 4 * side_m + legs * np.sqrt(2) * settings.ring_outside_m
    if kind in ("rods", "drilled"):
        joined_m = count * np.sqrt(2) * settings.rods_outside_m
        driven = "rod_m" if kind == "rods" else "drilled_m"
        filled = wires_m if treatment.fill_mm else 0.0
        return {
            "trench_m": joined_m,
            "wire_m": joined_m,
            "rod_count": count,
            driven: wires_m,
            "fill_m": filled,
        }
    if kind in ("radials", "counterpoise"):
        return {"trench_m": wires_m, "wire_m": wires_m, "fill_m": wires_m if treatment.fill_mm else 0.0}
    if kind == "ring":
        return {"trench_m": around_m, "wire_m": around_m}
    if kind == "ring and radials":
        filled = wires_m if treatment.fill_mm else 0.0
        return {"trench_m": around_m + wires_m, "wire_m": around_m + wires_m, "fill_m": filled}
    if kind == "lead":
        return {"leads": np.maximum(np.nan_to_num(sites["leads_missing"].to_numpy(float)), 1.0)}
    if kind == "under-built":
        return {"underbuilt_m": sites[["span_behind_m", "span_ahead_m"]].fillna(0.0).sum(axis=1) / 2}
    if kind == "arresters":
        return {"arrester_sets": max(1, len({wire.circuit for wire in line.phases.conductors}))}
    return {"rebond": {"bonds": 1.0}, "retest": {"retests": 1.0}}.get(kind, {})


def _crew_days(amounts, sites, crew):
    """Days of one crew, without the way there."""
    ground = sites["soil_class"].astype("object").where(sites["soil_class"].notna(), "ordinary")
    trench_m = ground.map(
        {name: getattr(crew, f"trench_m_{name}") for name in ("soft", "ordinary", "stony", "rock")}
    )
    return (
        amounts["trench_m"] / trench_m.astype(float)
        + amounts["rod_m"] / crew.rod_m
        + amounts["drilled_m"] / crew.drilled_m
        + amounts["fill_m"] / crew.fill_m
        + (amounts["leads"] + amounts["bonds"]) / crew.pieces
        + amounts["arrester_sets"] / crew.arrester_sets
        + amounts["underbuilt_m"] / crew.underbuilt_m
        + amounts["retests"] / crew.retests
    )
