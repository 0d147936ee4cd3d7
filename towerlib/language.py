"""Small words that sentences share."""


def counted(count, noun):
    """A number with its noun, in the plural where there is not one.

    Parameters
    ----------
    count : int
    noun : str
        In the singular; the plural takes an s.

    Returns
    -------
    str

    Examples
    --------
    >>> counted(1, "tower"), counted(3, "price row")
    ('1 tower', '3 price rows')
    """
    return f"{count} {noun}{'' if count == 1 else 's'}"


def grouped(amount, digits=0, mark=" "):
    """An amount with its digits in groups of three.

    Parameters
    ----------
    amount : float
    digits : int
        Behind the point.
    mark : str
        Between the groups; pages take a narrow space that does not break.

    Returns
    -------
    str

    Examples
    --------
    >>> grouped(249477.0), grouped(1234.56, 1)
    ('249 477', '1 234.6')
    """
    return f"{amount:,.{digits}f}".replace(",", mark)
