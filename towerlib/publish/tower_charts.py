"""Pictures of one tower: leg currents, leg shares, readings over the years, sweeps; for the engineer who judges its case.

Every function gives a Matplotlib figure that pyplot does not know of: ``figure.savefig(path, **style.PNG)``.
"""

import pandas as pd

from towerlib.publish import lettering, page, shown, style
from towerlib.publish.tower_case import case
from towerlib.publish.tower_history import draw_history, has_history, works_words
from towerlib.publish.tower_panels import draw_legs, draw_sweeps, has_legs, has_sweeps
from towerlib.publish.tower_share import MEANING as SHARE_MEANING
from towerlib.publish.tower_share import draw_share, has_share

PAGE_HIGH_MM = 267  # A4 less its margins
MISSING_MM = 15  # a panel that only says what is missing
HISTORY_MM = 56, 110  # least and most height of the panel that takes what is left of the page
PANELS = {  # how to draw it, whether there is anything, and its height [mm]
    "legs": (draw_legs, has_legs, 62),
    "share": (draw_share, has_share, 25),
    "history": (draw_history, has_history, 80),
    "sweeps": (draw_sweeps, has_sweeps, 60),
}
MEANINGS = {
    "legs": f"Here {shown.GAP_MEANING} A ring, a reversed coil or a quiet stretch of line shows the same.",
    "share": SHARE_MEANING,
    "history": "Grey line at a reading: where the footing may lie in other seasons; no reading is changed.",
    "sweeps": "A sweep tells no impulse impedance and nothing above its own highest frequency.",
}
CAUTION = "Inspect a bond under the utility's licensed procedure; never open it for a test."


def tower_picture(tower_id, tables):
    """The case of one tower on a page: evidence, leg currents and shares, readings over the years, sweeps.

    Parameters
    ----------
    tower_id : str
        Name of the tower in the register.
    tables : Tables
        Tables of its line, as `towerlib.publish.tower_case.tables_of` gives them.

    Returns
    -------
    matplotlib.figure.Figure
        One A4 page upright, less its margins. A panel without readings says what is missing.

    Raises
    ------
    SettingsError
        No such tower on the line.
    """
    return _page(case(tower_id, tables), list(PANELS))


def legs_chart(tower_id, tables):
    """Leg currents of the newest visit that read them, their sum, vector total and gap.

    Parameters
    ----------
    tower_id, tables : str, Tables
        As for `tower_picture`.

    Returns
    -------
    matplotlib.figure.Figure
    """
    return _page(case(tower_id, tables), ["legs"])


def history_chart(tower_id, tables):
    """Impedance readings over the years, with seasonal bands, limits and treatments.

    Parameters
    ----------
    tower_id, tables : str, Tables
        As for `tower_picture`.

    Returns
    -------
    matplotlib.figure.Figure
    """
    return _page(case(tower_id, tables), ["history"])


def sweep_chart(tower_id, tables):
    """Impedance over frequency of each sweep, the newest of the footing alone strong.

    Parameters
    ----------
    tower_id, tables : str, Tables
        As for `tower_picture`.

    Returns
    -------
    matplotlib.figure.Figure
    """
    return _page(case(tower_id, tables), ["sweeps"])


def _page(found, names):
    """Page with the evidence of a tower and some of the panels, one under the other."""
    room = page.WIDTH_MM - 2 * page.MARGIN_MM
    with style.house():
        evidence = [line for words in found.evidence for line in lettering.wrapped(words, room)]
        notes = [
            *(MEANINGS[name] for name in names),
            works_words(found) if "history" in names else "",
            CAUTION,
        ]
        said = page.LINE_MM * len(evidence)
        lines = sum(len(lettering.wrapped(note, room)) for note in notes if note)
        high = _heights(found, names, said + page.HEAD_MM + page.MARGIN_MM + page.LINE_MM * lines)
        body = sum(high.values()) + said
        title = f"Tower {lettering.one_line(found.tower_id)}"
        figure, foot = page.sheet(body, title, _subtitle(found), notes)
        top = foot + body
        for line in evidence:
            page.write(figure, page.MARGIN_MM, top, line, va="top")
            top -= page.LINE_MM
        for name in names:
            PANELS[name][0](figure, (top - high[name], top), found)
            top -= high[name]
        return figure


def _heights(found, names, around_mm):
    """Height of each panel [mm]; on the full page the history takes what the others leave."""
    high = {name: PANELS[name][2] if PANELS[name][1](found) else MISSING_MM for name in names}
    if len(names) == len(PANELS) and has_history(found):
        left = PAGE_HIGH_MM - around_mm - sum(high.values()) + high["history"]
        high["history"] = min(max(left, HISTORY_MM[0]), HISTORY_MM[1])
    return high


def _subtitle(found):
    """Line, and what the register says of the tower."""
    tower = found.condition
    joined = pd.notna(tower["ring"]) and bool(tower["ring"])
    return ", ".join(
        [
            f"{found.title}: km {tower['chainage_km']:.1f}",
            *([str(tower["structure"])] if isinstance(tower["structure"], str) else []),
            *(["a ring or counterpoise joins the legs"] if joined else []),
        ]
    )
