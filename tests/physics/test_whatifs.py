"""What-ifs against the line built anew with the element open, and against hand-made circuits."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.reference.opened_line import carried_current, change_per_ampere, flow_if_open
from towerlib.physics.fault_scan.response import (
    CUT_OFF,
    OPEN_ALREADY,
    UNKNOWN,
    openings,
)
from towerlib.physics.ladder import NO_EARTH, driving_points, ladder, solve

WIRE = 0.4093e-3 + 0.7625e-3j
NAMES = ("wire_v", "tower_v", "footing_a", "wire_a", "station_a")


def rebuilt(parts, station_ohm):
    """Each bond, then each span of the line opened by hand: the lines."""
    footing, bond, span = parts
    for place in range(len(footing)):
        yield ladder(footing, np.where(np.arange(len(footing)) == place, np.inf, bond), span, station_ohm)
    for place in range(len(span)):
        yield ladder(footing, bond, np.where(np.arange(len(span)) == place, np.inf, span), station_ohm)


ohms = st.floats(0.5, 500)


@st.composite
def lines(draw):
    """Draw 1 to 12 towers; worn and open bonds, lost footings, open spans, with and without stations."""
    count = draw(st.integers(1, 12))

    def row(values, size):
        return np.array(draw(st.lists(values, min_size=size, max_size=size)), float)

    footing = row(st.one_of(ohms, ohms, ohms, st.just(np.inf)), count)
    bond = row(st.sampled_from([0.0, 0.0, 0.0, 3.0, np.inf]), count)
    length = row(st.floats(100, 600), count - 1)
    span = np.where(row(st.integers(0, 5), count - 1) == 0, np.inf, 1.0) * length * WIRE.real + 0j
    span = np.where(np.isinf(span), np.inf, length * WIRE)
    return (footing, bond, span), draw(st.sampled_from([(0.4, 0.9), (np.inf, 0.9), (np.inf, np.inf)]))


@settings(deadline=None)
@given(lines())
def test_impedances_are_those_of_the_line_built_anew(drawn):
    parts, station_ohm = drawn
    cases = openings(ladder(*parts, station_ohm))
    points = [driving_points(line) for line in rebuilt(parts, station_ohm)]
    for name in ("wire_ohm", "tower_ohm"):
        anew = np.array([getattr(of, name) for of in points])
        assert getattr(cases, name) == pytest.approx(anew, rel=1e-9, abs=1e-9, nan_ok=True)


@settings(deadline=None)
@given(lines(), st.integers(0, 2**32 - 1))
def test_flows_are_those_of_the_line_built_anew(drawn, seed):
    parts, station_ohm = drawn
    line, rng = ladder(*parts, station_ohm), np.random.default_rng(seed)
    count = len(parts[0])
    # A footing that is lost takes no injected current.
    injected_a = rng.normal(size=(count, 3)) * np.isfinite(parts[0])[:, None]
    emf_v = rng.normal(size=(count - 1, 3)) + 1j * rng.normal(size=(count - 1, 3))
    flow = flow_if_open(line, openings(line), injected_a, emf_v)
    for case, opened in enumerate(rebuilt(parts, station_ohm)):
        anew = solve(opened, injected_a, emf_v)
        for name in NAMES:
            found = getattr(flow, name)[case]
            assert found == pytest.approx(getattr(anew, name), rel=1e-7, abs=1e-7, nan_ok=True), (case, name)


def test_by_the_formula_of_sherman_and_morrison():
    # The formula as printed, on a dense inverse.
    footing, length = np.array([12.0, 30.0, 7.0, 55.0, 18.0]), np.array([300, 420, 250, 380])
    line = ladder(footing, [0.0, 0.0, 4.0, 0.0, 0.0], length * WIRE, (0.5, 0.7))
    g, node_s = line.span_s, line.tower_s + line.station_s
    dense = np.diag(node_s + np.r_[0, g] + np.r_[g, 0]) - np.diag(g, 1) - np.diag(g, -1)
    inverse = np.linalg.inv(dense)
    cases = openings(line)
    ends = [*np.eye(5), *(np.eye(5)[i] - np.eye(5)[i + 1] for i in range(4))]
    for case, (u, c) in enumerate(zip(ends, [*line.tower_s, *g], strict=True)):
        updated = inverse + c * np.outer(inverse @ u, u @ inverse) / (1 - c * (u @ inverse @ u))
        assert cases.wire_ohm[case] == pytest.approx(np.diag(updated), rel=1e-10)
        assert cases.rise_ohm[case] == pytest.approx(updated @ u, rel=1e-10)


def test_three_towers_by_hand():
    # Footings of 10 Ω, spans of 10 Ω; a bond of the middle tower opened: 10 beside 10 + 10 + 10 at the ends.
    cases = openings(ladder(np.full(3, 10.0), 0.0, [10.0, 10.0]), bonds=[1], spans=[0])
    assert cases.tower_ohm[0] == pytest.approx([7.5, 10.0, 7.5])
    # The wire above the middle tower: 20 beside 20.
    assert cases.wire_ohm[0, 1] == pytest.approx(10.0)
    # The first span opened: 10 alone, then 10 beside 20.
    assert cases.tower_ohm[1] == pytest.approx([10.0, 20 / 3, 20 / 3])
    assert cases.kind.tolist() == ["bond", "span"]
    assert cases.position.tolist() == [1, 0]
    assert cases.remark.tolist() == ["", ""]


def test_a_fault_beside_an_open_span_by_hand():
    # 100 A into the middle tower; with the first span open, 10 Ω beside 20 Ω.
    line = ladder(np.full(3, 10.0), 0.0, [10.0, 10.0])
    flow = flow_if_open(line, openings(line, bonds=[], spans=[0]), [0.0, 100.0, 0.0])
    assert flow.tower_v[0] == pytest.approx([0.0, 2000 / 3, 1000 / 3])
    assert flow.wire_a[0] == pytest.approx([0.0, 100 / 3])
    assert flow.footing_a[0] == pytest.approx([0.0, 200 / 3, 100 / 3])


def test_an_emf_in_the_opened_span_drives_nothing():
    line = ladder(np.full(3, 10.0), 0.0, [10.0, 10.0])
    flow = flow_if_open(line, openings(line, bonds=[], spans=[0]), span_emf_v=[60.0, 0.0])
    for name in NAMES:
        assert np.abs(getattr(flow, name)).max() < 1e-12


def test_what_is_cut_off_is_named():
    # Only the first tower holds the wire: its bond holds all, each span what is behind it.
    line = ladder(np.full(3, 10.0), [0.0, np.inf, np.inf], [1.0, 1.0])
    cases = openings(line)
    assert cases.remark.tolist() == [CUT_OFF, OPEN_ALREADY, OPEN_ALREADY, CUT_OFF, CUT_OFF]
    unknown = np.isnan(cases.wire_ohm)
    assert unknown[0].all()
    assert unknown[3].tolist() == [False, True, True]
    assert unknown[4].tolist() == [False, False, True]
    assert not unknown[1:3].any()
    assert cases.tower_ohm == pytest.approx(np.full((5, 3), 10.0))
    flow = flow_if_open(line, cases, [1.0, 0.0, 0.0])
    assert flow.tower_v[:, 0] == pytest.approx(np.full(5, 10.0))
    assert np.isnan(flow.wire_v[4]).tolist() == [False, False, True]


def test_what_was_cut_off_before_is_named():
    line = ladder(np.full(4, 10.0), [0.0, 0.0, np.inf, np.inf], [1.0, np.inf, 1.0])
    cases = openings(line)
    bonds, spans = ["", "", OPEN_ALREADY, OPEN_ALREADY], ["", OPEN_ALREADY, NO_EARTH]
    assert cases.remark.tolist() == bonds + spans
    flow = flow_if_open(line, cases, [1.0, 0.0, 0.0, 0.0])
    assert flow.tower_v[0] == pytest.approx([10.0, 0.0, 0.0, 0.0])
    assert np.isnan(flow.wire_v).tolist() == [[False, False, True, True]] * 7


def test_opening_what_is_open_changes_nothing_at_all():
    line = ladder([10.0, 20.0, 30.0], [0.0, np.inf, 0.0], [1.0, np.inf], (0.5, 0.5))
    cases, drive = openings(line, bonds=[1], spans=[1]), (np.array([1.0, 2.0, 3.0]), np.array([1.0, 2.0]))
    assert cases.remark.tolist() == [OPEN_ALREADY, OPEN_ALREADY]
    assert (cases.rise_ohm == 0).all()
    for name in NAMES:
        assert (getattr(change_per_ampere(line, cases), name) == 0).all(), name
    flow, base = flow_if_open(line, cases, *drive), solve(line, *drive)
    for name in NAMES:
        assert (getattr(flow, name) == getattr(base, name)).all(), name


def test_an_unknown_footing_is_named():
    cases = openings(ladder([10.0, np.nan, 10.0], 0.0, [1.0, 1.0]))
    assert set(cases.remark) == {UNKNOWN}
    assert np.isnan(cases.wire_ohm).all()


def test_elements_that_the_line_does_not_have():
    line = ladder(np.full(3, 10.0), 0.0, [1.0, 1.0])
    with pytest.raises(ValueError, match=r"the line has 3 bonds, 0 to 2: there is no bond \[3\]"):
        openings(line, bonds=[3])
    with pytest.raises(ValueError, match=r"the line has 2 spans, 0 to 1: there is no span \[-1\]"):
        openings(line, spans=-1)


def test_some_elements_are_rows_of_all():
    line = ladder([10.0, 20.0, 30.0, 40.0], [0.0, 5.0, 0.0, 0.0], np.full(3, 300 * WIRE), (0.5, np.inf))
    every, some = openings(line), openings(line, bonds=[2, 0], spans=[1])
    rows = [2, 0, 5]
    for name in ("kind", "position", "rise_ohm", "wire_ohm", "tower_ohm", "remark"):
        assert (getattr(some, name) == getattr(every, name)[rows]).all(), name


def test_one_tower_and_none_to_open():
    line = ladder([10.0], 0.0, [], (5.0, np.inf))
    cases = openings(line)
    assert cases.tower_ohm.tolist() == [[10.0]]
    assert cases.wire_ohm.real.tolist() == [[5.0]]
    assert openings(line, bonds=[]).tower_ohm.shape == (0, 1)
    assert flow_if_open(line, openings(line, bonds=[]), [1.0]).tower_v.shape == (0, 1)


def test_change_times_current_is_the_change():
    line = ladder([10.0, 20.0, 30.0], 0.0, np.full(2, 300 * WIRE), (0.5, 0.5))
    cases, drive = openings(line), (np.array([0.0, 5.0, 0.0]), np.array([1.0, 2.0]))
    base = solve(line, *drive)
    carried_a = carried_current(line, cases, base, drive[0])
    # Kirchhoff at the middle node of the wire: what comes by the first span goes into the tower and the second.
    assert carried_a[3] == pytest.approx(carried_a[1] + carried_a[4])
    # An element that opens loses all that it carried.
    change = change_per_ampere(line, cases)
    assert np.diag(change.footing_a[:3]) == pytest.approx([-1.0, -1.0, -1.0])
    assert np.diag(change.wire_a[3:]).tolist() == [-1.0, -1.0]
    changed = base.footing_a + change.footing_a * carried_a[:, None]
    assert changed == pytest.approx(flow_if_open(line, cases, *drive).footing_a)


@settings(deadline=None)
@given(lines())
def test_opening_never_lowers_a_reading_of_a_resistive_line(drawn):
    # Rayleigh's monotonicity law.
    (footing, bond, span), station_ohm = drawn
    line = ladder(footing, bond, span.real, station_ohm)
    before, after = driving_points(line).tower_ohm.real, openings(line).tower_ohm.real
    assert (after >= before * (1 - 1e-9))[~np.isnan(after)].all()


def test_a_long_line_keeps_its_digits():
    rng = np.random.default_rng(3)
    parts = (np.exp(rng.normal(2.7, 0.8, 1000)), np.zeros(1000), WIRE * rng.uniform(200, 500, 999))
    line = ladder(*parts, (0.4, 0.9))
    cases = openings(line)
    for case, opened in enumerate(rebuilt(parts, (0.4, 0.9))):
        if case % 97 == 0:
            assert cases.tower_ohm[case] == pytest.approx(driving_points(opened).tower_ohm, rel=1e-10)
