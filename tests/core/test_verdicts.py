"""Which pair does not belong, and when that cannot be told."""

from __future__ import annotations

import math

import numpy as np
import pytest

from sitetie.core import solve
from sitetie.core.adjustment import adjust
from sitetie.core.verdicts import judge
from sitetie.tests.core.sites import change, points, random_site, shifted, turned, verdicts

ACCUSED, CANNOT_TELL, UNTESTED = "does not belong", "cannot be told apart", "cannot be tested"


def blundered(seed, marks, blunders, **kinds):
    """A site with blunders: {pair: (east, north, up) in metres}."""
    site = random_site(seed, marks=marks, **kinds)
    pairs = [shifted(p, *blunders.get(i, (0.0, 0.0, 0.0))) for i, p in enumerate(site.pairs)]
    return solve(pairs, site.settings)


def told(tie, side):
    """Verdict and company of every pair, by its number."""
    column = 0 if side == "horizontal" else 1
    return {int(key[1:]): value[column] for key, value in verdicts(tie).items()}


@pytest.mark.parametrize("seed", range(5))
@pytest.mark.parametrize("model", ["translation", "rigid", "similarity", "affine"])
@pytest.mark.parametrize("basis", ["stated", "estimated"])
def test_one_blunder_is_accused_and_nobody_else(seed, model, basis):
    kinds = {"rotation": 0.0, "true_scale": 1.0} if model == "translation" else {}
    if model == "rigid":
        kinds["true_scale"] = 1.0
    tie = blundered(seed, 10, {3: (0.25, -0.2, 0.0), 7: (0.0, 0.0, 0.35)}, sigma_basis=basis,
                    horizontal_model=model, vertical_model="plane", noise=0.7, **kinds)
    for side, guilty in (("horizontal", 3), ("vertical", 7)):
        found = told(tie, side)
        assert found.pop(guilty) == (ACCUSED, frozenset())
        for verdict, company in found.values():
            assert verdict in ("fits", "fits once the other is left out")
            assert company <= {f"C{guilty}"}


@pytest.mark.parametrize("seed", range(5))
def test_two_blunders_are_found_one_after_the_other(seed):
    tie = blundered(seed + 10, 14, {2: (0.4, 0.1, 0.0), 9: (-0.3, 0.35, 0.0)}, noise=0.7)
    found = told(tie, "horizontal")
    assert {k for k, (verdict, _) in found.items() if verdict == ACCUSED} == {2, 9}
    for verdict, company in found.values():
        assert verdict in (ACCUSED, "fits", "fits once the other is left out")
        assert company <= {"C2", "C9"}


@pytest.mark.parametrize(("marks", "model", "vertical", "side", "group"), [
    (3, "similarity", None, "horizontal", {0, 1, 2}),
    (2, "translation", None, "horizontal", {0, 1}),
    (4, "affine", None, "horizontal", {0, 1, 2, 3}),
    (2, "rigid", None, "horizontal", {0, 1}),
    (2, "rigid", "shift", "vertical", {0, 1}),
    (4, "similarity", "plane", "vertical", {0, 1, 2, 3}),
])
def test_with_too_little_redundancy_something_is_wrong_and_it_cannot_be_told_what(
        marks, model, vertical, side, group):
    blunder = (0.5, 0.4, 0.6)
    tie = blundered(30, marks, {1: blunder}, horizontal_model=model, vertical_model=vertical,
                    rotation=0.0, true_scale=1.0, extent=200.0)
    assert getattr(tie.statistics, side).outcome == "larger than stated"
    found = told(tie, side)
    assert set(found) == group
    for k in group:
        assert found[k] == (CANNOT_TELL, frozenset(f"C{j}" for j in group - {k}))
    # and with no blunder they fit, as far as anybody can say
    good = blundered(30, marks, {}, horizontal_model=model, vertical_model=vertical,
                     rotation=0.0, true_scale=1.0, extent=200.0, noise=0.3)
    assert {v for v, _ in told(good, side).values()} <= {"fits", UNTESTED}


