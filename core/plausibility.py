"""Plausibility said in words: does this tie look like one a sound site would give?

Every sentence stands on figures of the tie, its pairs, and the points to be restated. Thresholds
are named where they are used, each with its source or as common practice without one.
"""

from __future__ import annotations

from typing import Iterator, List, Optional, Sequence, Tuple

from . import plausible_geometry, plausible_heights, plausible_scale
from .findings import ALARM, CAUTION, GOOD, LEVELS, NOTE, Finding, SiteFacts, site_facts
from .pairs import Pair, Role
from .results import CANNOT_TELL, DISAGREES, DOES_NOT_BELONG, LARGER, SMALLER, PartStatistics
from .solution_words import chi_square_words
from .tie import Tie
from .units import METRE
from .verdict_words import off_by, sides
from .wording import counted, length_words, listed

#: Topics in reading order; those of one side have it in front, as in ``vertical-fit``.
TOPICS = (
    "elevation-unit", "held-rotation", "held-scale", "horizontal-pairs", "vertical-pairs", "scale",
    "distortion", "tilt", "relief", "relief-points", "extent", "geometry", "few-marks", "in-line",
    "clustered", "one-sided", "outside", "vertical-line", "vertical-surround",
    "horizontal-leverage", "vertical-leverage", "horizontal-redundancy", "vertical-redundancy",
    "horizontal-checks", "vertical-checks", "horizontal-fit", "vertical-fit",
    "horizontal-tolerance", "vertical-tolerance", "repeats", "sigmas",
)
#: Dimensions of a pair: with a redundancy no larger, a blunder cannot be traced to its pair.
DIMENSIONS = {"horizontal": 2, "vertical": 1}


def plausibility(
    tie: Tie,
    latitude=None,
    longitude=None,
    height=None,
    *,
    grids: Sequence[str] = (),
    geoid: Optional[str] = None,
) -> Tuple[Finding, ...]:
    """What speaks for and against a tie, the most serious first.

    Parameters
    ----------
    latitude, longitude : (n,) arrays, optional
        Points to be restated, degrees in the observation CRS; those without a finite position
        are left out.
    height : (n,) array, optional
        Their ellipsoidal heights in metres, NaN where unknown.
    grids : sequence of str, optional
        Projected CRSs the site may have been computed on, besides the base projection and UTM.
    geoid : str, optional
        A geoid grid to compare the tilt with where the tie works over the ellipsoid.

    Returns
    -------
    tuple of Finding
        Ordered by level, then as in `TOPICS`.

    Raises
    ------
    FrameError
        When `geoid` cannot be read or does not cover the site.
    """
    facts = site_facts(tie, latitude, longitude, height)
    found = [
        *plausible_heights.unit(facts), *_pairs(facts),
        *plausible_scale.scale(facts, grids), *plausible_scale.held(facts),
        *plausible_scale.distortion(facts), *plausible_heights.tilt(facts, geoid),
        *plausible_scale.relief(facts), *plausible_scale.extent(facts),
        *plausible_geometry.spread(facts), *plausible_geometry.outside(facts),
        *plausible_heights.surroundings(facts), *plausible_geometry.leverage(facts),
        *_redundancy(facts), *_checks(facts), *_fit(facts), *_tolerances(facts), *_repeats(facts),
        *_sigmas(facts),
    ]
    return tuple(sorted(found, key=lambda f: (-LEVELS.index(f.level), TOPICS.index(f.topic))))


def _parts(facts: SiteFacts) -> Iterator[Tuple[str, PartStatistics]]:
    for side in DIMENSIONS:
        statistics = getattr(facts.tie.statistics, side)
        if statistics is not None:
            yield side, statistics


def _with_verdict(facts: SiteFacts, side: str, verdict: str) -> List[str]:
    """"K08 (off by 20.0 m)" for each mark with that verdict."""
    return list(dict.fromkeys(
        f"{row.control_id} (off by {off_by(part, unit)})"
        for row in facts.tie.residuals
        for name, part, unit, _ in sides(row, facts.tie.settings)
        if name == side and part.verdict == verdict))


def _pairs(facts: SiteFacts) -> Iterator[Finding]:
    for side, _ in _parts(facts):
        accused = _with_verdict(facts, side, DOES_NOT_BELONG)
        if accused:
            verb = "does" if len(accused) == 1 else "do"
            yield Finding(f"{side}-pairs", ALARM, (
                f"{listed(accused)} {verb} not belong to the {side} solution and should not drive "
                "it."))
        mixed = _with_verdict(facts, side, CANNOT_TELL)
        if mixed:
            yield Finding(f"{side}-pairs", ALARM, (
                f"Something is wrong {side}ly among {listed(mixed)}; which pair it is cannot be "
                "told. Add a pair."))


def _redundancy(facts: SiteFacts) -> Iterator[Finding]:
    for side, part in _parts(facts):
        marks, parameters = counted(part.fit_marks, "fit mark"), counted(part.parameters,
                                                                         "parameter")
        topic, title = f"{side}-redundancy", side.capitalize()
        if part.redundancy == 0:
            yield Finding(topic, CAUTION, (
                f"{title} solution unchecked: {marks} just determine{'s' * (part.fit_marks == 1)} "
                f"its {parameters}, so a blunder would fit as well. Add a pair."))
        elif part.redundancy <= DIMENSIONS[side]:
            yield Finding(topic, NOTE, (
                f"{title} redundancy is only {part.redundancy} ({marks}, {parameters}): a blunder "
                "may show, but not in which pair it is."))
        else:
            yield Finding(topic, GOOD, (
                f"{title} redundancy is {part.redundancy} ({marks}, {parameters}): as a rule "
                "a blunder can be traced to its pair."))


