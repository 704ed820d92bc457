"""The site grid as a CRS: WKT 2 for every program on PROJ (in three dimensions: `site_pipeline`).

The CRS is a derived projected CRS (ISO 19111, WKT 2:2019 ``DERIVEDPROJCRS``) with the affine
parametric transformation, EPSG method 9624. PROJ takes the affine numbers as they stand and
ignores unit and axis order of the base, so the base is written in metres, easting first, and the
numbers carry the site unit. WKT is printed by PROJ with 15 digits: written about the origin of
the base, that leaves less than 1e-7 m anywhere on a national grid.

Programs on PROJ call two CRSs equal whose numbers agree to 1e-10 of their size, 0.5 mm in a
northing of 5000 km, and QGIS then takes the one for the other. So the false origin of the base is
moved by whole metres made from the hash of the tie, and the affine numbers undo it: the same grid,
and never equal to that of another tie. It stays where it is where PROJ does not follow: under axes
other than easting and northing, in a Krovak, which its releases move in opposite directions, and in
the New Zealand Map Grid.
"""

from __future__ import annotations

import re
from functools import lru_cache
from typing import TYPE_CHECKING, NamedTuple, Tuple

import numpy as np
import pyproj

from .errors import FrameError
from .frames import projected_crs, transformer
from .projection import axis_directions, projection_alone
from .units import METRE, LengthUnit

if TYPE_CHECKING:
    from .tie import Tie

#: How well the base plane PROJ uses must agree with ours, metres.
PLANE_AGREEMENT = 1e-6
#: The false origin of the base is moved by less than this, metres.
LARGEST_MOVE = 10_000
#: EPSG parameter codes of false eastings and northings, at whatever point they count.
_FALSE_EASTING, _FALSE_NORTHING = (8806, 8816, 8826), (8807, 8817, 8827)

Move = Tuple[int, int]


class _Plane(NamedTuple):
    """From PROJ's plane under a derived CRS to our base plane: ``ours = turn theirs + shift``.

    Attributes
    ----------
    turn : (2, 2) array
    shift : (2,) array, metres
    movable : bool
        Whether a move of the false origin adds just that to PROJ's coordinates.
    """

    turn: np.ndarray
    shift: np.ndarray
    movable: bool


def site_crs_wkt(tie: "Tie", name: str = "", told_apart: bool = True) -> str:
    """WKT 2:2019 of the site grid, two-dimensional, in the site unit.

    Parameters
    ----------
    told_apart : bool
        Whether QGIS and PROJ must tell it from the CRS of every other tie. A passing one that
        nobody keeps need not be, and ties that differ by less than PROJ sees then share it.

    Raises
    ------
    FrameError
        When PROJ cannot derive a CRS from the base projection.
    """
    unit = tie.settings.site_length
    matrix = np.array(tie.horizontal.matrix)
    offset = np.array(tie.horizontal.translation) - matrix @ np.array(tie.horizontal.centroid)
    # To the kilometre: ties of one site then share the answer, which takes PROJ a while.
    near = tuple(round(value, -3) for value in tie.horizontal.centroid)
    plane = _plane_in_proj(tie.base.crs, near)
    move = _move_of(tie.id) if told_apart and plane.movable else (0, 0)
    shift = plane.shift - move
    rows = matrix @ plane.turn / unit.metres
    first = (offset + matrix @ shift) / unit.metres
    numbers = (first[0], rows[0, 0], rows[0, 1], first[1], rows[1, 0], rows[1, 1])
    name = name or f"Site grid, tie {tie.short_id}"
    return _derived_wkt(tie.base.crs, name, numbers, unit, move)


def _move_of(tie_id: str) -> Move:
    """Whole metres east and north, neither of them 0, that belong to a hash."""
    return tuple(1 + int(tie_id[i:i + 8], 16) % (LARGEST_MOVE - 1)  # type: ignore[return-value]
                 for i in (0, 8))


def _derived_wkt(
    base: str, name: str, numbers, unit: LengthUnit, move: Move = (0, 0)
) -> str:
    """The derived CRS over a base written in metres, easting first, its false origin moved."""
    length = f'LENGTHUNIT["{unit.name}",{unit.metres!r}]'
    ratio = 'SCALEUNIT["coefficient",1]'
    parameters = []
    for label, code, value in zip(("A0", "A1", "A2", "B0", "B1", "B2"),
                                  (8623, 8624, 8625, 8639, 8640, 8641), numbers):
        kind = length if label.endswith("0") else ratio
        parameters.append(f'PARAMETER["{label}",{float(value)!r},{kind},ID["EPSG",{code}]]')
    quoted = name.replace('"', '""')
    return (
        f'DERIVEDPROJCRS["{quoted}",{_moved(_base_wkt(base), move)},'
        f'DERIVINGCONVERSION["{quoted}",METHOD["Affine parametric transformation",'
        f'ID["EPSG",9624]],{",".join(parameters)}],CS[Cartesian,2],'
        f'AXIS["easting (E)",east,ORDER[1],{length}],AXIS["northing (N)",north,ORDER[2],{length}]]'
    )


@lru_cache(maxsize=32)
def _base_wkt(base: str) -> str:
    """The base as a part of a derived CRS."""
    crs = _base_in_metres(base)
    body = crs.to_wkt("WKT2_2019")
    text = "BASEPROJCRS" + body[len("PROJCRS"): body.index(",CS[Cartesian,2]")] + "]"
    if len(crs.geodetic_crs.axis_info) == 3:
        # A plane stands on two dimensions: without its code, PROJ takes the base as such.
        authority, code = crs.geodetic_crs.to_authority()
        text = text.replace(f',ID["{authority}",{code}]],CONVERSION', "],CONVERSION")
    return text


