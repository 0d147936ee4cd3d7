"""Settings of a line: defaults, and one sentence for what is wrong."""

import typing

import pytest
from pydantic import BaseModel

from towerlib import config
from towerlib.config.limits import DEFAULT, named
from towerlib.errors import SettingsError

HEAD = '[line]\nid = "north-ridge"\nvoltage_kv = 132\nfrequency_hz = 50\n'


def test_common_practice_limits_are_the_default():
    """5 Ω good, 15 Ω acceptable: *common practice* of the trade, from no standard."""
    limits = config.parse(HEAD).limits
    assert (limits.target_ohm, limits.limit_ohm) == (5, 15)
    assert named(DEFAULT)[0].status == "common practice"


def test_the_contracts_example_is_read():
    text = (
        HEAD
        + """
[stations]
first = { name = "Brackwater", earth_ohm = 0.4 }
last  = { name = "Stonefell",  earth_ohm = 0.9 }
[shield_wires]
wires = [{ x_m = 0, y_m = 30, sag_m = 5, radius_mm = 5, gmr_mm = 5, r_ohm_km = 0.36 }]
[tower]
height_m = 30
surge_impedance_ohm = 190
[phases]
sag_m = 7
strike_length_m = 1.31
conductors = [{ circuit = 1, phase = "a", x_m = 3.2, y_m = 24.6, crossarm_y_m = 26.1 }]
[earth_fault]
from_first_a = 4200
from_last_a = 2600
clearing_s = 0.3
[lightning]
ground_flash_density = 6.2
source = "network average"
[plan]
budget = 250000
currency = "EUR"
cost_per_trip_out = 9000
years = 3
"""
    )
    read = config.parse(text)
    assert read.stations.last.earth_ohm == 0.9
    assert read.shield_wires.wires[0].gmr_mm == 5
    assert read.plan.years == 3
    assert read.title == "north-ridge"


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        ("", r"'id' is missing in \[line\]"),
        (HEAD + "volts = 3\n", r"'volts' is not known in \[line\]; did you mean 'voltage_kv'\?"),
        (
            HEAD + "[limit]\nlimit_ohm = 3\n",
            r"'limit' is not known at the top level; did you mean 'limits'\?",
        ),
        (
            HEAD + "[limits]\nlimit_omh = 3\n",
            r"'limit_omh' is not known in \[limits\]; did you mean 'limit_ohm'\?",
        ),
        (HEAD + "[limits]\ntarget_ohm = 30\n", r"\[limits\]: target_ohm 30 lies above limit_ohm 15"),
        (HEAD + "[limits]\nlimit_ohm = 1e308\n", r"limit_ohm = 1e\+308 in \[limits\]: .* less than or equal"),
        (HEAD + "[limits]\ntarget_ohm = 1e-300\n", r"target_ohm = 1e-300 in \[limits\]: .* greater than"),
        (HEAD + "[retest]\nnormal_years = 1e9\n", r"normal_years = .* in \[retest\]: .* less than"),
        (HEAD.replace("north-ridge", "2026-05"), r"id = '2026-05' in \[line\]: it reads like a month"),
        (HEAD + "[limits]\nlimit_ohm = nan\n", r"limit_ohm = nan in \[limits\]"),
        (HEAD + '[plan]\nyears = "soon"\n', r"years = 'soon' in \[plan\]"),
        (
            HEAD + "[phases]\nconductors = [{ phase = 'd', x_m = 1, y_m = 3 }]\n",
            r"phases\.conductors\.entry 1",
        ),
        (HEAD.replace("132", "-1"), r"voltage_kv = -1 in \[line\]: input should be greater than 0"),
        (HEAD.replace("north-ridge", "../etc"), r"only letters, digits, '-' and '_'"),
        (HEAD.replace("north-ridge", ""), r"only letters, digits, '-' and '_'"),
        (
            HEAD + "[seasons]\nfrozen_ratio = 0.5\n",
            r"frozen_ratio = 0\.5 in \[seasons\]: input should be greater",
        ),
        (HEAD + "[seasons]\nratio_low = 1.6\n", r"\[seasons\]: ratio_low 1\.6 lies above ratio_high 1\.5"),
        (
            HEAD + "[seasons]\nratio_high = 2\nring_ratio_high = 1.2\n",
            r"1\.25 lies above ring_ratio_high 1\.2",
        ),
        (HEAD + "[seasons]\nratio_hi = 2\n", r"'ratio_hi' is not known .*; did you mean 'ratio_high'\?"),
        (HEAD + "[comparable]\nbearing_deg = -1\n", r"bearing_deg = -1 in \[comparable\]: input should be"),
        (HEAD + "[comparable]\nbearing_deg = 270\n", r"bearing_deg = 270 in \[comparable\]: .* less than"),
        (HEAD + "[comparable]\ndistance_percent = nan\n", r"distance_percent = nan in \[comparable\]"),
        (HEAD + "[comparable]\nblank_agrees = 'seldom'\n", r"blank_agrees = 'seldom' in \[comparable\]"),
        ("line = 3", r"\[line\] must be a section"),
        ("[line", r"not valid TOML"),
    ],
)
def test_a_flaw_is_one_sentence_with_its_place(text, sentence):
    with pytest.raises(SettingsError, match=sentence) as caught:
        config.parse(text)
    assert "\n" not in str(caught.value)


def test_seasons_and_what_is_comparable_are_settings_of_the_line():
    read = config.parse(
        HEAD + "[seasons]\nratio_high = 1.3\n[comparable]\nbearing_deg = 20\nblank_agrees = true\n"
    )
    assert (read.seasons.ratio_low, read.seasons.ratio_high) == (1.25, 1.3)
    assert (read.comparable.bearing_deg, read.comparable.blank_agrees) == (20, True)
    assert read.comparable.distance_percent == 25


def test_a_missing_file_says_what_it_is_for(tmp_path):
    with pytest.raises(SettingsError, match=r"line\.toml is missing"):
        config.read(tmp_path / "line.toml")


def test_settings_cannot_be_changed_afterwards():
    with pytest.raises(ValueError, match="frozen"):
        config.parse(HEAD).limits.limit_ohm = 30


def numbers(model, place=""):
    """Every number of the settings with its bounds, however deep it stands."""
    for name, field in model.model_fields.items():
        kinds = [field.annotation, *typing.get_args(field.annotation)]
        for kind in kinds:
            if isinstance(kind, type) and issubclass(kind, BaseModel):
                yield from numbers(kind, f"{place}{name}.")
        if {float, int} & set(kinds):
            yield f"{place}{name}", {type(bound).__name__ for bound in field.metadata}


@pytest.mark.parametrize(("place", "bounds"), list(numbers(config.Line)))
def test_every_number_of_the_settings_is_bounded_on_both_sides(place, bounds):
    assert bounds & {"Ge", "Gt"}, place
    assert bounds & {"Le", "Lt"}, place
