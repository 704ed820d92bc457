"""Heights of a raster to elevations: what is interpolated against the tie's own, cell by cell."""

from __future__ import annotations

import numpy as np
import pytest

from sitetie.core import solve
from sitetie.core.errors import FrameError, InputError
from sitetie.core.geoid import open_geoid
from sitetie.core.reframe import near_in, reframing
from sitetie.core.site_grid import (
    Placed,
    SiteGrid,
    bounds_on_site,
    cell_at,
    rounded_cell,
    site_grid,
)
from sitetie.core.surface import HeightChange
from sitetie.tests.core.sites import random_site, write_geoid

#: Step of the made-up geoid grid in degrees, and size of a cell in metres: lines far apart, in
#: every square of 64 cells, and in every square of 8.
GEOIDS = [(0.25, 1.0), (0.01, 7.3), (0.002, 1.3), (0.0005, 5.0)]
SHAPE = (200, 330)


def rough_geoid(path, step):
    """A grid that bends by centimetres at every node, as no true geoid does."""
    write_geoid(path, south=47.2, west=11.5, north=47.4, east=11.7, step=step)
    data = path.read_bytes()
    values = np.frombuffer(data[40:], ">f4")
    noise = np.random.default_rng(4).normal(0.0, 0.03, len(values))
    path.write_bytes(data[:40] + (values + noise).astype(">f4").tobytes())
    return str(path)


def made(path, step, **more):
    """A tie over a rough geoid, or over none."""
    grid = rough_geoid(path, step) if step else None
    site = random_site(11, place=(47.3, 11.6), extent=900.0, geoid=grid, vertical_model="plane",
                       observation_crs="EPSG:7931", **more)
    return solve(site.pairs, site.settings)


def change_of(tie, crs="EPSG:7931", metres=1.0, reduced_by=None):
    unit = tie.settings.site_length.metres
    latitude, longitude, _ = tie.to_geodetic(*np.array(tie.horizontal.translation) / unit)
    way = reframing(crs, tie.settings.observation_crs, (*near_in(crs, latitude, longitude), 500.0))
    return HeightChange(tie, way, metres, reduced_by and open_geoid(reduced_by), 500.0)


def over_site(tie, cell_metres, shape=SHAPE):
    unit = tie.settings.site_length.metres
    east, north = np.array(tie.horizontal.translation) / unit
    cell = cell_metres / unit
    return SiteGrid(east - shape[1] / 2 * cell, north + shape[0] / 2 * cell, cell, *shape)


def heights(shape=SHAPE, seed=2):
    values = 500.0 + np.random.default_rng(seed).uniform(-300.0, 300.0, shape)
    values[20:40, 50:90] = np.nan
    return values


@pytest.mark.parametrize(("step", "cell"), GEOIDS)
def test_it_is_the_ties_own_to_a_tenth_of_a_millimetre(step, cell, tmp_path):
    tie = made(tmp_path / "geoid.gtx", step, site_unit="ft", elevation_unit="us-ft")
    change, grid, values = change_of(tie), over_site(tie, cell), heights()
    found = change.over(grid, 0, 0, values)
    easting, northing = np.meshgrid(grid.eastings(np.arange(SHAPE[1])),
                                    grid.northings(np.arange(SHAPE[0])))
    base = tie.site_to_base(easting, northing)
    latitude, longitude = tie.base.to_geodetic(*base)
    known = np.isfinite(values)
    wanted = tie.to_site(latitude[known], longitude[known], values[known])[2]
    assert np.array_equal(np.isfinite(found), known)
    off = np.abs(found[known] - wanted) * tie.settings.elevation_length.metres
    assert off.max() < 1e-4


def test_a_coarse_lattice_alone_would_not_do(tmp_path, monkeypatch):
    """What the certificate is for: without it the bends cost centimetres."""
    tie = made(tmp_path / "geoid.gtx", 0.002)
    change, grid, values = change_of(tie), over_site(tie, 5.0), heights()
    good = change.over(grid, 0, 0, values)
    monkeypatch.setattr("sitetie.core.surface.CERTIFIED", np.inf)
    assert np.nanmax(np.abs(change.over(grid, 0, 0, values) - good)) > 1e-4


def test_blocks_and_the_whole_are_the_same(tmp_path):
    tie = made(tmp_path / "geoid.gtx", 0.002)
    change, grid, values = change_of(tie), over_site(tie, 2.0), heights()
    whole = change.over(grid, 0, 0, values)
    for row in range(0, SHAPE[0], 64):
        for column in range(0, SHAPE[1], 128):
            piece = np.s_[row:row + 64, column:column + 128]
            assert np.array_equal(change.over(grid, row, column, values[piece]), whole[piece],
                                  equal_nan=True)