def _moved(base_wkt: str, move: Move) -> str:
    """The base with another false origin; as it is where its method has none."""
    if not any(move):
        return base_wkt
    text, count = base_wkt, 0
    for codes, metres in ((_FALSE_EASTING, move[0]), (_FALSE_NORTHING, move[1])):
        for code in codes:
            end = f',LENGTHUNIT["metre",1],ID["EPSG",{code}]]'
            text, found = re.subn(
                r'(PARAMETER\["[^"]+",)([^,]+)(?=' + re.escape(end) + ")",
                lambda match: f"{match[1]}{float(match[2]) + metres!r}",  # noqa: B023
                text,
            )
            count += found
    if count != 2:
        return base_wkt
    # What is known by name or number is not what it was any more.
    text = re.sub(r'^BASEPROJCRS\["((?:[^"]|"")*)"', r'BASEPROJCRS["\1, false origin moved"', text)
    text = re.sub(r'CONVERSION\["(?:[^"]|"")*"', 'CONVERSION["false origin moved"', text)
    return re.sub(r',ID\["EPSG",\d+\]\]\]$', "]]", text)


@lru_cache(maxsize=32)
def _base_in_metres(base: str) -> pyproj.CRS:
    crs = projected_crs(base)
    conversion, name = crs.coordinate_operation.to_json_dict(), crs.name
    # The base of a derived CRS is written without its axes. Newer PROJ takes them from the CRS of
    # that name in its database, or their unit from the false easting: neither may tell of feet.
    if axis_directions(crs) != ("east", "north") or crs.axis_info[0].unit_conversion_factor != 1.0:
        name += ", easting and northing in metres"
    for parameter in conversion["parameters"]:
        unit = parameter.get("unit")
        if isinstance(unit, dict) and unit.get("type") == "LinearUnit":
            parameter["value"] *= unit["conversion_factor"]
            parameter["unit"] = "metre"
            conversion.pop("id", None)
    return pyproj.crs.ProjectedCRS(
        conversion=conversion, name=name, geodetic_crs=crs.geodetic_crs
    )


@lru_cache(maxsize=32)
def _plane_in_proj(base: str, centre: Tuple[float, float]) -> _Plane:
    """What lies between PROJ's plane under a derived CRS and our base plane.

    Found by asking PROJ: the identity for most projections, a change of signs or order for
    those defined with other axes.
    """
    for around in (centre, _middle(base)):
        near = np.array(around) + 2000.0 * np.array([[0, 0], [1, 0], [0, 1], [2, 3], [-3, 1]])
        zero = np.zeros(len(near))
        way = transformer(projection_alone(base))
        geodetic = way.transform(near[:, 0], near[:, 1], zero, direction="INVERSE")[:2]
        # Forth again: PROJ's way back from some projections is off by a millimetre.
        ours = np.stack(way.transform(*geodetic, zero)[:2], axis=1)
        if not np.isfinite(ours).all():
            continue
        theirs = _proj_plane(base, geodetic, (0, 0))
        for turn in _signed_orders():
            shift = (ours - theirs @ turn.T).mean(axis=0)
            miss = np.abs(theirs @ turn.T + shift - ours).max()
            if miss < PLANE_AGREEMENT:
                movable = bool((turn == np.eye(2)).all()) and _movable(base, geodetic, theirs)
                return _Plane(turn, np.where(np.abs(shift) < PLANE_AGREEMENT, 0.0, shift), movable)
    raise FrameError(
        f"PROJ cannot derive a site CRS from {_base_in_metres(base).name}.",
        "Solve the tie over another base projection, or leave it out for a local one.",
    )


def _middle(base: str) -> Tuple[float, float]:
    """Base coordinates in the middle of where a projection is used: typed parameters may be about
    an origin where it cannot be computed."""
    area = projected_crs(base).area_of_use
    if area is None:
        return 0.0, 0.0
    west, east = area.west, area.east + (360.0 if area.east < area.west else 0.0)
    return transformer(projection_alone(base)).transform(
        (west + east) / 2.0, (area.south + area.north) / 2.0, 0.0)[:2]


def _movable(base: str, geodetic, plane: np.ndarray) -> bool:
    if "Krovak" in _base_in_metres(base).coordinate_operation.method_name:
        return False
    try:
        added = [_proj_plane(base, geodetic, move) - plane - move
                 for move in ((1000, 0), (0, 1000))]
    except pyproj.exceptions.ProjError:
        return False
    return bool(np.abs(added).max() < PLANE_AGREEMENT)


def _proj_plane(base: str, geodetic, move: Move) -> np.ndarray:
    """(n, 2) what PROJ takes as plane coordinates under a derived CRS."""
    identity = pyproj.CRS(_derived_wkt(base, "plane", (0.0, 1.0, 0.0, 0.0, 0.0, 1.0), METRE, move))
    source = _base_in_metres(base).geodetic_crs
    plane = pyproj.Transformer.from_crs(source, identity, always_xy=True).transform(*geodetic)
    return np.stack(plane, axis=1)


def _signed_orders():
    for order in (np.eye(2), np.array([[0.0, 1.0], [1.0, 0.0]])):
        for first in (1.0, -1.0):
            for second in (1.0, -1.0):
                yield np.diag([first, second]) @ order

