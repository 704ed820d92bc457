"""The tie as a value: there and back, arrays, threads, and the covariance it states."""

from __future__ import annotations

import dataclasses
import math
import pickle
from multiprocessing.pool import ThreadPool

import numpy as np
import pytest

from sitetie.core import HeldScale, Settings, Tie, solve
from sitetie.core.errors import FrameError, InputError
from sitetie.tests.core.sites import (
    change,
    observed_elsewhere,
    points,
    random_site,
    shifted,
    write_geoid,
)

#: Place and settings of sites on bases of every kind. ITRF2014 to NAD83(2011) depends on time,
#: the Helmert operation to DHDN on the height.
MUNICH, KANSAS = (48.1, 11.5), (39.1, -95.5)
BASES = {
    "local plane": (None, {}),
    "UTM, another name for the frame": (MUNICH, {"base_crs": "EPSG:25832",
                                                 "observation_crs": "EPSG:4258"}),
    "feet, west of Greenwich": (KANSAS, {"base_crs": "EPSG:6467", "observation_crs": "EPSG:6318"}),
    "northing first": ((52.0, 19.0), {"base_crs": "EPSG:2180", "observation_crs": "EPSG:4258",
                                      "datum_operation": "identical"}),
    "datum shift, height felt": (MUNICH, {"base_crs": "EPSG:31468", "observation_crs": "EPSG:4258",
                                          "datum_operation": "DHDN to ETRS89 (2)"}),
    "datum shift with time": (KANSAS, {"base_crs": "EPSG:6350", "observation_crs": "EPSG:7912",
                                       "observation_epoch": 2021.4}),
}


@pytest.fixture(scope="module")
def geoid(tmp_path_factory):
    return write_geoid(tmp_path_factory.mktemp("geoid") / "made up.gtx")


def solved(seed=1, **kinds):
    site = random_site(seed, **kinds)
    return site, solve(site.pairs, site.settings)


# -- there and back ----------------------------------------------------------------------------


@pytest.mark.parametrize(("unit", "model"), [("m", "rigid"), ("ft", "similarity"),
                                             ("us-ft", "affine")])
@pytest.mark.parametrize(("base", "with_geoid"), [
    *((base, False) for base in BASES), ("UTM, another name for the frame", True),
    ("datum shift, height felt", True)])
def test_there_and_back_within_a_hundredth_of_a_millimetre(base, with_geoid, unit, model, geoid):
    place, kinds = BASES[base]
    site, tie = solved(3, place=place, site_unit=unit, horizontal_model=model,
                       vertical_model="plane", geoid=geoid if with_geoid else None,
                       tilt=3e-4, extent=3000.0, **kinds)
    latitude, longitude, height = points(site, 200)
    there = tie.to_site(latitude, longitude, height)
    again = tie.to_geodetic(*there)
    metres = 111_200.0
    assert np.abs(again[0] - latitude).max() * metres < 1e-5
    assert (np.abs(again[1] - longitude) * np.cos(np.radians(latitude))).max() * metres < 1e-5
    assert np.abs(again[2] - height).max() < 1e-5
    np.testing.assert_allclose(tie.to_site(*again), there, rtol=0.0, atol=4e-5)


def test_a_tie_without_a_vertical_part_carries_positions_only():
    site, tie = solved(4, vertical_model=None)
    latitude, longitude, height = points(site, 5)
    easting, northing, elevation = tie.to_site(latitude, longitude, height)
    assert np.isfinite(easting).all()
    assert np.isnan(elevation).all()
    back = tie.to_geodetic(easting, northing, elevation)
    np.testing.assert_allclose(back[0], latitude, atol=1e-10)
    assert np.isnan(back[2]).all()


def test_the_plane_alone_goes_there_and_back():
    site, tie = solved(5, site_unit="us-ft")
    easting, northing = tie.base_to_site(*np.array([[10.0, 500.0], [-70.0, 3.0]]))
    np.testing.assert_allclose(tie.site_to_base(easting, northing), [[10.0, 500.0], [-70.0, 3.0]],
                               atol=1e-8)
    one = tie.base_to_site(10.0, -70.0)
    assert one == (easting[0], northing[0])
    assert isinstance(one[0], float)
    assert tie.site_to_base(*one) == pytest.approx((10.0, -70.0), abs=1e-8)


# -- scalars, arrays ---------------------------------------------------------------------------


