"""What a further mark is predicted to bring is what solving with it gives."""

from __future__ import annotations

import numpy as np
import pytest

from sitetie.core import Control, Observation, Pair, solve, tie_from_parameters
from sitetie.core.errors import GeometryError
from sitetie.core.forecast import Forecast
from sitetie.core.seek_list import PredictedPlaces

from .sites import Site, change, points, random_site

MODELS = [
    pytest.param(2, {"horizontal_model": "translation", "true_scale": 1.0, "rotation": 0.0},
                 id="translation"),
    pytest.param(3, {"horizontal_model": "translation", "true_scale": 1.00002, "rotation": 0.0,
                     "scale": (1.0, 3e-5)}, id="translation, scale held loosely"),
    pytest.param(2, {"horizontal_model": "rigid", "true_scale": 1.0}, id="rigid"),
    pytest.param(5, {"horizontal_model": "rigid", "true_scale": 1.0, "vertical_model": "plane"},
                 id="rigid, plane"),
    pytest.param(4, {"horizontal_model": "rigid", "true_scale": 1.00005, "scale": (1.0, 3e-5)},
                 id="rigid, scale held loosely"),
    pytest.param(2, {"horizontal_model": "similarity"}, id="similarity"),
    pytest.param(6, {"horizontal_model": "similarity", "vertical_model": "plane"},
                 id="similarity, plane"),
    pytest.param(4, {"horizontal_model": "similarity", "true_scale": 0.99973,
                     "scale": (0.99973, 0.0)}, id="similarity, scale held"),
    pytest.param(4, {"horizontal_model": "similarity", "true_scale": 0.99973,
                     "scale": (0.9997, 2e-5), "site_unit": "us-ft"},
                 id="similarity, scale held loosely, feet"),
    pytest.param(3, {"horizontal_model": "affine"}, id="affine"),
    pytest.param(7, {"horizontal_model": "affine", "vertical_model": "plane",
                     "site_unit": "ft", "elevation_unit": "m"}, id="affine, plane, feet"),
    pytest.param(4, {"horizontal_model": "similarity", "vertical_model": None},
                 id="horizontal only"),
]
#: Relative, of covariances.
TOLERANCE = 1e-9


def drawn(seed: int, marks: int, options: dict, **more) -> Site:
    # A vertical shift over a tilted site would be rejected, and the variance factor with it.
    tilt = 0.0 if options.get("vertical_model", "shift") == "shift" else 2e-5
    return random_site(seed, marks=marks, tilt=tilt, extent=800.0, **{**options, **more})


def observed_as_expected(tie, control: Control) -> Pair:
    """The control point, observed where the tie expects it."""
    place = PredictedPlaces.of(tie, [control])
    height = float(place.height[0])
    with_height = tie.vertical is not None and control.has_elevation
    return Pair(
        control,
        Observation(f"seen {control.id}", float(place.latitude[0]), float(place.longitude[0]),
                    height if with_height else None),
        "fit", "fit" if with_height else "idle")


def somewhere(tie, seed: int, **given) -> Control:
    """A control point within twice the extent of the site."""
    random = np.random.default_rng(seed)
    middle = np.array([(p.control.easting, p.control.northing) for p in tie.pairs]).mean(axis=0)
    away = random.uniform(-900.0, 900.0, 2) / tie.settings.site_length.metres
    elevation = 60.0 / tie.settings.elevation_length.metres
    return Control(f"N{seed}", *map(float, middle + away), **{"elevation": elevation, **given})


def assert_alike(predicted: np.ndarray, found: np.ndarray) -> None:
    """Equal to 1e-9 of each point's own size (elements off the diagonal may be near zero)."""
    size = np.sqrt(np.abs(np.diagonal(found, axis1=1, axis2=2)))
    known = np.isfinite(found)
    assert (known == np.isfinite(predicted)).all()
    away = np.abs(predicted - found) / (size[:, :, None] * size[:, None, :])
    assert np.nanmax(away) < TOLERANCE


@pytest.mark.parametrize(("marks", "options"), MODELS)
@pytest.mark.parametrize("seed", [3, 11, 29])
def test_the_predicted_covariance_is_that_of_really_adding_the_mark(marks, options, seed) -> None:
    """Bar 3: to 1e-9, for points over the site and far beyond it."""
    site = drawn(seed, marks, options, noise=0.5)
    tie = solve(site.pairs, site.settings)
    assert {1.0} == {part.applied_factor for part in (
        tie.statistics.horizontal, tie.statistics.vertical) if part is not None}
    control = somewhere(tie, seed, sigma_h=0.007)
    again = solve((*site.pairs, observed_as_expected(tie, control)), tie.settings)
    where = points(site, reach=6.0)
    predicted = Forecast.of(tie).with_control([control])
    assert_alike(predicted.covariance(*where), again.covariance(*where))
    noise = tie.default_observation_covariance()
    assert_alike(predicted.covariance(*where, noise), again.covariance(*where, noise))
    assert predicted.as_tie().region_factor(2) == pytest.approx(again.region_factor(2))


