"""The reader's score: every kind of mess is accounted for to the last row, and nothing is ever used wrongly."""

import pytest

from tests.scores import mess
from tests.scores.mess import CELLS, FILES, LOST

SEED = 7


@pytest.fixture(scope="module")
def table():
    return mess.score(seed=SEED)


def test_there_are_many_kinds():
    assert len(CELLS) + len(FILES) >= 50
    assert len({kind.name for kind in (*CELLS, *FILES)}) == len(CELLS) + len(FILES)


def test_every_row_is_accounted_for(table):
    assert (table["accounted"] == 1).all()


def test_nothing_is_used_wrongly(table):
    assert table.index[table["used wrongly"] > 0].to_list() == []


def test_the_outcomes_add_up(table):
    assert (table[mess.OUTCOMES].sum(axis=1) == table["messed"]).all()
    assert (table["messed"] > 0).all()


def test_what_nobody_can_read_is_caught(table):
    lost = [kind.name for kind in CELLS if kind.meant == LOST]
    assert (table.loc[lost, "caught"] == table.loc[lost, "messed"]).all()


def test_what_can_be_read_is_repaired(table):
    kept = [
        kind.name for kind in CELLS if kind.meant != LOST and not kind.slip and "some month" not in kind.name
    ]
    assert (
        table.loc[kept, ["repaired rightly", "read as meant"]].sum(axis=1) == table.loc[kept, "messed"]
    ).all()


def test_only_a_slip_of_the_pen_passes_unseen(table):
    slips = {kind.name for kind in CELLS if kind.slip}
    assert set(table.index[table["passed unseen"] > 0]) <= slips


def test_the_score_prints_as_markdown(table):
    assert len(mess.markdown(table).splitlines()) == len(table) + 5


def test_a_wrong_value_would_be_seen(monkeypatch):
    """The scorer itself can fail: with a reader that takes every comma for a thousand."""
    monkeypatch.setattr(mess, "CELLS", CELLS[:1])
    monkeypatch.setattr(mess, "FILES", ())
    monkeypatch.setattr("towerlib.records.convert._decimal", lambda *about: None)
    monkeypatch.setattr(
        "towerlib.records.numbers.decimal_separators",
        lambda numbers, others, decimal=None: numbers.map(lambda _: "."),
    )
    assert mess.score(seed=SEED)["used wrongly"].sum() > 100
