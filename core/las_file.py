"""LAS and LAZ point clouds, read and written in pieces; what is not changed stays byte for byte.

Points come and go as the records they are: X, Y, Z are the first three 32-bit integers of every
format, and nothing else in a record is looked at but the return number (ASPRS, LAS Specification
1.4 - R15, 2019, section 2.5).

Compressed files (LAZ) need the package `lazrs`; nothing else does.
"""

from __future__ import annotations

import os
import struct
from typing import Any, BinaryIO, Iterator, List, Sequence, Tuple

import numpy as np

from .errors import InputError, SitetieError
from .las_header import (
    COMPRESSED,
    RECORD_SIZES,
    ExtendedRecord,
    Header,
    Record,
    packed,
    read_header,
    record,
)

LASZIP = ("laszip encoded", 22204)
#: Of points in memory at a time.
MOST_BYTES = 64 << 20
#: How the packages that LAZ needs are got.
GET_LAZRS = (
    'Install it into the Python that QGIS uses: python3 -m pip install "laspy[lazrs]" (on Windows '
    "in the OSGeo4W Shell; on Debian with --user --break-system-packages). Or turn the file into "
    "LAS, which needs nothing."
)


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
            self.header = read_header(self._file)
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
        self._block[104] = header.point_format | (COMPRESSED if header.compressed else 0)
        start = len(self._block) + sum(54 + len(item.data) for item in records) + len(header.gap)
        struct.pack_into("<II", self._block, 96, start, len(records))
        file.write(self._block)
        for item in records:
            file.write(packed(item))
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


def _lazrs() -> Any:
    try:
        import lazrs
    except ImportError:
        raise InputError(
            "Compressed point clouds (LAZ) need the Python package lazrs, which is missing.",
            GET_LAZRS,
        ) from None
    return lazrs
