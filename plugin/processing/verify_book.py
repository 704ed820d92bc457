"""sitetie:verify: is everything in a site book as it was written?"""

from __future__ import annotations

from typing import Any, Optional

from qgis.core import (
    QgsProcessingContext,
    QgsProcessingException,
    QgsProcessingFeedback,
    QgsProcessingOutputNumber,
    QgsProcessingOutputString,
    QgsProcessingParameterBoolean,
    QgsProcessingParameterFile,
    QgsProcessingParameterNumber,
    QgsProcessingParameterString,
)

from .algorithm import SitetieAlgorithm, Values, tr

BOOK, HEAD, COUNT = "BOOK", "HEAD", "COUNT"


class VerifyAlgorithm(SitetieAlgorithm):
    """The proof of a site book."""

    ID = "verify"
    TITLE = tr("Verify site book")
    SUMMARY = tr("Checks the ledger and every row of a site book; names the first that is wrong.")
    HELP = tr(
        "Checks a site book: the chain of its ledger, the digests of every batch of rows, the "
        "places of points on the map against their coordinates, and that its tables still refuse "
        "changes. When something is not as it was written, the algorithm fails and names the first "
        "entry or row; the log lists the others.\n\n"
        "An end that was cut off cleanly, or a book that was made anew, is right in itself: it "
        "shows only against a printed report. Type the count and the hash (the first eight digits "
        "are enough) that stand in the newest one."
    )

    def initAlgorithm(self, configuration: Any = None) -> None:
        self.add(
            QgsProcessingParameterFile(
                BOOK, tr("Site book"), fileFilter=tr("Site book (*.gpkg)")),
            tr("The GeoPackage of the job."),
        )
        self.add(
            QgsProcessingParameterString(HEAD, tr("Hash of the last entry, as printed"),
                                         optional=True),
            tr("From the newest report; its first eight digits or more. Blank: not compared."),
        )
        self.add(
            QgsProcessingParameterNumber(
                COUNT, tr("Number of entries, as printed"),
                QgsProcessingParameterNumber.Type.Integer, optional=True, minValue=1),
            tr("From the same report. Blank: not compared."),
        )
        self.add(
            QgsProcessingParameterBoolean("WHOLE_FILE", tr("Also check the file itself"), True),
            tr("SQLite's own check for damage; takes a while in a large book."), advanced=True,
        )
        self.addOutput(QgsProcessingOutputNumber("ENTRIES", tr("Entries in the ledger")))
        self.addOutput(QgsProcessingOutputNumber("ROWS", tr("Rows checked")))
        self.addOutput(QgsProcessingOutputString("LAST_HASH", tr("Hash of the last entry")))

    def compute(
        self, parameters: Values, context: QgsProcessingContext, feedback: QgsProcessingFeedback
    ) -> Values:
        from ...core.book import verify

        def told(share: float) -> bool:
            feedback.setProgress(100.0 * share)
            return not feedback.isCanceled()

        found = verify(
            self.parameterAsFile(parameters, BOOK, context), self.text(parameters, HEAD, context),
            self._count(parameters, context), progress=told,
            whole_file=self.parameterAsBool(parameters, "WHOLE_FILE", context),
        )
        for problem in found.problems:
            feedback.reportError(problem.sentence)
        if found.more:
            feedback.reportError(tr("{} more are not listed.").format(found.more))
        if not found.ok:
            raise QgsProcessingException(found.sentence)
        feedback.pushInfo(found.sentence)
        return {"ENTRIES": found.head.count, "ROWS": found.rows, "LAST_HASH": found.head.hash}

    def _count(self, parameters: Values, context: QgsProcessingContext) -> Optional[int]:
        if parameters.get(COUNT) in (None, ""):
            return None
        return self.parameterAsInt(parameters, COUNT, context)
