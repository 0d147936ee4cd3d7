"""Treatment options of each tower: site data, reasons against, cautions, must-dos and the table of options."""

from __future__ import annotations

from typing import TYPE_CHECKING, cast

import numpy as np
import pandas as pd

from towerlib.config.sections import OFTEN_VISITED
from towerlib.months import last_day
from towerlib.physics.electrode.footing import laid_length_limit
from towerlib.readings.causes import BOND_CAUSES, BOND_GONE, COIL_CAUSES, WEAK_LEG
from towerlib.readings.methods import yes
from towerlib.readings.standing import upper_limits
from towerlib.readings.tower_soil import ASSUMED, soil_or_assumed, tower_soil
from towerlib.treatments.benefit import (
    at_towers,
    avoided_by_arresters,
    avoided_by_metal,
    avoided_by_repair,
    avoided_by_underbuilt,
    drawn_sites,
)
from towerlib.treatments.catalogue import EARTHING, RINGS, RODS, WIRES
from towerlib.treatments.costs import QUANTITIES, quantities
from towerlib.treatments.learned import log_factors
from towerlib.treatments.prediction import banded, digs, lengths, lightning_lengths, repaired, response
from towerlib.values import number

if TYPE_CHECKING:
    from collections.abc import Sequence
    from typing import Any

    from towerlib.config import Line
    from towerlib.config.sections import Treatments as TreatmentSettings
    from towerlib.network import Network
    from towerlib.records.load import Records
    from towerlib.route import Route
    from towerlib.treatments.benefit import Lightning
    from towerlib.treatments.catalogue import Treatment


FOOTING = [
    *("tower_id", "footing_ohm", "footing_low_ohm", "footing_high_ohm", "lower_bound_ohm", "verdict"),
    *("target_ohm", "limit_ohm", "impedance_class", "rank_confidence"),
    *("leads_missing", "corrosion", "bond_seen", "suspected_cause", "span_suspected", "upper_limit_only"),
]
REGISTER = [
    *("structure", "leg_count", "leg_spacing_m", "ring", "shield_wire", "soil_class", "occupancy"),
    *("access", "access_group"),
]
NO_READING = "no usable reading of the footing: test first"
UPPER_FIRST = "read beside other earth paths, so the reading is an upper limit: test again with coils round all legs first"
LEADS, LEG = "repair of the leads at {} and a new test", "inspection of the leg named at {}"
BOND, COILS = (
    "inspection of the shield-wire bond at {}",
    "new leg currents at {} with turns and direction of each coil checked",
)
SPAN = "inspection of span {}"
BEFORE_REPAIR = "predicted from the reading before the repair; what the repair avoids is subtracted"
NO_LESSON = (
    "soil resistivity assumed as 20 m times the footing: the prediction follows from the footing alone, its interval is wide "
    "and it teaches nothing about this treatment; measure the soil first"
)
AT_TARGET = "the footing is within its target"
NO_SOIL = "no soil data, so its effect cannot be predicted: measure the soil first"
SATURATED = "halving the footing would help little: the insulation flashes over at nearly every stroke"
CONDITIONAL = (
    *EARTHING,
    "arresters",
    "under-built",
)  # works that an inspection or repair can make unnecessary
NO_RIG = ("foot", "boat", "helicopter")
COLUMNS = """
    tower_id option kind applies reason must_do access_group access soil_class footing_ohm predicted_ohm
    predicted_low_ohm predicted_high_ohm learned_factor lightning_ohm within_limit saturated avoided_per_year avoided_low
    avoided_high benefit_per_year life_years purse verify soil_source decides conditional_on crew_days crew_weeks effort
""".split()
NUMBERS = """
    predicted_ohm predicted_low_ohm predicted_high_ohm learned_factor lightning_ohm avoided_per_year avoided_low avoided_high
""".split()


