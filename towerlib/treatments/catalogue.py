"""The treatments that a line offers: the shipped catalogue, changed by the line's own settings."""

from __future__ import annotations

import csv
import difflib
from dataclasses import dataclass, replace
from functools import cache
from importlib.resources import files
from typing import TYPE_CHECKING

from towerlib.errors import SettingsError

if TYPE_CHECKING:
    from towerlib.config.sections import Treatments as TreatmentSettings


WIRES = ("radials", "ring and radials", "counterpoise")  # long wires, of which lightning sees a part
EARTHING = ("rods", "drilled", "radials", "ring", "ring and radials", "counterpoise")  # all of this digs
RODS = ("rods", "drilled")
RINGS = ("ring", "ring and radials")
SIZED = ("rods", "drilled", "radials", "ring and radials")


@dataclass(frozen=True)
class Treatment:
    """One treatment of the catalogue.

    Attributes
    ----------
    option, kind : str
        Its name, and what it is.
    count : int
        Rods or radials.
    length_m : float
        Length of each [m].
    fill_mm : float
        Diameter of conductive fill about them, 0 without [mm].
    resistivity_min_ohm_m : float
        Soil from which it is offered [Ω·m].
    life_years : float
        Life [years]; NaN for what is no work.
    purse : str
        ``maintenance`` or ``capital``.
    suits, not_for, verify : str
        Where it belongs, where it does not, how its success is checked.
    source, status : str
        Where the row comes from, and how far that is confirmed.
    """

    option: str
    kind: str
    count: int = 0
    length_m: float = 0.0
    fill_mm: float = 0.0
    resistivity_min_ohm_m: float = 0.0
    life_years: float = float("nan")
    purse: str = "capital"
    suits: str = ""
    not_for: str = ""
    verify: str = "same-method retest"
    source: str = "line.toml"
    status: str = "the utility's own"


@cache
def shipped() -> tuple[Treatment, ...]:
    """The catalogue that ships with the package.

    Returns
    -------
    tuple of Treatment

    Examples
    --------
    >>> [treatment.option for treatment in shipped()][:2]
    ['do nothing', 'retest first']
    """
    text = files("towerlib.treatments").joinpath("catalogue.csv").read_text(encoding="utf-8")
    numbers = {"length_m": float, "fill_mm": float, "resistivity_min_ohm_m": float, "count": int}
    rows = csv.DictReader(text.splitlines())
    return tuple(
        Treatment(
            **{name: numbers.get(name, str)(value) for name, value in row.items() if name != "life_years"},
            life_years=float(row["life_years"] or "nan"),
        )
        for row in rows
    )


def offered(settings: TreatmentSettings) -> tuple[Treatment, ...]:
    """The treatments that a line offers.

    Parameters
    ----------
    settings : towerlib.config.sections.Treatments
        What is off, changed or added.

    Returns
    -------
    tuple of Treatment
        The shipped ones in their order, then the utility's own.

    Raises
    ------
    SettingsError
        A name under ``off`` that is not shipped; one name twice; a new treatment without kind, life, or the
        sizes that its kind needs.

    Examples
    --------
    >>> from towerlib.config.sections import Treatments
    >>> own = [{"option": "6 radials 40 m", "kind": "radials", "count": 6, "length_m": 40, "life_years": 30}]
    >>> offered(Treatments(own=own))[-1].length_m
    40.0
    """
    by_name = {treatment.option: treatment for treatment in shipped()}
    for name in settings.off:
        if name not in by_name:
            near = difflib.get_close_matches(name, by_name, n=1, cutoff=0.4)
            hint = f"; did you mean {near[0]!r}?" if near else ""
            raise SettingsError(f"line.toml, [treatments] off: {name!r} is no shipped treatment{hint}")
    seen = set()
    for own in settings.own:
        if own.option in seen:
            raise SettingsError(f"line.toml, [treatments] own: {own.option!r} stands there twice")
        seen.add(own.option)
        by_name[own.option] = _changed(by_name.get(own.option), own)
    return tuple(treatment for name, treatment in by_name.items() if name not in settings.off)


def _changed(before, own):
    """A shipped treatment with what the utility changed, or a new one."""
    given = own.model_dump(exclude_none=True)
    if before is None and own.kind is None:
        raise SettingsError(f"line.toml, [treatments] own: {own.option!r} is not shipped, so it needs a kind")
    treatment = replace(before, **given) if before else Treatment(**given)
    if treatment.kind in SIZED and not (treatment.count and treatment.length_m):
        raise SettingsError(f"line.toml, [treatments] own: {own.option!r} needs count and length_m")
    if treatment.kind not in ("nothing", "retest") and not treatment.life_years > 0:
        raise SettingsError(f"line.toml, [treatments] own: {own.option!r} needs life_years")
    return treatment
