"""What a reading against the expected one says of a bond, in words and numbers."""

import numpy as np

from towerlib.network.words import figure
from towerlib.values import number

SOUND, WORN, OPEN, UNKNOWN = "sound", "worn", "open suspected", "not known"
MUCH = 5.0  # an interval that reaches so many times the value has no upper end worth telling
INSPECT = "Inspect the bond under the utility's licensed procedure; never open it for a test."


def judge(model, readings, shares):
    """State of each bond, whether to inspect it, and the evidence.

    Parameters
    ----------
    model, readings, shares : LineModel, DataFrame, Shares
        The line, as of `line_model`, `bond_readings` and `expected_shares`.

    Returns
    -------
    tuple of array, shape (n,)
        bond_state (one of ``sound``, ``worn``, ``open suspected``, ``not known``), bond_suspect (bool) and
        bond_evidence (sentences).

    Notes
    -----
    A bond is suspected where the reading stands ``bond_z`` standard uncertainties above the expected one and
    no open span explains it. *Sound* asks for more than no suspicion: with the same uncertainty a share of
    ``leg_share_suspect`` would have been told. Where two shield wires have a bond each, one of them carries.
    """
    with np.errstate(invalid="ignore"):
        z = shares.off / shares.u
    high, low = z >= number("bond_z"), z <= -number("bond_z")
    told = shares.share * np.exp(number("bond_z") * shares.u) < number("leg_share_suspect")
    unread = np.isnan(z)
    span_too = high & _span_may_explain(shares, unread)
    most = shares.measured_share >= number("leg_share_open")
    state = np.select(
        [unread | low | span_too, high & most & ~readings["outside_coils"].to_numpy(), high, told],
        [UNKNOWN, OPEN, WORN, SOUND],
        UNKNOWN,
    )
    words = [
        _words(model, readings.iloc[k], shares, k, (z[k], high[k], low[k], span_too[k], told[k]))
        for k in range(len(z))
    ]
    return state, high, np.array(words, object)


def certain(shares):
    """Bonds that are suspected whatever the spans beside them are like.

    Parameters
    ----------
    shares : Shares
        n towers.

    Returns
    -------
    array of bool, shape (n,)
    """
    with np.errstate(invalid="ignore"):
        return shares.off - shares.beside >= number("bond_z") * shares.u


def _span_may_explain(shares, unread):
    """An open span beside the tower fits as well, and the tower behind that span was not read."""
    limit = number("bond_z")
    beside_unread = np.r_[unread[1:], True] | np.r_[True, unread[:-1]]
    return beside_unread & (shares.off - shares.beside < limit * shares.u)


def _words(model, reading, shares, k, told):
    """Evidence of one tower."""
    z, high, low, span_too, enough = told
    if not model.bonded[k]:
        return "No bonded shield wire at this tower, by design."
    if reading["reason"]:
        return f"Not known: {reading['reason']}."
    if np.isnan(z):
        return "Not known: no shield wire leads away from this tower."
    figures = _figures(reading, shares, k, z)
    if high:
        return " ".join([figures, *_explanations(reading, shares, k, span_too), INSPECT])
    if low:
        older = " An older reading, from before a span broke, looks the same." if shares.opened else ""
        return f"{figures} Less than any bond allows: a slip, probes too near or wrong wire data.{older}"
    if enough:
        return f"{figures} That is what a sound bond lets expect; of several bonds one at least carries."
    return f"{figures} The figures are too unsure to tell a sound bond from a worn one."


def _figures(reading, shares, k, z):
    """Reading and expected value."""
    measured, expected = reading["measured"], shares.share[k]
    unit = ""
    text = "The legs take {} of the injected current"
    if reading["kind"] == "impedance":
        expected, unit = shares.no_coils_ohm[k], " Ω"
        text = "{} read without coils"
    expected = expected * np.exp(shares.centre)
    return (
        text.format(f"{figure(measured, 3)}{unit}")
        + f" where a sound bond lets expect {figure(expected)}{unit} at {shares.frequency_hz[k]:g} Hz (z {z:.1f})."
    )


def _explanations(reading, shares, k, span_too):
    """What would explain a reading that is too high."""
    factor = np.exp(shares.beside[k])
    parts = [_bond_words(reading, shares, k)]
    if span_too:
        parts.append("An open span beside the tower looks the same; the tower behind it was not read.")
    else:
        parts.append(
            f"A broken wire beside the tower would raise it {figure(factor)} times, not {_times(shares, k)}."
        )
    if np.isfinite(reading["other_share"]) and reading["kind"] == "impedance":
        parts.append(f"By the currents the legs take {reading['other_share']:.2f}.")
    parts.append("A shield wire insulated or ended here, or a slip in a reading, looks the same.")
    return parts


def _times(shares, k):
    """How many times the expected value was read."""
    return figure(np.exp(shares.off[k]))


def _bond_words(reading, shares, k):
    """The bond that explains it."""
    if reading["outside_coils"]:
        return "A bond that is worn or open explains it; an earth path beside the coils leaves its size open."
    low, value, high = (getattr(shares, name)[k] for name in ("bond_low_ohm", "bond_ohm", "bond_high_ohm"))
    share = f"The legs would take {shares.measured_share[k]:.2f} of the current."
    if not np.isfinite(value):
        return f"{share} A bond that carries nothing explains it."
    if not high < MUCH * value:
        return f"{share} A bond of {figure(low)} Ω or more, or an open one, explains it."
    return f"{share} A bond of {figure(value)} Ω ({figure(low)} to {figure(high)} Ω) explains it."
