"""Input of the lightning rates: the usual tower of a line and its exposed towers, with every assumption named."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from towerlib.physics.lightning import flashover, rate, surge
from towerlib.physics.lightning.surge import PHASE_ANGLE_DEG, LineGeometry
from towerlib.values import number

if TYPE_CHECKING:
    from typing import Any

    from towerlib.config import Line
    from towerlib.outages.calibration import FlashDensity
    from towerlib.records.load import Records
    from towerlib.route import Route


NOT_HELD = "the strike length does not hold the line's own voltage"
NO_WIRE = "no shield wire by design: every stroke hits a phase, this method does not hold"


def line_geometry(line: Line) -> tuple[LineGeometry | None, list[str], list[str]]:
    """Usual tower of a line for the lightning rate, what was taken from a typical tower, and why there is none.

    None where the settings contradict themselves or the voltage has no typical tower. A typical head is used for missing
    wires or phases, moved to the height of the line's own tower.
    """
    assumed = []
    try:
        # asked only where something is missing: not every voltage has a typical tower
        usual: Any = surge.typical_geometry(line.voltage_kv) if _missing(line) else None
        height_m = _height(line, usual, assumed)
        wires = _wires(line, usual, height_m, assumed)
        strike_m = line.phases.strike_length_m or usual.strike_length_m
        if line.phases.strike_length_m is None:
            assumed.append(f"Strike length assumed: {strike_m:g} m, typical of {line.voltage_kv:g} kV.")
        phases = _phases(line, usual, height_m, strike_m, assumed)
        geometry = LineGeometry(
            height_m=height_m,
            surge_impedance_ohm=_surge_impedance(line, usual, height_m, assumed),
            **wires,
            **phases,
            strike_length_m=strike_m,
            voltage_kv=line.voltage_kv,
        )
        _check_head(geometry)
    except ValueError as flaw:
        return None, assumed, [f"No trip-out rates: line.toml, {flaw}."]
    return geometry, assumed, []


def _check_head(geometry):
    """Contradictions within the head: wires in the ground, in each other, below the phases; the insulators."""
    held_kv = geometry.strike_length_m * number("flashover_positive_kv_m")
    if held_kv <= phase_peak_kv(geometry.voltage_kv):
        raise ValueError(f"{NOT_HELD} ({geometry.strike_length_m:g} m at {geometry.voltage_kv:g} kV)")
    if geometry.height_m > number("lightning_height_max_m"):
        raise ValueError(_too_high())
    x_m, y_m, radius_m = (np.array(getattr(geometry, f"wire_{name}_m")) for name in ("x", "y", "radius"))
    first, second = np.triu_indices(len(x_m), 1)
    apart_m = np.hypot(x_m[first] - x_m[second], y_m[first] - y_m[second])
    if (apart_m <= radius_m[first] + radius_m[second]).any():
        raise ValueError("two shield wires hang at the same place")
    if geometry.least_height_m >= geometry.height_m:
        raise ValueError("over the span a wire would hang below ground: check heights and sags")
    wire_m = np.min(np.subtract(geometry.wire_y_m, geometry.wire_sag_m))
    phase_m = np.max(np.subtract(geometry.phase_y_m, geometry.phase_sag_m))
    if wire_m <= phase_m:
        raise ValueError(
            f"at mid-span a shield wire at {wire_m:.3g} m does not lie above the phase at {phase_m:.3g} m"
        )


def _missing(line):
    """Whether a typical tower is needed for anything."""
    shape = line.tower.surge_impedance_ohm or line.tower.base_radius_m
    return not (
        line.shield_wires.wires and line.phases.conductors and line.phases.strike_length_m and shape
    ) or not (line.tower.height_m or line.shield_wires.wires)


def _height(line, usual, assumed):
    """Height of the usual tower: stated, else of its highest shield wire, else typical."""
    if line.tower.height_m:
        return line.tower.height_m
    own = bool(line.shield_wires.wires)
    height_m = max(wire.y_m for wire in line.shield_wires.wires) if own else usual.height_m
    where = "its highest shield wire" if own else f"typical of {line.voltage_kv:g} kV"
    assumed.append(f"Tower height assumed: {height_m:g} m, {where}.")
    return height_m


def _wires(line, usual, height_m, assumed):
    """Shield wires as the geometry takes them."""
    wires = line.shield_wires.wires
    if wires:
        return {
            "wire_x_m": tuple(wire.x_m for wire in wires),
            "wire_y_m": tuple(wire.y_m for wire in wires),
            "wire_sag_m": tuple(wire.sag_m for wire in wires),
            "wire_radius_m": tuple(wire.radius_mm / 1000 for wire in wires),
        }
    assumed.append(f"Shield wires assumed: {len(usual.wire_x_m)}, typical of {line.voltage_kv:g} kV.")
    moved = height_m - usual.height_m
    return {
        "wire_x_m": usual.wire_x_m,
        "wire_y_m": tuple(y_m + moved for y_m in usual.wire_y_m),
        "wire_sag_m": usual.wire_sag_m,
        "wire_radius_m": usual.wire_radius_m,
    }


def _phases(line, usual, height_m, strike_m, assumed):
    """Phases of every circuit as the geometry takes them."""
    conductors = line.phases.conductors
    if not conductors:
        assumed.append(f"Phases assumed: a head typical of {line.voltage_kv:g} kV.")
        moved = height_m - usual.height_m
        return {
            "phase_x_m": usual.phase_x_m,
            "phase_y_m": tuple(y_m + moved for y_m in usual.phase_y_m),
            "crossarm_y_m": tuple(y_m + moved for y_m in usual.crossarm_y_m),
            "phase_sag_m": usual.phase_sag_m,
            "phase_angle_deg": usual.phase_angle_deg,
        }
    if any(wire.crossarm_y_m is None for wire in conductors):
        assumed.append("Crossarms assumed: one strike length above their conductors, where not stated.")
    arms = [wire.crossarm_y_m or min(wire.y_m + strike_m, height_m) for wire in conductors]
    return {
        "phase_x_m": tuple(wire.x_m for wire in conductors),
        "phase_y_m": tuple(wire.y_m for wire in conductors),
        "crossarm_y_m": tuple(arms),
        "phase_sag_m": (line.phases.sag_m,) * len(conductors),
        "phase_angle_deg": tuple(PHASE_ANGLE_DEG[wire.phase] for wire in conductors),
    }


def _surge_impedance(line, usual, height_m, assumed):
    """Surge impedance of the tower: stated, else from its shape, else typical."""
    shape = line.tower
    if shape.surge_impedance_ohm:
        return shape.surge_impedance_ohm
    if shape.base_radius_m and shape.waist_radius_m and shape.waist_height_m and shape.top_radius_m:
        radii = shape.top_radius_m, shape.waist_radius_m, shape.base_radius_m
        return float(surge.waist_surge_impedance(height_m, shape.waist_height_m, *radii))
    if shape.base_radius_m:
        assumed.append("Surge impedance of the tower: as of a cone over its base, its waist is not stated.")
        return float(surge.cone_surge_impedance(height_m, shape.base_radius_m))
    ohm = usual.surge_impedance_ohm
    assumed.append(f"Surge impedance of the tower assumed: {ohm:g} Ω, typical of {line.voltage_kv:g} kV.")
    return ohm


def towers_exposed(
    records: Records,
    route: Route,
    condition: pd.DataFrame,
    local: FlashDensity | None,
    shape: LineGeometry | None = None,
) -> pd.DataFrame:
    """Input of the rate of each tower, in route order.

    Parameters
    ----------
    records : Records
        Register, soil and settings of the line.
    route : Route
    condition : pandas.DataFrame
        One row per tower in route order, as `towerlib.condition.assess` gives it.
    local : FlashDensity or None
        Used where neither the tower nor the line states a ground flash density.
    shape : LineGeometry, optional
        Gives the least height of a tower.

    Returns
    -------
    pandas.DataFrame
        One row per tower: tower_id, chainage_m, span_m (over which it collects), surge_span_m
        (mean of its spans), height_m, strength_kv, flash_density, flash_density_source,
        resistivity_ohm_m, soil_source, footing_ohm, footing_low_ohm, footing_high_ohm, lower_bound_ohm, target_ohm;
        assumed (what was assumed, or ""), flaw (why there is no rate, or "").
    """
    line = records.line
    held = ["footing_ohm", "footing_low_ohm", "footing_high_ohm", "lower_bound_ohm", "target_ohm"]
    register = records.towers.set_index("tower_id")
    laid = route.towers[["tower_id", "chainage_m", "span_ahead_m"]]
    table = pd.DataFrame(laid).merge(condition[["tower_id", *held]], on="tower_id", validate="1:1")
    own = register.reindex(table["tower_id"]).reset_index(drop=True)
    ahead = table.pop("span_ahead_m")
    table["span_m"] = (ahead.fillna(0.0) + ahead.shift().fillna(0.0)) / 2
    table["surge_span_m"] = pd.concat([ahead, ahead.shift()], axis=1).mean(axis=1)
    table["height_m"] = own["height_m"].astype(float)
    strike_m = own.reindex(columns=["strike_length_m"])["strike_length_m"].astype(float)
    table["strength_kv"] = strike_m * number("flashover_positive_kv_m")
    table = table.assign(**_flash_density(own, line, local), **_soil(own, table, records))
    return table.assign(assumed=_assumed(table, own), flaw=_flaws(table, own, shape))


def _flash_density(own, line, local):
    """Ground flash density of each tower: its own, the line's, that of the flashes, or of the other towers."""
    stated = line.lightning.ground_flash_density
    density = own["ground_flash_density"].astype(float)
    source = pd.Series("register", own.index).where(density.notna(), "")
    if stated is None and local is not None and local.count:  # a list without a flash here gives no density
        stated, word = local.per_km2_year, "flashes along the line"
    else:
        word = "line.toml"
    if stated is not None:
        source = source.where(density.notna(), word)
        density = density.fillna(stated)
    elif density.notna().any() and density.isna().any():
        source = source.where(density.notna(), "mean of the other towers")
        density = density.fillna(density.mean())
    return {"flash_density": density, "flash_density_source": source}


