"""sitetie:raster: a raster onto the site grid of a tie, and its heights to site elevations."""

from __future__ import annotations

from contextlib import ExitStack
from typing import TYPE_CHECKING, Any, Optional, Tuple

from qgis.core import (
    QgsProcessingContext,
    QgsProcessingFeedback,
    QgsProcessingParameterBoolean,
    QgsProcessingParameterExtent,
    QgsProcessingParameterRasterDestination,
    QgsProcessingParameterRasterLayer,
)

from .algorithm import SitetieAlgorithm, Values, stop_if_cancelled, tr
from .layer_frames import add_frames
from .progress import part

if TYPE_CHECKING:
    from ...core.tie import Tie
    from ..raster_on_site import RasterChoices, Task
    from ..raster_source import RasterSource

RASTER, TIE, OUTPUT = "RASTER", "TIE", "OUTPUT"
VALUES = (
    ("keep", tr("leave them as they are")),
    ("elevation", tr("heights to site elevations, by the vertical part of the tie")),
)
RESAMPLING = (
    ("bilinear", tr("bilinear")), ("near", tr("nearest neighbour")), ("cubic", tr("cubic")),
    ("lanczos", tr("Lanczos")), ("average", tr("average")),
)
FORMATS = (("gtiff", tr("GeoTIFF, tiled")), ("cog", tr("Cloud Optimized GeoTIFF (COG)")))
COMPRESSIONS = (
    ("DEFLATE", tr("DEFLATE, lossless")), ("LZW", tr("LZW, lossless")),
    ("ZSTD", tr("ZSTD, lossless; not every program reads it")),
    ("JPEG", tr("JPEG, lossy; for COG images of 8 bits")), ("NONE", tr("none")),
)


