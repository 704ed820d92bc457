"""The vertical models: definitions, the geoid's place in them, marks observed more than once."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from sitetie.core import Settings, solve
from sitetie.core.errors import GeometryError
from sitetie.core.geoid import open_geoid
from sitetie.core.marks import Mark
from sitetie.core.vertical import fit_vertical
from sitetie.tests.core.sites import apart, change, points, random_site, shifted, write_geoid

MUNICH = (48.1, 11.5)


def marks(heights, sigma=0.015):
    return [Mark(f"C{i}", (i,), (1.0,), np.array([h]), np.array([[sigma**2]]),
                 np.array([[[sigma**2]]])) for i, h in enumerate(heights)]


def test_a_shift_is_the_weighted_mean():
    heights, elevations = np.array([500.0, 510.0, 520.0]), np.array([455.02, 465.0, 474.99])
    variance = np.array([1e-4, 4e-4, 1e-4])
    part = fit_vertical(marks(heights), np.zeros((3, 2)), elevations, variance, Settings()).part
    weight = 1.0 / (0.015**2 + variance)
    assert part.values[0] == pytest.approx(np.sum(weight * (elevations - heights)) / weight.sum())
    assert part.cofactor[0][0] == pytest.approx(1.0 / weight.sum())
    assert part.slopes == (0.0, 0.0)


def test_a_plane_is_found_exactly_and_evaluated_about_its_centroid():
    base = np.array([[0.0, 0.0], [1000.0, 100.0], [300.0, 900.0], [-400.0, 500.0]])
    heights = np.array([500.0, 520.0, 480.0, 505.0])
    elevations = heights - 45.0 + base @ [2e-5, -7e-5]
    part = fit_vertical(marks(heights), base, elevations, np.full(4, 2.5e-5),
                        Settings(vertical_model="plane")).part
    assert part.slopes == pytest.approx((2e-5, -7e-5), rel=1e-8)
    assert part.centroid == pytest.approx(tuple(base.mean(axis=0)))
    assert part.values[0] == pytest.approx(-45.0 + base.mean(axis=0) @ [2e-5, -7e-5], abs=1e-10)
    np.testing.assert_allclose(part.correction(base), elevations - heights, atol=1e-9)
    moved = dataclasses.replace(part, values=(part.values[0], part.values[1] + 1e-6,
                                              part.values[2]))
    np.testing.assert_allclose((moved.correction(base) - part.correction(base)) / 1e-6,
                               part.design(base)[:, 0, 1], rtol=1e-3, atol=1e-3)


def test_marks_in_line_have_no_tilt_across():
    base = np.array([[0.0, 0.0], [500.0, 250.0], [1000.0, 500.1]])
    with pytest.raises(GeometryError, match=r"lie in one line to within 0.0\d m; the tilt across"):
        fit_vertical(marks([1.0, 2.0, 3.0]), base, np.zeros(3), np.ones(3),
                     Settings(vertical_model="plane"))


def test_elevation_is_height_less_undulation_plus_the_correction(tmp_path):
    grid = write_geoid(tmp_path / "geoid.gtx")
    site = random_site(1, place=MUNICH, vertical_model="plane", geoid=grid)
    tie = solve(site.pairs, site.settings)
    latitude, longitude, height = points(site, 10)
    base = np.stack(tie.base.to_base(latitude, longitude), axis=-1)
    undulation = open_geoid(grid).undulation(latitude, longitude)
    np.testing.assert_allclose(tie.to_site(latitude, longitude, height)[2],
                               height - undulation + tie.vertical.correction(base), atol=1e-9)
    # Over the ellipsoid the shift takes up the undulation, and the plane its slope.
    over = solve(site.pairs, site.settings.replace(geoid=None))
    assert over.vertical.values[0] - tie.vertical.values[0] == pytest.approx(
        -np.mean(undulation), abs=0.05)


def test_orthometric_heights_are_what_their_geoid_makes_of_them(tmp_path):
    grid = write_geoid(tmp_path / "geoid.gtx")
    site = random_site(2, place=MUNICH)
    undulation = open_geoid(grid).undulation([p.observation.latitude for p in site.pairs],
                                             [p.observation.longitude for p in site.pairs])
    above = [change(p, observation={"height": p.observation.height - n,
                                    "height_kind": "orthometric", "height_geoid": grid})
             for p, n in zip(site.pairs, undulation)]
    assert apart(solve(site.pairs, site.settings), solve(above, site.settings),
                 points(site)) < 1e-9


def test_repeats_give_a_tilted_plane_their_mean_place():
    """Shots of one mark, metres apart on a steep plane: the first one has no privilege."""
    site = random_site(3, marks=5, vertical_model="plane", tilt=1e-3, noise=0.0)
    first = site.pairs[0]
    again = change(first, observation={"id": "again", "latitude": first.observation.latitude + 3e-4,
                                       "height": first.observation.height},
                   horizontal="idle")
    one = solve([*site.pairs, again], site.settings)
    other = solve([again, *site.pairs], site.settings)
    assert apart(one, other, points(site)) < 1e-9
    assert one.vertical.values == pytest.approx(other.vertical.values, abs=1e-12)


def test_leave_one_out_of_a_plane_is_exact():
    site = random_site(4, marks=7, vertical_model="plane")
    pairs = [*site.pairs[:3], shifted(site.pairs[3], up=0.5), *site.pairs[4:]]
    tie = solve(pairs, site.settings)
    for k in range(7):
        rest = [p if i != k else change(p, vertical="idle") for i, p in enumerate(pairs)]
        assert tie.residuals[k].vertical.deleted == pytest.approx(
            solve(rest, tie.settings).residuals[k].vertical.residual, abs=1e-9)
    assert tie.residuals[3].vertical.verdict == "does not belong"
    assert tie.residuals[3].vertical.deleted[0] == pytest.approx(-0.5, abs=0.1)


def test_an_elevation_only_mark_needs_no_site_position():
    site = random_site(5, marks=6, vertical_model="plane")
    bare = [change(p, control={"easting": None, "northing": None}, horizontal="idle")
            if i > 2 else p for i, p in enumerate(site.pairs)]
    tie = solve(bare, site.settings)
    assert tie.statistics.vertical.fit_marks == 6
    assert tie.vertical.values == pytest.approx(solve(site.pairs, site.settings).vertical.values,
                                                abs=1e-12)
