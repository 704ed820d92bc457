"""The report as HTML: the figures of a tie in the order a surveyor reads them."""

from __future__ import annotations

import os
from dataclasses import dataclass
from datetime import datetime, timezone
from typing import Any, Dict, List, Optional, Tuple

from ..angles import format_angle, format_bearing
from ..errors import SitetieError
from ..findings import ALARM, CAUTION, GOOD, NOTE
from ..headline import headline
from ..inverse_table import LEVELS, basis_of_bearings, inverse_table
from ..pairs import Pair
from ..plausibility import plausibility
from ..results import PairResidual
from ..solution_words import sections
from ..suspects import find_suspects
from ..tie import Tie
from ..units import LengthUnit
from ..verdict_words import short_verdict
from ..whole_file import write_whole_file
from ..wording import counted, length_words, small_number
from .drawing import WIDTH, geometry_svg

#: How each level of a finding is written; the sign stands beside the word, never colour alone.
LEVEL_WORDS = {GOOD: ("✓", "good"), NOTE: ("·", "note"), CAUTION: ("▲", "caution"),
               ALARM: ("■", "alarm")}
CAUTIONS = (
    "A tie is not a boundary opinion and not a machine-control release.",
    "Check with independent points that took no part in the solution.",
    "The licensed surveyor in charge and the local rules decide.",
    "Before digging, have services located as the local code requires.",
)


@dataclass(frozen=True)
class ReportDetails:
    """What a report says besides the tie.

    Attributes
    ----------
    job, surveyor, licence, note : str
    number : int or None
        Of the accepted tie; None for a solution that was not accepted.
    accepted : str
        When it was accepted, as it should be read.
    made : str
        Date of the report; blank means now, UTC.
    """

    job: str = ""
    surveyor: str = ""
    licence: str = ""
    note: str = ""
    number: Optional[int] = None
    accepted: str = ""
    made: str = ""


def write_report(tie: Tie, path, details: Optional[ReportDetails] = None) -> None:
    """Write the report as one HTML file, all or nothing.

    Raises
    ------
    OutputError
    """
    write_whole_file(path, report_html(tie, details).encode("utf-8"))


def report_html(
    tie: Tie, details: Optional[ReportDetails] = None, *, picture: Optional[str] = None
) -> str:
    """The report as HTML text.

    Parameters
    ----------
    picture : str, optional
        Address of the drawing for renderers that cannot show SVG inside HTML; left out, the
        drawing stands in the text as SVG.
    """
    import jinja2

    folder = os.path.dirname(os.path.abspath(__file__))
    environment = jinja2.Environment(
        loader=jinja2.FileSystemLoader(folder), autoescape=True, trim_blocks=True,
        lstrip_blocks=True, undefined=jinja2.StrictUndefined,
    )
    return environment.get_template("report.html").render(
        _context(tie, details or ReportDetails(), picture))


def _context(tie: Tie, details: ReportDetails, picture: Optional[str]) -> Dict[str, Any]:
    from markupsafe import Markup

    standing = headline(tie.pairs, tie)
    return {
        "tie": tie,
        "details": details,
        "made": details.made or datetime.now(timezone.utc).strftime("%Y-%m-%d %H:%M UTC"),
        "standing": standing.standing,
        "advice": standing.advice.replace(": see why", ""),
        "suspects": _suspects(tie),
        "sections": sections(tie),
        "basis_facts": _basis_facts(tie),
        "pair_rows": [_pair_row(tie, *both) for both in zip(tie.pairs, tie.residuals)],
        "check_words": _check_words(tie),
        "small": {"h": tie.settings.site_length.small_name,
                  "v": tie.settings.elevation_length.small_name},
        "limits": _limits(tie),
        "repeats": [_repeat_words(tie, spread) for spread in tie.repeats],
        "findings": [(*LEVEL_WORDS[f.level], f.sentence) for f in plausibility(tie)],
        "basis_of_bearings": basis_of_bearings(tie),
        "lines": _lines(tie),
        "parameters": _parameters(tie),
        "rotation_sense": tie.parameters.rotation_sense,
        "given": [_given_row(tie, pair) for pair in tie.pairs],
        "drawing": Markup(geometry_svg(tie)) if picture is None else "",
        "picture": picture,
        "picture_width": WIDTH,
        "cautions": CAUTIONS,
    }


