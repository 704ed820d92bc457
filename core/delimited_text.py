"""Delimited text read into rows of cells: encoding, delimiter and quotes sorted out, or refused."""

from __future__ import annotations

import codecs
import csv
import io
import os
import re
from dataclasses import dataclass
from typing import Dict, List, Optional, Tuple, Union

from .errors import InputError
from .numerals import quoted

#: Delimiters looked for in the header, with their names; a blank stands for runs of blanks.
DELIMITERS: Dict[str, str] = {
    ",": "commas", ";": "semicolons", "\t": "tabs", "|": "vertical bars", " ": "blanks"
}
_BYTE_ORDER_MARKS = (
    (codecs.BOM_UTF8, "utf-8-sig"),
    (codecs.BOM_UTF32_LE, "utf-32"),  # before UTF-16, whose mark it begins with
    (codecs.BOM_UTF32_BE, "utf-32"),
    (codecs.BOM_UTF16_LE, "utf-16"),
    (codecs.BOM_UTF16_BE, "utf-16"),
)
_OTHER_FILES = (
    (b"PK\x03\x04", "a spreadsheet (.xlsx, .ods) or zip archive"),
    (b"\xd0\xcf\x11\xe0", "an old spreadsheet (.xls)"),
    (b"SQLite format 3\x00", "a GeoPackage or SQLite database"),
    (b"%PDF-", "a PDF"),
)
_WORDS = re.compile(r'"((?:[^"]|"")*)"(?=\s|\Z)|(\S+)')


@dataclass(frozen=True)
class DelimitedText:
    """A table as it stands in a file.

    Attributes
    ----------
    header : tuple of str
        Column names, blanks around them taken off.
    rows : tuple of (int, tuple of str)
        Row number as a spreadsheet counts (blank rows count, the first line is row 1), and as
        many cells as the header has.
    delimiter, encoding : str
    header_row : int
    """

    header: Tuple[str, ...]
    rows: Tuple[Tuple[int, Tuple[str, ...]], ...]
    delimiter: str
    encoding: str
    header_row: int = 1


def read_delimited_text(
    path: Union[str, os.PathLike],
    *,
    delimiter: Optional[str] = None,
    encoding: Optional[str] = None,
) -> DelimitedText:
    """Read a delimited text file.

    Parameters
    ----------
    path : path
    delimiter : str, optional
        One character; a blank means runs of blanks. By default the one most frequent in the
        header, and blanks when it has none of the others.
    encoding : str, optional
        By default what the byte order mark says, else UTF-8.

    Raises
    ------
    InputError
        When the file cannot be opened, is not text, is empty, has unbalanced quotes or rows
        whose cells do not match the header.
    """
    name = os.fspath(path)
    if delimiter is not None and (len(delimiter) != 1 or delimiter in '"\r\n'):
        raise InputError(
            f"The delimiter {quoted(delimiter)} cannot part cells: it is not one character, or is "
            "a quote or line end.",
            "Give a comma, a semicolon, a tab, a vertical bar or a blank.",
            file=name,
        )
    text, used_encoding = _decoded(_bytes_of(name), name, encoding)
    text, said = _without_separator_line(text)
    used = delimiter or said or _delimiter_of(text, name)
    records = [
        (number + (said is not None), cells)
        for number, cells in _records(text, used, name)
        if any(cell.strip() for cell in cells)
    ]
    if not records:
        raise InputError("The file is empty.", "Give a file with a header and rows.", file=name)
    header_row, first = records[0]
    header = tuple(cell.strip() for cell in first)
    while header and not header[-1]:
        header = header[:-1]
    rows = tuple(
        (number, _fitted(cells, header, used, name, number)) for number, cells in records[1:]
    )
    return DelimitedText(header, rows, used, used_encoding, header_row)


def _bytes_of(name: str) -> bytes:
    try:
        with open(name, "rb") as file:
            return file.read()
    except FileNotFoundError:
        raise InputError("The file does not exist.", "Check the path.", file=name) from None
    except IsADirectoryError:
        raise InputError("This is a folder.", "Give the file in it.", file=name) from None
    except OSError as error:
        raise InputError(
            f"The file cannot be read ({error.strerror or error}).",
            "Check its permissions and that no other program holds it.",
            file=name,
        ) from None


