"""sitetie:nextcontrol: which control point to look for next, and what it would bring."""

from __future__ import annotations

from typing import Any

from qgis.core import (
    QgsProcessing,
    QgsProcessingContext,
    QgsProcessingFeedback,
    QgsProcessingOutputString,
    QgsProcessingParameterFeatureSink,
    QgsWkbTypes,
)

from .algorithm import SitetieAlgorithm, Values, stop_if_cancelled, tr
from .planning_parameters import (
    add_control,
    add_observed_already,
    add_restated_points,
    add_shot_sigmas,
    add_work_area,
    observed_already,
    read_control_layer,
    read_work_area,
    shot_covariance,
)

TIE, OUTPUT, NOW = "TIE", "OUTPUT", "NOW"
RANK_BY = (
    ("both", tr("position and elevation")),
    ("horizontal", tr("position alone")),
    ("vertical", tr("elevation alone")),
)


class NextControlAlgorithm(SitetieAlgorithm):
    """A tie and control points to a ranking."""

    ID = "nextcontrol"
    TITLE = tr("Next control point")
    SUMMARY = tr("Ranks control points not observed yet by what each would bring.")
    HELP = tr(
        "Adds each control point to the least squares of the tie as if it were observed where the "
        "tie expects it: how far the predicted uncertainty over the work area falls, and which "
        "blunders would then be seen, found, or still stay hidden. First come those that leave "
        "fewer blunders hidden, then those that lower the worst case most.\n\n"
        "next_rank: from 1; next_text: what it would bring, in a sentence\n"
        "was_h, worst_h: worst half axis over the work area now and then (site unit); wmean_h, "
        "mean_h: the mean; _v: half interval of an elevation (elevation unit)\n"
        "gain: fall of the worst case, 0 to 1\n"
        "findable: marks where a blunder could be found then and cannot now; seen: where it would "
        "show then, though not at which mark it is; hidden: where it could still hide\n\n"
        "All of it is predicted from the stated or assumed standard deviations; what the "
        "observation itself will say nobody knows."
    )

    def initAlgorithm(self, configuration: Any = None) -> None:
        self.add_tie()
        add_control(self, tr("Control points"),
                    tr("All that are known, in site coordinates; those of the tie's pairs are no "
                       "candidates."))
        add_work_area(self, tr("Blank: all within the hull of the control points."))
        self.add_choice("RANK_BY", tr("Rank by"), RANK_BY,
                        tr("Whose fall counts among equals."), advanced=True)
        add_observed_already(self)
        add_shot_sigmas(self, tr("Of the observation to come, one sigma. Blank: the default of "
                                 "the tie, assumed."))
        add_restated_points(self)
        self.add(
            QgsProcessingParameterFeatureSink(
                OUTPUT, tr("Next control points"), QgsProcessing.SourceType.TypeVectorPoint),
            tr("Points where the tie expects the marks, the best first."),
        )
        self.addOutput(QgsProcessingOutputString(NOW, tr("Present state, in words")))

    def compute(
        self, parameters: Values, context: QgsProcessingContext, feedback: QgsProcessingFeedback
    ) -> Values:
        from ...core.next_control import next_control
        from ...core.tie import Tie
        from ..next_layer import next_features, next_fields
        from ..outputs import Outputs
        from ..seek_layer import observation_crs

        tie = Tie.load(self.parameterAsFile(parameters, TIE, context))
        read = read_control_layer(self, parameters, context)

        def told(share: float) -> bool:
            feedback.setProgress(90.0 * share)
            return not feedback.isCanceled()

        ranked = next_control(
            tie, read.control, read_work_area(self, parameters, context, feedback, tie),
            leave_out=observed_already(self, parameters, context),
            observation_covariance=shot_covariance(self, parameters, context, tie),
            of_restated_points=not self.parameterAsBool(parameters, "TIE_ALONE", context),
            rank_by=self.choice(parameters, "RANK_BY", context), progress=told,
        )
        for name in ranked.unplaced:
            feedback.pushWarning(tr("{} has no position; it is left out.").format(name))
        with Outputs() as outputs:
            layer = outputs.layer(
                self, parameters, OUTPUT, context, next_fields(), QgsWkbTypes.Type.Point,
                observation_crs(tie), new_keys=True)
            assert layer is not None  # OUTPUT is not optional
            layer.add(list(next_features(ranked, tie)))
            stop_if_cancelled(feedback)
            outputs.commit()
        feedback.pushInfo(tr("Now: {}").format(ranked.now_words()))
        for mark in ranked.marks:
            feedback.pushInfo(f"{mark.rank}. {ranked.words(mark)}")
        if not ranked.marks:
            feedback.pushWarning(tr("There is no control point left that could be observed."))
        return {OUTPUT: layer.place, NOW: ranked.now_words()}