def _basis_facts(tie: Tie) -> List[Tuple[str, str]]:
    """What was solved, and from what."""
    settings, base = tie.settings, tie.base
    unit, height_unit = settings.site_length, settings.elevation_length
    frame = settings.observation_crs
    if settings.observation_epoch:
        frame += f", epoch {settings.observation_epoch:.2f}"
    rows = [
        ("Horizontal model", settings.horizontal_model + _scale_words(tie)),
        ("Vertical model", settings.vertical_model or "none: a horizontal tie only"),
        ("Site unit", unit.name if unit == height_unit else
         f"{unit.name}; elevations in {height_unit.plural}"),
        ("Frame of the observations", frame),
        ("Base projection", f"{base.name}. {_operation(base)}"),
    ]
    if tie.geoid is not None:
        rows.append(("Geoid", f"{os.path.basename(tie.geoid.grid)}, SHA-256 "
                     f"{tie.geoid.sha256 or 'unknown'}"))
    elif tie.vertical is not None:
        rows.append(("Heights", "above the ellipsoid; no geoid grid"))
    rows.append(("Default sigmas", (
        f"GNSS {settings.gnss_sigma_h * 1000:g} mm per axis, "
        f"{settings.gnss_sigma_v * 1000:g} mm in height; control {settings.control_sigma_h * 1000:g} and "
        f"{settings.control_sigma_v * 1000:g} mm, where the pair table gives none")))
    rows.append(("Levels", (
        f"regions {settings.confidence:.0%}, test of one pair {settings.test_level:g}, power "
        f"{settings.power:.0%}, sigmas {settings.sigma_basis}")))
    tolerances = [f"{word} {length_words(value, u)}" for word, value, u in (
        ("horizontal", settings.tolerance_h, unit), ("vertical", settings.tolerance_v, height_unit)
    ) if value is not None]
    rows.append(("Tolerances", ", ".join(tolerances) or "none set"))
    if tie.kind == "typed":
        rows.append(("Source of the parameters", tie.source or "not named"))
    return rows


def _operation(base) -> str:
    accuracy = "" if base.accuracy is None else f" (accuracy {base.accuracy:g} m)"
    return f"From the frame of the observations: {base.operation}{accuracy}."


def _scale_words(tie: Tie) -> str:
    held = tie.settings.scale
    if held is None:
        return ", scale solved" if tie.settings.horizontal_model == "similarity" else ""
    sigma = f"± {held.sigma:.2g}" if held.sigma else "exactly"
    return f", scale held at {held.value:.9f} {sigma} ({held.basis})"


def _pair_row(tie: Tie, pair: Pair, row: PairResidual) -> Dict[str, str]:
    unit, height_unit = tie.settings.site_length, tie.settings.elevation_length
    h, v = row.horizontal, row.vertical
    without = [_small(value, unit) for value in (h.deleted or (None, None))]
    return {
        "control": row.control_id,
        "observation": row.observation_id,
        "role": h.role if h.role == v.role else f"{h.role} / {v.role}",
        "east": _small(row.east, unit), "north": _small(row.north, unit),
        "up": _small(row.up, height_unit),
        "without_h": " ".join(without).strip(),
        "without_v": _small((v.deleted or (None,))[0], height_unit),
        "test_h": _test(h), "test_v": _test(v),
        "tolerance": _tolerance(h.within_tolerance, v.within_tolerance),
        "verdict": short_verdict(row),
    }


def _small(value: Optional[float], unit: LengthUnit) -> str:
    large = value is not None and abs(value) * unit.small_per_unit >= 100.0
    return small_number(value, unit, 0 if large else 1)


def _test(part) -> str:
    if part.test is None or part.critical is None:
        return "–" if part.residual is not None and part.role != "idle" else ""
    sign = " !" if part.test > part.critical else ""
    return f"{part.test:,.1f}{sign}"


def _tolerance(horizontal: Optional[bool], vertical: Optional[bool]) -> str:
    words = {True: "met", False: "NOT met"}
    said = [words[value] for value in (horizontal, vertical) if value is not None]
    if not said:
        return ""
    return said[0] if len(set(said)) == 1 else " / ".join(said)


