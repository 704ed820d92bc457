"""The site CRS as text: told apart from others, printed without loss, backwards as forwards."""

from __future__ import annotations

import json
import sqlite3
from pathlib import Path

import numpy as np
import pyproj
import pytest

from sitetie.core import Settings, Tie, tie_from_parameters

FAR = {"easting": -600000.0, "northing": -5300000.0, "scale": 1.0000138, "rotation": 12.0}


def typed(base: str = "EPSG:25832", frame: str = "EPSG:4258", **changes) -> Tie:
    return tie_from_parameters(
        Settings(base_crs=base, observation_crs=frame), "EPSG:9621", {**FAR, **changes})


def same_in_proj(first: Tie, second: Tie) -> bool:
    one, other = pyproj.CRS(first.crs_wkt()), pyproj.CRS(second.crs_wkt())
    return one == other or one.is_exact_same(other)


def test_ties_a_tenth_of_a_millimetre_apart_are_two_crss_for_proj():
    # With the numbers alone PROJ calls them equal: 1e-4 m is less than 1e-10 of 5300 km.
    assert not same_in_proj(typed(), typed(northing=FAR["northing"] + 1e-4))
    assert same_in_proj(typed(), typed())


@pytest.mark.parametrize(("base", "frame", "moved"), [
    ("EPSG:25832", "EPSG:4258", True),
    ("EPSG:5514", "EPSG:4156", False),  # PROJ 9.1 and 9.6 move it in opposite directions
    ("EPSG:5513", "EPSG:4156", False),
    ("EPSG:27200", "EPSG:4272", False),  # PROJ computes it without a false origin of its own
])
def test_the_false_origin_moves_where_every_proj_follows(base, frame, moved):
    assert ("false origin moved" in typed(base, frame).crs_wkt()) is moved


def test_the_same_plane_with_another_height_is_another_crs():
    level = tie_from_parameters(
        Settings(base_crs="EPSG:25832", observation_crs="EPSG:4258"), "EPSG:9621", FAR,
        vertical={"shift": -45.0})
    assert not same_in_proj(typed(), level)


@pytest.mark.parametrize(("base", "frame", "place"), [
    ("EPSG:25832", "EPSG:4258", (48.0, 10.5)),
    ("EPSG:2193", "EPSG:4167", (-41.3, 174.8)),
    ("EPSG:2056", "EPSG:4150", (46.9, 7.4)),  # easting at the projection centre
    ("EPSG:2263", "EPSG:4269", (40.7, -74.0)),  # easting at the false origin, US survey feet
    ("EPSG:3031", "EPSG:4326", (-75.0, 120.0)),
    ("EPSG:5513", "EPSG:4156", (50.1, 14.4)),  # southing, westing; cannot be computed at 0, 0
])
def test_text_printed_by_proj_again_and_again_leads_to_the_same_place(base, frame, place):
    unit = "us-ft" if base == "EPSG:2263" else "m"
    tie = tie_from_parameters(
        Settings(base_crs=base, observation_crs=frame, site_unit=unit), "EPSG:9621", FAR)
    rng = np.random.default_rng(2)
    latitude, longitude = (place[i] + rng.uniform(-0.05, 0.05, 50) for i in (0, 1))
    expected = np.array(tie.to_site(latitude, longitude)[:2])
    text = tie.crs_wkt()
    for _ in range(3):
        there = pyproj.Transformer.from_crs(frame, pyproj.CRS(text), always_xy=True)
        found = np.array(there.transform(longitude, latitude))
        assert np.abs(found - expected).max() * tie.settings.site_length.metres < 1e-7
        text = pyproj.CRS(text).to_wkt("WKT2_2019")


def test_a_base_on_three_dimensions_is_written_on_two():
    # Else PROJ does not know its own printed text again: the code of a 3-D CRS is lost there.
    tie = typed(base=pyproj.crs.ProjectedCRS(
        pyproj.crs.coordinate_operation.TransverseMercatorConversion(48.8, 14.9),
        name="Plane", geodetic_crs=pyproj.CRS("EPSG:7931")).to_wkt(), frame="EPSG:7931")
    crs = pyproj.CRS(tie.crs_wkt())
    assert crs == pyproj.CRS(crs.to_wkt("WKT2_2019"))
    assert len(crs.geodetic_crs.axis_info) == 2


@pytest.mark.parametrize("geoid", [None, "egm96_15.gtx"])
@pytest.mark.parametrize(("base", "frame", "place"), [
    ("EPSG:5514", "EPSG:4258", (50.0, 14.4)),  # seven parameters and 45 m between
    ("EPSG:2193", "EPSG:4167", (-41.3, 174.8)),
    ("EPSG:2154", "EPSG:4275", (48.8, 2.3)),  # three parameters
])
def test_the_backward_pipeline_undoes_the_forward_one(base, frame, place, geoid):
    tie = tie_from_parameters(
        Settings(base_crs=base, observation_crs=frame, geoid=geoid, site_unit="ft"),
        "EPSG:9621", {"easting": 0.0, "northing": 0.0, "scale": 1.0 / 0.3048, "rotation": 200.0},
        vertical={"shift": 1.5, "latitude": place[0], "longitude": place[1], "slope_latitude": 2.0,
                  "slope_longitude": -3.0})
    rng = np.random.default_rng(4)
    latitude, longitude = (place[i] + rng.uniform(-0.05, 0.05, 20) for i in (0, 1))
    height = rng.uniform(0.0, 900.0, 20)
    site = np.array(pyproj.Transformer.from_pipeline(tie.pipeline()).transform(
        longitude, latitude, height))
    core = np.array(tie.to_site(latitude, longitude, height))
    assert np.abs(site - core).max() < 1e-6
    back = pyproj.Transformer.from_pipeline(tie.pipeline(backward=True)).transform(*site)
    assert np.abs(back[0] - longitude).max() < 1e-11
    assert np.abs(back[1] - latitude).max() < 1e-11
    assert np.abs(back[2] - height).max() < 1e-6


