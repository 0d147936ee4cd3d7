"""Trip-outs that a treatment avoids at each tower, with their band."""

import numpy as np

from towerlib.outages import band, rates
from towerlib.physics.lightning.tabulated import tabulated_rates
from towerlib.treatments.catalogue import WIRES
from towerlib.treatments.curves import rate
from towerlib.treatments.predict import TWO_SIDED, after, corrected
from towerlib.values import number


def drawn_sites(light, sites):
    """Footings, soil factors, gains and rates now in every draw.

    Parameters
    ----------
    light : Lightning
    sites : pandas.DataFrame
        As `towerlib.treatments.sites.sites` gives it.

    Returns
    -------
    dict of str to array, each (draws, n)
        footing_ohm, soil_factor, gain_factor, strength_log, soil_log, density, now.
    """
    footing, low, high = (
        np.log(sites[name].where(sites[name] > 0).to_numpy(float))
        for name in ("footing_ohm", "footing_low_ohm", "footing_high_ohm")
    )
    z, u = light.draws, TWO_SIDED
    spread = np.where(z["own"] < 0, np.nan_to_num(footing - low), np.nan_to_num(high - footing)) / u
    assumed = (light.exposed["soil_source"] == "assumed").to_numpy()
    soil_u = np.where(assumed, number("soil_ratio_spread"), np.log1p(number("soil_value_percent") / 100))
    drawn = {
        "footing_ohm": np.exp(footing + z["own"] * spread),
        "soil_factor": np.exp(z["soil"] * sites["soil_u"].to_numpy(float)),
        "gain_factor": np.maximum(1 + z["gain"] * number("treatment_gain_percent") / 100, 0.0),
        "strength_log": z["strength"] * np.log1p(number("strength_percent") / 100),
        "soil_log": z["soil"] * soil_u,
        "density": np.exp(z["density"] * light.density_u),
    }
    now = rate(light.compact, drawn["footing_ohm"], drawn["strength_log"], drawn["soil_log"])
    return drawn | {"now": now * drawn["density"]}


def avoided_by_metal(light, drawn, sites, treatment, found, log_factor):
    """Trip-outs that metal in the ground avoids.

    Parameters
    ----------
    light : Lightning
    drawn : dict
        From `drawn_sites`.
    sites : pandas.DataFrame
    treatment : Treatment
    found : towerlib.treatments.predict.Response
        With the lengths that count for lightning.
    log_factor : array, shape (n,)
        Learned ln(achieved/predicted).

    Returns
    -------
    tuple of array, each of shape (n,)
        avoided, low, high [1/year], and the footing that lightning sees afterwards [Ω].

    Notes
    -----
    Rate now less rate afterwards. Soil does not ionise along long wires, so their gain counts without; since the old
    footing still ionises, the tower is never worse than now.
    """
    curves = light.long if treatment.kind in WIRES else light.compact
    footing = sites["footing_ohm"].to_numpy(float)
    left_ohm = corrected(footing, after(found, footing), log_factor)
    now = rate(light.compact, footing)
    avoided = now - np.minimum(now, rate(curves, left_ohm))
    later_ohm = corrected(
        drawn["footing_ohm"],
        after(found, drawn["footing_ohm"], drawn["soil_factor"]),
        log_factor,
        drawn["gain_factor"],
    )
    later = rate(curves, later_ohm, drawn["strength_log"], drawn["soil_log"]) * drawn["density"]
    low, high = band.ends(drawn["now"] - np.minimum(drawn["now"], later))
    return avoided, low, high, left_ohm


def avoided_by_repair(light, sites, predicted_ohm, drawn):
    """Trip-outs that a repaired lead avoids: none at least, at most twice what is expected.

    Parameters
    ----------
    light, sites, drawn
        As for `avoided_by_metal`.
    predicted_ohm : array, shape (n,)
        Footing afterwards [Ω].

    Returns
    -------
    tuple of array, each of shape (n,)
        avoided, low, high [1/year].
    """
    now = rate(light.compact, sites["footing_ohm"].to_numpy(float))
    avoided = now - np.minimum(now, rate(light.compact, predicted_ohm))
    return avoided, 0.0 * avoided, avoided * np.quantile(drawn["density"], 0.9)


def avoided_by_arresters(light, drawn, sites):
    """Trip-outs that arresters on all phases of one tower avoid.

    Parameters
    ----------
    light, drawn, sites
        As for `avoided_by_metal`.

    Returns
    -------
    tuple of array, each of shape (n,)
        avoided, low, high [1/year].

    Notes
    -----
    Between `arrester_share_low` and all of the tower's trip-outs, evenly: arresters of one tower hold its own
    insulators, but strokes to the spans and neighbours without arresters are left.
    """
    from scipy.special import ndtr

    least = number("arrester_share_low")
    share = least + (1 - least) * ndtr(light.draws["share"])
    low, high = band.ends(drawn["now"] * share)
    return rate(light.compact, sites["footing_ohm"].to_numpy(float)) * (1 + least) / 2, low, high


def avoided_by_underbuilt(light, drawn, sites):
    """Trip-outs that one under-built wire avoids at a tower.

    Parameters
    ----------
    light, drawn, sites
        As for `avoided_by_metal`.

    Returns
    -------
    tuple of array, each of shape (n,)
        avoided, low, high [1/year]; NaN outside the footings for which a gain was published.

    Notes
    -----
    The overvoltage falls by 19 to 32 %, as published for footings of 20 to 80 Ω; the insulation counts as
    stronger by as much. The band is from the one to the other, and the flash density.

    References
    ----------
    Visacro et al., IEEE Trans. Power Delivery 27 (2012), from memory; simulation at 230 kV.
    """
    footing = sites["footing_ohm"].to_numpy(float)
    fits = (footing >= number("underbuilt_footing_low_ohm")) & (
        footing <= number("underbuilt_footing_high_ohm")
    )
    now = rate(light.compact, footing)
    ends = number("underbuilt_gain_low"), number("underbuilt_gain_high")
    method, found = rates.method_of(light.line), []
    for gain in (np.mean(ends), *ends):
        exposed = light.exposed.assign(strength_kv=light.exposed["strength_kv"] / (1 - gain))
        towers = rates.physics_towers(exposed, np.where((exposed["flaw"] == "") & fits, footing, np.nan))
        later = tabulated_rates(light.shape, towers, method).backflashovers_per_year
        found.append(np.maximum(now - later * light.line.lightning.trip_outs_per_flashover, 0.0))
    low, high = np.quantile(drawn["density"], [0.1, 0.9])
    return found[0], found[1] * low, found[2] * high