def test_scalars_give_plain_floats_and_arrays_the_same_digits():
    site, tie = solved(6)
    latitude, longitude, height = points(site, 12)
    there = tie.to_site(latitude, longitude, height)
    back = tie.to_geodetic(*there)
    for i in range(12):
        one = tie.to_site(latitude[i], longitude[i], height[i])
        assert [type(v) for v in one] == [float] * 3
        assert one == tuple(values[i] for values in there)
        assert tie.to_geodetic(*one) == tuple(values[i] for values in back)


def test_shapes_follow_the_rules_of_numpy():
    site, tie = solved(7)
    latitude, longitude, height = points(site, 6)
    grid = tie.to_site(latitude.reshape(2, 3), longitude.reshape(2, 3), height.reshape(2, 3))
    assert [values.shape for values in grid] == [(2, 3)] * 3
    column = tie.to_site(latitude[:, None], longitude[:, None], height[None, :])
    assert column[2].shape == (6, 6)
    assert column[0][3, 0] == column[0][3, 5]
    many = tie.to_site(latitude[0], longitude[0], height)
    assert many[0].shape == many[2].shape == (6,)
    assert tie.to_site(list(latitude), list(longitude), 5)[2].shape == (6,)
    assert tie.to_geodetic(1, 2, [3, 4])[2].shape == (2,)
    assert tie.to_geodetic(np.ones((2, 1)), np.ones(3))[0].shape == (2, 3)


def test_nothing_in_nothing_out():
    _, tie = solved(8)
    for result in (tie.to_site([], [], []), tie.to_site([], []), tie.to_geodetic([], []),
                   tie.to_geodetic([], [], [])):
        assert [values.shape for values in result] == [(0,)] * 3
    assert tie.covariance([], []).shape == (0, 3, 3)
    assert tie.cross_covariance([], [], [], []).shape == (0, 3, 3)


def test_a_height_may_be_unknown_point_by_point(geoid):
    site, tie = solved(9, place=MUNICH, geoid=geoid, base_crs="EPSG:31468",
                       datum_operation="DHDN to ETRS89 (2)", observation_crs="EPSG:4258")
    latitude, longitude, height = points(site, 3)
    some = tie.to_site(latitude, longitude, [height[0], np.nan, height[2]])
    whole = tie.to_site(latitude, longitude, height)
    assert np.isnan(some[2]).tolist() == [False, True, False]
    assert some[0][0] == whole[0][0]
    assert np.isnan(tie.to_site(latitude, longitude)[2]).all()
    assert np.isfinite(tie.covariance(latitude, longitude, [np.nan] * 3)).all()
    back = tie.to_geodetic(*some)
    assert np.isnan(back[2]).tolist() == [False, True, False]
    assert back[0][0] == pytest.approx(latitude[0], abs=1e-10)


BAD = [
    ((np.nan, 1.0, 1.0), "latitude is nan"),
    ((48.0, np.inf, 1.0), "longitude is inf"),
    ((48.0, 11.0, -np.inf), "height is -inf"),
    (([48.0, 48.0], [11.0, np.nan], None), "longitude is nan at place 1"),
    ((91.0, 1.0, 1.0), "latitude 91.0 is outside -90 to 90"),
    ((48.0, 361.0, 1.0), "longitude 361.0 is outside -360 to 360"),
    (("north", 1.0, 1.0), "latitude is not a number"),
    ((None, 1.0, 1.0), "latitude is nan"),
    (([48.0, 48.0], [11.0, 11.0, 11.0], None), r"latitude \(2,\), longitude \(3,\)"),
    (([48.0, 48.0], [11.0, 11.0], [1.0, 2.0, 3.0]), r"height \(3,\)"),
]


@pytest.mark.parametrize(("position", "words"), BAD)
def test_a_position_that_is_none_is_refused_by_name(position, words):
    _, tie = solved(10, place=MUNICH)
    for call in (tie.to_site, tie.covariance):
        with pytest.raises(InputError, match=words):
            call(*position)


@pytest.mark.parametrize(("position", "words"), [
    ((np.nan, 1.0, 1.0), "easting is nan"),
    ((1.0, np.inf, 1.0), "northing is inf"),
    ((1.0, 1.0, np.inf), "elevation is inf"),
    (([1.0], ["a"], None), "northing is not a number"),
    (([1.0, 2.0], [1.0, 2.0, 3.0], None), "shapes do not go together"),
    ((1e9, 1e9, 1.0), "beyond what True plane can carry back"),
])
def test_a_site_coordinate_that_is_none_is_refused_by_name(position, words):
    _, tie = solved(10, place=MUNICH)
    with pytest.raises(InputError, match=words):
        tie.to_geodetic(*position)
    if "beyond" not in words:
        if "elevation" not in words:
            with pytest.raises(InputError, match=words):
                tie.site_to_base(*position[:2])


