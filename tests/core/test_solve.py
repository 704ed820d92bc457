"""What must hold on any site: invariance, exactness, leave-one-out, units, the held scale."""

from __future__ import annotations

import math

import numpy as np
import pytest

from sitetie.core import Control, HeldScale, Observation, Pair, Settings, solve
from sitetie.core.errors import GeometryError, InputError
from sitetie.tests.core.sites import (
    METRES,
    apart,
    change,
    observed_elsewhere,
    points,
    random_site,
    shifted,
    turned,
    turned_points,
    verdicts,
)

MICROMETRE = 1e-6
#: Every model, with the scale free or held, over a shift or a plane.
MODELS = {
    "translation": {"horizontal_model": "translation"},
    "rigid": {"horizontal_model": "rigid"},
    "rigid, ground scale": {"horizontal_model": "rigid", "scale": HeldScale(1.0001, 0.0, "ground")},
    "similarity": {"horizontal_model": "similarity", "vertical_model": "plane"},
    "similarity, scale with a sigma": {"horizontal_model": "similarity", "scale": (1.0001, 5e-5)},
    "affine": {"horizontal_model": "affine", "vertical_model": "plane"},
    "similarity, estimated sigmas": {"sigma_basis": "estimated"},
}
MODEL = pytest.mark.parametrize("model", list(MODELS))


def blundered(site):
    """The pairs with one position and one height that do not belong."""
    pairs = list(site.pairs)
    pairs[1] = shifted(pairs[1], east=0.31, north=-0.17)
    pairs[2] = shifted(pairs[2], up=0.4)
    return pairs


def alike(one, other, relative):
    """Whether two figures are equal, or both are missing."""
    if one is None or other is None:
        return one is other
    return one == pytest.approx(other, rel=relative)


def with_round_sigmas(site):
    """The site with error circles instead of ellipses, of a size of their own for every pair."""
    pairs = tuple(change(p, observation={"sigma_n": p.observation.sigma_e, "sigma_en": None})
                  for p in site.pairs)
    return site._replace(pairs=pairs)


# -- invariances -------------------------------------------------------------------------------


@MODEL
@pytest.mark.parametrize("seed", range(4))
def test_order_idle_and_check_pairs_change_nothing(model, seed):
    site = random_site(seed, marks=9, checks=2, idle=1, rotation=0.0 if model == "translation"
                       else None, **MODELS[model])
    site = site._replace(settings=site.settings.replace(base_crs=None))
    pairs = blundered(site)
    where = points(site)
    whole = solve(pairs, site.settings)
    fit_only = solve([p for p in pairs if p.horizontal == "fit"], site.settings)
    mixed = [pairs[i] for i in np.random.default_rng(seed).permutation(len(pairs))]
    reordered = solve(mixed, site.settings)
    assert apart(whole, fit_only, where) < MICROMETRE
    assert apart(whole, reordered, where) < MICROMETRE
    assert verdicts(reordered) == verdicts(whole)
    kept = verdicts(whole)
    assert verdicts(fit_only) == {key: kept[key] for key in verdicts(fit_only)}
    assert whole.settings.base_crs == fit_only.settings.base_crs == reordered.settings.base_crs


@pytest.mark.parametrize("model", [name for name in MODELS if name != "translation"])
@pytest.mark.parametrize("seed", range(4))
def test_turning_the_site_axes_turns_the_result_and_nothing_else(model, seed):
    site = random_site(seed + 20, marks=8, checks=1, **MODELS[model])
    pairs = blundered(site)
    angle = np.random.default_rng(seed).uniform(-math.pi, math.pi)
    straight, turn = solve(pairs, site.settings), solve(turned(pairs, angle), site.settings)
    where = points(site)
    easting, northing, elevation = straight.to_site(*where)
    expected = turned_points(easting, northing, angle) + (elevation,)
    np.testing.assert_allclose(turn.to_site(*where), expected, rtol=0.0, atol=MICROMETRE)
    assert verdicts(turn) == verdicts(straight)
    for one, other in zip(straight.residuals, turn.residuals):
        assert turned_points(one.east, one.north, angle) == pytest.approx(
            (other.east, other.north), abs=MICROMETRE)
        for figure in ("test", "redundancy", "detectable"):
            assert alike(getattr(one.horizontal, figure), getattr(other.horizontal, figure), 1e-6)
    about = turn.parameters["rotation"].value - straight.parameters["rotation"].value
    assert math.remainder(about - math.degrees(angle), 360.0) == pytest.approx(0.0, abs=1e-9)


