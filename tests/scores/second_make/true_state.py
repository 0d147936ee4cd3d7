"""What is true of a line on the day of the assessment, and what each next step would change."""

import numpy as np
import pandas as pd

from tests.scores.second_make import ground, strokes
from tests.scores.second_make.line_network import footings_ohm
from tests.scores.second_make.made_line import (
    AS_OF,
    COMPASS,
    LIMIT_OHM,
    TARGET_OHM,
    bonds_at,
    local_ohm,
    moisture,
    out_of,
    wired_at,
)

WORN_OHM = 2.0
# (kind, count, length m) of what can be dug or driven
WORKS = (
    ("rods", 4, 3.0),
    ("rods", 4, 6.0),
    ("drilled", 1, 24.0),
    ("radials", 2, 30.0),
    ("radials", 4, 20.0),
    ("radials", 4, 30.0),
    ("radials", 4, 60.0),
    ("radials", 8, 60.0),
    ("ring", 1, 0.0),
)


def site(made):
    """What `strokes.rates` asks of a line."""
    kv, count = made.house[0], len(made.wires)
    return {
        "height_m": made.towers["height_m"].to_numpy(float),
        "soil_ohm_m": np.sqrt(made.towers["upper_ohm_m"] * made.towers["lower_ohm_m"]).to_numpy(float),
        "flash_density": made.towers["flash_density"].to_numpy(float),
        "span_m": made.span_m,
        "gap_m": made.house[2],
        "crest_kv": kv * np.sqrt(2 / 3),
        "wire_ohm": (440.0, 300.0)[count - 1],
        "coupling": (0.17, 0.27)[count - 1],
        "wires_apart_m": 0.0 if count == 1 else 2 * made.wires[1][0],
        "tower_surge_ohm": float(made.house[7]),
    }


