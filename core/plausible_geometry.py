"""Is the control well placed: enough of it, spread out, round the points, mutually controlled?"""

from __future__ import annotations

from typing import Dict, Iterator, List, Tuple

import numpy as np

from .coverage import Coverage, Extent, coverage_in_base
from .findings import CAUTION, GOOD, NOTE, Finding, SiteFacts
from .hull import distance_outside
from .results import ComponentResult
from .verdict_words import sides
from .wording import compass_words, counted, length_words, listed, share_words

#: A hull narrower than this share of its length counts as a line. Common practice, no source.
NARROW = 0.1
#: Control shorter than this share of the points' extent is clustered. Common practice, no source.
CLUSTERED = 0.5
#: A mark with a redundancy below this is hardly controlled by the others. Common practice, no
#: source (0.1 to 0.3 are the usual bounds).
WEAK = 0.1


def spread(facts: SiteFacts) -> Iterator[Finding]:
    """The shape of the control, alone and against the points."""
    size, hull = facts.control, facts.hull
    if size is None or hull is None:
        return
    found = [*_shape(facts, size), *_against_points(facts, size, hull)]
    yield from found
    if not found:
        yield Finding("geometry", GOOD, (
            f"{counted(len(facts.horizontal_marks), 'horizontal fit mark')} surround an area "
            f"{facts.length(size.length)} long and {facts.length(size.width)} wide."))


def _shape(facts: SiteFacts, size: Extent) -> Iterator[Finding]:
    count = len(facts.horizontal_marks)
    if count == 1:
        yield Finding("few-marks", CAUTION, (
            "One horizontal fit mark says nothing about rotation and scale; it surrounds nothing."))
    elif count == 2:
        yield Finding("few-marks", CAUTION, (
            f"Two horizontal fit marks, {facts.length(size.length)} apart, are a line and surround "
            "nothing. Add marks away from it."))
    elif size.width < NARROW * size.length:
        model = facts.tie.horizontal.model
        why = ("the affine across it is hardly known" if model == "affine" else
               "they surround almost nothing")
        yield Finding("in-line", CAUTION if model == "affine" else NOTE, (
            f"The {count} horizontal fit marks lie in a strip {facts.length(size.length)} long and "
            f"{facts.length(size.width)} wide: {why}. Add a mark beside it."))


def _against_points(facts: SiteFacts, size: Extent, hull: np.ndarray) -> Iterator[Finding]:
    if len(facts.points) < 2:
        return
    site = facts.tie.horizontal
    points = Extent(site.apply(facts.points_hull))
    if site.model != "translation" and size.length < CLUSTERED * points.length:
        yield Finding("clustered", CAUTION, (
            f"The control spans {facts.length(size.length)}, the points "
            f"{facts.length(points.length)}: rotation and scale of a small cluster are stretched "
            "over the whole site. Add marks farther out."))
    middle = facts.points.mean(axis=0)
    if len(hull) > 2 and distance_outside(hull, middle[None, :])[0] > 0.0:
        way = site.apply(hull).mean(axis=0) - site.apply(middle)
        yield Finding("one-sided", CAUTION, (
            f"The control lies to the {compass_words(*way)} of the points' middle, not round it. "
            "Add marks on the other side."))


def outside(facts: SiteFacts) -> Iterator[Finding]:
    """How many of the points lie outside the control, and how well the farthest is known."""
    if facts.hull is None or not len(facts.points):
        return
    found = coverage_in_base(facts.tie, facts.hull, facts.points)
    count, unit = len(facts.points), facts.tie.settings.site_length
    if found.farthest is None:
        yield Finding("outside", GOOD, f"All {counted(count, 'point')} lie inside the control."
                      if count > 1 else "The point lies inside the control.")
        return
    beyond = int(found.outside.sum())
    level = CAUTION if found.farthest_distance > found.control.length / 2.0 else NOTE
    yield Finding("outside", level, (
        f"{share_words(beyond, count)} outside the control, the farthest by "
        f"{length_words(found.farthest_distance, unit)}. {_known(facts, found)}"))


def _known(facts: SiteFacts, found: Coverage) -> str:
    """How well the tie alone knows the farthest point, and the middle of the control."""
    tie, unit, place = facts.tie, facts.tie.settings.site_length, found.farthest
    middle = tie.base.to_geodetic(*tie.horizontal.centroid, 0.0)
    covariance = tie.covariance(
        np.array([facts.latitude[place], float(middle[0])]),
        np.array([facts.longitude[place], float(middle[1])]),
        np.array([np.nan_to_num(facts.height[place]), 0.0]),
    )[:, :2, :2]
    there, here = tie.region_factor(2) * np.sqrt(np.linalg.eigvalsh(covariance)[:, -1])
    return (f"There the tie itself is known to {length_words(float(there), unit)} "
            f"({100.0 * tie.settings.confidence:.0f} %), in the middle of the control to "
            f"{length_words(float(here), unit)}.")


def leverage(facts: SiteFacts) -> Iterator[Finding]:
    """Marks that the others hardly control, or not at all."""
    for side, dimension in (("horizontal", 2), ("vertical", 1)):
        statistics = getattr(facts.tie.statistics, side)
        if statistics is None or statistics.redundancy < dimension:
            continue
        weak, alone = _weak_marks(facts, side)
        if alone:
            yield Finding(f"{side}-leverage", CAUTION, (
                f"No other mark controls {listed(alone)} {side}ly: a blunder there would not show. "
                "Add a mark nearby."))
        if weak:
            yield Finding(f"{side}-leverage", CAUTION, (
                f"The others hardly control {listed(weak)} {side}ly. Add a mark nearby."))
        if not weak and not alone:
            yield Finding(f"{side}-leverage", GOOD, (
                f"Every {side} fit mark is controlled by the others (least redundancy "
                f"{_least(facts, side):.2f})."))


def _fit_results(facts: SiteFacts, side: str) -> Dict[str, ComponentResult]:
    return {row.control_id: getattr(row, side) for row in facts.tie.residuals
            if getattr(row, side).redundancy is not None}


def _least(facts: SiteFacts, side: str) -> float:
    return min(float(part.redundancy or 0.0) for part in _fit_results(facts, side).values())


def _weak_marks(facts: SiteFacts, side: str) -> Tuple[List[str], List[str]]:
    """Marks hardly controlled, with what they could hide, and marks not controlled at all."""
    weak, alone = [], []
    for row in facts.tie.residuals:
        for name, part, unit, _ in sides(row, facts.tie.settings):
            if name != side or part.redundancy is None:
                continue
            if part.detectable is None or part.effect is None:
                alone.append(row.control_id)
            elif part.redundancy < WEAK:
                weak.append(f"{row.control_id} (an error below "
                            f"{length_words(part.detectable, unit)} there would hardly show, and "
                            f"may move a mark by {length_words(part.effect, unit)})")
    return list(dict.fromkeys(weak)), list(dict.fromkeys(alone))
