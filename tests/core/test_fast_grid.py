"""The kernel against the exact path: PROJ through the tie's own functions, point by point."""

from __future__ import annotations

import dataclasses
import pickle
import tracemalloc

import numpy as np
import pyproj
import pytest

from sitetie.core import Settings, Tie, solve, tie_from_parameters
from sitetie.core import grid_kernel as bulk
from sitetie.core.errors import FrameError, InputError
from sitetie.core.fast_grid import (
    TOLERANCE,
    geodetic_kernel,
    layer_kernel,
    site_kernel,
)
from sitetie.core.lattice import found_lattice
from sitetie.core.reframe import reframing
from sitetie.tests.core.sites import METRES, points, random_site, write_geoid

#: Base, frame, place: northing first, feet, westing, poles, antimeridian, 80 degrees.
PLACES = [
    ("EPSG:25832", "EPSG:4258", (48.1, 11.5)),
    ("EPSG:32760", "EPSG:4326", (-17.0, 179.999)),
    ("EPSG:32601", "EPSG:4326", (52.0, -180.0)),
    ("EPSG:2180", "EPSG:4258", (52.0, 19.5)),
    ("EPSG:2227", "EPSG:4269", (37.5, -121.5)),
    ("EPSG:2921", "EPSG:4152", (40.5, -111.5)),
    ("EPSG:2193", "EPSG:4167", (-41.2, 174.8)),
    ("EPSG:5514", "EPSG:4156", (49.8, 15.0)),
    ("EPSG:2053", "EPSG:4148", (-29.0, 29.2)),
    ("EPSG:3031", "EPSG:4326", (-80.0, 166.0)),
    ("EPSG:32633", "EPSG:4326", (80.0, 15.0)),
    ("EPSG:2056", "EPSG:4150", (47.0, 7.9)),
    ("EPSG:32631", "EPSG:4326", (0.0, 3.0)),
]
PLACE = pytest.mark.parametrize(("base", "frame", "place"), PLACES, ids=[p[0] for p in PLACES])


def typed(base="EPSG:25832", frame="EPSG:4258", place=(48.1, 11.5), unit="m", rotation=200.0,
          **settings) -> Tie:
    """A tie over a base, turned, with a tilted plane."""
    scale = 1.000037 * pyproj.CRS(base).axis_info[0].unit_conversion_factor / METRES[unit]
    return tie_from_parameters(
        Settings(base_crs=base, observation_crs=frame, site_unit=unit, **settings), "EPSG:9621",
        {"easting": 7000.0, "northing": -1000.0, "scale": scale, "rotation": rotation},
        near=place, vertical={
            "shift": 1.5, "latitude": place[0], "longitude": place[1], "slope_latitude": 4.0,
            "slope_longitude": -6.0})


def around(place, kilometres=5.0, count=20_000, seed=1):
    """Latitudes, longitudes, heights over a square, its corners among them."""
    draw = np.random.default_rng(seed)
    steps = draw.uniform(-1.0, 1.0, (2, count))
    steps[:, :4] = [[-1.0, -1.0, 1.0, 1.0], [-1.0, 1.0, -1.0, 1.0]]
    reach = kilometres / 2.0 / 111.2
    latitude = place[0] + reach * steps[0]
    longitude = place[1] + reach / np.cos(np.radians(place[0])) * steps[1]
    return latitude, (longitude + 180.0) % 360.0 - 180.0, draw.uniform(-50.0, 4000.0, count)


def off_site(tie: Tie, one, other) -> float:
    """Largest difference of site coordinates, metres."""
    h, v = tie.settings.site_length.metres, tie.settings.elevation_length.metres
    return float(np.abs((np.array(one) - np.array(other)) * np.array([[h], [h], [v]])).max())


def off_ground(one, other) -> float:
    """Largest difference of geodetic positions, metres."""
    difference = np.array(one) - np.array(other)
    difference[1] = (difference[1] + 180.0) % 360.0 - 180.0
    difference[1] *= np.cos(np.radians(other[0]))
    return float(np.abs(difference * np.array([[111_700.0], [111_700.0], [1.0]])).max())


