"""Is the scale what the site should have, and can one scale serve the site at all?"""

from __future__ import annotations

from typing import Iterator, List, NamedTuple, Sequence, Tuple

import numpy as np
import pyproj

from .coverage import Extent
from .errors import FrameError
from .findings import (
    AGREE,
    ALARM,
    CAUTION,
    GOOD,
    NOTE,
    Finding,
    SiteFacts,
    graded,
    scaled_sigma,
)
from .horizontal import HorizontalFit
from .hull import convex_hull
from .quantiles import chi_square_quantile
from .results import LARGER
from .settings import HeldScale
from .site_scale import GRID_SIGMA, SitePlace
from .wording import compass_words, listed, ppm_words, small_angle_words

#: Kinds of length this close to one another are one kind for the site. Common practice, no source.
ONE_KIND = 1e-6
#: Differences of scale below this are not worth a figure.
SEEN = 5e-8
#: A scale this far from every kind is more than an unusual level or grid: 300 ppm are 2 km of
#: height. Common practice, no source.
WAY_OFF = 3e-4
#: Heights (metres) at which a site may lie, for naming the level a scale belongs to.
LOWEST, HIGHEST = -450.0, 6000.0
#: Relief over the radius of the earth: from here worth knowing (64 m), from here on the lengths of
#: a site are visibly not of one scale (255 m). Common practice, no source.
RELIEF_NOTE, RELIEF_CAUTION = 10e-6, 40e-6
#: What the changing scale of the base projection may do to a line across the site, metres. Common
#: practice, no source.
EXTENT_NOTE, EXTENT_CAUTION = 0.005, 0.02
#: UTM ends here, degrees.
UTM_LIMIT = 84.0


class Kind(NamedTuple):
    """A kind of length a site may have, with the scale that goes with it."""

    name: str
    scale: float
    sigma: float


def kinds(place: SitePlace, grids: Sequence[str] = ()) -> List[Kind]:
    """The kinds of length a site there may have, those that coincide named once.

    Parameters
    ----------
    grids : sequence of str
        Projected CRSs to try besides ground, ellipsoid, the base projection and UTM.
    """
    found = [Kind("lengths on the ellipsoid", *_figures(place.ellipsoid())),
             Kind(f"grid lengths of {place.base.name}", 1.0, GRID_SIGMA)]
    for crs in grids:
        try:
            found.append(Kind(f"grid lengths of {crs}", *_figures(place.grid(crs))))
        except FrameError:
            continue
    if abs(place.middle[0]) <= UTM_LIMIT:
        found.append(_utm(place))
    distinct = [kind for i, kind in enumerate(found)
                if all(abs(kind.scale - other.scale) >= ONE_KIND for other in found[:i])]
    if place.level is None:
        return distinct
    unit = place.settings.elevation_length
    height = f"{place.level / unit.metres:,.0f} {'m' if unit.code == 'm' else 'ft'}"
    return [Kind(f"ground lengths at a height of {height}", *_figures(place.ground())), *distinct]


def _figures(held: HeldScale) -> tuple:
    return held.value, held.sigma


