"""Treatments offered on a line: the shipped catalogue with the changes of the line's settings."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cache
from typing import TYPE_CHECKING

from towerlib.errors import SettingsError, nearest
from towerlib.safe_files import shipped_rows

if TYPE_CHECKING:
    from towerlib.config.sections import Treatments as TreatmentSettings


WIRES = (
    "radials",
    "ring and radials",
    "counterpoise",
)  # long wires, effective against lightning only in part
EARTHING = (
    "rods",
    "drilled",
    "radials",
    "ring",
    "ring and radials",
    "counterpoise",
)  # treatments that need digging
RODS = ("rods", "drilled")
RINGS = ("ring", "ring and radials")
WITHOUT_LIFE = ("nothing", "retest", "inspect span")  # no work that wears out
SIZED = ("rods", "drilled", "radials", "ring and radials")


@dataclass(frozen=True)
class Treatment:
    """One treatment of the catalogue.

    Attributes
    ----------
    option, kind : str
        Name and kind.
    count : int
        Rods or radials.
    length_m : float
        Length of each [m].
    fill_mm : float
        Diameter of the conductive fill around them, 0 without fill [mm].
    resistivity_min_ohm_m : float
        Lowest soil resistivity at which it is offered [Ω·m].
    life_years : float
        Life [years]; NaN for options without work.
    purse : str
        Budget category: ``maintenance`` or ``capital``.
    suits, not_for, verify : str
        Where it is suitable, where it is not, and how its success is verified.
    source, status : str
        Source of the row, and how far it is confirmed.
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
    """The shipped catalogue.

    Returns
    -------
    tuple of Treatment

    Examples
    --------
    >>> [treatment.option for treatment in shipped()][:2]
    ['do nothing', 'retest first']
    """
    numbers = {"length_m": float, "fill_mm": float, "resistivity_min_ohm_m": float, "count": int}
    rows = shipped_rows("towerlib.treatments", "catalogue.csv")
    return tuple(
        Treatment(
            **{name: numbers.get(name, str)(value) for name, value in row.items() if name != "life_years"},
            life_years=float(row["life_years"] or "nan"),
        )
        for row in rows
    )


def offered(settings: TreatmentSettings) -> tuple[Treatment, ...]:
    """Treatments offered on a line.

    Parameters
    ----------
    settings : towerlib.config.sections.Treatments
        Treatments switched off, changed or added.

    Returns
    -------
    tuple of Treatment
        Shipped treatments in their order, then the utility's own.

    Raises
    ------
    SettingsError
        A name under ``off`` is not a shipped treatment, a name occurs twice, or a new treatment lacks kind, life or
        the sizes that its kind needs.

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
            hint = nearest(name, by_name)
            raise SettingsError(f"line.toml, [treatments] off: {name!r} is not a shipped treatment{hint}")
    seen = set()
    for own in settings.own:
        if own.option in seen:
            raise SettingsError(f"line.toml, [treatments] own: {own.option!r} is listed twice")
        seen.add(own.option)
        by_name[own.option] = _changed(by_name.get(own.option), own)
    return tuple(treatment for name, treatment in by_name.items() if name not in settings.off)


def _changed(before, own):
    """A shipped treatment with the utility's changes, or a new one."""
    given = own.model_dump(exclude_none=True)
    if before is None and own.kind is None:
        raise SettingsError(f"line.toml, [treatments] own: {own.option!r} is not shipped, so it needs a kind")
    treatment = replace(before, **given) if before else Treatment(**given)
    if treatment.kind in SIZED and not (treatment.count and treatment.length_m):
        raise SettingsError(f"line.toml, [treatments] own: {own.option!r} needs count and length_m")
    if treatment.kind not in WITHOUT_LIFE and not treatment.life_years > 0:
        raise SettingsError(f"line.toml, [treatments] own: {own.option!r} needs life_years")
    return treatment
