"""What is counted on one drawn site: truth inside regions, false alarms, blunders found."""

from __future__ import annotations

from collections import defaultdict
from typing import Dict, List

import numpy as np

from ..core.errors import GeometryError
from ..core.quantiles import chi_square_quantile, f_quantile
from ..core.results import CANNOT_TELL, CANNOT_TEST, DOES_NOT_BELONG, PairResidual
from ..core.solve import solve
from ..core.tie import Tie
from .sites import Case, Site, draw, with_blunder

#: Outcomes of one site by name: a list of True and False, or of numbers.
Outcomes = Dict[str, List[float]]
SIDES = ("horizontal", "vertical")
#: Share of the sites that are solved again with a blunder: it doubles the time.
POWER_SHARE = 0.35


def honest(case: Case, rng: np.random.Generator) -> Outcomes:
    """Regions, tests and power on one site without and with a blunder."""
    counts = [_regions, _alarms]
    if case.sigma_basis == "estimated" or rng.random() < POWER_SHARE:
        counts.append(_power)
    return _of_one_site(case, rng, *counts)


def regions_alone(case: Case, rng: np.random.Generator) -> Outcomes:
    """Regions and the chi-square test on one site."""
    return _of_one_site(case, rng, _regions, _sizes)


def repeated(case: Case, rng: np.random.Generator) -> Outcomes:
    """Regions, stated sigmas and the spread of repeated shots on one site."""
    return _of_one_site(case, rng, _regions, _sizes, _spread)


def blundered(case: Case, rng: np.random.Generator, size: float) -> Outcomes:
    """Who is accused when one mark is out by `size` (site units) in a random direction."""
    site = draw(case, rng)
    bearing = 2.0 * np.pi * rng.random()
    guilty = f"M{rng.integers(case.marks)}"
    up = size * rng.choice([-1.0, 1.0])
    pairs = with_blunder(
        site.pairs, guilty, size * np.sin(bearing), size * np.cos(bearing), up)
    try:
        tie = solve(pairs, site.settings)
    except GeometryError:
        return {"horizontal refused": [True], "vertical refused": [True]}
    outcomes: Outcomes = {}
    for side in SIDES:
        verdicts = {row.control_id: getattr(row, side).verdict for row in tie.rows[: -case.shots]}
        accused = {name for name, verdict in verdicts.items() if verdict == DOES_NOT_BELONG}
        if accused == {guilty}:
            said = "it alone"
        elif accused:
            said = "it and others" if guilty in accused else "others"
        elif CANNOT_TELL in verdicts.values():
            said = "cannot be told"
        else:
            said = "cannot be tested" if CANNOT_TEST in verdicts.values() else "nothing"
        outcomes[f"{side} {said}"] = [True]
    return outcomes


def quantile(level: float, dimension: int, redundancy) -> float:
    """Squared size of a region: chi-square, or F where the variance was estimated."""
    if redundancy is None:
        return chi_square_quantile(level, dimension)
    return dimension * f_quantile(level, dimension, redundancy)


def _of_one_site(case: Case, rng, *counts) -> Outcomes:
    site = draw(case, rng)
    outcomes: Outcomes = defaultdict(list)
    try:
        tie = solve(site.pairs, site.settings)
    except GeometryError:  # marks drawn in one line, say
        return {"refused": [True]}
    for count in counts:
        count(case, site, tie, rng, outcomes)
    return outcomes


