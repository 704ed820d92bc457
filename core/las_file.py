"""LAS and LAZ point clouds, read and written in pieces; what is not changed stays byte for byte.

Source: ASPRS, LAS Specification 1.4 - R15, 2019, sections 2.3 (public header block), 2.4
(variable length records), 2.5 (point data records), 2.6 (extended variable length records) and 3
(coordinate reference system); LAS 1.2 and 1.3 have the same header up to byte 227. Points come
and go as the records they are: X, Y, Z are the first three 32-bit integers of every format, and
nothing else in a record is looked at but the return number.

Compressed files (LAZ) need the package `lazrs`; nothing else does.
"""

from __future__ import annotations

import dataclasses
import os
import struct
from dataclasses import dataclass
from typing import Any, BinaryIO, Iterator, List, Optional, Sequence, Tuple

import numpy as np

from .errors import InputError, OutputError, SitetieError

#: Bytes of a point record by format, without extra bytes.
RECORD_SIZES = {0: 20, 1: 28, 2: 26, 3: 34, 4: 57, 5: 63, 6: 30, 7: 36, 8: 38, 9: 59, 10: 67}
WAVEFORM_FORMATS = (4, 5, 9, 10)
WKT_BIT = 0x10
LASZIP = ("laszip encoded", 22204)
_SIZE_OF_HEADER = {2: 227, 3: 235, 4: 375}
_COMPRESSED = 0x80
#: Of points in memory at a time, and of bytes between records and points.
MOST_BYTES = 64 << 20
#: How the packages that LAZ needs are got.
GET_LAZRS = (
    'Install it into the Python that QGIS uses: python3 -m pip install "laspy[lazrs]" (on Windows '
    "in the OSGeo4W Shell; on Debian with --user --break-system-packages). Or turn the file into "
    "LAS, which needs nothing."
)


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


