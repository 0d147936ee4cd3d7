"""Suspected cause by the leg currents of a visit: rules in order of precedence, and their sentences.

``causes.csv`` holds the rules: the first one met gives the cause, the numbers and other explanations of the same readings.
"""

from __future__ import annotations

import csv
from importlib.resources import files
from string import Formatter
from typing import TYPE_CHECKING, cast

import numpy as np
import pandas as pd

from towerlib.physics.leakage_gap import z_limit
from towerlib.readings.methods import no
from towerlib.sentences import wording
from towerlib.values import number

if TYPE_CHECKING:
    from towerlib.physics.leakage_gap import CoilSpec


_TABLE = files("towerlib.readings").joinpath("causes.csv").read_text(encoding="utf-8")
RULES = {row["rule"]: (row["cause"], row["sentence"]) for row in csv.DictReader(_TABLE.splitlines())}
BOND_CAUSE = "bond: inspect"
BOND_CAUSES = (BOND_CAUSE, "bond or coils: inspect")
BOND_GONE = ("damaged", "missing")  # what the crew saw of a bond that carries nothing
WEAK_LEG = "weak leg"
SPAN_CAUSE = "span: inspect"  # a finding on the line as a whole, never on one visit
COIL_CAUSES = ("wrong coil turns", "coil reversed")
DOUBTFUL_COILS = (*COIL_CAUSES, "reading impossible")
CAUSES = tuple(dict.fromkeys(cause for cause, _ in RULES.values()))

_INSPECT = " " + wording("inspect_bond")
_SHARE = " Injected test: the legs take {leg_share_lambda:g} of the current."
_SHARE_BESIDE = (
    " Injected test: {leg_share_lambda:g} of the current is in the coils, but other paths lie beside."
)
_SHARE_DOUBTED = " Injected test: {leg_share_lambda:g} of the current is in the legs, read with the same coils and in doubt too."
_UNREAD = (
    " No impedance was read on leg {unread_legs}, though on others. It was beyond the range, or left out."
)


def judged(table: pd.DataFrame, coils: CoilSpec) -> tuple[pd.Series, pd.Series]:
    """Suspected cause of each visit (of ``CAUSES``) and its evidence, by the first rule of ``causes.csv`` that it meets."""
    flags = _flags(table, coils)
    met = np.column_stack([np.asarray(flags[name], dtype=bool) for name in RULES])
    first = np.argmax(met, axis=1)
    causes, evidence = np.full((2, len(table)), "", dtype=object)
    for place, (cause, sentence) in enumerate(RULES.values()):
        caution = _INSPECT if "inspect" in cause else ""
        causes[first == place] = cause
        evidence[first == place] = _sentences(sentence + caution, table, first == place)
    said = np.array([name.startswith("share") for name in RULES])[first]
    shown = table["leg_share_lambda"].notna().to_numpy() & ~said
    doubted, beside = (
        np.isin(causes, COIL_CAUSES),
        no(cast("pd.Series", table["earth_paths_in_coils"])).to_numpy(),
    )
    remarks = np.select([doubted, beside], [_SHARE_DOUBTED, _SHARE_BESIDE], _SHARE)
    for sentence in (_SHARE, _SHARE_BESIDE, _SHARE_DOUBTED):
        rows = shown & (remarks == sentence)
        evidence[rows] += np.array(_sentences(sentence, table, rows), dtype=object)
    unread = table["unread_legs"].notna().to_numpy()
    evidence[unread] += np.array(_sentences(_UNREAD, table, unread), dtype=object)
    return pd.Series(causes, dtype="str"), pd.Series(evidence, dtype="str")


def _sentences(sentence, table, rows):
    """One sentence for each of the rows, with its numbers to three figures."""
    fields = list(dict.fromkeys(name for _, name, _, _ in Formatter().parse(sentence) if name))
    if not fields:
        return [sentence] * int(rows.sum())
    columns = [_three_figures(table[name][rows]).tolist() for name in fields]
    return [sentence.format(**dict(zip(fields, row, strict=True))) for row in zip(*columns, strict=True)]


def _three_figures(column):
    """Numbers rounded to three significant figures, text as it is."""
    if not pd.api.types.is_numeric_dtype(column):
        return column
    values = column.to_numpy(dtype=float)
    size = np.floor(np.log10(np.where(values == 0, 1.0, np.abs(values))))
    return np.round(values / 10.0 ** (size - 2)) * 10.0 ** (size - 2)


