"""Is the tilt what the geoid makes one expect, and do the vertical fit marks surround the site?"""

from __future__ import annotations

from typing import Iterator, Optional, Tuple

import numpy as np

from .coverage import Extent, coverage_in_base
from .findings import AGREE, ALARM, CAUTION, GOOD, NOTE, Finding, SiteFacts, Tilt, graded
from .geoid import open_geoid
from .hull import control_hull, distance_outside
from .parameters import ARC_SECONDS
from .quantiles import chi_square_quantile
from .units import INTERNATIONAL_FOOT, METRE
from .vertical import VerticalPart
from .wording import compass_words, counted, ppm_words, share_words

#: Slopes of the geoid against the ellipsoid: commonly up to the first (10 arc seconds), near high
#: mountains and deep trenches up to the second (50 arc seconds). Common practice, no source.
COMMON_SLOPE, STEEP_SLOPE = 50e-6, 250e-6
#: Slope by which a geoid model itself may be off. Common practice, no source.
MODEL_SLOPE = 10e-6
#: What an unseen slope may do to an elevation, metres, before it wants care; a vertical tolerance
#: in the settings counts instead. Common practice, no source.
SLOPE_NOTE, SLOPE_CAUTION = 0.01, 0.03
#: Difference in height (metres) from which two marks tell the unit of elevations, and how well its
#: ratio to that of the settings must be met. Common practice, no source.
LEAST_RELIEF, UNIT_AGREEMENT = 1.0, 0.05
#: Half the least distance over which a geoid's slope is taken, metres.
GRADIENT_REACH = 1000.0
#: A hull narrower than this share of its length counts as a line. Common practice, no source.
NARROW = 0.1


def unit(facts: SiteFacts) -> Iterator[Finding]:
    """Whether elevations look to be in another unit than the settings say: they then differ from
    mark to mark by the ratio of a metre to a foot more, or less, than the heights do."""
    marks = facts.vertical_marks
    if len(marks) < 3:
        return
    height = np.array([mark.mean[0] for mark in marks])
    elevation = np.array([facts.arrays.elevation[mark.rows[0]] for mark in marks])
    first, second = np.triu_indices(len(marks), 1)
    apart = height[first] - height[second]
    far = np.abs(apart) >= max(LEAST_RELIEF, 0.5 * float(np.abs(apart).max()))
    if not far.any():
        return
    ratios = (elevation[first] - elevation[second])[far] / apart[far]
    said = facts.tie.settings.elevation_length
    foot = INTERNATIONAL_FOOT.metres
    for factor, other in ((1.0 / foot, "feet"), (foot, METRE.plural)):
        if (other == METRE.plural) == (said is METRE):
            continue
        if np.mean(np.abs(ratios / factor - 1.0) < UNIT_AGREEMENT) >= 0.5:
            yield Finding("elevation-unit", ALARM, (
                f"From mark to mark elevations differ {float(np.median(ratios)):.2f} times as much "
                f"as heights do: are they in {other}, though the settings say {said.plural}?"))


def tilt(facts: SiteFacts, geoid: Optional[str] = None) -> Iterator[Finding]:
    """The tilt of the plane, or what a shift leaves out.

    Parameters
    ----------
    geoid : str, optional
        Grid whose slope at the site is to be compared with, where the tie works over the
        ellipsoid.

    Raises
    ------
    FrameError
        When that grid cannot be read or does not cover the site.
    """
    part = facts.tie.vertical
    if part is None:
        return
    if part.model == "shift":
        if _vertical_reach(facts, part) > 0.0:  # else there is no place it could be wrong at
            yield _shift(facts, part, geoid)
        return
    covariance = np.zeros((2, 2)) if part.cofactor is None else facts.covariance("vertical")[1:, 1:]
    found = Tilt(np.array(part.slopes), covariance)
    lead = f"The tilted plane rises by {_said(found)}{_towards(facts, found)}{_over(facts, found)}"
    if part.cofactor is not None and not _significant(facts, found):
        advice = "a shift would do as well" if facts.tie.geoid is not None else (
            f"the geoid itself commonly slopes by up to {_common()}, and a geoid grid would tell "
            "more than these pairs")
        yield Finding("tilt", NOTE, f"{lead}, which the pairs cannot tell from no tilt; {advice}.")
        return
    yield Finding("tilt", *_judged(facts, part, found, lead, geoid))


