"""The header of a LAS file and its variable length records, byte for byte.

Source: ASPRS, LAS Specification 1.4 - R15, 2019, sections 2.3 (public header block), 2.4
(variable length records) and 2.6 (extended variable length records); LAS 1.2 and 1.3 have the same
header up to byte 227.
"""

from __future__ import annotations

import dataclasses
import math
import struct
from dataclasses import dataclass
from typing import Any, BinaryIO, List, Optional, Sequence, Tuple

from .errors import InputError, OutputError

#: Bytes of a point record by format, without extra bytes.
RECORD_SIZES = {0: 20, 1: 28, 2: 26, 3: 34, 4: 57, 5: 63, 6: 30, 7: 36, 8: 38, 9: 59, 10: 67}
WAVEFORM_FORMATS = (4, 5, 9, 10)
WKT_BIT, COMPRESSED = 0x10, 0x80
#: Bytes between records and points that are taken at most.
MOST_BYTES = 64 << 20
_SIZE_OF_HEADER = {2: 227, 3: 235, 4: 375}


@dataclass(frozen=True)
class Record:
    """A variable length record.

    Attributes
    ----------
    prefix : bytes
        The two reserved bytes, as they came.
    user, description : bytes
        16 and 32 bytes.
    number : int
    data : bytes
    """

    prefix: bytes
    user: bytes
    number: int
    description: bytes
    data: bytes

    @property
    def key(self) -> Tuple[str, int]:
        """User id and record number, which say what the record is."""
        return _name(self.user), self.number


@dataclass(frozen=True)
class ExtendedRecord:
    """An extended variable length record, which may be large and stays in its file.

    Attributes
    ----------
    head : bytes
        The 60 bytes before its data.
    start, size : int
        Of the data in the file.
    """

    head: bytes
    start: int
    size: int

    @property
    def key(self) -> Tuple[str, int]:
        return _name(self.head[2:18]), int.from_bytes(self.head[18:20], "little")


def _name(user: bytes) -> str:
    return user.split(b"\0")[0].decode("latin-1")


def record(user: str, number: int, description: str, data: bytes) -> Record:
    """A new record."""
    return Record(b"\0\0", user.encode().ljust(16, b"\0"), number,
                  description.encode().ljust(32, b"\0"), data)


@dataclass(frozen=True)
class Header:
    """What stands before the points.

    Attributes
    ----------
    block : bytes
        The public header block as it came, with bytes of other programs at its end.
    records : tuple of Record
    gap : bytes
        Between the records and the points.
    compressed : bool
    """

    block: bytes
    records: Tuple[Record, ...]
    gap: bytes
    compressed: bool

    def _numbers(self, layout: str, at: int) -> Tuple[Any, ...]:
        return struct.unpack_from("<" + layout, self.block, at)

    @property
    def minor_version(self) -> int:
        return self.block[25]

    @property
    def encoding(self) -> int:
        return self._numbers("H", 6)[0]

    @property
    def point_format(self) -> int:
        return self.block[104] & 0x3F

    @property
    def record_size(self) -> int:
        return self._numbers("H", 105)[0]

    @property
    def count(self) -> int:
        long = self._numbers("Q", 247)[0] if self.minor_version >= 4 else 0
        return long or self._numbers("I", 107)[0]

    @property
    def points_per_return(self) -> Tuple[int, ...]:
        if self.minor_version >= 4:
            return self._numbers("15Q", 255)
        return self._numbers("5I", 111)

    @property
    def scales(self) -> Tuple[float, ...]:
        return self._numbers("3d", 131)

    @property
    def offsets(self) -> Tuple[float, ...]:
        return self._numbers("3d", 155)

    @property
    def extent(self) -> Tuple[Tuple[float, float], ...]:
        """Lowest and highest x, y and z."""
        high_x, low_x, high_y, low_y, high_z, low_z = self._numbers("6d", 179)
        return (low_x, high_x), (low_y, high_y), (low_z, high_z)

    def find(self, user: str, number: int) -> Optional[Record]:
        """The first record of that kind."""
        return next((item for item in self.records if item.key == (user, number)), None)


def with_points(header: Header, scales: Sequence[float], offsets: Sequence[float]) -> Header:
    """The header for points of other scales and offsets, in LAS 1.4."""
    old = _SIZE_OF_HEADER[header.minor_version]
    block = bytearray(header.block[:old].ljust(_SIZE_OF_HEADER[4], b"\0") + header.block[old:])
    block[25] = 4
    struct.pack_into("<3d3d", block, 131, *scales, *offsets)
    struct.pack_into("<H", block, 94, len(block))
    return dataclasses.replace(header, block=bytes(block))


def changed_block(header: Header, encoding: int, software: str, day: int, year: int) -> Header:
    """The header with another global encoding, and who wrote it when."""
    block = bytearray(header.block)
    struct.pack_into("<H", block, 6, encoding)
    struct.pack_into("<32sHH", block, 58, software.encode("ascii", "replace")[:32], day, year)
    return dataclasses.replace(header, block=bytes(block))


def read_header(file: BinaryIO) -> Header:
    """Read all that stands before the points.

    Raises
    ------
    InputError
    """
    block = file.read(227)
    if len(block) < 227 or block[:4] != b"LASF":
        raise InputError("This is no LAS or LAZ file.", "Choose one.")
    version = (block[24], block[25])
    if version[0] != 1 or version[1] not in _SIZE_OF_HEADER:
        raise InputError(f"It is LAS {version[0]}.{version[1]}.", "LAS 1.2 to 1.4 can be read.")
    size, start, records = struct.unpack_from("<HII", block, 94)
    block += file.read(max(size - 227, 0))
    found: List[Record] = []
    if size < _SIZE_OF_HEADER[version[1]] or len(block) < size:
        raise InputError(f"Its header of {size} bytes is too short.", "Repair the file.")
    for _ in range(records):
        found.append(_read_record(file))
    gap = start - file.tell()
    if not 0 <= gap <= MOST_BYTES:
        raise InputError(f"Its points are said to start at byte {start}, {abs(gap)} bytes "
                         f"{'before' if gap < 0 else 'after'} the end of its header.",
                         "Repair the file.")
    header = Header(block, tuple(found), file.read(gap), bool(block[104] & COMPRESSED))
    least = RECORD_SIZES.get(header.point_format)
    if least is None:
        raise InputError(f"It has points of format {header.point_format}.",
                         "Formats 0 to 10 can be read.")
    if header.record_size < least:
        raise InputError(
            f"Its points of format {header.point_format} are said to have {header.record_size} "
            f"bytes; they need {least}.", "Repair the file.",
        )
    if not all(math.isfinite(value) and value != 0.0 for value in header.scales):
        raise InputError(f"Its scales are {header.scales}.", "Repair the file.")
    return header


def _read_record(file: BinaryIO) -> Record:
    head = file.read(54)
    size = int.from_bytes(head[20:22], "little")
    data = file.read(size)
    if len(head) < 54 or len(data) < size:
        raise InputError("It ends within its records.", "Get the file again from where it came.")
    return Record(head[:2], head[2:18], int.from_bytes(head[18:20], "little"), head[22:], data)


def packed(item: Record) -> bytes:
    """A record as it stands in a file."""
    if len(item.data) > 0xFFFF:
        raise OutputError(
            f"The record {item.key[0]} {item.key[1]} is too long ({len(item.data)} bytes).",
            "Give the CRS a shorter name.",
        )
    return struct.pack("<2s16sHH32s", item.prefix, item.user, item.number, len(item.data),
                       item.description) + item.data