def test_several_marks_at_once() -> None:
    site = drawn(5, 3, {"horizontal_model": "similarity"}, noise=0.3)
    tie = solve(site.pairs, site.settings)
    control = [somewhere(tie, k) for k in range(4)]
    pairs = [observed_as_expected(tie, point) for point in control]
    again = solve((*site.pairs, *pairs), tie.settings)
    where = points(site)
    assert_alike(Forecast.of(tie).with_control(control).covariance(*where),
                 again.covariance(*where))


@pytest.mark.parametrize(("marks", "options"), MODELS)
def test_without_a_further_mark_it_is_the_present_covariance(marks, options) -> None:
    site = drawn(8, marks, options, noise=0.5)
    tie = solve(site.pairs, site.settings)
    where = points(site)
    assert_alike(Forecast.of(tie).covariance(*where), tie.covariance(*where))


def test_repeated_shots_and_pairs_that_do_not_fit_are_taken_as_they_are() -> None:
    site = drawn(13, 6, {"horizontal_model": "similarity"}, noise=0.5, checks=1, idle=1)
    again = [change(pair, observation={"id": f"again {pair.observation.id}"})
             for pair in site.pairs[:2]]
    tie = solve((*site.pairs, *again), site.settings)
    where = points(site)
    forecast = Forecast.of(tie)
    assert_alike(forecast.covariance(*where), tie.covariance(*where))
    assert forecast.horizontal.control_ids == ("C0", "C1", "C2", "C3")


def test_a_mark_without_an_elevation_serves_the_plane_alone() -> None:
    site = drawn(2, 4, {"horizontal_model": "similarity"}, noise=0.5)
    tie = solve(site.pairs, site.settings)
    control = somewhere(tie, 1, elevation=None)
    again = solve((*site.pairs, observed_as_expected(tie, control)), tie.settings)
    after = Forecast.of(tie).with_control([control])
    assert after.vertical is not None
    assert len(after.vertical.control_ids) == 4
    assert_alike(after.covariance(*points(site)), again.covariance(*points(site)))


def test_sigmas_of_the_shot_to_come() -> None:
    site = drawn(2, 4, {"horizontal_model": "similarity"}, noise=0.5)
    tie = solve(site.pairs, site.settings)
    control = somewhere(tie, 1)
    pair = change(observed_as_expected(tie, control),
                  observation={"sigma_e": 0.02, "sigma_n": 0.01, "sigma_u": 0.05})
    again = solve((*site.pairs, pair), tie.settings)
    after = Forecast.of(tie).with_control([control], np.diag([0.02**2, 0.01**2, 0.05**2]))
    assert_alike(after.covariance(*points(site)), again.covariance(*points(site)))


def test_where_the_test_rejects_the_factor_stays_and_freedom_grows() -> None:
    site = drawn(9, 5, {"horizontal_model": "similarity"}, noise=6.0)
    tie = solve(site.pairs, site.settings)
    part = tie.statistics.horizontal
    assert part.applied_factor > 1.0
    after = Forecast.of(tie).with_control([somewhere(tie, 4)])
    assert after.variance_factor("horizontal") == part.applied_factor
    assert after.freedom("horizontal") == part.redundancy + 2
    assert after.region_factor("horizontal") < tie.region_factor(2)


def test_estimated_sigmas_count_every_further_mark() -> None:
    site = drawn(9, 5, {"horizontal_model": "similarity", "sigma_basis": "estimated"})
    tie = solve(site.pairs, site.settings)
    after = Forecast.of(tie).with_control([somewhere(tie, 4)])
    assert after.freedom("horizontal") == 8
    assert after.freedom("vertical") == 5


def test_a_typed_tie_cannot_be_added_to() -> None:
    site = drawn(1, 3, {"horizontal_model": "similarity"})
    tie = tie_from_parameters(
        site.settings, "EPSG:9621", {
            "easting": 100.0, "northing": 200.0, "scale": 1.0, "rotation": 0.0})
    with pytest.raises(GeometryError, match="typed"):
        Forecast.of(tie)
