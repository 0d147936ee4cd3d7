"""Lines that no network has: each flaw is a clear sentence or a blank that is explained, never a nonsense number."""

import math
import re

import numpy as np
import pytest
from folders import line_folder

from towerlib import assessment, text
from towerlib import config as settings_of
from towerlib.errors import SettingsError
from towerlib.outages import calibration, geometry
from towerlib.plan import optimise
from towerlib.treatments import learned
from towerlib.values import number

WIRE = "{ x_m = 0, y_m = 27, sag_m = 5, radius_mm = 5, gmr_mm = 4, r_ohm_km = 0.5 }"
SETTINGS = f"""
[line]
id = "low-moor"
voltage_kv = 132
frequency_hz = 50
[stations]
first = {{ earth_ohm = 0.5 }}
last = {{ earth_ohm = 1.1 }}
[shield_wires]
wires = [{WIRE}]
[tower]
height_m = 27
surge_impedance_ohm = 190
[phases]
sag_m = 7
strike_length_m = 1.3
conductors = [
  {{ phase = "a", x_m = 3.0, y_m = 21.4, crossarm_y_m = 22.8 }},
  {{ phase = "b", x_m = -3.3, y_m = 19.0, crossarm_y_m = 20.4 }},
  {{ phase = "c", x_m = 3.2, y_m = 16.6, crossarm_y_m = 18.0 }},
]
[earth_fault]
from_first_a = 3100
from_last_a = 1400
clearing_s = 0.4
[lightning]
ground_flash_density = 5.1
[limits]
target_ohm = 8
limit_ohm = 20
[plan]
budget = 30000
"""
OHM = (6, 14, 30)
FLASHES = "time,latitude_deg,longitude_deg,peak_current_ka,semi_major_m\n"
FAR = FLASHES + "2020-01-01T00:00:00Z,50,50,-10,100\n2023-01-01T00:00:00Z,50,50,-10,100\n"
WORKS = "tower_id,date,treatment,quantity\n2,{date},radial counterpoise,{quantity}\n"
PRICES = "item,unit,price\ntrench,m,{trench}\nwire,m,9\nrod,m,60\nbackfill,m,38\nmobilisation,group,1900\n"


def texts(*, settings=SETTINGS, step=0.003, height_m=27, density=5, **others):
    """Texts of a line of three towers."""
    head = (
        "tower_id,latitude_deg,longitude_deg,sequence,structure,leg_count,leg_spacing_m,height_m,shield_wire,"
        "soil_resistivity_ohm_m,soil_class,occupancy,access,access_group,ground_flash_density\n"
    )
    towers = [
        f"{k + 1},-31,{-20 + step * k:.4f},{k + 1},lattice,4,5,{height_m if k == 1 else 27},bonded,250,ordinary,"
        f"frequented,track,G,{density}"
        for k in range(3)
    ]
    visits = [f"v{k + 1},{k + 1},2026-03-0{k + 1},shield wire lifted,128,{ohm}" for k, ohm in enumerate(OHM)]
    return {
        "line_toml": settings,
        "towers_csv": head + "\n".join(towers) + "\n",
        "visits_csv": "visit_id,tower_id,date,method,test_frequency_hz,impedance_ohm\n"
        + "\n".join(visits)
        + "\n",
    } | others


@pytest.fixture
def assessed(tmp_path):
    """A function of changed texts: the line assessed."""

    def assess(**changed):
        line_folder(tmp_path / "low-moor", **texts(**changed))
        return assessment.assess(tmp_path / "low-moor")

    return assess


def swapped(old, new):
    """The settings with one thing changed."""
    assert old in SETTINGS
    return SETTINGS.replace(old, new)


REFUSED = [
    (("gmr_mm = 4", "gmr_mm = 400"), "gmr_mm 400 lies above radius_mm 5"),
    (("radius_mm = 5", "radius_mm = 5000"), "less than or equal to 100"),
    (("frequency_hz = 50", "frequency_hz = 1e6"), r"frequency_hz = .* in \[line\]"),
    (("voltage_kv = 132", "voltage_kv = 132000"), r"voltage_kv = .* in \[line\]"),
    (("strike_length_m = 1.3", "strike_length_m = 1300"), "less than or equal to 20"),
    (("density = 5.1", "density = 1e6"), "less than or equal to 200"),
    (("budget = 30000", "budget = 1e300"), "budget = 1e.300"),
    (("budget = 30000", 'must_treat = "5"'), "write a list in square brackets"),
    (("budget = 30000", 'queue_order = ["money"]'), r"'money' in \[plan.queue_order.entry 1\]"),
    (("[limits]", "[outage_record]\nwindow_ms = 1e15\n[limits]"), "window_ms = "),
    (("[limits]", "[outage_record]\nstorm_minutes = 1e12\n[limits]"), "storm_minutes = "),
    (("[limits]", "[outage_record]\noutages_from = 0001-01-01\n[limits]"), "1900-01-01"),
    (("[limits]", '[outage_record]\noutages_from = "soon"\n[limits]'), "write a day as YYYY-MM-DD"),
    (("[limits]", "[safety]\nsurface_ohm_m = 3000\nsurface_depth_m = 0.1\n[limits]"), "IEEE 80 only"),
    (("[limits]", "[treatments]\nwire_mm = 0.0001\n[limits]"), "greater than or equal to 1"),
]


