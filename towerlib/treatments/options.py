"""Which treatments a tower can have, and why it cannot have the others."""

import numpy as np

from towerlib.physics.electrode.effective import laid_length_limit
from towerlib.treatments.catalogue import EARTHING, RINGS, RODS, WIRES
from towerlib.treatments.predict import lengths, lightning_lengths
from towerlib.values import number

NO_READING = "no usable reading of the footing: test first"
LEADS_FIRST = "leads are missing or badly corroded: repair them and test again before any digging"
BOND_FIRST = "the shield-wire bond or the coils are in doubt: inspect before any digging"
LEG_FIRST = "one leg carries too little current: look at its lead and stub before any digging"
AT_TARGET = "the footing is within its target"
NO_SOIL = "no soil data, so its effect cannot be predicted: measure the soil first"
STILL_ABOVE = "no earthing work is predicted to bring the footing within its limit"
SATURATED = "half the footing would save little: the insulation flashes over at nearly every stroke"
NO_RIG = ("foot", "boat", "helicopter")


def barred(treatment, sites, settings):
    """Why each tower cannot have a treatment.

    Parameters
    ----------
    treatment : Treatment
    sites : pandas.DataFrame
        As `towerlib.treatments.sites.sites` gives it.
    settings : towerlib.line.treating.Treatments

    Returns
    -------
    array of str, shape (n,)
        The first reason that holds; "" where the treatment can be done. What only the other treatments can tell
        of arresters and under-built wires is left to `last_resorts`.

    Notes
    -----
    Inspection and repair go before digging. Rods must reach a layer of a third of the resistivity above it or
    less where the layers are known. Where people often are, wires run out from a ring only. Longest radials as
    GB 50169-2016, 4.7 lays them, unless the line's settings state the room.
    """
    checks = _checks(treatment, sites, settings)
    flags = [np.broadcast_to(np.asarray(flag, bool), len(sites)) for flag, _ in checks]
    words = [np.broadcast_to(np.asarray(word, object), len(sites)) for _, word in checks]
    return np.select(flags, words, default="") if checks else np.full(len(sites), "", object)


def _checks(treatment, sites, settings):
    """Conditions that bar a treatment, gravest first, each with its reason."""
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
        return [(~_doubtful(sites), "the reading stands")]
    if kind in ("arresters", "under-built"):
        return [(sites["footing_ohm"].isna(), NO_READING), *_mend_first(sites), *_no_wire(sites)]
    return []


def _mend_first(sites):
    """What has to be mended or looked at before money goes into anything else."""
    return [
        (sites["lead_gone"], LEADS_FIRST),
        (sites["bond_doubt"], BOND_FIRST),
        (sites["lead_weak"], LEG_FIRST),
    ]


def _no_wire(sites):
    """Towers without shield wire: what is known of arresters here does not hold."""
    return [(sites["shield_wire"] == "none", "no shield wire by design: trip-outs cannot be predicted")]


def _before_digging(treatment, sites):
    """What holds of all that digs; a ring for people's safety asks neither for a reading nor for a target."""
    needs_ring = sites["touch_above"] & (treatment.kind in RINGS)
    return [
        *_mend_first(sites),
        (sites["footing_ohm"].isna() & ~needs_ring, NO_READING),
        ((sites["footing_ohm"] <= sites["target_ohm"]) & ~needs_ring, AT_TARGET),
    ]


def _of_kind(treatment, sites, settings):
    """What soil, people, room and ways in forbid."""
    kind, soil, checks = treatment.kind, sites["resistivity_ohm_m"], []
    if kind in RODS:
        checks += _rods(treatment, sites, settings)
    if kind in RINGS:
        checks.append(
            (sites["has_ring"], "a ring or counterpoise is there already: ask for its as-built sketch")
        )
    if kind in ("radials", "counterpoise"):
        people = "people are often here: bare wires carry step voltage to their ends; take a ring"
        checks.append((sites["is_public"], people))
    if kind in ("radials", "ring and radials"):
        checks += _room(treatment, sites, settings)
    if kind == "counterpoise":
        checks += _chain(sites)
    if treatment.resistivity_min_ohm_m > 0:
        least = f"{treatment.resistivity_min_ohm_m:g} Ω·m"
        checks.append((soil.isna(), NO_SOIL))
        checks.append((soil < treatment.resistivity_min_ohm_m, f"meant for soil from {least} on"))
    if treatment.fill_mm > 0:
        least = number("treatment_fill_ratio") * settings.fill_ohm_m
        checks.append((soil < least, f"in soil below {least:g} Ω·m fill gains next to nothing"))
    return checks


def _rods(treatment, sites, settings):
    """Rods: can they get in, and do they reach anything better."""
    bottom_m = settings.trench_depth_m + treatment.length_m
    better = sites["lower_ohm_m"] * number("treatment_layer_ratio") <= sites["upper_ohm_m"]
    reach = better & (bottom_m > sites["depth_m"])
    words = [
        f"the layers ({row.upper_ohm_m:.3g} over {row.lower_ohm_m:.3g} Ω·m at {row.depth_m:.2g} m) offer rods of "
        f"{treatment.length_m:g} m nothing a third as resistive: take wire"
        for row in sites.itertuples()
    ]
    checks = [(sites["is_layered"] & ~reach, words)]
    if treatment.kind == "rods":
        return [(sites["soil_class"] == "rock", "rods cannot be driven into rock"), *checks]
    return [(sites["access"].isin(NO_RIG), "no drilling rig gets there"), *checks]


