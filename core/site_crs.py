"""The site grid as a CRS: WKT 2 for every program on PROJ, and a PROJ pipeline in three dimensions.

The CRS is a derived projected CRS (ISO 19111, WKT 2:2019 ``DERIVEDPROJCRS``) with the affine
parametric transformation, EPSG method 9624. PROJ takes the affine numbers as they stand and
ignores unit and axis order of the base, so the base is written in metres, easting first, and the
numbers carry the site unit. WKT is printed by PROJ with 15 digits: written about the origin of
the base, that leaves less than 1e-7 m anywhere on a national grid.
"""

from __future__ import annotations

from functools import lru_cache
from typing import TYPE_CHECKING, Tuple

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


def site_crs_wkt(tie: "Tie", name: str = "") -> str:
    """WKT 2:2019 of the site grid, two-dimensional, in the site unit.

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
    turn, shift = _plane_in_proj(tie.base.crs, near)
    rows = matrix @ turn / unit.metres
    first = (offset + matrix @ shift) / unit.metres
    numbers = (first[0], rows[0, 0], rows[0, 1], first[1], rows[1, 0], rows[1, 1])
    return _derived_wkt(tie.base.crs, name or f"Site grid, tie {tie.short_id}", numbers, unit)


def site_pipeline(tie: "Tie") -> str:
    """PROJ pipeline from longitude, latitude (degrees), ellipsoidal height (m) to the site.

    Gives easting, northing in site units and elevation in elevation units; run it backwards
    (``cct -I``) for the other way. Without a vertical part the height passes through.
    """
    steps = []
    if tie.geoid is not None and tie.vertical is not None:
        to_elevation = f'proj=vgridshift grids="{tie.geoid.grid}" multiplier=-1'
        steps += ["proj=unitconvert xy_in=deg xy_out=rad", to_elevation]
        if tie.base.depends_on_height:
            # The plane needs the height itself: keep the elevation aside meanwhile.
            steps += ["proj=push v_3", f"inv {to_elevation}"]
        steps.append("proj=unitconvert xy_in=rad xy_out=deg")
    elif tie.base.depends_on_height:
        steps.append("proj=push v_3")
    steps += _steps(tie.base.pipeline)
    if tie.base.depends_on_height:
        steps.append("proj=pop v_3")
    steps.append(_affine_step(tie))
    return "+proj=pipeline " + " ".join("+step " + _plus(step) for step in steps)


def _affine_step(tie: "Tie") -> str:
    horizontal, unit = tie.horizontal, tie.settings.site_length.metres
    matrix = np.array(horizontal.matrix)
    offset = np.array(horizontal.translation) - matrix @ np.array(horizontal.centroid)
    plane = {"xoff": offset[0] / unit, "yoff": offset[1] / unit}
    for i, row in enumerate(matrix / unit):
        plane[f"s{i + 1}1"], plane[f"s{i + 1}2"] = row
    if tie.vertical is not None:
        height = tie.settings.elevation_length.metres
        slopes = np.array(tie.vertical.slopes)
        start = tie.vertical.values[0] - slopes @ np.array(tie.vertical.centroid)
        plane.update(zoff=start / height, s31=slopes[0] / height, s32=slopes[1] / height,
                     s33=1.0 / height)
    return "proj=affine " + " ".join(f"{key}={float(value)!r}" for key, value in plane.items())


def _steps(pipeline: str) -> list:
    text = pipeline.replace("+", "")
    return [step.strip() for step in text.split("step ")[1:]]


def _plus(step: str) -> str:
    return " ".join("+" + word for word in step.split(" "))


def _derived_wkt(base: str, name: str, numbers, unit: LengthUnit) -> str:
    """The derived CRS over a base written in metres, easting first."""
    length = f'LENGTHUNIT["{unit.name}",{unit.metres!r}]'
    ratio = 'SCALEUNIT["coefficient",1]'
    parameters = []
    for label, code, value in zip(("A0", "A1", "A2", "B0", "B1", "B2"),
                                  (8623, 8624, 8625, 8639, 8640, 8641), numbers):
        kind = length if label.endswith("0") else ratio
        parameters.append(f'PARAMETER["{label}",{float(value)!r},{kind},ID["EPSG",{code}]]')
    quoted = name.replace('"', '""')
    return (
        f'DERIVEDPROJCRS["{quoted}",{_base_wkt(base)},'
        f'DERIVINGCONVERSION["{quoted}",METHOD["Affine parametric transformation",'
        f'ID["EPSG",9624]],{",".join(parameters)}],CS[Cartesian,2],'
        f'AXIS["easting (E)",east,ORDER[1],{length}],AXIS["northing (N)",north,ORDER[2],{length}]]'
    )


@lru_cache(maxsize=32)
def _base_wkt(base: str) -> str:
    """The base as a part of a derived CRS."""
    body = _base_in_metres(base).to_wkt("WKT2_2019")
    return "BASEPROJCRS" + body[len("PROJCRS"): body.index(",CS[Cartesian,2]")] + "]"


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
def _plane_in_proj(base: str, centre: Tuple[float, float]):
    """Turn and shift from PROJ's plane under a derived CRS to our base plane, near a base point.

    Found by asking PROJ: the identity for most projections, a change of signs or order for
    those defined with other axes.
    """
    plain = _base_in_metres(base)
    identity = pyproj.CRS(_derived_wkt(base, "plane", (0.0, 1.0, 0.0, 0.0, 0.0, 1.0), METRE))
    derived = pyproj.Transformer.from_crs(plain.geodetic_crs, identity, always_xy=True)
    ours = np.array(centre) + 2000.0 * np.array([[0, 0], [1, 0], [0, 1], [2, 3], [-3, 1]])
    geodetic = transformer(projection_alone(base)).transform(
        ours[:, 0], ours[:, 1], np.zeros(len(ours)), direction="INVERSE"
    )
    theirs = np.stack(derived.transform(*geodetic[:2]), axis=1)
    for turn in _signed_orders():
        shift = (ours - theirs @ turn.T).mean(axis=0)
        miss = np.abs(theirs @ turn.T + shift - ours).max()
        if miss < PLANE_AGREEMENT:
            return turn, np.where(np.abs(shift) < PLANE_AGREEMENT, 0.0, shift)
    raise FrameError(
        f"PROJ cannot derive a site CRS from {plain.name}.",
        "Solve the tie over another base projection, or leave it out for a local one.",
    )


def _signed_orders():
    for order in (np.eye(2), np.array([[0.0, 1.0], [1.0, 0.0]])):
        for first in (1.0, -1.0):
            for second in (1.0, -1.0):
                yield np.diag([first, second]) @ order