def sites(
    records: Records, route: Route, condition: pd.DataFrame, network: Network | None, month: str
) -> pd.DataFrame:
    """Site data of each tower.

    Parameters
    ----------
    records, route : Records, Route
        The line.
    condition : pandas.DataFrame
        One row per tower, from `towerlib.condition.assess`.
    network : Network or None
        From `towerlib.network.assess`; without it there is no touch-voltage screening.
    month : str
        ``YYYY-MM``; later soundings are ignored.

    Returns
    -------
    pandas.DataFrame
        One row per tower in the order of `condition`: footing, limit and inspection findings; columns of the
        register; legs (number), spacing_m (rounded) and width_m of the base; span_behind_m, span_ahead_m; upper_ohm_m,
        lower_ohm_m, depth_m, is_layered, resistivity_ohm_m, soil_u, soil_source of `tower_soil`, assumed from the footing
        where no soil is on record; is_public, has_ring, lead_gone, lead_weak, bond_doubt (of bond or coils),
        bond_suspected, touch_above; spans (suspected spans that begin or end here, in words), spans_named (those that
        begin here), spans_begun (their number); geometry_assumed.
    """
    register = records.towers.set_index("tower_id").reindex(columns=REGISTER)
    table = condition.reindex(columns=FOOTING).join(register, on="tower_id", validate="1:1")
    table = table.join(_spans(route), on="tower_id", validate="1:1").reset_index(drop=True)
    table = table.join(_base(table))
    soil = tower_soil(records, cast("pd.Series", table["tower_id"]), last_day(month))
    if records.line.lightning.assume_missing_soil:
        soil = soil_or_assumed(soil, cast("pd.Series", table["footing_ohm"]))
    return pd.concat([table, soil, _first_to_mend(table, network), _suspected_spans(table)], axis=1)


def _suspected_spans(table):
    """Suspected spans at each tower in words, those that begin here, and the number of these."""
    ids = table["tower_id"].astype("str")
    place = {name: k for k, name in enumerate(ids)}
    all_spans, begun = [], []
    for here, far in zip(ids, table["span_suspected"], strict=True):
        ends = [end for end in far.split(", ") if end in place] if isinstance(far, str) else []
        pairs = [sorted((here, end), key=lambda name: place[name]) for end in ends]
        all_spans.append("; ".join(SPAN.format("–".join(pair)) for pair in pairs))
        begun.append([SPAN.format("–".join(pair)) for pair in pairs if pair[0] == here])
    words = {"spans": all_spans, "spans_named": ["; ".join(each) for each in begun]}
    return pd.DataFrame({**words, "spans_begun": [len(each) for each in begun]}, index=table.index)


def _spans(route):
    """Spans on both sides of each tower."""
    laid = cast("pd.DataFrame", pd.DataFrame(route.towers)[["tower_id", "span_ahead_m"]])
    spans = laid.assign(span_behind_m=cast("pd.Series", laid["span_ahead_m"]).shift())
    return spans.set_index("tower_id").astype(float)


def _base(table):
    """Number and spacing of the legs, with defaults where the register is blank."""
    spacing_m, count = table["leg_spacing_m"].astype(float), table["leg_count"].astype(float)
    single = (table["structure"] == "monopole").to_numpy()
    legs = np.where(count.isna(), np.where(single, 1, 4), count).astype(int)
    known = spacing_m.fillna(number("treatment_spacing_m"))
    step_m = number("treatment_spacing_step_m")
    rounded_m = np.maximum(np.round(known / step_m), 1) * step_m
    width_m = np.where(legs == 1, number("treatment_pole_width_m"), rounded_m)
    assumed = count.isna() | (spacing_m.isna() & (legs > 1))
    return pd.DataFrame(
        {"legs": legs, "spacing_m": width_m, "width_m": width_m, "geometry_assumed": assumed.to_numpy()},
        index=table.index,
    )


def _first_to_mend(table, network):
    """Occupancy, rings, and defects to repair or inspect before any digging."""
    gone = (table["leads_missing"].astype(float) > 0) | (table["corrosion"] == "heavy")
    bond = table["bond_seen"].isin(BOND_GONE) | table["suspected_cause"].isin(BOND_CAUSES)
    coils = table["suspected_cause"].isin(COIL_CAUSES)
    above = pd.Series(False, table.index)
    if network is not None:
        nodes = network.towers.set_index("tower_id").reindex(table["tower_id"])
        bond = bond | nodes["bond_suspect"].eq(True).fillna(False).to_numpy(bool)
        above = pd.Series(nodes["safety_screen"].eq("above").fillna(False).to_numpy(bool), table.index)
    return pd.DataFrame(
        {
            "is_public": table["occupancy"].isin(OFTEN_VISITED).to_numpy(bool),
            "has_ring": yes(table["ring"].astype("boolean")).to_numpy(bool),
            "lead_gone": gone.fillna(False).to_numpy(bool),
            "lead_weak": (table["suspected_cause"] == WEAK_LEG).fillna(False).to_numpy(bool),
            "bond_doubt": (bond | coils).to_numpy(bool),
            "bond_suspected": bond.to_numpy(bool),
            "touch_above": above.to_numpy(bool),
        },
        index=table.index,
    )


