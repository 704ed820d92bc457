"""sitetie:landxml: points in site coordinates as LandXML 1.2, for the designer."""

from __future__ import annotations

from typing import Any, Iterator

from qgis.core import (
    QgsProcessing,
    QgsProcessingContext,
    QgsProcessingFeedback,
    QgsProcessingParameterFeatureSource,
    QgsProcessingParameterField,
    QgsProcessingParameterFileDestination,
)

from .algorithm import SitetieAlgorithm, Values, stop_if_cancelled, tr

POINTS, TIE, ID, OUTPUT = "POINTS", "TIE", "ID", "OUTPUT"


class WriteLandXmlAlgorithm(SitetieAlgorithm):
    """Points for programs that read LandXML."""

    ID = "landxml"
    TITLE = tr("Points as LandXML")
    SUMMARY = tr("Points in site coordinates as LandXML 1.2 CgPoints.")
    HELP = tr(
        "Writes points in site coordinates as LandXML 1.2: northing, easting, elevation, as the "
        "standard has them, in the site unit of the tie, which the file states. LandXML has one "
        "unit for all three: elevations in another one are converted.\n\n"
        "What is handed out by one tie stays in the ground when the tie changes: the title says "
        "by which tie it was made."
    )

    def initAlgorithm(self, configuration: Any = None) -> None:
        self.add(
            QgsProcessingParameterFeatureSource(
                POINTS, tr("Points"), [QgsProcessing.SourceType.TypeVector]),
            tr("Points in site coordinates, or any layer or table that has them in fields."),
        )
        self.add_tie()
        self.add(
            QgsProcessingParameterField(ID, tr("Field with the name"),
                                        parentLayerParameterName=POINTS),
            tr("Each point needs a name of its own."),
        )
        self.add_fields(POINTS, (
            ("EASTING", tr("Field with the easting"), tr("Blank: from the geometry.")),
            ("NORTHING", tr("Field with the northing"), tr("Blank: from the geometry.")),
            ("ELEVATION", tr("Field with the elevation"),
             tr("Blank: Z of the geometry, where there is one.")),
            ("CODE", tr("Field with the code"), tr("May be left blank.")),
            ("DESCRIPTION", tr("Field with the description"), tr("May be left blank.")),
        ))
        self.add_text("TITLE", tr("Title"), tr("Of the project in the file; the tie is added."))
        self.add(
            QgsProcessingParameterFileDestination(
                OUTPUT, tr("LandXML"), fileFilter=tr("LandXML (*.xml)")),
            tr("Replaced whole, or not at all."),
        )

    def compute(
        self, parameters: Values, context: QgsProcessingContext, feedback: QgsProcessingFeedback
    ) -> Values:
        from ...core.landxml import write_landxml
        from ...core.tie import Tie

        tie = Tie.load(self.parameterAsFile(parameters, TIE, context))
        path = self.parameterAsFileOutput(parameters, OUTPUT, context)
        site, height = tie.settings.site_length, tie.settings.elevation_length
        factor = 1.0 if site == height else height.metres / site.metres
        points = list(self._points(parameters, context, feedback, factor))
        stop_if_cancelled(feedback)
        title = self.text(parameters, "TITLE", context) or tr("Site coordinates")
        write_landxml(path, points, site.code,
                      title=tr("{title}, tie {tie}").format(title=title, tie=tie.short_id))
        feedback.pushInfo(tr("{count} points written.").format(count=len(points)))
        return {OUTPUT: path}

    def _points(self, parameters, context, feedback, factor: float) -> Iterator[Any]:
        import numpy as np

        from ...core.landxml import SurveyPoint
        from ...core.pair_table import cell_text
        from ..cells import cell
        from ..layer_positions import PositionSource
        from .progress import part

        source = self.parameterAsSource(parameters, POINTS, context)
        names = {name: self.field(parameters, name, context) for name in (
            ID, "EASTING", "NORTHING", "ELEVATION", "CODE", "DESCRIPTION")}
        columns = PositionSource(
            source, source.sourceName(), x=names["EASTING"], y=names["NORTHING"],
            z=names["ELEVATION"], id=names[ID],
        ).read(part(feedback, 0, 60))
        texts = [[cell_text(cell(feature[names[name]])) if names[name] else ""
                  for name in ("CODE", "DESCRIPTION")] for feature in source.getFeatures()]
        for place in range(len(columns.x)):
            z = float(columns.z[place]) * factor
            yield SurveyPoint(
                (columns.ids or [])[place], float(columns.x[place]), float(columns.y[place]),
                None if np.isnan(z) else z, code=texts[place][0], description=texts[place][1])
