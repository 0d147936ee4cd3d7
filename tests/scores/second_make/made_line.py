"""A line drawn from a seed in one of several regimes: ground, towers, electrodes, wires, defects and their dates."""

from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
import pandas as pd

from tests.scores.second_make import ground

MONTH = "2026-06"
AS_OF = pd.Timestamp("2026-06-30")
LIMIT_OHM, TARGET_OHM = 15.0, 5.0
NEVER = pd.Timestamp("2200-01-01")
COMPASS = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) / 2


@dataclass(frozen=True)
class Regime:
    """What kind of line; shares are of the towers, or of the visits for `flaws`."""

    soil_ohm_m: float
    tested: float = 1.0
    wires: tuple = (1, 2)
    beside: float = 0.08
    rings: float = 0.08
    joined: float = 0.0
    flaws: float = 0.05
    drift: float = 0.02
    insulated: float = 0.0
    defects: float = 1.0
    circuits: tuple = (1, 2)


REGIMES = {
    "few exceed": Regime(85.0),
    "many exceed": Regime(420.0),
    "half tested": Regime(200.0, tested=0.55),
    "beside coils": Regime(230.0, tested=0.85, beside=0.45),
    "joined, rings": Regime(320.0, tested=0.9, rings=0.35, joined=0.3),
    "sloppy crews": Regime(180.0, tested=0.8, flaws=0.28, drift=0.035),
    "two wires": Regime(200.0, tested=0.85, wires=(2,), defects=1.6),
    "ends, drift": Regime(160.0, tested=0.85, insulated=1.0, drift=0.06),
    "clean": Regime(150.0, tested=0.9, defects=0.0, flaws=0.0, drift=0.01),
}
# kV, height, gap, wire x/y for one and two wires, phases of circuit 1 (x, y), load A, surge impedance of the tower
HOUSES = (
    (66, 22, 0.75, [(0, 22)], [(-2.4, 22), (2.4, 22)], [(1.9, 17.6), (-2.2, 16.4), (2.5, 15.2)], 250, 205),
    (110, 27, 1.15, [(0, 27)], [(-3.1, 27), (3.1, 27)], [(2.9, 22.0), (3.8, 18.8), (3.1, 15.6)], 350, 190),
    (132, 31, 1.35, [(0, 31)], [(-3.4, 31), (3.4, 31)], [(3.3, 25.5), (4.4, 21.9), (3.5, 18.4)], 420, 185),
    (220, 39, 2.05, [(0, 39)], [(-5.2, 39), (5.2, 39)], [(4.6, 32.0), (6.1, 26.4), (4.9, 20.9)], 600, 175),
)
ACCESS = ("road", "track", "foot", "helicopter")


@dataclass
class MadeLine:
    """A line with everything hidden; arrays per tower, per span or per wire and tower."""

    name: str
    regime: str
    seed: int
    rng: np.random.Generator
    hz: int
    house: tuple
    wires: list
    phases: list
    towers: pd.DataFrame
    span_m: np.ndarray
    feet: list  # per tower, array (n, 2) of places
    feet_scale: list  # per tower, array of the feet's own factors
    lead_gone: pd.DataFrame  # tower, leg, since, how
    bond_ohm: np.ndarray  # (wires, towers), inf open
    bond_since: np.ndarray
    span_open: np.ndarray  # (wires, spans) dates
    rise: pd.DataFrame  # tower, since, factor
    swing: np.ndarray  # order of the phases in each span
    station_ohm: tuple
    load_a: float
    wet: dict  # day of the year with the driest soil, and the swing
    kept: dict = field(default_factory=dict)

    @cached_property
    def rows(self):
        """Towers as named tuples."""
        return list(self.towers.itertuples())

    @cached_property
    def hurt(self):
        """Per tower what happened to its feet: day, leg or None for all, ohms of the lead or factor."""
        found = [[] for _ in self.rows]
        for row in self.rise.itertuples():
            found[row.place].append((row.since, None, row.factor))
        for row in self.lead_gone.itertuples():
            found[row.place].append((row.since, row.leg, row.ohm * (12 if row.how == "missing" else 1)))
        return found


