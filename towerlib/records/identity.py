"""A crew's tower name -> a register tower, or a question to the crew."""

import re
from dataclasses import dataclass

import numpy as np
import pandas as pd

from towerlib.records.spelling import (
    SEPARATOR,
    core_of,
    dated,
    digits,
    fold,
    loose,
    side,
    split,
    values,
    values_written,
)
from towerlib.records.witness import ANSWER, ASK, witnessed


@dataclass(frozen=True)
class Reading:
    """What one written name says by itself.

    `near` are the towers whose distance from the crew bears on it, `fits` those of them that it could be.
    """

    tower_id: str | None
    certainty: str
    reason: str
    candidates: tuple = ()
    near: tuple = ()
    fits: tuple = ()


@dataclass(frozen=True)
class Register:
    """The towers of a register by each form that their names can take."""

    cores: dict
    letters: str
    by_fold: dict
    by_core: dict
    by_value: dict
    by_loose: dict
    by_digits: dict


def match(names, register_ids, *, positions=None, register_positions=None):
    """The register tower that each written name means, with how sure that is and why.

    Parameters
    ----------
    names : pandas.Series
        Tower names as the crew wrote them.
    register_ids : iterable of str
        The register's tower ids; their order does not matter.
    positions : pandas.DataFrame, optional
        Where the crew stood: latitude_deg, longitude_deg [°, WGS 84] with the index of `names`; may be blank.
    register_positions : pandas.DataFrame, optional
        Where the towers are: the same columns, indexed by tower id, one row a tower.

    Returns
    -------
    pandas.DataFrame
        One row a name, index of `names`: tower_id (missing where unmatched), certainty ("sure", "probable",
        "none"), reason (sentences; "" where the name is the register's own and nothing speaks against it),
        candidates (tower ids in the order of their text, parted by "; ").

    Raises
    ------
    ValueError
        `positions` has another index than `names`.

    Notes
    -----
    A name that is a register id to the letter is sure, whatever else is in the register; so is one that
    differs in capitals, outer spaces or look-alike signs from one id only. Beyond that every tower that the
    name could mean is a candidate, and only a single candidate is taken, as probable: first those that differ
    in prefix, separators, leading zeros or what a spreadsheet makes of a name, then, if there is none, those
    that differ in the side (left, right), *bis*, *new* or the letters that all ids share.
    A position decides between candidates of a name, or speaks against one; it never names a tower alone. Its
    distances are in ``values.csv``: identity_near_m, identity_clear_m, identity_away_m.

    Examples
    --------
    >>> written = pd.Series(["12", "T-012", "12-Jan", "12 left"])
    >>> found = match(written, ["12", "12/1", "12L", "12R"])
    >>> found[["tower_id", "certainty"]].to_numpy().tolist()
    [['12', 'sure'], ['12', 'probable'], ['12/1', 'probable'], ['12L', 'probable']]
    >>> print(match(pd.Series(["Tower 12"]), ["12L", "12R"]).loc[0, "reason"])
    "Tower 12" could mean more than one tower of the register: 12L, 12R. Which tower was it?
    """
    if positions is not None and not positions.index.equals(names.index):
        raise ValueError("positions must have the index of names, one row a name")
    register = _register(register_ids)
    codes, written = pd.factorize(names.astype("str"))
    readings = [_read(text, register) for text in [*written, ""]]  # a missing name reads as a blank one
    answers = pd.DataFrame([_answer(reading) for reading in readings], columns=ANSWER, dtype="str")
    codes = np.where(codes < 0, len(written), codes)
    found = answers.iloc[codes].reset_index(drop=True)
    if positions is not None and register_positions is not None:
        places = register_positions[register_positions.index.isin(list(register.cores))]
        found = witnessed(found.assign(code=codes, written=names.to_numpy()), readings, positions, places)
    return found[ANSWER].set_axis(names.index)


def _answer(reading):
    """A reading as a row of the result."""
    return reading.tower_id, reading.certainty, reading.reason, "; ".join(reading.candidates)


# A name against the register


def _register(register_ids):
    """The register's towers under each form of their names, in an order of their own."""
    ids = pd.Series(list(register_ids), dtype="str").dropna().unique()
    cores = {tower: core_of(fold(tower)) for tower in sorted(ids) if tower.strip()}
    heads = {re.match("[^0-9]*", core)[0] for core in cores.values() if digits(core)}
    letters = heads.pop() if len(heads) == 1 else ""
    return Register(
        cores=cores,
        letters=letters,
        by_fold=_grouped((fold(tower), tower) for tower in cores),
        by_core=_grouped((core, tower) for tower, core in cores.items()),
        by_value=_grouped((value, tower) for tower, core in cores.items() for value in values(core)),
        by_loose=_grouped((loose(core, letters), tower) for tower, core in cores.items()),
        by_digits=_grouped((digits(core), tower) for tower, core in cores.items() if digits(core)),
    )


