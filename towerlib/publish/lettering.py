"""How texts fit their room on the page: numbers in plain figures, widths, cuts, line breaks, lists of ids."""

from matplotlib.font_manager import FontProperties
from matplotlib.textpath import text_to_path

from towerlib.publish.style import SMALL_PT

COARSE = 1.08  # letters snapped to pixels are up to so much wider (measured from 72 to 300 dots an inch)


def plain(number):
    """Three figures of a number, never with an exponent.

    Parameters
    ----------
    number : float
        Any number.

    Returns
    -------
    str

    Examples
    --------
    >>> plain(48.26), plain(0.05), plain(12345.0)
    ('48.3', '0.05', '12345')
    """
    number = number + 0.0  # no "−0"
    return (f"{number:.0f}" if abs(number) >= 100 else f"{number:.3g}").replace("-", "−")


def one_line(text):
    r"""Text without line breaks, so that one label stays one line.

    Parameters
    ----------
    text : str
        Any text.

    Returns
    -------
    str

    Examples
    --------
    >>> one_line("T12\nbis")
    'T12 bis'
    """
    return " ".join(str(text).split())


def width_mm(text, size=SMALL_PT, weight="normal"):
    """Room that a text needs on the page, however coarse the pixels are.

    Parameters
    ----------
    text : str
        One line.
    size : float
        Type size [pt].
    weight : str
        ``normal`` or ``bold``.

    Returns
    -------
    float
        Width [mm].

    Examples
    --------
    >>> print(round(width_mm("T12"), 1))
    5.0
    """
    font = FontProperties(family="DejaVu Sans", size=size, weight=weight)
    return text_to_path.get_text_width_height_descent(text, font, ismath=False)[0] * COARSE * 25.4 / 72


def shortened(text, room_mm, size=SMALL_PT, weight="normal"):
    """Text cut to the room it has, with an ellipsis in the place of what is left out.

    Parameters
    ----------
    text : str
        Any text; line breaks become spaces.
    room_mm, size, weight : float, float, str
        Room [mm], type size [pt] and weight.

    Returns
    -------
    str

    Examples
    --------
    >>> shortened("T12", 20), shortened("a very long name of a station", 20)
    ('T12', 'a very long…')
    """
    text = one_line(text)
    if width_mm(text, size, weight) <= room_mm:
        return text
    fits = [end for end in range(len(text)) if width_mm(text[:end] + "…", size, weight) <= room_mm]
    return text[: max(fits, default=0)].rstrip() + "…"


def wrapped(text, room_mm, size=SMALL_PT):
    """Lines of a text, none wider than the room.

    Parameters
    ----------
    text : str
        Any text.
    room_mm, size : float
        Room [mm] and type size [pt].

    Returns
    -------
    list of str

    Examples
    --------
    >>> wrapped("a text of several words", 15)
    ['a text of', 'several', 'words']
    """
    lines = [""]
    for word in str(text).split():
        longer = f"{lines[-1]} {word}".strip()
        if width_mm(longer, size) <= room_mm or not lines[-1]:
            lines[-1] = longer
        else:
            lines.append(word)
    return [shortened(line, room_mm, size) for line in lines]


def listed(ids, most=6):
    """First few ids in words, and how many more.

    Parameters
    ----------
    ids : iterable of str
        Tower ids.
    most : int
        How many to name.

    Returns
    -------
    str

    Examples
    --------
    >>> listed(["T1", "T2", "T3"], most=2)
    'T1, T2 and 1 more'
    """
    ids = [one_line(name) for name in ids]
    more = f" and {len(ids) - most} more" if len(ids) > most else ""
    return ", ".join(ids[:most]) + more
