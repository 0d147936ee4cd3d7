"""Sheets of the crews: visits over the years, what their coils and probes show, and what goes wrong on the way."""

import numpy as np
import pandas as pd

from tests.scores.second_make import ground
from tests.scores.second_make.line_network import build, footings_ohm
from tests.scores.second_make.made_line import REGIMES, ground_at, local_ohm, moisture

LETTERS = "ABCD"
# what goes wrong, and how often among the sheets with a flaw
FLAWS = {
    "coil reversed": 0.14,
    "wrong turns": 0.14,
    "older sheet copied": 0.12,
    "sheet of another tower": 0.12,
    "towers swapped": 0.08,
    "stood at the neighbour": 0.1,
    "probes too near": 0.16,
    "no total": 0.08,
    "beyond the range": 0.06,
}
READ = (
    "impedance_ohm impedance_no_coils_ohm injected_ma legs_ma leakage_total_ma interference_potential_probe_v "
    "interference_current_probe_v potential_probe_ohm current_probe_ohm over_range"
).split()


def write_down(made):
    """Visits and legs of a line, and what is true of every sheet.

    Parameters
    ----------
    made : MadeLine

    Returns
    -------
    tuple of three DataFrames
        visits and legs as crews hand them in; ``truth-visits``: visit_id, tower_id as written, ``stood_at``, ``flaw``, and
        ``field``: what exact meters would read with the probes where they lie, over the footing of that day.
    """
    rule, rng = REGIMES[made.regime], np.random.default_rng([made.seed, 3, *made.regime.encode()])
    visits, legs, true = [], {}, []
    hz = float(rng.choice([97, 108, 128, 137, 153]))
    gain = {serial: 1 + rng.normal(0, 0.008) for serial in ("E-401", "E-402", "E-517")}
    for day, places, serial, crew in _rounds(rng, made, rule.tested):
        # one factor of the season per day, as the ground has it
        season = moisture(made, day, np.exp(rng.normal(0, 0.05)))
        load = made.load_a * rng.uniform(0.45, 1.0)
        odds = np.array(list(FLAWS.values())) / sum(FLAWS.values())
        flaws = [str(rng.choice(list(FLAWS), p=odds)) if rng.random() < rule.flaws else "" for _ in places]
        layouts = _layouts(rng, made, places, flaws)
        shown = _shown(made, places, day, season, hz, load, layouts)
        then = footings_ohm(made, day, season)
        for place, flaw, layout, real in zip(places, flaws, layouts, shown, strict=True):
            visit_id = f"V{len(visits) + 1:04d}"
            visit, leg = _sheet(rng, made, place, day, season, hz, layout, real, flaw, rule.drift, gain[serial])
            visit |= {"visit_id": visit_id, "crew": crew, "instrument_serial": serial}
            visits.append(visit)
            legs[visit_id] = leg
            field = abs(real["volts"]) / max(abs(real["seen"]), 1e-5) / then[place]
            true.append({"visit_id": visit_id, "stood_at": made.rows[place].tower_id, "flaw": flaw, "field": field})
    _mix_up(rng, visits, legs, true)
    table = pd.DataFrame(visits)
    rows = [{"visit_id": one, **leg} for one, group in legs.items() for leg in group]
    truth = pd.DataFrame(true)
    truth.insert(1, "tower_id", table["tower_id"])
    return table, pd.DataFrame(rows), truth


def _rounds(rng, made, share):
    """Days with towers, instrument and crew: campaigns over the years, newest last."""
    n = len(made.towers)
    tested = rng.random(n) < share if share < 1 else np.ones(n, bool)
    if share < 1:  # crews do not come where the road ends
        tested &= ~((made.towers["access"] == "helicopter").to_numpy() & (rng.random(n) < 0.5))
    years = sorted(rng.choice(np.arange(2016, 2026), int(rng.integers(2, 5)), replace=False))
    todo = {year: [] for year in years}
    for k in np.flatnonzero(tested):
        for year in rng.choice(years, min(int(rng.choice([1, 2, 3, 4], p=[0.3, 0.4, 0.2, 0.1])), len(years)), replace=False):
            todo[year].append(int(k))
    found = []
    for year in years:
        start = pd.Timestamp(f"{year}-01-10") + pd.Timedelta(days=int(rng.integers(0, 300)))
        places, day = sorted(todo[year]), start
        while places:
            today, places = places[: int(rng.integers(5, 12))], places[12:] if len(places) < 5 else places
            places = [place for place in places if place not in today]
            found.append((day, today, str(rng.choice(["E-401", "E-402", "E-517"])), str(rng.choice(["north", "south"]))))
            day += pd.Timedelta(days=int(rng.integers(1, 4)))
    return found


