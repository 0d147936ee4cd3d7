"""Figures in sentences."""


def figure(value, digits=2):
    """A number to so many significant figures, without powers of ten.

    Parameters
    ----------
    value : float
        Finite.
    digits : int
        Significant figures.

    Returns
    -------
    str

    Examples
    --------
    >>> figure(557.2), figure(0.0612), figure(12.34, 3)
    ('560', '0.061', '12.3')
    """
    return f"{float(f'{value:.{digits}g}') + 0.0:.10g}"  # + 0.0: no minus before a nought
