"""sitetie:pair: control points and observations paired by their geometry alone."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, List, Optional, Sequence

from qgis.core import (
    QgsProcessing,
    QgsProcessingContext,
    QgsProcessingFeedback,
    QgsProcessingOutputBoolean,
    QgsProcessingOutputNumber,
    QgsProcessingParameterBoolean,
    QgsProcessingParameterCrs,
    QgsProcessingParameterFeatureSource,
    QgsProcessingParameterFileDestination,
    QgsProcessingParameterNumber,
)

from .algorithm import SitetieAlgorithm, Values, stop_if_cancelled, tr
from .planning_parameters import add_control, read_control_layer
from .settings_parameters import UNITS, crs_of

if TYPE_CHECKING:
    from ...core.pairing_marks import MarkPair, MarkPairing
    from ...core.pairs import Control, Observation, Pair
    from ...core.settings import Settings

OBSERVATIONS, ANSWER, OUTPUT = "OBSERVATIONS", "ANSWER", "OUTPUT"
PAIRS, CONFIDENCE, MIRRORED = "PAIRS", "CONFIDENCE", "MIRRORED"
_FIELDS = (("OBSERVATION_ID", "observation_id"), ("LATITUDE", "latitude"),
           ("LONGITUDE", "longitude"), ("HEIGHT", "height"))


class PairAlgorithm(SitetieAlgorithm):
    """Two layers to pairs."""

    ID = "pair"
    TITLE = tr("Pair by geometry")
    SUMMARY = tr("Finds which observation belongs to which control point by geometry alone.")
    HELP = tr(
        "Lays the observations on the control points in every way that geometry allows, and writes "
        "the pairs of the one that stands out, as a table for “Solve tie”. Ids play no part, or "
        "decide between pairings that fit equally well.\n\n"
        "Marks may be missing on both sides and the rotation may be any. At least three marks must "
        "be common, four or more where there are many or the noise is large.\n\n"
        "Where several pairings explain the points about equally well (a square of four marks has "
        "four), nothing is written: the log lists them with numbers, and the number of one of them "
        "in ANSWER writes that one. Where none stands out from chance, nothing is written "
        "either.\n\n"
        "A stranger that happens to lie within the noise of a control point cannot be told from "
        "its observation. Look at the residuals of the tie, and check it with independent points."
    )

    def initAlgorithm(self, configuration: Any = None) -> None:
        add_control(self, tr("Control points"), tr("In site coordinates."))
        self.add_choice("SITE_UNIT", tr("Unit of site eastings and northings"), UNITS,
                        tr("Never guessed."))
        self.add(
            QgsProcessingParameterFeatureSource(
                OBSERVATIONS, tr("Observations"), [QgsProcessing.SourceType.TypeVector]),
            tr("Points in any CRS with a place on the earth, or any layer or table with latitude "
               "and longitude in fields."),
        )
        self.add_fields(OBSERVATIONS, (
            ("OBSERVATION_ID", tr("Field with the observation's id"),
             tr("Blank: found by its name, else the number of the feature.")),
            ("LATITUDE", tr("Field with the latitude"),
             tr("Blank: from the geometry, else found by its name.")),
            ("LONGITUDE", tr("Field with the longitude"), tr("As the latitude.")),
            ("HEIGHT", tr("Field with the ellipsoidal height"),
             tr("Of the mark, metres. Blank: found by its name, else Z of the geometry.")),
        ))
        self.add(
            QgsProcessingParameterCrs(
                "OBSERVATION_CRS", tr("CRS of the observations"), "EPSG:4326", optional=True),
            tr("As for “Solve tie”. Observations on another datum name their own in the table."),
        )
        self.add(
            QgsProcessingParameterBoolean("IDS_AS_HINTS", tr("Ids decide between rivals"), True),
            tr("Where several pairings fit equally well, the one in which the ids agree is taken."),
        )
        self.add(
            QgsProcessingParameterBoolean("FREE_SCALE", tr("Any scale"), False),
            tr("Else the scale is near 1 (0.3 %). For control in an unknown unit."),
        )
        self._add_advanced()
        for output in (QgsProcessingOutputNumber(PAIRS, tr("Number of pairs")),
                       QgsProcessingOutputNumber(CONFIDENCE, tr("Confidence, 0 to 1")),
                       QgsProcessingOutputBoolean(MIRRORED, tr("Whether the site is mirrored"))):
            self.addOutput(output)

    def _add_advanced(self) -> None:
        self.add_number(
            "NOISE", tr("Expected standard deviation of a difference (m)"), None,
            tr("Per axis, of observation and control together. Blank: anything from 1 mm to 2 m."),
            advanced=True,
        )
        self.add_number(
            "SHOTS_WITHIN", tr("Repeated shots lie within (m)"), 0.1,
            tr("Observations as near to one another as this are shots of one mark; all of them are "
               "paired."), advanced=True,
        )
        self.add(
            QgsProcessingParameterNumber(
                ANSWER, tr("Which of several pairings to write"), optional=True, minValue=1),
            tr("Its number in the log of an earlier run. Blank: only a pairing that stands alone "
               "is written."), advanced=True,
        )
        self.add(
            QgsProcessingParameterCrs("BASE_CRS", tr("Base projection"), optional=True),
            tr("Blank: a Transverse Mercator of scale 1 in the middle of the observations."),
            advanced=True,
        )
        self.add(
            QgsProcessingParameterFileDestination(OUTPUT, tr("Pairs"), tr("CSV file (*.csv)")),
            tr("A table for “Solve tie”."),
        )

    def compute(
        self, parameters: Values, context: QgsProcessingContext, feedback: QgsProcessingFeedback
    ) -> Values:
        from ...core.pair_table import write_pairs
        from ...core.pairing_marks import pair_marks_by_geometry
        from ...core.settings import Settings
        from ...core.wording import listed
        from ..outputs import Outputs

        control = read_control_layer(self, parameters, context).control
        settings = Settings(
            site_unit=self.choice(parameters, "SITE_UNIT", context),
            observation_crs=crs_of(self, parameters, "OBSERVATION_CRS", context) or "",
            base_crs=crs_of(self, parameters, "BASE_CRS", context),
        )
        observations = self._observations(parameters, context, settings)
        feedback.setProgress(10)

        def told(share: float) -> bool:
            feedback.setProgress(10 + 80 * share)
            return not feedback.isCanceled()

        pairing = pair_marks_by_geometry(
            control, observations, settings,
            names_as_hints=self.parameterAsBool(parameters, "IDS_AS_HINTS", context),
            free_scale=self.parameterAsBool(parameters, "FREE_SCALE", context),
            noise=self.number(parameters, "NOISE", context),
            shots_within=self.number(parameters, "SHOTS_WITHIN", context) or 0.0,
            progress=told,
        )
        if pairing.left_out:
            feedback.pushInfo(tr("Left out, since they have no position: {}.").format(
                listed(pairing.left_out, most=8)))
        chosen = self._chosen(pairing, self._answer(parameters, context), control, observations,
                              feedback)
        pairs = _made(chosen, control, observations, settings)
        stop_if_cancelled(feedback)
        path = self.parameterAsFileOutput(parameters, OUTPUT, context)
        with Outputs() as outputs:
            write_pairs(outputs.file(path), pairs)
            outputs.commit()
        return {OUTPUT: path, PAIRS: len(pairs), CONFIDENCE: float(pairing.found.confidence),
                MIRRORED: pairing.found.mirrored}

    def _observations(
        self, parameters: Values, context: QgsProcessingContext, settings: "Settings"
    ) -> List["Observation"]:
        from ..observation_source import observations_of

        source = self.parameterAsSource(parameters, OBSERVATIONS, context)
        return observations_of(source, source.sourceName(), settings, {
            key: self.field(parameters, name, context) for name, key in _FIELDS})

    def _answer(self, parameters: Values, context: QgsProcessingContext) -> Optional[int]:
        if parameters.get(ANSWER) in (None, ""):
            return None
        return self.parameterAsInt(parameters, ANSWER, context)

    def _chosen(
        self, pairing: "MarkPairing", answer: Optional[int], control: Sequence["Control"],
        observations: Sequence["Observation"], feedback: QgsProcessingFeedback,
    ) -> Sequence["MarkPair"]:
        """The pairs to write; says what was found.

        Raises
        ------
        InputError
            When no pairing stands alone and none was chosen.
        """
        from ...core.errors import InputError
        from ...core.pairing import percent
        from ...core.pairing_marks import rival_lines

        found = pairing.found
        feedback.pushInfo(found.words)
        for line in rival_lines(pairing, control, observations):
            feedback.pushInfo(line)
        if pairing.pairs and answer is None:
            if found.mirrored:
                feedback.pushWarning(tr(
                    "The pairs fit only with the site mirrored: exchange easting and northing, or "
                    "turn the sign of one of them, before a tie is solved."))
            for pair in pairing.pairs:
                feedback.pushInfo(
                    f"{control[pair.control].id} = {observations[pair.observation].id}: "
                    f"{pair.distance:.3f} m, {percent(pair.confidence)}")
            return pairing.pairs
        if answer is not None and not pairing.pairs and 1 <= answer <= len(pairing.rivals):
            feedback.pushWarning(tr("Pairing {} was chosen by hand; geometry alone does not single "
                                    "it out.").format(answer))
            return pairing.rivals[answer - 1]
        if answer is not None and pairing.pairs:
            raise InputError("One pairing stands alone; there are no others to choose from.",
                             "Leave ANSWER blank.")
        if answer is not None:
            raise InputError(
                f"There is no pairing {answer}; {len(pairing.rivals)} were found.",
                "Give the number of one in the log.")
        raise InputError(
            found.words + " Nothing was written.",
            "Give the number of one of them (see the log) as ANSWER." if pairing.rivals
            else "Check the unit of the site and the layers, or let the scale be free.",
        )


def _made(
    chosen: Sequence["MarkPair"], control: Sequence["Control"],
    observations: Sequence["Observation"], settings: "Settings",
) -> List["Pair"]:
    """Pairs for the table; where some observations name their frame, all do."""
    from ..map.new_pairs import new_pair, with_frame

    pairs = [new_pair(control[each.control], observations[each.observation]) for each in chosen]
    if len({pair.observation.crs is None for pair in pairs}) < 2:
        return pairs
    return [with_frame(pair, settings.observation_crs) for pair in pairs]
