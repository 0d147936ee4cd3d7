"""Layers of a line folder that are drawn under its map: ``context/*.gpkg``."""

from pathlib import Path

from towerlib.errors import RecordsError
from towerlib.records import gis, sources


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
    return [layer for path in sources.context(folder) for layer in _read(path, folder)]


def _read(path, folder):
    """Layers of one file, through the same door as every file of a line folder."""
    try:
        found = gis.read_layers(path, folder, _with_geometry, columns=[])
    except RecordsError as flaw:
        raise RecordsError(f"{path} {flaw}") from None
    except Exception as flaw:  # the errors of GDAL, SQLite and Shapely have no parent in common
        mend = "save it again as GeoPackage or take it out of the folder"
        raise RecordsError(f"{path} cannot be read as a GeoPackage; {mend}") from flaw
    for name, layer in found.items():
        layer.attrs["name"] = name
    return list(found.values())


def _with_geometry(layers):
    """Names of the layers that can be drawn."""
    return [name for name, shape in layers if shape is not None]