def option_table(
    offered: Sequence[Treatment],
    sites: pd.DataFrame,
    line: Line,
    light: Lightning | None,
    taught: pd.DataFrame,
    saturated: np.ndarray,
) -> pd.DataFrame:
    """Options of all towers, without cost: one row per tower and treatment, by tower, with `COLUMNS`, then the quantities.

    Without `light` trip-outs are blank. `saturated` towers are those at which no achievable footing would help. Options
    that cannot be done have no prediction.
    """
    drawn = None if light is None else drawn_sites(light, sites)
    found = {one.option: _one(one, sites, line, light, drawn, taught) for one in offered}
    _after_repair(found, sites)
    reasons = last_resorts(found, sites, saturated)
    parts = []
    for place, treatment in enumerate(offered):
        one = found[treatment.option] | {"saturated": saturated}
        one["reason"] = reasons.get(treatment.option, one["reason"])
        parts.append(_rows(treatment, sites, line, one).assign(_tower=range(len(sites)), _place=place))
    table = pd.concat(parts).sort_values(["_tower", "_place"], kind="stable").reset_index(drop=True)
    return cast("pd.DataFrame", table[[*COLUMNS, *QUANTITIES]])


def _after_repair(found, sites):
    """Subtract what the repair of missing leads avoids from the conditional works there (changes `found`)."""
    repairs = [one["avoided_per_year"] for one in found.values() if one["kind"] == "lead"]
    if not repairs:
        return
    gone = sites["lead_gone"].to_numpy(bool)
    saved = np.where(gone, np.nan_to_num(np.max(repairs, axis=0)), 0.0)
    for one in found.values():
        if one["kind"] in CONDITIONAL:
            for name in ("avoided_per_year", "avoided_low", "avoided_high"):
                one[name] = np.where(saved > 0, np.maximum(one[name] - saved, 0.0), one[name])


def decides(treatment: Treatment, sites: pd.DataFrame) -> np.ndarray:
    """What an inspection or repair settles at each tower, "" for other treatments; array of str, shape (n,).

    Works that wait for it name it in `conditional_on`, in the same words.
    """
    ids = sites["tower_id"].astype("str")
    if treatment.kind == "lead":
        parts = _phrases([(sites["lead_gone"], LEADS), (sites["lead_weak"] & ~sites["lead_gone"], LEG)], ids)
    elif treatment.kind == "rebond":
        parts = _phrases([(sites["bond_suspected"], BOND)], ids)
    elif treatment.kind == "retest":
        parts = _phrases([(sites["bond_doubt"] & ~sites["bond_suspected"], COILS)], ids)
    elif treatment.kind == "inspect span":
        return column(sites, "spans_named", "").to_numpy(object)
    else:
        return np.full(len(sites), "", object)
    return np.array(["; ".join(each) for each in parts], object)


def conditions(treatment: Treatment, sites: pd.DataFrame) -> np.ndarray:
    """Inspections and repairs that decide whether a treatment is done at each tower; array of str, shape (n,)."""
    if treatment.kind not in CONDITIONAL:
        return np.full(len(sites), "", object)
    apart = sites["shield_wire"].isin(["insulated", "none"])
    suspected = [
        (sites["lead_gone"], LEADS),
        (sites["bond_suspected"] & ~apart, BOND),
        (sites["bond_doubt"] & ~sites["bond_suspected"], COILS),
        (sites["lead_weak"] & ~sites["lead_gone"], LEG),
    ]
    parts = _phrases(suspected, sites["tower_id"].astype("str"))
    spans = column(sites, "spans", "")
    return np.array(
        ["; ".join([*each, *([span] if span else [])]) for each, span in zip(parts, spans, strict=True)],
        object,
    )