@pytest.mark.parametrize(("marks", "model", "vertical", "side"), [
    (2, "similarity", None, "horizontal"), (1, "translation", "shift", "vertical"),
    (3, "affine", "plane", "vertical"), (3, "affine", None, "horizontal")])
def test_without_redundancy_nothing_can_be_tested(marks, model, vertical, side):
    tie = blundered(31, marks, {0: (0.5, 0.4, 0.6)}, horizontal_model=model,
                    vertical_model=vertical, rotation=0.0)
    assert {v for v, _ in told(tie, side).values()} == {UNTESTED}
    for row in tie.residuals:
        part = getattr(row, side)
        assert part.test is part.critical is part.detectable is part.deleted is None
        assert part.redundancy == pytest.approx(0.0, abs=1e-9)


def test_estimated_sigmas_need_more_than_one_pairs_redundancy():
    """One pair would explain all the misfit there is to estimate the sigmas from."""
    for marks, side in ((3, "horizontal"), (2, "vertical")):
        tie = blundered(32, marks, {0: (1.0, 0.4, 0.6)}, sigma_basis="estimated", extent=300.0)
        assert {v for v, _ in told(tie, side).values()} == {UNTESTED}


def same_quantity(*values):
    """Verdicts on observations of one number with unit weights."""
    count = len(values)
    solved = adjust(np.ones((count, 1, 1)), np.array(values)[:, None], np.ones((count, 1, 1)))
    return solved, judge(solved, 0.001)


def test_two_rivals_are_both_named_and_the_others_fit():
    _, found = same_quantity(0.0, 0.0, 6.0, -6.0)
    assert found[2] == (CANNOT_TELL, (3,))
    assert found[3] == (CANNOT_TELL, (2,))
    assert found[0] == found[1] == ("fits", ())


def test_a_flagged_pair_is_cleared_only_when_it_fits_without_any_of_the_rivals():
    # Two at 9 and one at -4: with -4 left out, the 9s and the zeros still contradict each other.
    solved, found = same_quantity(0.0, 0.0, 9.0, 9.1, -4.0)
    flagged = solved.test_values > solved.critical_values(0.001)
    assert flagged.tolist() == [False, False, True, True, True]
    assert [verdict for verdict, _ in found] == ["fits", "fits"] + [CANNOT_TELL] * 3
    assert found[2][1] == (3, 4)


def test_nobody_is_cleared_with_too_little_left_to_judge_by():
    solved, found = same_quantity(0.0, 12.0)
    assert solved.redundancy == 1
    assert found == [(CANNOT_TELL, (1,)), (CANNOT_TELL, (0,))]


def test_a_flagged_pair_that_fits_without_the_accused_names_it():
    # Both far pairs of a line are flagged when the end of it is wrong.
    x = np.array([-1.0, -0.9, 0.9, 1.0, 1.1, -1.1])
    design = np.stack([np.ones(6), x], axis=1)[:, None, :]
    observed = np.zeros((6, 1))
    observed[3] = 30.0
    solved = adjust(design, observed)
    assert (solved.test_values > solved.critical_values(0.001)).sum() > 1
    found = judge(solved, 0.001)
    assert found[3] == (ACCUSED, ())
    assert {v for k, (v, _) in enumerate(found) if k != 3} == {
        "fits", "fits once the other is left out"}
    assert all(company == (3,) for v, company in found if v == "fits once the other is left out")


def test_checks_agree_or_do_not_by_the_stated_sigmas():
    site = random_site(40, marks=10, checks=2)
    pairs = [*site.pairs[:9], shifted(site.pairs[9], east=0.2)]
    tie = solve(pairs, site.settings)
    assert told(tie, "horizontal")[8] == ("agrees", frozenset())
    assert told(tie, "horizontal")[9] == ("does not agree", frozenset())
    # However bad the fit itself is, it does not excuse the check.
    loose = [shifted(p, east=0.1 * (-1) ** i) if i < 8 else p for i, p in enumerate(pairs)]
    assert told(solve(loose, site.settings), "horizontal")[9][0] == "does not agree"


