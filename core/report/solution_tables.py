"""The solution in a report: how well it fits, its parameters, and the inverse table."""

from __future__ import annotations

import math
import re
from typing import Callable, List, Optional, Sequence, Tuple

from ..angles import format_bearing
from ..findings import AGREE
from ..inverse_table import LEVELS, InverseLine
from ..parameters import Parameter
from ..results import CONSISTENT, LARGER, SMALLER, PartStatistics
from ..solution_words import chi_square_words, height_facts, plane_facts
from ..tie import Tie
from ..wording import counted, length_words, signed
from .blocks import Column, Row, Table, rows_of, without_empty_columns
from .figures import UNCHECKED, minus, size_words, small, small_size
from .pair_tables import side_unit

#: Decimals of a parameter by its unit; 0.0001 of a length.
DECIMALS = {"deg": 8, "1": 10, "ppm": 3, "m/m": 12, "ft/m": 12, "us-ft/m": 12}

PartWords = Callable[[Tie, str, PartStatistics], str]


def solved_sides(tie: Tie) -> Tuple[Tuple[str, PartStatistics], ...]:
    """The sides that were solved, with their statistics."""
    found = ((side, getattr(tie.statistics, side)) for side in ("horizontal", "vertical"))
    return tuple((side, part) for side, part in found if part is not None)


def fit_table(tie: Tie) -> Optional[Table]:
    """How well it fits, horizontal and vertical beside each other; None for typed parameters."""
    sides = solved_sides(tie)
    if not sides:
        return None
    lines: Tuple[Tuple[str, PartWords], ...] = (
        ("Fit pairs", lambda t, s, p: f"{p.fit_pairs} at {counted(p.fit_marks, 'mark')}"),
        ("Parameters solved", lambda t, s, p: str(p.parameters)),
        ("Redundancy", lambda t, s, p: str(p.redundancy) if p.redundancy else f"0: {UNCHECKED}"),
        ("RMS of the fit pairs", _rms),
        ("Largest residual of a fit pair", lambda t, s, p: _length(t, s, p.largest, p)),
        ("RMS of the check pairs", _check_rms),
        ("Variance factor", lambda t, s, p: UNCHECKED if p.variance_factor is None else
         f"{p.variance_factor:,.2f} (1 expected)"),
        ("Test of the whole (χ²)", _outcome),
        ("Standard deviations used", _scaling),
        (f"Regions at {tie.settings.confidence * 100:g} %", _quantiles),
        ("Tolerance", _tolerance),
    )
    rows = [(name, *(words(tie, side, part) for side, part in sides)) for name, words in lines]
    return Table((
        Column(" ", strong=True, share=0.3),
        *(Column(side, share=0.7 / len(sides)) for side, _ in sides),
    ), rows_of(rows))


def fit_sentences(tie: Tie) -> str:
    """The test of the whole in sentences, and what the RMS is divided by."""
    said = [f"{side.capitalize()}: {chi_square_words(part)}" for side, part in solved_sides(tie)]
    if any(part.rms is not None for _, part in solved_sides(tie)):
        said.append("RMS: root of the mean squared residual (horizontally of its length), divided "
                    "by the number of pairs, not by the redundancy.")
    return " ".join(said)


def _length(tie: Tie, side: str, value: Optional[float], part: PartStatistics) -> str:
    if not part.checked or value is None:
        return UNCHECKED
    return size_words(value, side_unit(tie, side))


def _rms(tie: Tie, side: str, part: PartStatistics) -> str:
    words = _length(tie, side, part.rms, part)
    return words if words == UNCHECKED else f"{words} (divided by {part.fit_pairs})"


def _check_rms(tie: Tie, side: str, part: PartStatistics) -> str:
    if part.check_rms is None:
        return "no check pair"
    words = size_words(part.check_rms, side_unit(tie, side))
    return f"{words} (divided by {part.check_pairs})"


def _outcome(tie: Tie, side: str, part: PartStatistics) -> str:
    if not part.checked or part.p_value is None:
        return UNCHECKED
    chance = "p < 0.001" if part.p_value < 0.0005 else f"p {part.p_value:.3f}"
    words = {CONSISTENT: "passed", LARGER: "FAILED, too large",
             SMALLER: "failed, too small"}[part.outcome]
    return f"{words} ({chance})"


