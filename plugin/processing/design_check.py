"""sitetie:designcheck: what planned marks would be worth, before anyone drives out."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Optional, Tuple

from qgis.core import (
    QgsCoordinateReferenceSystem,
    QgsProcessing,
    QgsProcessingContext,
    QgsProcessingFeedback,
    QgsProcessingOutputString,
    QgsProcessingParameterFeatureSink,
    QgsProcessingParameterPoint,
    QgsProcessingParameterRasterDestination,
    QgsWkbTypes,
)

from .algorithm import SitetieAlgorithm, Values, stop_if_cancelled, tr
from .planning_parameters import (
    add_control,
    add_restated_points,
    add_work_area,
    read_control_layer,
    read_work_area,
)
from .settings_parameters import add_settings, read_settings

if TYPE_CHECKING:
    from ...core.settings import Settings

CONTROL, PLACE = "CONTROL", "PLACE"
SURFACE, BLUNDERS, SUMMARY = "SURFACE", "BLUNDERS", "SUMMARY"


class DesignCheckAlgorithm(SitetieAlgorithm):
    """Planned marks to a confidence surface and what blunders would do."""

    ID = "designcheck"
    TITLE = tr("Design check")
    SUMMARY = tr("What planned marks and sigmas would be worth, without any observation.")
    HELP = tr(
        "The uncertainty of a tie depends on where its marks lie and on their standard "
        "deviations, not on what is observed there. From planned marks in site coordinates: the "
        "confidence surface that a tie of these marks would have, and for each mark whether a "
        "blunder would be found, would only show, or could stay hidden.\n\n"
        "red: redundancy number, 0 (no other mark controls it) to 1\n"
        "mdb: smallest blunder that shows, told: smallest that is told from one at any other mark, "
        "effect: most that one just too small to show moves a point of the work area (site or "
        "elevation unit)\n"
        "like: marks a blunder cannot be told from\n\n"
        "The standard deviations decide everything here: state them as they will be, not as the "
        "leaflet has them."
    )

    def initAlgorithm(self, configuration: Any = None) -> None:
        add_control(self, tr("Planned marks"), tr("In site coordinates."))
        self.add_fields(CONTROL, (
            ("SHOT_SIGMA_H", tr("Field with the horizontal standard deviation of the shot (m)"),
             tr("Expected of the observation, each axis, one sigma. Blank: the default, assumed.")),
            ("SHOT_SIGMA_V", tr("Field with the standard deviation of the shot's height (m)"),
             tr("As the horizontal one.")),
        ))
        add_settings(self)
        self.add(
            QgsProcessingParameterPoint(PLACE, tr("Where the site lies"), optional=True),
            tr("Needed only where a base projection is named."), advanced=True,
        )
        add_work_area(self, tr("Blank: all within the hull of the planned marks."))
        self.add_number("CELL", tr("Cell size of the surface (site unit)"), None,
                        tr("Blank: a two-hundredth of the longer side."), advanced=True)
        add_restated_points(self)
        surface = QgsProcessingParameterRasterDestination(
            SURFACE, tr("Confidence surface"), optional=True)
        self.add(surface, tr("Band 1: half axis of the position (site unit); band 2: half interval "
                             "of the elevation (elevation unit)."))
        self.add(
            QgsProcessingParameterFeatureSink(
                BLUNDERS, tr("Blunders"), QgsProcessing.SourceType.TypeVector, optional=True,
                createByDefault=True),
            tr("A row for each mark and side."),
        )
        self.addOutput(QgsProcessingOutputString(SUMMARY, tr("Summary, in words")))

    def compute(
        self, parameters: Values, context: QgsProcessingContext, feedback: QgsProcessingFeedback
    ) -> Values:
        from ...core.design_check import design_check
        from ..control_source import sigmas_of
        from ..map.confidence_raster import write_surface
        from ..outputs import Outputs
        from ..reliability_table import reliability_features, reliability_fields

        settings = self._settings(parameters, context)
        read = read_control_layer(self, parameters, context)
        shots = sigmas_of(read, [self.field(parameters, name, context)
                                 for name in ("SHOT_SIGMA_H", "SHOT_SIGMA_V")])
        alone = self.parameterAsBool(parameters, "TIE_ALONE", context)
        plan = design_check(
            read.control, settings, place=self._place(parameters, context, settings),
            area=read_work_area(self, parameters, context, feedback, None),
            observation_sigmas=[(horizontal, vertical) for horizontal, vertical in shots],
            of_restated_points=not alone,
        )
        results: Values = {SUMMARY: plan.words()}
        path = self.parameterAsOutputLayer(parameters, SURFACE, context)
        with Outputs() as outputs:
            if path:
                surface = plan.surface(
                    None, self.number(parameters, "CELL", context), not alone,
                    lambda share: _told(feedback, share))
                crs = read.layer.crs()
                wkt = crs.toWkt(QgsCoordinateReferenceSystem.WktVariant.WKT_PREFERRED)
                write_surface(surface, wkt if crs.isValid() else "", outputs.file(path))
                results[SURFACE] = path
            table = outputs.layer(
                self, parameters, BLUNDERS, context, reliability_fields(),
                QgsWkbTypes.Type.NoGeometry, QgsCoordinateReferenceSystem())
            if table is not None:
                table.add(list(reliability_features(plan.reliability)))
                results[BLUNDERS] = table.place
            stop_if_cancelled(feedback)
            outputs.commit()
        feedback.pushInfo(plan.words())
        return results

    def _settings(self, parameters: Values, context: QgsProcessingContext) -> "Settings":
        """The settings; of a held scale only its sigma matters here."""
        from ...core.settings import HeldScale

        settings = read_settings(self, parameters, context)
        if self.choice(parameters, "SCALE", context) == "model":
            return settings
        value = self.number(parameters, "SCALE_VALUE", context)
        sigma = self.number(parameters, "SCALE_SIGMA", context)
        return settings.replace(scale=HeldScale(value or 1.0, sigma or 0.0))

    def _place(
        self, parameters: Values, context: QgsProcessingContext, settings: "Settings"
    ) -> Optional[Tuple[float, float]]:
        if parameters.get(PLACE) in (None, ""):
            return None
        crs = QgsCoordinateReferenceSystem()
        crs.createFromUserInput(settings.observation_crs)
        point = self.parameterAsPoint(parameters, PLACE, context, crs)
        return point.y(), point.x()


def _told(feedback: QgsProcessingFeedback, share: float) -> bool:
    feedback.setProgress(90.0 * share)
    return not feedback.isCanceled()
