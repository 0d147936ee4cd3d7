"""Who tests which tower on which day, by which method, and what goes wrong."""

import numpy as np
import pandas as pd

PER_DAY = 9  # towers that a crew tests in a day
KEPT_ROUNDS = 3  # the last rounds, in which every tower with something planted is tested
INSTRUMENTS = {"A": ("E-2207",), "B": ("E-3318", "E-3341"), "C": ("E-4402",), "D": ("E-5519",)}
LAPSED = ("E-3341", 2023)  # this calibration had run out before that year's round
COIL_FLAWS = ("reversed coil", "two turns on one leg", "half the turns on one leg", "turns not entered")


def schedule(spec, built, rng):
    """Visits of all campaigns, in the order of the days.

    Parameters
    ----------
    spec : LineSpec
        What the line is made of.
    built : Built
        The line as built.
    rng : numpy.random.Generator
        Source of chance.

    Returns
    -------
    DataFrame
        One row a visit: visit_id, place and stood (positions in `built` of the tower meant and of the tower
        reached), campaign, crew, date, soil_state, method, flaw (blank where the reading is sound), flaw_leg,
        turn_written, repeat, coil_turns_worn, coil_turns_set, instrument_serial, calibration_due.
    """
    rounds = [_round(spec, built, number, rng) for number in range(len(spec.campaigns))]
    visits = pd.concat(rounds).sort_values(["date", "crew", "order"], kind="stable", ignore_index=True)
    year = visits["date"].dt.strftime("%y")
    number = visits.groupby(year).cumcount() + 1
    return visits.assign(visit_id=[f"{spec.prefix}{y}-{k:03d}" for y, k in zip(year, number, strict=True)])


def planted(built):
    """Towers whose hidden truth must show in the records: defects, works, those beside an open span."""
    towers = built.towers
    ahead = towers["span_ahead_open_since"].notna().to_numpy()
    beside = ahead | np.roll(ahead, 1) | np.roll(ahead, -1) | np.roll(ahead, 2)
    return (towers["defect"] != "none").to_numpy() | towers["treated_on"].notna().to_numpy() | beside


def _round(spec, built, number, rng):
    """One campaign with its repeats."""
    campaign = spec.campaigns[number]
    kept = planted(built) & (number >= len(spec.campaigns) - KEPT_ROUNDS)
    places = _reached(campaign, built, kept, rng)
    crew, date = _crew_days(places, campaign)
    visits = pd.DataFrame({"place": places, "campaign": number, "crew": crew, "date": date})
    visits = visits.assign(order=range(len(visits)), soil_state=campaign.soil_state, repeat="")
    visits = visits.assign(method=_methods(campaign, kept[places], rng))
    visits = visits.assign(flaw=_flaws(spec.flaws, built, visits, rng))
    # Works and the newest look at a defect are to be seen undisturbed; older looks are as they come.
    last = number == len(spec.campaigns) - 1
    sound = kept[places] & (last | built.towers["treated_on"].notna().to_numpy()[places])
    visits = visits.assign(flaw=visits["flaw"].mask(sound, ""))
    return _with_details(_with_repeats(visits, rng), built, rng)


def _reached(campaign, built, kept, rng):
    """Stretches of the line that a campaign reaches, and the towers that it must not miss."""
    count = len(built.towers)
    stretch = np.arange(count) // 6
    reached = rng.random(stretch[-1] + 1) < campaign.share
    chosen = kept | (reached[stretch] & (rng.random(count) < 0.95))
    return np.flatnonzero(chosen & built.towers["tested"].to_numpy())


def _crew_days(places, campaign):
    """Each crew takes a stretch and works through it, on working days."""
    crews = np.array(list(campaign.crews))
    block = np.arange(len(places)) * len(crews) // max(len(places), 1)
    within = np.arange(len(places)) - np.searchsorted(block, block)
    date = np.busday_offset(campaign.start, within // PER_DAY, roll="forward")
    return crews[block], pd.to_datetime(date)


def _methods(campaign, kept, rng):
    """Coils as a rule, none in older rounds; now and then with the shield wire lifted, out of service."""
    draw = rng.random(len(kept))
    method = np.select(
        [draw < campaign.no_coils_share, draw > 0.988], ["no coils", "shield wire lifted"], "leg coils"
    )
    return np.where(kept, "leg coils", method)


def _flaws(shares, built, visits, rng):
    """At most one flaw a visit; coil flaws only where coils go round four legs or more."""
    names = np.array([*shares, ""], dtype=object)
    flaw = names[np.searchsorted(np.cumsum(list(shares.values())), rng.random(len(visits)), side="right")]
    coiled = (visits["method"] == "leg coils").to_numpy()
    legged = built.towers["leg_count"].to_numpy()[visits["place"]] >= 4
    impossible = (np.isin(flaw, COIL_FLAWS) & ~legged) | (
        np.isin(flaw, [*COIL_FLAWS, "method not stated"]) & ~coiled
    )
    return np.where(impossible, "", flaw)


def _with_repeats(visits, rng):
    """Visits and repeats: a few on the same day, half of the flawed readings by coils a week later."""
    draw = rng.random(len(visits))
    flawed = visits["flaw"] != ""
    same_day = visits[(draw < 0.03) & ~flawed].assign(repeat="same day")
    later = visits[(draw < 0.5) & flawed & (visits["method"] == "leg coils")]
    later = later.assign(flaw="", repeat="later", date=later["date"] + pd.Timedelta(days=7))
    return pd.concat([visits, same_day, later], ignore_index=True)


def _with_details(visits, built, rng):
    """Tower really reached, leg of a coil flaw, turns worn and entered, instrument."""
    count, flaw, place = len(visits), visits["flaw"], visits["place"].to_numpy()
    aside = np.where(place < len(built.towers) - 1, place + 1, place - 1)
    doubled = (visits["crew"] == "D") | (flaw == "half the turns on one leg")
    doubled &= ~flaw.isin(["two turns on one leg", "turns not entered"])
    turns_set = np.where(doubled, 2, 1)
    return visits.assign(
        stood=np.where(flaw == "stood at the neighbour", aside, place),
        flaw_leg=rng.integers(0, 4, count),
        turn_written=rng.random(count) < 0.5,
        coil_turns_set=turns_set,
        coil_turns_worn=np.where(flaw == "turns not entered", 2, turns_set),
        **_instruments(visits, rng),
    )


def _instruments(visits, rng):
    """Instrument, and the day until which its calibration holds: a year from some day before the round."""
    spare = rng.random(len(visits)) < 0.35
    serial = np.array([INSTRUMENTS[c][-1 if s else 0] for c, s in zip(visits["crew"], spare, strict=True)])
    first = visits["date"].min()
    names = sorted(name for group in INSTRUMENTS.values() for name in group)
    days_left = np.array([325 - 53 * names.index(name) for name in serial])
    lapsed = (serial == LAPSED[0]) & (first.year == LAPSED[1])
    due = first + pd.to_timedelta(np.where(lapsed, -33, days_left), unit="D")
    return {"instrument_serial": serial, "calibration_due": due}