def _checks(facts: SiteFacts) -> Iterator[Finding]:
    for side in DIMENSIONS:
        if getattr(facts.tie, side) is None:
            continue
        topic, sizes = f"{side}-checks", _check_sizes(facts, side)
        if not sizes:
            yield Finding(topic, CAUTION, (
                f"No {side} check pair: nothing independent confirms the {side} part of the tie."))
            continue
        off = _with_verdict(facts, side, DISAGREES)
        if off:
            one = len(off) == 1
            yield Finding(topic, ALARM, (
                f"The {side} check{'' if one else 's'} {listed(off)} {'does' if one else 'do'} not "
                "agree with the tie."))
            continue
        settings = facts.tie.settings
        unit = settings.site_length if side == "horizontal" else settings.elevation_length
        agree = "agrees" if len(sizes) == 1 else "agree"
        yield Finding(topic, GOOD, (
            f"{counted(len(sizes), f'{side} check pair')} {agree} with the tie, to "
            f"{length_words(max(sizes), unit)}."))


def _check_sizes(facts: SiteFacts, side: str) -> List[float]:
    results = (getattr(row, side) for row in facts.tie.residuals)
    return [part.size for part in results
            if part.role == Role.CHECK.value and part.size is not None]


def _fit(facts: SiteFacts) -> Iterator[Finding]:
    for side, part in _parts(facts):
        if not part.checked:
            continue
        level = {LARGER: CAUTION, SMALLER: NOTE}.get(part.outcome, GOOD)
        yield Finding(f"{side}-fit", level, f"{side.capitalize()}: {chi_square_words(part)}")


def _tolerances(facts: SiteFacts) -> Iterator[Finding]:
    settings = facts.tie.settings
    for side in DIMENSIONS:
        results = [(row, part, unit, tolerance) for row in facts.tie.residuals
                   for name, part, unit, tolerance in sides(row, settings)
                   if name == side and part.within_tolerance is not None]
        if not results:
            continue
        unit, tolerance = results[0][2], length_words(results[0][3], results[0][2])
        failed = sorted(((part.size or 0.0, row.control_id) for row, part, _, _ in results
                         if not part.within_tolerance), reverse=True)
        if failed:
            worst = {name: size for size, name in reversed(failed)}
            named = [f"{name} ({length_words(worst[name], unit)})"
                     for name in dict.fromkeys(name for _, name in failed)]
            yield Finding(f"{side}-tolerance", ALARM, (
                f"{len(failed)} of {counted(len(results), 'fit and check pair')} "
                f"{'exceeds' if len(failed) == 1 else 'exceed'} the {side} tolerance of "
                f"{tolerance}: {listed(named)}."))
        else:
            pairs = counted(len(results), "fit and check pair")
            yield Finding(f"{side}-tolerance", GOOD, (
                f"All {pairs} keep the {side} tolerance of {tolerance}."))


def _repeats(facts: SiteFacts) -> Iterator[Finding]:
    if not facts.tie.repeats:
        return
    settings, off = facts.tie.settings, []
    for item in facts.tie.repeats:
        if not item.accepted:
            unit = (settings.site_length if item.component == "horizontal"
                    else settings.elevation_length)
            off.append(f"{item.control_id} ({item.component}ly up to "
                       f"{length_words(item.largest, unit)} from the mean)")
    if off:
        yield Finding("repeats", CAUTION, (
            f"Repeated observations lie farther apart than their sigmas allow: {listed(off)}."))
        return
    ids = list(dict.fromkeys(item.control_id for item in facts.tie.repeats))
    yield Finding("repeats", GOOD, (
        f"Repeated observations of {listed(ids)} agree within their sigmas."))


def _sigmas(facts: SiteFacts) -> Iterator[Finding]:
    settings = facts.tie.settings
    said = []
    for side, part in _parts(facts):
        if not part.assumed_sigmas:
            continue
        fit = [pair for pair in facts.tie.pairs if getattr(pair, side) is Role.FIT]
        horizontal = side == "horizontal"
        for who, default, blank in (
            ("GNSS", settings.gnss_sigma_h if horizontal else settings.gnss_sigma_v, _gnss_blank),
            ("control", settings.control_sigma_h if horizontal else settings.control_sigma_v,
             _control_blank),
        ):
            count = sum(blank(pair, horizontal) for pair in fit)
            if count:
                said.append(f"{who} {side} {length_words(default, METRE)} "
                            f"({'all' if count == len(fit) else f'{count} of'} {len(fit)} pairs)")
    if said:
        yield Finding("sigmas", NOTE, (
            f"Standard deviations that were left blank are assumed: {listed(said)}. Every "
            "uncertainty and test rests on them."))


def _gnss_blank(pair: Pair, horizontal: bool) -> bool:
    return (pair.observation.sigma_e if horizontal else pair.observation.sigma_u) is None


def _control_blank(pair: Pair, horizontal: bool) -> bool:
    return (pair.control.sigma_h if horizontal else pair.control.sigma_v) is None
