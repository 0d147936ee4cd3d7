"""The demo's planted bonds and spans: all found or told to be untestable, and little else suspected."""

from pathlib import Path

import pandas as pd
import pytest

from towerlib import assessment, network

DEMO = Path(__file__).parents[2] / "data" / "demo"
LINES = ["brackwater-stonefell", "quillmere-tolstrand", "stonefell-ambermoss", "ambermoss-harrowmere"]
# Of readings without coils and of shares; the planted bonds lie between 10 and 56 Ω.
SIZE_WITHIN = 0.25


@pytest.fixture(scope="module", params=LINES)
def line(request):
    """A demo line: its network, the condition beside it, and what was planted."""
    study = assessment.assess(DEMO / request.param)
    found = study.network
    path = DEMO / request.param / "truth.csv"
    separator = ";" if ";" in path.read_text().splitlines()[0] else ","
    truth = pd.read_csv(path, dtype={"tower_id": str, "bond_ohm": float}, sep=separator)
    truth = truth.set_index("tower_id").loc[found.towers["tower_id"]].reset_index()
    return study, found, network.join(study.ranks, found), truth


def test_planted_bonds_are_found_or_not_testable(line):
    _, found, joined, truth = line
    hidden = truth["defect"].isin(["open bond", "worn bond"])
    told = found.towers[hidden]
    assert (told["bond_suspect"] | told["bond_scan"].isin(["suspected", "not testable"])).all()
    assert told["bond_suspect"].mean() > 0.9
    assert joined.loc[hidden.to_numpy(), "suspected_cause"].eq("bond: inspect").mean() > 0.9


def test_sound_bonds_are_left_alone(line):
    """No tower without a planted bond is called worn or open."""
    study, found, joined, truth = line
    sound = ~truth["defect"].isin(["open bond", "worn bond"]).to_numpy()
    assert not found.towers.loc[sound, "bond_suspect"].any()
    assert (found.towers.loc[sound, "bond_scan"] != "suspected").all()
    raised = joined["suspected_cause"].eq("bond: inspect") & ~study.ranks["suspected_cause"].eq(
        "bond: inspect"
    )
    assert not (raised.to_numpy() & sound).any()


def test_sizes_of_worn_bonds(line):
    _, found, _, truth = line
    worn = (truth["defect"] == "worn bond").to_numpy() & found.towers["bond_ohm"].notna().to_numpy()
    ratio = found.towers.loc[worn, "bond_ohm"] / truth.loc[worn, "bond_ohm"]
    assert ratio.between(1 - SIZE_WITHIN, 1 + SIZE_WITHIN).all()


def test_planted_spans_are_found_within_one_span(line):
    _, found, _, truth = line
    planted = truth.index[truth["span_ahead_open_since"].notna()].to_list()
    suspected = found.spans.index[found.spans["span_scan"] == "suspected"].to_list()
    assert len(suspected) == len(planted)
    assert all(abs(one - other) <= 1 for one, other in zip(planted, suspected, strict=True))


def test_the_two_worn_bonds_that_the_leg_share_rule_passes_over(line):
    """Shares under 0.5, yet far above the value expected by the ladder."""
    study, _, joined, _ = line
    passed_over = {"brackwater-stonefell": ("71", 21.0), "stonefell-ambermoss": ("C/4", 10.3)}
    tower_id, ohm = passed_over.get(study.line.id, (None, None))
    if tower_id is None:
        return
    row = joined.set_index("tower_id").loc[tower_id]
    assert row["leg_share_lambda"] < 0.5
    assert row["bond_ohm"] == pytest.approx(ohm, rel=SIZE_WITHIN)
    assert row["suspected_cause"] == "bond: inspect"
    assert "gives the same reading" in row["evidence"]
    assert "Inspect" in row["evidence"]


def test_every_figure_of_the_screens_is_there(line):
    study, found, _, _ = line
    towers = found.towers
    assert not found.off
    assert towers["safety_screen"].isin(["below", "above", "cannot tell"]).all()
    assert (towers["potential_rise_low_v"] <= towers["potential_rise_v"]).all()
    assert (towers["potential_rise_v"] <= towers["potential_rise_high_v"]).all()
    assert (towers["potential_rise_v"] <= 1e3 * study.line.voltage_kv / 3**0.5).all()
    assert (towers["fault_current_a"] > 0).all()
    assert len(found.spans) == len(towers) - 1
