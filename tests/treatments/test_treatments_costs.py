"""Prices and costs: every line traceable, sums additive, mobilisation apart, and prices that make no sense."""

import csv
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from folders import line_folder
from treatment_sites import towers

from towerlib import assessment, treatments
from towerlib.config.sections import Treatments
from towerlib.errors import RecordsError
from towerlib.treatments.catalogue import shipped
from towerlib.treatments.costs import cost_lines, mobilisations, price_list, totals
from towerlib.treatments.learned import as_treatment, corrections, log_factors

COLUMNS = "item unit price soil_class access price_low price_high source year".split()


def prices(*rows):
    """Prices from rows of item, unit, price, and further columns by name."""
    return pd.DataFrame(
        [dict(zip(COLUMNS[:3], row[:3], strict=True)) | (row[3] if row[3:] else {}) for row in rows]
    )


def wanted(count=1, **more):
    """Options that need some of everything named."""
    table = pd.DataFrame({"tower_id": [f"T{k}" for k in range(count)], "option": "works"})
    from towerlib.treatments.costs import QUANTITIES

    table = table.assign(**dict.fromkeys(QUANTITIES, 0.0), soil_class="soft", access="road")
    return table.assign(**more)


def cost(options, *rows):
    lines = cost_lines(options, price_list(prices(*rows)))
    return totals(options, lines), lines


# ---- by hand


def test_cost_by_hand():
    told, lines = cost(
        wanted(trench_m=120.0, wire_m=120.0),
        ("trench", "m", 28.0, {"soil_class": "soft", "price_low": 20.0, "price_high": 40.0}),
        ("wire", "m", 9.0),
    )
    assert told.loc[0, ["cost", "cost_low", "cost_high"]].tolist() == [4440.0, 3480.0, 5880.0]
    assert lines["cost"].tolist() == [3360.0, 1080.0]
    assert lines["price_row"].tolist() == [1, 2]


def test_inspections_are_priced_where_a_price_is_given_and_free_otherwise():
    bond = wanted(bonds=1.0, bond_inspections=1.0)
    rebond = ("shield-wire bond", "piece", 380.0)
    assert cost(bond, rebond)[0].loc[0, ["cost", "cost_flaw"]].tolist() == [380.0, ""]
    assert cost(bond, rebond, ("bond inspection", "piece", 150.0))[0].loc[0, "cost"] == 530.0
    spans = wanted(span_inspections=2.0)
    told, lines = cost(spans, rebond)
    assert told.loc[0, ["cost", "cost_flaw"]].tolist() == [0.0, ""]
    assert lines.empty
    assert cost(spans, ("span inspection", "span", 200.0))[0].loc[0, "cost"] == 400.0


def test_the_closest_row_holds():
    options = wanted(
        5,
        trench_m=1.0,
        soil_class=["soft", "rock", "soft", None, "soft"],
        access=["road", "road", "foot", "foot", "boat"],
    )
    told, lines = cost(
        options,
        ("trench", "m", 1.0),
        ("trench", "m", 2.0, {"soil_class": "soft"}),
        ("trench", "m", 4.0, {"soil_class": "soft", "access": "foot"}),
        ("trench", "m", 8.0, {"access": "foot"}),
        ("trench", "m", 16.0, {"access": "boat"}),
    )
    assert told["cost"].tolist() == [2.0, 1.0, 4.0, 8.0, 2.0]
    assert lines["price_row"].tolist() == [2, 1, 3, 4, 2]


def test_what_has_no_price_has_no_cost():
    told, lines = cost(
        wanted(2, trench_m=10.0, soil_class=["soft", "rock"]), ("trench", "m", 2.0, {"soil_class": "soft"})
    )
    assert told["cost"].tolist() == pytest.approx([20.0, np.nan], nan_ok=True)
    assert told["cost_flaw"].tolist() == ["", "no price of trench"]
    assert lines["price_row"].isna().tolist() == [False, True]


def test_rods_by_the_piece_and_arresters_by_the_set():
    options = wanted(rod_count=4.0, rod_m=24.0, arrester_sets=2.0)
    assert cost(options, ("rod", "piece", 100.0), ("arrester set", "set", 50.0))[0].loc[0, "cost"] == 500.0
    assert cost(options, ("rod", "m", 10.0), ("arrester set", "tower", 50.0))[0].loc[0, "cost"] == 290.0


def test_mobilisation_stands_apart_and_the_dearest_way_in_counts():
    sites = towers([40.0] * 3, access=["road", "foot", "road"], access_group=["A", "A", None])
    rows = (
        ("mobilisation", "group", 10.0, {"access": "road"}),
        ("mobilisation", "group", 30.0, {"access": "foot"}),
    )
    table = mobilisations(sites, price_list(prices(*rows))).set_index("access_group")
    assert table["price"].to_dict() == {"A": 30.0, "tower T2": 10.0}
    assert cost(wanted(trench_m=1.0), *rows, ("trench", "m", 5.0))[0].loc[0, "cost"] == 5.0


# ---- prices that make no sense