def draw(regime, seed, towers=None):
    """A line of a regime.

    Parameters
    ----------
    regime : str
        One of `REGIMES`.
    seed : int
    towers : int, optional
        Else 20 to 70.

    Returns
    -------
    MadeLine
    """
    rule = REGIMES[regime]
    rng = np.random.default_rng([seed, *regime.encode()])
    n = towers or int(rng.integers(20, 71))
    house = HOUSES[rng.integers(len(HOUSES))]
    count, circuits = int(rng.choice(rule.wires)), int(rng.choice(rule.circuits))
    wires = house[3] if count == 1 else house[4]
    table, spans = _places(rng, n)
    _soil(rng, table, rule)
    _structures(rng, table, rule, house)
    feet = [_feet(tower) for tower in table.itertuples()]
    scale = [np.exp(rng.normal(0, 0.16, len(places))) for places in feet]
    for k in np.flatnonzero(rng.random(n) < (0.06 if rule.defects else 0.04)):
        scale[k] = scale[k] * rng.uniform(1.6, 3.2)  # a poor foundation
    phases = [[(x, y) for x, y in house[5]]]
    if circuits == 2:
        phases.append([(-x, y) for x, y in house[5]])
    return MadeLine(
        f"{regime.replace(', ', '-').replace(' ', '-')}-{seed}",
        regime,
        seed,
        rng,
        int(rng.choice([50, 60])),
        house,
        wires,
        phases,
        table,
        spans,
        feet,
        scale,
        _leads(rng, table, rule),
        *_bonds(rng, table, rule, count),
        _open_spans(rng, n, rule, count),
        _risen(rng, n, rule),
        _transposed(rng, n),
        tuple(np.round(rng.uniform(0.2, 1.2, 2), 2)),
        house[6] * rng.uniform(0.4, 1.1),
        {"peak_doy": int(rng.integers(30, 330)), "swing": rng.uniform(0.08, 0.22)},
    )


def _places(rng, n):
    """Towers along a route with angles, and the spans [m]."""
    spans = np.clip(rng.normal(320, 55, n - 1) * (1 + 0.15 * np.sin(np.arange(n - 1) / 4)), 180, 470)
    turn = np.where(rng.random(n - 1) < 0.12, rng.normal(0, 22, n - 1), rng.normal(0, 0.5, n - 1))
    bearing = rng.uniform(0, 360) + np.cumsum(turn)
    east = np.concatenate([[0], np.cumsum(spans * np.sin(np.radians(bearing)))])
    north = np.concatenate([[0], np.cumsum(spans * np.cos(np.radians(bearing)))])
    home = rng.uniform(-28, -12), rng.uniform(-16, -12)
    table = pd.DataFrame(
        {
            "tower_id": [f"{k + 1}" for k in range(n)],
            "latitude_deg": home[0] + north / 110_900,
            "longitude_deg": home[1] + east / (111_320 * np.cos(np.radians(home[0]))),
            "bearing_deg": np.append(bearing, bearing[-1]) % 360,
        }
    )
    return table, spans


def _soil(rng, table, rule):
    """Two layers at each tower, that change slowly along the line."""
    n = len(table)
    walk, step = np.zeros(n), rng.normal(0, 1, n)
    for k in range(n):
        walk[k] = (0.85 * walk[k - 1] if k else 0) + (0.53 if k else 1) * step[k]
    median = np.log(rule.soil_ohm_m) + rng.normal(0, 0.2)
    upper = np.exp(median + 0.75 * walk + rng.normal(0, 0.25, n))
    ratio = np.exp(rng.normal(0.1, 0.7, n))
    table["upper_ohm_m"] = np.clip(upper, 20, 3000)
    table["lower_ohm_m"] = np.clip(upper * ratio, 20, 3000)
    table["layer_m"] = np.exp(rng.normal(np.log(2.5), 0.5, n)).clip(0.7, 9)
    hard = table["upper_ohm_m"] * np.exp(rng.normal(0, 0.3, n))
    table["soil_class"] = np.select([hard < 120, hard < 500, hard < 1500], ["soft", "ordinary", "stony"], "rock")


