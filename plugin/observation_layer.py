"""Restating a layer: its positions in the frame of a tie, with their uncertainty."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Callable, List, Optional, Tuple

import numpy as np
from qgis.core import QgsProcessingFeatureSource

from ..core.errors import FrameError, InputError, SitetieError
from ..core.geoid import open_geoid
from ..core.reframe import Reframing, reframing
from ..core.restate import Restated, observation_covariances, restate
from ..core.tie import Tie
from ..core.units import length_unit
from .job.layer_source import crs_text
from .layer_positions import Columns, PositionSource, Progress

_SIGMAS = ("sigma_e", "sigma_n", "sigma_u")


@dataclass(frozen=True)
class ObservationChoices:
    """How the observations of a layer are to be read.

    Attributes
    ----------
    id, latitude, longitude, height, sigma_e, sigma_n, sigma_u : str or None
        Fields. Without latitude and longitude the geometry is read, without height its Z.
    fields_crs : str or None
        Geographic CRS of latitude and longitude in fields; None is that of the tie.
    height_unit : str
    height_geoid : str or None
        Geoid grid by which heights were reduced; None for ellipsoidal ones.
    datum_operation : str or None
    epoch : float or None
        Decimal year; None is that of the tie.
    horizontal_only : bool
    """

    id: Optional[str] = None
    latitude: Optional[str] = None
    longitude: Optional[str] = None
    height: Optional[str] = None
    sigma_e: Optional[str] = None
    sigma_n: Optional[str] = None
    sigma_u: Optional[str] = None
    fields_crs: Optional[str] = None
    height_unit: str = "m"
    height_geoid: Optional[str] = None
    datum_operation: Optional[str] = None
    epoch: Optional[float] = None
    horizontal_only: bool = False


def restate_layer(
    source: QgsProcessingFeatureSource,
    name: str,
    tie: Tie,
    choices: ObservationChoices,
    progress: Progress,
    say: Callable[[str], None],
) -> Restated:
    """Site coordinates of every feature of a layer, in its order.

    Parameters
    ----------
    name : str
        What messages call the layer.
    progress : callable
        Told with the share done; raises to stop.
    say : callable
        Takes sentences that a person should read.

    Raises
    ------
    InputError, FrameError
        Naming the layer, and row and point where one is to blame.
    """
    columns = PositionSource(
        source, name, x=choices.longitude, y=choices.latitude, z=choices.height, angles=True,
        others=tuple((item, getattr(choices, item)) for item in _SIGMAS if getattr(choices, item)),
        id=choices.id,
    ).read(lambda share: progress(0.6 * share))
    if not len(columns.x):
        raise InputError("There are no observations.", "Choose a layer with points.", file=name)
    def go_on(share: float) -> bool:
        progress(0.6 + 0.4 * share)
        return True

    try:
        position = _in_frame(columns, source, tie, choices, say)
        return restate(
            tie, *position, _noise(columns, tie, say), columns.ids or _numbers(columns),
            elevations=not choices.horizontal_only,
            progress=go_on,
        )
    except SitetieError as error:
        raise error.at(file=name) from None


def _numbers(columns: Columns) -> List[str]:
    """Names for messages where no field has them; they are no ids of pairs."""
    return [f"in row {row + 1}" for row in columns.features.tolist()]


def _in_frame(
    columns: Columns, source, tie: Tie, choices: ObservationChoices, say: Callable[[str], None]
) -> Tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Latitude, longitude, ellipsoidal height in the frame of the tie."""
    z, from_fields = columns.z, choices.longitude is not None
    if from_fields:
        crs = choices.fields_crs or tie.settings.observation_crs
        if choices.fields_crs is None:
            say(f"Latitudes and longitudes are taken to be in {_plain(crs)}, as in the tie.")
    else:
        if not source.sourceCrs().isValid():
            raise FrameError(
                "The layer has no CRS, so its points have no place on the earth.",
                "Set the CRS of the layer, or name the fields of latitude and longitude.",
            )
        crs = crs_text(source.sourceCrs())
    first = next(iter(np.flatnonzero(np.isfinite(z))), 0)
    way = reframing(
        crs, tie.settings.observation_crs,
        (float(columns.x[first]), float(columns.y[first]), float(z[first])),
        datum_operation=choices.datum_operation,
        epoch=choices.epoch if choices.epoch is not None else tie.settings.observation_epoch,
    )
    for caution in way.cautions:
        say(caution)
    if way.kind == "geocentric":
        if choices.height:
            raise InputError("Geocentric coordinates have no height of their own.",
                             "Leave the height field out: Z of the geometry is read.")
    else:
        z = z * length_unit(choices.height_unit).metres
        _refuse_open_heights(way, z, tie, choices, from_fields)
    if way.needs_heights and not np.isfinite(z).all():
        raise InputError(
            f"There are no heights for {np.count_nonzero(~np.isfinite(z))} of {len(z)} points, but "
            "the change of frame depends on them.", "Give ellipsoidal heights.",
        )
    latitude, longitude, height = way(columns.x, columns.y, z)
    if choices.height_geoid:
        height = height + open_geoid(choices.height_geoid).undulation(latitude, longitude)
    return latitude, longitude, height


def _plain(crs: str) -> str:
    """A CRS for a sentence: its code, or the name within its WKT."""
    return crs.split('"')[1] if '"' in crs else crs


def _refuse_open_heights(
    way: Reframing, z: np.ndarray, tie: Tie, choices: ObservationChoices, from_fields: bool
) -> None:
    wanted = tie.vertical is not None and not choices.horizontal_only
    open_ = way.heights_open and choices.height is None and not from_fields
    if wanted and open_ and not choices.height_geoid and np.isfinite(z).any():
        raise FrameError(
            "The CRS of the layer has heights of its own, which are not ellipsoidal metres.",
            "Name the geoid grid by which they were made, or a field with ellipsoidal heights; or "
            "restate horizontally only.",
        )


def _noise(columns: Columns, tie: Tie, say: Callable[[str], None]) -> np.ndarray:
    """Covariances of the observations; says how many sigmas are assumed."""
    given = [columns.others.get(item) for item in _SIGMAS]
    count = len(columns.x)
    lacking = [count if values is None else int(np.isnan(values).sum()) for values in given]
    if any(lacking):
        h, v = tie.settings.gnss_sigma_h, tie.settings.gnss_sigma_v
        say(
            f"Standard deviations are assumed for {max(lacking[:2])} positions ({h:g} m per "
            f"horizontal axis) and {lacking[2]} heights ({v:g} m)."
        )
    return observation_covariances(tie.settings, count, *given)