def _layouts(rng, made, places, flaws):
    """Probes of each tower: distances [m], bearings [deg] and what lies between the probes [m].

    A crew lays both probes in one direction, the potential probe at 62 % of the way, or in two directions.
    """
    one_way = made.seed % 5 < 3
    found = []
    for place, flaw in zip(places, flaws, strict=True):
        side = made.rows[place].bearing_deg + rng.choice([90, 270]) + rng.normal(0, 10)
        far = float(10 * rng.integers(8, 19))
        near = round((0.62 if one_way else rng.uniform(0.5, 0.8)) * far)
        if flaw == "probes too near":
            far = float(rng.integers(14, 26))
            near = round(rng.uniform(0.45, 0.62) * far)
        angles = (side, side) if one_way else (side - 42, side + 42)
        angles = [round(angle) % 360 for angle in angles]
        between = abs(near * np.exp(1j * np.radians(angles[0])) - far * np.exp(1j * np.radians(angles[1])))
        found.append({"near": near, "far": far, "bearings": angles, "between": float(between)})
    return found


def _shown(made, places, day, season, hz, load, layouts):
    """What exact meters would show at the towers of a day, per ampere injected or in service.

    The current probe lowers the ground at the tower and beside it; that acts in the feet like an EMF. It matters
    where the wires take most of the current: the probe's field stays, while the footing's own is small.
    """
    bodies, cases = len(made.towers), len(places)
    test = build(made, day, hz, season)
    injected = np.zeros((len(test.circuit.names), cases))
    injected[test.bodies[places], np.arange(cases)] = 1.0
    driven = np.zeros((len(test.circuit.emfs), cases))
    chain = np.concatenate([[0], np.cumsum(made.span_m)])
    for case, (k, layout) in enumerate(zip(places, layouts, strict=True)):
        soil = ground_at(made, k, season)
        for m in range(max(k - 2, 0), min(k + 3, bodies)):
            apart = np.hypot(layout["far"], chain[m] - chain[k])
            driven[test.out[m], case] = ground.spread_ohm(soil, apart)
    volts, amps = test.circuit.solve(injected, driven)
    quiet = build(made, day, made.hz, season, load_a=load)
    drive = np.zeros((len(quiet.circuit.names), 1), complex)
    stretch = np.convolve(made.span_m, [0.5, 0.5])
    for k in range(bodies):  # charging current of the wires
        drive[quiet.circuit.node("wire", 0, k), 0] = 4e-3j * made.house[0] / 132 * stretch[k] / 300
    rest, leak = quiet.circuit.solve(drive)
    found = []
    for case, (k, layout) in enumerate(zip(places, layouts, strict=True)):
        soil = ground_at(made, k, season)
        down = amps[test.out[k], case]
        probe = down * ground.spread_ohm(soil, layout["near"]) - ground.spread_ohm(soil, layout["between"])
        found.append(
            {
                "volts": volts[test.bodies[k], case] - probe,
                "legs": amps[test.legs[k], case],
                "seen": amps[test.seen[k], case].sum(),
                "leak": leak[quiet.legs[k], 0],
                "leak_beside": leak[quiet.seen[k], 0].sum() - leak[quiet.legs[k], 0].sum(),
                "rest_v": abs(rest[quiet.bodies[k], 0]),
            }
        )
    return found


