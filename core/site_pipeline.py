"""The tie as a PROJ pipeline: from GNSS positions to the site and back, in three dimensions."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, List, Optional

import numpy as np
import pyproj

if TYPE_CHECKING:
    from .tie import Tie

#: Steps that are linear in geocentric coordinates, and whose way back in PROJ is not exact.
_LINEAR = ("proj=helmert", "proj=molobadekas")


def site_pipeline(tie: "Tie") -> str:
    """PROJ pipeline from longitude, latitude (degrees), ellipsoidal height (m) to the site.

    Gives easting, northing in site units and elevation in elevation units. Without a vertical
    part the height passes through.
    """
    heights, base = _to_elevation(tie), steps_of(tie.base.pipeline)
    if tie.base.depends_on_height:
        # The plane needs the height itself: keep the elevation aside meanwhile.
        base = ["proj=push v_3", *opposite_steps(heights), *base, "proj=pop v_3"]
    return joined_steps([*heights, *base, affine_step(tie)])


def site_pipeline_back(tie: "Tie") -> str:
    """PROJ pipeline from the site to longitude, latitude (degrees), ellipsoidal height (m).

    Where a seven-parameter shift lies between, PROJ's own inverse of `site_pipeline` is off by up
    to a millimetre: it transposes the matrix, and takes the height for one on the other datum.
    This one goes back, forth with the right height, and back again.
    """
    heights, base = _to_elevation(tie), steps_of(tie.base.pipeline)
    back = opposite_steps([exact_step(step, tie.base.epoch) for step in base])
    steps = opposite_steps([affine_step(tie)])
    if tie.base.depends_on_height:
        # The height is kept twice at once: PROJ drops a pop that is followed by a push.
        steps += ["proj=push v_1 v_2 v_3", "proj=push v_3", *back, "proj=pop v_3"]
        steps += [*opposite_steps(heights), *base, "proj=pop v_1 v_2", *back, "proj=pop v_3"]
    else:
        steps += back
    return joined_steps([*steps, *opposite_steps(heights)])


def _to_elevation(tie: "Tie") -> List[str]:
    """From height to elevation above the geoid; longitude and latitude stay in degrees."""
    if tie.geoid is None or tie.vertical is None:
        return []
    return ["proj=unitconvert xy_in=deg xy_out=rad",
            f'proj=vgridshift grids="{tie.geoid.grid}" multiplier=-1',
            "proj=unitconvert xy_in=rad xy_out=deg"]


def affine_step(tie: "Tie") -> str:
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
    return _affine(plane)


def _affine(numbers) -> str:
    return "proj=affine " + " ".join(f"{key}={float(value)!r}" for key, value in numbers.items())


def exact_step(step: str, epoch: Optional[float]) -> str:
    """The step as one whose way back is exact, where it is linear."""
    if not step.startswith(_LINEAR) and not step.startswith(tuple(f"inv {p}" for p in _LINEAR)):
        return step
    size = 1e7
    corners = np.vstack([np.zeros(3), size * np.eye(3)]).T
    arguments = [*corners] if epoch is None else [*corners, np.full(4, epoch)]
    x = np.array(pyproj.Transformer.from_pipeline(joined_steps([step])).transform(*arguments)[:3])
    numbers = dict(zip(("xoff", "yoff", "zoff"), x[:, 0]))
    columns = (x[:, 1:] - x[:, :1]) / size
    numbers.update({f"s{i + 1}{j + 1}": columns[i, j] for i in range(3) for j in range(3)})
    return _affine(numbers)


def opposite_steps(steps: List[str]) -> List[str]:
    return [step[len("inv "):] if step.startswith("inv ") else f"inv {step}"
            for step in reversed(steps)]


def joined_steps(steps: List[str]) -> str:
    return "+proj=pipeline " + " ".join("+step " + _plus(step) for step in steps)


def steps_of(pipeline: str) -> List[str]:
    text = re.sub(r"(^| )\+", r"\1", pipeline)
    return [step.strip() for step in text.split("step ")[1:]]


def _plus(step: str) -> str:
    """With a plus before every word; a path in quotes may have blanks."""
    return " ".join("+" + word for word in re.findall(r'(?:[^\s"]|"[^"]*")+', step))