@MODEL
def test_only_the_ratios_of_the_sigmas_matter_for_the_coordinates(model):
    site = random_site(5, rotation=0.0 if model == "translation" else None, **MODELS[model])
    factor = 3.0
    larger = [
        change(p, control={"sigma_h": factor * p.control.sigma_h,
                           "sigma_v": factor * p.control.sigma_v},
               observation={name: factor * getattr(p.observation, name)
                            for name in ("sigma_e", "sigma_n", "sigma_en", "sigma_u")})
        for p in site.pairs
    ]
    settings = site.settings
    if settings.scale is not None and settings.scale.sigma:
        held = settings.scale
        settings = settings.replace(scale=HeldScale(held.value, factor * held.sigma))
    one, other = solve(site.pairs, site.settings), solve(larger, settings)
    assert apart(one, other, points(site)) < MICROMETRE
    squares = (one.statistics.horizontal.sum_of_squares
               / other.statistics.horizontal.sum_of_squares)
    assert squares == pytest.approx(factor**2, rel=1e-6)


def test_the_sites_own_origin_does_not_matter():
    site = random_site(7)
    far = [shifted(p, east=5e6, north=2e7, up=1000.0) for p in site.pairs]
    one, other = solve(site.pairs, site.settings), solve(far, site.settings)
    where = points(site)
    moved = np.array(one.to_site(*where)) + np.array([[5e6], [2e7], [1000.0]])
    np.testing.assert_allclose(other.to_site(*where), moved, rtol=0.0, atol=MICROMETRE)


# -- exact data --------------------------------------------------------------------------------


@MODEL
@pytest.mark.parametrize("unit", list(METRES))
def test_exact_data_gives_the_truth_and_no_residuals(model, unit):
    changes = dict(MODELS[model])
    scale = {"translation": 1.0, "rigid": 1.0}.get(model, 1.0001)
    site = random_site(31, noise=0.0, true_scale=scale, site_unit=unit, own_sigmas=False, tilt=0.0,
                       rotation=0.0 if model == "translation" else 2.5, **changes)
    tie = solve(site.pairs, site.settings)
    assert np.abs(tie.residuals.east).max() < MICROMETRE
    assert np.abs(tie.residuals.north).max() < MICROMETRE
    assert np.abs(tie.residuals.up).max() < MICROMETRE
    assert tie.parameters["scale"].value == pytest.approx(scale, abs=1e-9)
    assert tie.parameters["rotation"].value == pytest.approx(
        0.0 if model == "translation" else math.degrees(2.5), abs=1e-7)


@pytest.mark.parametrize("seed", range(6))
def test_noisy_data_gives_the_truth_to_its_sigmas(seed):
    site = random_site(seed + 40, marks=12)
    tie = solve(site.pairs, site.settings)
    rotation, scale = tie.parameters["rotation"], tie.parameters["scale"]
    turn = math.remainder(rotation.value - math.degrees(site.rotation), 360.0)
    assert abs(turn) < 4.0 * rotation.sigma
    assert abs(scale.value - site.scale) < 4.0 * scale.sigma


# -- the least of squares ----------------------------------------------------------------------