def _flags(table, coils):
    """Which rules of ``RULES`` each visit meets, as a dict of boolean columns."""
    record, bond, leg = _flags_of_record(table), _flags_of_bond(table, coils), _flags_of_legs(table)
    doubtful = bond["share_high"] & (record["total_over_sum"] | record["total_under_bound"])
    half = leg["total_over_sum_half"] & record["total_over_sum"]
    return {**record, **bond, **leg, "share_high_doubtful": doubtful, "total_over_sum_half": half}


def _flags_of_record(table):
    """Rules on readings that cannot be judged, and on those that are missing."""
    read, has_total = table["leg_count_read"] > 0, table["leakage_total_ma"].notna()
    # Significance needs size: on a strong line a small part of the sum is many standard uncertainties.
    size_ma = number("gap_size_least") * table["leakage_sum_ma"]
    margin_ma = np.maximum(number("impossible_u") * table["gap_u_ma"], size_ma)
    total_ma = table["leakage_sum_ma"] - table["gap_ma"]
    return {
        "turns_recorded": (table["turns_factor"] - 1.0).abs() > 1e-9,
        "share_over_one": table["leg_share_lambda"]
        > 1.0 + np.maximum(3.0 * table["leg_share_u"], number("gap_size_least")),
        "out_of_service": (read | has_total) & no(table["in_service"]),
        "legs_missing": read & no(table["all_legs_read"]),
        "total_over_sum": table["gap_ma"] < -margin_ma,
        "total_under_bound": total_ma < table["least_total_ma"] - margin_ma,
        "too_small": no(table["large_enough"]),
        "own_class": read & (table["peer_class"] == "ring or other path"),
        "no_legs": ~read & has_total,
        "no_total": read & ~has_total,
        "no_leakage": ~read & ~has_total,
    }


def _flags_of_bond(table, coils):
    """Rules about the bond, by the injected test and by the total against the line's other towers."""
    unbonded, share = table["peer_class"] == "no bonded wire", table["leg_share_lambda"]
    cleared = share < number("leg_share_suspect")
    in_doubt = (table["peer_class"] == "legs alone") & ~cleared
    # A high footing explains a low total, but not a low potential rise.
    low, very_low = (
        in_doubt & (table["total_vs_line"] <= number(name)) & ~(table["rise_vs_line"] > number(name))
        for name in ("low_total_z", "very_low_total_z")
    )
    # A load or footing that lowers the total lowers the sum as much. An open bond leaves the currents that circulate
    # between the legs, or nothing at all.
    total_ma, none_ma = (
        table["leakage_total_ma"],
        2.0 * np.hypot(coils.noise_ma, coils.step_ma / np.sqrt(12.0)),
    )
    apart = (total_ma <= number("total_well_under_sum") * table["leakage_sum_ma"]) | (total_ma <= none_ma)
    low, very_low = low & apart, very_low & apart
    real = table["gap_z"] > z_limit(number("gap_false_alarm"))
    real &= table["gap_ma"] > number("gap_size_least") * table["leakage_sum_ma"]
    spread = real & (table["gap_fraction"] > 1.0 - number("phase_spread_fraction"))
    # Turning coils over leaves the sum as it is; a lost bond takes the sum along.
    collapsed = low & (table["sum_vs_line"] <= number("low_sum_z"))
    enough_about = table["peer_total_ma"] >= table["floor_ma"]
    return {
        "share_nearly_all": ~unbonded & (share >= number("leg_share_open")),
        "share_high": ~unbonded & (share >= number("leg_share_suspect")),
        "quiet_among_peers": no(table["large_enough"]) & low & enough_about,
        "low_and_spread": collapsed & spread,
        "spread_unbonded": spread & unbonded,
        "spread_bond_sound": spread & cleared,
        "spread": spread,
        "very_low": very_low,
        "gap_real": real,
        "gap_explained": table["gap_ma"].notna(),
    }


def _flags_of_legs(table):
    """Rules about a single leg or its coil."""
    alone = table["peer_class"] != "ring or other path"
    # A leg weak in service but not in the injected test only has circulating currents against it.
    weak = (table["weakest_leg_ratio"] < number("leg_weak_ratio")) & ~(table["gap_fraction_low"] > 0.1)
    weak &= ~(table["weakest_impedance_ratio"] < np.sqrt(number("leg_impedance_ratio")))
    several = table["leg_count_read"] > 2
    return {
        "total_over_sum_half": table["turns_guess"] == 0.5,
        "turns_gap": table["turns_guess"] > 1.0,
        "turns_step": alone & table["step_leg"].notna(),
        "reversed_injected": alone & table["reversed_injected"],
        "reversed": table["reversed_leakage"],
        "weak_leg": several & weak,
        "high_leg": alone & several & (table["highest_impedance_ratio"] > number("leg_impedance_ratio")),
    }