def _phrases(suspected, ids):
    """Conditions of each tower in words, as lists."""
    flags = np.column_stack([np.asarray(flag, bool) for flag, _ in suspected])
    words = [word for _, word in suspected]
    return [
        [word.format(name) for word, is_so in zip(words, row, strict=True) if is_so]
        for name, row in zip(ids, flags, strict=True)
    ]


def column(table: pd.DataFrame, name: str, blank: object) -> pd.Series:
    """Column of a table, `blank` where it is blank or missing."""
    if name not in table:
        return pd.Series(blank, index=table.index)
    return cast("pd.Series", table[name].astype("object")).fillna(blank)


def _one(treatment, sites, line, light, drawn, taught):
    """Reasons, prediction and trip-outs avoided of one treatment."""
    settings = line.treatments
    reason = barred(treatment, sites, settings)
    blank = np.full(len(sites), np.nan)
    one = {
        "kind": treatment.kind,
        "reason": reason,
        "learned_factor": np.ones(len(sites)),
        "lightning_ohm": blank,
    }
    one |= dict.fromkeys(("predicted_ohm", "predicted_low_ohm", "predicted_high_ohm"), blank)
    one |= dict.fromkeys(("avoided_per_year", "avoided_low", "avoided_high"), blank)
    if digs(treatment):
        return one | _metal(treatment, sites, settings, light, drawn, taught, reason == "")
    footing = [sites[name].to_numpy(float) for name in ("footing_ohm", "footing_low_ohm", "footing_high_ohm")]
    values = repaired(sites) if treatment.kind == "lead" else footing
    one |= dict(zip(("predicted_ohm", "predicted_low_ohm", "predicted_high_ohm"), values, strict=True))
    return one | _without_metal(treatment, sites, one, light, drawn)


def barred(treatment: Treatment, sites: pd.DataFrame, settings: TreatmentSettings) -> np.ndarray:
    """First reason against a treatment at each tower; "" where it can be done. `last_resorts` adds more.

    A suspicion bars nothing: `conditions` names the inspection or repair that decides. A reading that is an upper limit
    bars all works except a ring for safety. Where the layers are known, rods must reach a layer with at most a third
    of the resistivity above it. In frequented places wires start from a ring only. The length of radials is limited
    by GB 50169-2016, 4.7, unless the line's settings state the available space.
    """
    checks = _checks(treatment, sites, settings)
    flags = [np.broadcast_to(np.asarray(flag, bool), len(sites)) for flag, _ in checks]
    words = [np.broadcast_to(np.asarray(word, object), len(sites)) for _, word in checks]
    return np.select(flags, words, default="") if checks else np.full(len(sites), "", object)


def _checks(treatment, sites, settings):
    """Conditions against a treatment, most serious first, each with its reason."""
    kind = treatment.kind
    if kind in EARTHING:
        return [*_before_digging(treatment, sites), *_of_kind(treatment, sites, settings)]
    if kind == "lead":
        return [(~(sites["lead_gone"] | sites["lead_weak"]), "no lead is known to be missing or weak")]
    if kind == "rebond":
        apart = sites["shield_wire"].isin(["insulated", "none"])
        return [
            (apart, "the shield wire is not bonded here by design"),
            (~sites["bond_suspected"], "the bond is not in doubt"),
        ]
    if kind == "retest":
        return [(~_doubtful(sites), "the reading is confirmed")]
    if kind == "inspect span":
        begun = column(sites, "spans_begun", 0) > 0
        return [(~begun, "no span that begins here is suspected")]
    if kind in ("arresters", "under-built"):
        return [
            (upper_limits(sites), UPPER_FIRST),
            (sites["footing_ohm"].isna(), NO_READING),
            *_no_wire(sites),
        ]
    return []


def _before_digging(treatment, sites):
    """Conditions against any digging; a ring for safety needs neither a reading nor a target."""
    needs_ring = sites["touch_above"] & (treatment.kind in RINGS)
    return [
        (upper_limits(sites) & ~needs_ring, UPPER_FIRST),
        (sites["footing_ohm"].isna() & ~needs_ring, NO_READING),
        ((sites["footing_ohm"] <= sites["target_ohm"]) & ~needs_ring, AT_TARGET),
    ]