def _regions(case: Case, site: Site, tie: Tie, rng, outcomes: Outcomes) -> None:
    _parameters(site, tie, outcomes)
    truth = site.truth.site(*site.points.T)
    factors = [tie.region_factor(2), tie.region_factor(1)]
    for name, places, noise in (
        ("tie", site.points, None),
        ("point", site.observed, site.point_covariance),
    ):
        errors = np.column_stack(tie.to_site(*places.T)) - truth
        covariances = tie.covariance(*places.T, observation_covariance=noise)
        for error, covariance, where in zip(errors, covariances, ("inside", "beyond")):
            _point(error, covariance, f"{name} {where}", factors, outcomes)
    mark = int(rng.integers(case.marks))
    row = mark * case.shots
    observed = site.pairs[row].observation
    error = np.array(tie.to_site(observed.latitude, observed.longitude, observed.height))
    error -= site.truth.site(*site.mark_positions[[mark]].T)[0]
    covariance = np.array(tie.rows[row].covariance)
    factors = [tie.pair_region_factor(tie.rows[row], dimension) for dimension in (2, 1)]
    _point(error, covariance, "fit pair", factors, outcomes)
    _unscaled(tie, tie.rows[row], error, covariance, outcomes)


def _point(error, covariance, name: str, factors, outcomes: Outcomes) -> None:
    """Whether the error lies in the stated horizontal region and the vertical interval."""
    outcomes[f"horizontal {name}"].append(
        _inside(error[:2], covariance[:2, :2], factors[0] ** 2))
    outcomes[f"vertical {name}"].append(
        _inside(error[2:], covariance[2:, 2:], factors[1] ** 2))


def _unscaled(tie: Tie, row: PairResidual, error, covariance, outcomes: Outcomes) -> None:
    """The error of a fit pair against its covariance from the stated sigmas alone.

    It tells the covariance from the scaling. The mean of the normalised square is 1.
    """
    for side, rows in zip(SIDES, (slice(0, 2), slice(2, 3))):
        factor = getattr(row, side).own_factor
        if factor is None:
            factor = getattr(tie.statistics, side).applied_factor
        size = rows.stop - rows.start
        stated = covariance[rows, rows] / factor
        square = float(error[rows] @ np.linalg.solve(stated, error[rows]))
        outcomes[f"{side} fit pair, unscaled"].append(
            square <= quantile(tie.settings.confidence, size, None))
        outcomes[f"{side} fit pair, mean square"].append(square / size)


def _inside(error, covariance, limit: float) -> bool:
    return bool(error @ np.linalg.solve(covariance, error) <= limit)


def _parameters(site: Site, tie: Tie, outcomes: Outcomes) -> None:
    """Each parameter as an interval, and those of a part together."""
    level = site.settings.confidence
    errors = _parameter_errors(site, tie)
    count = len(tie.horizontal.names)
    for parameter in tie.parameters:
        if parameter.name in errors and parameter.sigma:
            side = SIDES[parameter.name in ("vertical_shift", "slope_east", "slope_north")]
            freedom = getattr(tie.statistics, side).region_redundancy
            limit = np.sqrt(quantile(level, 1, freedom)) * parameter.sigma
            outcomes[f"{side} parameter {parameter.name}"].append(
                abs(errors[parameter.name]) <= limit)
    covariance = tie.parameter_covariance
    in_order = np.array([errors[name] for name in tie.parameter_names])
    units = {"rotation": np.pi / 180.0, "slope_east": 1e-6, "slope_north": 1e-6}
    in_order *= [units.get(name, 1.0) for name in tie.parameter_names]
    for side, rows in zip(SIDES, (slice(0, count), slice(count, None))):
        error = in_order[rows]
        freedom = getattr(tie.statistics, side).region_redundancy
        limit = quantile(level, len(error), freedom)
        outcomes[f"{side} parameters"].append(_inside(error, covariance[rows, rows], limit))


def _parameter_errors(site: Site, tie: Tie) -> Dict[str, float]:
    """Solved minus true, in the units of `Tie.parameters`."""
    truth, matrix = site.truth, site.truth.matrix
    easting, northing = truth.plane(np.array([tie.horizontal.centroid]))[0]
    origin_easting, origin_northing = truth.plane(np.zeros((1, 2)))[0]
    true = {
        "easting_at_centroid": easting,
        "northing_at_centroid": northing,
        "rotation": np.degrees(np.arctan2(matrix[1, 0], matrix[0, 0])),
        "scale": np.sqrt(np.linalg.det(matrix)),
        "m_ee": matrix[0, 0], "m_en": matrix[0, 1], "m_ne": matrix[1, 0], "m_nn": matrix[1, 1],
        "easting_at_origin": origin_easting,
        "northing_at_origin": origin_northing,
        "vertical_shift": truth.correction(np.array([tie.vertical.centroid]))[0],
        "slope_east": 1e6 * truth.slopes[0],
        "slope_north": 1e6 * truth.slopes[1],
    }
    errors = {p.name: p.value - true[p.name] for p in tie.parameters if p.name in true}
    errors["rotation"] = (errors["rotation"] + 180.0) % 360.0 - 180.0
    return errors