@pytest.mark.parametrize("reduced", [False, True])
def test_a_change_of_datum_moves_heights_by_what_it_does_to_each(tmp_path, reduced):
    """MGI heights differ from those of ETRS89 by some 46 m and by some millionths of themselves."""
    tie = made(None, None)
    geoid = write_geoid(tmp_path / "g.gtx") if reduced else None
    change, grid = change_of(tie, "EPSG:31254", 0.3048, geoid), over_site(tie, 3.0)
    values = heights() / 0.3048
    found = change.over(grid, 0, 0, values)
    easting, northing = np.meshgrid(grid.eastings(np.arange(SHAPE[1])),
                                    grid.northings(np.arange(SHAPE[0])))
    known = np.isfinite(values)
    latitude, longitude = tie.base.to_geodetic(*tie.site_to_base(easting[known], northing[known]))
    x, y, _ = change.way.back(latitude, longitude, np.full(known.sum(), 500.0))
    height = change.way(x, y, values[known] * 0.3048)[2]
    if geoid:
        height = height + open_geoid(geoid).undulation(latitude, longitude)
    wanted = tie.to_site(latitude, longitude, height)[2]
    assert np.abs(found[known] - wanted).max() < 1e-4
    plain = tie.to_site(latitude, longitude, values[known] * 0.3048)[2]
    assert np.abs(wanted - plain).min() > 1.0


def test_where_the_geoid_ends_only_heights_are_refused(tmp_path):
    tie = made(tmp_path / "geoid.gtx", 0.002)
    change, shape = change_of(tie), (64, 192)
    unit = tie.settings.site_length.metres
    edge = np.array(tie.to_site(47.3, 11.7)[:2])
    grid = SiteGrid(edge[0] - 96 * 5.0 / unit, edge[1] + 32 * 5.0 / unit, 5.0 / unit, *shape)
    low, _ = change.linear(*np.meshgrid(grid.eastings(np.arange(192)),
                                        grid.northings(np.arange(64))))
    reached = np.isfinite(low)
    assert 0.2 < reached.mean() < 0.8
    values = np.where(reached, 400.0, np.nan)
    assert np.array_equal(np.isfinite(change.over(grid, 0, 0, values)), reached)
    values[np.nonzero(~reached)[0][0], np.nonzero(~reached)[1][0]] = 400.0
    with pytest.raises(FrameError, match="there is a height, but the geoid grid"):
        change.over(grid, 0, 0, values)


def test_a_tie_in_plan_only_is_refused():
    site = random_site(3, vertical_model=None)
    with pytest.raises(InputError, match="no vertical part"):
        change_of(solve(site.pairs, site.settings), site.settings.observation_crs)


# -- the grid ------------------------------------------------------------------------------------


@pytest.mark.parametrize(("size", "rounded"), [
    (0.0499, 0.05), (0.0308, 0.03), (0.16404, 0.16), (1.0, 1.0), (0.1234, 0.12), (9.96, 10.0),
    (0.1455, 0.15), (2.4, 2.4), (1e-5, 1e-5)])
def test_default_cells_are_round_and_near(size, rounded):
    assert rounded_cell(size) == rounded
    assert rounded == pytest.approx(size, rel=0.051)


def test_grids_cover_what_they_should():
    bounds = (10.3, 20.1, 14.9, 23.0)
    aligned = site_grid(bounds, 0.5, True)
    assert aligned == SiteGrid(10.0, 23.0, 0.5, 6, 10)
    assert aligned.bounds == (10.0, 20.0, 15.0, 23.0)
    kept = site_grid(bounds, 0.5, False)
    assert kept == SiteGrid(10.3, 23.0, 0.5, 6, 10)
    assert site_grid((0.1 * 3, 0.0, 0.1 * 7, 0.1 * 2), 0.1, True).columns == 4, "rounding adds none"
    assert kept.eastings(0) == 10.55
    assert kept.northings([0, 5]).tolist() == [22.75, 20.25]


def test_a_turned_raster_is_placed_by_its_own_geotransform():
    raster = Placed((100.0, 0.6, 0.8, 500.0, 0.8, -0.6), 40, 20)
    column, row = np.array([0.0, 3.5, 40.0]), np.array([0.0, 7.25, 20.0])
    assert np.allclose(raster.cell_of(*raster.place(column, row)), [column, row])
    half = (lambda x, y: (2.0 * x, 2.0 * y)), (lambda x, y: (x / 2.0, y / 2.0))
    assert cell_at(raster, raster.middle, half[0]) == pytest.approx(2.0)
    west, south, east, north = bounds_on_site(raster, *half)
    assert (west, south, east, north) == pytest.approx((200.0, 976.0, 280.0, 1064.0))
    with pytest.raises(InputError, match="reaches farther"):
        bounds_on_site(raster, half[0], lambda x, y: (x / 2.0, np.where(y > 1050, np.inf, y / 2)))