@MODEL
def test_any_other_parameters_have_a_larger_sum_of_squares(model):
    site = random_site(50, own_sigmas=False, rotation=0.0 if model == "translation" else 1.0,
                       **MODELS[model])
    tie = solve(site.pairs, site.settings)
    base = np.stack(tie.base.to_base([p.observation.latitude for p in site.pairs],
                                     [p.observation.longitude for p in site.pairs]), axis=-1)
    control = np.array([(p.control.easting, p.control.northing) for p in site.pairs])
    part = tie.horizontal
    # Default sigmas are round, so the weights are all alike to 1e-3 and drop out.
    held = tie.settings.scale

    def squares(values):
        named = dict(zip(part.names, values))
        if part.model == "affine":
            matrix = np.array(values[2:]).reshape(2, 2)
        else:
            angle = named.get("rotation", 0.0)
            scale = named.get("scale", held.value if held else 1.0)
            matrix = scale * np.array([[math.cos(angle), -math.sin(angle)],
                                       [math.sin(angle), math.cos(angle)]])
        misfit = values[:2] + (base - part.centroid) @ matrix.T - control
        total = np.sum(misfit**2) / (0.008**2 * part.scale**2 + 0.005**2)
        if held is not None and held.sigma and "scale" in named:
            total += ((named["scale"] - held.value) / held.sigma) ** 2
        return total

    solved = np.array(part.values)
    sigmas = np.sqrt(np.diag(part.cofactor))
    least = squares(solved)
    assert least == pytest.approx(tie.statistics.horizontal.sum_of_squares, rel=1e-3)
    directions = np.random.default_rng(1).standard_normal((200, len(solved)))
    for direction in np.vstack([np.eye(len(solved)), -np.eye(len(solved)), directions]):
        assert squares(solved + 0.1 * sigmas * direction) > least


@MODEL
@pytest.mark.parametrize("blunder", [0.0, 0.5])
def test_leave_one_out_equals_solving_again(model, blunder):
    # Circles, because ellipses turn with the solution and so do the weights.
    site = with_round_sigmas(random_site(
        60, marks=6, extent=1000.0, rotation=0.0 if model == "translation" else -2.0,
        **MODELS[model]))
    pairs = list(site.pairs)
    pairs[0] = shifted(pairs[0], east=blunder, up=blunder)
    tie = solve(pairs, site.settings)
    for k, pair in enumerate(pairs):
        others = [p if i != k else change(p, horizontal="idle", vertical="idle")
                  for i, p in enumerate(pairs)]
        again = solve(others, tie.settings).residuals[k]
        expected = np.array(again.horizontal.residual)
        miss = np.linalg.norm(tie.residuals[k].horizontal.deleted - expected)
        # The scale, and with it the weights, may differ by some 0.5 m / 1000 m.
        assert miss < MICROMETRE + 1e-4 * np.linalg.norm(expected), pair.name
        assert tie.residuals[k].vertical.deleted == pytest.approx(
            again.vertical.residual, rel=2e-6, abs=1e-8)


def test_leave_one_out_of_a_rigid_tie_with_a_blunder_as_large_as_the_site():
    site = with_round_sigmas(random_site(61, marks=6, extent=300.0, horizontal_model="rigid"))
    pairs = [*site.pairs[:-1], shifted(site.pairs[-1], east=150.0, north=-90.0)]
    tie = solve(pairs, site.settings)
    for k in range(len(pairs)):
        others = [p if i != k else change(p, horizontal="idle") for i, p in enumerate(pairs)]
        again = solve(others, tie.settings).residuals[k]
        assert tie.residuals[k].horizontal.deleted == pytest.approx(
            again.horizontal.residual, rel=1e-6, abs=MICROMETRE)
    assert verdicts(tie)["G5"][0][0] == "does not belong"
    assert sum(v[0][0] == "does not belong" for v in verdicts(tie).values()) == 1


# -- units -------------------------------------------------------------------------------------


@pytest.mark.parametrize(("unit", "elevation_unit"), [
    ("ft", "ft"), ("us-ft", "us-ft"), ("us-ft", "m"), ("m", "ft")])