def test_a_position_that_the_base_cannot_reach_is_refused():
    _, tie = solved(10, place=(46.5, 3.0), base_crs="EPSG:2154", observation_crs="EPSG:4171")
    with pytest.raises(InputError, match="cannot be projected by RGF93"):
        tie.to_site(-90.0, 3.0, 1.0)  # the cone opens there


def test_a_point_outside_the_geoid_is_refused(geoid):
    _, tie = solved(11, place=MUNICH, geoid=geoid)
    with pytest.raises(FrameError, match="does not cover latitude 55.00000, longitude 11.00000"):
        tie.to_site(55.0, 11.0, 300.0)
    # A position alone needs no geoid.
    assert math.isfinite(tie.to_site(55.0, 11.0)[0])


# -- a value -----------------------------------------------------------------------------------


def test_it_cannot_be_changed():
    _, tie = solved(12)
    for thing in (tie, tie.settings, tie.horizontal, tie.vertical, tie.base, tie.pairs[0],
                  tie.pairs[0].control, tie.pairs[0].observation, tie.rows[0],
                  tie.rows[0].horizontal, tie.statistics, tie.statistics.horizontal,
                  tie.provenance):
        field = dataclasses.fields(thing)[0].name
        with pytest.raises(dataclasses.FrozenInstanceError):
            setattr(thing, field, None)
    for values in (tie.pairs, tie.rows, tie.cautions, tie.horizontal.values,
                   tie.horizontal.cofactor, tie.horizontal.matrix):
        assert isinstance(values, tuple)


def test_what_it_hands_out_can_be_scribbled_on():
    site, tie = solved(13)
    where = points(site, 4)
    before = (tie.id, tie.covariance(*where), tie.parameter_covariance, tie.residuals.east)
    tie.covariance(*where)[:] = 0.0
    tie.parameter_covariance[:] = 0.0
    tie.residuals.east[:] = 0.0
    tie.to_site(*where)[0][:] = 0.0
    tie.default_observation_covariance()[:] = 0.0
    assert tie.id == before[0]
    np.testing.assert_array_equal(tie.covariance(*where), before[1])
    np.testing.assert_array_equal(tie.parameter_covariance, before[2])
    np.testing.assert_array_equal(tie.residuals.east, before[3])
    assert tie.default_observation_covariance()[0, 0] == 0.008**2


def test_the_arrays_handed_in_are_left_alone():
    site, tie = solved(14, place=MUNICH)
    where = points(site, 4)
    kept = [values.copy() for values in where]
    for values in where:
        values.flags.writeable = False
    tie.to_geodetic(*tie.to_site(*where))
    tie.covariance(*where, observation_covariance=np.eye(3))
    for one, other in zip(where, kept):
        np.testing.assert_array_equal(one, other)


def test_it_can_be_pickled_and_hashed():
    site, tie = solved(15)
    tie.covariance(*points(site, 1))  # what is kept between calls is no part of the value
    again = pickle.loads(pickle.dumps(tie))
    assert again == tie
    assert hash(again) == hash(tie)
    assert again.id == tie.id
    assert again.short_id == tie.id[:8]
    np.testing.assert_array_equal(again.to_site(*points(site)), tie.to_site(*points(site)))


def test_the_same_from_eight_threads(geoid):
    site, tie = solved(16, place=MUNICH, geoid=geoid, base_crs="EPSG:31468",
                       datum_operation="DHDN to ETRS89 (2)", observation_crs="EPSG:4258")
    fresh = pickle.loads(pickle.dumps(tie))  # with nothing kept from earlier calls
    parts = [points(site, 300, seed=k) for k in range(32)]
    expected = [(tie.to_site(*part), tie.covariance(*part)) for part in parts]

    def work(part):
        return fresh.to_site(*part), fresh.covariance(*part), fresh.id

    with ThreadPool(8) as pool:
        found = pool.map(work, parts)
    for (there, covariance, name), (right, right_covariance) in zip(found, expected):
        np.testing.assert_array_equal(there, right)
        np.testing.assert_array_equal(covariance, right_covariance)
        assert name == tie.id