def _soil(own, table, records):
    """Soil resistivity of each tower with its source: register, two layers, Wenner readings, or assumed."""
    layers = np.sqrt(own["upper_layer_ohm_m"].astype(float) * own["lower_layer_ohm_m"].astype(float))
    soil = records.soil
    apparent = np.log(2 * np.pi * soil["spacing_m"].astype(float) * soil["resistance_ohm"].astype(float))
    wenner = np.exp(apparent.groupby(soil["tower_id"]).mean()).reindex(table["tower_id"]).to_numpy(float)
    found, source = own["soil_resistivity_ohm_m"].astype(float), pd.Series("register", own.index)
    for word, values in (("two layers", layers), ("Wenner readings", pd.Series(wenner, own.index))):
        source = source.mask(found.isna(), word)
        found = found.fillna(values)
    if records.line.lightning.assume_missing_soil:
        source = source.mask(found.isna(), "assumed")
        found = found.fillna(
            pd.Series(flashover.assumed_resistivity(table["footing_ohm"].to_numpy(float)), own.index)
        )
    return {"resistivity_ohm_m": found, "soil_source": source.mask(found.isna(), "")}


def _assumed(table, own):
    """Assumptions at each tower, "" where there are none."""
    soil = np.where(table["soil_source"] == "assumed", "soil resistivity 20 m times the footing", "")
    wire = np.where(
        own["shield_wire"] == "insulated", "insulated shield wire sparks over, taken as bonded", ""
    )
    return ["; ".join(part for part in parts if part) for parts in zip(soil, wire, strict=True)]