@pytest.mark.parametrize("model", ["similarity", "rigid", "affine"])
def test_the_same_site_in_feet_gives_the_same_metres(unit, elevation_unit, model):
    kinds = {"horizontal_model": model, "vertical_model": "plane"}
    metric = random_site(70, checks=1, **kinds)
    feet = random_site(70, checks=1, site_unit=unit, elevation_unit=elevation_unit, **kinds)
    one, other = solve(metric.pairs, metric.settings), solve(feet.pairs, feet.settings)
    h, v = METRES[unit], METRES[elevation_unit]
    where = points(metric)
    scaled = np.array(other.to_site(*where)) * [[h], [h], [v]]
    np.testing.assert_allclose(scaled, one.to_site(*where), rtol=0.0, atol=MICROMETRE)
    size = np.array([h, h, v])
    np.testing.assert_allclose(other.covariance(*where) * np.outer(size, size),
                               one.covariance(*where), rtol=1e-7, atol=1e-15)
    for name in ("rotation", "scale", "slope_east", "slope_north"):
        assert other.parameters[name].value == pytest.approx(one.parameters[name].value, rel=1e-7)
        assert alike(other.parameters[name].sigma, one.parameters[name].sigma, 1e-6)
    for side, length in (("horizontal", h), ("vertical", v)):
        mine, theirs = getattr(one.statistics, side), getattr(other.statistics, side)
        assert theirs.sum_of_squares == pytest.approx(mine.sum_of_squares, rel=1e-6)
        assert theirs.rms * length == pytest.approx(mine.rms, rel=1e-6)
        for row, again in zip(one.residuals, other.residuals):
            mine, theirs = getattr(row, side), getattr(again, side)
            assert theirs.size * length == pytest.approx(mine.size, abs=MICROMETRE)
            assert alike(theirs.test, mine.test, 1e-5)
            if mine.detectable is not None:
                assert theirs.detectable * length == pytest.approx(mine.detectable, rel=1e-6)
                assert theirs.effect * length == pytest.approx(mine.effect, rel=1e-6)
    assert verdicts(other) == verdicts(one)


# -- scale held --------------------------------------------------------------------------------


def test_a_scale_held_exactly_stays_and_one_with_a_sigma_is_moved_by_the_pairs():
    site = random_site(80, extent=2000.0)
    free = solve(site.pairs, site.settings).parameters["scale"]
    value = free.value + free.sigma

    def scale(sigma):
        return solve(site.pairs, site.settings.replace(scale=(value, sigma))).parameters["scale"]

    assert scale(0.0).value == pytest.approx(value, abs=1e-15)
    assert scale(0.0).sigma == 0.0
    assert scale(1.0).value == pytest.approx(free.value, abs=1e-9)
    # As much weight on the held value as on the pairs: half way, and 0.71 of the sigma.
    assert scale(free.sigma).value == pytest.approx(free.value + free.sigma / 2.0, abs=1e-9)
    assert scale(free.sigma).sigma == pytest.approx(free.sigma / math.sqrt(2.0), rel=1e-3)


def test_a_scale_sigma_counts_as_one_observation():
    site = random_site(81)
    free = solve(site.pairs, site.settings)
    exact = solve(site.pairs, site.settings.replace(scale=(1.0, 0.0)))
    some = solve(site.pairs, site.settings.replace(scale=(1.0, 1e-4)))
    assert free.statistics.horizontal.redundancy == 2 * 7 - 4
    assert exact.statistics.horizontal.redundancy == 2 * 7 - 3
    assert some.statistics.horizontal.redundancy == 2 * 7 + 1 - 4


def test_rigid_and_similarity_with_a_held_scale_are_the_same_solution():
    site = random_site(82)
    one = solve(site.pairs, site.settings.replace(horizontal_model="rigid", scale=(1.0002, 0.0)))
    other = solve(site.pairs, site.settings.replace(scale=(1.0002, 0.0)))
    assert apart(one, other, points(site)) < 1e-9


def test_rigid_and_translation_hold_the_scale_at_one_unless_told_otherwise():
    site = random_site(83, rotation=0.0)
    for model in ("rigid", "translation"):
        tie = solve(site.pairs, site.settings.replace(horizontal_model=model))
        assert tie.parameters["scale"].value == pytest.approx(1.0, abs=1e-15)
        tie = solve(site.pairs, site.settings.replace(horizontal_model=model, scale=(1.0003, 0)))
        assert tie.parameters["scale"].value == pytest.approx(1.0003, abs=1e-15)


