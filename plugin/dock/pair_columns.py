"""The columns of the pair table: what each shows, how it sorts, what it means."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from typing import Callable, Optional, Tuple, Union

from ...core.corrections import fields_words
from ...core.pairs import Pair
from ...core.results import ComponentResult, PairResidual
from ...core.settings import Settings
from ...core.units import LengthUnit
from ...core.verdict_words import short_verdict, urgency
from ...core.wording import small_number
from ..translation import tr

Row = Optional[PairResidual]
SortKey = Union[str, float]
#: The two sides as headings and narrow cells name them.
SIDE_TITLES = {"horizontal": "horiz.", "vertical": "vert."}
#: Sorts behind every figure when the largest come first.
NOTHING = -1.0


@dataclass(frozen=True)
class Column:
    """One column.

    Attributes
    ----------
    key : str
    title : str
        ``{h}`` and ``{v}`` stand for the small units of residuals; a line break parts two lines.
    hint : str
        One sentence, shown on the header.
    side : str
        ``horizontal``, ``vertical``, or blank.
    text, sort : callables of (pair, row, settings)
    number : bool
        Right-aligned.
    value : callable of row, or None
        What the bar of a residual shows, in site or elevation units.
    """

    key: str
    title: str
    hint: str
    side: str
    text: Callable[[Pair, Row, Settings], str]
    sort: Callable[[Pair, Row, Settings], SortKey]
    number: bool = False
    value: Optional[Callable[[PairResidual], float]] = None

    @property
    def largest_first(self) -> bool:
        """Whether the first click on the header puts the largest on top: the worst first."""
        return self.number or self.key in ("verdict", "tolerance", "corrected")

    def heading(self, settings: Settings) -> str:
        return self.title.format(h=settings.site_length.small_name,
                                 v=settings.elevation_length.small_name)


def _id_key(text: str) -> str:
    """Sorts K2 before K10."""
    return re.sub(r"\d+", lambda found: found.group().zfill(12), text.lower())


def _part(row: Row, side: str) -> Optional[ComponentResult]:
    return None if row is None else getattr(row, side)


def _unit(settings: Settings, side: str) -> LengthUnit:
    return settings.site_length if side == "horizontal" else settings.elevation_length


def _role(side: str, title: str) -> Column:
    order = ("fit", "check", "idle")
    return Column(
        f"role_{side}", title,
        tr(
            "What the pair does in the {side} solution: fit drives it, check is withheld and "
            "compared, idle takes no part. Keys F, C and I set it for all selected pairs.").format(
            side=side),
        side,
        lambda pair, row, settings: getattr(pair, side).value,
        lambda pair, row, settings: float(order.index(getattr(pair, side).value)),
    )


def _residual(key: str, title: str, side: str, towards: str) -> Column:
    def value(row: PairResidual) -> float:
        return getattr(row, key)

    return Column(
        key, title,
        tr(
            "Residual {towards}: solved less given. The bar starts in the middle; sorted by "
            "size.").format(towards=towards),
        side,
        lambda pair, row, settings: "" if row is None else small_number(
            value(row), _unit(settings, side)),
        lambda pair, row, settings: NOTHING if row is None or math.isnan(value(row))
        else abs(value(row)),
        number=True, value=value,
    )


def _deleted(side: str, title: str) -> Column:
    def size(row: Row) -> Optional[float]:
        part = _part(row, side)
        return None if part is None or part.deleted is None else math.hypot(*part.deleted)

    return Column(
        f"left_out_{side}", title,
        tr(
            "Leave-one-out: how far a solution without this mark leaves it off, {side}ly.").format(
            side=side)
        if side == "horizontal" else
        tr("Leave-one-out: how far a solution without this mark leaves it off in height."),
        side,
        lambda pair, row, settings: small_number(
            size(row), _unit(settings, side)).lstrip("+"),
        lambda pair, row, settings: NOTHING if size(row) is None else float(size(row) or 0.0),
        number=True,
    )


def _test(side: str, title: str) -> Column:
    def numbers(row: Row) -> Optional[Tuple[float, float]]:
        part = _part(row, side)
        if part is None or part.test is None or part.critical is None:
            return None
        return part.test, part.critical

    def text(pair: Pair, row: Row, settings: Settings) -> str:
        found = numbers(row)
        return "" if found is None else tr(
            "{found:.1f} of {found2:.1f}").format(found=found[0], found2=found[1])

    def sort(pair: Pair, row: Row, settings: Settings) -> SortKey:
        found = numbers(row)
        return NOTHING if found is None else found[0] / found[1]

    return Column(
        f"test_{side}", title,
        tr(
            "Test value of the {side} side against its limit at the test level of the "
            "settings.").format(side=side),
        side, text, sort, number=True,
    )


def _tolerance_text(pair: Pair, row: Row, settings: Settings) -> str:
    if row is None:
        return ""
    known = {
        name: part.within_tolerance
        for name, part in (("horizontal", row.horizontal), ("vertical", row.vertical))
        if part.within_tolerance is not None
    }
    if not known:
        return ""
    out = [name for name, within in known.items() if not within]
    return tr("✗ out: {join}").format(join=', '.join(out)) if out else tr("✓ within")


def _tolerance_sort(pair: Pair, row: Row, settings: Settings) -> SortKey:
    text = _tolerance_text(pair, row, settings)
    return {"✗": 2.0, "✓": 1.0}.get(text[:1], NOTHING)


COLUMNS: Tuple[Column, ...] = (
    Column("control", tr("Control"), tr("The control point, known in the site grid."), "",
           lambda pair, row, settings: pair.control.id,
           lambda pair, row, settings: _id_key(pair.control.id)),
    Column("observation", tr("Observation"), tr("The GNSS observation of the same mark."), "",
           lambda pair, row, settings: pair.observation.id,
           lambda pair, row, settings: _id_key(pair.observation.id)),
    Column("verdict", tr("Verdict"),
           tr("What the tests say of the pair, the worse side first."), "",
           lambda pair, row, settings: "" if row is None else short_verdict(row),
           lambda pair, row, settings: NOTHING if row is None else float(100 - urgency(row))),
    _role("horizontal", tr("Role\n{side_titles}").format(side_titles=SIDE_TITLES['horizontal'])),
    _role("vertical", tr("Role\n{side_titles}").format(side_titles=SIDE_TITLES['vertical'])),
    _residual("east", tr("East\n{h}"), "horizontal", tr("towards east")),
    _residual("north", tr("North\n{h}"), "horizontal", tr("towards north")),
    _residual("up", tr("Up\n{v}"), "vertical", tr("in height")),
    Column("tolerance", tr(
        "Tolerance"), tr(
        "Whether the residuals keep the tolerances of the settings."),
           "", _tolerance_text, _tolerance_sort),
    Column("corrected", tr(
        "Corrected"), tr(
        "What is used otherwise than given, with the evidence below the table when the pair is "
        "selected."), "",
           lambda pair, row, settings: fields_words(pair.corrections),
           lambda pair, row, settings: float(len(pair.corrections)) if pair.corrections
           else NOTHING),
    _test("horizontal", tr("Test\n{side_titles}").format(side_titles=SIDE_TITLES['horizontal'])),
    _test("vertical", tr("Test\n{side_titles}").format(side_titles=SIDE_TITLES['vertical'])),
    _deleted("horizontal", tr(
        "Left out\n{side_titles} {{h}}").format(side_titles=SIDE_TITLES['horizontal'])),
    _deleted("vertical", tr(
        "Left out\n{side_titles} {{v}}").format(side_titles=SIDE_TITLES['vertical'])),
)
KEYS: Tuple[str, ...] = tuple(column.key for column in COLUMNS)