def _utm(place: SitePlace) -> Kind:
    zone = int((place.middle[1] + 180.0) // 6.0) % 60 + 1
    semi_major, inverse_flattening = place.base.ellipsoid
    shape = f"+rf={inverse_flattening!r}" if inverse_flattening else f"+b={semi_major!r}"
    utm = pyproj.Proj(f"+proj=utm +zone={zone} +a={semi_major!r} {shape}")
    scale = np.sqrt(utm.get_factors(place.longitude, place.latitude).areal_scale)
    middle = np.sqrt(utm.get_factors(place.middle[1], place.middle[0]).areal_scale)
    sigma = float(np.hypot(np.std(scale), GRID_SIGMA))
    return Kind(f"grid lengths of UTM zone {zone}", float(middle) / place.base_scale, sigma)


# -- the scale itself --------------------------------------------------------------------------


def scale(facts: SiteFacts, grids: Sequence[str] = ()) -> Iterator[Finding]:
    """Which kind of length the scale of the tie is."""
    place = facts.place
    if place is None:
        return
    value, sigma = facts.tie.horizontal.scale, facts.scale_sigma or 0.0
    known = kinds(place, grids)
    near = [k for k in known if abs(value - k.scale) <= AGREE * float(np.hypot(sigma, k.sigma))]
    far = [k for k in known if k not in near]
    lead = f"{_lead(facts)} {value:.7f}{f' ± {ppm_words(sigma)}' if sigma else ''}"
    if not near:
        yield Finding("scale", *_none_agrees(facts, place, lead, value, far))
        return
    apart = listed((_away(facts, k, value) for k in far), "or")
    if len(near) == 1:
        kind = near[0]
        level = GOOD if facts.scale_is_solved else NOTE
        off = value - kind.scale
        figures = f"{kind.scale:.7f} ± {ppm_words(kind.sigma)}"
        if abs(off) >= SEEN:
            figures += f"; {_difference(facts, off)}"
        yield Finding("scale", level, (
            f"{lead}: that of {kind.name} here ({figures}){f', not {apart}' if apart else ''}."))
        return
    if not far:
        yield Finding("scale", NOTE, (
            f"{lead}, too uncertain to tell what kind of length it is: "
            f"{listed((f'{k.name} ({k.scale:.7f})' for k in near), 'or')}."))
        return
    spread = max(k.scale for k in near) - min(k.scale for k in near)
    level = GOOD if facts.scale_is_solved and _across(facts, spread) < EXTENT_NOTE else NOTE
    names = listed(f"{k.name} ({k.scale:.7f})" for k in near)
    yield Finding("scale", level, (
        f"{lead}. It agrees with {names}, which cannot be told apart here; it is not "
        f"{apart}."))


def _lead(facts: SiteFacts) -> str:
    if facts.scale_is_solved:
        return "The solved scale is"
    if facts.tie.kind == "typed":
        return "The typed scale is"
    return "The scale is held at" if facts.held.sigma == 0.0 else "The scale is held near"


def _none_agrees(
    facts: SiteFacts, place: SitePlace, lead: str, value: float, far: Sequence[Kind]
) -> Tuple[str, str]:
    nearest = min(far, key=lambda k: abs(value - k.scale))
    off = value - nearest.scale
    rest = [_away(facts, k, value) for k in far if k is not nearest]
    sentence = (f"{lead}, which is not what a site here commonly has. The nearest are "
                f"{nearest.name} ({nearest.scale:.7f}; {_difference(facts, off)})")
    sentence += f"; then {listed(rest)}." if rest else "."
    height = place.radius * (value * place.base_scale - 1.0)
    if place.level is not None and LOWEST < height < HIGHEST:
        sentence += (f" It would suit lengths at an ellipsoidal height of {facts.rise(height)}; "
                     f"the control lies at {facts.rise(place.level)}.")
    suspect = "parameter" if facts.tie.kind == "typed" else "pair"
    if abs(off) > WAY_OFF:
        return ALARM, (f"{sentence} Look for a wrong {suspect}, a wrong unit, or a grid not "
                       "thought of.")
    return CAUTION, f"{sentence} Look for a wrong {suspect}, or find out how the site was laid out."


def _across(facts: SiteFacts, ratio: float) -> float:
    """Metres a relative difference makes over the control; 0 where there is none."""
    return abs(ratio) * (facts.control.length if facts.control is not None else 0.0)


def _difference(facts: SiteFacts, ratio: float) -> str:
    """"5.3 ppm away, 5 mm over the 924 m of the control"."""
    words = f"{ppm_words(ratio)} away"
    if facts.control is None or not facts.control.length:
        return words
    length = facts.control.length
    across = facts.length(abs(ratio) * length)
    return f"{words}, {across} over the {facts.length(length)} of control"


def _away(facts: SiteFacts, kind: Kind, value: float) -> str:
    across = _across(facts, value - kind.scale)
    over = f", {facts.length(across)}" if across else ""
    return f"{kind.name} ({ppm_words(value - kind.scale)}{over})"


# -- what is held ------------------------------------------------------------------------------


def held(facts: SiteFacts) -> Iterator[Finding]:
    """Whether the pairs bear out a scale, and a rotation, that are not solved."""
    free = None if facts.scale_is_solved else facts.free_similarity
    if free is None:
        return
    if facts.tie.horizontal.model == "translation":
        yield from _held_rotation(facts, free)
    part, sigma = free.part, scaled_sigma(free, "scale")
    off = part.scale - facts.held.value
    said = (f"The scale is held at {facts.held.value:.7f}; solved, the pairs would make it "
            f"{part.scale:.7f} ± {ppm_words(sigma)}")
    if abs(off) <= AGREE * float(np.hypot(sigma, facts.held.sigma)):
        yield Finding("held-scale", GOOD, f"{said}, which bears it out.")
        return
    yield Finding("held-scale", _contradicted(facts), (
        f"{said}: {_difference(facts, off)}. The pairs contradict the held scale"
        + (", and fit without it: solve the scale." if _fits(facts, free) else
           ": solve the scale, or find the pair that is wrong.")))


def _held_rotation(facts: SiteFacts, free: HorizontalFit) -> Iterator[Finding]:
    sigma = float(np.degrees(scaled_sigma(free, "rotation")))
    turn = float(np.degrees(free.part.rotation))
    asked = f"{small_angle_words(turn)} ± {small_angle_words(sigma)}"
    if abs(turn) <= AGREE * sigma:
        yield Finding("held-rotation", GOOD, (
            f"The translation does not turn; solved, the pairs would turn it by {asked}, which "
            "bears it out."))
        return
    length = facts.control.length if facts.control is not None else 0.0
    across = 2.0 * length * abs(np.sin(np.radians(turn) / 2.0))
    yield Finding("held-rotation", _contradicted(facts), (
        f"The translation does not turn, but the pairs ask for a rotation of {asked}, "
        f"{facts.length(across)} over the {facts.length(length)} of control. Choose rigid or "
        "similarity."))


def _contradicted(facts: SiteFacts) -> str:
    """The level of a contradiction: worse where it spoils the fit."""
    statistics = facts.tie.statistics.horizontal
    return ALARM if statistics is not None and statistics.outcome == LARGER else CAUTION


def _fits(facts: SiteFacts, free: HorizontalFit) -> bool:
    p_value = free.adjustment.p_value
    return p_value is not None and p_value >= 1.0 - facts.tie.settings.confidence


# -- an affine ---------------------------------------------------------------------------------


def distortion(facts: SiteFacts) -> Iterator[Finding]:
    """How much an affine deforms, and whether the pairs bear that out."""
    part = facts.tie.horizontal
    if part.model != "affine":
        return
    matrix = np.array(part.matrix)
    left, sizes, _ = np.linalg.svd(matrix)
    stretch = sizes[0] / sizes[1] - 1.0
    along = left[:, 0] if left[1, 0] >= 0.0 else -left[:, 0]
    way, opposite = compass_words(*along), compass_words(*-along)
    skew = np.arcsin(min(1.0, (sizes[0]**2 - sizes[1]**2) / (sizes[0]**2 + sizes[1]**2)))
    if part.cofactor is None and stretch < SEEN:
        return  # a similarity written as an affine, as typed parameters are
    lead = (f"The affine makes lines towards {way} and {opposite} {ppm_words(stretch)} longer than "
            f"those across")
    if facts.control is not None:
        lead += (f", {facts.length(stretch * facts.control.length)} over the "
                 f"{facts.length(facts.control.length)} of control")
    lead += f", and turns right angles by up to {small_angle_words(float(np.degrees(skew)))}"
    statistics = facts.tie.statistics.horizontal
    if part.cofactor is None or statistics is None:
        yield Finding("distortion", NOTE, f"{lead}.")
        return
    if statistics.redundancy == 0:
        yield Finding("distortion", CAUTION, (
            f"{lead}; three marks fit any affine, so nothing bears that out."))
        return
    test = _distortion_test(part, facts.covariance("horizontal"))
    if test <= chi_square_quantile(facts.tie.settings.confidence, 2):
        yield Finding("distortion", NOTE, (
            f"{lead}, no more than the uncertainty of the pairs: a similarity would do as well."))
        return
    yield Finding("distortion", CAUTION, (
        f"{lead}, more than the uncertainty of the pairs: either the control is really deformed, "
        "or a pair is wrong."))


def _distortion_test(part, covariance: np.ndarray) -> float:
    """Chi-square (two degrees of freedom) of both shears against none."""
    turn = part.rotation
    back = np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])
    strain = back @ np.array(part.matrix) / part.scale
    shears = np.array([strain[0, 0] - strain[1, 1], strain[0, 1] + strain[1, 0]])
    gradient = np.zeros((2, 6))
    for i in range(4):
        unit = np.zeros(4)
        unit[i] = 1.0
        change = back @ unit.reshape(2, 2) / part.scale
        gradient[:, 2 + i] = change[0, 0] - change[1, 1], change[0, 1] + change[1, 0]
    return float(shears @ np.linalg.solve(gradient @ covariance @ gradient.T, shears))