def test_solving_from_threads_gives_the_same_ties():
    sites = [random_site(k) for k in range(4)]
    expected = [solve(site.pairs, site.settings).id for site in sites]
    with ThreadPool(4) as pool:
        assert pool.map(lambda site: solve(site.pairs, site.settings).id, sites) == expected


def test_the_residual_table_is_read_by_place_by_name_and_by_column():
    _, tie = solved(17, marks=5, vertical_model=None)
    table = tie.residuals
    assert len(table) == 5
    assert table["C3"] is table["G3"] is table[3]
    assert [row.control_id for row in table[1:3]] == ["C1", "C2"]
    with pytest.raises(KeyError):
        table["C99"]
    assert table.control_id == tuple(f"C{i}" for i in range(5))
    assert table.observation_id == tuple(f"G{i}" for i in range(5))
    assert np.isnan(table.up).all()
    assert table == tie.residuals
    assert hash(table) == hash(tie.residuals)
    assert table != 5
    assert repr(table) == "ResidualTable(5 pairs)"
    record = table.records()[2]
    assert record["control_id"] == "C2"
    assert record["east"] == table.east[2]
    assert record["horizontal_verdict"] == "fits"
    assert (record["east_deleted"], record["north_deleted"]) == table[2].horizontal.deleted
    assert record["up_deleted"] is None


# -- covariance --------------------------------------------------------------------------------

#: Every kind of solution, and noise small enough that no test rejects.
KINDS = {
    "translation": {"horizontal_model": "translation", "rotation": 0.0, "true_scale": 1.0},
    "rigid": {"horizontal_model": "rigid", "true_scale": 1.0},
    "similarity": {"vertical_model": "plane"},
    "scale with a sigma": {"scale": HeldScale(1.0, 1e-3)},
    "affine": {"horizontal_model": "affine", "vertical_model": "plane"},
    "feet": {"site_unit": "us-ft", "elevation_unit": "m", "vertical_model": "plane"},
}


def numeric_covariance(site, tie, outcome):
    """Covariance of an outcome (flat array) by nudging, a millimetre each, whatever has an error.

    `outcome` takes a tie and the pairs it was solved from.
    """
    step = 1e-3
    unit, unit_v = tie.settings.site_length.metres, tie.settings.elevation_length.metres
    before = outcome(tie, site.pairs)
    total = np.zeros((len(before), len(before)))
    for i, pair in enumerate(site.pairs):
        nudged = [observed_elsewhere(pair, **{axis: step}) for axis in ("east", "north", "up")]
        nudged += [shifted(pair, east=step / unit), shifted(pair, north=step / unit),
                   shifted(pair, up=step / unit_v)]
        columns = []
        for changed in nudged:
            pairs = [*site.pairs[:i], changed, *site.pairs[i + 1:]]
            columns.append((outcome(solve(pairs, tie.settings), pairs) - before) / step)
        jacobian = np.array(columns).T
        total += jacobian @ error_covariance(pair) @ jacobian.T
    held = tie.settings.scale
    if held is not None and held.sigma:
        moved = tie.settings.replace(scale=(held.value + 1e-6, held.sigma))
        slope = (outcome(solve(site.pairs, moved), site.pairs) - before) / 1e-6
        total += held.sigma**2 * np.outer(slope, slope)
    return total


def error_covariance(pair):
    """East, north, up of the observation, then of the control; square metres."""
    o, c = pair.observation, pair.control
    block = np.diag([o.sigma_e, o.sigma_n, o.sigma_u, c.sigma_h, c.sigma_h, c.sigma_v]) ** 2
    block[0, 1] = block[1, 0] = np.sign(o.sigma_en) * o.sigma_en**2
    return block