def _limits(tie: Tie) -> str:
    """The limits of the test values, in words."""
    found = []
    for side in ("horizontal", "vertical"):
        values = sorted({round(getattr(row, side).critical, 1) for row in tie.residuals
                         if getattr(row, side).critical is not None})
        if values:
            found.append(f"{side} {' or '.join(f'{value:.1f}' for value in values)}")
    return "; ".join(found)


def _check_words(tie: Tie) -> str:
    checks = [row for row in tie.residuals
              if "check" in (row.horizontal.role, row.vertical.role)]
    if not checks:
        return "No pair was withheld as a check. The solution has not been tested from outside."
    said = []
    for side, unit, label in (("horizontal", tie.settings.site_length, "horizontally"),
                              ("vertical", tie.settings.elevation_length, "in height")):
        sizes = [getattr(r, side).size for r in checks if getattr(r, side).role == "check"]
        if sizes:
            said.append(f"{label} by at most {length_words(max(sizes), unit)}")
    names = ", ".join(dict.fromkeys(row.control_id for row in checks))
    return f"{counted(len(checks), 'check pair')} ({names}) took no part and differ " \
           f"{' and '.join(said)}."


def _suspects(tie: Tie) -> List[str]:
    if tie.kind != "solved":
        return []
    try:
        found = find_suspects(tie.pairs, tie.settings)
    except SitetieError:
        return []
    return [("Or: " if suspect.alternative else "") + suspect.evidence for suspect in found]


def _repeat_words(tie: Tie, spread) -> str:
    unit = tie.settings.site_length if spread.component == "horizontal" else \
        tie.settings.elevation_length
    passed = "as their sigmas allow" if spread.accepted else "MORE than their sigmas allow"
    return (f"{spread.control_id}, {spread.component}: {counted(spread.shots, 'shot')} in "
            f"{counted(spread.sessions, 'session')} lie up to {length_words(spread.largest, unit)} "
            f"from their mean, {passed} (p {spread.p_value:.3f}).")


def _lines(tie: Tie) -> Dict[str, Any]:
    lines = inverse_table(tie) if tie.pairs else ()
    rows = [{
        "ends": f"{line.from_id} – {line.to_id}",
        "record": f"{line.record_distance:,.3f}",
        "bearing": "" if line.record_bearing is None else format_bearing(line.record_bearing),
        "measured": f"{line.measured_distance:,.3f}",
        "difference": _small(line.difference, tie.settings.site_length),
        "ppm": "" if line.difference_ppm is None else f"{line.difference_ppm:+.1f}".replace(
            "-", "−"),
        "turn": "" if line.apparent_rotation is None else f"{line.apparent_rotation:+.5f}°".replace(
            "-", "−"),
    } for line in lines]
    return {"rows": rows, "level": LEVELS[lines[0].level] if lines else ""}


def _parameters(tie: Tie) -> List[Tuple[str, List[Dict[str, str]]]]:
    def rows(parameters):
        return [{"name": p.name.replace("_", " "), "value": _number(p), "unit": p.unit,
                 "sigma": "" if p.sigma is None else _sigma(p), "meaning": p.meaning}
                for p in parameters]

    table = tie.parameters
    return [("About the centroid", rows(table.about_centroid)),
            ("About the origin of the base projection", rows(table.about_origin))]


def _number(parameter) -> str:
    decimals = {"deg": 8, "1": 10, "ppm": 3, "m/m": 12, "ft/m": 12, "us-ft/m": 12}
    return f"{parameter.value:,.{decimals.get(parameter.unit, 4)}f}".replace("-", "−")


def _sigma(parameter) -> str:
    return f"{parameter.sigma:.2g}" if parameter.sigma else "held"


def _given_row(tie: Tie, pair: Pair) -> Dict[str, str]:
    """A pair as it was given, for whoever wants to solve it again."""
    control, observation = pair.control, pair.observation

    def fixed(value: Optional[float], decimals: int = 4) -> str:
        return "" if value is None else f"{value:,.{decimals}f}".replace("-", "−")

    return {
        "control": control.id, "easting": fixed(control.easting),
        "northing": fixed(control.northing), "elevation": fixed(control.elevation),
        "observation": observation.id,
        "latitude": format_angle(observation.latitude, "latitude", "dms", 5),
        "longitude": format_angle(observation.longitude, "longitude", "dms", 5),
        "height": fixed(observation.height),
        "source": ", ".join(text for text in (observation.session, observation.fix,
                                               observation.source) if text),
    }