def _alarms(case: Case, site: Site, tie: Tie, rng, outcomes: Outcomes) -> None:
    """False alarms: of the tests one by one, and of the verdicts."""
    for row in tie.rows:
        for side in SIDES:
            result = getattr(row, side)
            if result.critical is not None:
                outcomes[f"{side} alarm {result.role}"].append(result.test > result.critical)
            if result.role == "fit":
                outcomes[f"{side} accused"].append(result.verdict == DOES_NOT_BELONG)


def _power(case: Case, site: Site, tie: Tie, rng, outcomes: Outcomes) -> None:
    """Whether a blunder of the stated minimal detectable bias is found by its pair's own test.

    Where sigmas are estimated, the stated figure is as uncertain as the estimate; "power" takes it
    for the true sigmas, "power as stated" as it stands.
    """
    row = tie.rows[int(rng.integers(case.marks)) * case.shots]
    sizes = np.array([getattr(row, side).detectable for side in SIDES], dtype=float)
    sizes = sizes * rng.choice([-1.0, 1.0], size=2)
    if case.sigma_basis == "stated":
        _found(site, row, sizes, "power", outcomes)
        return
    factors = [getattr(tie.statistics, side).variance_factor for side in SIDES]
    _found(site, row, sizes / np.sqrt(factors), "power", outcomes)
    _found(site, row, sizes, "power as stated", outcomes)


def _found(site: Site, row, sizes, name: str, outcomes: Outcomes) -> None:
    bearing = np.radians(row.horizontal.detectable_bearing or 0.0)
    along, up = np.nan_to_num(sizes)
    pairs = with_blunder(
        site.pairs, row.control_id, along * np.sin(bearing), along * np.cos(bearing), up)
    result = solve(pairs, site.settings).residuals[row.control_id]
    for side, size in zip(SIDES, sizes):
        if np.isfinite(size):
            test = getattr(result, side)
            outcomes[f"{side} {name}"].append(test.test > test.critical)


def _sizes(case: Case, site: Site, tie: Tie, rng, outcomes: Outcomes) -> None:
    """The chi-square test, and how large the stated regions are.

    "scaled" is the size of a region over that of one from the true sigmas; "sigma" is the stated
    standard deviation of the tie inside the control, in site units.
    """
    covariance = tie.covariance(*site.points[[0]].T)[0]
    sigmas = {"horizontal": np.sqrt(np.trace(covariance[:2, :2]) / 2.0),
              "vertical": np.sqrt(covariance[2, 2])}
    for side, dimension in zip(SIDES, (2, 1)):
        part = getattr(tie.statistics, side)
        rejected = part.region_redundancy is not None
        outcomes[f"{side} rejected"].append(rejected)
        inside = outcomes[f"{side} tie inside"][-1]
        outcomes[f"{side} tie inside, {'rejected' if rejected else 'accepted'}"].append(inside)
        outcomes[f"{side} sigma"].append(float(sigmas[side]))
        if rejected:
            true_size = case.noise * np.sqrt(quantile(site.settings.confidence, dimension, None))
            stated = tie.region_factor(dimension) * np.sqrt(part.applied_factor)
            outcomes[f"{side} scaled"].append(stated / true_size)


def _spread(case: Case, site: Site, tie: Tie, rng, outcomes: Outcomes) -> None:
    """False alarms of the spread of repeated shots."""
    for repeat in tie.repeats:
        outcomes[f"{repeat.component} spread alarm"].append(not repeat.accepted)
