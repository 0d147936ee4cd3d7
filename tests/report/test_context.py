"""Layers under the map: what is read, and what is said of files that cannot be."""

import geopandas as gpd
import pandas as pd
import pyogrio
import pytest
from pictures import LINE, condition, words
from shapely import LineString, Point, box
from test_maps import route

from towerlib.errors import RecordsError
from towerlib.report import map_layers, maps

RIVER = gpd.GeoDataFrame({"note": ["x"]}, geometry=[LineString([(31.1, -17.9), (31.3, -17.7)])], crs=4326)
LAKE = gpd.GeoDataFrame(geometry=[box(31.21, -17.82, 31.24, -17.80)], crs=4326)


@pytest.fixture
def folder(tmp_path):
    """Line folder with a folder for context."""
    (tmp_path / "context").mkdir()
    return tmp_path


def test_every_layer_of_every_file_is_read(folder):
    RIVER.to_file(folder / "context" / "water.gpkg", layer="rivers")
    LAKE.to_crs(32736).to_file(folder / "context" / "water.gpkg", layer="lakes", mode="a")
    LAKE.to_file(folder / "context" / "Parks.GPKG", layer="parks", driver="GPKG")
    found = map_layers.layers(folder)
    assert [layer.attrs["name"] for layer in found] == ["parks", "rivers", "lakes"]
    assert [layer.crs.to_epsg() for layer in found] == [4326, 4326, 32736]
    assert found[1].geometry.iloc[0].equals(RIVER.geometry.iloc[0])


def test_a_layer_keeps_what_it_lacks(folder):
    with pytest.warns(UserWarning, match="'crs' was not provided"):
        gpd.GeoDataFrame(geometry=[Point(0, 0)]).to_file(folder / "context" / "bare.gpkg", layer="bare")
    RIVER.iloc[:0].to_file(folder / "context" / "empty.gpkg", layer="empty")
    bare, empty = map_layers.layers(folder)
    assert bare.crs is None
    assert empty.empty


def test_tables_without_geometry_are_no_layers(folder):
    pyogrio.write_dataframe(pd.DataFrame({"style": ["blue"]}), folder / "context" / "a.gpkg", layer="styles")
    assert map_layers.layers(folder) == []


def test_other_files_are_left_alone(folder):
    (folder / "context" / "notes.txt").write_text("lake drawn by hand")
    (folder / "context" / "._water.gpkg").write_bytes(b"what some systems leave beside a file")
    assert map_layers.layers(folder) == []


def test_no_folder_is_no_layer(tmp_path):
    assert map_layers.layers(tmp_path) == []
    assert map_layers.layers(tmp_path / "nowhere") == []


def test_a_file_in_the_place_of_the_folder_is_named(tmp_path):
    (tmp_path / "context").write_text("")
    with pytest.raises(RecordsError, match="context cannot be read as a folder: Not a directory"):
        map_layers.layers(tmp_path)


def test_an_unreadable_file_is_named_with_the_mend(folder):
    (folder / "context" / "water.gpkg").write_text("a list of lakes")
    sentence = (
        r"context.water\.gpkg cannot be read as a GeoPackage; save it again as GeoPackage, or remove it"
    )
    with pytest.raises(RecordsError, match=sentence):
        map_layers.layers(folder)


def test_half_a_file_is_named(folder):
    path = folder / "context" / "water.gpkg"
    RIVER.to_file(path, layer="rivers")
    path.write_bytes(path.read_bytes()[: path.stat().st_size // 2])
    with pytest.raises(RecordsError, match=r"water\.gpkg cannot be read as a GeoPackage"):
        map_layers.layers(folder)


def test_an_empty_file_is_named(folder):
    (folder / "context" / "water.gpkg").write_bytes(b"")
    with pytest.raises(RecordsError, match=r"context.water\.gpkg is empty"):
        map_layers.layers(folder)


def test_a_link_out_of_the_folder_is_refused(folder, tmp_path_factory):
    elsewhere = tmp_path_factory.mktemp("elsewhere") / "water.gpkg"
    RIVER.to_file(elsewhere, layer="rivers")
    (folder / "context" / "water.gpkg").symlink_to(elsewhere)
    with pytest.raises(RecordsError, match=r"water\.gpkg is a link to a file outside the line folder"):
        map_layers.layers(folder)


def test_the_map_draws_and_names_what_was_read(folder):
    RIVER.to_file(folder / "context" / "water.gpkg", layer="rivers")
    figure = maps.route_map(route(30), condition(30), LINE, context=map_layers.layers(folder))
    assert "rivers" in words(figure)