def test_the_tests_of_good_checks_are_chi_square():
    squares = {"horizontal": [], "vertical": []}
    for seed in range(60):
        site = random_site(seed + 1000, marks=7, checks=2)
        for row in solve(site.pairs, site.settings).residuals[5:]:
            for side, found in squares.items():
                found.append(getattr(row, side).test ** 2)
    for side, freedom in (("horizontal", 2), ("vertical", 1)):
        # Mean f and variance 2 f of a chi-square; three sigmas of the mean of 120.
        assert abs(np.mean(squares[side]) - freedom) < 3.0 * math.sqrt(2.0 * freedom / 120.0)


@pytest.mark.parametrize("seed", range(6))
def test_verdicts_do_not_depend_on_order_or_axes(seed):
    draw = np.random.default_rng(seed)
    site = random_site(seed + 50, marks=9, vertical_model="plane",
                       horizontal_model=["rigid", "similarity", "affine"][seed % 3])
    pairs = [shifted(p, *draw.normal(0.0, 0.1, 3)) if i < seed else p
             for i, p in enumerate(site.pairs)]
    found = verdicts(solve(pairs, site.settings))
    mixed = [pairs[i] for i in draw.permutation(9)]
    assert verdicts(solve(mixed, site.settings)) == found
    assert verdicts(solve(turned(pairs, draw.uniform(-3.0, 3.0)), site.settings)) == found


def test_tests_and_their_critical_values_are_in_standard_deviations():
    tie = blundered(60, 8, {2: (0.5, 0.0, 0.0)}, own_sigmas=False)
    row = tie.residuals[2].horizontal
    # chi-square with 2 degrees of freedom at 0.001: 13.816 (any table)
    assert row.critical == pytest.approx(math.sqrt(13.816), abs=1e-3)
    assert tie.residuals[2].vertical.critical == pytest.approx(3.2905, abs=1e-4)
    # The leave-one-out residual over its own sigma, which is that of the pair over the root of r.
    sigma = math.hypot(0.008, 0.005) / math.sqrt(row.redundancy)
    assert row.test == pytest.approx(math.hypot(*row.deleted) / sigma, rel=0.01)


def test_a_blunder_of_the_detectable_size_and_its_effect():
    tie = blundered(61, 8, {}, noise=0.0, own_sigmas=False)
    for k, row in enumerate(tie.residuals):
        part = row.horizontal
        bearing = math.radians(part.detectable_bearing)
        assert 0.0 <= part.detectable_bearing < 180.0
        moved = blundered(61, 8, {k: (part.detectable * math.sin(bearing),
                                      part.detectable * math.cos(bearing), 0.0)}, noise=0.0,
                          own_sigmas=False)
        # noncentrality of Baarda's test in two dimensions, 19.66
        assert moved.residuals[k].horizontal.test ** 2 == pytest.approx(19.66, abs=0.02)
        site = random_site(61, marks=8, noise=0.0, own_sigmas=False)
        where = np.array([(p.observation.latitude, p.observation.longitude)
                          for p in site.pairs]).T
        change_of = np.hypot(*(np.subtract(moved.to_site(*where)[:2], tie.to_site(*where)[:2])))
        assert part.effect == pytest.approx(change_of.max(), rel=1e-3)


def test_an_idle_pair_is_shown_and_not_judged():
    site = random_site(62, marks=6, idle=1)
    row = solve(site.pairs, site.settings).residuals[5]
    assert row.horizontal.verdict == row.vertical.verdict == "idle"
    assert row.horizontal.residual is not None
    assert row.horizontal.test is None
    assert np.isfinite(solve(site.pairs, site.settings).covariance(*points(site, 2))).all()
    lone = solve([*site.pairs[:5], change(site.pairs[5], vertical="check")], site.settings)
    assert lone.residuals[5].vertical.verdict == "agrees"
    assert lone.residuals[5].horizontal.verdict == "idle"