def holds_both_ways(tie: Tie, where) -> None:
    """Nothing falls back, and both kernels are within the tolerance of the exact path."""
    there = tie.to_site(*where)
    kernel = site_kernel(tie, *where[:2])
    certificate = kernel.certificate
    assert not certificate.refusal + certificate.height_refusal
    assert max(certificate.deviation, certificate.height_deviation) <= TOLERANCE / 2.0
    assert off_site(tie, kernel(*where), there) <= TOLERANCE
    back = geodetic_kernel(tie, *there[:2])
    certificate = back.certificate
    assert not certificate.refusal + certificate.height_refusal
    assert off_ground(back(*there), tie.to_geodetic(*there)) <= TOLERANCE
    assert np.abs(back(*there)[1]).max() <= 180.0


# -- where it holds ---------------------------------------------------------------------------


@PLACE
@pytest.mark.parametrize(("unit", "rotation"), [("m", 200.0), ("us-ft", 77.0)])
def test_over_many_bases(base, frame, place, unit, rotation):
    holds_both_ways(typed(base, frame, place, unit, rotation), around(place, count=3000))


@pytest.mark.parametrize("rotation", range(0, 360, 45))
def test_turned_through_the_full_circle(rotation):
    holds_both_ways(typed(unit="ft", rotation=rotation), around((48.1, 11.5), count=2000))


@pytest.mark.parametrize("place", [(80.0, -20.0), (-80.0, 180.0), (10.0, -179.99), (0.0, 0.0)])
@pytest.mark.parametrize("model", ["translation", "similarity", "affine"])
def test_over_the_local_projection(place, model):
    site = random_site(4, place=place, extent=4000.0, horizontal_model=model, tilt=3e-4,
                       true_scale=1.0, rotation=0.0 if model == "translation" else 2.0,
                       vertical_model="plane")
    holds_both_ways(solve(site.pairs, site.settings), points(site, 3000))


@pytest.mark.parametrize(("kilometres", "degrees"), [(0.2, (1, 2)), (5.0, (3, 3)), (40.0, (4, 5))])
def test_the_degree_follows_the_extent(kilometres, degrees):
    tie, where = typed(), around((48.1, 11.5), kilometres)
    holds_both_ways(tie, where)
    assert degrees[0] <= site_kernel(tie, *where[:2]).certificate.degree <= degrees[1]


@pytest.mark.parametrize(("base", "frame"), [("EPSG:25832", "EPSG:4258"),
                                             ("EPSG:32632", "EPSG:4326")])
def test_the_geoid_is_followed_cell_by_cell(base, frame, tmp_path):
    fine = write_geoid(tmp_path / "fine.gtx", 48.0, 11.0, 49.0, 12.0, step=1.0 / 60.0)
    for kilometres in (0.3, 3.0, 20.0):
        tie = typed(base, frame, (48.4003, 11.5), "us-ft", geoid=fine)
        holds_both_ways(tie, around((48.4003, 11.5), kilometres, 5000))


def test_the_real_geoid_grid_of_proj():
    tie = typed(geoid="egm96_15.gtx")
    holds_both_ways(tie, around((48.25, 11.75), 10.0))  # four cells meet there


def test_from_the_coordinates_of_a_layer(tmp_path):
    geoid = write_geoid(tmp_path / "geoid.gtx")
    tie = typed(geoid=geoid, unit="ft")
    latitude, longitude, height = around((48.1, 11.5))
    for crs in ("EPSG:25832", "EPSG:25833", "EPSG:4258"):
        x, y = pyproj.Transformer.from_crs("EPSG:4258", crs, always_xy=True).transform(
            longitude, latitude)
        way = reframing(crs, "EPSG:4258", (x[0], y[0], height[0]))
        kernel = layer_kernel(tie, way, x, y)
        assert not kernel.certificate.refusal + kernel.certificate.height_refusal
        lat, lon, level = way(x, y, height)
        assert off_site(tie, kernel(x, y, height), tie.to_site(lat, lon, level)) <= TOLERANCE


