"""The radius of a search circle: closed cases, a published table, and counting."""

from __future__ import annotations

import numpy as np
import pytest

from sitetie.core.quantiles import chi_square_quantile, f_quantile, student_quantile
from sitetie.core.search_radius import circle_probability, circle_radius, ellipse_axes

#: Radius that holds 95 %, in units of the larger standard deviation, by the ratio of both.
#: H. L. Harter, Circular error probabilities, Journal of the American Statistical Association 55
#: (1960), 723-731, table 1 (quoted from memory).
HARTER_95 = {
    0.0: 1.95996, 0.1: 1.96253, 0.2: 1.97041, 0.3: 1.98420, 0.4: 2.00514, 0.5: 2.03586,
    0.6: 2.08130, 0.7: 2.14598, 0.8: 2.23029, 0.9: 2.33180, 1.0: 2.44775,
}


@pytest.mark.parametrize(("ratio", "expected"), HARTER_95.items())
def test_published_radii(ratio, expected) -> None:
    assert circle_radius(1.0, ratio) == pytest.approx(expected, abs=5e-6)


@pytest.mark.parametrize("level", [0.5, 0.68, 0.95, 0.99, 0.999])
def test_closed_cases(level) -> None:
    """Equal axes: chi-square with two degrees of freedom; one axis zero: with one."""
    assert circle_radius(3.0, 3.0, level) == pytest.approx(
        3.0 * np.sqrt(chi_square_quantile(level, 2)), rel=1e-10)
    assert circle_radius(3.0, 0.0, level) == pytest.approx(
        3.0 * np.sqrt(chi_square_quantile(level, 1)), rel=1e-8)


@pytest.mark.parametrize("freedom", [1, 2, 3, 8, 40])
def test_closed_cases_with_an_estimated_variance(freedom) -> None:
    assert circle_radius(2.0, 2.0, 0.95, freedom) == pytest.approx(
        2.0 * np.sqrt(2.0 * f_quantile(0.95, 2, freedom)), rel=1e-10)
    assert circle_radius(2.0, 0.0, 0.95, freedom) == pytest.approx(
        2.0 * student_quantile(0.975, freedom), rel=1e-8)


@pytest.mark.parametrize("freedom", [None, 1, 2, 5])
@pytest.mark.parametrize("ratio", [0.05, 0.3, 0.7])
def test_counted(ratio, freedom) -> None:
    """Of 400,000 random errors 95 % lie inside, to four standard errors."""
    random = np.random.default_rng(4)
    count = 400_000
    error = random.normal(size=(count, 2)) * [1.0, ratio]
    if freedom is not None:
        error /= np.sqrt(random.chisquare(freedom, count) / freedom)[:, None]
    radius = circle_radius(1.0, ratio, 0.95, freedom)
    share = np.mean(np.hypot(*error.T) <= radius)
    assert abs(share - 0.95) < 4.0 * np.sqrt(0.95 * 0.05 / count)


def test_the_integral_against_a_fine_sum_over_the_plane() -> None:
    major, minor, radius = 1.0, 0.2, 1.5
    step = 0.004
    east = np.arange(-radius, radius, step) + step / 2.0
    x, y = np.meshgrid(east, east)
    density = np.exp(-0.5 * ((x / major) ** 2 + (y / minor) ** 2)) / (2 * np.pi * major * minor)
    summed = np.sum(density[np.hypot(x, y) <= radius]) * step**2
    assert circle_probability(radius, major, minor) == pytest.approx(summed, abs=1e-4)


def test_it_lies_between_both_rules_of_thumb_and_grows_with_either_axis() -> None:
    minor = np.linspace(0.0, 1.0, 50)
    radius = circle_radius(np.ones(50), minor)
    assert (np.diff(radius) > 0.0).all()
    assert (radius[:-1] < np.sqrt(chi_square_quantile(0.95, 2))).all()
    assert (radius[:-1] > np.sqrt(chi_square_quantile(0.95, 2)) * np.sqrt(minor[:-1])).all()


def test_many_at_once_unknown_ones_among_them() -> None:
    radius = circle_radius(np.array([1.0, np.nan, 0.0]), np.array([1.0, 0.5, 0.0]))
    assert radius[0] == pytest.approx(2.44775, abs=1e-5)
    assert np.isnan(radius[1])
    assert radius[2] == 0.0


def test_axes_of_covariances() -> None:
    random = np.random.default_rng(1)
    root = random.normal(size=(40, 2, 2))
    covariance = root @ np.swapaxes(root, 1, 2)
    expected = np.sqrt(np.linalg.eigvalsh(covariance)[:, ::-1])
    assert ellipse_axes(covariance) == pytest.approx(expected, rel=1e-8)
    thin = np.array([[[1.0, 1.0], [1.0, 1.0]]])
    assert ellipse_axes(thin)[0, 1] == 0.0
