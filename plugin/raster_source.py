"""A raster as it is before it comes onto the site grid: what it is, and whether it can be used."""

from __future__ import annotations

import math
import os
import uuid
from dataclasses import dataclass
from typing import Iterator, Optional
from xml.sax.saxutils import escape

import numpy as np
from osgeo import gdal, gdal_array
from qgis.core import QgsRasterLayer

from ..core.errors import InputError
from ..core.site_grid import Placed
from .layer_crs import map_crs

#: Cells of "nothing" round a surface, as many as the widest interpolation reaches.
MARGIN = 4
_UNSIGNED = (gdal.GDT_Byte, gdal.GDT_UInt16, gdal.GDT_UInt32)
#: Whole numbers that single precision does not hold.
_WIDE = (gdal.GDT_Int32, gdal.GDT_UInt32, gdal.GDT_Float64)


@dataclass(frozen=True)
class RasterSource:
    """An open raster.

    Attributes
    ----------
    name : str
        What messages call it.
    dataset : gdal.Dataset
    crs : str
        As the core reads it.
    placed : Placed
    """

    name: str
    dataset: gdal.Dataset
    crs: str
    placed: Placed

    @property
    def bands(self) -> int:
        """Bands without the alpha band."""
        return self.dataset.RasterCount - self.has_alpha

    @property
    def has_alpha(self) -> bool:
        last = self.dataset.GetRasterBand(self.dataset.RasterCount)
        return last.GetColorInterpretation() == gdal.GCI_AlphaBand

    @property
    def nodata(self) -> Optional[float]:
        return self.dataset.GetRasterBand(1).GetNoDataValue()

    @property
    def type(self) -> int:
        """GDAL's number of the first band's data type."""
        return self.dataset.GetRasterBand(1).DataType

    @property
    def has_palette(self) -> bool:
        return self.dataset.GetRasterBand(1).GetColorTable() is not None

    @property
    def is_byte(self) -> bool:
        return self.type == gdal.GDT_Byte

    def holds(self, value: float) -> bool:
        """Whether the data type has a value."""
        kind = np.dtype(gdal_array.GDALTypeCodeToNumericTypeCode(self.type))
        if kind.kind == "f":
            return True
        limits = np.iinfo(kind)
        return value == int(value) and limits.min <= value <= limits.max

    @property
    def has_vertical_crs(self) -> bool:
        """Whether the file names a height system; QGIS's CRS of the layer leaves it out."""
        reference = self.dataset.GetSpatialRef()
        return reference is not None and bool(reference.IsCompound())

    @property
    def unit(self) -> str:
        """What the file says of the unit of its values; blank where it says nothing."""
        return self.dataset.GetRasterBand(1).GetUnitType().strip()

    @property
    def may_have_alpha(self) -> bool:
        """Whether what is not covered can be told by an alpha band."""
        return self.type in _UNSIGNED


def open_raster(layer: Optional[QgsRasterLayer], short_id: str) -> RasterSource:
    """Open the file behind a raster layer.

    Parameters
    ----------
    short_id : str
        Of the tie through which it is to go.

    Raises
    ------
    InputError, FrameError
        Naming the raster, when GDAL cannot read it or it has no place on the earth.
    """
    if layer is None or not layer.isValid():
        raise InputError("The raster cannot be opened.", "Choose a raster that QGIS can show.")
    name = layer.name()
    if layer.providerType() != "gdal":
        raise InputError(
            f"The raster comes from a service ({layer.providerType()}), not from a file.",
            "Save it to a GeoTIFF first.", file=name,
        )
    dataset = _opened(layer.source())
    if dataset is None or not dataset.RasterCount:
        raise InputError("GDAL cannot read the raster.", "Save it to a GeoTIFF first.", file=name)
    crs = map_crs(layer.crs(), short_id, name)
    transform = dataset.GetGeoTransform(can_return_null=True)
    if transform is None or transform[1] * transform[5] == transform[2] * transform[4]:
        raise InputError(
            "The raster is not georeferenced (it has no geotransform).",
            "Georeference it, with ground control points for instance, and save the result.",
            file=name,
        )
    placed = Placed(tuple(transform), dataset.RasterXSize, dataset.RasterYSize)
    return RasterSource(name, dataset, crs, placed)


