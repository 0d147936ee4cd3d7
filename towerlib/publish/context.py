"""Layers of a line folder that are drawn under its map: ``context/*.gpkg``."""

from pathlib import Path

from towerlib.errors import RecordsError
from towerlib.records import sources


def layers(folder):
    """Every layer of the GeoPackages in the folder ``context`` of a line, to be drawn under its map.

    Parameters
    ----------
    folder : path
        Line folder.

    Returns
    -------
    list of geopandas.GeoDataFrame
        Geometry and CRS alone, files in alphabetical order, layers in the order of the file; the name of the
        layer in ``attrs["name"]``. Empty where there is no such folder. Tables without geometry, as drawing
        programs keep their settings in, are no layers.

    Raises
    ------
    RecordsError
        A file cannot be read.

    Examples
    --------
    >>> layers("a folder without context")
    []
    """
    folder = Path(folder)
    place = folder / "context"
    try:
        files = [path for path in place.iterdir() if path.suffix.lower() == ".gpkg"]
    except FileNotFoundError:
        return []
    except OSError as flaw:
        raise RecordsError(f"{place} cannot be read as a folder: {flaw.strerror}") from None
    visible = [path for path in files if not path.name.startswith(".")]
    return [layer for path in sorted(visible, key=_alphabetical) for layer in _read(path, folder)]


def _alphabetical(path):
    """Order of files that is the same on every system."""
    return path.name.lower(), path.name


def _read(path, folder):
    """Layers of one file, after the guard that every file of a line folder passes."""
    import pyogrio

    try:
        sources.guard(path, folder)
        names = [name for name, shape in pyogrio.list_layers(path) if shape is not None]
        found = [pyogrio.read_dataframe(path, layer=name, columns=[]) for name in names]
    except RecordsError as flaw:
        raise RecordsError(f"{path} {flaw}") from None
    except Exception as flaw:  # the errors of GDAL, SQLite and Shapely have no parent in common
        mend = "save it again as GeoPackage or take it out of the folder"
        raise RecordsError(f"{path} cannot be read as a GeoPackage; {mend}") from flaw
    for name, layer in zip(names, found, strict=True):
        layer.attrs["name"] = str(name)
    return found