def _of_kind(treatment, sites, settings):
    """Conditions of soil, occupancy, space and access."""
    kind, soil, checks = treatment.kind, sites["resistivity_ohm_m"], []
    if kind in RODS:
        checks += _rods(treatment, sites, settings)
    if kind in RINGS:
        checks.append(
            (sites["has_ring"], "a ring or counterpoise exists already: ask for its as-built sketch")
        )
    if kind in ("radials", "counterpoise"):
        people = "people are often here: bare wires carry step voltage to their ends; use a ring"
        checks.append((sites["is_public"], people))
    if kind in ("radials", "ring and radials"):
        checks += _room(treatment, sites, settings)
    if kind == "counterpoise":
        checks += _chain(sites)
    if treatment.resistivity_min_ohm_m > 0:
        least = f"{treatment.resistivity_min_ohm_m:g} Ω·m"
        checks.append((soil.isna() | (sites["soil_source"] == ASSUMED), NO_SOIL))
        checks.append((soil < treatment.resistivity_min_ohm_m, f"meant for soil from {least} on"))
    if treatment.fill_mm > 0:
        least = number("treatment_fill_ratio") * settings.fill_ohm_m
        checks.append((soil < least, f"in soil below {least:g} Ω·m fill gains next to nothing"))
    return checks


def _rods(treatment, sites, settings):
    """Rods: whether they can be placed, and whether they reach a better layer."""
    bottom_m = settings.trench_depth_m + treatment.length_m
    better = sites["lower_ohm_m"] * number("treatment_layer_ratio") <= sites["upper_ohm_m"]
    reach = better & (bottom_m > sites["depth_m"])
    words = [
        f"the layers ({row.upper_ohm_m:.3g} over {row.lower_ohm_m:.3g} Ω·m at {row.depth_m:.2g} m) offer rods of "
        f"{treatment.length_m:g} m no layer a third as resistive: use wire"
        for row in sites.itertuples()
    ]
    checks = [(sites["is_layered"] & ~reach, words)]
    if treatment.kind == "rods":
        return [(sites["soil_class"] == "rock", "rods cannot be driven into rock"), *checks]
    return [(sites["access"].isin(NO_RIG), "not accessible for a drilling rig"), *checks]


def _room(treatment, sites, settings):
    """Radials: available space."""
    if settings.space_m is not None:
        word = f"space for {settings.space_m:g} m only (line.toml)"
        return [(treatment.length_m > settings.space_m, word)]
    soil = sites["resistivity_ohm_m"].to_numpy(float)
    longest_m = laid_length_limit(soil)
    words = [
        f"usual practice is at most {most:g} m in {ohm:.3g} Ω·m"
        for most, ohm in zip(longest_m, soil, strict=True)
    ]
    return [(treatment.length_m > np.nan_to_num(longest_m, nan=np.inf), words)]


def _chain(sites):
    """A continuous counterpoise: a neighbour must need it too."""
    above = (sites["impedance_class"] == "above limit").to_numpy()
    needs = np.r_[False, above, False]
    lone = ~(above & (needs[:-2] | needs[2:]))
    return [
        (sites[["span_behind_m", "span_ahead_m"]].isna().any(axis=1), "the line ends here"),
        (lone, "no neighbour is above its limit: a continuous wire serves chains of towers"),
    ]


def _doubtful(sites):
    """Readings that another test should confirm before any spending."""
    unsure = (sites["verdict"] != "usable") | (sites["rank_confidence"] == "open") | upper_limits(sites)
    return sites["footing_ohm"].isna() | unsure | sites["bond_doubt"] | sites["lead_weak"]


def _no_wire(sites):
    """Towers without shield wire, for which trip-outs cannot be predicted."""
    return [(sites["shield_wire"] == "none", "no shield wire by design: trip-outs cannot be predicted")]