def _sheet(rng, made, place, day, season, hz, layout, shown, flaw, drift, gain):
    """One visit and its legs as written."""
    tower, soil = made.rows[place], ground_at(made, place, season)
    near, far, volts = layout["near"], layout["far"], shown["volts"]
    noise = np.exp(rng.normal(0, 0.012, 4))
    coil = gain * np.exp(rng.normal(0, 0.008, len(shown["legs"])))
    turned = rng.integers(len(shown["legs"]))
    sign = np.ones(len(shown["legs"]))
    if flaw == "coil reversed":
        sign[turned] = -1
    through = (shown["seen"] - shown["legs"].sum()) + (sign * shown["legs"]).sum()
    probe = np.exp(rng.normal(np.log(120), 0.7))
    ampere = min(60.0 / (probe + 20), 0.5)
    scale = {"wrong turns": rng.choice([0.5, 2.0])}.get(flaw, 1.0) if rng.random() < 0.5 else 1.0
    alone = abs(volts) / max(abs(through), 1e-5) * noise[0] / scale
    legs_ohm = abs(volts) / np.maximum(abs(shown["legs"]), 1e-6) * np.exp(rng.normal(0, 0.015, len(sign)))
    method = rng.choice(["leg coils", "no coils", "shield wire lifted"], p=[0.87, 0.1, 0.03])
    if method == "shield wire lifted":
        alone = abs(_alone(made, place, day, season, soil, layout)) * noise[0]
    parallel = abs(volts) * noise[1]
    # the load moves while legs and total are read one after the other
    moved = np.cumsum(rng.normal(0, drift / np.sqrt(3), len(sign) + 1))
    single = abs(shown["leak"]) * 1e3 * coil * (1 + moved[:-1]) + rng.normal(0, 0.8, len(sign))
    total = abs((sign * coil * shown["leak"]).sum() + shown["leak_beside"]) * 1e3 * (1 + moved[-1]) + rng.normal(0, 1)
    if flaw == "wrong turns":
        worn = turned if scale == 1.0 else slice(None)
        single[worn] = single[worn] * (scale if scale != 1.0 else rng.choice([0.5, 2.0]))
        total *= scale
    step = 0.1 if rng.random() < 0.3 else 1.0
    written = lambda ma: max(round(ma / step) * step, 0.0)  # noqa: E731
    beyond = flaw == "beyond the range" and method == "leg coils"
    reading = {"no coils": parallel}.get(method, alone)
    where = place + (1 if place + 1 < len(made.rows) else -1) if flaw == "stood at the neighbour" else place
    aside = rng.normal(0, 5, 2)
    here, wires = made.rows[where], method != "shield wire lifted"
    visit = {
        "tower_id": tower.tower_id,
        "date": day.date().isoformat(),
        "calibration_due": (day + pd.Timedelta(days=int(rng.integers(-20, 360)))).date().isoformat(),
        "in_service": "yes" if wires else "no",
        "soil_state": "dry" if season > 1.08 else "wet" if season < 0.93 else "normal",
        "method": method,
        "test_frequency_hz": hz,
        "impedance_ohm": f">{_figures(0.3 * reading)}" if beyond else _figures(reading),
        "impedance_no_coils_ohm": _figures(parallel) if method == "leg coils" and rng.random() < 0.8 else "",
        "injected_ma": _figures(1e3 * ampere, 4) if rng.random() < 0.85 else "",
        "legs_ma": _figures(1e3 * ampere * abs(through) * scale * noise[2], 4)
        if method == "leg coils" and rng.random() < 0.8
        else "",
        "leakage_total_ma": _figures(written(total), 5) if wires and flaw != "no total" and rng.random() < 0.93 else "",
        "interference_potential_probe_v": _figures(shown["rest_v"] * np.exp(rng.normal(0, 0.05)) + 0.01),
        "interference_current_probe_v": _figures(shown["rest_v"] * np.exp(rng.normal(0, 0.05)) + 0.02),
        "interference_frequency_hz": made.hz,
        "potential_probe_ohm": round(np.exp(rng.normal(np.log(150), 0.6))),
        "current_probe_ohm": round(probe),
        "potential_probe_distance_m": near,
        "current_probe_distance_m": round(far),
        "potential_probe_bearing_deg": layout["bearings"][0],
        "current_probe_bearing_deg": layout["bearings"][1],
        "coil_turns": 1 if method == "leg coils" else "",
        "coil_turns_recorded": 1 if method == "leg coils" else "",
        "over_range": "yes" if beyond else "no",
        "latitude_deg": round(here.latitude_deg + aside[0] / 111_000, 6),
        "longitude_deg": round(here.longitude_deg + aside[1] / 107_000, 6),
        "note": "",
        **_seen(rng, made, place, day),
    }
    read = wires and method != "no coils" or rng.random() < 0.3
    each = method == "leg coils" and rng.random() < 0.7
    return visit, [
        {
            "leg": LETTERS[j],
            "leakage_ma": _figures(written(single[j]), 5),
            "impedance_ohm": _figures(legs_ohm[j]) if each else "",
            "coil_turns": 1,
            "reading_order": j + 1,
        }
        for j in range(len(sign) if read and wires else 0)
    ]


def _alone(made, place, day, season, soil, layout):
    """Voltage per ampere with the shield wires lifted [Ω]."""
    near, far, between = (ground.spread_ohm(soil, layout[name]) for name in ("near", "far", "between"))
    return local_ohm(made, place, day, season) + between - near - far


def _seen(rng, made, place, day):
    """What the crew sees of leads and bonds; not all of it."""
    leads, corrosion, bond = "", "none" if rng.random() < 0.8 else "light", "not seen"
    for row in made.lead_gone.itertuples():
        if row.place == place and row.since <= day and rng.random() < 0.55:
            leads, corrosion = (1, corrosion) if row.how == "missing" else (leads, "heavy")
    if leads == "" and rng.random() < 0.7:
        leads = 0
    ohm = np.where((made.bond_since[:, place] <= day).astype(bool), made.bond_ohm[:, place], 0.003)
    usual = made.rows[place].shield_wire == "bonded"
    if rng.random() < 0.3 and usual:
        bond = "sound"
        if np.isinf(ohm).all() and rng.random() < 0.7:
            bond = str(rng.choice(["missing", "damaged"]))
        elif (ohm > 2).any() and rng.random() < 0.4:
            bond = "damaged"
    return {"leads_missing": leads, "corrosion": corrosion, "bond_seen": bond}


