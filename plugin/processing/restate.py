"""sitetie:restate: site coordinates of an observation layer through a tie."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from qgis.core import (
    QgsProcessing,
    QgsProcessingContext,
    QgsProcessingFeedback,
    QgsProcessingParameterBoolean,
    QgsProcessingParameterCrs,
    QgsProcessingParameterFeatureSink,
    QgsProcessingParameterFeatureSource,
)

from .algorithm import SitetieAlgorithm, Values, stop_if_cancelled, tr
from .progress import part
from .settings_parameters import UNITS, crs_of

if TYPE_CHECKING:
    from ...core.restate import Restated
    from ...core.tie import Tie
    from ..observation_layer import ObservationChoices

OBSERVATIONS, TIE, OUTPUT = "OBSERVATIONS", "TIE", "OUTPUT"
_FIELDS = ("ID", "LATITUDE", "LONGITUDE", "HEIGHT", "SIGMA_E", "SIGMA_N", "SIGMA_U")


class RestateAlgorithm(SitetieAlgorithm):
    """Observations through a tie."""

    ID = "restate"
    TITLE = tr("Restate observations")
    SUMMARY = tr("Derives site coordinates of GNSS observations through a tie.")
    HELP = tr(
        "Derives site coordinates of observations through a tie, with their uncertainty. "
        "Geometry, CRS and fields of the observations stay as they are; a layer that was "
        "restated before gets new values in the same fields.\n\n"
        "site_e, site_n, site_z: easting, northing (site unit) and elevation (elevation unit)\n"
        "site_se, site_sn, site_sz: their standard deviations (one sigma) in the same units, "
        "of the tie and of the observation together\n"
        "site_in: 1 inside the hull of the control that drives the horizontal solution or on "
        "its edge, 0 outside\n"
        "site_tie: the first twelve digits of the tie's hash\n\n"
        "Standard deviations that are not given are assumed to be the defaults of the tie. "
        "Either the whole layer is restated or, after an error, nothing is written."
    )

    def initAlgorithm(self, configuration: Any = None) -> None:
        self.add(
            QgsProcessingParameterFeatureSource(
                OBSERVATIONS, tr("Observations"), [QgsProcessing.SourceType.TypeVector]
            ),
            tr("Points, 2-D or 3-D, in any CRS with a place on the earth; or any layer or table "
               "with latitude and longitude in fields."),
        )
        self.add_tie()
        self.add_fields(OBSERVATIONS, (
            ("ID", tr("Field with the observation's id"),
             tr("An observation that is one of the tie's own pairs is known by it, together with "
                "its position; its errors are inside the tie already.")),
            ("LATITUDE", tr("Field with the latitude"),
             tr("Blank: from the geometry. Degrees, or text in degrees, minutes, seconds.")),
            ("LONGITUDE", tr("Field with the longitude"), tr("As the latitude.")),
            ("HEIGHT", tr("Field with the ellipsoidal height"),
             tr("Of the mark. Blank: Z of the geometry, where there is one.")),
            ("SIGMA_E", tr("Field with the standard deviation to the east (m)"),
             tr("One sigma. Blank, or in blank cells: the default of the tie, assumed.")),
            ("SIGMA_N", tr("Field with the standard deviation to the north (m)"),
             tr("As to the east.")),
            ("SIGMA_U", tr("Field with the standard deviation of the height (m)"),
             tr("As to the east.")),
        ))
        self.add(
            QgsProcessingParameterBoolean("HORIZONTAL_ONLY", tr("Horizontally only"), False),
            tr("Leaves site_z and site_sz blank; observations then need no heights."),
        )
        self._add_frames()
        self.add(
            QgsProcessingParameterFeatureSink(OUTPUT, tr("Restated")),
            tr("The observations with the site fields."),
        )

    def _add_frames(self) -> None:
        self.add(
            QgsProcessingParameterCrs(
                "FIELDS_CRS", tr("CRS of latitude and longitude in fields"), optional=True
            ),
            tr("Geographic. Blank: the observation CRS of the tie."),
            advanced=True,
        )
        self.add_choice(
            "HEIGHT_UNIT", tr("Unit of heights"), UNITS,
            tr("Of the height field, or of Z in the geometry."), advanced=True,
        )
        self.add_geoid(
            "HEIGHT_GEOID", tr("Geoid grid by which heights were reduced"),
            tr("For orthometric heights: the undulation of this grid makes them ellipsoidal again. "
               "Blank: heights are ellipsoidal."),
        )
        self.add_text(
            "DATUM_OPERATION", tr("Datum operation to the frame of the tie"),
            tr("Where the layer stands on another datum than the tie: a part of the name of the "
               "operation, or a PROJ pipeline. “identical” says that both are one frame. Blank: "
               "the most accurate one PROJ knows; a null or ballpark one is refused."),
        )
        self.add_number(
            "OBSERVATION_EPOCH", tr("Epoch of the observations (decimal year)"), None,
            tr("Where the change of frame depends on time. Blank: the epoch of the tie."),
            advanced=True,
        )

    def compute(
        self, parameters: Values, context: QgsProcessingContext, feedback: QgsProcessingFeedback
    ) -> Values:
        from ...core.tie import Tie
        from ..observation_layer import restate_layer
        from ..outputs import Outputs
        from ..result_fields import ResultFields, write_results
        from ..site_fields import site_fields, site_values

        tie = Tie.load(self.parameterAsFile(parameters, TIE, context))
        source = self.parameterAsSource(parameters, OBSERVATIONS, context)
        restated = restate_layer(
            source, source.sourceName(), tie, self._choices_of(parameters, context),
            part(feedback, 0, 50), feedback.pushWarning,
        )
        results = ResultFields(source.fields(), site_fields())
        with Outputs() as outputs:
            layer = outputs.layer(
                self, parameters, OUTPUT, context, results.fields, source.wkbType(),
                source.sourceCrs(),
            )
            assert layer is not None  # OUTPUT is not optional
            write_results(
                source, layer, results, len(restated),
                lambda start, stop: site_values(restated, tie, start, stop),
                part(feedback, 50, 100),
            )
            stop_if_cancelled(feedback)
            outputs.commit()
        feedback.pushInfo(_summary(restated, tie))
        return {OUTPUT: layer.place}

    def _choices_of(
        self, parameters: Values, context: QgsProcessingContext
    ) -> "ObservationChoices":
        from ..observation_layer import ObservationChoices

        return ObservationChoices(
            **{name.lower(): self.field(parameters, name, context) for name in _FIELDS},
            fields_crs=crs_of(self, parameters, "FIELDS_CRS", context),
            height_unit=self.choice(parameters, "HEIGHT_UNIT", context),
            height_geoid=self.text(parameters, "HEIGHT_GEOID", context) or None,
            datum_operation=self.text(parameters, "DATUM_OPERATION", context) or None,
            epoch=self.number(parameters, "OBSERVATION_EPOCH", context),
            horizontal_only=self.parameterAsBool(parameters, "HORIZONTAL_ONLY", context),
        )


def _summary(restated: "Restated", tie: "Tie") -> str:
    said = f"{len(restated)} points restated through tie {tie.short_id}"
    if restated.inside is not None:
        outside = len(restated) - int(restated.inside.sum())
        said += f"; {outside} of them lie outside the control hull"
    own = int(restated.own.sum())
    return said + (f"; {own} are observations of the tie's own pairs." if own else ".")
