"""Words that crews write in place of a value, and how a sentence quotes a cell."""

from towerlib.records.parsed import each_text

_JOINTS = str.maketrans("", "", " .-_/\\<>=\u2010\u2011\u2012\u2013\u2014\u2015\u2212\ufeff\u200b")
_SHOWN_LENGTH = 40


def word_key(text):
    """One word or phrase as the word lists hold it: lower case, without dots, spaces, dashes and slashes.

    Parameters
    ----------
    text : str
        One cell.

    Returns
    -------
    str
        Possibly empty, for a cell of dashes.

    Examples
    --------
    >>> word_key("N.A."), word_key("nicht gemessen"), word_key("—")
    ('na', 'nichtgemessen', '')
    """
    return text.lower().translate(_JOINTS)


def phrases(*written):
    """Words and phrases as `word_key` leaves them, to look cells up in.

    Parameters
    ----------
    *written : str
        As people write them.

    Returns
    -------
    frozenset of str
        Their keys.

    Examples
    --------
    >>> word_key("O.L.") in phrases("ol", "over range")
    True
    """
    return frozenset(word_key(one) for one in written)


# A cell of dashes alone has the key "".
NOT_MEASURED = phrases(
    *("", "n/a", "nan", "nat", "null", "none", "n.m.", "n.d.", "not measured", "not tested", "not taken"),
    *("not recorded", "not available", "not applicable", "no reading", "no data", "no value"),
    *(
        "n.g.",
        "nicht gemessen",
        "nicht geprüft",
        "keine Messung",
        "ohne Messung",
        "keine Angabe",
        "kein Wert",
    ),
    *("non mesuré", "non mesure", "pas mesuré", "pas mesure", "non relevé", "non releve"),
    *("no medido", "sin medir", "sin dato", "sin datos"),
    *("não medido", "nao medido", "sem medição", "sem medicao", "sem dados"),
)
SAME_AS_BEFORE = phrases(
    *("same", "same as last", "same as before", "same as above", "same as previous", "as above", "as before"),
    *("ditto", "do.", '"', "''", "″", "〃", "dito", "idem", "wie vorher", "wie zuvor", "wie oben"),
    *("comme avant", "igual que antes", "igual anterior", "como antes", "como anterior"),
)


def shown(text):
    """The text as a sentence quotes it: in quotes, cut when long.

    Parameters
    ----------
    text : Series of str
        The cells.

    Returns
    -------
    Series of str
        Same index.

    Examples
    --------
    >>> import pandas as pd
    >>> shown(pd.Series(["3 V"], dtype="str")).tolist()
    ["'3 V'"]
    """
    long = text.str.len() > _SHOWN_LENGTH
    return "'" + text.where(~long, text.str.slice(0, _SHOWN_LENGTH) + "…") + "'"


def unread(text, complaint):
    """Why each cell that no reader understood is a problem; ``""`` where it says that nothing was measured.

    Parameters
    ----------
    text : Series of str
        The cells left over, none of them blank.
    complaint : str or Series of str
        What follows the quoted cell: what it is not, and what to write instead.

    Returns
    -------
    Series of str
        Same index.

    Examples
    --------
    >>> import pandas as pd
    >>> unread(pd.Series(["n/a", "soon"], dtype="str"), "is not a date.").tolist()
    ['', "'soon' is not a date."]
    """
    key = each_text(text, word_key)
    sentence = shown(text) + " " + complaint
    again = shown(text) + " points to another row; write out what was found here, or leave the cell empty."
    return sentence.mask(key.isin(SAME_AS_BEFORE), again).mask(key.isin(NOT_MEASURED), "")
