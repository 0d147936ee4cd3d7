"""What-ifs of a line against Kirchhoff's laws, closed forms, and the theorem of uniform induction."""

from dataclasses import replace

import network_lines
import numpy as np
import pandas as pd
import pytest

from towerlib.network import what_if
from towerlib.network.model import LineModel
from towerlib.network.what_if import Stretch
from towerlib.physics.overhead_line import Wires

N = 40
MID = 20


def case_of(footing_ohm, *, hertz=128.0, stations=(0.4, 0.9), read=True):
    """A line of the wire and the soil of `network_lines`, every footing read with 5 %."""
    count = len(footing_ohm)
    wires = Wires(np.array([0.0]), np.array([30.0]), np.array([5e-3]), np.array([0.36e-3]))
    model = LineModel(
        tower_id=np.array([str(k + 1) for k in range(count)], object),
        footing_ohm=footing_ohm,
        footing_low_ohm=footing_ohm * 0.9,
        footing_high_ohm=footing_ohm * 1.1,
        footing_u=np.full(count, 0.05),
        footing_assumed=np.zeros(count, bool),
        bonded=np.ones(count, bool),
        length_m=np.broadcast_to(network_lines.SPAN_M, count - 1).astype(float),
        span_open=np.zeros(count - 1, bool),
        wires=wires,
        resistivity_ohm_m=network_lines.SOIL_OHM_M,
        station_ohm=stations,
    )
    day = pd.Timestamp("2026-06-02") if read else pd.NaT
    measured = pd.DataFrame(
        {
            "tower_id": model.tower_id,
            "chainage_km": 0.3 * np.arange(count),
            "footing_ohm": footing_ohm,
            "no_coils_ohm": np.nan,
            "leg_share": np.nan,
            "injected_date": day,
            "injected_old": False,
            "total_ma": np.nan,
            "total_date": pd.NaT,
            "total_old": False,
        }
    )
    return what_if.Case(model, np.full(count, hertz), 50.0, measured, ())


@pytest.fixture
def footings():
    return np.exp(np.random.default_rng(5).normal(2.7, 0.6, N))


def test_readings_by_the_full_matrix(footings):
    # Towers and wire nodes apart, inverted: Kirchhoff's laws alone (tests/network_lines.py).
    found = what_if.predict(case_of(footings))
    assert found["no_coils_ohm"].to_numpy() == pytest.approx(network_lines.seen_at_towers(footings), rel=1e-4)
    assert (found["leg_share"] * footings).to_numpy() == pytest.approx(found["no_coils_ohm"].to_numpy())


@pytest.mark.parametrize(
    ("change", "anew"),
    [
        (what_if.Change(bonds=(MID,)), {"bonds": {MID: np.inf}}),
        (what_if.Change(spans=(MID,)), {"opened": (MID,)}),
        (what_if.Change(bonds=(3,), spans=(MID,)), {"bonds": {3: np.inf}, "opened": (MID,)}),
    ],
)
def test_what_ifs_by_the_full_matrix(footings, change, anew):
    found = what_if.predict(case_of(footings), change)
    expected = network_lines.seen_at_towers(footings, **anew)
    assert found["no_coils_ohm"].to_numpy() == pytest.approx(expected, rel=1e-4)


def test_another_footing_by_the_full_matrix(footings):
    found = what_if.predict(case_of(footings), what_if.Change(footings=((MID, 2.5),)))
    other = np.where(np.arange(N) == MID, 2.5, footings)
    assert found["no_coils_ohm"].to_numpy() == pytest.approx(network_lines.seen_at_towers(other), rel=1e-4)


def test_the_ladder_long_and_uniform():
    # Z_T = R·Z/√(Z² + 4RZ) in the middle (IEC 60909-3, from memory); one half of the line sees Z_h = −Z/2 + √(Z²/4 + RZ).
    case = case_of(np.full(301, 15.0))
    z = network_lines.wire_ohm_m(128.0) * float(np.mean(case.model.length_m))
    sound = what_if.predict(case)["no_coils_ohm"][150]
    assert sound == pytest.approx(abs(15 * z / np.sqrt(z**2 + 60 * z)), rel=1e-3)
    half = what_if.predict(case, what_if.Change(spans=(150,)))["no_coils_ohm"][150]
    assert half == pytest.approx(abs(-z / 2 + np.sqrt(z**2 / 4 + 15 * z)), rel=1e-3)


def test_an_open_bond_leaves_the_footing_alone(footings):
    found = what_if.predict(case_of(footings), what_if.Change(bonds=(MID,)))
    assert found["leg_share"][MID] == pytest.approx(1.0)
    assert found["no_coils_ohm"][MID] == pytest.approx(footings[MID])
    # The neighbours hardly move: below what an instrument of 5 % tells, or not much above.
    ratio = found["no_coils_ohm"] / what_if.predict(case_of(footings))["no_coils_ohm"]
    assert (ratio.drop(MID) < 1.12).all()
    assert found["ambient_ma_per_a"][MID] == 0