def _flaws(table, own, shape):
    """Why a tower has no rate, "" where it has one."""
    flaws = rate.input_flaws(
        table["footing_ohm"].to_numpy(float),
        table["resistivity_ohm_m"].to_numpy(float),
        table["strength_kv"].fillna(1.0).to_numpy(float),
        table["span_m"].to_numpy(float),
        height_m=table["height_m"].fillna(np.inf).to_numpy(float),
        least_height_m=shape.least_height_m if shape else 0.0,
    )
    line_kv = shape.voltage_kv if shape else 0.0
    held = ~(table["strength_kv"] <= phase_peak_kv(line_kv)).to_numpy()
    flaws = np.where(held | (flaws != ""), flaws, NOT_HELD)
    high = (table["height_m"] > number("lightning_height_max_m")).to_numpy()
    flaws = np.where(high & (flaws == ""), _too_high(), flaws)
    return np.where(own["shield_wire"] == "none", NO_WIRE, flaws)


def _too_high():
    """Why a tower beyond the reach of the collection formulas has no rate."""
    most_m = number("lightning_height_max_m")
    return f"tower height is above {most_m:g} m, where upward flashes go beyond this method"


def phase_peak_kv(line_kv: float) -> float:
    """Peak of the voltage between a phase and earth, of the voltage between phases [kV]."""
    return line_kv * np.sqrt(2 / 3)
