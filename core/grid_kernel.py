"""A polynomial in place of the way to the site grid, evaluated in bulk; `fast_grid` makes it."""

from __future__ import annotations

import os
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import List, NamedTuple, Optional, Tuple, Union

import numpy as np

from .errors import InputError
from .lattice import Lattice
from .reframe import Reframing
from .tie import Tie

#: Points computed at a time: many enough to outweigh numpy's cost per call, few enough for the
#: buffers (0.75 megabytes) to stay in the processor's cache.
CHUNK = 16_384
#: Points a thread takes at a time, and that the exact path does.
SPAN, EXACT_SPAN = 16 * CHUNK, 2 * CHUNK
THREADS = 2


@dataclass(frozen=True)
class Certificate:
    """What the polynomial is worth.

    Attributes
    ----------
    degree : int
        0 where there is none.
    deviation : float
        Largest distance from the exact path on the checked points, metres on the ground.
    height_deviation : float
        The same for elevations or heights; NaN where none are computed.
    points : int
        How many were checked.
    refusal : str
        Why the exact path answers everywhere; empty where the polynomial holds.
    height_refusal : str
        The same for elevations or heights alone.
    """

    degree: int
    deviation: float
    height_deviation: float
    points: int
    refusal: str = ""
    height_refusal: str = ""


class ToSite(NamedTuple):
    """The exact path to the site: from latitude and longitude, or from the CRS of a layer."""

    tie: Tie
    way: Optional[Reframing] = None

    @property
    def periodic(self) -> Optional[int]:
        """Which of the two coordinates repeats after 360 degrees."""
        if self.way is None:
            return 1
        return 0 if self.way.kind == "geographic" else None

    @property
    def position_rows(self) -> Optional[slice]:
        """Rows of the polynomial that hold latitude and longitude; None where they go in."""
        return None if self.way is None else slice(2, 4)

    @property
    def feels_height(self) -> bool:
        return self.tie.base.depends_on_height or bool(self.way and self.way.needs_heights)

    @property
    def per_height(self) -> float:
        """Third result per third coordinate."""
        return 1.0 / self.tie.settings.elevation_length.metres

    def __call__(self, first, second, third=None):
        if self.way is None:
            return self.tie.to_site(first, second, third)
        height = np.full(len(first), np.nan) if third is None else third
        latitude, longitude, height = self.way(first, second, height)
        return self.tie.to_site(latitude, longitude, None if third is None else height)

    def position(self, first, second) -> np.ndarray:
        """(2, n) latitude and longitude in the frame of the tie."""
        if self.way is None:
            return np.stack([first, second])
        return np.stack(self.way(first, second, np.zeros(len(first)))[:2])

    def undulation(self, latitude, longitude) -> np.ndarray:
        """The geoid's part in the third result."""
        assert self.tie.geoid is not None
        return -self.tie.geoid.undulation(latitude, longitude) * self.per_height

    def metres(self, one: np.ndarray, other: np.ndarray) -> np.ndarray:
        """(n,) distances on the ground between (2, n) results."""
        return np.hypot(*(one - other)) * self.tie.settings.site_length.metres


class ToGeodetic(NamedTuple):
    """The exact path from the site to latitude, longitude, height."""

    tie: Tie
    periodic: Optional[int] = None

    @property
    def position_rows(self) -> Optional[slice]:
        return slice(0, 2)

    @property
    def feels_height(self) -> bool:
        return self.tie.base.depends_on_height

    @property
    def per_height(self) -> float:
        return self.tie.settings.elevation_length.metres

    def __call__(self, first, second, third=None):
        return self.tie.to_geodetic(first, second, third)

    def position(self, first, second) -> np.ndarray:
        return np.stack(self.tie.to_geodetic(first, second)[:2])

    def undulation(self, latitude, longitude) -> np.ndarray:
        assert self.tie.geoid is not None
        return self.tie.geoid.undulation(latitude, longitude)

    def metres(self, one: np.ndarray, other: np.ndarray) -> np.ndarray:
        return ground_metres(self.tie, one, other)


