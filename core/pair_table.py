"""Pair tables: read from delimited text or from rows of any table, checked, and written."""

from __future__ import annotations

import csv
import io
import os
from dataclasses import dataclass, field, fields
from typing import Any, Dict, Iterable, Mapping, Optional, Sequence, Tuple, Union

from .angles import parse_angle
from .corrections import as_given, corrections_text, with_corrections
from .delimited_text import DELIMITERS, read_delimited_text
from .errors import InputError, SitetieError
from .numerals import decimal_mark_of, parse_number, quoted
from .pair_checks import refuse_contradictions, refuse_exchanged
from .pair_columns import ANGLES, NUMBERS, OPTIONAL, REQUIRED, ColumnMatch, match_columns
from .pairs import Control, Observation, Pair, Role
from .settings import Settings
from .whole_file import write_whole_file

#: A text cell beginning with one of these would be run as a formula by spreadsheets.
_FORMULA_STARTS = "=+-@\t\r"
_CONTROL_VALUES = ("easting", "northing", "elevation", "control_sigma_h", "control_sigma_v")
_OBSERVATION_NUMBERS = ("height", "sigma_e", "sigma_n", "sigma_en", "sigma_u", "pole", "epoch")
_OBSERVATION_TEXTS = ("session", "time", "fix", "source", "note")


@dataclass(frozen=True)
class PairTable(Sequence[Pair]):
    """Pairs as read, with how they were read; a sequence of `Pair`.

    Attributes
    ----------
    pairs : tuple of Pair
    mapping : dict of str to str
        Field → name of the column it was read from.
    notes : tuple of str
        Sentences on every choice made in reading.
    path : str or None
        File or layer name.
    """

    pairs: Tuple[Pair, ...]
    mapping: Dict[str, str] = field(default_factory=dict)
    notes: Tuple[str, ...] = ()
    path: Optional[str] = None

    def __len__(self) -> int:
        return len(self.pairs)

    def __getitem__(self, place):
        return self.pairs[place]


def read_pairs(
    path: Union[str, os.PathLike],
    *,
    packed_dms: bool = False,
    columns: Optional[Mapping[str, str]] = None,
    delimiter: Optional[str] = None,
    encoding: Optional[str] = None,
    decimal: Optional[str] = None,
    settings: Optional[Settings] = None,
) -> PairTable:
    """Read a pair table from delimited text.

    Parameters
    ----------
    path : path
        Cells parted by commas, semicolons, tabs, vertical bars or runs of blanks; UTF-8, or
        UTF-16 with a byte order mark.
    packed_dms : bool
        Latitudes and longitudes are DDD.MMSSsss.
    columns : mapping, optional
        Field → column name, where the header does not tell.
    delimiter, encoding : str, optional
        Override what is found in the file.
    decimal : {".", ","}, optional
        Decimal mark; by default the one the file shows throughout.
    settings : Settings, optional
        Units named in the header are held against theirs.

    Raises
    ------
    InputError
        Naming file, row, point and remedy.
    """
    text = read_delimited_text(path, delimiter=delimiter, encoding=encoding)
    name = os.fspath(path)
    notes = (
        f"Read as {text.encoding.upper().replace('-SIG', '')}, cells parted by "
        f"{DELIMITERS.get(text.delimiter, quoted(text.delimiter))}.",
    )
    return _pairs(
        text.header, text.rows, name, text.header_row, notes, packed_dms, columns, decimal, settings
    )


def pairs_from_rows(
    rows: Iterable[Tuple[int, Mapping[str, object]]],
    source_name: str,
    *,
    packed_dms: bool = False,
    columns: Optional[Mapping[str, str]] = None,
    decimal: Optional[str] = None,
    settings: Optional[Settings] = None,
) -> PairTable:
    """Read pairs from the rows of any table, with the same checks as `read_pairs`.

    Parameters
    ----------
    rows : iterable of (int, mapping)
        Row number as a person counts, and column name → str, int, float or None. The first row
        names the columns.
    source_name : str
        What messages call the table.

    Raises
    ------
    InputError
        Naming table, row, point and remedy.
    """
    listed = list(rows)
    header = tuple(listed[0][1]) if listed else ()
    cells = [(number, tuple(row.get(column) for column in header)) for number, row in listed]
    if not listed:
        raise InputError("The table has no rows.", "Give at least one pair.", file=source_name)
    return _pairs(header, cells, source_name, None, (), packed_dms, columns, decimal, settings)