def test_the_uncertainty_of_a_held_scale_reaches_the_points_far_off():
    site = random_site(84, extent=500.0, true_scale=1.0, noise=0.3, own_sigmas=False)
    sigma = 1e-6
    exact, some = (solve(site.pairs[:2], site.settings.replace(scale=(1.0, value)))
                   for value in (0.0, sigma))
    far = (site.latitude + 0.05, site.longitude)
    growth = some.covariance(*far)[0] - exact.covariance(*far)[0]
    # Along the line from the centroid, some 5.5 km, and not across it.
    base = np.array(some.base.to_base(*far)) - some.horizontal.centroid
    assert math.sqrt(np.linalg.eigvalsh(growth[:2, :2])[-1]) == pytest.approx(
        np.hypot(*base) * sigma, rel=0.01)


# -- the base ----------------------------------------------------------------------------------


def test_the_base_is_chosen_once_and_kept():
    site = random_site(90, marks=8)
    first = solve(site.pairs, Settings())
    assert first.settings.base_crs.startswith("PROJCRS")
    half = [change(p, horizontal="idle") if i > 4 else p for i, p in enumerate(site.pairs)]
    again = solve(half, first.settings)
    assert again.base == first.base
    assert again.settings.base_crs == first.settings.base_crs


def test_one_mistyped_longitude_does_not_move_the_base():
    site = random_site(91, marks=6, place=(50.1234, 8.2), own_sigmas=False)
    wrong = change(site.pairs[3], observation={"longitude": 18.2})
    right, moved = solve(site.pairs, Settings()), solve(
        [*site.pairs[:3], wrong, *site.pairs[4:]], Settings())
    centres = [np.array(tie.base.to_geodetic(0.0, 0.0)) for tie in (right, moved)]
    assert np.abs(centres[1] - centres[0]).max() < 0.006  # half the extent of the site


@pytest.mark.parametrize("longitude", [180.0, -180.0, 179.999, 0.0])
def test_a_site_on_the_antimeridian_is_like_any_other(longitude):
    site = random_site(92, place=(-17.0, longitude), extent=1000.0)
    there = random_site(92, place=(-17.0, 30.0), extent=1000.0)
    tie, other = solve(site.pairs, Settings()), solve(there.pairs, Settings())
    assert len({p.observation.longitude > 0 for p in site.pairs}) == 2 or longitude == 179.999
    assert abs(math.remainder(tie.base.to_geodetic(0.0, 0.0)[1] - longitude, 360.0)) < 0.005
    assert tie.residuals.east == pytest.approx(other.residuals.east, abs=2e-5)
    named = solve(site.pairs, Settings(base_crs="EPSG:32760" if longitude else "EPSG:32730"))
    assert named.statistics.horizontal.rms == pytest.approx(tie.statistics.horizontal.rms, rel=0.1)


def test_longitudes_beyond_180_are_the_same_places():
    site = random_site(93, place=(-17.0, -179.5))
    around = [change(p, observation={"longitude": p.observation.longitude + 360.0})
              for p in site.pairs]
    assert apart(solve(site.pairs, site.settings), solve(around, site.settings),
                 points(site)) < MICROMETRE


# -- what is refused and what is said ----------------------------------------------------------


def test_no_pairs_and_things_that_are_no_pairs():
    with pytest.raises(InputError, match="no pairs"):
        solve([], Settings())
    with pytest.raises(InputError, match="dict is not a Pair"):
        solve([{}], Settings())


def test_a_pair_too_few_is_refused_and_just_enough_is_unchecked():
    site = random_site(100, marks=4, rotation=0.0)
    for model, fewest in (("translation", 1), ("rigid", 2), ("similarity", 2), ("affine", 3)):
        settings = site.settings.replace(horizontal_model=model)
        statistics = solve(site.pairs[:fewest], settings).statistics.horizontal
        if model == "rigid":  # one length too many
            assert statistics.redundancy == 1
        else:
            assert not statistics.checked
            assert statistics.outcome == "unchecked"
            assert statistics.rms is None
            assert statistics.largest is None
            assert statistics.variance_factor is None
        if fewest > 1:
            with pytest.raises(GeometryError, match=f"needs at least {fewest} fit pairs"):
                solve(site.pairs[: fewest - 1], settings)