@pytest.mark.parametrize("kind", list(KINDS))
def test_covariance_equals_numeric_propagation(kind):
    """At any point, between two points, and of a fit pair's own restated position."""
    site = random_site(200, marks=5, noise=0.2, extent=400.0, place=(40.0, 20.0), **KINDS[kind])
    tie = solve(site.pairs, site.settings)
    assert tie.statistics.horizontal.applied_factor == 1.0
    where = points(site, 2)

    def outcome(changed, pairs):
        o = pairs[1].observation
        return np.concatenate([np.array(changed.to_site(*where)).T.ravel(),
                               changed.to_site(o.latitude, o.longitude, o.height)])

    numeric = numeric_covariance(site, tie, outcome)
    stated = tie.covariance(*where)
    cross = tie.cross_covariance(where[0][:1], where[1][:1], where[0][1:], where[1][1:])
    for block, expected in (
        (stated[0], numeric[:3, :3]), (stated[1], numeric[3:6, 3:6]),
        (cross[0], numeric[:3, 3:6]), (tie.residuals[1].covariance, numeric[6:, 6:]),
    ):
        np.testing.assert_allclose(block, expected, rtol=5e-3, atol=5e-3 * np.abs(expected).max())


def test_the_noise_of_a_check_comes_on_top_of_the_solution():
    site = random_site(201, marks=5, checks=1, noise=0.2)
    tie = solve(site.pairs, site.settings)
    o = site.pairs[4].observation
    own = error_covariance(site.pairs[4])[:3, :3]
    np.testing.assert_allclose(tie.residuals[4].covariance,
                               tie.covariance(o.latitude, o.longitude, o.height, own)[0],
                               rtol=1e-6, atol=1e-12)


def test_an_observations_own_noise_is_turned_and_scaled():
    site, tie = solved(202, site_unit="ft", vertical_model="plane", rotation=0.7,
                       place=(40.0, 20.0))
    where = [values[:1] for values in points(site, 1)]
    own = np.array([[4e-4, 1e-4, 0.0], [1e-4, 1e-4, 0.0], [0.0, 0.0, 9e-4]])
    added = tie.covariance(*where, own)[0] - tie.covariance(*where)[0]
    turn = np.eye(3)
    turn[:2, :2] = [[math.cos(0.7), -math.sin(0.7)], [math.sin(0.7), math.cos(0.7)]]
    np.testing.assert_allclose(added * 0.3048**2, turn @ own @ turn.T, rtol=2e-3, atol=5e-7)
    assert tie.covariance(*where, np.stack([own]))[0] == pytest.approx(
        tie.covariance(*where, own)[0])
    with pytest.raises(InputError, match=r"observation_covariance has the shape \(2, 2\)"):
        tie.covariance(*where, np.eye(2))
    with pytest.raises(InputError, match="one for each of the 1 positions"):
        tie.covariance(*where, np.ones((4, 3, 3)))


def test_cross_covariance_agrees_with_covariance():
    site, tie = solved(203, vertical_model="plane")
    latitude, longitude, _ = points(site, 20)
    own = tie.covariance(latitude, longitude)
    np.testing.assert_allclose(tie.cross_covariance(latitude, longitude, latitude, longitude),
                               own, rtol=1e-12)
    there = tie.cross_covariance(latitude[:-1], longitude[:-1], latitude[1:], longitude[1:])
    back = tie.cross_covariance(latitude[1:], longitude[1:], latitude[:-1], longitude[:-1])
    np.testing.assert_allclose(there, np.swapaxes(back, 1, 2), rtol=1e-9, atol=1e-18)
    difference = own[:-1] + own[1:] - there - back
    assert np.linalg.eigvalsh(difference).min() > -1e-18
    near = tie.cross_covariance(latitude[:1], longitude[:1], latitude[:1] + 1e-9, longitude[:1])
    np.testing.assert_allclose(near, own[:1], rtol=1e-5)


def test_covariances_are_symmetric_and_positive():
    for seed in range(5):
        site, tie = solved(210 + seed, vertical_model="plane", horizontal_model="affine")
        covariance = tie.covariance(*points(site, 50, reach=6.0))
        np.testing.assert_allclose(covariance, np.swapaxes(covariance, 1, 2), rtol=1e-9,
                                   atol=1e-20)
        assert (np.linalg.eigvalsh(covariance) > 0.0).all()
        for row in tie.residuals:
            assert (np.linalg.eigvalsh(np.array(row.covariance)) > 0.0).all()


def test_without_a_vertical_part_the_elevation_has_no_covariance():
    site, tie = solved(220, vertical_model=None)
    for covariance in (tie.covariance(*points(site, 1)),
                       tie.cross_covariance(*[v for _ in range(2) for v in points(site, 1)[:2]])):
        assert np.isfinite(covariance[0, :2, :2]).all()
        assert np.isnan(covariance[0, 2]).all()
        assert np.isnan(covariance[0, :, 2]).all()