@pytest.mark.parametrize(("change", "said"), REFUSED, ids=[said for _, said in REFUSED])
def test_a_setting_that_no_line_has_is_refused(change, said):
    settings_of.parse(SETTINGS)
    with pytest.raises(SettingsError, match=said):
        settings_of.parse(swapped(*change))


HEADS = [
    (("y_m = 27, sag_m = 5", "y_m = 27, sag_m = 20"), "at mid-span a shield wire at 7 m"),
    (("y_m = 27, sag_m = 5", "y_m = 27, sag_m = 60"), "below ground"),
    (("sag_m = 7", "sag_m = 70"), "below ground"),
    ((WIRE, f"{WIRE}, {WIRE}"), "two shield wires hang at the same place"),
    (("strike_length_m = 1.3", "strike_length_m = 0.1"), "does not hold the line's own voltage"),
    (("height_m = 27", "height_m = 300"), "tower height is above 200 m"),
]


@pytest.mark.parametrize(
    ("change", "said"), HEADS, ids=[f"{at} {said}" for at, (_, said) in enumerate(HEADS)]
)
def test_a_head_that_contradicts_itself_has_no_rate_and_says_why(change, said):
    assert geometry.line_geometry(settings_of.parse(SETTINGS))[2] == []
    shape, _, off = geometry.line_geometry(settings_of.parse(swapped(*change)))
    assert shape is None
    assert said in off[0]


def test_two_wires_at_one_place_turn_the_network_off(assessed):
    result = assessed(settings=swapped(WIRE, f"{WIRE}, {WIRE}"))
    assert "two wires hang at the same place" in result.network.off[0]
    assert result.network.towers["potential_rise_v"].isna().all()


LAID = '[safety]\nstandard = "IEEE 80"\nsurface_ohm_m = 3000\nsurface_depth_m = 0.1\n[limits]'


def ieee_80_v(soil_ohm_m):
    """IEEE Std 80-2013: C_s by equation 27, permissible touch voltage for 50 kg and 0.4 s by equation 32 [V]."""
    derating = 1 - 0.09 * (1 - soil_ohm_m / 3000) / (2 * 0.1 + 0.09)
    return (1000 + 1.5 * derating * 3000) * 0.116 / math.sqrt(0.4)


def permissible_v(evidence):
    """Ends of the permissible touch voltage in an evidence sentence [V]."""
    found = re.search(r"against ([\d.]+)(?: to ([\d.]+))? V for 0.4 s \(IEEE 80, 50 kg", evidence)
    return float(found[1]), float(found[2] or found[1])


def test_a_laid_surface_layer_counts_by_ieee_80(assessed):
    """A single resistivity says nothing of the soil right under the layer: it may be ten times less or more."""
    reach = number("soil_contrast_usual") * (1 + number("soil_value_percent") / 100)
    evidence = assessed(settings=swapped("[limits]", LAID)).network.towers["safety_evidence"][1]
    low, high = permissible_v(evidence)
    assert low == pytest.approx(ieee_80_v(250 / reach), rel=0.005)
    assert high == pytest.approx(ieee_80_v(250 * reach), rel=0.005)
    assert low < ieee_80_v(250) < high


def test_a_laid_surface_layer_over_a_recorded_top_layer_counts_by_ieee_80(assessed):
    header, *rows = texts()["towers_csv"].splitlines()
    layered = "\n".join([f"{header},upper_layer_ohm_m", *(f"{row},250" for row in rows)]) + "\n"
    lined = assessed(settings=swapped("[limits]", LAID), towers_csv=layered)
    low, high = permissible_v(lined.network.towers["safety_evidence"][1])
    assert low < ieee_80_v(250) < high
    assert (low, high) == pytest.approx((ieee_80_v(250),) * 2, rel=0.05)