# -- relief and extent -------------------------------------------------------------------------


def relief(facts: SiteFacts) -> Iterator[Finding]:
    """How much ground lengths change with height, over the control and over the points."""
    if facts.place is None:
        return
    if len(facts.heights) >= 2:
        lowest, highest = float(facts.heights.min()), float(facts.heights.max())
        ratio = (highest - lowest) / facts.place.radius
        level = graded(ratio, RELIEF_NOTE, RELIEF_CAUTION)
        said = (f"The fit marks span {facts.rise(highest - lowest)} of height, over which ground "
                f"lengths change by {ppm_words(ratio)}")
        yield Finding("relief", level, f"{said}: one scale serves them." if level == GOOD else (
            f"{said}. A length measured on the ground and one from site coordinates differ by up "
            f"to {facts.rate(ratio)}."))
    points = facts.height[np.isfinite(facts.height)]
    if len(points) and len(facts.heights):
        middle = float(np.median(facts.heights))
        away = points - middle
        most = float(away[np.argmax(np.abs(away))])
        ratio = most / facts.place.radius
        level = graded(abs(ratio), RELIEF_NOTE, RELIEF_CAUTION)
        side = "above" if most >= 0.0 else "below"
        said = (f"The points lie up to {facts.rise(abs(most))} {side} the middle height of the "
                "control")
        yield Finding("relief-points", level, (
            f"{said}, where ground lengths are {ppm_words(ratio)} "
            f"{'longer' if most >= 0.0 else 'shorter'} than there"
            + (": one scale serves them." if level == GOOD else f", {facts.rate(ratio)}.")))


