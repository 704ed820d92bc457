"""The inverse table against published lines, against planes PROJ makes, and in odd company."""

from __future__ import annotations

import dataclasses

import numpy as np
import pyproj
import pytest

from sitetie.core import Control, Observation, Pair, Settings, solve
from sitetie.core.errors import SettingsError
from sitetie.core.inverse_table import (
    ALL_LINES_UP_TO,
    NEIGHBOURS,
    basis_of_bearings,
    inverse_table,
)
from sitetie.tests.core.plausible_sites import (
    METRES,
    PLACES,
    SQUARE,
    geodetic,
    ground_site,
    on_ellipsoid,
    pairs_of,
    turned,
    utm_zone,
)

WGS84 = pyproj.Geod(ellps="WGS84")


def test_published_line() -> None:
    """Flinders Peak to Buninyong, GDA Technical Manual v2.3 as quoted in public code: MGA94 zone 55
    273741.297 5796489.777 and 228854.051 5828259.038; ellipsoid distance 54972.271, grid distance
    54992.279 m. Azimuth 306 52 05.37 of the same manual, from memory."""
    mga = pyproj.Transformer.from_crs("EPSG:28355", "EPSG:4283", always_xy=True)
    grid = np.array([[273741.297, 5796489.777], [228854.051, 5828259.038]])
    longitude, latitude = mga.transform(*grid.T)
    pairs = [
        Pair(Control(name, *place), Observation(name, lat, lon), "fit", "idle")
        for name, place, lat, lon in zip(("Flinders", "Buninyong"), grid, latitude, longitude)
    ]
    tie = solve(pairs, Settings(observation_crs="EPSG:4283", base_crs="EPSG:28355",
                                vertical_model=None))
    (line,) = inverse_table(tie)
    assert (line.from_id, line.to_id, line.level) == ("Flinders", "Buninyong", "ellipsoid")
    assert line.ellipsoid_distance == pytest.approx(54972.271, abs=1.5e-3)
    assert line.base_distance == pytest.approx(54992.279, abs=1e-3)
    assert line.record_distance == pytest.approx(54992.279, abs=1e-3)
    assert line.ground_distance is None
    assert line.true_bearing == pytest.approx(306.0 + 52 / 60 + 5.37 / 3600, abs=0.01 / 3600)
    assert line.apparent_rotation == pytest.approx(0.0, abs=1e-9)
    assert line.difference == pytest.approx(54972.271 - 54992.279, abs=2e-3)
    assert line.difference_small == pytest.approx(-20008.0, abs=2.0)
    assert line.difference_ppm == pytest.approx(-363.97, abs=0.05)  # 1 / 1.00036397 - 1


@pytest.mark.parametrize("place", PLACES)
@pytest.mark.parametrize("unit", METRES)
def test_a_ground_site_measures_what_its_record_says(place: str, unit: str) -> None:
    """Record distances are those of a tangent plane on the ground, made by PROJ."""
    pairs = ground_site(PLACES[place], rotation=200.0, unit=unit, vertical=["idle"] * len(SQUARE))
    lines = inverse_table(solve(pairs, Settings(site_unit=unit, vertical_model=None)))
    assert len(lines) == 28
    assert {line.level for line in lines} == {"ground"}
    for line in lines:
        # Radii of curvature differ by direction: 0.7 % of the 188 ppm of height.
        assert abs(line.difference_ppm) < 1.4, line
        # The base is centred within 0.0015 degrees of the place, and so is its north.
        assert line.apparent_rotation == pytest.approx(-160.0, abs=0.0015)
        turn = line.base_bearing - line.record_bearing + 160.0
        assert np.cos(np.radians(turn)) == pytest.approx(1.0)


@pytest.mark.parametrize("place", PLACES)
def test_bearings_and_lengths_are_the_geodesic(place: str) -> None:
    positions = geodetic(PLACES[place], SQUARE, 80.0)
    control = turned(on_ellipsoid(PLACES[place])(positions), 0.0)
    tie = solve(pairs_of(positions, control), Settings())
    at = {f"M{i + 1}": p for i, p in enumerate(positions)}
    for line in inverse_table(tie, "ellipsoid"):
        start, end = at[line.from_id], at[line.to_id]
        azimuth, _, length = WGS84.inv(start[1], start[0], end[1], end[0])
        assert line.measured_distance == pytest.approx(length, abs=1e-6)
        assert line.true_bearing == pytest.approx(azimuth % 360.0, abs=1e-6)
        assert abs(line.difference) < 1e-4