class PointReader:
    """A LAS or LAZ file, read in pieces; use as a context manager.

    Attributes
    ----------
    header : Header

    Raises
    ------
    InputError
        When it is no LAS file of version 1.2 to 1.4, is cut off, or is compressed and `lazrs` is
        missing.
    """

    def __init__(self, path: str) -> None:
        self._path = path
        try:
            self._file: BinaryIO = open(path, "rb")
        except OSError as error:
            raise InputError(
                f"The file cannot be read ({error.strerror or error}).",
                "Choose a LAS or LAZ file.", file=path,
            ) from None
        try:
            self.header = _read_header(self._file)
            self._start = self._file.tell()
            self.extended = self._read_extended()
            if self.header.compressed:
                _lazrs()
        except SitetieError as error:
            self._file.close()
            raise error.at(file=path) from None

    def __enter__(self) -> "PointReader":
        return self

    def __exit__(self, *details: object) -> None:
        self._file.close()

    def pieces(self, count: int) -> Iterator[np.ndarray]:
        """All points, as (n, record_size) arrays of bytes that may be written to, each only until
        the next one is asked for.

        Parameters
        ----------
        count : int
            Points in a piece, fewer where they are long.
        """
        size, left = self.header.record_size, self.header.count
        decompressor = self._decompressor()
        count = max(1, min(count, left, MOST_BYTES // size))
        memory = np.empty((count, size), dtype=np.uint8)
        while left:
            piece = memory[:left]
            self._fill(piece, decompressor)
            left -= len(piece)
            yield piece

    def _fill(self, piece: np.ndarray, decompressor: Any) -> None:
        if decompressor is None:
            if self._file.readinto(piece.data) != piece.size:  # type: ignore
                raise self._cut_off()
            return
        import lazrs

        try:
            decompressor.decompress_many(piece.reshape(-1))
        except (lazrs.LazrsError, OSError, ValueError):
            raise self._cut_off() from None

    def _cut_off(self) -> InputError:
        return InputError(
            f"It holds fewer points than the {self.header.count} its header states, or is damaged.",
            "Get the file again from where it came.", file=self._path,
        )

    def data(self, item: ExtendedRecord, most: int = 1 << 20) -> bytes:
        """The first bytes of an extended record."""
        self._file.seek(item.start)
        return self._file.read(min(item.size, most))

    def _read_extended(self) -> Tuple[ExtendedRecord, ...]:
        found: List[ExtendedRecord] = []
        if self.header.minor_version < 4:
            return ()
        at, count = struct.unpack_from("<QI", self.header.block, 235)
        end = os.fstat(self._file.fileno()).st_size
        for _ in range(count):
            self._file.seek(min(at, end))
            head = self._file.read(60)
            size = int.from_bytes(head[20:28], "little")
            if len(head) < 60 or at + 60 + size > end:
                raise InputError("It ends within its extended records.",
                                 "Get the file again from where it came.")
            found.append(ExtendedRecord(head, at + 60, size))
            at += 60 + size
        return tuple(found)

    def copy(self, item: ExtendedRecord, target: BinaryIO) -> None:
        """Write an extended record as it is."""
        target.write(item.head)
        self._file.seek(item.start)
        left = item.size
        while left:
            left -= target.write(self._file.read(min(left, 1 << 22)))

    def _decompressor(self) -> Any:
        """What decompresses the points; None where they are not compressed."""
        self._file.seek(self._start)
        if not self.header.compressed:
            return None
        found = self.header.find(*LASZIP)
        if found is None:
            raise InputError("It says that it is compressed, but not how.",
                             "Get the file again from where it came.", file=self._path)
        lazrs = _lazrs()
        for kind in (lazrs.ParLasZipDecompressor, lazrs.LasZipDecompressor):
            try:
                self._file.seek(self._start)
                return kind(self._file, found.data)
            except lazrs.LazrsError as error:
                why = error
        raise InputError(f"Its points cannot be decompressed ({why}).",
                         "Get the file again from where it came.", file=self._path)


class PointWriter:
    """A LAS or LAZ file being written; `finish` completes it.

    Parameters
    ----------
    file : binary file, empty, that can be written to and searched
    header : Header
        As `with_points` makes it; the number of points and their extent are put in at the end.
    """

    def __init__(self, file: BinaryIO, header: Header) -> None:
        self._file, self._header = file, header
        self._compressor: Any = None
        self._count = 0
        self._returns = np.zeros(16, dtype=np.int64)
        self._low = np.full(3, np.iinfo(np.int32).max, dtype=np.int64)
        self._high = np.full(3, np.iinfo(np.int32).min, dtype=np.int64)
        records: List[Record] = [item for item in header.records if item.key != LASZIP]
        if header.compressed:
            lazrs = _lazrs()
            extra = header.record_size - RECORD_SIZES[header.point_format]
            laszip = lazrs.LazVlr.new_for_compression(header.point_format, extra, False)
            records.append(record(*LASZIP, "", bytes(laszip.record_data())))
        self._block = bytearray(header.block)
        self._block[104] = header.point_format | (_COMPRESSED if header.compressed else 0)
        start = len(self._block) + sum(54 + len(item.data) for item in records) + len(header.gap)
        struct.pack_into("<II", self._block, 96, start, len(records))
        file.write(self._block)
        for item in records:
            file.write(_packed(item))
        file.write(header.gap)
        if header.compressed:
            self._compressor = lazrs.ParLasZipCompressor(file, laszip)

    def write(self, piece: np.ndarray) -> None:
        """Write points given as (n, record_size) bytes."""
        coordinates = xyz(piece)
        for axis in range(3):
            values = coordinates[:, axis].copy()  # strided numbers are slow to go through
            self._low[axis] = min(self._low[axis], int(values.min()))
            self._high[axis] = max(self._high[axis], int(values.max()))
        returns = piece[:, 14] & (7 if self._header.point_format < 6 else 15)
        self._returns += np.bincount(returns, minlength=16)
        self._count += len(piece)
        if self._compressor is None:
            self._file.write(np.ascontiguousarray(piece).data)
        else:
            self._compressor.compress_many(np.ascontiguousarray(piece).reshape(-1))

    def finish(self, reader: PointReader, extended: Sequence[ExtendedRecord]) -> None:
        """Write the extended records of a reader, and the header with what is now known."""
        if self._compressor is not None:
            self._compressor.done()
        start = self._file.seek(0, os.SEEK_END)
        for item in extended:
            reader.copy(item, self._file)
        struct.pack_into("<QI", self._block, 235, start if extended else 0, len(extended))
        short = self._header.point_format < 6 and self._count < 2**32
        returns = self._returns[1:].tolist()
        struct.pack_into("<6I", self._block, 107,
                         *([self._count, *returns[:5]] if short else [0] * 6))
        struct.pack_into("<16Q", self._block, 247, self._count, *returns)
        limits = np.zeros((3, 2))
        if self._count:
            ends = np.stack([self._high, self._low], axis=1).astype(float)
            scale, offset = (np.array(v)[:, None] for v in (self._header.scales,
                                                            self._header.offsets))
            limits = ends * scale + offset
        struct.pack_into("<6d", self._block, 179, *limits.ravel())
        self._file.seek(0)
        self._file.write(self._block)


def xyz(piece: np.ndarray) -> np.ndarray:
    """(n, 3) X, Y, Z of point records, as a view of their bytes."""
    return piece[:, :12].view("<i4")


def changed_block(header: Header, encoding: int, software: str, day: int, year: int) -> Header:
    """The header with another global encoding, and who wrote it when."""
    block = bytearray(header.block)
    struct.pack_into("<H", block, 6, encoding)
    struct.pack_into("<32sHH", block, 58, software.encode("ascii", "replace")[:32], day, year)
    return dataclasses.replace(header, block=bytes(block))


def _lazrs() -> Any:
    try:
        import lazrs
    except ImportError:
        raise InputError(
            "Compressed point clouds (LAZ) need the Python package lazrs, which is missing.",
            GET_LAZRS,
        ) from None
    return lazrs


def _read_header(file: BinaryIO) -> Header:
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
    header = Header(block, tuple(found), file.read(gap), bool(block[104] & _COMPRESSED))
    least = RECORD_SIZES.get(header.point_format)
    if least is None:
        raise InputError(f"It has points of format {header.point_format}.",
                         "Formats 0 to 10 can be read.")
    if header.record_size < least:
        raise InputError(
            f"Its points of format {header.point_format} are said to have {header.record_size} "
            f"bytes; they need {least}.", "Repair the file.",
        )
    if not all(np.isfinite(value) and value != 0.0 for value in header.scales):
        raise InputError(f"Its scales are {header.scales}.", "Repair the file.")
    return header


def _read_record(file: BinaryIO) -> Record:
    head = file.read(54)
    size = int.from_bytes(head[20:22], "little")
    data = file.read(size)
    if len(head) < 54 or len(data) < size:
        raise InputError("It ends within its records.", "Get the file again from where it came.")
    return Record(head[:2], head[2:18], int.from_bytes(head[18:20], "little"), head[22:], data)


def _packed(item: Record) -> bytes:
    if len(item.data) > 0xFFFF:
        raise OutputError(
            f"The record {item.key[0]} {item.key[1]} is too long ({len(item.data)} bytes).",
            "Give the CRS a shorter name.",
        )
    return struct.pack("<2s16sHH32s", item.prefix, item.user, item.number, len(item.data),
                       item.description) + item.data