def _structures(rng, table, rule, house):
    """Kinds of towers, electrodes beside and within the coils, people and access."""
    n = len(table)
    kinds = rng.choice(["lattice", "monopole", "portal", "guyed"], n, p=[0.86, 0.05, 0.05, 0.04])
    table["structure"] = kinds
    table["leg_count"] = np.select([kinds == "lattice", kinds == "portal"], [4, 2], 1)
    table.loc[(kinds == "lattice") & (rng.random(n) < 0.03), "leg_count"] = 3
    table["height_m"] = np.round(house[1] + rng.normal(0, 2.0, n), 1)
    table["leg_spacing_m"] = np.round(rng.uniform(0.16, 0.24) * table["height_m"] + rng.normal(0, 0.3, n), 1)
    table["ring"] = (rng.random(n) < rule.rings) & (table["leg_count"] > 1)
    high = table["upper_ohm_m"].rank(pct=True)
    table["wires_beside"] = np.where(rng.random(n) < rule.beside * (0.4 + 1.2 * high), rng.integers(1, 5, n), 0)
    table["wire_beside_m"] = rng.choice([15.0, 20.0, 30.0, 40.0], n)
    joins = np.zeros(n, bool)
    while joins[:-1].mean() < rule.joined:
        first = int(rng.integers(0, n - 2))
        joins[first : first + int(rng.integers(1, 4))] = True
    joins[-1] = False
    table["joins_next"] = joins
    other = (table["wires_beside"] > 0) | joins | np.r_[False, joins[:-1]] | (kinds == "guyed")
    table["paths_in_coils"] = ~other
    table["register_paths"] = np.where(
        other, np.where(rng.random(n) < 0.8, "no", rng.choice(["yes", ""], n)), np.where(rng.random(n) < 0.93, "yes", "")
    )
    table["register_ring"] = np.where(rng.random(n) < 0.92, np.where(table["ring"], "yes", "no"), "")
    table["shield_wire"] = "bonded"
    if rule.insulated:
        for end in (range(int(rng.integers(3, 8))), range(n - int(rng.integers(0, 6)), n)):
            table.loc[list(end), "shield_wire"] = "insulated"
    table["occupancy"] = rng.choice(["remote", "accessible", "frequented", "bare feet"], n, p=[0.7, 0.24, 0.05, 0.01])
    group = np.cumsum(rng.random(n) < 0.22)
    table["access_group"] = [f"G{g + 1:02d}" for g in group]
    table["access"] = rng.choice(ACCESS, group.max() + 1, p=[0.45, 0.4, 0.1, 0.05])[group]
    table["room_m"] = rng.choice([0.0, 20.0, 30.0, 60.0], n, p=[0.08, 0.17, 0.4, 0.35])
    density = rng.uniform(1.5, 9) * np.exp(0.25 * np.sin(np.linspace(0, rng.uniform(2, 6), n)))
    table["flash_density"] = density
    table["foot_m"] = np.select([kinds == "lattice", kinds == "portal"], [0.95, 1.3], 2.1) * rng.uniform(0.8, 1.25, n)


def _feet(tower):
    """Places of the feet [m]."""
    shape = {1: [[0, 0]], 2: [[-0.5, 0], [0.5, 0]], 3: COMPASS[:3].tolist()}
    return np.array(shape.get(tower.leg_count, COMPASS.tolist()), float) * tower.leg_spacing_m


def _leads(rng, table, rule):
    """Leads that are missing or corroded, with leg and day."""
    rows = []
    for k in np.flatnonzero((rng.random(len(table)) < 0.05 * rule.defects) & (table["leg_count"] > 1)):
        how = "missing" if rng.random() < 0.5 else "corroded"
        rows.append((k, int(rng.integers(table["leg_count"][k])), _day(rng, 2012), how, rng.uniform(15, 80)))
    return pd.DataFrame(rows, columns=["place", "leg", "since", "how", "ohm"])


def _bonds(rng, table, rule, count):
    """Bond resistances [Ω] and the days from which they hold."""
    n = len(table)
    ohm = rng.uniform(0.001, 0.01, (count, n))
    since = np.full((count, n), pd.Timestamp("1990-01-01"))
    usual = (table["shield_wire"] == "bonded").to_numpy()
    whole = (rng.random(n) < 0.035 * rule.defects) & usual
    for k in np.flatnonzero(whole):
        ohm[:, k], since[:, k] = np.inf, _day(rng, 2014)
    for k in np.flatnonzero((rng.random(n) < 0.025 * rule.defects) & usual & ~whole):
        ohm[:, k], since[:, k] = np.exp(rng.uniform(np.log(3), np.log(40))), _day(rng, 2014)
    if count > 1:
        for k in np.flatnonzero((rng.random(n) < 0.06 * rule.defects) & usual & ~whole):
            wire = rng.integers(count)
            ohm[wire, k], since[wire, k] = np.inf, _day(rng, 2014)
    ohm[:, ~usual] = np.inf
    return ohm, since


def _open_spans(rng, n, rule, count):
    """Days from which each wire of each span is open."""
    found = np.full((count, n - 1), NEVER)
    for _ in range(rng.poisson(0.9 * rule.defects)):
        span = int(rng.integers(1, n - 2))
        for wire in range(count) if rng.random() < 0.5 else [int(rng.integers(count))]:
            found[wire, span] = _day(rng, 2014)
    return found


