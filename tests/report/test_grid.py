"""A projected grid against the earth: published scale factors, and another library's convergence."""

import numpy as np
import pytest
from pyproj import CRS, Proj, Transformer

from towerlib.report import map_elements


def test_grid_length_in_the_middle_of_a_utm_zone():
    """UTM's scale factor on the central meridian is 0.9996 by definition (NGA.SIG.0012)."""
    assert map_elements.grid_metres(CRS("EPSG:32736"), 500000.0, 8000000.0, 1000.0) == pytest.approx(
        999.6, abs=0.001
    )


@pytest.mark.parametrize(("longitude", "latitude"), [(30.2, -17.8), (33.0, 45.0), (35.9, 63.0), (31.0, -2.0)])
def test_convergence(longitude, latitude):
    """Against PROJ's own factors, and tan γ = tan(λ − 33°)·sin φ of the sphere (from memory)."""
    crs = CRS("EPSG:32736" if latitude < 0 else "EPSG:32636")
    x, y = Transformer.from_crs(4326, crs, always_xy=True).transform(longitude, latitude)
    turn = map_elements.convergence_deg(crs, x, y)
    assert turn == pytest.approx(Proj(crs).get_factors(longitude, latitude).meridian_convergence, abs=1e-5)
    sphere = np.degrees(np.arctan(np.tan(np.radians(longitude - 33)) * np.sin(np.radians(latitude))))
    assert turn == pytest.approx(sphere, abs=0.01)
