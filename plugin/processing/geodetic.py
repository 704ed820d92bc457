"""sitetie:geodetic: site coordinates to latitude, longitude, height, for staking out."""

from __future__ import annotations

from typing import Any

from qgis.core import (
    QgsCoordinateReferenceSystem,
    QgsProcessing,
    QgsProcessingContext,
    QgsProcessingFeedback,
    QgsProcessingParameterBoolean,
    QgsProcessingParameterFeatureSink,
    QgsProcessingParameterFeatureSource,
    QgsWkbTypes,
)

from .algorithm import SitetieAlgorithm, Values, stop_if_cancelled, tr
from .progress import part

SITE, TIE, OUTPUT = "SITE", "TIE", "OUTPUT"


class GeodeticAlgorithm(SitetieAlgorithm):
    """Site coordinates through a tie, the other way."""

    ID = "geodetic"
    TITLE = tr("Site coordinates to latitude and longitude")
    SUMMARY = tr("Latitude, longitude, height of site coordinates, for staking out.")
    HELP = tr(
        "Turns site coordinates into latitude, longitude and ellipsoidal height through a tie, "
        "as points for staking out with GNSS. Lines and polygons give a point for each vertex. "
        "All fields are kept.\n\n"
        "geo_lat, geo_lon: degrees in the observation CRS of the tie\n"
        "geo_h: ellipsoidal height of the point, metres\n"
        "geo_in: 1 inside the hull of the control that drives the horizontal solution or on "
        "its edge, 0 outside\n"
        "geo_tie: the first twelve digits of the tie's hash\n"
        "geo_vertex: number of the vertex, from 1, for lines and polygons\n\n"
        "What is set out by one tie stays in the ground when the tie changes: keep the tie. "
        "Before digging, have services located as the local code requires."
    )

    def initAlgorithm(self, configuration: Any = None) -> None:
        self.add(
            QgsProcessingParameterFeatureSource(
                SITE, tr("Site coordinates"), [QgsProcessing.SourceType.TypeVector]
            ),
            tr("Layer in site coordinates, or any layer or table that has them in fields. Units "
               "are those of the tie."),
        )
        self.add_tie()
        self.add_fields(SITE, (
            ("EASTING", tr("Field with the easting"), tr("Blank: from the geometry.")),
            ("NORTHING", tr("Field with the northing"), tr("Blank: from the geometry.")),
            ("ELEVATION", tr("Field with the elevation"),
             tr("Blank: Z of the geometry, where there is one.")),
        ))
        self.add(
            QgsProcessingParameterBoolean("HORIZONTAL_ONLY", tr("Horizontally only"), False),
            tr("Leaves geo_h blank; the points then need no elevations."),
        )
        self.add(
            QgsProcessingParameterBoolean("DMS", tr("Also as degrees, minutes, seconds"), False),
            tr("Adds the texts geo_latdms and geo_londms."),
        )
        self.add(
            QgsProcessingParameterFeatureSink(
                OUTPUT, tr("Geodetic positions"), QgsProcessing.SourceType.TypeVectorPoint
            ),
            tr("Points in the observation CRS of the tie."),
        )

    def compute(
        self, parameters: Values, context: QgsProcessingContext, feedback: QgsProcessingFeedback
    ) -> Values:
        from ...core.tie import Tie
        from ..geodetic_layer import (
            SiteChoices,
            geodetic_fields,
            geodetic_positions,
            has_vertices,
            write_geodetic,
        )
        from ..outputs import Outputs
        from ..result_fields import ResultFields

        tie = Tie.load(self.parameterAsFile(parameters, TIE, context))
        source = self.parameterAsSource(parameters, SITE, context)
        choices = SiteChoices(
            easting=self.field(parameters, "EASTING", context),
            northing=self.field(parameters, "NORTHING", context),
            elevation=self.field(parameters, "ELEVATION", context),
            horizontal_only=self.parameterAsBool(parameters, "HORIZONTAL_ONLY", context),
            dms=self.parameterAsBool(parameters, "DMS", context),
        )
        found = geodetic_positions(
            source, source.sourceName(), tie, choices, part(feedback, 0, 50), feedback.pushWarning
        )
        results = ResultFields(
            source.fields(), geodetic_fields(choices, has_vertices(source, choices)))
        crs = QgsCoordinateReferenceSystem()
        crs.createFromUserInput(tie.settings.observation_crs)
        kind = QgsWkbTypes.Type.Point if found.height is None else QgsWkbTypes.Type.PointZ
        with Outputs() as outputs:
            layer = outputs.layer(
                self, parameters, OUTPUT, context, results.fields, kind,
                crs, new_keys=True,
            )
            assert layer is not None  # OUTPUT is not optional
            write_geodetic(
                source, layer, found, tie, choices, results, part(feedback, 50, 100))
            stop_if_cancelled(feedback)
            outputs.commit()
        feedback.pushInfo(f"{len(found)} points through tie {tie.short_id}.")
        return {OUTPUT: layer.place}