def test_a_geoid_in_a_folder_with_blanks(tmp_path):
    folder = tmp_path / "my grids + more"
    folder.mkdir()
    found = next(p for p in map(Path, pyproj.datadir.get_data_dir().split(":"))
                 if (p / "egm96_15.gtx").is_file())
    grid = folder / "egm96 15.gtx"
    grid.symlink_to(found / "egm96_15.gtx")
    tie = tie_from_parameters(
        Settings(base_crs="EPSG:25832", observation_crs="EPSG:4258", geoid=str(grid)),
        "EPSG:9621", FAR, vertical={"shift": 0.0})
    site = pyproj.Transformer.from_pipeline(tie.pipeline()).transform(10.5, 48.0, 500.0)
    assert np.abs(np.array(site) - tie.to_site(48.0, 10.5, 500.0)).max() < 1e-6


#: Parameter of an EPSG operation to its name here.
EPSG_NAMES = {
    "8621": "easting", "8622": "northing", "1061": "scale", "8611": "scale", "8614": "rotation",
    "8728": "easting", "8729": "northing", "8623": "A0", "8624": "A1", "8625": "A2", "8639": "B0",
    "8640": "B1", "8641": "B2",
}
UNITS = {"arc-second": "arcsec", "degree": "deg", "radian": "rad"}
SITE_UNITS = {"metre": "m", "foot": "ft", "US survey foot": "us-ft"}


def published_operations():
    """Similarities and affines between projected CRSs that this PROJ's EPSG dataset carries."""
    found = []
    path = Path(pyproj.datadir.get_data_dir().split(":")[0]) / "proj.db"
    with sqlite3.connect(f"file:{path}?mode=ro", uri=True) as database:
        for code, method in database.execute(
            "SELECT code, method_code FROM other_transformation WHERE auth_name = 'EPSG' AND "
            "method_auth_name = 'EPSG' AND method_code IN ('9621', '9624', '9656') AND "
            "deprecated = 0 ORDER BY code"
        ):
            found.append((int(code), f"EPSG:{method}"))
    return found


def test_every_published_plane_operation_as_a_crs():
    """The derived CRS against PROJ's own operation, for each that its EPSG dataset carries: 7 in
    v10.076 of Debian 12, 80 in v12.004 of Debian 13.
    """
    operations = published_operations()
    assert len(operations) >= 7
    for code, method in operations:
        operation = pyproj.crs.CoordinateOperation.from_epsg(code)
        record = json.loads(operation.to_json())
        source, target = pyproj.CRS(record["source_crs"]), pyproj.CRS(record["target_crs"])
        # A plant grid has no place on the earth: then the projection is the target.
        inverse = source.geodetic_crs is None
        base, site = (target, source) if inverse else (source, target)
        if {axis.direction for axis in site.axis_info} & {"south", "west"}:
            assert code == 1035  # north and west: published/as_crs.py has it
            continue
        named = {EPSG_NAMES[p.code]: (p.value, UNITS.get(p.unit_name)) for p in operation.params}
        tie = tie_from_parameters(
            Settings(base_crs=base.to_wkt(), observation_crs=base.geodetic_crs.to_wkt(),
                     site_unit=SITE_UNITS[site.axis_info[0].unit_name]),
            method, {name: pair[0] if pair[1] is None else pair for name, pair in named.items()},
            inverse=inverse)
        # From positions, for PROJ's own way back from some projections is off by 0.1 mm.
        place = somewhere_in(operation.area_of_use)
        found = forth(base.geodetic_crs, pyproj.CRS(tie.crs_wkt()), place)
        x, y = forth(base.geodetic_crs, base, place)
        theirs = pyproj.Transformer.from_pipeline(f"urn:ogc:def:coordinateOperation:EPSG::{code}")
        direction = "INVERSE" if inverse else "FORWARD"
        given = (y, x) if northing_first(base) else (x, y)
        expected = theirs.transform(*given, direction=direction)
        if northing_first(site):
            expected = expected[::-1]
        assert np.abs(np.subtract(found, expected)).max() < 1e-6, (code, operation.name)


def somewhere_in(area) -> tuple:
    """Longitudes and latitudes."""
    return ((area.west + area.east) / 2.0 + np.array([0.0, 0.05, -0.03]),
            (area.south + area.north) / 2.0 + np.array([0.0, -0.02, 0.04]))


def forth(source, target, place) -> tuple:
    return pyproj.Transformer.from_crs(source, target, always_xy=True).transform(*place)


def northing_first(crs: pyproj.CRS) -> bool:
    return crs.axis_info[0].direction == "north"