def test_a_layer_across_the_antimeridian(tmp_path):
    place = (-17.0, 180.0)
    geoid = write_geoid(tmp_path / "geoid.gtx", -20.0, 178.0, -15.0, 182.0)
    tie = typed("EPSG:32760", "EPSG:4326", place, geoid=geoid)
    latitude, longitude, height = around(place)
    for crs in ("EPSG:32701", "EPSG:4326"):
        x, y = pyproj.Transformer.from_crs("EPSG:4326", crs, always_xy=True).transform(
            longitude, latitude)
        kernel = layer_kernel(tie, reframing(crs, "EPSG:4326", (x[0], y[0], 0.0)), x, y)
        assert not kernel.certificate.refusal + kernel.certificate.height_refusal
        assert off_site(tie, kernel(x, y, height),
                        tie.to_site(latitude, longitude, height)) <= TOLERANCE


def test_without_heights_and_without_a_vertical_part():
    where = around((48.1, 11.5))
    tie = typed()
    easting, northing, elevation = site_kernel(tie, *where[:2])(*where[:2])
    assert np.isnan(elevation).all()
    level = dataclasses.replace(tie, vertical=None)
    for kernel in (site_kernel(level, *where[:2]), site_kernel(tie, *where[:2])):
        np.testing.assert_array_equal(kernel(*where[:2])[:2], (easting, northing))
    assert np.isnan(site_kernel(level, *where[:2])(*where)[2]).all()
    assert np.isnan(geodetic_kernel(level, easting, northing)(easting, northing, easting)[2]).all()


# -- where it falls back ----------------------------------------------------------------------


def test_points_outside_the_extent_take_the_exact_path():
    tie = typed()
    latitude, longitude, height = around((48.1, 11.5))
    kernel = site_kernel(tie, latitude, longitude)
    far = np.arange(7, len(latitude), 1000)
    latitude, longitude = latitude.copy(), longitude.copy()
    latitude[far] += 1.0
    longitude[far] -= 2.0
    found, wanted = kernel(latitude, longitude, height), tie.to_site(latitude, longitude, height)
    assert off_site(tie, found, wanted) <= TOLERANCE
    for one, other in zip(found, wanted):
        np.testing.assert_array_equal(one[far], other[far])
    back = geodetic_kernel(tie, *(np.delete(v, far) for v in wanted[:2]))
    assert off_ground(back(*wanted), tie.to_geodetic(*wanted)) <= TOLERANCE


def test_an_extent_too_wide_for_a_polynomial_takes_the_exact_path():
    tie, where = typed(), around((48.1, 11.5), 4000.0, 2000)
    kernel = site_kernel(tie, *where[:2])
    assert "off by" in kernel.certificate.refusal
    np.testing.assert_array_equal(kernel(*where), tie.to_site(*where))


def test_an_extent_that_the_base_does_not_cover_takes_the_exact_path():
    kernel = site_kernel(typed(), (-91.0, 48.0), (0.0, 20.0))
    assert "does not cover" in kernel.certificate.refusal
    np.testing.assert_array_equal(kernel([48.1], [11.5], [3.0]),
                                  typed().to_site([48.1], [11.5], [3.0]))


def test_a_plane_that_feels_the_height_takes_the_exact_path():
    tie = typed("EPSG:31468", datum_operation="DHDN to ETRS89 (2)")
    where = around((48.1, 11.5), count=2000)
    for kernel in (site_kernel(tie, *where[:2]),
                   geodetic_kernel(tie, *tie.to_site(*where)[:2])):
        assert "height" in kernel.certificate.refusal
    np.testing.assert_array_equal(site_kernel(tie, *where[:2])(*where), tie.to_site(*where))
    # Seen by trying too, should the base not know it of itself.
    unaware = dataclasses.replace(
        tie, base=dataclasses.replace(tie.base, depends_on_height=False))
    assert "height" in site_kernel(unaware, *where[:2]).certificate.refusal


def test_a_layer_whose_change_of_datum_feels_the_height_takes_the_exact_path():
    tie = typed()
    latitude, longitude, height = around((48.1, 11.5), count=500)
    x, y = pyproj.Transformer.from_crs("EPSG:4314", "EPSG:31468", always_xy=True).transform(
        longitude, latitude)
    way = reframing("EPSG:31468", "EPSG:4258", (x[0], y[0], 500.0),
                    datum_operation="DHDN to ETRS89 (2)")
    kernel = layer_kernel(tie, way, x, y)
    assert "height" in kernel.certificate.refusal
    lat, lon, level = way(x, y, height)
    np.testing.assert_array_equal(kernel(x, y, height), tie.to_site(lat, lon, level))


