"""One synthetic line: from its specification to the tables of its folder."""

from __future__ import annotations

import tomllib
import zlib
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from towerlib.simulate import office_records
from towerlib.simulate.crews import readings
from towerlib.simulate.electrics import footings, state
from towerlib.simulate.lightning import LAST_DAY, lightning
from towerlib.simulate.towers import build

if TYPE_CHECKING:
    import pandas as pd

    from towerlib.simulate.specs import LineSpec


def simulate_line(spec: LineSpec, seed: int) -> dict[str, pd.DataFrame]:
    """All tables of a synthetic line by name, in the columns of the records, and the truth behind them.

    The same seed gives the same tables; ``truth`` has one row per tower, ``truth-visits`` one row per flawed visit.

    >>> from towerlib.simulate.demo import quillmere_tolstrand
    >>> tables = simulate_line(quillmere_tolstrand(), seed=1)
    >>> print(len(tables["towers"]), sum(tables["truth"]["defect"] == "open bond"))
    60 2
    """
    settings = tomllib.loads(spec.settings)
    built = build(spec, _chance(spec, seed, "build"))
    footing_ohm = np.abs(footings(built, state(built, LAST_DAY, "normal"))[0])
    built = replace(built, towers=built.towers.assign(footing_ohm=footing_ohm))
    office = _chance(spec, seed, "office")
    return {
        "towers": office_records.register(settings, built, office),
        **readings(spec, settings, built, _chance(spec, seed, "visits")),
        **lightning(spec, settings, built, _chance(spec, seed, "lightning")),
        "soil": office_records.soil_tests(spec, built, office),
        "works": office_records.works(built, office),
        "prices": office_records.prices(),
        "truth": office_records.truth(built),
    }


def _chance(spec, seed, purpose):
    """Separate random number generator for each purpose, so that a change in one does not affect the others."""
    return np.random.default_rng([seed, zlib.crc32(f"{spec.line_id} {purpose}".encode())])
