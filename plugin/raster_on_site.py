"""A raster onto the site grid: carried over by GDAL's warper, written block by block.

Positions: GDAL asks PROJ for some cells of a line and interpolates between, to a share of a cell
(`APPROXIMATION`). Its default, an eighth, would alone be more than the tenth of a cell that
results are good to; a thousandth costs hardly more, because the ways are smooth.
"""

from __future__ import annotations

import os
import re
from dataclasses import dataclass
from typing import Callable, Iterator, List, Optional, Tuple

import numpy as np
from osgeo import gdal

from ..core.errors import Cancelled, OutputError, SitetieError
from ..core.site_grid import SiteGrid
from ..core.surface import SQUARES, HeightChange
from .layer_positions import Progress
from .raster_source import RasterSource

#: What GDAL may be off between the cells it computes, in cells of the source.
APPROXIMATION = 0.001
#: Cells written at a time: whole tiles, and whole squares of `HeightChange.over`.
BLOCK_ROWS, BLOCK_COLUMNS = 512, 2048
assert BLOCK_ROWS % SQUARES[0] == BLOCK_COLUMNS % SQUARES[0] == 0
TILE = 256
#: Bytes of the source that one block of the warper may need.
SOURCE_BYTES = 64_000_000
#: Bytes of blocks that GDAL keeps: its own limit is a share of all memory.
CACHE = 256_000_000
#: Nodata of surfaces that have none of their own: common practice, no source.
NODATA = -9999.0
#: Cells along the longer side of the smallest overview, at most.
SMALLEST_OVERVIEW = 512
#: The coordinates of a raster, of which GDAL is to know no more: the pipeline says it all.
PLAIN_CRS = ('ENGCRS["raster",EDATUM["raster"],CS[Cartesian,2],AXIS["x",east,ORDER[1],'
          'LENGTHUNIT["metre",1]],AXIS["y",north,ORDER[2],LENGTHUNIT["metre",1]]]')
_PREDICTED = ("DEFLATE", "LZW", "ZSTD")


@dataclass(frozen=True)
class RasterChoices:
    """How the result is to be.

    Attributes
    ----------
    resampling : str
        As GDAL calls it.
    nodata : float or None
        None: as in the source.
    format : str
        ``gtiff`` or ``cog``.
    compression : str
        As GDAL calls it.
    overviews : bool
    """

    resampling: str = "bilinear"
    nodata: Optional[float] = None
    format: str = "gtiff"
    compression: str = "DEFLATE"
    overviews: bool = True


@dataclass(frozen=True)
class Task:
    """A raster, where it goes, and how.

    Attributes
    ----------
    source : RasterSource
    path : str
        What the warper reads: the source's own file, or a `SurfaceView` of it.
    pipeline : str
        From the raster's x, y to the site plane.
    cell : float
        Size of the source's cells on the site, site units.
    grid : SiteGrid
    site_crs : str
        WKT.
    change : HeightChange or None
        What becomes of the values.
    choices : RasterChoices
    tags : dict
        Metadata of the result.
    """

    source: RasterSource
    path: str
    pipeline: str
    cell: float
    grid: SiteGrid
    site_crs: str
    change: Optional[HeightChange]
    choices: RasterChoices
    tags: dict

    @property
    def nodata(self) -> Optional[float]:
        """Nodata of the result; None where an alpha band tells, or nothing needs to."""
        if self.choices.nodata is not None:
            return self.choices.nodata
        if self.source.nodata is not None:
            return self.source.nodata
        return None if self.change is None and self.source.may_have_alpha else NODATA

    @property
    def with_alpha(self) -> bool:
        return self.change is None and (self.source.has_alpha or self.nodata is None)


def put_on_site(task: Task, staged: str, progress: Progress) -> None:
    """Write the raster to a file; meanwhile GDAL keeps no more than `CACHE` in memory.

    Raises
    ------
    OutputError
        Naming the file, with GDAL's own words.
    Cancelled
    """
    before = gdal.GetCacheMax()
    gdal.SetCacheMax(min(before, CACHE))
    try:
        _put(task, staged, progress)
    finally:
        gdal.SetCacheMax(before)


def _put(task: Task, staged: str, progress: Progress) -> None:
    is_cog = task.choices.format == "cog"
    made = os.path.join(os.path.dirname(staged), "warped.tif") if is_cog else staged
    end = 0.6 if is_cog else 0.85
    _write(task, made, lambda share: progress(end * share))
    if not is_cog:
        if task.choices.overviews:
            _build_overviews(task, made, lambda share: progress(end + (1.0 - end) * share))
        return
    try:
        _make_cog(task, made, staged, lambda share: progress(end + (1.0 - end) * share))
    finally:
        for name in (made, made + ".aux.xml"):
            if os.path.exists(name):
                os.unlink(name)


# -- the work ------------------------------------------------------------------------------------