def ground_metres(tie: Tie, one: np.ndarray, other: np.ndarray) -> np.ndarray:
    """(n,) distances in metres between (2, n) latitudes and longitudes close to one another."""
    meridian, prime_vertical = tie.base.radii(other[0])
    turn = one[1] - other[1]
    turn -= 360.0 * np.rint(turn / 360.0)
    return np.hypot(np.radians(one[0] - other[0]) * meridian,
                    np.radians(turn) * prime_vertical * np.cos(np.radians(other[0])))


@dataclass(frozen=True, eq=False)
class GridKernel:
    """The grid in bulk; made by `fast_grid`.

    Can be pickled and called from several threads.

    Attributes
    ----------
    exact : ToSite or ToGeodetic
    certificate : Certificate
    middle, half : (float, float)
        Of the extent, in the two coordinates that go in.
    coefficients : (degree + 1, degree + 1, rows, 1) array
        Of the powers of the two offsets from `middle`; rows are easting and northing, and after
        them latitude and longitude where the geoid needs them; or latitude and longitude.
    rise : (degree + 1, degree + 1, 1, 1) array
        The same for what is added to the height or elevation.
    lattice : Lattice or None
        The geoid's part, in offsets of latitude and longitude from their own middle.
    """

    exact: Union[ToSite, ToGeodetic]
    certificate: Certificate
    middle: Tuple[float, float]
    half: Tuple[float, float]
    coefficients: np.ndarray
    rise: np.ndarray
    lattice: Optional[Lattice] = None

    def __call__(self, first, second, third=None):
        """Site coordinates of positions, or positions of site coordinates.

        Parameters
        ----------
        first, second : (n,) arrays
            Latitude and longitude; x and y in the order of maps; or easting and northing.
        third : (n,) array, optional
            Height or elevation; NaN where unknown.

        Returns
        -------
        three (n,) arrays
            As `Tie.to_site` or `Tie.to_geodetic` give them; the third cannot be written to where
            it holds nothing but NaN.

        Raises
        ------
        InputError, FrameError
            As those do.
        """
        given = [np.asarray(values) for values in (first, second)]
        with_heights = third is not None and self.exact.tie.vertical is not None
        if third is not None:
            given.append(np.asarray(third))
        shapes = {values.shape for values in given}
        if len(shapes) > 1 or given[0].ndim != 1:
            raise InputError(
                f"The shapes do not go together: {', '.join(str(v.shape) for v in given)}.",
                "Give one-dimensional arrays, as many of one as of the other.",
            )
        count = len(given[0])
        out = np.empty((3 if with_heights else 2, count))
        if self.certificate.refusal:
            self._exactly(given, out)
        else:
            for start in self._in_bulk(given, out):
                self._with_outsiders(given, out, slice(start, start + CHUNK))
            if with_heights and self.certificate.height_refusal:
                self._exactly(given, out, from_row=2)
        return out[0], out[1], out[2] if with_heights else np.broadcast_to(np.nan, count)

    def _exactly(self, given, out, from_row: int = 0) -> None:
        """Fill the rows by the exact path."""
        for start in range(0, out.shape[1], EXACT_SPAN):
            piece = slice(start, start + EXACT_SPAN)
            found = self.exact(*(values[piece] for values in given))
            for row in range(from_row, len(out)):
                out[row, piece] = found[row]

    def _in_bulk(self, given, out) -> List[int]:
        """Where the chunks start that hold a point outside; all others are done."""
        count = out.shape[1]
        starts = range(0, count, SPAN)

        def work(start: int) -> List[int]:
            return self._span(given, out, start, min(start + SPAN, count))

        threads = min(THREADS, os.cpu_count() or 1, len(starts))
        if threads < 2:
            return [left for start in starts for left in work(start)]
        with ThreadPoolExecutor(threads) as pool:
            return [left for found in pool.map(work, starts) for left in found]

    def _span(self, given, out, start: int, stop: int) -> List[int]:
        buffers = self._buffers(min(CHUNK, stop - start), len(out))
        left = []
        for begin in range(start, stop, CHUNK):
            piece = slice(begin, min(begin + CHUNK, stop))
            buffers = buffers.cut(piece.stop - begin)
            if not self._chunk([values[piece] for values in given], out[:, piece], buffers):
                left.append(begin)
        return left

    def _chunk(self, given, out, buffers: "Buffers") -> bool:
        """Compute a chunk unless a point lies outside or is no number."""
        for offset, values, middle, half in zip(buffers, given, self.middle, self.half):
            np.subtract(values, middle, out=offset, dtype=float)
            if not (offset.min() >= -half and offset.max() <= half):
                return False
        if len(out) > 2 and np.isinf(given[2]).any():
            return False
        self._fill(given, out, buffers)
        return True

    def _fill(self, given, out, buffers: "Buffers") -> None:
        """Results of a chunk whose offsets from the middle are in the buffers."""
        u, v, total, inner = buffers
        c = self.coefficients
        horner(c[:, :, : len(total)], u, v, total, inner)
        np.add(total[:2], c[0, 0, :2], out=out[:2])
        if len(out) > 2:
            horner(self.rise, u, v, out[2:], inner[:1])
            np.add(out[2:], self.rise[0, 0], out=out[2:])
            np.multiply(given[2], self.exact.per_height, out=inner[0], dtype=float)
            np.add(out[2], inner[0], out=out[2])
            if self.lattice is not None:
                at = self.exact.position_rows
                np.add(out[2], self.lattice(*((u, v) if at is None else total[at])), out=out[2])
        if isinstance(self.exact, ToGeodetic):
            _within_half_turn(out[1], c[0, 0, 1, 0])

    def _buffers(self, count: int, rows: int) -> "Buffers":
        """For as many points; with latitude and longitude where the geoid counts."""
        geoid = rows > 2 and self.lattice is not None
        return Buffers.of(count, self.coefficients.shape[2] if geoid else 2)

    def _with_outsiders(self, given, out, piece: slice) -> None:
        """A chunk of which not all points can be done in bulk."""
        chunk = [np.array(values[piece], dtype=float) for values in given]
        turned = list(chunk)
        axis = self.exact.periodic
        if axis is not None:
            offset = chunk[axis] - self.middle[axis]
            turned[axis] = chunk[axis] - 360.0 * np.rint(offset / 360.0)
        inside = np.ones(len(chunk[0]), dtype=bool)
        for values, middle, half in zip(turned, self.middle, self.half):
            inside &= np.abs(values - middle) <= half
        if len(out) > 2:
            inside &= ~np.isinf(chunk[2])
        count = np.count_nonzero(inside)
        part = np.empty((len(out), count))
        buffers = self._buffers(count, len(out))
        if count and self._chunk([values[inside] for values in turned], part, buffers):
            out[:, piece][:, inside] = part
        else:
            inside[:] = False
        rest = ~inside
        if rest.any():
            out[:, piece][:, rest] = self.exact(*(v[rest] for v in chunk))[: len(out)]


