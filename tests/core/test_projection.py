"""The base plane: easting and northing in metres whatever the CRS says, its scale, its centre."""

from __future__ import annotations

import math

import numpy as np
import pyproj
import pytest

from sitetie.core.errors import FrameError
from sitetie.core.projection import base_projection, local_transverse_mercator, middle

#: CRS, place, and the unit of its coordinates in metres. Northing first, feet, westing and
#: southing, poles, both hemispheres, a Paris meridian in grads.
PLANES = [
    ("EPSG:25832", "EPSG:4258", (48.1, 11.5), 1.0),
    ("EPSG:32760", "EPSG:4326", (-17.0, 178.9), 1.0),
    ("EPSG:32601", "EPSG:4326", (52.0, -179.9), 1.0),
    ("EPSG:2180", "EPSG:4258", (52.0, 19.5), 1.0),  # northing, easting
    ("EPSG:2227", "EPSG:4269", (37.5, -121.5), 1200.0 / 3937.0),  # US survey feet
    ("EPSG:2921", "EPSG:4152", (40.5, -111.5), 0.3048),  # international feet
    ("EPSG:2193", "EPSG:4167", (-41.2, 174.8), 1.0),  # northing, easting; southern hemisphere
    ("EPSG:5514", "EPSG:4156", (49.8, 15.0), 1.0),  # oblique cone, east and north
    ("EPSG:5513", "EPSG:4156", (49.8, 15.0), 1.0),  # the same, south and west
    ("EPSG:2053", "EPSG:4148", (-29.0, 29.2), 1.0),  # westing, southing
    ("EPSG:3031", "EPSG:4326", (-78.0, 166.0), 1.0),  # both axes north, along meridians
    ("EPSG:32661", "EPSG:4326", (86.0, 20.0), 1.0),  # north pole, northing first
    ("EPSG:5041", "EPSG:4326", (86.0, 20.0), 1.0),  # north pole, easting first
    ("EPSG:2056", "EPSG:4150", (47.0, 7.9), 1.0),
    ("EPSG:3034", "EPSG:4258", (52.0, 10.0), 1.0),  # northing, easting; cone
]
PLANE = pytest.mark.parametrize(("crs", "frame", "place", "unit"), PLANES,
                                ids=[plane[0] for plane in PLANES])


def ground(latitude, longitude, azimuth, metres, ellps="GRS80"):
    """Latitude, longitude some metres away along the geodesic."""
    far = pyproj.Geod(ellps=ellps).fwd(longitude, latitude, azimuth, metres)
    return far[1], far[0]


@PLANE
def test_axes_are_east_and_north_in_metres(crs, frame, place, unit):
    base = base_projection(crs, frame, near=place)
    jacobian = base.jacobian(*place)
    # Turned by the convergence, stretched by the scale, and never mirrored.
    assert np.linalg.det(jacobian) > 0.0
    scale = math.sqrt(np.linalg.det(jacobian))
    assert 0.95 < scale < 1.05
    np.testing.assert_allclose(jacobian @ jacobian.T, scale**2 * np.eye(2), atol=2e-6)


@PLANE
def test_coordinates_are_those_of_proj(crs, frame, place, unit):
    base = base_projection(crs, frame, near=place)
    plane = pyproj.CRS(crs)
    east, north = pyproj.Transformer.from_crs(plane.geodetic_crs, plane, always_xy=True).transform(
        place[1], place[0])
    order = [axis.direction for axis in plane.axis_info]
    if order in (["west", "south"], ["south", "west"]):
        if order[0] == "south":
            east, north = north, east
        east, north = -east, -north
    expected = np.array([east, north]) * unit
    np.testing.assert_allclose(np.array(base.to_base(*place)), expected, atol=1e-6)


@PLANE
def test_there_and_back(crs, frame, place, unit):
    base = base_projection(crs, frame, near=place)
    draw = np.random.default_rng(1)
    latitude = place[0] + draw.uniform(-0.02, 0.02, 50)
    longitude = place[1] + draw.uniform(-0.02, 0.02, 50)
    again = base.to_geodetic(*base.to_base(latitude, longitude))
    np.testing.assert_allclose(again[0], latitude, atol=1e-10)
    assert np.abs((again[1] - longitude + 180.0) % 360.0 - 180.0).max() < 1e-9


