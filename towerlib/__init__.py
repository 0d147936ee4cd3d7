"""Line-wide analytics of transmission tower earthing tests, from records to a priority list.

The names below are the public interface. Each is imported when first used, so that ``import towerlib`` costs nothing.

>>> import towerlib as tl
>>> study = tl.assess(tl.find_line("brackwater-stonefell"), month="2026-06")
>>> len(study.ranks)
140
"""

from importlib import import_module
from typing import TYPE_CHECKING, Any

__version__ = "0.1.0"

if TYPE_CHECKING:
    from towerlib.assessment import (
        Study,
        assess,
        columns,
        compare,
        demo_folder,
        find_line,
        rank_lines,
        read_records,
    )
    from towerlib.errors import RecordsError, SettingsError, TowerlibError
    from towerlib.runs import write_report

HOMES = {
    "assessment": (
        *("Study", "assess", "columns", "compare", "demo_folder", "find_line", "rank_lines"),
        "read_records",
    ),
    "errors": ("RecordsError", "SettingsError", "TowerlibError"),
    "runs": ("write_report",),
}

__all__ = [
    "RecordsError",
    "SettingsError",
    "Study",
    "TowerlibError",
    "__version__",
    "assess",
    "columns",
    "compare",
    "demo_folder",
    "find_line",
    "rank_lines",
    "read_records",
    "write_report",
]


def __getattr__(name: str) -> Any:
    """A public name, imported now from the module that defines it."""
    for home, names in HOMES.items():
        if name in names:
            found = getattr(import_module(f"towerlib.{home}"), name)
            globals()[name] = found
            return found
    raise AttributeError(f"module 'towerlib' has no attribute {name!r}")


def __dir__() -> list[str]:
    """The public interface."""
    return list(__all__)