class _Stepped(bulk.ToSite):
    """An exact path with a step of 0.02 mm somewhere, of which the fit knows nothing."""

    def __call__(self, first, second, third=None):
        easting, northing, elevation = super().__call__(first, second, third)
        return easting + 2e-5 * (np.asarray(first) > 48.1123), northing, elevation


def test_the_certificate_sees_a_step(monkeypatch):
    where = around((48.1, 11.5))
    assert not site_kernel(typed(), *where[:2]).certificate.refusal
    monkeypatch.setattr("sitetie.core.fast_grid.ToSite", _Stepped)
    kernel = site_kernel(typed(), *where[:2])
    assert "off by" in kernel.certificate.refusal
    np.testing.assert_array_equal(kernel(*where), _Stepped(typed())(*where))


def test_heights_alone_take_the_exact_path_where_the_geoid_is_no_patchwork(monkeypatch, tmp_path):
    tie, where = typed(geoid=write_geoid(tmp_path / "g.gtx")), around((48.1, 11.5))
    monkeypatch.setattr("sitetie.core.fast_grid.found_lattice",
                        lambda *_: (None, 1e-3, 100))
    there = tie.to_site(*where)
    for kernel, given, wanted in ((site_kernel(tie, *where[:2]), where, there),
                                  (geodetic_kernel(tie, *there[:2]), there,
                                   tie.to_geodetic(*there))):
        assert not kernel.certificate.refusal
        assert kernel.certificate.height_refusal
        found = kernel(*given)
        np.testing.assert_array_equal(found[2], wanted[2])
        assert 0.0 < np.abs(found[0] - wanted[0]).max() < 1e-5


def test_a_point_off_the_geoid_grid_is_refused_as_ever(tmp_path):
    tie = typed(geoid=write_geoid(tmp_path / "g.gtx", 46.0, 9.0, 48.25, 13.0))
    where = around((48.25, 11.5))
    kernel = site_kernel(tie, *where[:2])
    with pytest.raises(FrameError, match="does not cover"):
        kernel(*where)


@pytest.mark.parametrize("bad", [np.nan, np.inf, 100.0])
def test_a_position_that_is_none_is_refused_as_ever(bad):
    tie, (latitude, longitude, height) = typed(), around((48.1, 11.5))
    kernel = site_kernel(tie, latitude, longitude)
    spoilt = latitude.copy()
    spoilt[12_345] = bad
    with pytest.raises(InputError, match="latitude"):
        kernel(spoilt, longitude, height)


def test_heights_may_be_unknown_but_not_infinite():
    tie, (latitude, longitude, height) = typed(), around((48.1, 11.5))
    kernel = site_kernel(tie, latitude, longitude)
    height[5] = np.nan
    elevation = kernel(latitude, longitude, height)[2]
    assert np.flatnonzero(np.isnan(elevation)).tolist() == [5]
    height[6] = np.inf
    with pytest.raises(InputError, match="height"):
        kernel(latitude, longitude, height)


def test_shapes_must_go_together():
    kernel = site_kernel(typed(), (48.0, 48.1), (11.4, 11.5))
    with pytest.raises(InputError, match="shapes"):
        kernel([48.0, 48.1], [11.4])
    with pytest.raises(InputError, match="shapes"):
        kernel(48.0, 11.4)
    assert [len(values) for values in kernel([], [], [])] == [0, 0, 0]


# -- how it computes --------------------------------------------------------------------------