def _room(treatment, sites, settings):
    """Radials: is there room for them."""
    if settings.space_m is not None:
        word = f"there is room for {settings.space_m:g} m (line.toml)"
        return [(treatment.length_m > settings.space_m, word)]
    soil = sites["resistivity_ohm_m"].to_numpy(float)
    longest_m = laid_length_limit(soil)
    words = [
        f"practice lays no more than {most:g} m in {ohm:.3g} Ω·m"
        for most, ohm in zip(longest_m, soil, strict=True)
    ]
    return [(treatment.length_m > np.nan_to_num(longest_m, nan=np.inf), words)]


def _chain(sites):
    """A continuous counterpoise: both neighbours must be in need of it too."""
    above = (sites["impedance_class"] == "above limit").to_numpy()
    needs = np.r_[False, above, False]
    lone = ~(above & (needs[:-2] | needs[2:]))
    return [
        (sites[["span_behind_m", "span_ahead_m"]].isna().any(axis=1), "the line ends here"),
        (lone, "no neighbour is above its limit too: a continuous wire serves chains of towers"),
    ]


def _doubtful(sites):
    """Readings that another test should confirm before money is spent on them."""
    unsure = (sites["verdict"] != "usable") | (sites["rank_confidence"] == "open")
    return sites["footing_ohm"].isna() | unsure | sites["bond_doubt"] | sites["lead_weak"]


def last_resorts(options, sites, saturated):
    """Arresters and under-built wires only where earthing does not do.

    Parameters
    ----------
    options : dict of str to dict
        By treatment: kind, reason (n,), predicted_ohm (n,).
    sites : pandas.DataFrame
    saturated : array of bool, shape (n,)
        Towers that no footing within reach helps against lightning.

    Returns
    -------
    dict of str to array of str
        New reasons of those treatments.
    """
    limit = sites["limit_ohm"].to_numpy(float)
    earthing = [one for one in options.values() if one["kind"] in EARTHING]
    possible = np.array([one["reason"] == "" for one in earthing]).reshape(len(earthing), len(sites))
    left = np.array([one["predicted_ohm"] for one in earthing]).reshape(len(earthing), len(sites))
    reached = (possible & (left <= limit)).any(axis=0)
    untold = (possible & np.isnan(left)).any(axis=0) & ~reached
    above = (sites["footing_ohm"] > sites["limit_ohm"]).to_numpy()
    needed = saturated | (above & ~reached & ~untold)
    word = np.select(
        [needed, untold & above, ~above],
        ["", NO_SOIL, "the footing is within its limit"],
        "earthing is predicted to do",
    )
    low, high = number("underbuilt_footing_low_ohm"), number("underbuilt_footing_high_ohm")
    outside = ~sites["footing_ohm"].between(low, high).to_numpy()
    found = {}
    for name, one in options.items():
        if one["kind"] in ("arresters", "under-built"):
            reason = np.where(one["reason"] == "", word, one["reason"])
            told = f"its gain is published for footings of {low:g} to {high:g} Ω only"
            is_wire = one["kind"] == "under-built"
            found[name] = np.where((reason == "") & outside & is_wire, told, reason)
    return found


def cautions(treatment, sites, found):
    """What has to be said of a treatment that can be done.

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
    told = [np.full(len(sites), "", object)]
    if treatment.kind in EARTHING:
        limit = sites["limit_ohm"].to_numpy(float)
        above = found["predicted_ohm"] > limit
        told.append(np.where(sites["upper_ohm_m"].isna(), NO_SOIL, ""))
        told.append(
            np.where(
                above, [f"still above the limit of {most:g} Ω: accept with a reason" for most in limit], ""
            )
        )
        told.append(np.where(found["saturated"], SATURATED, ""))
        told.append(np.where(sites["is_public"], "touch and step voltage to be checked", ""))
    if treatment.kind in RODS:
        told.append(
            np.where(
                sites["is_layered"] | sites["upper_ohm_m"].isna(),
                "",
                "layers not known: a sounding tells whether rods or wire",
            )
        )
    if treatment.kind in WIRES:
        seen = np.minimum(lightning_lengths(treatment, sites), lengths(treatment, sites))
        short = seen < lengths(treatment, sites)
        told.append(np.where(short, [f"lightning sees {m:g} m of each wire" for m in seen], ""))
        told.append(
            np.where(sites["has_ring"], "metal is in the ground already: ask for its as-built sketch", "")
        )
    if treatment.kind == "counterpoise":
        told.append(np.full(len(sites), "holds only if the neighbours get it too", object))
    if treatment.kind == "rebond":
        told.append(np.full(len(sites), "inspect first; under the utility's licensed procedure only", object))
    if treatment.kind in ("arresters", "under-built"):
        told.append(np.full(len(sites), "neighbours without it may flash over in its place", object))
    return np.array(["; ".join(part for part in parts if part) for parts in zip(*told, strict=True)], object)


def must_do(treatment, sites):
    """Works that are not up for trade.

    Parameters
    ----------
    treatment : Treatment
    sites : pandas.DataFrame

    Returns
    -------
    pandas.Series of bool
        Leads seen missing or badly corroded; a ring where people are often and the touch screen is above its
        limit.
    """
    if treatment.kind == "lead":
        return sites["lead_gone"]
    return sites["touch_above"] & sites["is_public"] & (treatment.kind in RINGS)
