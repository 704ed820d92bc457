"""Coordinates in well-known binary, and points put on straight segments."""

from __future__ import annotations

import struct

import numpy as np
import pytest

from sitetie.core.densify import bend, densified
from sitetie.core.errors import InputError
from sitetie.core.wkb import find_runs, replaced


def head(kind, order="<"):
    return struct.pack(f"{order}BI", 1 if order == "<" else 0, kind)


def numbers(*values, order="<"):
    return struct.pack(f"{order}{len(values)}d", *values)


def counted(count, data=b"", order="<"):
    return struct.pack(f"{order}I", count) + data


#: Geometry as OGC 06-103r4 lays it out; widths, points and straightness of its runs.
SHAPES = {
    "point": (head(1) + numbers(1, 2), [(2, 1, False)]),
    "point z, other byte order": (head(1001, ">") + numbers(1, 2, 3, order=">"), [(3, 1, False)]),
    "old flag of z": (head(0x80000001) + numbers(1, 2, 3), [(3, 1, False)]),
    "line zm": (head(3002) + counted(2, numbers(*range(8))), [(4, 2, True)]),
    "polygon": (head(3) + counted(2) + counted(3, numbers(*range(6))) + counted(
        4, numbers(*range(8))), [(2, 3, True), (2, 4, True)]),
    "several points m": (head(2004) + counted(2) + (head(2001) + numbers(1, 2, 3)) * 2,
                         [(3, 1, False)] * 2),
    "compound curve": (head(9) + counted(2) + head(8) + counted(3, numbers(*range(6))) + head(2)
                       + counted(2, numbers(*range(4))), [(2, 3, False), (2, 2, True)]),
    "curve polygon in a collection": (
        head(7) + counted(1) + head(10) + counted(1) + head(8) + counted(
            3, numbers(*range(6))), [(2, 3, False)]),
    "triangle": (head(17) + counted(1) + counted(4, numbers(*range(8))), [(2, 4, False)]),
    "empty line": (head(2) + counted(0), [(2, 0, True)]),
    "nothing in it": (head(7) + counted(0), []),
}


@pytest.mark.parametrize("shape", SHAPES)
def test_runs_are_found_and_put_back(shape):
    wkb, wanted = SHAPES[shape]
    runs = find_runs(wkb)
    assert [(run.width, run.points, run.straight) for run in runs] == wanted
    points = [run.read(wkb) for run in runs]
    assert replaced(wkb, runs, points) == wkb
    moved = replaced(wkb, runs, [p + 0.5 for p in points])
    assert len(moved) == len(wkb)
    assert all(np.array_equal(run.read(moved), p + 0.5)
               for run, p in zip(find_runs(moved), points))


def test_a_line_may_become_longer():
    wkb, _ = SHAPES["compound curve"]
    runs = find_runs(wkb)
    points = [run.read(wkb) for run in runs]
    longer = replaced(wkb, runs, [points[0], np.repeat(points[1], 3, axis=0)])
    assert [run.points for run in find_runs(longer)] == [3, 6]


@pytest.mark.parametrize("wkb", [
    b"", b"\x01", head(2) + counted(3, numbers(1, 2)), head(1) + numbers(1, 2) + b"x"])
def test_damaged_ones_are_refused(wkb):
    with pytest.raises(InputError, match="damaged"):
        find_runs(wkb)


def test_an_unknown_kind_is_refused():
    with pytest.raises(InputError, match="kind 99 are not known"):
        find_runs(head(99) + counted(0))


def on_parabola(one, other):
    """Straight segments whose image is bent: y grows by x squared."""
    def at(share):
        x, y = (one + share * (other - one)).T
        return np.stack([x, y + x**2], axis=1)
    return bend(at(0.0), at(1.0), at)


def test_a_segment_strays_by_what_geometry_says():
    one, other = np.array([[-1.0, 0.0]]), np.array([[1.0, 0.0]])
    assert on_parabola(one, other) == pytest.approx(1.0)
    assert on_parabola(one, one).tolist() == [0.0]


@pytest.mark.parametrize("limit", [10.0, 0.5, 1e-3, 1e-6])
def test_points_are_put_evenly_until_nothing_strays(limit):
    line = np.array([[-3.0, 0.0, 7.0], [4.0, 1.0, 14.0], [4.0, 1.0, 14.0], [4.1, 1.0, np.nan]])
    arc = np.array([[0.0, 0.0, 0.0], [50.0, 0.0, 0.0]])
    made, same = densified([line, arc], [True, False], on_parabola, limit)
    assert same is arc
    assert on_parabola(made[:-1, :2], made[1:, :2]).max() <= limit
    assert [tuple(p) for p in line[:3, :2]] == [
        tuple(p) for p in made[:, :2] if tuple(p) in {tuple(q) for q in line[:3, :2].tolist()}]
    first = made[: np.flatnonzero((made[:, 0] == 4.0))[0] + 1]
    assert np.allclose(np.diff(first[:, 0]), 7.0 / (len(first) - 1))
    assert np.allclose(first[:, 2] - first[0, 2], first[:, 0] + 3.0)
    needed = 7.0 / np.sqrt(4.0 * limit)  # a chord of length c strays by c squared over four
    assert len(first) - 1 <= 1.5 * needed + 2


def test_too_many_points_are_refused():
    line = np.array([[-1e6, 0.0], [1e6, 0.0]])
    with pytest.raises(InputError, match="more than 100,000 parts"):
        densified([line], [True], on_parabola, 1e-9)