def _metal(treatment, sites, settings, light, drawn, taught, possible):
    """Prediction and trip-outs avoided of a treatment that digs, at the towers where it applies."""
    rows = np.flatnonzero(possible)
    if not rows.size:
        return {}
    here = sites.iloc[rows].reset_index(drop=True)
    learned = log_factors(taught, treatment, here) if settings.learn else np.zeros(len(here))
    full_m, seen_m = lengths(treatment, here), lightning_lengths(treatment, here)
    whole = response(treatment, here, settings, full_m)
    ends = banded(whole, here, learned)
    found: dict[str, np.ndarray] = dict(
        zip(("predicted_ohm", "predicted_low_ohm", "predicted_high_ohm"), ends, strict=True)
    )
    found["learned_factor"] = np.exp(learned)
    if light is not None:
        cut = (
            whole
            if np.array_equal(full_m, seen_m, equal_nan=True)
            else response(treatment, here, settings, seen_m)
        )
        part = (
            at_towers(light, rows),
            {name: values[..., rows] if values.shape[-1] > 1 else values for name, values in drawn.items()},
        )
        avoided = avoided_by_metal(*part, here, treatment, cut, learned)
        found |= dict(
            zip(("avoided_per_year", "avoided_low", "avoided_high", "lightning_ohm"), avoided, strict=True)
        )
    return {name: _spread(values, rows, len(sites)) for name, values in found.items()}


def _spread(values, rows, count):
    """Values of a subset of the towers, NaN elsewhere."""
    full = np.full(count, np.nan)
    full[rows] = values
    return full


def _without_metal(treatment, sites, one, light, drawn):
    """Trip-outs avoided by a treatment without metal in the ground."""
    names = ("avoided_per_year", "avoided_low", "avoided_high")
    if treatment.kind in ("nothing", "retest"):  # a test alone changes no footing
        return dict.fromkeys(names, np.zeros(len(sites)))
    if light is None or treatment.kind in ("rebond", "inspect span"):
        return {}
    if treatment.kind == "lead":
        found = avoided_by_repair(light, sites, one["predicted_ohm"], drawn)
    elif treatment.kind == "arresters":
        found = avoided_by_arresters(light, drawn, sites)
    else:
        found = avoided_by_underbuilt(light, drawn, sites)
    return dict(zip(names, found, strict=True))


def last_resorts(
    options: dict[str, dict[str, Any]], sites: pd.DataFrame, saturated: np.ndarray
) -> dict[str, np.ndarray]:
    """Reasons against arresters and under-built wires where earthing is sufficient, by treatment; they replace the former ones.

    `options` holds kind, reason (n,) and predicted_ohm (n,) [Ω] by treatment; at `saturated` towers no achievable footing
    would help against lightning.
    """
    limit = sites["limit_ohm"].to_numpy(float)
    earthing = [one for one in options.values() if one["kind"] in EARTHING]
    possible = np.array([one["reason"] == "" for one in earthing]).reshape(len(earthing), len(sites))
    left = np.array([one["predicted_ohm"] for one in earthing]).reshape(len(earthing), len(sites))
    reached = (possible & (left <= limit)).any(axis=0)
    unknown = (possible & np.isnan(left)).any(axis=0) & ~reached
    above = (sites["footing_ohm"] > sites["limit_ohm"]).to_numpy()
    needed = saturated | (above & ~reached & ~unknown)
    word = np.select(
        [needed, unknown & above, ~above],
        ["", NO_SOIL, "the footing is within its limit"],
        "earthing is predicted to be sufficient",
    )
    low, high = number("underbuilt_footing_low_ohm"), number("underbuilt_footing_high_ohm")
    outside = ~sites["footing_ohm"].between(low, high).to_numpy()
    found = {}
    for name, one in options.items():
        if one["kind"] in ("arresters", "under-built"):
            reason = np.where(one["reason"] == "", word, one["reason"])
            published = f"its gain is published for footings of {low:g} to {high:g} Ω only"
            is_wire = one["kind"] == "under-built"
            found[name] = np.where((reason == "") & outside & is_wire, published, reason)
    return found