def extent(facts: SiteFacts) -> Iterator[Finding]:
    """How much the scale of the base projection changes over control and points.

    For a Transverse Mercator it grows with the distance x from the central meridian as
    (x / R)**2 / 2, so that a site laid out as a plane departs from it.
    """
    place = facts.place
    if facts.hull is None or place is None:
        return
    corners = convex_hull(np.vstack([facts.hull, facts.points_hull]))
    across = Extent(corners).length * facts.tie.horizontal.scale
    height = np.full(len(corners), place.level or 0.0)
    latitude, longitude = place.base.to_geodetic(corners[:, 0], corners[:, 1], height)
    scales = place.base.point_scale(
        np.append(latitude, place.middle[0]), np.append(longitude, place.middle[1]))
    change = float(scales.max() - scales.min())
    what = "control and points span" if len(facts.points) else "the control spans"
    said = (f"{what[0].upper()}{what[1:]} {facts.length(across)}, over which the scale of the base "
            f"projection changes by {ppm_words(change)}")
    level = graded(change * across, EXTENT_NOTE, EXTENT_CAUTION)
    if level == GOOD:
        yield Finding("extent", GOOD, f"{said}: one tie reaches over them.")
        return
    yield Finding("extent", level, (
        f"{said}. Unless the site was computed on that projection, a line right across may be off "
        f"by up to {facts.length(change * across)}: consider a tie for each part of the site."))

