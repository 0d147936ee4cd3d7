"""Units as crews write them in a cell, and the factor to the unit that a column is kept in."""

from functools import cache

from towerlib.values import number

_PREFIXES = {"": 1.0, "µ": 1e-6, "μ": 1e-6, "u": 1e-6, "m": 1e-3, "c": 1e-2, "k": 1e3, "K": 1e3, "M": 1e6}
_UNITS = {  # quantity: names in lower case, and the prefixes that occur in the trade
    "impedance": (("ω", "ohm", "ohms"), "µμumkKM"),
    "resistivity": (("ωm", "ohmm", "ohmmetre", "ohmmetres", "ohmmeter", "ohmmeters"), "mkK"),
    "current": (("a", "amp", "amps", "ampere", "amperes"), "µμumkK"),
    "voltage": (("v", "volt", "volts"), "µμumkK"),
    "frequency": (("hz", "hertz"), "kKM"),
    "length": (("m", "metre", "metres", "meter", "meters"), "mckK"),
    "angle": (("°", "deg", "degree", "degrees"), ""),
    "duration": (("s", "sec", "secs", "second", "seconds"), "m"),
    "percentage": (("%", "percent", "pct", "prozent"), ""),
}
_SPELT_OUT = {
    **dict.fromkeys(("kiloohm", "kiloohms", "kilohm", "kilohms"), ("impedance", 1e3)),
    **dict.fromkeys(("megaohm", "megaohms", "megohm", "megohms"), ("impedance", 1e6)),
    **dict.fromkeys(("milliohm", "milliohms"), ("impedance", 1e-3)),
    **dict.fromkeys(("milliamp", "milliamps", "milliampere", "milliamperes"), ("current", 1e-3)),
    **dict.fromkeys(("kilometre", "kilometres", "kilometer", "kilometers"), ("length", 1e3)),
    **dict.fromkeys(("ωcm", "ohmcm"), ("resistivity", 1e-2)),
    **dict.fromkeys(("ft", "foot", "feet"), ("length", number("foot_m"))),
}
_JOINTS = str.maketrans("", "", " .·⋅*-_")


@cache
def find(written):
    """Quantity and size of a unit as written in a cell.

    Parameters
    ----------
    written : str
        Such as ``"kΩ"``, ``"mOhm"``, ``"ft"``. Small and capital letters count only where m is milli and M is
        mega.

    Returns
    -------
    tuple of (str, float) or None
        Quantity, and factor to its unprefixed SI unit (degree, percent); None for a unit that is not known.

    References
    ----------
    BIPM, The International System of Units, 9th edition (2019), table 7: names and symbols of the prefixes.

    Examples
    --------
    >>> find("kΩ"), find("mA"), find("furlong")
    (('impedance', 1000.0), ('current', 0.001), None)
    """
    joined = written.translate(_JOINTS)
    if joined.lower() in _SPELT_OUT:
        return _SPELT_OUT[joined.lower()]
    for prefix, size in _PREFIXES.items():
        name = joined.removeprefix(prefix).lower()
        for quantity, (names, prefixes) in _UNITS.items():
            if joined.startswith(prefix) and prefix in prefixes and name in names:
                return quantity, size
    return None


def factor(written, target):
    """Factor from a unit as written to the unit of the column.

    Parameters
    ----------
    written : str
        Unit in the cell; ``""`` for none, which means the unit of the column.
    target : str
        Unit of the column; ``"1"`` takes no unit.

    Returns
    -------
    float
        NaN where the unit is unknown or belongs to another quantity.

    Examples
    --------
    >>> factor("A", "mA"), factor("V", "mA")
    (1000.0, nan)
    """
    if written == "":
        return 1.0
    here, there = find(written), find(target)
    if here is None or there is None or here[0] != there[0]:
        return float("nan")
    return here[1] / there[1]
