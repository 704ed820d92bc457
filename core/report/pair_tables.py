"""The pairs in a report: residuals side by side with their tests, checks, and what was given."""

from __future__ import annotations

from typing import Dict, List, Optional

import numpy as np

from ..angles import format_angle
from ..corrections import as_given
from ..pairs import Observation, Role
from ..results import CANNOT_TEST, ComponentResult, RepeatSpread
from ..tie import Tie
from ..units import LengthUnit
from ..verdict_words import SIDES, side_verdict
from ..wording import counted, length_words, listed
from .blocks import Column, Row, Table, rows_of, without_empty_columns
from .figures import LARGE, UNCHECKED, fixed, joined, millimetres, size_words, small, small_size

ROLE_WORDS = {
    "fit": "Fit: these drive the solution",
    "check": "Check: these took no part and are compared",
    "idle": "Idle: these take no part",
}
#: What the residual's components are called.
AXES = {"horizontal": ("east", "north"), "vertical": ("up",)}


def side_unit(tie: Tie, side: str) -> LengthUnit:
    """Unit of the residuals of one side."""
    return tie.settings.site_length if side == "horizontal" else tie.settings.elevation_length


def residual_table(tie: Tie, side: str) -> Optional[Table]:
    """Residuals of one side, the roles apart, with leave-one-out, test, tolerance, verdict."""
    if not any(getattr(row, side).residual is not None for row in tie.residuals):
        return None
    unit = side_unit(tie, side)
    limits = _limits(tie, side)
    one_limit = len(limits) == 1
    tolerance = _tolerance(tie, side)
    axes = AXES[side]
    columns = [Column("control", strong=True), Column("observation")]
    columns += [Column(axis, unit.small_name, right=True) for axis in axes]
    columns += [Column("length", unit.small_name, right=True)] if len(axes) > 1 else []
    columns += [Column("left out:", f"{axis} {unit.small_name}", right=True) for axis in axes]
    columns += [
        Column("test", f"limit {limits[0]}" if one_limit else "and limit", right=True),
        Column("detectable", unit.small_name, right=True),
        Column("tolerance", "" if tolerance is None else length_words(tolerance, unit)),
        Column("verdict"),
    ]
    rows: List[Row] = []
    for role, words in ROLE_WORDS.items():
        found = _rows(tie, side, role, one_limit)
        rows += [Row((words,), group=True), *found] if found else []
    return without_empty_columns(Table(tuple(columns), tuple(rows), dense=True))


def _rows(tie: Tie, side: str, role: str, one_limit: bool) -> List[Row]:
    """Rows of one role; figures of a whole mark stand in the first row of the mark only."""
    unit, axes = side_unit(tie, side), AXES[side]
    shots: Dict[str, List[Row]] = {}
    for row in tie.residuals:
        part = getattr(row, side)
        if part.role != role or part.residual is None:
            continue
        further = row.control_id in shots
        size = () if len(axes) == 1 else (small_size(part.size, unit),)
        left_out = part.deleted if part.deleted and not further else (None,) * len(axes)
        shots.setdefault(row.control_id, []).append(Row((
            row.control_id, row.observation_id,
            *(small(value, unit) for value in part.residual), *size,
            *(small(value, unit) for value in left_out),
            "" if further else _test(part, one_limit),
            "" if further else small_size(part.detectable, unit),
            _kept(part),
            "with the shot above" if further and role == "fit" else side_verdict(part),
        )))
    return [row for listed_rows in shots.values() for row in listed_rows]


def _kept(part: ComponentResult) -> str:
    """Whether the tolerance is met; a residual that cannot but be small meets nothing."""
    if part.within_tolerance and part.verdict == CANNOT_TEST:
        return UNCHECKED
    return {True: "met", False: "NOT met", None: ""}[part.within_tolerance]


def _test(part: ComponentResult, one_limit: bool) -> str:
    if part.test is None or part.critical is None:
        return UNCHECKED if part.verdict == CANNOT_TEST else ""
    sign = "! " if part.test > part.critical else ""
    figure = f"{part.test:,.1f}" if part.test < LARGE else f"{part.test:,.0f}"
    return f"{sign}{figure}" if one_limit else f"{sign}{figure} / {part.critical:.1f}"


def _limits(tie: Tie, side: str) -> List[str]:
    """The different limits of the test, as they are written."""
    parts = [getattr(row, side) for row in tie.residuals]
    return sorted({f"{part.critical:.1f}" for part in parts if part.critical is not None})


def _tolerance(tie: Tie, side: str) -> Optional[float]:
    return tie.settings.tolerance_h if side == "horizontal" else tie.settings.tolerance_v


def residual_notes(tie: Tie) -> str:
    """What the columns of the residual tables mean."""
    parts = [part for row in tie.residuals for part in (row.horizontal, row.vertical)]
    said = ["Residuals are solved − given."]
    if any(part.deleted for part in parts):
        said.append("Left out: the residual from a solution without this mark.")
    if any(part.test is not None for part in parts):
        said.append(
            "Test: the misfit of the mark in standard deviations, with the limit for a "
            f"{tie.settings.test_level:g} chance of a false alarm; an exclamation mark stands "
            "where it is exceeded.")
    if any(part.detectable is not None for part in parts):
        said.append(f"Detectable: the smallest blunder that would be found with "
                    f"{tie.settings.power:.0%} probability.")
    if any(part.verdict == CANNOT_TEST for part in parts):
        said.append("Unchecked: nothing else controls this mark, so its residual says nothing.")
    if any(row.repeated > 1 for row in tie.residuals):
        said.append("Shots of one mark are tested together, and those figures stand in its first "
                    "row.")
    missing = [side for side in SIDES if _tolerance(tie, side) is None and
               (side == "horizontal" or tie.vertical is not None)]
    if missing:
        said.append(f"No {listed(missing)} tolerance is set.")
    return " ".join(said)