class RasterAlgorithm(SitetieAlgorithm):
    """A raster through a tie."""

    ID = "raster"
    TITLE = tr("Raster onto the site grid")
    SUMMARY = tr("Resamples an orthophoto or a surface onto the site grid of a tie.")
    HELP = tr(
        "Brings a raster (orthophoto, DSM, DTM) onto the site grid of a tie, north up, as a "
        "GeoTIFF or COG. To look at it beside site data this is not needed: with the project on "
        "the CRS of the site (sitetie:sitecrs) QGIS shows every layer in its place.\n\n"
        "Places are good to a tenth of a cell, whatever the CRS of the raster. Nearest neighbour "
        "takes whole cells and may so shift by half a cell.\n\n"
        "The values of a surface can become site elevations: each by the vertical part of the tie, "
        "shift or tilted plane and geoid, to a millimetre with bilinear resampling. A cell to "
        "which a cell without data contributes gets no data: holes and edges grow by up to one "
        "cell, but what remains is right. Values left as they are go through GDAL's usual "
        "interpolation, which at such edges leans on the remaining cells.\n\n"
        "The CRS of the site stands in a file beside the raster (its name with .aux.xml), because "
        "a GeoTIFF cannot hold it: keep the two together. The WKT and the hash of the tie are also "
        "written into the file, as SITE_GRID_WKT and SITE_GRID_TIE (gdalinfo shows them). A newer "
        "tie is another grid: make the raster anew from the original then."
    )

    def initAlgorithm(self, configuration: Any = None) -> None:
        self.add(
            QgsProcessingParameterRasterLayer(RASTER, tr("Raster")),
            tr("Any raster that GDAL reads, in a geographic or projected CRS."),
        )
        self.add_tie()
        self.add_choice(
            "VALUES", tr("Values"), VALUES,
            tr("Heights can become elevations where the tie has a vertical part and the raster "
               "one band."),
        )
        self.add_number(
            "RESOLUTION", tr("Size of a cell (site units)"), None,
            tr("Blank: about that of the raster, rounded."),
        )
        self.add_choice(
            "RESAMPLING", tr("Resampling"), RESAMPLING,
            tr("Bilinear for surfaces; cubic keeps images sharper. Rasters of colour numbers take "
               "nearest neighbour."),
        )
        self._add_grid()
        add_frames(self, tr("Of the values, where they are heights."))
        self.add_number(
            "HEIGHT", tr("Height of the ground (m)"), None,
            tr("Ellipsoidal, in the frame of the tie. It matters only where a change of frame "
               "depends on heights. Blank: the middle of the heights of the tie's pairs."),
            advanced=True,
        )
        self.add_choice("FORMAT", tr("Format"), FORMATS, tr("Both are GeoTIFF."))
        self.add_choice("COMPRESSION", tr("Compression"), COMPRESSIONS, "", advanced=True)
        self.add(
            QgsProcessingParameterBoolean("OVERVIEWS", tr("With overviews"), True),
            tr("Smaller copies inside the file, for quick drawing."), advanced=True,
        )
        self.add(
            QgsProcessingParameterRasterDestination(OUTPUT, tr("On the site grid")),
            tr("A file that ends in .tif."),
        )

    def _add_grid(self) -> None:
        self.add(
            QgsProcessingParameterExtent("EXTENT", tr("Extent"), optional=True),
            tr("West, east, south, north in site coordinates, or in another CRS that is named "
               "with it. Blank: all of the raster."),
            advanced=True,
        )
        self.add(
            QgsProcessingParameterBoolean(
                "ALIGN", tr("Edges on whole multiples of the cell"), True),
            tr("Rasters with cells of one size then match cell by cell."), advanced=True,
        )
        self.add_number(
            "NODATA", tr("Value for no data"), None,
            tr("Blank: that of the raster; without one, images get an alpha band and surfaces "
               "-9999."),
            advanced=True,
        )

    def compute(
        self, parameters: Values, context: QgsProcessingContext, feedback: QgsProcessingFeedback
    ) -> Values:
        from ...core.errors import SitetieError
        from ...core.tie import Tie
        from ..outputs import Outputs
        from ..raster_on_site import put_on_site
        from ..raster_source import open_raster

        tie = Tie.load(self.parameterAsFile(parameters, TIE, context))
        layer = self.parameterAsRasterLayer(parameters, RASTER, context)
        source = open_raster(layer, tie.short_id)
        place = self.parameterAsOutputLayer(parameters, OUTPUT, context)
        with Outputs() as outputs, ExitStack() as held:
            try:
                task = self._task(parameters, context, feedback, tie, source, held)
            except SitetieError as error:
                raise error.at(file=source.name) from None
            staged = outputs.file(_tiff(place))
            try:
                put_on_site(task, staged, part(feedback, 0, 100))
            except SitetieError as error:
                raise error.at(file=source.name) from None
            stop_if_cancelled(feedback)
            outputs.commit()
        feedback.pushInfo(
            f"{task.grid.columns} x {task.grid.rows} cells of {task.grid.cell:g} "
            f"{tie.settings.site_length.code} on the site grid of tie {tie.short_id}.")
        return {OUTPUT: place}

    def _task(
        self, parameters: Values, context: QgsProcessingContext, feedback: QgsProcessingFeedback,
        tie: "Tie", source: "RasterSource", held: ExitStack,
    ) -> "Task":
        """What is to be done; `held` keeps what it needs."""
        from ..raster_source import SurfaceView, refuse_as_surface
        from ..raster_task import RasterWish, raster_task

        as_surface = self.choice(parameters, "VALUES", context) == "elevation"
        if as_surface:
            refuse_as_surface(source)
        wish = RasterWish(
            choices=self._choices_of(parameters, context, source, feedback),
            as_surface=as_surface,
            cell=self.number(parameters, "RESOLUTION", context),
            extent=self._extent(parameters, context, tie),
            aligned=self.parameterAsBool(parameters, "ALIGN", context),
            height=self.number(parameters, "HEIGHT", context),
            height_unit=self.choice(parameters, "HEIGHT_UNIT", context),
            height_geoid=self.text(parameters, "HEIGHT_GEOID", context) or None,
            datum_operation=self.text(parameters, "DATUM_OPERATION", context) or None,
            epoch=self.number(parameters, "OBSERVATION_EPOCH", context),
        )
        path = (held.enter_context(SurfaceView(source)).path if as_surface
                else source.dataset.GetDescription())
        return raster_task(tie, source, wish, path, feedback.pushWarning)

    def _choices_of(
        self, parameters: Values, context: QgsProcessingContext, source: "RasterSource",
        feedback: QgsProcessingFeedback,
    ) -> "RasterChoices":
        from ..raster_on_site import RasterChoices

        resampling = self.choice(parameters, "RESAMPLING", context)
        if source.has_palette and resampling != "near":
            feedback.pushWarning("The values of the raster are numbers of colours, so the nearest "
                                 "cell is taken instead of interpolating.")
            resampling = "near"
        return RasterChoices(
            resampling=resampling,
            nodata=self.number(parameters, "NODATA", context),
            format=self.choice(parameters, "FORMAT", context),
            compression=self.choice(parameters, "COMPRESSION", context),
            overviews=self.parameterAsBool(parameters, "OVERVIEWS", context),
        )

    def _extent(
        self, parameters: Values, context: QgsProcessingContext, tie: "Tie"
    ) -> Optional[Tuple[Tuple[float, float, float, float], Optional[str]]]:
        """West, south, east, north, and the CRS where it is not that of the site."""
        from ..job.layer_source import crs_text
        from ..site_crs import tie_of

        box = self.parameterAsExtent(parameters, "EXTENT", context)
        if box.isNull() or box.isEmpty() and not parameters.get("EXTENT"):
            return None
        bounds = (box.xMinimum(), box.yMinimum(), box.xMaximum(), box.yMaximum())
        crs = self.parameterAsExtentCrs(parameters, "EXTENT", context)
        on_site = not crs.isValid() or tie_of(crs) == tie.short_id
        return bounds, None if on_site else crs_text(crs)


def _tiff(place: str) -> str:
    from ...core.errors import OutputError

    if not place.lower().endswith((".tif", ".tiff")):
        raise OutputError("The result is a GeoTIFF.", "Give a file that ends in .tif.", file=place)
    return place
