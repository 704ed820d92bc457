"""The page of a product's positional accuracy."""

from __future__ import annotations

from datetime import datetime, timezone
from typing import List, Optional, Tuple

from ..accuracy_statements import AxisFigures, CheckPoint, Statement
from ..positional_accuracy import PositionalAccuracy
from ..units import LengthUnit
from ..version import VERSION
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
    without_empty_columns,
)
from .content import CAUTIONS
from .figures import fixed, small, small_size
from .html import page_html


def accuracy_page(
    found: PositionalAccuracy, product: str, control: str, *, job: str = "", surveyor: str = "",
    made: str = "",
) -> str:
    """The page as HTML text.

    Parameters
    ----------
    product, control : str
        What was measured, and against what.
    made : str
        Date of the page; blank means now, UTC.
    """
    made = made or datetime.now(timezone.utc).strftime("%Y-%m-%d %H:%M UTC")
    clean = not (found.asprs.reservations or found.nssda.reservations or found.warnings)
    blocks: List[Block] = [
        Title(job or "Positional accuracy",
              (f"Positional accuracy · made {made}", f"{product}, against {control}")),
        Banner("✓" if clean else "▲", _headline(found),
               "Nothing speaks against it." if clean else "Read what is said below before using "
               "these figures."),
    ]
    if found.warnings:
        blocks += [Heading("What to look at", 3), Bullets(found.warnings)]
    blocks += [Heading("Errors, measured in the product less control"), _figures(found)]
    for title, statement in (("ASPRS, Edition 2", found.asprs), ("NSSDA", found.nssda)):
        blocks += _statement(title, statement)
    blocks += [Heading("Point by point"), _points(found), Paragraph(
        "▲ far from the others; it counts all the same. ○ drove the tie or the product's own "
        "adjustment, so that it is no independent check.", quiet=True)]
    blocks += [Together((
        Heading("Before it is used"), Bullets(CAUTIONS),
        Signature((("Responsible surveyor", surveyor, 0.4), ("Signature", "", 0.36),
                   ("Date", "", 0.24))),
        Paragraph(f"Made with Sitetie {VERSION}.", quiet=True)))]
    return page_html("Positional accuracy" + (f" – {job}" if job else ""), product, blocks)


def _headline(found: PositionalAccuracy) -> str:
    said = []
    if found.rmse_h is not None and found.east is not None:
        said.append(f"horizontal RMSE {found.rmse_h:.4f} {found.unit.code} from "
                    f"{found.east.count} points")
    if found.up is not None:
        said.append(f"vertical RMSE {found.up.rmse:.4f} {found.elevation_unit.code} from "
                    f"{found.up.count} points")
    text = ", ".join(said)
    return f"{text[0].upper()}{text[1:]}."


def _figures(found: PositionalAccuracy) -> Table:
    columns = (Column("Axis"), Column("Unit"), Column("Points", right=True), *(
        Column(title, unit, right=True) for title, unit in (
            ("Mean", ""), ("Std. deviation", "n − 1"), ("RMSE", ""), ("Least", ""),
            ("Largest", ""))))
    rows = [_axis(name, axis, unit) for name, axis, unit in (
        ("East", found.east, found.unit), ("North", found.north, found.unit),
        ("Up", found.up, found.elevation_unit)) if axis is not None]
    if found.rmse_h is not None and found.east is not None:
        rows.insert(2, ("Horizontal, radial", found.unit.small_name, str(found.east.count), "", "",
                        small_size(found.rmse_h, found.unit), "", ""))
    return Table(columns, rows_of(rows))


def _axis(name: str, axis: AxisFigures, unit: LengthUnit) -> Tuple[str, ...]:
    deviation = "" if axis.deviation is None else small_size(axis.deviation, unit)
    return (name, unit.small_name, str(axis.count), small(axis.mean, unit), deviation,
            small_size(axis.rmse, unit), small(axis.least, unit), small(axis.largest, unit))


def _statement(title: str, statement: Statement) -> List[Block]:
    blocks: List[Block] = [Heading(title, 3), Paragraph(statement.text)]
    if statement.reservations:
        blocks.append(Bullets(tuple(f"▲ {words}" for words in statement.reservations)))
    return blocks


def _points(found: PositionalAccuracy) -> Table:
    plane, level = found.unit, found.elevation_unit
    columns = (
        Column("Point", strong=True),
        Column("Easting", plane.code, right=True), Column("Northing", plane.code, right=True),
        Column("Elevation", level.code, right=True),
        Column("East", plane.small_name, right=True), Column("North", plane.small_name, right=True),
        Column("Radial", plane.small_name, right=True), Column("", ""),
        Column("Up", level.small_name, right=True), Column("", ""),
    )
    rows = [(
        p.id, fixed(p.control.easting, 3), fixed(p.control.northing, 3),
        fixed(p.control.elevation, 3), _small(p.east, plane), _small(p.north, plane),
        _small(p.radial, plane).lstrip("+"), _marks(p.outlying_h, p.drove_h),
        _small(p.up, level), _marks(p.outlying_v, p.drove_v)) for p in _sorted(found.points)]
    return without_empty_columns(Table(columns, rows_of(rows), dense=True))


def _sorted(points: Tuple[CheckPoint, ...]) -> List[CheckPoint]:
    return sorted(points, key=lambda p: p.id)


def _small(value: Optional[float], unit: LengthUnit) -> str:
    return "" if value is None else small(value, unit)


def _marks(outlying: bool, drove: bool) -> str:
    return " ".join(sign for sign, so in (("▲", outlying), ("○", drove)) if so)