def _scaling(tie: Tie, side: str, part: PartStatistics) -> str:
    root = math.sqrt(part.applied_factor)
    how = "as stated" if root == 1.0 else f"{root:,.2f} times the stated"
    return f"{how}, some assumed" if part.assumed_sigmas else how


def _quantiles(tie: Tie, side: str, part: PartStatistics) -> str:
    if part.region_redundancy is None:
        return "χ² with 2 degrees of freedom" if side == "horizontal" else "normal distribution"
    name = "F with 2 and" if side == "horizontal" else "t with"
    return f"{name} {counted(part.region_redundancy, 'degree')} of freedom"


def _tolerance(tie: Tie, side: str, part: PartStatistics) -> str:
    settings = tie.settings
    limit = settings.tolerance_h if side == "horizontal" else settings.tolerance_v
    if limit is None:
        return "none set"
    kept = [getattr(row, side).within_tolerance for row in tie.residuals]
    asked = [value for value in kept if value is not None]
    words = length_words(limit, side_unit(tie, side))
    if not part.checked and not part.check_pairs:
        return f"{words}: {UNCHECKED}"
    if all(asked):
        return f"{words}: met by all {counted(len(asked), 'pair')}"
    return f"{words}: NOT met by {asked.count(False)} of {counted(len(asked), 'pair')}"


# -- parameters ----------------------------------------------------------------------------------


def parameter_words(tie: Tie) -> Table:
    """Rotation, scale, shift and tilt as a person says them."""
    facts = plane_facts(tie) + height_facts(tie)
    return Table(
        (Column(strong=True, share=0.12), Column(share=0.42), Column(share=0.46)),
        rows_of([(fact.name, fact.value, fact.remark) for fact in facts]),
    )


def parameter_table(parameters: Sequence[Parameter]) -> Table:
    """Parameters with value, sigma, unit and meaning."""
    rows = [(p.name.replace("_", " "), _value(p), _sigma(p), p.unit, minus_in_words(p.meaning))
            for p in parameters]
    return Table((
        Column("parameter", strong=True), Column("value", right=True), Column("sigma", right=True),
        Column("unit"), Column("meaning"),
    ), rows_of(rows), dense=True)


def minus_in_words(text: str) -> str:
    """True minus signs where a sentence subtracts or has a negative number."""
    return re.sub(r"(?<=[ (])-(?=[\d ])", "−", text)


def _value(parameter: Parameter) -> str:
    return minus(f"{parameter.value:,.{DECIMALS.get(parameter.unit, 4)}f}")


def _sigma(parameter: Parameter) -> str:
    if parameter.sigma is None:
        return ""
    if parameter.sigma == 0.0:
        return "held"
    digits = max(0, 1 - math.floor(math.log10(parameter.sigma))) if parameter.sigma > 0 else 0
    return f"{parameter.sigma:,.{min(digits, DECIMALS.get(parameter.unit, 4) + 1)}f}"


# -- inverse table -------------------------------------------------------------------------------


def line_table(tie: Tie, lines: Sequence[InverseLine]) -> Table:
    """Control against measurement, line by line."""
    unit = tie.settings.site_length
    rows = [Row((
        f"{line.from_id} – {line.to_id}", f"{line.record_distance:,.3f}",
        "" if line.record_bearing is None else format_bearing(line.record_bearing),
        f"{line.measured_distance:,.3f}",
        ("! " if abs(line.difference) > AGREE * line.sigma_distance else "")
        + small(line.difference, unit),
        small_size(line.sigma_distance, unit),
        "" if line.difference_ppm is None else signed(line.difference_ppm, 1),
        "" if line.apparent_rotation is None else f"{signed(line.apparent_rotation, 5)}°",
    )) for line in lines]
    return without_empty_columns(Table((
        Column("line", strong=True), Column("record", unit.code, right=True),
        Column("record", "bearing", right=True), Column("measured", unit.code, right=True),
        Column("measured −", f"record {unit.small_name}", right=True),
        Column("sigma", unit.small_name, right=True), Column("difference", "ppm", right=True),
        Column("base − record", "bearing", right=True),
    ), tuple(rows), dense=True))


def line_notes(lines: Sequence[InverseLine]) -> str:
    """What the columns of the inverse table mean."""
    said: List[str] = [
        "Record: from the control coordinates alone. Measured: from the observations alone, "
        f"{LEVELS[lines[0].level]}; neither depends on the solution.",
        f"An exclamation mark stands where the difference is more than {AGREE:g} of its standard "
        "deviations.",
    ]
    return " ".join(said)