# -- checks and repeats --------------------------------------------------------------------------


def check_residuals(tie: Tie, side: str) -> np.ndarray:
    """(n, 2) or (n, 1) residuals of the check pairs of one side."""
    parts = [getattr(row, side) for row in tie.residuals]
    found = [part.residual for part in parts
             if part.role == Role.CHECK.value and part.residual is not None]
    return np.array(found).reshape(len(found), len(AXES[side]))


def check_words(tie: Tie) -> str:
    """How the checks lie, in sentences."""
    said = []
    for side, how in (("horizontal", "Horizontally"), ("vertical", "In height")):
        residuals, unit = check_residuals(tie, side), side_unit(tie, side)
        if not len(residuals):
            continue
        sizes = np.hypot.reduce(residuals, axis=1)
        names = list(dict.fromkeys(row.control_id for row in tie.residuals
                                   if getattr(row, side).role == Role.CHECK.value))
        mean = " and ".join(f"{small(value, unit)} {axis}" for value, axis in
                            zip(residuals.mean(axis=0).tolist(), AXES[side]))
        one = len(sizes) == 1
        spread = "" if one else (
            f"; their RMS is {size_words(float(np.sqrt(np.mean(sizes ** 2))), unit)} (divided by "
            f"{len(sizes)}), their mean {mean} ({unit.small_name})")
        said.append(f"{how} {counted(len(sizes), 'check pair')} ({listed(names)}) "
                    f"{'differs' if one else 'differ'} from the tie by "
                    f"{'' if one else 'at most '}{size_words(float(sizes.max()), unit)}{spread}.")
    if not said:
        return ("No pair was withheld as a check: nothing from outside the solution has tested "
                "it.")
    return " ".join(said)


def repeat_words(tie: Tie, spread: RepeatSpread) -> str:
    """How far the shots of one mark lie apart, in a sentence."""
    unit = side_unit(tie, spread.component)
    how = "as their sigmas allow" if spread.accepted else "MORE than their sigmas allow"
    return (f"{spread.control_id}, {spread.component}: {counted(spread.shots, 'shot')} in "
            f"{counted(spread.sessions, 'session')} lie up to {size_words(spread.largest, unit)} "
            f"from their mean, {how} (p {spread.p_value:.3f}).")


# -- what was given ------------------------------------------------------------------------------


def control_table(tie: Tie) -> Table:
    """The control points as given, each once."""
    settings = tie.settings
    controls = {as_given(pair).control: None for pair in tie.pairs}
    rows = [(
        control.id, fixed(control.easting), fixed(control.northing), fixed(control.elevation),
        millimetres(control.sigma_h, settings.control_sigma_h if control.has_position else None),
        millimetres(control.sigma_v, settings.control_sigma_v if control.has_elevation else None),
    ) for control in controls]
    unit, height_unit = settings.site_length.code, settings.elevation_length.code
    return Table((
        Column("control", strong=True), Column("easting", unit, right=True),
        Column("northing", unit, right=True), Column("elevation", height_unit, right=True),
        Column("sigma horizontal", "mm per axis", right=True),
        Column("sigma vertical", "mm", right=True),
    ), rows_of(rows), dense=True)


def observation_table(tie: Tie) -> Table:
    """The observations as given, with the roles of their pairs."""
    rows = [(
        pair.observation.id, pair.control.id, _roles(pair.horizontal, pair.vertical),
        _angle(pair.observation.latitude, "latitude"),
        _angle(pair.observation.longitude, "longitude"),
        fixed(pair.observation.height), _sigmas(tie, pair.observation),
        _recorded(pair.observation),
    ) for pair in map(as_given, tie.pairs)]
    return without_empty_columns(Table((
        Column("observation", strong=True), Column("control"), Column("role", "h / v"),
        Column("latitude", right=True), Column("longitude", right=True),
        Column("height", "m", right=True), Column("sigmas mm", "east north up", right=True),
        Column("as recorded"),
    ), rows_of(rows), dense=True))


def _angle(degrees: float, kind: str) -> str:
    """To 0.3 mm on the ground, without blanks after the signs."""
    return format_angle(degrees, kind, "dms", 5).replace("° ", "°").replace("′ ", "′")


def _roles(horizontal: Role, vertical: Role) -> str:
    if horizontal is vertical:
        return horizontal.value
    return f"{horizontal.value} / {vertical.value}"


def _sigmas(tie: Tie, observation: Observation) -> str:
    horizontal = tie.settings.gnss_sigma_h
    up = tie.settings.gnss_sigma_v if observation.height is not None else None
    return " ".join((
        millimetres(observation.sigma_e, horizontal), millimetres(observation.sigma_n, horizontal),
        millimetres(observation.sigma_u, up),
    )).strip()


def _recorded(observation: Observation) -> str:
    slant = "slant " if observation.pole_kind == "slant" else ""
    pole = "" if observation.pole is None else f"{slant}pole\u00a0{observation.pole:.3f}\u00a0m"
    height = "" if observation.height_kind == "ellipsoidal" else (
        f"height {observation.height_kind}, {observation.height_geoid}")
    epoch = "" if observation.epoch is None else f"epoch {observation.epoch:.2f}"
    return joined((observation.session, observation.fix, observation.source, pole, height,
                   observation.crs or "", epoch))