def _grouped(pairs):
    """Towers by form, each in the order given."""
    groups = {}
    for form, tower in pairs:
        groups.setdefault(form, []).append(tower)
    return groups


def _read(written, register):
    """What one written name says by itself."""
    folded = fold(written)
    core = core_of(folded)
    alike = register.by_fold.get(folded, [])
    if written in register.cores:
        return _sure(written, "", core, register)
    if len(alike) == 1:
        return _sure(alike[0], _why(written, alike[0], "fold"), core, register)
    if not re.search(r"[^\W_]", folded):
        return Reading(None, "none", f"No tower name was written. {ASK}")
    found = _candidates(folded, core, register)
    if not found:
        same = tuple(register.by_digits.get(digits(core), ()))
        hint = f" Of the same number: {_listed(same)}." if same else ""
        return Reading(None, "none", f'"{written}" is no tower of the register.{hint} {ASK}', same)
    towers = tuple(sorted(found))
    fits = tuple(tower for tower in towers if found[tower] != "other side")
    if len(towers) == len(fits) == 1:
        return Reading(*fits, "probable", _why(written, *fits, *found.values()), fits, fits, fits)
    return Reading(None, "none", _which(written, towers), towers, towers, fits)


def _sure(tower, reason, core, register):
    """A certain reading; towers of almost the same name are near it, for the crew may have stood at one."""
    others = [other for other in register.by_loose[loose(core, register.letters)] if other != tower]
    return Reading(tower, "sure", reason, (tower,), (tower, *others), (tower,))


def _candidates(folded, core, register):
    """Towers that a name could mean, with what differs; wide differences only where no narrow one is."""
    found = _gathered(
        ("name", [core], register.by_core),
        ("spreadsheet", dated(folded), register.by_core),
        ("spreadsheet", values_written(folded), register.by_value),
    )
    if found:
        return found
    found = _gathered(
        ("ending", [loose(core, register.letters)], register.by_loose),
        ("spreadsheet", [core], register.by_value),
    )
    sides = {tower: {side(core), side(register.cores[tower])} for tower in found}
    return {tower: "other side" if sides[tower] == {"l", "r"} else kind for tower, kind in found.items()}


def _gathered(*searches):
    """Towers under any of the forms, each with the first kind of difference that leads to it."""
    found = {}
    for kind, forms, towers_by_form in searches:
        for form in forms:
            for tower in towers_by_form.get(form, ()):
                found.setdefault(tower, kind)
    return found


# Sentences


def _why(written, tower, kind):
    """Why a single candidate is taken."""
    taken = f'"{written}" is taken as tower {tower}'
    if kind == "fold":
        return f"{taken}: the names differ only in capitals, spaces or look-alike signs."
    if kind == "name":
        return f"{taken}: the names differ only in {_differences(written, tower)}, and no other tower fits."
    if kind == "ending":
        return f"{taken}: the names differ only in ending or first letters, and no other tower comes as near."
    return f"{taken}: it looks like what a spreadsheet makes of that name, and no other tower fits."


def _which(written, towers):
    """Why a candidate is not taken."""
    if len(towers) > 1:
        return f'"{written}" could mean more than one tower of the register: {_listed(towers)}. {ASK}'
    return f'"{written}" is no tower of the register, which has the other side only: {towers[0]}. {ASK}'


def _differences(written, tower):
    """What differs between two names of the same core, in words."""
    prefix, (signs, numbers, words) = _parts(fold(written))
    register_prefix, (register_signs, register_numbers, register_words) = _parts(fold(tower))
    differs = {
        "prefix": prefix != register_prefix,
        "leading zeros": numbers != register_numbers,
        "the word for the side": words != register_words,
        "spaces or signs": signs != register_signs,
    }
    return " and ".join(what for what, is_so in differs.items() if is_so) or "spaces or signs"


def _parts(folded):
    """Prefix words of a folded name, and the separators, numbers and run-on words that follow."""
    prefix, tokens = split(folded)
    signs = [token for token in tokens if SEPARATOR.fullmatch(token)]
    numbers = [token for token in tokens if token.isdigit()]
    words = "".join(token for token in tokens if token not in signs and token not in numbers)
    return prefix, (signs, numbers, words)


def _listed(towers):
    """At most six names for a sentence."""
    more = f" and {len(towers) - 6} more" if len(towers) > 6 else ""
    return ", ".join(towers[:6]) + more
