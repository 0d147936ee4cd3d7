"""Pictures of a stretch of the line: its evidence side by side, and a what-if against what was read.

Every function gives a Matplotlib figure that pyplot does not know of: ``figure.savefig(path, **style.PNG)``.
"""

import numpy as np

from towerlib import whatif
from towerlib.publish import lettering, page, shown, span_axis, span_case, span_words, style
from towerlib.publish.span_cells import draw_histories, draw_sweeps
from towerlib.publish.span_map import draw_map
from towerlib.publish.span_panels import (
    draw_currents,
    draw_pair,
    draw_profile,
    draw_shares,
    measured_handles,
)

PANELS = [(draw_map, 32), (draw_profile, 50), (draw_currents, 38), (draw_shares, 42)]
CELLS = [(draw_histories, 44), (draw_sweeps, 40)]
MISSING_MM = 14  # a panel that only says what is missing
CAUTION = (
    "Inspect bonds and shield wires under the utility's licensed procedure; never open a bond for a test."
)
ASSUMED = (
    "Expected values come from the ladder of the line; its wires are known to some 8 %, and a reading in service "
    "depends on the load, which is not known."
)
NOTHING = "Behind an open bond nothing is expected in service: the line leaves the panel downwards."


def span_picture(line, stretch, change=None):
    """Evidence on a stretch: map, footings, leg currents, leg shares, histories and sweeps over one chainage axis.

    Parameters
    ----------
    line : LineCase
        As of `towerlib.publish.span_case.line_case`.
    stretch : Stretch
        Which towers.
    change : Change, optional
        What-if that stands beside the expected shares; else what the network analysis suspects there.

    Returns
    -------
    matplotlib.figure.Figure
        One A4 page upright, less its margins.
    """
    found = span_case.span_case(line, stretch, change)
    notes = [f"Here {shown.GAP_MEANING}", "Yellow: suspected by the network analysis.", ASSUMED, CAUTION]
    few = len(found.towers) <= span_case.MOST_CELLS
    cells = CELLS if few else [(draw, MISSING_MM) for draw, _ in CELLS]
    return _page(found, "Evidence along a stretch of the line", PANELS + cells, notes)


def whatif_picture(line, stretch, change):
    """What a stretch would read as recorded and with a change, against what was read.

    Parameters
    ----------
    line, stretch, change : LineCase, Stretch, Change
        The line, which towers, what differs.

    Returns
    -------
    matplotlib.figure.Figure
        Impedance without coils, share in the legs, total in service; a blank page with the reason where the
        line cannot be seen as a ladder.
    """
    title = "What a stretch would read"
    if line.case is None:
        return page.blank(title, line.why_not)
    found = span_case.span_case(line, stretch, change)
    title = f"What if: {span_case.change_words(line, change)}"
    panels = [(_draw_no_coils, 52), (draw_shares, 48), (_draw_service, 52)]
    return _page(found, title, panels, [span_words.drive_words(found), ASSUMED, NOTHING, CAUTION])


def _page(found, title, panels, notes):
    """Page with panels one under the other."""
    body = sum(high for _, high in panels)
    ends = f"km {found.stretch.from_km:.2f} to {found.stretch.to_km:.2f}"
    names = lettering.listed(found.tower_id[:1]), lettering.listed(found.tower_id[-1:])
    subtitle = (
        f"{found.line.study.line.title}: {ends}, towers {names[0]} to {names[1]}, {found.line.study.month}"
    )
    with style.house():
        figure, foot = page.sheet(body, title, subtitle, notes)
        span_axis.rows_of(figure, found, panels, foot + body)
        return figure


def _draw_no_coils(figure, place, found):
    """Draw the impedances without coils, measured and expected."""
    table = found.compared
    axes = span_axis.panel(
        figure,
        place,
        found,
        "Impedance without coils, measured and expected [Ω]",
        measured_handles(found, table["injected_old"]),
    )
    values = table[["no_coils_ohm", "no_coils_ohm_now", "no_coils_ohm_then"]].to_numpy(float)
    span_axis.log_scale(axes, values)
    draw_pair(axes, found, "no_coils_ohm", table["injected_old"])
    axes.set_ylabel("Ω")


def _draw_service(figure, place, found):
    """Draw the totals in service, measured and expected at the drive that explains them best."""
    table, drive_a = found.compared, whatif.likely_drive(found.compared)
    known = np.isfinite(drive_a)
    words = f"at {drive_a:.3g} A forced through the wires" if known else "for 1 A forced through the wires"
    head = f"Total in service, measured and expected {words} [mA]"
    axes = span_axis.panel(figure, place, found, head, measured_handles(found, table["total_old"]))
    factor = drive_a if known else 1.0
    expected = factor * table[["ambient_ma_per_a_now", "ambient_ma_per_a_then"]].to_numpy(float)
    values = np.r_[expected.ravel(), table["total_ma"]]
    span_axis.log_scale(axes, values)
    draw_pair(axes, found, "ambient_ma_per_a", table["total_old"], factor)
    axes.set_ylabel("mA")