def _rows(treatment, sites, line, one):
    """Rows of one treatment, one per tower."""
    applies = one["reason"] == ""
    reason = np.where(applies, cautions(treatment, sites, one), one["reason"])
    rows = pd.DataFrame(
        {
            "tower_id": sites["tower_id"],
            "option": treatment.option,
            "kind": treatment.kind,
            "applies": applies,
            "reason": pd.array(reason, dtype="str"),
            "must_do": must_do(treatment, sites).to_numpy(bool) & applies,
            "life_years": treatment.life_years,
            "purse": treatment.purse,
            "verify": treatment.verify,
            "decides": np.where(applies, decides(treatment, sites), ""),
            "conditional_on": np.where(applies, conditions(treatment, sites), ""),
            **{
                name: sites[name]
                for name in ("access_group", "access", "soil_class", "footing_ohm", "soil_source")
            },
        },
        index=sites.index,
    )
    numbers = {name: np.where(applies, one[name], np.nan) for name in NUMBERS}
    rows = rows.assign(**numbers, saturated=one["saturated"], benefit_per_year=numbers["avoided_per_year"])
    within = pd.array(numbers["predicted_ohm"] <= sites["limit_ohm"].to_numpy(float), dtype="boolean")
    within[np.isnan(numbers["predicted_ohm"])] = pd.NA
    texts = {name: pd.array(rows[name], dtype="str") for name in ("decides", "conditional_on")}
    rows = rows.assign(**texts)
    return rows.assign(within_limit=within).join(quantities(treatment, sites, line.treatments, line))


def cautions(treatment: Treatment, sites: pd.DataFrame, found: dict[str, Any]) -> np.ndarray:
    """Cautions on a treatment that can be done.

    Parameters
    ----------
    treatment : Treatment
    sites : pandas.DataFrame
    found : dict
        predicted_ohm (n,) and saturated (n,).

    Returns
    -------
    array of str, shape (n,)
    """
    remarks = [np.full(len(sites), "", object)]
    if treatment.kind in EARTHING:
        limit = sites["limit_ohm"].to_numpy(float)
        above = found["predicted_ohm"] > limit
        remarks.append(np.where(sites["upper_ohm_m"].isna(), NO_SOIL, ""))
        remarks.append(np.where(sites["soil_source"] == ASSUMED, NO_LESSON, ""))
        remarks.append(
            np.where(
                above, [f"still above the limit of {most:g} Ω: accept with a reason" for most in limit], ""
            )
        )
        remarks.append(np.where(found["saturated"], SATURATED, ""))
        remarks.append(np.where(sites["is_public"], "touch and step voltage to be checked", ""))
    if treatment.kind in RODS:
        remarks.append(
            np.where(
                sites["is_layered"] | sites["upper_ohm_m"].isna() | (sites["soil_source"] == ASSUMED),
                "",
                "layers not known: measure them by a sounding to choose between rods and wire",
            )
        )
    if treatment.kind in WIRES:
        seen = np.minimum(lightning_lengths(treatment, sites), lengths(treatment, sites))
        short = seen < lengths(treatment, sites)
        remarks.append(
            np.where(short, [f"{m:g} m of each wire are effective against lightning" for m in seen], "")
        )
        remarks.append(
            np.where(sites["has_ring"], "metal is already in the ground: ask for its as-built sketch", "")
        )
    if treatment.kind == "counterpoise":
        remarks.append(np.full(len(sites), "effective only if the neighbours are treated too", object))
    if treatment.kind in CONDITIONAL:
        remarks.append(np.where(sites["lead_gone"], BEFORE_REPAIR, ""))
    if treatment.kind in ("rebond", "inspect span"):
        remarks.append(
            np.full(len(sites), "inspect first; under the utility's licensed procedure only", object)
        )
    if treatment.kind in ("arresters", "under-built"):
        remarks.append(np.full(len(sites), "untreated neighbours may flash over instead", object))
    return np.array(
        ["; ".join(part for part in parts if part) for parts in zip(*remarks, strict=True)], object
    )


def must_do(treatment: Treatment, sites: pd.DataFrame) -> pd.Series:
    """Safety works, which are not traded against cost.

    Parameters
    ----------
    treatment : Treatment
    sites : pandas.DataFrame

    Returns
    -------
    pandas.Series of bool
        Leads seen missing or badly corroded; a ring where people are often and the touch-voltage screening is above
        its limit.
    """
    if treatment.kind == "lead":
        return cast("pd.Series", sites["lead_gone"])
    return cast("pd.Series", sites["touch_above"] & sites["is_public"] & (treatment.kind in RINGS))