def write_pairs(path: Union[str, os.PathLike], pairs: Iterable[Pair]) -> None:
    """Write pairs as CSV that `read_pairs` reads back to the same values.

    Numbers are written in their shortest exact form. A text that a spreadsheet would take for a
    formula (it begins with ``=``, ``+``, ``-`` or ``@``) gets an apostrophe in front, as does one
    that begins with an apostrophe before such a sign; reading takes it off again. Blanks around
    a text are not kept. Optional columns appear when a pair uses them.

    Raises
    ------
    OutputError
        When the file cannot be written; the old one is then untouched.
    """
    rows = [_row(pair) for pair in pairs]
    columns = REQUIRED + tuple(
        name for name in OPTIONAL if any(row[name] != "" for row in rows)
    )
    stream = io.StringIO(newline="")
    writer = csv.writer(stream, lineterminator="\n")
    writer.writerow(columns)
    writer.writerows([row[name] for name in columns] for row in rows)
    text = stream.getvalue()
    # Spreadsheets take text for UTF-8 only when a byte order mark says so.
    write_whole_file(path, text.encode("utf-8" if text.isascii() else "utf-8-sig"))


def _pairs(
    header: Sequence[str],
    rows: Sequence[Tuple[int, Sequence[object]]],
    name: str,
    header_row: Optional[int],
    notes: Tuple[str, ...],
    packed_dms: bool,
    columns: Optional[Mapping[str, str]],
    decimal: Optional[str],
    settings: Optional[Settings],
) -> PairTable:
    try:
        match = match_columns(header, columns, settings)
    except InputError as error:
        raise error.at(file=name, row=header_row) from None
    if not rows:
        raise InputError(
            "The table has a header and no rows.", "Give at least one pair.", file=name
        )
    named = [
        (number, {item: cells[place] for item, place in match.places.items()})
        for number, cells in rows
    ]
    mark = decimal or _decimal_mark(named, match, name)
    if mark == ",":
        notes += ("The comma is read as the decimal mark.",)
    if packed_dms:
        notes += ("Latitudes and longitudes are read as packed degrees, minutes, seconds.",)
    pairs = []
    for number, cells in named:
        try:
            pairs.append(_pair(cells, match, packed_dms, mark, name, number))
        except SitetieError as error:
            raise error.at(file=name, row=number, point=_point(cells)) from None
    refuse_contradictions(pairs)
    refuse_exchanged(pairs)
    return PairTable(tuple(pairs), match.mapping, notes + match.notes, name)


def _pair(
    cells: Mapping[str, object],
    match: ColumnMatch,
    packed_dms: bool,
    decimal: Optional[str],
    name: str,
    row: int,
) -> Pair:
    ids = {item: cell_text(cells[item]) for item in ("control_id", "observation_id")}
    for item, other in (("control_id", "observation_id"), ("observation_id", "control_id")):
        if not ids[item]:
            raise InputError(
                f"{match.label(item)} is blank: {ids[other] or 'the row'} has no counterpart.",
                "Give both ids of the pair, or take the row out.",
            )
    control = control_from_cells(cells, match, decimal)
    observation = observation_from_cells(cells, match, packed_dms, decimal)
    horizontal, vertical = (_role(cell_text(cells[item]), match.label(item))
                            for item in ("horizontal", "vertical"))
    pair = Pair(control, observation, horizontal, vertical, name, row)
    return with_corrections(pair, cell_text(cells.get("corrections")))


def control_from_cells(
    cells: Mapping[str, object], match: ColumnMatch, decimal: Optional[str] = None
) -> Control:
    """A control point from the cells of one row.

    Parameters
    ----------
    cells : mapping
        Field → str, int, float or None; ``control_id`` and whatever else there is.
    match : ColumnMatch
        How messages call the columns.
    decimal : {".", ","}, optional
        Decimal mark in use.

    Raises
    ------
    InputError
    """
    values = {item: _number(cells, item, match, decimal) for item in _CONTROL_VALUES}
    return Control(
        cell_text(cells["control_id"]), values["easting"], values["northing"],
        values["elevation"], values["control_sigma_h"], values["control_sigma_v"],
    )


