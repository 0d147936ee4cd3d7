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