def _write(task: Task, path: str, progress: Progress) -> None:
    warped = _warped(task)
    target = _created(task, warped, path)
    try:
        for share, window in _windows(task.grid):
            progress(share)
            if task.change is None:
                _copy(warped, target, window)
            else:
                _change(task, warped, target, window)
        _flush(target, path)
    except SitetieError as error:
        # The places it came through would keep the file open, and the folder is about to go.
        del warped, target
        raise error.with_traceback(None) from None


def _windows(grid: SiteGrid) -> Iterator[Tuple[float, Tuple[int, int, int, int]]]:
    """The share done before each block, and its first column and row, columns and rows."""
    for row in range(0, grid.rows, BLOCK_ROWS):
        for column in range(0, grid.columns, BLOCK_COLUMNS):
            share = (row + BLOCK_ROWS * column / max(grid.columns, 1)) / max(grid.rows, 1)
            yield min(share, 1.0), (column, row, min(BLOCK_COLUMNS, grid.columns - column),
                                    min(BLOCK_ROWS, grid.rows - row))


def _copy(warped: gdal.Dataset, target: gdal.Dataset, window) -> None:
    data = _told(warped.ReadRaster, *window)
    _told(target.WriteRaster, *window, data)


def _change(task: Task, warped: gdal.Dataset, target: gdal.Dataset, window) -> None:
    column, row, columns, rows = window
    heights = _told(warped.GetRasterBand(1).ReadAsArray, *window)
    nodata = np.array(task.nodata, dtype=heights.dtype)
    assert task.change is not None
    if np.isnan(heights).all():
        values = np.full(heights.shape, nodata)
    else:
        exact = task.change.over(task.grid, row, column, heights)
        values = exact.astype(heights.dtype)
        # A height like any other.
        values[values == nodata] = np.nextafter(nodata, heights.dtype.type(nodata == 0))
        values[~np.isfinite(exact)] = nodata
    _told(target.GetRasterBand(1).WriteArray, values, column, row)


def _warped(task: Task) -> gdal.Dataset:
    """A view of the source on the site grid, computed as it is read."""
    surface, source = task.change is not None, task.source
    # Cells of the result per cell of the source. GDAL guesses from the outlines of blocks, which
    # turned ones mislead: it would blur. A surface is always read at the very place.
    scale = 1.0 if surface else min(1.0, task.cell / task.grid.cell)
    options = [f"XSCALE={scale!r}", f"YSCALE={scale!r}", "NUM_THREADS=ALL_CPUS"]
    if surface:
        options.append("INIT_DEST=NaN")
    dataset = _told(
        gdal.Warp, "", task.path, format="VRT", srcSRS=PLAIN_CRS, dstSRS=task.site_crs,
        coordinateOperation=task.pipeline, errorThreshold=APPROXIMATION,
        resampleAlg=task.choices.resampling, outputBounds=task.grid.bounds,
        width=task.grid.columns, height=task.grid.rows, warpOptions=options,
        dstNodata=None if surface or task.with_alpha else task.nodata, dstAlpha=task.with_alpha,
        overviewLevel="NONE",
    )
    cells = 512 * 128 / scale**2 * max(source.bands, 1) * gdal.GetDataTypeSize(source.type) // 8
    if cells > SOURCE_BYTES:
        share = (SOURCE_BYTES / cells) ** 0.5
        dataset = _with_blocks(dataset, int(512 * share), int(128 * share))
    return dataset


def _with_blocks(warped: gdal.Dataset, columns: int, rows: int) -> gdal.Dataset:
    """The same view, computed in smaller blocks."""
    xml = warped.GetMetadata("xml:VRT")[0]
    for side, size in (("X", columns), ("Y", rows)):
        xml = re.sub(rf"<Block{side}Size>\d+<", f"<Block{side}Size>{max(size, 16)}<", xml)
    return _told(gdal.Open, xml)


def _created(task: Task, warped: gdal.Dataset, path: str) -> gdal.Dataset:
    bands, grid = warped.RasterCount, task.grid
    kind = warped.GetRasterBand(1).DataType
    options = ["TILED=YES", f"BLOCKXSIZE={TILE}", f"BLOCKYSIZE={TILE}", "BIGTIFF=IF_SAFER",
               "NUM_THREADS=ALL_CPUS", *_compression(task, kind)]
    if task.with_alpha:
        options.append("ALPHA=UNSPECIFIED" if bands == 1 else "ALPHA=YES")
    if task.source.bands == 3 and kind == gdal.GDT_Byte:
        options.append("PHOTOMETRIC=RGB")
    target = _told(gdal.GetDriverByName("GTiff").Create, path, grid.columns, grid.rows, bands, kind,
                   options)
    _told(target.SetGeoTransform, (grid.west, grid.cell, 0.0, grid.north, 0.0, -grid.cell))
    _told(target.SetProjection, task.site_crs)
    target.SetMetadata(task.tags)
    for number in range(1, bands + 1):
        _dress(task, warped.GetRasterBand(number), target.GetRasterBand(number))
    return target