@pytest.mark.parametrize("height_m", [0.5, 450])
def test_a_tower_too_low_or_too_high_leaves_the_others_their_rate(assessed, height_m):
    towers = assessed(height_m=height_m).outages.towers
    assert towers["trip_outs_per_year"].notna().tolist() == [True, False, True]
    assert towers["flaw"][1].startswith("tower height is")


def test_a_footing_within_its_target_avoids_nothing(assessed):
    towers = assessed().outages.towers
    assert towers["avoided_to_target_per_year"][0] == 0
    assert (towers["avoided_low"] >= 0).all()
    assert (towers["avoided_to_target_per_year"][1:] > 0).all()


def test_where_lightning_never_strikes_nothing_trips(assessed):
    result = assessed(settings=swapped("density = 5.1", "density = 0"), density=0)
    assert (result.outages.towers["trip_outs_per_year"] == 0).all()
    assert result.outages.line["whole_line_per_year"] == 0


def test_a_list_of_flashes_elsewhere_gives_no_density(assessed):
    result = assessed(settings=swapped("ground_flash_density = 5.1", ""), density="", flashes_csv=FAR)
    assert any("no ground flash density" in why for why in result.outages.off)
    assert result.outages.towers["trip_outs_per_year"].isna().all()
    assert result.outages.towers["relative_rate"].notna().all()


def test_towers_at_one_place_have_no_rate(assessed):
    result = assessed(step=0.0, flashes_csv=FLASHES + "2020-01-01T00:00:00Z,-31,-20,-10,100\n" * 2 + FAR[61:])
    assert result.outages.towers["flaw"].eq("span is not above 0").all()
    assert "has no length" in result.network.off[0]


def test_works_yet_to_come_are_not_listed_as_done(assessed):
    result = assessed(works_csv=WORKS.format(date="2090-01-01", quantity=120))
    assert not any("2090" in remark for remark in result.outages.remarks)


def test_a_work_of_a_million_kilometres_is_no_treatment():
    assert learned.as_treatment("radial counterpoise", 1e9, ()) is None
    assert learned.as_treatment("rods", 1e6, ()) is None
    assert learned.as_treatment("radial counterpoise", 120.0, ()).length_m == 30


def test_a_day_of_record_says_nothing_of_a_year():
    seen = {"observed_per_year": 365.0, "observed_low": 9.0}
    assert calibration.over_ceiling(seen | {"observed_years": 1 / 365}, 2.0) == ""
    assert "This is certain" in calibration.over_ceiling(seen | {"observed_years": 2.0}, 2.0)


TRIPS = "outage_id,time,cause\na,2020-05-01T00:00:00Z,lightning\nb,2022-05-01T00:00:00Z,lightning\n"


@pytest.mark.parametrize(("first", "last", "count"), [("2022", "2023", 1), ("2015", "2016", 0)])
def test_only_trip_outs_of_the_stated_days_are_counted(assessed, first, last, count):
    days = f"[outage_record]\noutages_from = {first}-01-01\noutages_to = {last}-12-31\n[limits]"
    result = assessed(settings=swapped("[limits]", days), outages_csv=TRIPS).outages
    assert result.line["observed_trip_outs"] == count
    assert result.line["observed_per_year"] == pytest.approx(count / 2, rel=0.01)
    assert any(f"{2 - count} of 2 trip-outs lie outside" in remark for remark in result.remarks)


def test_a_record_yet_to_come_is_nothing_to_hold_rates_against(assessed):
    result = assessed(
        settings=swapped("[limits]", "[outage_record]\noutages_from = 2090-01-01\n[limits]"),
        outages_csv=TRIPS,
    )
    assert any("yet to come" in why for why in result.outages.off)


def test_a_price_with_a_slip_in_size_stops_the_plan_with_its_option(assessed):
    with pytest.raises(SettingsError, match=r"differ too much in size.* at tower .*prices.csv"):
        assessed(prices_csv=PRICES.format(trench="1e300")).budget  # noqa: B018


def test_a_plan_without_room_says_so(assessed):
    result = assessed(
        settings=swapped("budget = 30000", "budget = 0"), prices_csv=PRICES.format(trench=45)
    ).budget
    assert result.works.empty
    assert optimise.NOTHING_FITS in result.off


def test_figures_carry_neither_powers_of_ten_nor_a_minus_before_a_nought():
    assert text.figure(-0.0) == "0"
    assert optimise._percent(0.98) == "98 %"
    assert optimise._percent(1.0) == "100 %"
    assert optimise._percent(1e-9) == "0.01 %"
    assert optimise._percent(np.inf) == "an unknown part"
