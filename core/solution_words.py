"""What a solution says, as short facts for a person: name, value with sigma, remark."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import List, Optional, Tuple

from .coverage import Extent
from .hull import control_hull
from .parameters import ARC_SECONDS
from .results import CONSISTENT, LARGER, SMALLER, UNCHECKED, PartStatistics
from .settings import HeldScale
from .tie import Tie
from .units import LengthUnit
from .wording import compass_words, counted, length_words, signed


@dataclass(frozen=True)
class Fact:
    """One line: what it is, its value, and what to know of it."""

    name: str
    value: str
    remark: str = ""


def horizontal_facts(tie: Tie) -> List[Fact]:
    """Rotation, scale, position, fit and coverage of the horizontal part."""
    unit = tie.settings.site_length
    facts = plane_facts(tie) + _fit_facts(tie.statistics.horizontal, unit)
    hull = control_hull(tie)
    if hull is not None:
        facts.append(_coverage(Extent(tie.horizontal.apply(hull) / unit.metres), unit))
    return facts


def plane_facts(tie: Tie) -> List[Fact]:
    """Rotation, scale and position: what was solved or typed, horizontally."""
    unit = tie.settings.site_length
    facts = [_rotation(tie), _scale(tie)]
    if tie.horizontal.model == "affine":
        distortion = tie.parameters["distortion"]
        facts.append(Fact("Distortion", f"{distortion.value:.1f} ppm", distortion.meaning))
    sigma_e = tie.parameters["easting_at_centroid"].sigma
    sigma_n = tie.parameters["northing_at_centroid"].sigma
    if sigma_e is not None and sigma_n is not None:
        facts.append(Fact(
            "Position", f"± {length_words(sigma_e, unit)} east, "
            f"± {length_words(sigma_n, unit)} north", "one sigma, at the middle of the fit marks",
        ))
    return facts


def vertical_facts(tie: Tie) -> List[Fact]:
    """Shift, tilt and fit of the vertical part; nothing when there is none."""
    if tie.vertical is None:
        return []
    return height_facts(tie) + _fit_facts(tie.statistics.vertical, tie.settings.elevation_length)


def height_facts(tie: Tie) -> List[Fact]:
    """Shift and tilt: what was solved or typed, vertically."""
    part = tie.vertical
    if part is None:
        return []
    unit = tie.settings.elevation_length
    shift = tie.parameters["vertical_shift"]
    over = f"the geoid {tie.settings.geoid}" if tie.settings.geoid else "the ellipsoid"
    name = "m" if unit.code == "m" else "ft"
    where = ", in the middle of the fit marks" if tie.kind == "solved" else ""
    facts = [Fact("Shift", f"{signed(shift.value, 3)} {name}{_sigma(shift.sigma, unit)}",
                  f"elevation less height above {over}{where}")]
    if part.model == "plane":
        east, north = part.slopes
        tilt = math.hypot(east, north)
        direction = compass_words(east, north)
        facts.append(Fact("Tilt", f"{tilt * 1e6:.1f} ppm ({tilt * ARC_SECONDS:.2f}″)",
                          f"the shift grows towards {direction}"))
    return facts


def chi_square_words(part: PartStatistics) -> str:
    """The test of the whole part, in a sentence."""
    if part.outcome == UNCHECKED or part.p_value is None:
        return "Nothing is left over to check it."
    chance = "below 0.001" if part.p_value < 0.0005 else f"{part.p_value:.3f}"
    figure = f"variance factor {part.variance_factor:.2f}, p {chance}"
    return {
        CONSISTENT: f"The residuals are as large as the sigmas lead one to expect ({figure}).",
        LARGER: f"The residuals are larger than the sigmas allow ({figure}); uncertainties are "
                "scaled up accordingly.",
        SMALLER: f"The residuals are smaller than the sigmas lead one to expect ({figure}); the "
                 "sigmas may be too careful.",
    }[part.outcome]


def _fit_facts(part: Optional[PartStatistics], unit: LengthUnit) -> List[Fact]:
    if part is None:
        return []
    marks = counted(part.fit_marks, "mark")
    facts = [Fact("Redundancy", str(part.redundancy),
                  f"{counted(part.fit_pairs, 'fit pair')} at {marks}, "
                  f"{counted(part.parameters, 'parameter')}")]
    if part.rms is not None:
        largest = "" if part.largest is None else f"largest {length_words(part.largest, unit)}"
        facts.append(Fact("RMS, fit", length_words(part.rms, unit), largest))
    if part.check_rms is not None:
        facts.append(Fact("RMS, check", length_words(part.check_rms, unit),
                          counted(part.check_pairs, "check pair")))
    facts.append(Fact("χ² test", part.outcome, chi_square_words(part)))
    if part.assumed_sigmas:
        facts.append(Fact("Sigmas", "partly assumed",
                          "some pairs state none; the defaults of the settings stand in"))
    return facts


def _rotation(tie: Tie) -> Fact:
    rotation = tie.parameters["rotation"]
    sense = "counter-clockwise" if rotation.value >= 0 else "clockwise"
    seconds = 3600.0 * (rotation.sigma or 0.0)
    sigma = f" ± {seconds:.1f}″" if seconds < 60.0 else f" ± {angle_words(rotation.sigma)}"
    sigma = "" if not rotation.sigma else sigma
    sign = "−" if rotation.value >= 0 else "+"
    remark = f"site bearing = base-grid bearing {sign} {angle_words(abs(rotation.value))}"
    if tie.horizontal.model == "translation":
        return Fact("Rotation", "none", "held at zero by the model")
    return Fact("Rotation", f"{angle_words(abs(rotation.value))}{sigma} {sense}", remark)


def angle_words(degrees: float) -> str:
    """Degrees, minutes and tenths of seconds: 12°05′09.3″."""
    tenths = round(degrees * 36000.0)
    seconds, minutes = tenths % 600, tenths // 600
    return f"{minutes // 60}°{minutes % 60:02d}′{seconds / 10.0:04.1f}″"


def _scale(tie: Tie) -> Fact:
    scale, settings = tie.parameters["scale"], tie.settings
    value = f"{scale.value:.8f} ({signed((scale.value - 1.0) * 1e6, 1)} ppm)"
    if scale.sigma:
        value += f" ± {scale.sigma * 1e6:.1f} ppm"
    held = settings.scale
    if isinstance(held, HeldScale):
        what = {"unity": "at 1", "ground": "to lengths on the ground",
                "grid": "to lengths of a named grid", "typed": "as typed"}[held.basis]
        how = "exactly" if held.sigma == 0.0 else f"within {held.sigma * 1e6:.1f} ppm"
        return Fact("Scale", value, f"held {what}, {how}")
    if tie.horizontal.model in ("translation", "rigid"):
        return Fact("Scale", value, "held at 1 by the model")
    return Fact("Scale", value, f"site length over base-grid length, {tie.kind}")


def _coverage(extent: Extent, unit: LengthUnit) -> Fact:
    if len(extent.corners) < 2:
        return Fact("Control", "one place", "it surrounds nothing")
    long, wide = length_words(extent.length, unit), length_words(extent.width, unit)
    if extent.width < 0.05 * extent.length:
        return Fact("Control", f"{long} long, {wide} wide", "nearly in line: weak across it")
    return Fact("Control", f"{long} by {wide}", "extent of the fit marks")


def _sigma(sigma: Optional[float], unit: LengthUnit) -> str:
    return "" if not sigma else f" ± {length_words(sigma, unit)}"


def sections(tie: Tie) -> Tuple[Tuple[str, List[Fact]], ...]:
    """Both parts with their titles."""
    models = {"plane": "tilted plane"}
    said = [(f"Horizontal: {tie.horizontal.model}", horizontal_facts(tie))]
    if tie.vertical is not None:
        said.append((f"Vertical: {models.get(tie.vertical.model, tie.vertical.model)}",
                     vertical_facts(tie)))
    return tuple(said)
