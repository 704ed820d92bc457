"""The way from the coordinates of a layer to the site plane as one PROJ pipeline, for programs that
carry whole rasters over. It equals `Reframing` followed by `Tie.to_site`, in plan."""

from __future__ import annotations

from dataclasses import dataclass
from typing import List, Optional, Tuple

import numpy as np

from .errors import FrameError
from .frames import transformer
from .reframe import Reframing, layer_projection
from .site_pipeline import affine_step, exact_step, joined_steps, opposite_steps, steps_of
from .tie import Tie

#: Metres of height over which `LayerPlane.per_100_m` is measured.
RISE = 100.0


@dataclass(frozen=True)
class LayerPlane:
    """Coordinates of a layer to the site plane at one height.

    Attributes
    ----------
    pipeline : str
        PROJ pipeline from x, y as `Reframing` takes them to easting, northing in site units. It
        can be run backwards; the third coordinate counts for nothing.
    height : float
        Ellipsoidal height in the frame of the tie, in metres, at which it is exact.
    per_100_m : float
        How far a point 100 m higher or lower lies beside its place, in metres. 0 where neither
        the change of frame nor the base plane depends on heights.
    """

    pipeline: str
    height: float
    per_100_m: float


def usual_height(tie: Tie) -> Optional[float]:
    """The middle of the heights of the tie's observations, metres; None without any."""
    heights = [pair.observation.height for pair in tie.pairs
               if pair.observation.height is not None]
    return float(np.median(heights)) if heights else None


def layer_plane(
    tie: Tie, way: Reframing, near: Tuple[float, float], height: float
) -> LayerPlane:
    """Make the pipeline.

    Parameters
    ----------
    near : (x, y)
        A place of the layer; changes of frame are linearised in height there.
    height : float
        Ellipsoidal, in the frame of the tie, metres.

    Raises
    ------
    FrameError
        When the layer is geocentric, or PROJ cannot compute its projection.
    """
    if way.kind == "geocentric":
        raise FrameError(
            "The layer is in geocentric coordinates, which have no plane.",
            "Convert it to a geographic or projected CRS.",
        )
    x, y = (np.array([value]) for value in near)
    latitude, longitude, _ = way(x, y, np.array([np.nan]))
    given = float(way.back(latitude, longitude, np.array([height]))[2][0])
    steps = _to_geodetic(way, float(x[0]))
    if way.operation is not None:
        steps += _at(given, way.epoch, _exactly(way.operation.definition, way.epoch))
    base = steps_of(tie.base.pipeline)
    on_base = float(_base_height(tie, longitude, latitude, height))
    steps += _at(height, tie.base.epoch, [exact_step(step, tie.base.epoch) for step in base])
    steps += [f"proj=set v_3={on_base!r}", affine_step(tie)]
    return LayerPlane(joined_steps(steps), height, _rise(tie, way, x, y, given))


def _at(height: float, epoch: Optional[float], steps: List[str]) -> List[str]:
    """Steps at a height and an epoch; those hold on the way back as well."""
    time = [] if epoch is None else [f"proj=set v_4={epoch!r}"]
    return [f"proj=set v_3={height!r}", *time, *steps, *time]


def _exactly(definition: str, epoch: Optional[float]) -> List[str]:
    text = definition if "step " in definition else f"proj=pipeline step {definition}"
    return [exact_step(step, epoch) for step in steps_of(text)]


def _to_geodetic(way: Reframing, x: float) -> List[str]:
    """From the layer's x, y to longitude, latitude in degrees on its own datum."""
    if way.kind == "geographic":
        # On the way back PROJ gives longitudes from -180 to 180; the layer may go on beyond.
        round_it = f"inv proj=longlat ellps=GRS80 lon_wrap={x!r}"
        return ["proj=unitconvert xy_in=deg xy_out=rad", round_it,
                "proj=unitconvert xy_in=rad xy_out=deg"]
    definition = layer_projection(way.source)[1].definition
    if "proj=" not in definition:
        raise FrameError(
            f"PROJ has several ways to compute the projection of {way.source}.",
            "Reproject the layer to another CRS first.",
        )
    text = definition if "step " in definition else f"proj=pipeline step {definition}"
    return opposite_steps(steps_of(text))


def _base_height(tie: Tie, longitude, latitude, height: float) -> float:
    place = [longitude[0], latitude[0], height]
    if tie.base.depends_on_time:
        place.append(tie.base.epoch)
    return transformer(tie.base.pipeline).transform(*place)[2]


def _rise(tie: Tie, way: Reframing, x, y, height: float) -> float:
    if not (way.needs_heights or tie.base.depends_on_height):
        return 0.0
    heights = np.array([height, height + RISE])
    latitude, longitude, heights = way(np.repeat(x, 2), np.repeat(y, 2), heights)
    plane = np.stack(tie.base.to_base(latitude, longitude, heights))
    return float(np.hypot(*(plane[:, 1] - plane[:, 0])))