def test_repeats_of_one_mark_are_one_mark():
    site = random_site(101, marks=2)
    again = change(site.pairs[0], observation={"id": "G0 again"})
    with pytest.raises(GeometryError, match="there is 1 mark with the horizontal role fit"):
        solve([site.pairs[0], again], site.settings)


def test_a_rigid_tie_settles_however_wrong_its_scale():
    site = random_site(102, marks=6, extent=500.0, own_sigmas=False)
    for ratio in (0.2, 0.5, 2.5, 20.0):
        stretched = [change(p, control={"easting": p.control.easting * ratio,
                                        "northing": p.control.northing * ratio})
                     for p in site.pairs]
        tie = solve(stretched, site.settings.replace(horizontal_model="rigid"))
        turn = math.remainder(math.radians(tie.parameters["rotation"].value) - site.rotation,
                              2.0 * math.pi)
        assert turn == pytest.approx(0.0, abs=1e-3)
        assert tie.statistics.horizontal.outcome == "larger than stated"


def test_cautions_name_an_affine_and_a_mark_used_twice():
    site = random_site(103, marks=6)
    tie = solve(site.pairs, site.settings.replace(horizontal_model="affine"))
    assert any("affine deforms" in caution for caution in tie.cautions)
    check = change(site.pairs[2], observation={"id": "G2 again"}, horizontal="check",
                   vertical="idle")
    said = " ".join(solve([*site.pairs, check], site.settings).cautions)
    assert "C2: used for both fit and check" in said


def test_tolerances_are_compared_in_site_units():
    site = random_site(104, marks=6, checks=1, idle=1, site_unit="ft", own_sigmas=False,
                       tolerance_h=0.05, tolerance_v=0.05)
    pairs = [shifted(p, up=0.2) if i == 5 else p for i, p in enumerate(site.pairs)]
    tie = solve(pairs, site.settings)
    for row in (*tie.residuals[:4], tie.residuals[5]):
        assert row.horizontal.within_tolerance == (math.hypot(row.east, row.north) <= 0.05)
        assert row.vertical.within_tolerance == (abs(row.up) <= 0.05)
    assert tie.residuals[5].vertical.within_tolerance is False
    assert tie.residuals[4].horizontal.role == "idle"
    assert tie.residuals[4].horizontal.within_tolerance is None
    assert solve(pairs, Settings(site_unit="ft")).residuals[0].horizontal.within_tolerance is None


def test_residuals_are_solved_minus_given():
    site = random_site(105, marks=6, checks=1)
    tie = solve(site.pairs, site.settings)
    for pair, row in zip(site.pairs, tie.residuals):
        o, c = pair.observation, pair.control
        e, n, z = tie.to_site(o.latitude, o.longitude, o.height)
        assert (row.east, row.north, row.up) == pytest.approx(
            (e - c.easting, n - c.northing, z - c.elevation), abs=1e-9)


def test_rms_is_radial_and_divided_by_the_number_of_pairs():
    site = random_site(106, marks=8, checks=2)
    tie = solve(site.pairs, site.settings)
    radial = np.hypot(tie.residuals.east, tie.residuals.north)
    part = tie.statistics.horizontal
    assert part.rms == pytest.approx(math.sqrt(np.mean(radial[:6] ** 2)))
    assert part.check_rms == pytest.approx(math.sqrt(np.mean(radial[6:] ** 2)))
    assert part.largest == pytest.approx(radial[:6].max())
    assert tie.statistics.vertical.rms == pytest.approx(
        math.sqrt(np.mean(tie.residuals.up[:6] ** 2)))


def test_sigmas_that_nobody_gave_are_called_assumed():
    site = random_site(107)
    assert not solve(site.pairs, site.settings).statistics.horizontal.assumed_sigmas
    blank = [change(site.pairs[0], observation={"sigma_u": None}), *site.pairs[1:]]
    statistics = solve(blank, site.settings).statistics
    assert statistics.vertical.assumed_sigmas
    assert not statistics.horizontal.assumed_sigmas


