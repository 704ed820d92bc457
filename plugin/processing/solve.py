"""sitetie:solve: pairs and settings give a tie, its residuals and its report."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Tuple

from qgis.core import (
    QgsCoordinateReferenceSystem,
    QgsProcessing,
    QgsProcessingContext,
    QgsProcessingFeedback,
    QgsProcessingParameterBoolean,
    QgsProcessingParameterFeatureSink,
    QgsProcessingParameterFeatureSource,
    QgsProcessingParameterFileDestination,
    QgsVectorLayer,
    QgsWkbTypes,
)

from .algorithm import SitetieAlgorithm, Values, stop_if_cancelled, tr
from .settings_parameters import add_settings, read_settings, with_held_scale

if TYPE_CHECKING:
    from ...core.pair_table import PairTable
    from ...core.settings import Settings
    from ...core.tie import Tie
    from ..outputs import Outputs

PAIRS, TIE, RESIDUALS, REPORT, REPORT_PDF = "PAIRS", "TIE", "RESIDUALS", "REPORT", "REPORT_PDF"
_REPORT_TEXTS = ("JOB", "SURVEYOR", "LICENCE", "NOTE")
PAPERS = (("A4", tr("A4")), ("Letter", tr("Letter")))


class SolveAlgorithm(SitetieAlgorithm):
    """Pairs to a tie."""

    ID = "solve"
    TITLE = tr("Solve tie")
    SUMMARY = tr("Ties GNSS observations to a site grid by weighted least squares.")
    HELP = tr(
        "Solves the relation between GNSS observations and the plane grid of a site from pairs."
        " A pair is a control point with its site coordinates, and the observation of the same "
        "mark.\n\n"
        "The pair table has the columns control_id, easting, northing, elevation, "
        "observation_id, latitude, longitude, height, horizontal, vertical; the last two hold "
        "the role fit, check or idle. Usual other names are understood, and the log says which "
        "column was read as what. Heights are ellipsoidal, in metres, and those of the mark, "
        "not of the antenna. A column corrections, as a saved pair table has it, is followed: what "
        "it corrects is used in place of the values as given, which stay in the tie.\n\n"
        "The log and the report name probable causes of what does not fit.\n\n"
        "Residuals are solved less given. Either all results appear or, after an error, none."
        "\n\n"
        "A tie is not a boundary opinion and not a machine-control release. Check it with "
        "independent points; the licensed surveyor in charge and the local rules decide."
    )

    def initAlgorithm(self, configuration: Any = None) -> None:
        self.add(
            QgsProcessingParameterFeatureSource(
                PAIRS, tr("Pairs"), [QgsProcessing.SourceType.TypeVector]
            ),
            tr("Table or layer with a row for each pair, or a delimited text file. A text file is "
               "read as it stands: any usual delimiter, decimal point or comma."),
        )
        add_settings(self)
        self.add(
            QgsProcessingParameterBoolean(
                "PACKED_DMS", tr("Latitudes and longitudes are packed (DDD.MMSSsss)"), False
            ),
            tr("37.4826676 then is 37° 48′ 26.676″. Never guessed."),
            advanced=True,
        )
        self.add_text(
            "COLUMNS", tr("Columns, where names do not tell"),
            tr("field=column, parted by semicolons, such as easting=Y; northing=X."),
        )
        for name, description, text in (
            ("JOB", tr("Job, for the report"), tr("Name or number of the job.")),
            ("SURVEYOR", tr("Surveyor, for the report"), tr("Who is responsible for the tie.")),
            ("LICENCE", tr("Licence number, for the report"), tr("Of that surveyor.")),
            ("NOTE", tr("Note, for the report"), tr("Anything that belongs to the tie.")),
        ):
            self.add_text(name, description, text)
        self.add_choice(
            "PAPER", tr("Paper of the report to print"), PAPERS, tr("Size of its pages."),
            advanced=True,
        )
        self.add_number(
            "EXAGGERATION", tr("Exaggeration of residual lines"), None,
            tr("Drawn length over true length. Blank: a round one, chosen so that the lines can be "
               "seen beside the site; lines far longer than the others are then cut."),
            advanced=True,
        )
        self.add(
            QgsProcessingParameterFileDestination(TIE, tr("Tie"), tr("Sitetie tie (*.json)")),
            tr("The tie with all it was made from, for restating and for later solutions."),
        )
        self.add(
            QgsProcessingParameterFeatureSink(
                RESIDUALS, tr("Residuals"), QgsProcessing.SourceType.TypeVectorLine,
                optional=True, createByDefault=True,
            ),
            tr("A line for each pair from the given position to the solved one, exaggerated, in "
               "site coordinates, with residuals, tests and verdicts."),
        )
        for name, description, kind, wanted in (
            (REPORT, tr("Report"), tr("HTML file (*.html)"), True),
            (REPORT_PDF, tr("Report to print and sign"), tr("PDF file (*.pdf)"), False),
        ):
            self.add(
                QgsProcessingParameterFileDestination(
                    name, description, kind, optional=True, createByDefault=wanted
                ),
                tr("What was solved, from what, and how far it can be trusted, in one file."),
            )

    def checkParameterValues(
        self, parameters: Values, context: QgsProcessingContext
    ) -> Tuple[bool, str]:
        from ..pair_source import text_file

        if text_file(parameters.get(PAIRS)):
            # Such a file need not be a layer that QGIS can open: the core reads it, and says what
            # is wrong with it.
            parameters = {**parameters, PAIRS: QgsVectorLayer("NoGeometry", PAIRS, "memory")}
        return super().checkParameterValues(parameters, context)

    def compute(
        self, parameters: Values, context: QgsProcessingContext, feedback: QgsProcessingFeedback
    ) -> Values:
        from ...core.corrections import correction_words
        from ...core.headline import headline
        from ...core.solve import solve
        from ...core.suspects import suspect_sentences
        from ..outputs import Outputs

        settings = read_settings(self, parameters, context)
        table = self._pairs(parameters, context, settings)
        for note in table.notes:
            feedback.pushInfo(note)
        feedback.pushInfo(tr("Columns read: {}.").format(
            ", ".join(field if field == column else f"{field} = {column}"
                      for field, column in table.mapping.items())))
        stop_if_cancelled(feedback)
        settings = with_held_scale(self, parameters, context, settings, table)
        tie = solve(table, settings)
        feedback.setProgress(50)
        feedback.pushInfo(headline(tie.pairs, tie).text)
        for caution in tie.cautions:
            feedback.pushWarning(caution)
        for sentence in suspect_sentences(tie.pairs, tie.settings):
            feedback.pushWarning(tr("Probably wrong: {}").format(sentence))
        for pair in tie.pairs:
            for correction in pair.corrections:
                feedback.pushInfo(tr("{} is corrected: {}.").format(
                    pair.name, correction_words(pair, correction)))
        stop_if_cancelled(feedback)
        with Outputs() as outputs:
            results = self._write(tie, parameters, context, feedback, outputs)
            stop_if_cancelled(feedback)
            outputs.commit()
        feedback.pushInfo(tr("Tie {}").format(tie.id))
        return results

    def _pairs(
        self, parameters: Values, context: QgsProcessingContext, settings: "Settings"
    ) -> "PairTable":
        from ..pair_source import pairs_from_file, pairs_from_layer, parse_columns, text_file

        reading = {
            "packed_dms": self.parameterAsBool(parameters, "PACKED_DMS", context),
            "columns": parse_columns(self.text(parameters, "COLUMNS", context)),
            "settings": settings,
        }
        path = text_file(parameters.get(PAIRS))
        if path is None and isinstance(parameters.get(PAIRS), (str, QgsVectorLayer)):
            # A filter or a choice of features comes as another type, and is then followed.
            path = text_file(self.parameterAsVectorLayer(parameters, PAIRS, context))
        if path is not None:
            return pairs_from_file(path, **reading)
        source = self.parameterAsSource(parameters, PAIRS, context)
        return pairs_from_layer(source, source.sourceName(), **reading)

    def _write(
        self,
        tie: "Tie",
        parameters: Values,
        context: QgsProcessingContext,
        feedback: QgsProcessingFeedback,
        outputs: "Outputs",
    ) -> Values:
        from ..residual_layer import residual_features, residual_fields

        results: Values = {}
        layer = outputs.layer(
            self, parameters, RESIDUALS, context, residual_fields(),
            QgsWkbTypes.Type.LineString, QgsCoordinateReferenceSystem(),
        )
        if layer is not None:
            features = list(
                residual_features(tie, self.number(parameters, "EXAGGERATION", context)))
            layer.add(features)
            results[RESIDUALS] = layer.place
            feedback.pushInfo(tr("Residual lines are exaggerated {} times.").format(
                f"{features[0]['factor']:g}"))
        feedback.setProgress(60)
        stop_if_cancelled(feedback)
        results.update(self._write_reports(tie, parameters, context, feedback, outputs))
        # The tie comes last: where it is, the others are.
        results[TIE] = self.parameterAsFileOutput(parameters, TIE, context)
        tie.save(outputs.file(results[TIE]))
        return results

    def _write_reports(
        self,
        tie: "Tie",
        parameters: Values,
        context: QgsProcessingContext,
        feedback: QgsProcessingFeedback,
        outputs: "Outputs",
    ) -> Values:
        from ...core.report import ReportDetails, write_report
        from ..report_pdf import write_report_pdf

        job, surveyor, licence, note = (
            self.text(parameters, name, context) for name in _REPORT_TEXTS)
        details = ReportDetails(job, surveyor, licence, note)
        results: Values = {}
        page = self.parameterAsFileOutput(parameters, REPORT, context)
        if page:
            write_report(tie, outputs.file(page), details)
            results[REPORT] = page
        feedback.setProgress(75)
        stop_if_cancelled(feedback)
        print_out = self.parameterAsFileOutput(parameters, REPORT_PDF, context)
        if print_out:
            paper = self.choice(parameters, "PAPER", context)
            write_report_pdf(tie, outputs.file(print_out), details, paper)
            results[REPORT_PDF] = print_out
        feedback.setProgress(95)
        stop_if_cancelled(feedback)
        return results