def observation_from_cells(
    cells: Mapping[str, object],
    match: ColumnMatch,
    packed_dms: bool = False,
    decimal: Optional[str] = None,
) -> Observation:
    """An observation from the cells of one row; see `control_from_cells`.

    Raises
    ------
    InputError
    """
    observation_id = cell_text(cells["observation_id"])
    if _blank(cells["latitude"]) or _blank(cells["longitude"]):
        blank = next(item for item in ANGLES if _blank(cells[item]))
        raise InputError(
            f"Observation {observation_id} has no {blank}.",
            "Give its position, or take the row out until the mark is observed.",
        )
    values: Dict[str, Any] = {
        item: parse_angle(cells[item], item, packed_dms, decimal) for item in ANGLES
    }
    values.update({item: _number(cells, item, match, decimal) for item in _OBSERVATION_NUMBERS})
    values.update({item: cell_text(cells.get(item)) for item in _OBSERVATION_TEXTS})
    values["height_kind"], values["height_geoid"] = _height_kind(
        cell_text(cells.get("height_kind")), cell_text(cells.get("height_geoid"))
    )
    values["pole_kind"] = cell_text(cells.get("pole_kind")).lower() or None
    values["crs"] = cell_text(cells.get("crs")) or None
    return Observation(observation_id, **values)


def _number(
    cells: Mapping[str, object], item: str, match: ColumnMatch, decimal: Optional[str]
) -> Optional[float]:
    if _blank(cells.get(item)):
        return None
    return parse_number(cells[item], match.label(item), decimal)


def _role(text: str, label: str) -> Role:
    if not text:
        raise InputError(f"{label} is blank.", "Write the role: fit, check or idle.")
    try:
        return Role.parse(text)
    except InputError as error:
        raise InputError(f"{label}: {error.what}", error.remedy) from None


def _height_kind(text: str, geoid: str) -> Tuple[str, Optional[str]]:
    """Kind and geoid of a cell such as ``orthometric:egm96_15.gtx`` and of the geoid's own."""
    kind, _, named = (part.strip() for part in text.partition(":"))
    if named and geoid and named != geoid:
        raise InputError(
            f"height_kind names the geoid {named}, height_geoid {geoid}.", "Name one geoid."
        )
    return kind.lower() or "ellipsoidal", named or geoid or None


def _point(cells: Mapping[str, object]) -> Optional[str]:
    """What messages call the point of a row."""
    return cell_text(cells["control_id"]) or cell_text(cells["observation_id"]) or None


def _blank(value: object) -> bool:
    return value is None or (isinstance(value, str) and not value.strip())


def cell_text(value: object) -> str:
    """A cell as text: whole numbers without decimals, a formula guard taken off."""
    if value is None:
        return ""
    if isinstance(value, float) and value.is_integer():
        return str(int(value))
    text = str(value).strip()
    if text[:1] == "'" and text[1:2] and text[1] in _FORMULA_STARTS + "'":
        return text[1:]
    return text


def guarded_text(text: str) -> str:
    return "'" + text if text[:1] and text[0] in _FORMULA_STARTS + "'" else text


def _decimal_mark(
    rows: Sequence[Tuple[int, Mapping[str, object]]], match: ColumnMatch, name: str
) -> Optional[str]:
    """The decimal mark all written numbers share; None when none shows one."""
    first: Dict[str, Tuple[int, str, Optional[str]]] = {}
    for row, cells in rows:
        for item in NUMBERS + ANGLES:
            value = cells.get(item)
            mark = decimal_mark_of(value) if isinstance(value, str) else None
            if mark and mark not in first:
                written = f"{match.label(item)} {quoted(str(value).strip())}"
                first[mark] = (row, written, _point(cells))
    if len(first) < 2:
        return next(iter(first), None)
    (earlier_row, earlier, _), (row, written, point) = first.values()
    raise InputError(
        f"{written} here and {earlier} in row {earlier_row} use different decimal marks.",
        "Use one decimal mark throughout, and no thousands separators.",
        file=name,
        row=row,
        point=point,
    )


def _row(pair: Pair) -> Dict[str, str]:
    """Every field of a pair as its cell: the values as given, and what is corrected beside them."""
    given = as_given(pair)
    control, observation = given.control, given.observation
    values: Dict[str, object] = {
        item.name: getattr(observation, item.name) for item in fields(observation)
    }
    values.update(
        control_id=control.id,
        easting=control.easting,
        northing=control.northing,
        elevation=control.elevation,
        control_sigma_h=control.sigma_h,
        control_sigma_v=control.sigma_v,
        observation_id=observation.id,
        horizontal=pair.horizontal.value,
        vertical=pair.vertical.value,
        corrections=corrections_text(pair),
    )
    if observation.height_kind == "ellipsoidal" and observation.height_geoid is None:
        values["height_kind"] = None
    return {name: _cell(values[name]) for name in REQUIRED + OPTIONAL}


def _cell(value: object) -> str:
    if value is None:
        return ""
    return repr(value) if isinstance(value, float) else guarded_text(str(value))
