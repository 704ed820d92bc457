"""sitetie:seek: where to look for control points that are not observed yet."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Optional, Tuple

from qgis.core import (
    QgsProcessing,
    QgsProcessingContext,
    QgsProcessingFeedback,
    QgsProcessingParameterFeatureSink,
    QgsProcessingParameterFileDestination,
    QgsProcessingParameterPoint,
    QgsWkbTypes,
)

from .algorithm import SitetieAlgorithm, Values, stop_if_cancelled, tr
from .planning_parameters import (
    add_control,
    add_observed_already,
    add_shot_sigmas,
    observed_already,
    read_control_layer,
    shot_covariance,
)

if TYPE_CHECKING:
    from ...core.seek_list import SeekList
    from ...core.tie import Tie
    from ..outputs import Outputs

TIE, CREW = "TIE", "CREW"
OUTPUT, CIRCLES, GPX, CSV = "OUTPUT", "CIRCLES", "GPX", "CSV"


class SeekAlgorithm(SitetieAlgorithm):
    """A tie and control points to a seek list."""

    ID = "seek"
    TITLE = tr("Seek list")
    SUMMARY = tr("Predicts where control points lie that have not been observed yet.")
    HELP = tr(
        "For every control point that is in no pair of the tie: predicted latitude, longitude "
        "and height, and the radius round it in which GNSS will see the mark with the confidence "
        "of the tie's settings (95 %). The radius is computed from both axes of the error ellipse; "
        "it holds the tie's own uncertainty there, that of the control coordinates and that of the "
        "finding shot. Far from the pairs of a two-pair tie it is wide.\n\n"
        "seek_no: place in the walk, from the crew or from the mark known best\n"
        "seek_lat, seek_lon, seek_h: degrees and ellipsoidal metres in the observation CRS of the "
        "tie\n"
        "seek_r: radius, metres; seek_dh: half of the interval of the height, metres\n"
        "seek_a, seek_b, seek_brg: half axes of the error ellipse, metres, and true bearing of "
        "the larger one\n"
        "seek_out: metres outside the control of the tie; seek_leg: metres from the place before\n"
        "seek_text: the same in words\n\n"
        "A mark found in its circle may still be another one: compare what the document says of "
        "it. Before digging for a mark, have services located as the local code requires."
    )

    def initAlgorithm(self, configuration: Any = None) -> None:
        self.add_tie()
        add_control(self, tr("Control points"),
                    tr("All that are known, in site coordinates; those of the tie's pairs are left "
                       "out."))
        self.add(
            QgsProcessingParameterPoint(CREW, tr("Where the crew stands"), optional=True),
            tr("Begin of the walk. Blank: the mark that is known best."),
        )
        add_observed_already(self)
        add_shot_sigmas(self, tr(
            "Of what finds the mark, one sigma; some metres for a hand-held receiver. Blank: the "
            "default of the tie, assumed."))
        self.add(
            QgsProcessingParameterFeatureSink(
                OUTPUT, tr("Seek list"), QgsProcessing.SourceType.TypeVectorPoint),
            tr("Points in the observation CRS of the tie, in the order of the walk."),
        )
        self.add(
            QgsProcessingParameterFeatureSink(
                CIRCLES, tr("Search circles"), QgsProcessing.SourceType.TypeVectorPolygon,
                optional=True, createByDefault=False),
            tr("Circles of those radii."),
        )
        for name, description, kind, text in (
            (GPX, tr("GPX file"), tr("GPX (*.gpx)"),
             tr("Waypoints and the walk in WGS 84, for a hand-held receiver or a telephone.")),
            (CSV, tr("CSV file"), tr("CSV (*.csv)"), tr("The list as a table.")),
        ):
            self.add(
                QgsProcessingParameterFileDestination(
                    name, description, kind, optional=True, createByDefault=False), text)

    def compute(
        self, parameters: Values, context: QgsProcessingContext, feedback: QgsProcessingFeedback
    ) -> Values:
        from ...core.seek_list import seek_list
        from ...core.tie import Tie
        from ..outputs import Outputs

        tie = Tie.load(self.parameterAsFile(parameters, TIE, context))
        read = read_control_layer(self, parameters, context)
        feedback.setProgress(10)
        seek = seek_list(
            tie, read.control, start=self._crew(parameters, context, tie),
            leave_out=observed_already(self, parameters, context),
            observation_covariance=shot_covariance(self, parameters, context, tie),
            progress=lambda share: _told(feedback, share),
        )
        for name in seek.unplaced:
            feedback.pushWarning(tr("{} has no position; it is left out.").format(name))
        with Outputs() as outputs:
            results = self._write(tie, seek, parameters, context, outputs)
            stop_if_cancelled(feedback)
            outputs.commit()
        feedback.pushInfo(seek.words())
        return results

    def _crew(
        self, parameters: Values, context: QgsProcessingContext, tie: "Tie"
    ) -> Optional[Tuple[float, float]]:
        """Latitude and longitude of the crew; None where nobody said."""
        from ..seek_layer import observation_crs

        if parameters.get(CREW) in (None, ""):
            return None
        point = self.parameterAsPoint(parameters, CREW, context, observation_crs(tie))
        return point.y(), point.x()

    def _write(
        self, tie: "Tie", seek: "SeekList", parameters: Values, context: QgsProcessingContext,
        outputs: "Outputs",
    ) -> Values:
        from ...core.seek_files import seek_csv, seek_gpx
        from ...core.whole_file import write_whole_file
        from ..seek_layer import (
            circle_features,
            observation_crs,
            seek_features,
            seek_fields,
            seek_kind,
        )

        results: Values = {}
        crs = observation_crs(tie)
        for name, kind, features in (
            (OUTPUT, seek_kind(seek), seek_features),
            (CIRCLES, QgsWkbTypes.Type.Polygon, circle_features),
        ):
            layer = outputs.layer(
                self, parameters, name, context, seek_fields(), kind, crs, new_keys=True)
            if layer is not None:
                layer.add(list(features(seek, tie)))
                results[name] = layer.place
        for name, content in ((GPX, lambda: seek_gpx(seek, tie)), (CSV, lambda: seek_csv(seek))):
            path = self.parameterAsFileOutput(parameters, name, context)
            if path:
                write_whole_file(outputs.file(path), content())
                results[name] = path
        return results


def _told(feedback: QgsProcessingFeedback, share: float) -> bool:
    feedback.setProgress(10.0 + 80.0 * share)
    return not feedback.isCanceled()
