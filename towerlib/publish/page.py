"""The page of a picture, measured in millimetres: heading, notes at the foot, panels, legend."""

from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.transforms import Affine2D

from towerlib.publish import lettering, style

WIDTH_MM = 180  # A4 upright with margins: pictures print at their own size
HEAD_MM = 14
MARGIN_MM = 4
LINE_MM = 3.4  # one line of small type


def millimetres(figure):
    """Transform from millimetres on the page, origin at the bottom left, to the figure.

    Parameters
    ----------
    figure : matplotlib.figure.Figure
        The page.

    Returns
    -------
    matplotlib.transforms.Transform
    """
    return Affine2D().scale(1 / 25.4) + figure.dpi_scale_trans


def write(figure, x_mm, y_mm, text, *, size=style.SMALL_PT, **looks):
    """One text at a place on the page (changes the figure).

    Parameters
    ----------
    figure : matplotlib.figure.Figure
        The page.
    x_mm, y_mm : float
        Place [mm].
    text : str
        Text.
    size : float
        Type size [pt].
    **looks
        Passed to the text.
    """
    figure.text(x_mm, y_mm, text, transform=millimetres(figure), fontsize=size, **looks)


def sheet(body_mm, title, subtitle, notes=(), *, width=WIDTH_MM):
    """Page with its heading and its notes; the body is left free.

    Parameters
    ----------
    body_mm : float
        Height between heading and notes [mm].
    title, subtitle : str
        Heading; cut to the width.
    notes : iterable of str
        Sentences at the foot; blank ones are left out.
    width : float
        Width of the page [mm].

    Returns
    -------
    figure : matplotlib.figure.Figure
        Not known to pyplot.
    foot_mm : float
        Where the body starts, from the bottom [mm].
    """
    room = width - 2 * MARGIN_MM
    lines = [line for note in notes if note for line in lettering.wrapped(note, room)]
    foot = MARGIN_MM + LINE_MM * len(lines)
    height = foot + body_mm + HEAD_MM
    figure = Figure(figsize=(width / 25.4, height / 25.4), dpi=style.DPI, facecolor="white")
    FigureCanvasAgg(figure)
    title = lettering.shortened(title, room, style.TITLE_PT, "bold")
    subtitle = lettering.shortened(subtitle, room, style.TEXT_PT)
    write(figure, MARGIN_MM, height - 4, title, size=style.TITLE_PT, weight="bold", va="top")
    write(figure, MARGIN_MM, height - 9, subtitle, size=style.TEXT_PT, va="top")
    for row, line in enumerate(lines):
        write(figure, MARGIN_MM, foot - 1 - LINE_MM * row, line, va="top", color="#444444")
    return figure, foot


def panel(figure, left_mm, bottom_mm, wide_mm, high_mm):
    """Axes at a place on the page.

    Parameters
    ----------
    figure : matplotlib.figure.Figure
        The page (a panel is added to it).
    left_mm, bottom_mm, wide_mm, high_mm : float
        Place and size [mm].

    Returns
    -------
    matplotlib.axes.Axes
    """
    wide, high = figure.get_size_inches() * 25.4
    return figure.add_axes((left_mm / wide, bottom_mm / high, wide_mm / wide, high_mm / high))


def blank(title, sentence):
    """Page that says in words what is missing.

    Parameters
    ----------
    title, sentence : str
        What the picture would show, and why it cannot.

    Returns
    -------
    matplotlib.figure.Figure

    Examples
    --------
    >>> print(blank("Leakage", "No leg currents were measured.").texts[-1].get_text())
    No leg currents were measured.
    """
    with style.house():
        lines = lettering.wrapped(sentence, WIDTH_MM - 4 * MARGIN_MM, style.TEXT_PT)
        figure, foot = sheet(16 + LINE_MM * len(lines), title, "Nothing to draw yet")
        for row, line in enumerate(lines):
            write(figure, 2 * MARGIN_MM, foot + 8 + LINE_MM * (len(lines) - row), line, size=style.TEXT_PT)
        return figure


def legend(figure, handles, left_mm, y_mm, room_mm, *, corner="lower left"):
    """Legend in as many columns as the room takes, one at least (changes the figure).

    Parameters
    ----------
    figure : matplotlib.figure.Figure
        The page.
    handles : list of artists
        Labelled artists.
    left_mm, y_mm : float
        Place of the corner [mm].
    room_mm : float
        Width there is [mm].
    corner : str
        ``lower left`` or ``upper left``.

    Returns
    -------
    float
        Where the legend ends at the top, from the bottom of the page [mm].
    """
    looks = {"loc": corner, "bbox_to_anchor": (left_mm, y_mm), "bbox_transform": millimetres(figure)}
    for columns in range(len(handles), 0, -1):
        box = figure.legend(handles=handles, ncols=columns, borderpad=0, borderaxespad=0, **looks)
        extent = box.get_window_extent(figure.canvas.get_renderer())
        if extent.width * lettering.COARSE <= room_mm * figure.dpi / 25.4 or columns == 1:
            return extent.y1 * 25.4 / figure.dpi
        box.remove()
    return y_mm