def test_a_rejected_solution_scales_everything_up():
    site = random_site(221, marks=8, noise=5.0)
    tie = solve(site.pairs, site.settings)
    h, v = tie.statistics.horizontal.variance_factor, tie.statistics.vertical.variance_factor
    assert min(h, v) > 3.0
    design = tie.horizontal.design(np.stack(tie.base.to_base(*points(site, 1)), axis=-1))[0]
    own = np.diag([1e-4, 1e-4, 1e-4])
    covariance = tie.covariance(*points(site, 1), own)[0]
    bare = design @ np.array(tie.horizontal.cofactor) @ design.T
    assert np.trace(covariance[:2, :2]) == pytest.approx(h * (np.trace(bare) + 2e-4), rel=2e-3)
    assert covariance[2, 2] == pytest.approx(v * (tie.vertical.cofactor[0][0] + 1e-4), rel=1e-9)


def test_region_factors_are_the_textbooks_quantiles():
    # Normal and chi-square quantiles at 95 %: 1.960 and sqrt(5.991), any table; t and F with 10
    # and 12 degrees of freedom: 2.228 and 3.885 (NIST/SEMATECH e-Handbook 1.3.6.7, from memory).
    site = random_site(222, marks=11, own_sigmas=False)
    tie = solve(site.pairs, site.settings)
    assert tie.region_factor(1) == pytest.approx(1.95996, abs=1e-5)
    assert tie.region_factor(2) == pytest.approx(math.sqrt(5.99146), abs=1e-5)
    site = random_site(222, marks=11, own_sigmas=False, noise=6.0)
    tie = solve(site.pairs, site.settings)
    assert tie.statistics.vertical.region_redundancy == 10
    assert tie.region_factor(1) == pytest.approx(2.228, abs=5e-4)
    site = random_site(223, marks=8, own_sigmas=False, noise=6.0)
    tie = solve(site.pairs, site.settings)
    assert tie.statistics.horizontal.region_redundancy == 12
    assert tie.region_factor(2) == pytest.approx(math.sqrt(2.0 * 3.885), abs=5e-4)
    wide = solve(site.pairs, site.settings.replace(confidence=0.99))
    assert wide.region_factor(2) > tie.region_factor(2)


def test_parameter_covariance_goes_with_the_parameters():
    for model, vertical in (("similarity", "plane"), ("affine", "shift"), ("rigid", None),
                            ("translation", "shift")):
        _, tie = solved(230, horizontal_model=model, vertical_model=vertical, site_unit="ft",
                        elevation_unit="m", rotation=0.0 if model == "translation" else 0.4)
        covariance, names = tie.parameter_covariance, tie.parameter_names
        assert covariance.shape == (len(names), len(names))
        for i, name in enumerate(names):
            parameter = tie.parameters[name]
            size = {"deg": math.pi / 180.0, "ppm": 1e-6}.get(parameter.unit, 1.0)
            assert math.sqrt(covariance[i, i]) == pytest.approx(parameter.sigma * size, rel=1e-12)


def test_a_tie_says_the_versions_it_was_made_with():
    _, tie = solved(240)
    assert all(dataclasses.astuple(tie.provenance))
    assert tie.provenance.proj_database.startswith("EPSG v")
    assert tie.kind == "solved"
    assert isinstance(tie, Tie)
    assert solve(tie.pairs, Settings()).settings.base_crs != tie.settings.base_crs


def test_position_only_and_elevation_only_control():
    site = random_site(250, marks=7)
    pairs = list(site.pairs)
    pairs[0] = change(pairs[0], control={"elevation": None}, vertical="idle")
    pairs[1] = change(pairs[1], control={"easting": None, "northing": None}, horizontal="idle")
    pairs[2] = change(pairs[2], observation={"height": None}, vertical="idle")
    tie = solve(pairs, site.settings)
    assert tie.statistics.horizontal.fit_marks == 6
    assert tie.statistics.vertical.fit_marks == 5
    without = solve([pairs[0], *pairs[2:]], site.settings)
    assert tie.horizontal == without.horizontal
    assert solve(pairs[1:2] + pairs[3:], site.settings).vertical.values == pytest.approx(
        tie.vertical.values, abs=1e-9)
    assert tie.residuals[0].vertical.residual is None
    assert tie.residuals[1].horizontal.residual is None
    assert tie.residuals[1].vertical.residual is not None
    assert math.isnan(tie.residuals[1].east)