def _decoded(data: bytes, name: str, encoding: Optional[str]) -> Tuple[str, str]:
    for start, kind in _OTHER_FILES:
        if data.startswith(start):
            raise InputError(
                f"This is {kind}, not text.",
                "Export the table as CSV and read that, or add it to QGIS as a layer.",
                file=name,
            )
    used = encoding or next(
        (known for mark, known in _BYTE_ORDER_MARKS if data.startswith(mark)), "utf-8"
    )
    try:
        text = data.decode(used)
    except LookupError:
        raise InputError(
            f"The encoding {quoted(used)} is unknown.",
            'Give one such as "utf-8", "utf-16" or "cp1252".',
            file=name,
        ) from None
    except UnicodeDecodeError as error:
        wide = used.lower().startswith(("utf-16", "utf-32", "utf_16", "utf_32"))
        hint = ' ("cp1252" for older Windows programs in western Europe and America)'
        raise InputError(
            f"The text is not {used.upper()}: byte 0x{data[error.start]:02x} cannot be read.",
            f"Save the file as UTF-8, or name its encoding{'' if wide else hint}.",
            file=name,
            row=None if wide else len(_lines(data[: error.start].decode("latin-1"))),
        ) from None
    if "\x00" in text:
        wide = data.count(b"\x00") > len(data) // 4
        raise InputError(
            "The text has zero bytes: it is "
            + ("UTF-16 without its mark, or not text." if wide else "not text, or damaged."),
            'Save the file as UTF-8 text' + (', or name its encoding ("utf-16-le").' if wide
                                             else "."),
            file=name,
            row=None if wide else len(_lines(text[: text.index("\x00")])),
        )
    return text.lstrip("\ufeff"), used


def _lines(text: str) -> List[str]:
    return re.split("\r\n|\r|\n", text)


def _without_separator_line(text: str) -> Tuple[str, Optional[str]]:
    """Take off the line ``sep=;`` that spreadsheets read and write."""
    match = re.match(r'"?sep=(.)"?\r?\n', text, re.IGNORECASE)
    return (text[match.end():], match.group(1)) if match else (text, None)


def _delimiter_of(text: str, name: str) -> str:
    number, header = next(
        ((place, line) for place, line in enumerate(_lines(text), 1) if line.strip()), (1, "")
    )
    bare = re.sub(r'"[^"]*"', "", header)
    marks = sorted((mark for mark in ",;\t|" if mark in bare), key=bare.count, reverse=True)
    if not marks:
        return " "
    mixed = [mark for mark in marks[1:] if re.search(rf"\w{re.escape(mark)}\w", bare)]
    if mixed:
        raise InputError(
            f"The header has both {DELIMITERS[marks[0]]} and {DELIMITERS[mixed[0]]} between its "
            "names.",
            "Use one delimiter throughout.",
            file=name,
            row=number,
        )
    return marks[0]


def _records(text: str, delimiter: str, name: str) -> List[Tuple[int, List[str]]]:
    """Cells of every row, blank ones included, numbered from 1."""
    if delimiter == " ":
        return [(number, _words(line)) for number, line in enumerate(_lines(text), 1)]
    found: List[Tuple[int, List[str]]] = []
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True,
                        skipinitialspace=True)
    try:
        for cells in reader:
            found.append((len(found) + 1, cells))
    except csv.Error as error:
        raise InputError(
            f"The quotes in this row do not close properly ({error}).",
            'Put " around the whole cell and write a " inside it twice.',
            file=name,
            row=len(found) + 1,
        ) from None
    return found


def _words(line: str) -> List[str]:
    return [
        word.replace('""', '"') if plain == "" else plain for word, plain in _WORDS.findall(line)
    ]


def _fitted(
    cells: List[str], header: Tuple[str, ...], delimiter: str, name: str, row: int
) -> Tuple[str, ...]:
    """Exactly as many cells as the header has."""
    count = len(header)
    if len(cells) >= count and not any(cell.strip() for cell in cells[count:]):
        return tuple(cells[:count])
    others = [
        mark for mark in ",;\t|" if mark != delimiter and any(mark in cell for cell in cells)
    ]
    number = f"{len(cells)} cell" if len(cells) == 1 else f"{len(cells)} cells"
    what = f"The row beginning {quoted(cells[0].strip(), 30)} has {number}, the header {count}"
    if len(cells) < count and others:
        parted = DELIMITERS.get(delimiter, quoted(delimiter))
        raise InputError(
            f"{what}: it has {DELIMITERS[others[0]]} where the header has {parted}.",
            "Use one delimiter throughout.",
            file=name,
            row=row,
        )
    if len(cells) > count and delimiter == ",":
        remedy = (
            "If numbers have decimal commas, part the cells by semicolons or write decimal "
            'points; put " around text that has commas.'
        )
    elif delimiter == " ":
        remedy = (
            'Put " around cells that have blanks, write "" for blank cells, or use another '
            "delimiter."
        )
    elif len(cells) > count:
        remedy = 'Take the extra cells out, or put " around text that has the delimiter in it.'
    else:
        remedy = "Complete the row; a blank cell needs its delimiter too."
    raise InputError(f"{what}.", remedy, file=name, row=row)
