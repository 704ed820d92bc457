"""The CRS of a layer that is to be carried to the site, as the core reads it."""

from __future__ import annotations

from qgis.core import QgsCoordinateReferenceSystem

from ..core.errors import FrameError
from .job.layer_source import crs_text
from .site_crs import tie_of


def map_crs(crs: QgsCoordinateReferenceSystem, short_id: str, name: str) -> str:
    """The CRS as text.

    Parameters
    ----------
    short_id : str
        Of the tie through which the layer is to go.
    name : str
        What messages call the layer.

    Raises
    ------
    FrameError
        When there is none, or it is that of a site grid.
    """
    if not crs.isValid():
        raise FrameError("It has no CRS, so it has no place on the earth.",
                         "Set the CRS of the layer.", file=name)
    other = tie_of(crs)
    if other == short_id:
        raise FrameError(f"It stands on the site grid of tie {short_id} already.",
                         "Choose the layer as it was before.", file=name)
    if other is not None:
        raise FrameError(
            f"It stands on the site grid of another tie ({other}).",
            "Choose the layer as it was before; or carry it back to a map CRS through that tie "
            "first.", file=name,
        )
    return crs_text(crs)


def site_layer_crs(crs: QgsCoordinateReferenceSystem, short_id: str, name: str) -> None:
    """Refuse a layer in site coordinates that stands on another tie, or is in degrees.

    Raises
    ------
    FrameError
    """
    other = tie_of(crs) if crs.isValid() else None
    if other not in (None, short_id):
        raise FrameError(
            f"It stands on the site grid of another tie ({other}).",
            "Choose that tie; or, if its coordinates are given in the site grid, take the CRS off "
            "the layer.", file=name,
        )
    if crs.isValid() and crs.isGeographic():
        raise FrameError(
            f"The layer is in degrees ({crs.authid()}), but site coordinates are wanted.",
            "Choose the layer with site coordinates; if its geometry does hold them, take the CRS "
            "off the layer.", file=name,
        )
