"""What a sweep of test frequencies shows, and what the test leads add to it."""

import numpy as np


def harmonic_distance_hz(frequency_hz, mains_hz):
    """Distance of a test frequency from the nearest harmonic of the mains.

    Parameters
    ----------
    frequency_hz, mains_hz : float or array
        Test frequency and mains frequency [Hz].

    Returns
    -------
    float or array
        Distance [Hz]; the mains frequency itself counts as the first harmonic.

    Examples
    --------
    >>> print(harmonic_distance_hz(128.0, 50.0), harmonic_distance_hz(41.0, 60.0))
    22.0 19.0
    """
    order = np.maximum(np.round(np.divide(frequency_hz, mains_hz)), 1.0)
    return np.abs(frequency_hz - order * mains_hz)


def reactance_ohm(impedance_ohm, phase_deg):
    """Reactance of an impedance given by magnitude and phase.

    Parameters
    ----------
    impedance_ohm, phase_deg : float or array
        Magnitude [Ω] and phase of voltage over current [degrees].

    Returns
    -------
    float or array
        X = |Z|·sin φ [Ω]; positive is inductive.

    Examples
    --------
    >>> print(reactance_ohm(10.0, 30.0))
    5.00
    """
    return np.multiply(impedance_ohm, np.sin(np.radians(phase_deg)))


def percent_per_decade(ratio, low_hz, high_hz):
    """Change of an impedance for each tenfold frequency.

    Parameters
    ----------
    ratio : float or array
        Impedance at the high over that at the low frequency.
    low_hz, high_hz : float or array
        The two frequencies [Hz].

    Returns
    -------
    float or array
        Change [% a decade]; negative where the impedance falls.

    Notes
    -----
    100·(ratio^(1/log10(high/low)) − 1): the same change in each decade.

    Examples
    --------
    >>> print(percent_per_decade(0.81, 50.0, 5000.0))
    -10.00
    """
    return 100.0 * (np.power(ratio, 1.0 / np.log10(np.divide(high_hz, low_hz))) - 1.0)


def lead_coupling_uh(length_m, apart_m):
    """Mutual inductance of two parallel test leads.

    Parameters
    ----------
    length_m, apart_m : float or array
        Length over which they run side by side, and distance between them [m].

    Returns
    -------
    float or array
        Mutual inductance [µH].

    Notes
    -----
    M = 0.2·l·(ln(2l/d) − 1) for straight thin leads much longer than they are apart; the current that flows
    back through the soil is left out. Leads laid at right angles do not couple.

    References
    ----------
    F. W. Grover, Inductance Calculations (1946), from Neumann's integral (from memory).

    Examples
    --------
    >>> print(round(lead_coupling_uh(50.0, 1.0)), round(lead_coupling_uh(100.0, 10.0)))
    36 40
    """
    return 0.2 * np.multiply(length_m, np.log(np.divide(np.multiply(2.0, length_m), apart_m)) - 1.0)