def test_one_wrong_mark_shows_in_its_own_lines_only() -> None:
    pairs = list(ground_site(PLACES["inland"], height=400.0))
    wrong = pairs[3].control
    pairs[3] = dataclasses.replace(
        pairs[3], control=dataclasses.replace(wrong, easting=wrong.easting + 0.25))
    for line in inverse_table(solve(pairs, Settings())):
        off = max(abs(line.difference), np.radians(abs(line.apparent_rotation - 23.7))
                  * line.record_distance)
        assert (off > 0.15) == ("M4" in (line.from_id, line.to_id)), line


def test_the_longest_come_first_and_the_earlier_mark_begins() -> None:
    lines = inverse_table(solve(ground_site(PLACES["south"]), Settings()))
    lengths = [line.base_distance for line in lines]
    assert lengths == sorted(lengths, reverse=True)
    assert all(int(line.from_id[1:]) < int(line.to_id[1:]) for line in lines)


@pytest.mark.parametrize(("count", "every"), [(2, True), (12, True), (13, False), (60, False)])
def test_many_marks_are_limited_to_neighbours_and_farthest(count: int, every: bool) -> None:
    offsets = np.random.default_rng(count).uniform(-800.0, 800.0, (count, 2))
    lines = inverse_table(solve(ground_site(PLACES["inland"], offsets, 300.0), Settings()))
    joined = {frozenset((line.from_id, line.to_id)) for line in lines}
    assert len(joined) == len(lines)
    if every:
        assert count <= ALL_LINES_UP_TO
        assert len(lines) == count * (count - 1) // 2
        return
    assert len(lines) <= count * (NEIGHBOURS + 1)
    distance = np.linalg.norm(offsets[:, None] - offsets[None], axis=2)
    for i in range(count):
        order = np.argsort(distance[i])
        for j in (*order[1 : NEIGHBOURS + 1], order[-1]):
            assert frozenset((f"M{i + 1}", f"M{j + 1}")) in joined


def test_roles_repeats_and_missing_heights() -> None:
    roles = ["fit"] * 5 + ["check", "idle", "fit"]
    pairs = list(ground_site(PLACES["inland"], roles=roles, height=900.0))
    first = pairs[0].observation
    moved = dataclasses.replace(first, id="again", latitude=first.latitude + 2e-7)  # 22 mm
    pairs.append(dataclasses.replace(pairs[0], observation=moved))
    pairs[7] = dataclasses.replace(
        pairs[7], vertical="idle", observation=dataclasses.replace(pairs[7].observation,
                                                                   height=None))
    tie = solve(pairs, Settings())
    lines = inverse_table(tie)
    assert len(lines) == 7 * 6 // 2
    assert not any("M7" in (line.from_id, line.to_id) for line in lines)
    assert len(inverse_table(tie, include_idle=True)) == 28
    north = next(line for line in lines if {line.from_id, line.to_id} == {"M1", "M4"})
    # Two shots 22 mm apart count by their mean; the line runs nearly north, from the first on.
    assert north.difference == pytest.approx(-0.0111, abs=1e-3)
    blank = next(line for line in lines if (line.from_id, line.to_id) == ("M2", "M8"))
    assert abs(blank.difference_ppm) < 1.5  # took the height of the others
    assert blank.ground_distance / blank.ellipsoid_distance == pytest.approx(1 + 900 / 6.38e6,
                                                                             abs=1e-6)


def test_marks_at_one_place_have_no_bearing() -> None:
    pairs = list(ground_site(PLACES["inland"]))
    twin = dataclasses.replace(pairs[0].control, id="twin")
    other = dataclasses.replace(pairs[0].observation, id="twin")
    pairs.append(Pair(twin, other, "check", "check"))
    line = inverse_table(solve(pairs, Settings()))[-1]
    assert {line.from_id, line.to_id} == {"M1", "twin"}
    assert line.record_distance == 0.0
    blank = (line.record_bearing, line.true_bearing, line.base_bearing, line.difference_ppm,
             line.apparent_rotation, line.sigma_rotation)
    assert blank == (None,) * 6


def test_one_mark_has_no_lines() -> None:
    pairs = ground_site(PLACES["inland"], SQUARE[:1])
    assert inverse_table(solve(pairs, Settings(horizontal_model="translation"))) == ()