@PLANE
def test_scale_and_convergence_are_those_of_proj(crs, frame, place, unit):
    if crs == "EPSG:5513":
        pytest.skip("PROJ's factors do not follow southing and westing axes")
    base = base_projection(crs, frame, near=place)
    factors = pyproj.Proj(pyproj.CRS(crs)).get_factors(place[1], place[0])
    assert base.point_scale(*place) == pytest.approx(math.sqrt(factors.areal_scale), abs=2e-9)
    if crs != "EPSG:2053":  # there PROJ turns by the axes
        turn = base.convergence(*place) - factors.meridian_convergence
        assert math.remainder(turn, 360.0) == pytest.approx(0.0, abs=1e-6)


def test_convergence_is_the_azimuth_of_grid_north():
    base = base_projection("EPSG:25832", "EPSG:4258", near=(48.1, 11.5))
    e, n = base.to_base(48.1, 11.5)
    north = base.to_geodetic(e, n + 10.0)
    azimuth = pyproj.Geod(ellps="GRS80").inv(11.5, 48.1, north[1], north[0])[0]
    assert base.convergence(48.1, 11.5) == pytest.approx(azimuth, abs=2e-6)
    assert azimuth > 0.0  # east of the central meridian, north of the equator


def test_line_scale_is_grid_length_over_geodesic_length():
    base = base_projection("EPSG:25832", "EPSG:4258", near=(48.1, 11.5))
    start, end = (48.1, 11.5), ground(48.1, 11.5, 63.0, 30_000.0)
    grid = math.dist(base.to_base(*start), base.to_base(*end))
    assert base.line_scale(*start, *end) == pytest.approx(grid / 30_000.0, abs=2e-9)
    lat, lon = np.array([48.1, 48.2]), np.array([11.5, 11.6])
    assert base.line_scale(lat, lon, lat + 0.01, lon).shape == (2,)


def test_the_combined_factor_is_grid_over_ground():
    base = base_projection("EPSG:25832", "EPSG:4258", near=(48.1, 11.5))
    m, n = base.radii(48.1)
    radius = math.sqrt(m * n)
    assert base.elevation_factor(48.1, 600.0) == pytest.approx(radius / (radius + 600.0))
    assert base.elevation_factor(48.1, 0.0) == 1.0
    assert base.combined_factor(48.1, 11.5, 600.0) == pytest.approx(
        base.point_scale(48.1, 11.5) * radius / (radius + 600.0))


def test_radii_of_curvature_at_equator_and_pole():
    base = base_projection("EPSG:32632", "EPSG:4326", near=(48.1, 11.5))
    a, f = 6378137.0, 1.0 / 298.257223563
    assert base.radii(0.0) == pytest.approx((a * (1.0 - f) ** 2, a))
    assert base.radii(90.0) == pytest.approx((a / (1.0 - f), a / (1.0 - f)))


def test_a_plane_that_feels_height_is_inverted_at_that_height():
    base = base_projection("EPSG:31468", "EPSG:4258", near=(48.1, 11.5),
                           datum_operation="DHDN to ETRS89 (2)")
    assert base.depends_on_height
    low, high = (np.array(base.to_base(48.1, 11.5, h)) for h in (0.0, 2000.0))
    assert 1e-3 < np.hypot(*(high - low)) < 0.5
    for height in (0.0, 2000.0, np.array([0.0, 500.0, 8000.0])):
        there = base.to_base(48.1, 11.5, height)
        back = base.to_geodetic(*there, height)
        np.testing.assert_allclose(back[0], 48.1, atol=1e-12)
        np.testing.assert_allclose(back[1], 11.5, atol=1e-12)
    assert base.to_base(48.1, 11.5) == base.to_base(48.1, 11.5, 0.0)


def test_a_plane_on_a_grid_shift_there_and_back():
    """`ntf_r93.gsb` (Debian's proj-data), PROJ's own iteration inverse of a grid."""
    pipeline = ("+proj=pipeline +step +proj=unitconvert +xy_in=deg +xy_out=rad +step +inv "
                "+proj=hgridshift +grids=ntf_r93.gsb +step +proj=lcc +lat_1=46.8 +lat_0=46.8 "
                "+lon_0=0 +k_0=0.99987742 +x_0=600000 +y_0=2200000 +ellps=clrk80ign +pm=paris")
    try:
        base = base_projection("EPSG:27572", "EPSG:4171", near=(48.8, 2.4),
                               datum_operation=pipeline)
    except FrameError:
        pytest.skip("the grid is not installed")
    assert not base.depends_on_height
    latitude, longitude = np.linspace(48.7, 48.9, 20), np.linspace(2.3, 2.5, 20)
    back = base.to_geodetic(*base.to_base(latitude, longitude))
    np.testing.assert_allclose(back, [latitude, longitude], atol=1e-11)