def test_a_point_comes_out_the_same_alone_and_in_company(monkeypatch, tmp_path):
    monkeypatch.setattr(bulk, "SPAN", 4 * bulk.CHUNK)
    tie = typed(geoid=write_geoid(tmp_path / "g.gtx"))
    where = around((48.1, 11.5), count=3 * bulk.SPAN + 100)
    kernel = site_kernel(tie, *where[:2])
    many = np.array(kernel(*where))
    for k in (0, 4321, bulk.CHUNK - 1, bulk.SPAN, len(where[0]) - 1):
        one = kernel(*(values[k:k + 1] for values in where))
        np.testing.assert_array_equal(np.ravel(one), many[:, k])
    for name, value in (("THREADS", 1), ("CHUNK", 1000)):
        monkeypatch.setattr(bulk, name, value)
        np.testing.assert_array_equal(kernel(*where), many)


def test_any_numbers_will_do_and_none_are_changed():
    tie, where = typed(), around((48.1, 11.5), count=1000)
    kernel = site_kernel(tie, *where[:2])
    kept = [values.copy() for values in where]
    wanted = kernel(*where)
    strided = [np.repeat(values, 2)[::2] for values in where]
    np.testing.assert_array_equal(kernel(*strided), wanted)
    np.testing.assert_array_equal(kernel(*map(list, where)), wanted)
    for one, other in zip(where, kept):
        np.testing.assert_array_equal(one, other)
    small = kernel(*(values.astype(np.float32) for values in where))
    exact = tie.to_site(*(values.astype(np.float32) for values in where))
    assert off_site(tie, small, exact) <= TOLERANCE


def test_it_can_be_pickled(tmp_path):
    tie = typed(geoid=write_geoid(tmp_path / "g.gtx"))
    where = around((48.1, 11.5), count=1000)
    for kernel in (site_kernel(tie, *where[:2]), geodetic_kernel(tie, *tie.to_site(*where)[:2])):
        again = pickle.loads(pickle.dumps(kernel))
        given = where if isinstance(kernel.exact, bulk.ToSite) else tie.to_site(*where)
        assert again.certificate == kernel.certificate
        np.testing.assert_array_equal(again(*given), kernel(*given))


def test_memory_stays_bounded():
    """Little above inputs and results, both in bulk and by the exact path."""
    tie, where = typed(), around((48.1, 11.5), count=500_000)
    wide = site_kernel(tie, (-20.0, 80.0), (-50.0, 70.0))
    assert wide.certificate.refusal
    for kernel in (site_kernel(tie, *where[:2]), wide):
        tracemalloc.start()
        found = kernel(*where)
        peak = tracemalloc.get_traced_memory()[1] - sum(values.nbytes for values in found)
        tracemalloc.stop()
        assert peak < 10e6


# -- the geoid's cells ------------------------------------------------------------------------


def patchwork(u, v, step=(0.31, 0.45)):
    """A bilinear patchwork with lines where the sine of the cell's number changes."""
    i, j = np.floor(u / step[0]), np.floor(v / step[1])
    f, g = u / step[0] - i, v / step[1] - j

    def node(a, b):
        return 40.0 + np.sin(1.3 * a + 0.4 * b) + 0.3 * np.cos(2.0 * b)

    return ((1 - f) * (1 - g) * node(i, j) + f * (1 - g) * node(i + 1, j)
            + (1 - f) * g * node(i, j + 1) + f * g * node(i + 1, j + 1))


@pytest.mark.parametrize("half", [(0.1, 0.1), (0.3, 0.4), (0.6, 0.3), (5.0, 4.0)])
def test_the_cells_of_a_patchwork_are_found(half):
    lattice, off, count = found_lattice(patchwork, half, 1e-9)
    assert lattice is not None
    assert off < 1e-9
    assert count > 100
    draw = np.random.default_rng(2).uniform(-1.0, 1.0, (2, 5000)) * np.array(half)[:, None]
    assert np.abs(lattice(*draw) - patchwork(*draw)).max() < 1e-9


def test_a_curved_surface_is_no_patchwork():
    lattice, off, _ = found_lattice(lambda u, v: np.sin(u) * v, (1.0, 1.0), 1e-5)
    assert lattice is None
    assert off > 1e-5


def test_lines_that_are_not_regular_are_refused():
    lattice, _, _ = found_lattice(
        lambda u, v: np.abs(u - 0.1) + np.abs(u - 0.17) + np.abs(u + 0.4) + v, (1.0, 1.0), 1e-5)
    assert lattice is None