def test_levels_are_refused_by_name() -> None:
    positions = geodetic(PLACES["inland"], SQUARE, 0.0)
    pairs = [
        dataclasses.replace(pair, vertical="idle", observation=dataclasses.replace(
            pair.observation, height=None))
        for pair in pairs_of(positions, turned(SQUARE, 0.0))
    ]
    tie = solve(pairs, Settings(vertical_model=None))
    with pytest.raises(SettingsError, match="no mark was observed with a height"):
        inverse_table(tie, "ground")
    with pytest.raises(SettingsError, match="Allowed: ground, ellipsoid, base"):
        inverse_table(tie, "sea")


def test_sigmas_hold_under_noise() -> None:
    """Spread of the differences over 1500 draws of the observations and the control."""
    random = np.random.default_rng(5)
    pairs = ground_site(PLACES["inland"], SQUARE[[0, 2]], 300.0)
    first = dataclasses.replace(pairs[0].observation, sigma_e=0.004, sigma_n=0.02, sigma_en=0.005)
    pairs = (dataclasses.replace(pairs[0], observation=first), pairs[1])
    tie = solve(pairs, Settings())
    (line,) = inverse_table(tie)
    degree = np.radians(WGS84.a)
    found = []
    for _ in range(1500):
        moved = []
        for pair in pairs:
            o, c = pair.observation, pair.control
            mixed = (o.sigma_en or 0.0) ** 2
            east, north = random.multivariate_normal(
                [0, 0], [[o.sigma_e**2, mixed], [mixed, o.sigma_n**2]])
            moved.append(dataclasses.replace(
                pair,
                observation=dataclasses.replace(
                    o, latitude=o.latitude + north / degree,
                    longitude=o.longitude + east / degree / np.cos(np.radians(o.latitude))),
                control=dataclasses.replace(
                    c, easting=c.easting + c.sigma_h * random.normal(),
                    northing=c.northing + c.sigma_h * random.normal())))
        (drawn,) = inverse_table(dataclasses.replace(tie, pairs=tuple(moved)))
        found.append((drawn.difference, drawn.apparent_rotation))
    spread = np.std(found, axis=0)
    # 1500 draws know a standard deviation to 1.8 %; 8 % is more than four times that.
    assert spread[0] == pytest.approx(line.sigma_distance, rel=0.08)
    assert spread[1] == pytest.approx(line.sigma_rotation, rel=0.08)


@pytest.mark.parametrize("place", PLACES)
@pytest.mark.parametrize("on_grid", [False, True])
def test_basis_of_bearings_says_where_site_north_points(place: str, on_grid: bool) -> None:
    """The site is turned against true north in its middle; elsewhere by the convergence of
    meridians more, difference of longitude times sine of latitude."""
    latitude, longitude = PLACES[place]
    base = f"EPSG:{32600 if latitude > 0 else 32700}" if on_grid else None
    base = base and base[:-2] + f"{utm_zone(PLACES[place]):02d}"
    tie = solve(ground_site(PLACES[place], rotation=-70.25), Settings(base_crs=base))
    said = basis_of_bearings(tie)
    middle = float(said.split("longitude ")[1].split(" ")[0])
    azimuth = 289.75 + (middle - longitude) * np.sin(np.radians(latitude))
    degrees, minutes, seconds = (
        float(part.strip("°′″"))
        for part in said.split("geodetic azimuth ")[1].split(" ±")[0].split())
    assert degrees + minutes / 60 + seconds / 3600 == pytest.approx(azimuth, abs=0.3 / 3600)
    assert "the coordinates of the control list, held by M1, M2" in said


def test_basis_of_bearings_by_kind() -> None:
    two = ground_site(PLACES["inland"], SQUARE[:2], rotation=0.0)
    said = basis_of_bearings(solve(two, Settings()))
    assert "the line M1 to M2 of the control list, record bearing 90° 41′ 55" in said
    still = solve(two, Settings(horizontal_model="translation"))
    assert "grid north of the base projection" in basis_of_bearings(still)
    assert "±" not in basis_of_bearings(still)
    typed = dataclasses.replace(still, kind="typed", source="Invented gazette 7")
    assert "typed parameters (Invented gazette 7)" in basis_of_bearings(typed)
    bare = dataclasses.replace(typed, pairs=(), horizontal=solve(
        ground_site(PLACES["inland"], rotation=-30.5), Settings()).horizontal)
    assert "Site north has the bearing 329° 30′ 0" in basis_of_bearings(bare)