@pytest.mark.parametrize(
    ("row", "told"),
    [
        (("trench", "m", -5.0), "row 2: the price -5 per m of 'trench' is below 0"),
        (("trench", "ft", 5.0), "unit that does not fit its item; price it by m"),
        (("trench", "m", 5.0, {"soil_class": "clay"}), "use one of soft, ordinary, stony, rock"),
        (("trench", "m", 5.0, {"price_low": 6.0}), "does not lie between"),
        (("trench", "m", np.nan), "has no price"),
        (("wire", "m", 3.0), "occurs twice"),
    ],
)
def test_prices_that_make_no_sense(row, told):
    with pytest.raises(RecordsError, match=told):
        price_list(prices(("wire", "m", 2.0), row))


def test_two_units_of_one_item():
    with pytest.raises(RecordsError, match="another unit"):
        price_list(prices(("rod", "m", 2.0, {"soil_class": "soft"}), ("rod", "piece", 9.0)))


def test_what_is_odd_is_said():
    told = " ".join(
        price_list(prices(("helipad", "m", 5.0, {"year": 2024}), ("wire", "m", 2.0, {"year": 2024}))).remarks
    )
    assert "no treatment uses: helipad" in told
    assert "without low or high" in told
    assert "mixed" not in told
    mixed = price_list(prices(("trench", "m", 5.0, {"year": 2023}), ("wire", "m", 2.0, {"year": 2024})))
    assert any("2023, 2024" in sentence for sentence in mixed.remarks)


def test_a_negative_price_in_the_file_is_told(tmp_path):
    text = "item,unit,price\ntrench,m,-5\nwire,m,9\n"
    line_folder(tmp_path / "low-moor", prices_csv=text)
    found = assessment.assess(tmp_path / "low-moor")
    told = treatments.assess(found.records, found.route, found.condition, None, found.outages, found.month)
    assert any("1 price row not used" in sentence for sentence in told.off)
    assert any("no price of trench" in sentence for sentence in told.off)
    assert told.choices["cost"].isna().any()


# ---- the demo


@pytest.fixture(scope="module")
def demo():
    found = assessment.assess(Path("data/demo") / "quillmere-tolstrand")
    return treatments.assess(found.records, found.route, found.condition, None, None, found.month)


def test_every_cost_line_traces_to_a_row_of_the_file(demo):
    text = Path("data/demo/quillmere-tolstrand/prices.csv").read_text(encoding="utf-8")
    rows = list(csv.DictReader(text.splitlines(), delimiter=";"))
    priced = demo.cost_lines[demo.cost_lines["price_row"].notna()]
    assert len(priced) > 500
    for line in priced.itertuples():
        row = rows[line.price_row - 2]  # as a spreadsheet numbers them, the header being row 1
        assert (row["item"], row["unit"], float(row["price"])) == (line.item, line.unit, line.price)
        assert line.cost == pytest.approx(line.quantity * float(row["price"]))
        assert line.low == pytest.approx(line.quantity * float(row["price_low"]))
        assert row["year"] == str(line.price_year)


def test_costs_add_up(demo):
    sums = demo.cost_lines.groupby(["tower_id", "option"])["cost"].sum(min_count=1)
    work = demo.choices.set_index(["tower_id", "option"])
    priced = work[work["cost"].notna()]
    assert len(priced) > 100
    assert priced["cost"].to_numpy() == pytest.approx(sums.reindex(priced.index).to_numpy())
    assert (priced["cost_low"] <= priced["cost"]).all()
    assert (priced["cost"] <= priced["cost_high"]).all()
    assert not demo.cost_lines["item"].eq("mobilisation").any()
    assert work.loc[work["cost"].isna(), "cost_flaw"].str.contains("no price of").all()


# ---- what works taught


def test_few_works_teach_little():
    # Posterior mean of a normal mean: n·m/(n + σ²/τ²) with σ = 0.5, τ = 0.2, σ²/τ² = 6.25.
    done = pd.DataFrame(
        {"kind": "rods", "soil_class": ["soft"] * 5 + [None], "log_ratio": [0.3] * 5 + [np.nan]}
    )
    table = corrections(done)
    assert table["n"].tolist() == [5]
    assert np.log(table["learned_factor"].iloc[0]) == pytest.approx(0.3 * 5 / 11.25)
    many = corrections(pd.concat([done] * 200))
    assert np.log(many["learned_factor"].iloc[0]) == pytest.approx(0.3, rel=0.01)
    sites = towers([40.0] * 2, soil_class=["soft", "rock"])
    rods = next(one for one in shipped() if one.kind == "rods")
    assert log_factors(table, rods, sites) == pytest.approx([0.3 * 5 / 11.25, 0.0])


@pytest.mark.parametrize(
    ("name", "quantity", "kind", "count", "length_m"),
    [
        ("Radial counterpoise", 120.0, "radials", 4, 30.0),
        ("deep rod", 12.0, "drilled", 1, 12.0),
        ("extra rods", 4.0, "rods", 4, 3.0),
        ("conductive backfill", 6.0, "rods", 2, 3.0),
        ("2 radials 30 m", np.nan, "radials", 2, 30.0),
        ("repairing a lead", 1.0, "lead", 0, 0.0),
    ],
)
def test_works_by_their_names(name, quantity, kind, count, length_m):
    found = as_treatment(name, quantity, shipped())
    assert (found.kind, found.count, found.length_m) == (kind, count, length_m)


def test_a_work_nobody_knows_is_none():
    assert as_treatment("painting", 1.0, shipped()) is None
    assert Treatments().learn