def _judged(
    facts: SiteFacts, part: VerticalPart, found: Tilt, lead: str, geoid: Optional[str]
) -> Tuple[str, str]:
    if facts.tie.geoid is not None:
        level = _beyond(found, MODEL_SLOPE, COMMON_SLOPE)
        name = facts.tie.geoid.grid
        if level == GOOD:
            return GOOD, f"{lead}, as little as the geoid grid {name} leaves one to expect."
        return CAUTION, (
            f"{lead}. Over the geoid grid {name} it should be near zero: look for a wrong height, "
            "another geoid, or levelling in a datum of its own.")
    if geoid is not None:
        expected = _geoid_tilt(facts, part, geoid)
        rest = Tilt(found.slopes - expected, found.covariance)
        own = Tilt(expected, found.covariance)
        said = f"The geoid {geoid} makes one expect {_size(own)}{_towards(facts, own)}"
        if _beyond(rest, MODEL_SLOPE, COMMON_SLOPE) == GOOD:
            return GOOD, f"{lead}. {said}: they agree."
        return CAUTION, (f"{lead}. {said}; {_said(rest)} of it are unexplained: look for a wrong "
                         "height.")
    level = _beyond(found, COMMON_SLOPE, STEEP_SLOPE)
    if level == GOOD:
        return GOOD, f"{lead}. The geoid itself commonly slopes by up to {_common()}."
    if level == NOTE:
        return NOTE, (f"{lead}. The geoid commonly slopes by up to {_common()}, and by more near "
                      "high mountains only: compare with a geoid grid.")
    return CAUTION, f"{lead}. The geoid hardly slopes like that anywhere: look for a wrong height."


def _beyond(found: Tilt, note: float, caution: float) -> str:
    """Graded by the least size that the uncertainty leaves."""
    return graded(max(0.0, found.size - AGREE * found.sigma), note, caution)


def _significant(facts: SiteFacts, found: Tilt) -> bool:
    return found.test > chi_square_quantile(facts.tie.settings.confidence, 2)


def _shift(facts: SiteFacts, part: VerticalPart, geoid: Optional[str]) -> Finding:
    tie, reach = facts.tie, _vertical_reach(facts, part)
    centre = "points" if part.cofactor is None else "vertical fit marks"
    distance = f"{facts.length(reach)} from the middle of the {centre}"
    seen = facts.free_tilt
    if seen is not None and seen.test > chi_square_quantile(1.0 - tie.settings.test_level, 2):
        return Finding("tilt", CAUTION, (
            "A shift does not tilt, but the pairs ask for a plane that rises by "
            f"{_said(seen)}{_towards(facts, seen)}: {facts.rise(seen.size * reach)} at {distance}. "
            f"Choose the tilted plane{', or a geoid' if tie.geoid is None else ''}."))
    if tie.geoid is not None:
        return Finding("tilt", GOOD, (
            f"The shift works over the geoid grid {tie.geoid.grid}, which carries the slope of the "
            "geoid."))
    if geoid is not None:
        own = Tilt(_geoid_tilt(facts, part, geoid), np.zeros((2, 2)))
        left = own.size * reach
        said = (f"A shift leaves out the slope of the geoid, by {geoid} {_size(own)} here: "
                f"{facts.rise(left)} at {distance}")
    else:
        left = COMMON_SLOPE * reach
        said = (f"A shift without a geoid leaves out the slope of the geoid, commonly up to "
                f"{ppm_words(COMMON_SLOPE)}: up to {facts.rise(left)} at {distance}")
    if seen is not None and seen.sigma * reach < left:
        said += f". The pairs show a tilt of {_said(seen)} only"
        left = min(left, (seen.size + AGREE * seen.sigma) * reach)
    limit = SLOPE_CAUTION
    if tie.settings.tolerance_v is not None:
        limit = tie.settings.tolerance_v * tie.settings.elevation_length.metres
    level = graded(left, min(SLOPE_NOTE, limit), limit)
    advice = ". Choose a geoid, or a tilted plane with enough marks" if level == CAUTION else ""
    return Finding("tilt", level, f"{said}{advice}.")