def _opened(path: str) -> Optional[gdal.Dataset]:
    try:
        return gdal.Open(path)
    except RuntimeError:  # where Python's GDAL was told to raise
        return None


def refuse_as_surface(source: RasterSource) -> None:
    """Refuse what is no single band of heights.

    Raises
    ------
    InputError
    """
    if source.bands != 1:
        raise InputError(
            f"The raster has {source.bands} bands; heights come as one.",
            "Choose a DSM or DTM with a single band, or leave the values as they are.",
            file=source.name,
        )
    if source.has_palette:
        raise InputError(
            "The raster's values are numbers of colours, not heights.",
            "Choose a DSM or DTM, or leave the values as they are.", file=source.name,
        )


class SurfaceView:
    """A surface in which every cell that says nothing is NaN, those round its edge too.

    GDAL leaves what it knows to be nodata out of an interpolation and weighs the rest anew: on a
    slope the result is then wrong by up to half a cell times the slope. NaN, which it takes for
    a value, spoils every cell it takes part in, and what remains is right.

    A context manager; `path` can be opened inside.
    """

    def __init__(self, source: RasterSource) -> None:
        self._source = source
        self.path = f"/vsimem/sitetie-{uuid.uuid4().hex}.vrt"

    def __enter__(self) -> "SurfaceView":
        gdal.FileFromMemBuffer(self.path, "".join(self._xml()).encode())
        return self

    def __exit__(self, *details: object) -> None:
        gdal.Unlink(self.path)

    def _xml(self) -> Iterator[str]:
        dataset, placed = self._source.dataset, self._source.placed
        g, band = placed.geotransform, dataset.GetRasterBand(1)
        x, y = placed.place(-MARGIN, -MARGIN)
        kind = "Float64" if self._source.type in _WIDE else "Float32"
        columns, rows = placed.columns, placed.rows
        yield (f'<VRTDataset rasterXSize="{columns + 2 * MARGIN}" '
               f'rasterYSize="{rows + 2 * MARGIN}"><GeoTransform>')
        yield ",".join(repr(float(v)) for v in (x, g[1], g[2], y, g[4], g[5]))
        yield f'</GeoTransform><VRTRasterBand dataType="{kind}" band="1">'
        yield "<NoDataValue>nan</NoDataValue><HideNoDataValue>1</HideNoDataValue>"
        path = dataset.GetDescription()
        path = os.path.abspath(path) if os.path.exists(path) else path
        yield f'<ComplexSource><SourceFilename relativeToVRT="0">{escape(path)}</SourceFilename>'
        yield "<SourceBand>1</SourceBand>"
        yield f'<SrcRect xOff="0" yOff="0" xSize="{columns}" ySize="{rows}"/>'
        yield f'<DstRect xOff="{MARGIN}" yOff="{MARGIN}" xSize="{columns}" ySize="{rows}"/>'
        offset, scale = band.GetOffset(), band.GetScale()
        if offset is not None or scale is not None:
            yield f"<ScaleOffset>{offset or 0.0!r}</ScaleOffset>"
            yield f"<ScaleRatio>{1.0 if scale is None else scale!r}</ScaleRatio>"
        if band.GetMaskFlags() & gdal.GMF_PER_DATASET:
            yield "<UseMaskBand>true</UseMaskBand>"
        nodata = band.GetNoDataValue()
        if nodata is not None and not math.isnan(nodata):
            yield f"<NODATA>{nodata!r}</NODATA>"
        yield "</ComplexSource></VRTRasterBand></VRTDataset>"
