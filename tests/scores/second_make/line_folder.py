"""A made line as the folder that a utility would hand in: line.toml and tables, by the contract of the records."""

from pathlib import Path

import numpy as np
import pandas as pd

from tests.scores.second_make.crew_sheets import outages, soundings, write_down
from tests.scores.second_make.made_line import LIMIT_OHM, TARGET_OHM

PRICES = """item,unit,price,soil_class,access,price_low,price_high,source,year
trench,m,26,soft,,20,36,invented,2026
trench,m,44,ordinary,,34,60,invented,2026
trench,m,95,stony,,72,130,invented,2026
trench,m,220,rock,,170,300,invented,2026
wire,m,8,,,6,11,invented,2026
rod,m,55,soft,,44,75,invented,2026
rod,m,72,ordinary,,58,100,invented,2026
rod,m,150,stony,,120,210,invented,2026
drilled rod,m,180,,,140,250,invented,2026
backfill,m,36,,,28,50,invented,2026
leg lead,piece,280,,,220,380,invented,2026
mobilisation,group,1100,,road,900,1500,invented,2026
mobilisation,group,1800,,track,1400,2500,invented,2026
mobilisation,group,3200,,foot,2500,4300,invented,2026
mobilisation,group,9000,,helicopter,7000,12500,invented,2026
retest,tower,230,,,180,310,invented,2026
arrester set,tower,7000,,,5600,9500,invented,2026
shield-wire bond,piece,360,,,290,500,invented,2026
under-built wire,m,33,,,26,45,invented,2026
"""


def write(made, truth, folder):
    """Write the folder of a line.

    Parameters
    ----------
    made : MadeLine
    truth : DataFrame
        Towers, as `true_state.truth` gives them; only their trip-out rates are used, for the outage record.
    folder : path
        Made where it does not exist.

    Returns
    -------
    DataFrame
        What is true of every sheet, as `crew_sheets.write_down` gives it. It is not written.
    """
    folder = Path(folder)
    folder.mkdir(parents=True, exist_ok=True)
    visits, legs, sheets = write_down(made)
    tables = {
        "towers": register(made),
        "visits": visits,
        "legs": legs,
        "soil": soundings(made),
    }
    if made.seed % 3:
        tables["outages"] = outages(made, truth["rate"].to_numpy())
    for name, table in tables.items():
        if len(table):
            table.to_csv(folder / f"{name}.csv", index=False)
    (folder / "prices.csv").write_text(PRICES, encoding="utf-8")
    (folder / "line.toml").write_text(settings(made), encoding="utf-8")
    return sheets


def register(made):
    """towers.csv: what the office knows, soil at some towers and roughly."""
    rng, towers = np.random.default_rng([made.seed, 4]), made.towers
    n = len(towers)
    middle = np.sqrt(towers["upper_ohm_m"] * towers["lower_ohm_m"]) * np.exp(rng.normal(0, 0.3, n))
    return pd.DataFrame(
        {
            "tower_id": towers["tower_id"],
            "latitude_deg": towers["latitude_deg"].round(6),
            "longitude_deg": towers["longitude_deg"].round(6),
            "sequence": np.arange(1, n + 1),
            "structure": towers["structure"],
            "leg_count": towers["leg_count"],
            "leg_spacing_m": towers["leg_spacing_m"].where(towers["leg_count"] > 1),
            "height_m": towers["height_m"],
            "earth_paths_in_coils": towers["register_paths"],
            "ring": towers["register_ring"],
            "shield_wire": towers["shield_wire"],
            "soil_resistivity_ohm_m": middle.round(-1).where((rng.random(n) < 0.6) & (middle > 20)),
            "soil_class": towers["soil_class"].where(rng.random(n) < 0.85),
            "occupancy": towers["occupancy"],
            "access": towers["access"],
            "access_group": towers["access_group"],
            "ground_flash_density": towers["flash_density"].round(1),
        }
    )


def settings(made):
    """line.toml as text."""
    kv, height, gap, *_ = made.house
    wires = ", ".join(
        f"{{ x_m = {x}, y_m = {y}, sag_m = {0.15 * height:.1f}, radius_mm = 5.5, gmr_mm = 5.5, r_ohm_km = 0.34 }}"
        for x, y in made.wires
    )
    phases = "".join(
        f'  {{ circuit = {c + 1}, phase = "{letter}", x_m = {x}, y_m = {y}, crossarm_y_m = {y + 0.9 * gap + 0.3:.1f} }},\n'
        for c, circuit in enumerate(made.phases)
        for letter, (x, y) in zip("abc", circuit, strict=True)
    )
    fault = 1500 + 12 * kv
    return f"""# Invented from end to end, for tests.
[line]
id = "{made.name}"
name = "Made line {made.name}"
voltage_kv = {kv}
frequency_hz = {made.hz}

[stations]
first = {{ name = "First", earth_ohm = {made.station_ohm[0]} }}
last = {{ name = "Last", earth_ohm = {made.station_ohm[1]} }}

[shield_wires]
wires = [{wires}]

[tower]
height_m = {height}
surge_impedance_ohm = {made.house[7]}

[phases]
sag_m = {0.24 * height:.1f}
strike_length_m = {gap}
conductors = [
{phases}]

[earth_fault]
from_first_a = {fault}
from_last_a = {0.6 * fault:.0f}
clearing_s = 0.25

[lightning]
ground_flash_density = {made.towers["flash_density"].mean():.1f}
source = "invented"

[limits]
target_ohm = {TARGET_OHM:g}
limit_ohm = {LIMIT_OHM:g}

[plan]
budget = {max(round(1200 * len(made.towers), -4), 30000)}
currency = "EUR"
cost_per_trip_out = 9000
years = 3
"""
