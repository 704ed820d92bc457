"""Layers to the site: one pipeline, and point by point, both ways, against the core's steps."""

from __future__ import annotations

import numpy as np
import pyproj
import pytest

from sitetie.core import solve
from sitetie.core.errors import FrameError, InputError
from sitetie.core.layer_pipeline import layer_plane
from sitetie.core.layer_way import layer_way
from sitetie.core.reframe import near_in, reframing
from sitetie.tests.core.sites import random_site, write_geoid

PLACE = (47.3, 11.6)
#: CRS of the layer, how its frame is named, base of the tie.
WAYS = [
    ("EPSG:7931", {}, None),
    ("EPSG:25832", {"datum_operation": "identical"}, None),
    ("EPSG:31254", {}, None),
    ("EPSG:4312", {}, None),
    ("EPSG:7912", {"epoch": 2026.35}, None),
    ("EPSG:7931", {}, "EPSG:31254"),
    ("EPSG:31254", {}, "EPSG:31254"),
    ("EPSG:7912", {"epoch": 2020.0}, "EPSG:31254"),
]


@pytest.fixture(scope="module")
def ties():
    site = random_site(21, place=PLACE, extent=2500.0, observation_crs="EPSG:7931",
                       site_unit="us-ft", vertical_model="plane")
    over = site.settings.replace(base_crs="EPSG:31254")
    return {None: solve(site.pairs, site.settings), "EPSG:31254": solve(site.pairs, over)}


def spread(crs, count=300):
    x, y = near_in(crs, *PLACE)
    size = 0.02 if pyproj.CRS(crs).is_geographic else 2000.0
    draw = np.random.default_rng(1)
    return x + draw.uniform(-size, size, count), y + draw.uniform(-size, size, count)


@pytest.mark.parametrize(("crs", "frames", "base"), WAYS)
def test_the_pipeline_is_the_reframing_and_the_tie_in_plan(crs, frames, base, ties):
    tie, (x, y), height = ties[base], spread(crs), 620.0
    way = reframing(crs, "EPSG:7931", (x[0], y[0], height), **frames)
    plane = layer_plane(tie, way, (x[0], y[0]), height)
    made = pyproj.Transformer.from_pipeline(plane.pipeline)
    latitude, longitude, _ = way(x, y, np.full(len(x), np.nan))
    for _ in range(3):  # the layer's own height for this one in the tie's frame
        level = way.back(latitude, longitude, np.full(len(x), height))[2]
        latitude, longitude, _ = way(x, y, level)
    wanted = np.array(tie.to_site(latitude, longitude, np.full(len(x), height))[:2])
    found = np.array(made.transform(x, y))
    unit = tie.settings.site_length.metres
    # Heights of frames are parallel to some centimetres over the layer, felt by a ten-thousandth.
    assert np.abs(found - wanted).max() * unit < 2e-5
    back = np.array(made.transform(*found, direction="INVERSE"))
    degrees = 111e3 if way.kind == "geographic" else 1.0
    assert np.abs(back - (x, y)).max() * degrees < 1e-6
    assert (plane.per_100_m > 0.0) == ("31254" in (crs + str(base)) or "4312" in crs)


def test_heights_are_felt_as_the_pipeline_says(ties):
    tie, (x, y) = ties[None], spread("EPSG:31254", 20)
    way = reframing("EPSG:31254", "EPSG:7931", (x[0], y[0], 500.0))
    low, high = (np.array(pyproj.Transformer.from_pipeline(
        layer_plane(tie, way, (x[0], y[0]), height).pipeline).transform(x, y))
        for height in (500.0, 600.0))
    moved = np.hypot(*(high - low)).mean() * tie.settings.site_length.metres
    assert moved == pytest.approx(layer_plane(tie, way, (x[0], y[0]), 500.0).per_100_m, rel=0.02)
    assert moved > 5e-4


@pytest.mark.parametrize("unit", [None, "m", "ft"])
@pytest.mark.parametrize(("crs", "frames", "base"), WAYS)
def test_points_come_back_to_a_hundredth_of_a_millimetre(crs, frames, base, unit, ties):
    tie, (x, y) = ties[base], spread(crs)
    z = np.random.default_rng(2).uniform(300.0, 900.0, len(x))
    z[::7] = np.nan
    way = layer_way(tie, crs, (x[0], y[0]), height_unit=unit, **frames)
    site = way.to_site(x, y, z)
    back = way.to_layer(*site)
    degrees = 111e3 if way.way.kind == "geographic" else 1.0
    assert np.abs(np.subtract(back[:2], (x, y))).max() * degrees < 1e-5
    assert np.nanmax(np.abs(back[2] - z)) < 1e-5
    assert np.array_equal(np.isnan(site[2]), np.isnan(z))
    if unit is None:
        assert np.array_equal(site[2], z, equal_nan=True)
    else:
        metres = {"m": 1.0, "ft": 0.3048}[unit]
        known = np.isfinite(z)
        latitude, longitude, height = way.way(x[known], y[known], z[known] * metres)
        assert np.allclose(np.array(site)[:, known], tie.to_site(latitude, longitude, height),
                           rtol=0, atol=1e-9)


def test_heights_reduced_by_a_geoid_become_ellipsoidal_first(ties, tmp_path):
    tie, grid = ties[None], write_geoid(tmp_path / "g.gtx")
    way = layer_way(tie, "EPSG:7931", PLACE[::-1], height_unit="m", height_geoid=grid)
    z = np.array([450.0, np.nan])
    x, y = np.full(2, PLACE[1]), np.full(2, PLACE[0])
    undulation = float(way.reduced_by.undulation(*PLACE))
    site = way.to_site(x, y, z)
    assert site[2][0] == pytest.approx(tie.to_site(*PLACE, 450.0 + undulation)[2], abs=1e-9)
    assert np.isnan(site[2][1])
    assert np.allclose(way.to_layer(*site)[2], z, atol=1e-8, equal_nan=True)


def test_what_cannot_be_is_refused(ties):
    way = reframing("EPSG:4936", "EPSG:7931", (4.2e6, 8.7e5, 4.7e6), datum_operation="identical")
    with pytest.raises(FrameError, match="geocentric"):
        layer_plane(ties[None], way, (4.2e6, 8.7e5), 500.0)
    with pytest.raises(FrameError, match="heights of its own"):
        layer_way(ties[None], "EPSG:9067+5783", PLACE[::-1], height_unit="m")
    site = random_site(21, place=PLACE, observation_crs="EPSG:7931", vertical_model=None)
    with pytest.raises(InputError, match="no vertical part"):
        layer_way(solve(site.pairs, site.settings), "EPSG:7931", PLACE[::-1], height_unit="m")
    with pytest.raises(FrameError, match="has no coordinates at"):
        near_in("EPSG:25832", 0.0, 99.0)