def _vertical_reach(facts: SiteFacts, part: VerticalPart) -> float:
    """Site metres from the middle of the vertical fit marks to the farthest mark or point.

    Typed parameters have no marks: from the middle of the points.
    """
    places = [p for p in (facts.hull, facts.vertical_places, facts.points) if p is not None]
    corners = np.vstack([p.reshape(-1, 2) for p in places])
    if not len(corners):
        return 0.0
    middle = corners.mean(axis=0) if part.cofactor is None else np.array(part.centroid)
    return float(np.hypot(*(corners - middle).T).max()) * facts.tie.horizontal.scale


def _geoid_tilt(facts: SiteFacts, part: VerticalPart, grid: str) -> np.ndarray:
    """(2,) slope that elevation less height has by a geoid, towards base east and north."""
    middle = np.array(part.centroid)
    reach = max(GRADIENT_REACH, facts.control.length / 2.0 if facts.control is not None else 0.0)
    around = middle + reach * np.array([[1, 0], [-1, 0], [0, 1], [0, -1]])
    latitude, longitude = facts.tie.base.to_geodetic(around[:, 0], around[:, 1], np.zeros(4))
    east, west, north, south = open_geoid(grid).undulation(latitude, longitude)
    return -np.array([east - west, north - south]) / (2.0 * reach)


def _said(found: Tilt) -> str:
    """"28 ± 20 ppm (5.8″)"."""
    if not found.covariance.any():
        return _size(found)
    return (f"{ppm_words(found.size)[:-4]} ± {ppm_words(found.sigma)} "
            f"({found.size * ARC_SECONDS:.1f}″)")


def _size(found: Tilt) -> str:
    return f"{ppm_words(found.size)} ({found.size * ARC_SECONDS:.1f}″)"


def _common() -> str:
    return f"{ppm_words(COMMON_SLOPE)} ({COMMON_SLOPE * ARC_SECONDS:.0f}″)"


def _towards(facts: SiteFacts, found: Tilt) -> str:
    east, north = np.array(facts.tie.horizontal.matrix) @ found.slopes
    return f" towards the {compass_words(east, north)} of the site"


def _over(facts: SiteFacts, found: Tilt) -> str:
    if facts.control is None or not facts.control.length:
        return ""
    length = facts.control.length
    return f", {facts.rise(found.size * length)} over the {facts.length(length)} of control"


# -- where the vertical fit marks lie ----------------------------------------------------------


def surroundings(facts: SiteFacts) -> Iterator[Finding]:
    """Whether the vertical fit marks surround the points, or else the horizontal fit marks."""
    hull, part = control_hull(facts.tie, "vertical"), facts.tie.vertical
    if hull is None or part is None:
        return
    size = Extent(facts.tie.horizontal.apply(hull))
    narrow = size.width < NARROW * size.length
    if part.model == "plane" and narrow:
        yield Finding("vertical-line", CAUTION, (
            f"The vertical fit marks lie in a strip {facts.length(size.length)} long and "
            f"{facts.length(size.width)} wide: the tilt across it is hardly known. Add a mark "
            "beside it."))
    if len(facts.points):
        found = coverage_in_base(facts.tie, hull, facts.points)
        outside, count = int(found.outside.sum()), len(facts.points)
        if not outside:
            yield Finding("vertical-surround", GOOD,
                          "All points lie among the vertical fit marks.")
            return
        unit = facts.tie.settings.site_length.metres
        yield Finding("vertical-surround", NOTE if outside < count / 2 else CAUTION, (
            f"{share_words(outside, count)} outside the vertical fit marks, by up to "
            f"{facts.length(found.farthest_distance * unit)}."))
        return
    marks = facts.horizontal_marks
    if not marks:
        return
    away = distance_outside(hull, np.array([mark.mean for mark in marks]))
    away = away * facts.tie.horizontal.scale
    # A few centimetres are two set-ups over one mark, not two places.
    outside = int((away > 0.1).sum())
    if outside:
        yield Finding("vertical-surround", NOTE, (
            f"The vertical fit marks do not surround the horizontal ones: "
            f"{counted(outside, 'mark')} of {len(marks)} lie"
            f"{'s' if outside == 1 else ''} outside, by up to {facts.length(float(away.max()))}."))
    else:
        yield Finding("vertical-surround", GOOD,
                      "The vertical fit marks surround all horizontal ones.")