def _risen(rng, n, rule):
    """Footings that rose: tower, day, factor."""
    places = np.flatnonzero(rng.random(n) < 0.06 * rule.defects)
    rows = [(k, _day(rng, 2019), rng.uniform(1.5, 3.0)) for k in places]
    return pd.DataFrame(rows, columns=["place", "since", "factor"])


def _transposed(rng, n):
    """Rotation of the phases in each span."""
    towers = np.sort(rng.choice(np.arange(2, n - 2), int(rng.integers(0, 3)), replace=False))
    return np.searchsorted(towers, np.arange(n - 1), side="right") % 3


def _day(rng, first):
    """A day from a year on, up to the spring before the month of the assessment."""
    start = pd.Timestamp(f"{first}-01-01")
    return start + pd.Timedelta(days=int(rng.integers((AS_OF - start).days - 60)))


# ---- the line on a day


def moisture(made, when, extra=1.0):
    """Factor of the upper layer's resistivity on a day [1]."""
    turn = 2 * np.pi * (when.dayofyear - made.wet["peak_doy"]) / 365.25
    return float(np.exp(made.wet["swing"] * np.cos(turn)) * extra)


def ground_at(made, place, season=1.0):
    """Ground of a tower."""
    tower = made.rows[place]
    return ground.Ground(tower.upper_ohm_m * season, tower.lower_ohm_m, tower.layer_m)


def out_of(places, angle_deg, length_m):
    """Middle of a wire from the tower outwards."""
    turn = np.radians(angle_deg)
    return places + 0.4 * length_m * np.array([np.sin(turn), np.cos(turn)])


def electrodes(made, place, when, season=1.0, added=(), mended=False):
    """Electrodes of a tower on a day.

    Parameters
    ----------
    made : MadeLine
    place : int
        Position of the tower along the line.
    when : pandas.Timestamp
    season : float
        Factor of the upper layer.
    added : sequence of (own resistance as a function of the ground, place)
        Electrodes of a treatment.
    mended : bool
        Missing and corroded leads are repaired.

    Returns
    -------
    dict
        ``matrix`` [Ω], ``leads`` [Ω], ``seen``: the current runs through a coil, ``feet``: how many lead the rest.
    """
    tower, soil = made.rows[place], ground_at(made, place, season)
    feet = made.feet[place]
    own = ground.hemisphere_ohm(soil, tower.foot_m) * made.feet_scale[place]
    leads = np.full(len(feet), 0.003)
    for since, leg, value in made.hurt[place]:
        if since <= when and leg is None:
            own = own * value
        elif since <= when and not mended:
            leads[leg] = value
    places, seen = [*feet], [True] * len(feet)
    further = []
    if tower.ring:
        further.append((ground.ring_ohm(soil, 1.3 * tower.leg_spacing_m + 2), np.zeros(2), True))
    for wire in range(int(tower.wires_beside)):
        length = tower.wire_beside_m
        further.append((ground.wire_ohm(soil, length), out_of(np.zeros(2), 45 + 90 * wire, length), False))
    if tower.structure == "guyed":
        inside = tower.register_paths == "yes"
        further += [(ground.hemisphere_ohm(soil, 0.5), corner * 24, inside) for corner in COMPASS]
    for toward, joined in ((180, place > 0 and made.rows[place - 1].joins_next), (0, tower.joins_next)):
        if joined:
            further.append((ground.wire_ohm(soil, 80.0), out_of(np.zeros(2), toward, 80.0), False))
    further += [(ohm(soil), spot, True) for ohm, spot in added]
    whole = np.concatenate([own, [ohm for ohm, _, _ in further]])
    return {
        "matrix": ground.matrix_ohm(soil, whole, [*places, *(spot for _, spot, _ in further)]),
        "leads": np.concatenate([leads, np.full(len(further), 0.002)]),
        "seen": np.array([*seen, *(one for _, _, one in further)]),
        "feet": len(feet),
        "ring": len(feet) if tower.ring else None,
    }


def local_ohm(made, place, when, season=1.0, added=(), mended=False):
    """Footing of a tower with its own electrodes alone [Ω]."""
    parts = electrodes(made, place, when, season, added, mended)
    return float(ground.together_ohm(parts["matrix"], parts["leads"]))


def bonds_at(made, when):
    """Bond resistance of each wire at each tower on a day [Ω], inf where open."""
    sound = np.where(made.towers["shield_wire"].to_numpy() == "insulated", np.inf, 0.003)
    return np.where((made.bond_since <= when).astype(bool), made.bond_ohm, sound)


def wired_at(made, when):
    """Whether each wire runs through each span on a day."""
    return (made.span_open > when).astype(bool)
