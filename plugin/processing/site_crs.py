"""sitetie:sitecrs: the site grid of a tie as a CRS that QGIS and other programs know."""

from __future__ import annotations

from typing import Any, Optional

from qgis.core import (
    QgsProcessing,
    QgsProcessingAlgorithm,
    QgsProcessingContext,
    QgsProcessingFeedback,
    QgsProcessingOutputString,
    QgsProcessingParameterBoolean,
    QgsProcessingParameterFileDestination,
    QgsProcessingParameterFolderDestination,
    QgsProcessingParameterMultipleLayers,
    QgsProcessingParameterNumber,
    QgsProject,
)

from .algorithm import SitetieAlgorithm, Values, tr

LAYERS, WKT_FILE, HAND_OVER = "LAYERS", "WKT_FILE", "HAND_OVER"
OUTPUTS = (
    ("AUTHID", tr("Code of the CRS in this QGIS profile")),
    ("NAME", tr("Name of the CRS")),
    ("WKT", tr("The CRS as WKT 2")),
    ("PIPELINE", tr("PROJ pipeline from longitude, latitude, height to the site")),
    ("PIPELINE_BACK", tr("PROJ pipeline from the site to longitude, latitude, height")),
)


class SiteCrsAlgorithm(SitetieAlgorithm):
    """A tie as a CRS."""

    ID = "sitecrs"
    TITLE = tr("Register site CRS")
    SUMMARY = tr("Makes the site grid of a tie a coordinate reference system of QGIS.")
    HELP = tr(
        "Puts the site grid of a tie into QGIS's list of user-defined CRSs, under a name with the "
        "number and the first digits of the hash of the tie. Everything that QGIS draws, measures "
        "or exports can then stand on the site. Done twice for one tie it is there once; a newer "
        "tie is a new CRS, and the older one stays.\n\n"
        "The CRS is a plane. Elevations come through the pipeline, which this algorithm gives in "
        "both directions: longitude and latitude in degrees and ellipsoidal height in metres, in "
        "the observation CRS of the tie, from and to easting, northing and elevation.\n\n"
        "Layers chosen here keep their coordinates and are said to be given in the site grid. "
        "Choose control, design and other layers that are; not layers with GNSS or map "
        "coordinates, which QGIS brings onto the site by itself.\n\n"
        "GeoPackage, FlatGeobuf, GeoTIFF and projects keep the CRS. A shapefile cannot: its .prj "
        "knows no derived CRS. The page in the hand-over folder tells how other programs take it."
    )

    def flags(self) -> QgsProcessingAlgorithm.Flag:
        # QGIS's list of CRSs, the project and its layers belong to the main thread.
        return super().flags() | QgsProcessingAlgorithm.Flag.FlagNoThreading

    def initAlgorithm(self, configuration: Any = None) -> None:
        self.add_tie()
        self.add(
            QgsProcessingParameterMultipleLayers(
                LAYERS, tr("Layers given in site coordinates"),
                QgsProcessing.SourceType.TypeMapLayer, optional=True,
            ),
            tr("They get the site CRS; their coordinates stay as they are."),
        )
        self.add(
            QgsProcessingParameterBoolean("PROJECT", tr("Put the project on the site grid"), False),
            tr("The CRS it has now is remembered with the project. The dock leads back to it."),
        )
        self.add_text("SITE", tr("Name of the site"), tr("Blank: the title of the project."))
        self.add(
            QgsProcessingParameterNumber(
                "NUMBER", tr("Number of the tie"), QgsProcessingParameterNumber.Type.Integer,
                optional=True, minValue=1,
            ),
            tr("Given when the tie was accepted; it becomes a part of the name."),
            advanced=True,
        )
        self.add(
            QgsProcessingParameterFileDestination(
                WKT_FILE, tr("The CRS as a file"), tr("WKT file (*.wkt)"), optional=True,
                createByDefault=False,
            ),
            tr("For GDAL, PDAL and other programs on PROJ."),
        )
        self.add(
            QgsProcessingParameterFolderDestination(
                HAND_OVER, tr("Hand-over folder"), optional=True, createByDefault=False
            ),
            tr("A folder with all that other programs need: the CRS, the pipelines, SQL for "
               "PostGIS, and a page with the commands for GDAL, PROJ, PostGIS, PDAL and DuckDB."),
        )
        for name, description in OUTPUTS:
            self.addOutput(QgsProcessingOutputString(name, description))

    def compute(
        self, parameters: Values, context: QgsProcessingContext, feedback: QgsProcessingFeedback
    ) -> Values:
        from ...core.hand_over import write_hand_over
        from ...core.tie import Tie
        from ...core.whole_file import write_whole_file
        from ..site_crs import put_project_on, register, set_on_layers, site_name

        tie = Tie.load(self.parameterAsFile(parameters, "TIE", context))
        project = context.project() or QgsProject.instance()
        site = self.text(parameters, "SITE", context) or site_name(project)
        crs = register(tie, self._number(parameters, context), site)
        feedback.pushInfo(f"{crs.authid()}: {crs.description()}")
        layers = self.parameterAsLayerList(parameters, LAYERS, context)
        set_on_layers(layers, crs)
        for layer in layers:
            feedback.pushInfo(tr("{} is on it.").format(layer.name()))
            if layer.source().lower().split("|")[0].endswith(".shp"):
                feedback.pushWarning(tr(
                    "{} is a shapefile, whose .prj cannot hold the CRS: it is kept with the "
                    "project alone.").format(layer.name()))
        if self.parameterAsBool(parameters, "PROJECT", context):
            put_project_on(project, crs)
            feedback.pushInfo(tr("The project is on it."))
        if tie.vertical is None:
            feedback.pushInfo(tr("The tie has no vertical part: heights pass through."))
        for text in (tie.pipeline(), tie.pipeline(backward=True)):
            feedback.pushInfo(text)
        results = {"AUTHID": crs.authid(), "NAME": crs.description(),
                   "WKT": tie.crs_wkt(crs.description()), "PIPELINE": tie.pipeline(),
                   "PIPELINE_BACK": tie.pipeline(backward=True)}
        path = self.parameterAsFileOutput(parameters, WKT_FILE, context)
        if path:
            write_whole_file(path, results["WKT"].encode("utf-8"))
            results[WKT_FILE] = path
        folder = self.parameterAsString(parameters, HAND_OVER, context)
        if folder:
            write_hand_over(tie, folder, crs.description())
            results[HAND_OVER] = folder
        return results

    def _number(self, parameters: Values, context: QgsProcessingContext) -> Optional[int]:
        if parameters.get("NUMBER") in (None, ""):
            return None
        return self.parameterAsInt(parameters, "NUMBER", context)