def test_what_the_chi_square_test_says():
    site = random_site(108, marks=9, noise=1.0)
    for noise, outcome in ((0.0, "smaller than stated"), (1.0, "consistent"),
                           (4.0, "larger than stated")):
        site = random_site(109, marks=9, noise=noise)
        tie = solve(site.pairs, site.settings)
        for part in (tie.statistics.horizontal, tie.statistics.vertical):
            assert part.outcome == outcome
            assert part.applied_factor == (part.variance_factor if noise == 4.0 else 1.0)
            assert part.region_redundancy == (part.redundancy if noise == 4.0 else None)


def test_estimated_sigmas_scale_down_too():
    site = random_site(110, noise=0.2)
    tie = solve(site.pairs, site.settings.replace(sigma_basis="estimated"))
    stated = solve(site.pairs, site.settings)
    factor = tie.statistics.horizontal.applied_factor
    assert factor == tie.statistics.horizontal.variance_factor < 0.2
    np.testing.assert_allclose(tie.horizontal.cofactor, stated.horizontal.cofactor)
    assert tie.parameters["scale"].sigma == pytest.approx(
        stated.parameters["scale"].sigma * math.sqrt(factor))


def test_exact_data_with_estimated_sigmas_can_be_kept():
    pairs = [Pair(Control(f"C{i}", 0.0, 0.0, 1.0), Observation(f"G{i}", 48.0, 11.0, 2.0),
                  "fit" if i < 3 else "check") for i in range(4)]
    tie = solve(pairs, Settings(horizontal_model="translation", sigma_basis="estimated"))
    assert tie.statistics.horizontal.applied_factor == 0.0
    assert tie.residuals[3].horizontal.verdict == "cannot be tested"
    assert len(tie.id) == 64


def test_a_blunder_in_an_observation_moves_only_its_own_restated_point_when_it_is_a_check():
    site = random_site(111, marks=6, checks=1)
    wrong = [*site.pairs[:5], observed_elsewhere(site.pairs[5], east=1.0, up=2.0)]
    one, other = solve(site.pairs, site.settings), solve(wrong, site.settings)
    assert apart(one, other, points(site)) == 0.0
    row = other.residuals[5]
    assert row.horizontal.verdict == row.vertical.verdict == "does not agree"
    assert row.horizontal.size == pytest.approx(site.scale, abs=0.05)
    assert row.up == pytest.approx(2.0, abs=0.15)


@pytest.mark.parametrize("model", ["translation", "similarity", "affine",
                                   "similarity, estimated sigmas"])
def test_a_fit_pair_is_scaled_by_what_the_others_say(model):
    """By the variance factor and redundancy of the solution without it."""
    site = random_site(12, marks=9, noise=3.0, **MODELS[model])
    tie = solve(site.pairs, site.settings)
    for place, row in enumerate(tie.residuals):
        rest = solve([p for k, p in enumerate(site.pairs) if k != place], tie.settings)
        for side, dimension in (("horizontal", 2), ("vertical", 1)):
            others, result = getattr(rest.statistics, side), getattr(row, side)
            factor = result.own_factor or getattr(tie.statistics, side).applied_factor
            # Covariances weigh by the rotation and scale of their own solution.
            assert factor == pytest.approx(others.applied_factor, rel=1e-3)
            assert tie.pair_region_factor(row, dimension) == pytest.approx(
                rest.region_factor(dimension))


def test_a_fit_pair_without_others_to_ask_keeps_the_stated_sigmas():
    site = random_site(3, marks=2, noise=6.0, horizontal_model="translation", rotation=0.0,
                       true_scale=1.0)
    tie = solve(site.pairs, site.settings)
    assert tie.statistics.horizontal.applied_factor > 1.0
    for row in tie.residuals:
        assert (row.horizontal.own_factor, row.horizontal.own_redundancy) == (1.0, None)
        assert tie.pair_region_factor(row, 2) == pytest.approx(2.4477, abs=1e-4)  # chi-square
        assert tie.region_factor(2) > 4.0


def test_a_tie_that_all_agree_on_says_nothing_of_its_own():
    site = random_site(4, marks=6, noise=0.5)
    for row in solve(site.pairs, site.settings).residuals:
        assert row.horizontal.own_factor is None
        assert row.vertical.own_factor is None
