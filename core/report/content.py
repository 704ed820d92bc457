"""What a report says, in the order a surveyor reads it."""

from __future__ import annotations

import os
from dataclasses import dataclass, field
from datetime import datetime, timezone
from typing import List, Optional, Sequence, Tuple

import pyproj

from ..findings import ALARM, CAUTION, GOOD, NOTE, Finding
from ..headline import GOOD as STANDS
from ..headline import headline
from ..inverse_table import basis_of_bearings, inverse_table
from ..pairs import Role
from ..plausibility import plausibility
from ..settings import HeldScale
from ..suspects import suspect_sentences
from ..tie import Tie
from ..wording import counted, length_words
from .blocks import (
    Banner,
    Block,
    Bullets,
    Column,
    Heading,
    Paragraph,
    Signature,
    Table,
    Title,
    Together,
    rows_of,
)
from .correction_table import correction_sentence, correction_table
from .drawing import geometry_drawing
from .hand_over_part import hand_over_blocks
from .pair_tables import (
    check_words,
    control_table,
    observation_table,
    repeat_words,
    residual_notes,
    residual_table,
)
from .solution_tables import (
    fit_sentences,
    fit_table,
    line_notes,
    line_table,
    minus_in_words,
    parameter_table,
    parameter_words,
)

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
    restated : (latitude, longitude, height) or None
        Points restated through the tie, (n,) arrays in degrees and metres: the report then says
        how far they lie outside the control.
    entries, head : int or None, str
        Where the ledger of the site book ends: number of entries and hash of the last one. A book
        whose end is cut off later, or that is made anew, shows against them.
    """

    job: str = ""
    surveyor: str = ""
    licence: str = ""
    note: str = ""
    number: Optional[int] = None
    accepted: str = ""
    made: str = ""
    restated: Optional[Sequence] = field(default=None, compare=False)
    entries: Optional[int] = None
    head: str = ""


def report_blocks(tie: Tie, details: ReportDetails) -> Tuple[Block, ...]:
    """The whole report."""
    findings = plausibility(tie, *(details.restated or ()))
    return (
        *_front(tie, details, findings), *_what_was_solved(tie, details), *_findings(findings),
        *_drawing(tie), *_pairs(tie), *_lines(tie), *_parameters(tie), *_given(tie),
        *hand_over_blocks(tie), *_end(tie, details),
    )


# -- first page ----------------------------------------------------------------------------------


def _front(tie: Tie, details: ReportDetails, findings: Sequence[Finding]) -> List[Block]:
    standing = headline(tie.pairs, tie)
    alarmed = any(finding.level == ALARM for finding in findings)
    level = GOOD if standing.tone == STANDS else ALARM if alarmed else CAUTION
    blocks: List[Block] = [
        Title(details.job or "Tie report", _under_title(tie, details)),
        Banner(LEVEL_WORDS[level][0], _standing(tie, standing.standing),
               standing.advice.replace(": see why", "")),
    ]
    suspected = _suspects(tie)
    if suspected:
        blocks += [Heading("What is probably wrong", 3), Bullets(tuple(suspected))]
    corrected = correction_sentence(tie)
    if corrected:
        blocks.append(Paragraph(f"{LEVEL_WORDS[NOTE][0]} {corrected}"))
    table = fit_table(tie)
    if table is not None:
        blocks += [Heading("How well it fits"), table, Paragraph(fit_sentences(tie))]
    return blocks


def _under_title(tie: Tie, details: ReportDetails) -> Tuple[str, ...]:
    made = details.made or datetime.now(timezone.utc).strftime("%Y-%m-%d %H:%M UTC")
    if details.number is None:
        accepted = "not accepted"
    else:
        on = f" on {details.accepted}" if details.accepted else ""
        accepted = f"accepted as number {details.number}{on}"
    what = "Tie report · made" if details.job else "Made"
    return (f"{what} {made} · tie {tie.short_id}, {accepted}",)


def _standing(tie: Tie, standing: str) -> str:
    if tie.kind != "typed":
        return standing
    checks = sum(Role.CHECK in (pair.horizontal, pair.vertical) for pair in tie.pairs)
    if not checks:
        return "Typed parameters, unchecked: no observation has tested them."
    return f"Typed parameters, compared with {counted(checks, 'check pair')}."


def _suspects(tie: Tie) -> List[str]:
    return suspect_sentences(tie.pairs, tie.settings) if tie.kind == "solved" else []


def _what_was_solved(tie: Tie, details: ReportDetails) -> List[Block]:
    rows = _basis(tie) + ([("Note", details.note)] if details.note else [])
    table = Table((Column(strong=True, share=0.22), Column(share=0.78)), rows_of(rows))
    sign = LEVEL_WORDS[CAUTION][0]
    return [Heading("What was solved, and from what"), table,
            *(Paragraph(f"{sign} {caution}") for caution in tie.cautions)]


def _basis(tie: Tie) -> List[Tuple[str, str]]:
    """What was solved, and from what: name and words."""
    settings, base = tie.settings, tie.base
    unit, height_unit = settings.site_length, settings.elevation_length
    rows = [
        ("Horizontal model", tie.horizontal.model + _scale_words(tie)),
        ("Vertical model", _vertical_words(tie)),
        ("Site unit", unit.name if unit == height_unit else
         f"{unit.name}; elevations in {height_unit.plural}"),
        ("Observation frame", _frame(tie)),
        ("Base projection", _base_name(base.name, base.crs)),
        ("From frame to base", base.operation + (
            "" if base.accuracy is None else f" (accuracy {base.accuracy:g} m)")),
    ]
    if tie.geoid is not None:
        rows.append(("Geoid", f"{os.path.basename(tie.geoid.grid)}, SHA-256 "
                     f"{tie.geoid.sha256 or 'unknown'}"))
    if tie.pairs:
        files = sorted({os.path.basename(pair.file) for pair in tie.pairs if pair.file})
        rows.append(("Pairs", counted(len(tie.pairs), "pair") + (
            f", read from {', '.join(files)}" if files else "")))
    if tie.kind == "typed":
        rows.append(("Source", tie.source or "not named"))
        rows.append(("Stated accuracy", _accuracy(tie)))
    rows.append(("Sigmas left blank", (
        f"GNSS {settings.gnss_sigma_h * 1000:g} mm per axis and {settings.gnss_sigma_v * 1000:g} "
        f"mm in height, control {settings.control_sigma_h * 1000:g} mm and "
        f"{settings.control_sigma_v * 1000:g} mm are assumed")))
    rows.append(("Levels", (
        f"regions and χ² test {settings.confidence * 100:g} %, test of one pair "
        f"{settings.test_level:g}, power {settings.power * 100:g} %; sigmas {_sigma_basis(tie)}")))
    tolerances = [f"{word} {length_words(value, u)}" for word, value, u in (
        ("horizontal", settings.tolerance_h, unit), ("vertical", settings.tolerance_v, height_unit)
    ) if value is not None]
    rows.append(("Tolerances", ", ".join(tolerances) or "none set"))
    return rows


def _scale_words(tie: Tie) -> str:
    held = tie.settings.scale
    if tie.kind == "typed":
        return ", typed"
    if not isinstance(held, HeldScale):
        return ", scale solved" if tie.settings.horizontal_model == "similarity" else ""
    how = f"within ± {held.sigma * 1e6:.2g} ppm" if held.sigma else "exactly"
    return f", scale held at {held.value:.9f} {how} ({held.basis})"


def _vertical_words(tie: Tie) -> str:
    if tie.vertical is None:
        return "none: a horizontal tie only"
    name = {"plane": "tilted plane"}.get(tie.vertical.model, tie.vertical.model)
    over = "heights above the ellipsoid, no geoid grid" if tie.geoid is None else (
        f"heights above the geoid {os.path.basename(tie.geoid.grid)}")
    return f"{name}; {over}"


def _frame(tie: Tie) -> str:
    code, epoch = tie.settings.observation_crs, tie.settings.observation_epoch
    name = pyproj.CRS.from_user_input(code).name
    said = name if len(code) > 40 or code == name else f"{name} ({code})"
    return said if epoch is None else f"{said}, epoch {epoch:.2f}"


def _base_name(name: str, code: str) -> str:
    return f"{name} ({code})" if len(code) < 20 and code != name else name


def _accuracy(tie: Tie) -> str:
    said = [f"{value * 1000:g} mm {words}" for value, words in (
        (tie.accuracy_h, "per horizontal axis"), (tie.accuracy_v, "in height"))
        if value is not None]
    return ", ".join(said) or "none: uncertainties are unknown"


def _sigma_basis(tie: Tie) -> str:
    return {"stated": "as stated", "estimated": "in their ratios only"}[tie.settings.sigma_basis]


# -- pairs ---------------------------------------------------------------------------------------


def _drawing(tie: Tie) -> List[Block]:
    drawing = geometry_drawing(tie)
    if drawing is None:
        return []
    return [Together((Heading("Control, residuals and error ellipses"), drawing))]


def _pairs(tie: Tie) -> List[Block]:
    blocks: List[Block] = []
    for side, title in (("horizontal", "Horizontal residuals, solved − given"),
                        ("vertical", "Vertical residuals, solved − given")):
        table = residual_table(tie, side)
        if table is not None:
            blocks += [Heading(title), table]
    if not blocks:
        return []
    blocks += [Paragraph(residual_notes(tie), quiet=True), Heading("Check points", 3),
               Paragraph(check_words(tie))]
    if tie.repeats:
        words = tuple(repeat_words(tie, spread) for spread in tie.repeats)
        blocks += [Heading("Repeated observations", 3), Bullets(words)]
    return blocks


def _findings(findings: Sequence[Finding]) -> List[Block]:
    if not findings:
        return []
    rows = [(" ".join(LEVEL_WORDS[f.level]), f.sentence) for f in findings]
    return [Heading("Is it plausible?"),
            Table((Column(strong=True, share=0.12), Column(share=0.88)), rows_of(rows))]


def _lines(tie: Tie) -> List[Block]:
    basis = minus_in_words(basis_of_bearings(tie)).replace("Basis of bearings: ", "", 1)
    blocks: List[Block] = [Heading("Basis of bearings"),
                           Paragraph(f"{basis[0].upper()}{basis[1:]}")]
    lines = inverse_table(tie) if tie.pairs else ()
    if lines:
        blocks += [Heading("Inverse table: control against measurement, line by line"),
                   line_table(tie, lines), Paragraph(line_notes(lines), quiet=True)]
    return blocks


def _parameters(tie: Tie) -> List[Block]:
    table = tie.parameters
    about = "About the centroid" if tie.kind == "solved" else "About the reference point"
    return [
        Heading("Parameters"), parameter_words(tie),
        Paragraph(f"{minus_in_words(table.rotation_sense)} Scale is site length over base-grid "
                  "length."),
        Heading(about, 3), parameter_table(table.about_centroid),
        Heading("About the origin of the base projection", 3), parameter_table(table.about_origin),
    ]


def _given(tie: Tie) -> List[Block]:
    if not tie.pairs:
        return []
    corrections = correction_table(tie)
    corrected: List[Block] = [] if corrections is None else [Heading("Corrections"), corrections]
    tables = (control_table(tie), observation_table(tie))
    assumed = any("*" in cell for table in tables for row in table.rows for cell in row.cells)
    note = "Heights are those of the mark, not of the antenna." + (
        " A star marks a standard deviation that was left blank and is assumed." if assumed else "")
    return [*corrected, Heading("Control as given"), tables[0],
            Heading("Observations as given"), tables[1], Paragraph(note, quiet=True)]


# -- last page -----------------------------------------------------------------------------------


def _end(tie: Tie, details: ReportDetails) -> List[Block]:
    made = tie.provenance
    ledger = []
    if details.entries is not None:
        ledger = [Paragraph(f"The ledger of the site book ends with entry {details.entries}, "
                            f"hash {details.head}.", quiet=True)]
    return [Together((
        Heading("Before it is used"), Bullets(CAUTIONS),
        Signature((("Responsible surveyor", details.surveyor, 0.34),
                   ("Licence number", details.licence, 0.18),
                   ("Signature", "", 0.3), ("Date", "", 0.18))),
        Paragraph(
            f"Tie {tie.id} (SHA-256 of its content). Made with Sitetie {made.sitetie}, Python "
            f"{made.python}, numpy {made.numpy}, pyproj {made.pyproj}, PROJ {made.proj}, "
            f"{made.proj_database}.", quiet=True),
        *ledger,
    ))]