def test_uniform_induction_leaves_footings_alone(footings, monkeypatch):
    # I_f the same in all spans and ends held: V = 0 everywhere, whatever footings and bonds are.
    monkeypatch.setattr("towerlib.network.what_if.number", lambda name: 0.0)
    long = np.tile(footings, 6)
    for change in (what_if.Change(), what_if.Change(bonds=(120,))):
        middle = what_if.predict(case_of(long), change)["ambient_ma_per_a"][110:130]
        assert (middle < 0.01).all()


def test_an_open_span_throws_the_forced_current_into_the_footings(footings, monkeypatch):
    # Kirchhoff: on each side of the gap all of the 1 A goes to earth, footings and station together.
    monkeypatch.setattr("towerlib.network.what_if.number", lambda name: 0.0)
    long = np.tile(footings, 6)
    found = what_if.predict(case_of(long), what_if.Change(spans=(120,)))["ambient_ma_per_a"]
    assert found[[120, 121]].min() > 20
    assert found[121:].sum() >= 1000  # sizes sum to no less than the phasors
    assert found[60:].sum() < 3 * 1000


def test_the_drive_is_found_again(footings):
    case, change = case_of(footings), what_if.Change(spans=(MID,))
    stretch = Stretch(MID - 5, MID + 6, 0, 1)
    case = replace(
        case, measured=case.measured.assign(total_ma=8 * what_if.predict(case, change)["ambient_ma_per_a"])
    )
    compared = what_if.compare(case, change, stretch)
    drive_a, spread = what_if.drive(compared, "then")
    assert (drive_a, spread) == pytest.approx((8.0, 1.0))
    assert what_if.drive(compared, "now")[0] > 200
    assert what_if.likely_drive(compared) == pytest.approx(8.0)
    none = compared.assign(total_old=True)
    assert np.isnan(what_if.likely_drive(none))


def test_old_readings():
    dates = pd.Series(pd.to_datetime(["2026-06-01", "2024-06-01", "2024-05-31", None]))
    assert what_if.is_old(dates).tolist() == [False, False, True, False]


def test_the_injected_test_at_the_tower_tells_an_open_bond(footings):
    change, stretch = what_if.Change(bonds=(MID,)), Stretch(MID - 4, MID + 4, 0, 1)
    found = what_if.telling(case_of(footings), change, stretch)
    best = found.iloc[0]
    assert (best["tower_id"], best["reading"]) in {
        (str(MID + 1), "share in the legs"),
        (str(MID + 1), "without coils"),
    }
    assert best["what_if"] > 5 * best["as_recorded"]
    # Its neighbours tell far less: they move by some per cent.
    others = found[(found["tower_id"] != best["tower_id"])]
    assert others["apart"].max() < best["apart"] / 5


def test_a_reading_with_coils_tells_nothing_of_bonds_and_spans(footings):
    # With all coils on, only the footing counts: it is the same with the bond open.
    for change in (what_if.Change(bonds=(MID,)), what_if.Change(spans=(MID,))):
        found = what_if.telling(case_of(footings), change, Stretch(MID - 4, MID + 4, 0, 1))
        assert found.loc[found["reading"] == "with leg coils", "apart"].max() < 1e-9


def test_a_reading_with_coils_tells_another_footing_best(footings):
    change = what_if.Change(footings=((MID, footings[MID] / 3),))
    best = what_if.telling(case_of(footings), change, Stretch(MID - 4, MID + 4, 0, 1)).iloc[0]
    assert (best["tower_id"], best["reading"]) == (str(MID + 1), "with leg coils")
    assert best["as_recorded"] / best["what_if"] == pytest.approx(3, rel=0.05)
    assert np.isnan(best["apart_rival"])


def test_currents_in_service_tell_an_open_span_and_no_open_bond(footings):
    # Mid-line, uniform induction: an open span is seen in service, an open bond is not.
    case, stretch = case_of(np.tile(footings, 2)), Stretch(MID - 4, MID + 5, 0, 1)
    apart = {}
    for name in ("bonds", "spans"):
        found = what_if.telling(case, what_if.Change(**{name: (MID,)}), stretch, 8.0)
        apart[name] = found.loc[found["reading"] == "total in service", "apart"].max()
    assert apart["spans"] > 3 * apart["bonds"]
    assert "total in service" not in set(
        what_if.telling(case, what_if.Change(spans=(MID,)), stretch)["reading"]
    )


def test_the_more_uncertain_the_footings_the_less_a_reading_tells(footings):
    case, change, stretch = case_of(footings), what_if.Change(spans=(MID,)), Stretch(MID - 4, MID + 5, 0, 1)
    unsure = replace(case, model=replace(case.model, footing_u=np.full(N, 0.6)))
    sure, less = (what_if.telling(one, change, stretch)["apart"].max() for one in (case, unsure))
    assert less < 0.8 * sure


def test_the_case_is_not_changed(footings):
    case = case_of(footings)
    before = case.measured.copy()
    what_if.telling(case, what_if.Change(footings=((MID, 1.0),)), Stretch(0, N - 1, 0, 1), 5.0)
    pd.testing.assert_frame_equal(case.measured, before)
    assert (case.model.footing_ohm == footings).all()