def _dress(task: Task, given: gdal.Band, band: gdal.Band) -> None:
    """What goes with a band's values."""
    number = band.GetBand()
    colours = given.GetColorTable()
    if colours is not None:
        band.SetColorTable(colours)
    meaning = given.GetColorInterpretation()
    if meaning not in (gdal.GCI_Undefined, band.GetColorInterpretation()):
        band.SetColorInterpretation(meaning)
    if task.nodata is not None and not task.with_alpha:
        band.SetNoDataValue(task.nodata)
    if task.change is not None:
        band.SetUnitType(task.change.tie.settings.elevation_length.plural)
        band.SetDescription("elevation")
        return
    if number <= task.source.bands:
        own = task.source.dataset.GetRasterBand(number)
        band.SetDescription(own.GetDescription())
        if own.GetUnitType():
            band.SetUnitType(own.GetUnitType())
        if own.GetScale() is not None:
            band.SetScale(own.GetScale())
        if own.GetOffset() is not None:
            band.SetOffset(own.GetOffset())


def _compression(task: Task, kind: int) -> List[str]:
    name = task.choices.compression
    if task.choices.format == "cog":
        name = "NONE" if name == "NONE" else "DEFLATE"  # of what is only on its way
        quick = ["ZLEVEL=1"] if name == "DEFLATE" else []
    else:
        quick = []
    predictor = []
    if name in _PREDICTED:
        is_float = kind in (gdal.GDT_Float32, gdal.GDT_Float64)
        predictor = ["PREDICTOR=3" if is_float else "PREDICTOR=2"]
    return [f"COMPRESS={name}", *quick, *predictor]


def _build_overviews(task: Task, path: str, progress: Progress) -> None:
    levels, level = [], 2
    while max(task.grid.rows, task.grid.columns) * 2 / level > SMALLEST_OVERVIEW:
        levels.append(level)
        level *= 2
    if not levels:
        return
    dataset = _told(gdal.Open, path, gdal.GA_Update)
    watch = _Watch(progress)
    _told(dataset.BuildOverviews, _overview_resampling(task), levels, callback=watch, watch=watch)
    _flush(dataset, path)


def _overview_resampling(task: Task) -> str:
    return "NEAREST" if task.choices.resampling == "near" else "AVERAGE"


def _make_cog(task: Task, made: str, path: str, progress: Progress) -> None:
    name = task.choices.compression
    options = [f"COMPRESS={name}", "NUM_THREADS=ALL_CPUS", "BIGTIFF=IF_SAFER",
               f"OVERVIEWS={'AUTO' if task.choices.overviews else 'NONE'}",
               f"RESAMPLING={_overview_resampling(task)}"]
    if name in _PREDICTED:
        options.append("PREDICTOR=YES")
    watch = _Watch(progress)
    dataset = _told(gdal.Open, made)
    done = _told(gdal.GetDriverByName("COG").CreateCopy, path, dataset, strict=0, options=options,
                 callback=watch, watch=watch)
    _flush(done, path)


# -- GDAL's answers ------------------------------------------------------------------------------


class _Watch:
    """GDAL's way to tell how far it is; keeps the wish to stop."""

    def __init__(self, progress: Progress) -> None:
        self._progress = progress
        self.stopped: Optional[Cancelled] = None

    def __call__(self, share: float, message: str, data: object) -> int:
        try:
            self._progress(min(max(share, 0.0), 1.0))
        except Cancelled as wish:
            self.stopped = wish
            return 0
        return 1


def _told(call: Callable, *arguments, watch: Optional[_Watch] = None, **named):
    """What GDAL gives, or its error as ours: Python's GDAL raises or not, as others have set it.

    Raises
    ------
    OutputError, Cancelled
    """
    gdal.PushErrorHandler("CPLQuietErrorHandler")
    try:
        gdal.ErrorReset()
        found = call(*arguments, **named)
        why = gdal.GetLastErrorMsg()
    except RuntimeError as error:
        found, why = None, str(error)
    finally:
        gdal.PopErrorHandler()
    if watch is not None and watch.stopped is not None:
        raise watch.stopped from None
    if found is None or (isinstance(found, int) and found != 0):
        raise OutputError(
            f"GDAL cannot do its part ({why or 'it gives no reason'}).",
            "Check that the disk has room and the raster can be read to its end.",
        )
    return found


def _flush(dataset: Optional[gdal.Dataset], path: str) -> None:
    """Write what is still in memory; GDAL tells of a full disk only then."""
    if dataset is None:
        return
    gdal.PushErrorHandler("CPLQuietErrorHandler")
    try:
        gdal.ErrorReset()
        dataset.FlushCache()
        kind, why = gdal.GetLastErrorType(), gdal.GetLastErrorMsg()
    except RuntimeError as error:
        kind, why = gdal.CE_Failure, str(error)
    finally:
        gdal.PopErrorHandler()
    if kind >= gdal.CE_Failure:
        raise OutputError(f"GDAL cannot write the file ({why}).",
                          "Check that the disk has room.", file=path)