class Buffers(NamedTuple):
    u: np.ndarray
    v: np.ndarray
    total: np.ndarray
    inner: np.ndarray

    @classmethod
    def of(cls, count: int, rows: int) -> "Buffers":
        return cls(np.empty(count), np.empty(count), np.empty((rows, count)),
                   np.empty((rows, count)))

    def cut(self, count: int) -> "Buffers":
        return self if count == len(self.u) else Buffers(*(b[..., :count] for b in self))


def polynomial(c: np.ndarray, u: np.ndarray, v: np.ndarray) -> np.ndarray:
    """(rows, n) values of a polynomial."""
    total, inner = np.empty((2, c.shape[2], len(u)))
    horner(c, u, v, total, inner)
    return total + c[0, 0]


def horner(c: np.ndarray, u, v, total, inner) -> None:
    """Sum of c[i, j] u**i v**j over i + j <= degree, but for the constant c[0, 0]."""
    degree = len(c) - 1
    if degree == 0:
        total.fill(0.0)
        return
    np.multiply(u, c[degree, 0], out=total)
    for i in range(degree - 1, -1, -1):
        np.multiply(v, c[i, degree - i], out=inner)
        for j in range(degree - i - 1, 0, -1):
            np.add(inner, c[i, j], out=inner)
            np.multiply(inner, v, out=inner)
        np.add(total, inner, out=total)
        if i:
            np.add(total, c[i, 0], out=total)
            np.multiply(total, u, out=total)


def _within_half_turn(longitude: np.ndarray, middle: float) -> None:
    if abs(middle) > 90.0:
        longitude[longitude > 180.0] -= 360.0
        longitude[longitude < -180.0] += 360.0