def electrodes_of(made, place, kind, count, length, radius=None):
    """Electrodes of a treatment: own resistance as a function of the ground, and where it lies."""
    half = max(made.towers["leg_spacing_m"].iloc[place] / 2, 1.0)
    corners = COMPASS * 2 * half
    wire, rod = radius or ground.WIRE_RADIUS_M, radius or ground.ROD_RADIUS_M
    found = []
    if kind in ("rods", "drilled"):
        for k in range(int(count)):
            spot = corners[k % 4] * (1 + 3 / half / 1.5 * (1 + k // 4))
            found.append((lambda soil: ground.rod_ohm(soil, length, rod), spot))
    if kind in ("radials", "ring and radials", "counterpoise"):
        for k in range(int(count)):
            angle = 360 * (k + 0.5) / count
            start = corners[k % 4] if count > 1 else np.zeros(2)
            start = half * np.array([np.sin(np.radians(angle)), np.cos(np.radians(angle))]) + 0 * start
            found.append((lambda soil: ground.wire_ohm(soil, length, wire), out_of(start, angle, length)))
    if kind in ("ring", "ring and radials"):
        found.append((lambda soil: ground.ring_ohm(soil, 2.6 * half + 2, wire), np.zeros(2)))
    return found


def feasible(made, place):
    """Works that the place allows."""
    tower = made.rows[place]
    rock = tower.soil_class == "rock" or (tower.lower_ohm_m > 1500 and tower.layer_m < 1.5)
    rig = tower.access in ("road", "track")
    allowed = {
        "rods": not rock,
        "drilled": rig,
        "radials": tower.room_m > 0,
        "ring": True,
    }
    return [work for work in WORKS if allowed[work[0]] and (work[0] != "radials" or work[2] <= tower.room_m)]


def truth(made):
    """One row per tower with everything that is true of it, and one per open span.

    Parameters
    ----------
    made : MadeLine

    Returns
    -------
    tuple of two DataFrames
        Towers: ``true_ohm`` (footing on the day), ``local_ohm`` (own electrodes alone), ``best_ohm`` (after the best
        that can be built, not below the target), ``bond`` (sound, open, one open, worn), ``lead`` (sound, missing,
        corroded), ``span`` (open, one wire open or blank), ``rises_since``, ``exceeds``, ``fault``, ``rate``, and
        trip-outs avoided per year by each step: ``by_footing``, ``by_bond``, ``by_lead``. Spans: ``place``, ``by_span``.
    """
    n, season = len(made.towers), moisture(made, AS_OF)
    local = np.array([local_ohm(made, k, AS_OF, season) for k in range(n)])
    state = {"ohm": local, "bonded": tied(made), "wired": wired_at(made, AS_OF).mean(axis=0)}
    whole = site(made)
    rates = strokes.rates(whole, **state)
    table = made.towers[["tower_id"]].assign(
        true_ohm=footings_ohm(made, AS_OF, season), local_ohm=local, rate=rates, best_ohm=np.nan
    )
    table["bond"], table["lead"], table["span"] = _bond_words(made), _lead_words(made), _span_words(made)
    table["exceeds"] = table["true_ohm"] > LIMIT_OHM
    table["fault"] = table["exceeds"] | (table[["bond", "lead"]] != "sound").any(axis=1) | (table["span"] != "")
    risen = made.rise[made.rise["since"] <= AS_OF].groupby("place")["since"].max()
    table["rises_since"] = pd.Series(range(n)).map(risen)
    for k in range(n):
        options = [
            local_ohm(made, k, AS_OF, season, electrodes_of(made, k, *work)) for work in feasible(made, k)
        ]
        best = min([local[k], *options])
        table.loc[k, "best_ohm"] = min(local[k], max(best, TARGET_OHM))
        table.loc[k, "by_footing"] = avoided(whole, state, rates, k, ohm=table["best_ohm"][k])
        mended = local_ohm(made, k, AS_OF, season, mended=True) if table["lead"][k] != "sound" else local[k]
        table.loc[k, "by_lead"] = avoided(whole, state, rates, k, ohm=mended)
        table.loc[k, "by_bond"] = avoided(whole, state, rates, k, bonded=1.0) if _bondable(made, k) else 0.0
    spans = []
    for place in np.flatnonzero(state["wired"] < 1):
        repaired = state["wired"].copy()
        repaired[place] = 1.0
        saved = rates.sum() - strokes.rates(whole, **(state | {"wired": repaired})).sum()
        spans.append((int(place), saved))
    table[["by_footing", "by_lead", "by_bond"]] = table[["by_footing", "by_lead", "by_bond"]].clip(lower=0)
    return table, pd.DataFrame(spans, columns=["place", "by_span"])


def _bondable(made, place):
    """Whether the tower is bonded by design."""
    return made.towers["shield_wire"].iloc[place] == "bonded"


def avoided(site_of, state, rates, place, **change):
    """Trip-outs per year avoided on the line by a change at one tower."""
    if all(state[name][place] == value for name, value in change.items()):
        return 0.0
    first, last = max(place - 4, 0), min(place + 5, len(rates))
    near, spans = slice(first, last), slice(first, last - 1)
    part = {name: one[spans if name == "wired" else near].copy() for name, one in state.items()}
    here = {name: one[near] for name, one in site_of.items() if np.ndim(one) and name != "span_m"}
    here = site_of | here | {"span_m": site_of["span_m"][spans]}
    for name, value in change.items():
        part[name][place - first] = value
    before, after = rates[near], strokes.rates(here, **part)
    inner = slice(max(place - 2, 0) - first, place + 3 - first)  # the ends of the part lack their neighbours
    return float((before - after)[inner].sum())


def tied(made):
    """Share of the shield wires that lightning finds tied at each tower: a worn bond counts by its ohms."""
    return (1 / (1 + bonds_at(made, AS_OF) / 60)).mean(axis=0)


def _bond_words(made):
    """State of the bonds in words."""
    ohm = bonds_at(made, AS_OF)
    open_, worn = ~np.isfinite(ohm), ohm > WORN_OHM
    words = np.select([open_.all(0), open_.any(0), worn.any(0)], ["open", "one open", "worn"], "sound")
    return np.where(made.towers["shield_wire"] == "insulated", "sound", words)


def _lead_words(made):
    """State of the leads in words."""
    now = made.lead_gone[made.lead_gone["since"] <= AS_OF]
    return pd.Series(range(len(made.towers))).map(now.drop_duplicates("place").set_index("place")["how"]).fillna("sound")


def _span_words(made):
    """Open spans that begin or end at each tower."""
    running = wired_at(made, AS_OF)
    whole, part = (~running).all(axis=0), (~running).any(axis=0)
    at = [np.r_[False, one] | np.r_[one, False] for one in (whole, part)]
    return np.select(at, ["open", "one wire open"], "")


# ---- works as a plan has them


def with_works(made, works):
    """Trip-outs per year of the whole line now, and after works.

    Parameters
    ----------
    made : MadeLine
    works : DataFrame
        One row per work: ``tower_id``, ``option``, ``kind`` and the quantities ``rod_count``, ``rod_m``, ``drilled_m``,
        ``wire_m``, ``fill_m``.

    Returns
    -------
    tuple of float, float and Series
        Before, after, and the footing of each treated tower by ``tower_id`` [Ω].
    """
    season, n = moisture(made, AS_OF), len(made.towers)
    ohm = np.array([local_ohm(made, k, AS_OF, season) for k in range(n)])
    state = {"ohm": ohm, "bonded": tied(made), "wired": wired_at(made, AS_OF).mean(axis=0)}
    before = strokes.rates(site(made), **state)
    after, factor = {name: one.copy() for name, one in state.items()}, np.ones(n)
    place_of = {tower: k for k, tower in enumerate(made.towers["tower_id"])}
    footings = {}
    for work in works.to_dict("records"):
        k, kind = place_of[str(work["tower_id"])], work["kind"]
        if kind == "rebond":
            after["bonded"][k] = 1.0 if _bondable(made, k) else after["bonded"][k]
        elif kind == "arresters":
            factor[k] = 0.1
        elif kind == "under-built":
            factor[k] = 0.6
        elif kind == "lead":
            after["ohm"][k] = local_ohm(made, k, AS_OF, season, mended=True)
        elif (added := as_built(made, k, work)):
            after["ohm"][k] = min(local_ohm(made, k, AS_OF, season, added), ohm[k])
        footings[str(work["tower_id"])] = after["ohm"][k]
    return before.sum(), (strokes.rates(site(made), **after) * factor).sum(), pd.Series(footings, dtype=float)


def as_built(made, place, work):
    """Electrodes of a work by its quantities."""
    size = {name: _number(work.get(name)) for name in ("rod_count", "rod_m", "drilled_m", "wire_m", "fill_m")}
    words = str(work["option"]).split()
    count = int(words[0]) if words[0].isdigit() else 1
    radius = ground.FILLED_RADIUS_M if size["fill_m"] > 0 else None
    kind = work["kind"]
    if kind == "rods":
        count = int(size["rod_count"]) or count
        return electrodes_of(made, place, kind, count, max(size["rod_m"] / count, 1.0), radius)
    if kind == "drilled":
        return electrodes_of(made, place, kind, count, max(size["drilled_m"] / count, 1.0), radius)
    if kind == "radials":
        return electrodes_of(made, place, kind, count, max(size["wire_m"] / count, 3.0), radius)
    if kind == "ring and radials":
        number = int(words[3]) if len(words) > 3 and words[3].isdigit() else 4
        ring = 4 * (1.3 * max(made.rows[place].leg_spacing_m, 2.0) + 2)
        return electrodes_of(made, place, kind, number, max((size["wire_m"] - ring) / number, 5.0), radius)
    if kind == "ring":
        return electrodes_of(made, place, kind, 1, 0.0, radius)
    return electrodes_of(made, place, kind, 2, 80.0, radius) if kind == "counterpoise" else []


def _number(value):
    """A quantity, 0 where there is none."""
    return 0.0 if value is None or pd.isna(value) else float(value)