def test_places_the_projection_does_not_reach_are_nan():
    base = base_projection("EPSG:2154", "EPSG:4171", near=(46.8, 2.4))
    easting, northing = base.to_base([46.8, -90.0], [2.4, 2.4])
    assert np.isfinite(easting).tolist() == [True, False]
    assert np.isfinite(northing).tolist() == [True, False]


@pytest.mark.parametrize(("crs", "near", "words"), [
    ("EPSG:2154", (-90.0, 2.4), "cannot project latitude -90.0000"),
    ("EPSG:3031", (48.0, 11.0), r"point scale of 7\.\d+ at the site; it is not made"),
])
def test_a_projection_made_for_elsewhere_is_refused(crs, near, words):
    with pytest.raises(FrameError, match=words):
        base_projection(crs, "EPSG:4171", near=near, datum_operation="identical")


# -- the local projection ----------------------------------------------------------------------


def test_the_local_projection_is_a_transverse_mercator_of_scale_one_at_the_middle():
    latitudes, longitudes = [48.1001, 48.1012, 48.0989], [11.4996, 11.5003, 11.5011]
    wkt = local_transverse_mercator("EPSG:4258", latitudes, longitudes)
    base = base_projection(wkt, "EPSG:4258", near=(48.1, 11.5))
    assert base.name == "Local Transverse Mercator at 48.100 11.500"
    assert base.to_base(48.1, 11.5) == pytest.approx((0.0, 0.0), abs=1e-9)
    assert base.point_scale(48.1, 11.5) == pytest.approx(1.0, abs=1e-10)
    assert base.datum_operation is None
    reference = pyproj.Proj(proj="tmerc", lat_0=48.1, lon_0=11.5, k=1, ellps="GRS80")
    assert base.to_base(48.2, 11.6) == pytest.approx(reference(11.6, 48.2), abs=1e-6)


@pytest.mark.parametrize("frame", ["EPSG:4326", "EPSG:4979", "EPSG:6318", "EPSG:6319", "EPSG:4258",
                                   "EPSG:7912", "OGC:CRS84", "EPSG:4805",
                                   "+proj=longlat +ellps=bessel +no_defs"])
def test_any_frame_in_degrees_can_carry_it(frame):
    """Two- and three-dimensional, latitude or longitude first, another prime meridian (Ferro)."""
    wkt = local_transverse_mercator(frame, [48.1], [11.5])
    base = base_projection(wkt, frame, near=(48.1, 11.5))
    assert base.operation == "the projection alone, no change of datum"
    assert base.to_base(48.1, 11.5) == pytest.approx((0.0, 0.0), abs=1e-9)
    east, north = base.to_base(48.11, 11.5)
    assert east == pytest.approx(0.0, abs=1e-6)
    assert north == pytest.approx(1112.0, abs=1.0)


def test_the_middle_is_robust_and_does_not_mind_order_or_the_antimeridian():
    draw = np.random.default_rng(3)
    latitude = 50.0 + draw.uniform(-0.01, 0.01, 9)
    longitude = draw.uniform(-0.01, 0.01, 9)
    centre = middle(latitude, longitude + 8.0)
    assert centre == pytest.approx((np.median(latitude), 8.0 + np.median(longitude)), abs=0.005)
    order = draw.permutation(9)
    assert middle(latitude[order], longitude[order] + 8.0) == centre
    wrong = longitude + 8.0
    wrong[4] += 10.0
    assert middle(latitude, wrong) == pytest.approx(centre, abs=0.004)
    around = (longitude + 180.0 + 180.0) % 360.0 - 180.0
    there = middle(latitude, around)
    assert abs(math.remainder(there[1] - 180.0 - (centre[1] - 8.0), 360.0)) < 1.5e-3
    assert middle([50.0], [8.0]) == (50.0, 8.0)
    assert middle([50.0, 50.002], [8.0, 8.0]) == (50.001, 8.0)
    # all in one place, as repeats of a single mark are
    assert middle([50.0] * 4, [8.0] * 4) == (50.0, 8.0)