def _mix_up(rng, visits, legs, true):
    """Sheets that were copied or exchanged."""
    done = set()
    for k, one in enumerate(true):
        visit = visits[k]
        if one["flaw"] == "older sheet copied":
            before = [m for m in range(k) if visits[m]["tower_id"] == visit["tower_id"] and not true[m]["flaw"]]
            source = before[-1] if before else None
        elif one["flaw"] == "sheet of another tower":
            near = [m for m in range(max(k - 4, 0), k) if visits[m]["date"] == visit["date"] and not true[m]["flaw"]]
            near = [m for m in near if len(legs[visits[m]["visit_id"]]) == len(legs[visit["visit_id"]])]
            source = near[-1] if near else None
        elif one["flaw"] == "towers swapped":
            same = k > 0 and visits[k - 1]["date"] == visit["date"] and not true[k - 1]["flaw"]
            source = None
            if same and k - 1 not in done:
                done.add(k)
                visits[k - 1]["tower_id"], visit["tower_id"] = visit["tower_id"], visits[k - 1]["tower_id"]
                true[k - 1]["flaw"] = "towers swapped"
                if rng.random() < 0.5:  # positions written at the desk, by the wrong name
                    for name in ("latitude_deg", "longitude_deg"):
                        visits[k - 1][name], visit[name] = visit[name], visits[k - 1][name]
                continue
        else:
            continue
        if source is None:
            one["flaw"] = ""
            continue
        visits[k] |= {name: visits[source][name] for name in (*READ, "method", "in_service")}
        legs[visit["visit_id"]] = [dict(leg) for leg in legs[visits[source]["visit_id"]]]


def _figures(value, count=3):
    """Number as written, to some significant figures."""
    return f"{float(f'{float(value):.{count}g}'):g}" if abs(value) < 1e5 else f"{value:.0f}"


def soundings(made):
    """Wenner soundings at some towers."""
    rng, rows = np.random.default_rng([made.seed, 5]), []
    for k in np.flatnonzero(rng.random(len(made.towers)) < rng.uniform(0.15, 0.5)):
        day = pd.Timestamp("2018-03-01") + pd.Timedelta(days=int(rng.integers(2400)))
        soil = ground_at(made, k, moisture(made, day))
        spacings = np.array([1, 2, 4, 8, 16, 32])[: int(rng.integers(4, 7))]
        for spacing, ohm in zip(spacings, ground.wenner_ohm(soil, spacings), strict=True):
            ohm = ohm * np.exp(rng.normal(0, 0.06))
            rows.append((made.rows[k].tower_id, day.date().isoformat(), int(spacing), _figures(ohm)))
    return pd.DataFrame(rows, columns=["tower_id", "date", "spacing_m", "resistance_ohm"])


def outages(made, rates, years=10):
    """Trip-outs of some years, placed as well as a locator can."""
    rng, rows = np.random.default_rng([made.seed, 6]), []
    chain = np.concatenate([[0], np.cumsum(made.span_m)]) / 1000
    counts = rng.poisson(rates * years)
    for k in np.repeat(np.arange(len(rates)), counts):
        day = pd.Timestamp("2016-06-30") + pd.Timedelta(hours=int(rng.integers(0, 24 * 3650)))
        far = float(np.clip(chain[k] + rng.normal(0, 0.5), 0, chain[-1]))
        rows.append((day, "lightning" if rng.random() < 0.8 else "unknown", round(far, 1), 0.5))
    for _ in range(rng.poisson(2)):
        day = pd.Timestamp("2016-06-30") + pd.Timedelta(hours=int(rng.integers(0, 24 * 3650)))
        rows.append((day, str(rng.choice(["bird", "fire", "equipment"])), round(rng.uniform(0, chain[-1]), 1), 0.5))
    rows.sort()
    return pd.DataFrame(
        {
            "outage_id": [f"T{k + 1:03d}" for k in range(len(rows))],
            "time": [f"{day:%Y-%m-%dT%H:%M}Z" for day, *_ in rows],
            "cause": [cause for _, cause, _, _ in rows],
            "distance_km": [far for _, _, far, _ in rows],
            "distance_error_km": [error for *_, error in rows],
        }
    )
