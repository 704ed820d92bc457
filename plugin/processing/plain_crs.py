"""sitetie:plaincrs: the best-fitting standard projection of a tie."""

from __future__ import annotations

from typing import Any, Optional, Tuple

from qgis.core import (
    QgsCoordinateReferenceSystem,
    QgsProcessingContext,
    QgsProcessingFeedback,
    QgsProcessingOutputNumber,
    QgsProcessingOutputString,
    QgsProcessingParameterExtent,
    QgsProcessingParameterFileDestination,
)

from .algorithm import SitetieAlgorithm, Values, stop_if_cancelled, tr

TIE, AREA, OUTPUT, REPORT = "TIE", "AREA", "OUTPUT", "REPORT"
METHODS = (
    ("best", tr("the one that fits best")),
    ("transverse mercator", tr("Transverse Mercator (EPSG:9807)")),
    ("lambert conformal conic", tr("Lambert conic conformal, 1SP (EPSG:9801)")),
    ("hotine oblique mercator", tr("Hotine oblique Mercator, variant B (EPSG:9815)")),
)
FORMATS = (
    ("esri_wkt", tr("WKT 1 as Esri writes it (.prj)")),
    ("wkt1", tr("WKT 1 as GDAL writes it")),
    ("wkt2", tr("WKT 2:2019")),
    ("proj", tr("PROJ string")),
)


class PlainCrsAlgorithm(SitetieAlgorithm):
    """A tie as a plain projection, within a limit."""

    ID = "plaincrs"
    TITLE = tr("Plain projection for other programs")
    SUMMARY = tr("The standard map projection that comes closest to the site grid, measured.")
    HELP = tr(
        "For programs that cannot read the site CRS because they know only standard projections. "
        "Finds the one that comes closest to the tie over the site: a Transverse Mercator, a "
        "Lambert conic, or an oblique Mercator with the site's rotation and scale. It is then read "
        "back from its own text and measured against the tie over the whole area; where it is off "
        "by more than the limit anywhere, nothing is written.\n\n"
        "The projection is horizontal only and holds over the area said in the report. A tie with "
        "shear (affine) can be met only as well as its shear allows; mirrored axes not at all."
    )

    def initAlgorithm(self, configuration: Any = None) -> None:
        self.add_tie()
        self.add_number(
            "LIMIT", tr("Largest deviation from the tie, in site units"), 0.005,
            tr("Anywhere over the area. What is reached is said; over 10 km it is usually far less "
               "than a millimetre."),
        )
        self.add(
            QgsProcessingParameterExtent(AREA, tr("Area it must hold in"), optional=True),
            tr("Beside the rectangle round the fit and check pairs. An extent without a CRS is "
               "taken in site coordinates."),
        )
        self.add_choice("METHOD", tr("Projection"), METHODS,
                        tr("Of those that fit equally well, the best known."), advanced=True)
        self.add_choice("FORMAT", tr("Text of the file"), FORMATS,
                        tr("All four are in the report."))
        self.add_text("NAME", tr("Name of the CRS"), tr("Blank: named after the tie."))
        self.add(
            QgsProcessingParameterFileDestination(
                OUTPUT, tr("Projection"), tr("Projection file (*.prj *.wkt *.txt)")),
            tr("The text alone, as other programs read it."),
        )
        self.add(
            QgsProcessingParameterFileDestination(
                REPORT, tr("Report"), tr("HTML file (*.html)"), optional=True,
                createByDefault=False),
            tr("Parameters, deviations and all four texts."),
        )
        self.addOutput(QgsProcessingOutputNumber("DEVIATION", tr("Worst deviation, site units")))
        for name, description in (("METHOD_USED", tr("Method")), ("WKT", tr("WKT 2:2019")),
                                  ("PROJ", tr("PROJ string"))):
            self.addOutput(QgsProcessingOutputString(name, description))

    def compute(
        self, parameters: Values, context: QgsProcessingContext, feedback: QgsProcessingFeedback
    ) -> Values:
        from ...core.report.plain_page import plain_page
        from ...core.tie import Tie
        from ...core.whole_file import write_whole_file
        from ..outputs import Outputs

        tie = Tie.load(self.parameterAsFile(parameters, TIE, context))
        limit = self.number(parameters, "LIMIT", context) or 0.0
        method = self.choice(parameters, "METHOD", context)
        plain = tie.plain_projection(
            limit, area=self._area(tie, parameters, context),
            method=None if method == "best" else method,
            name=self.text(parameters, "NAME", context),
        )
        feedback.pushInfo(plain.sentence)
        for name, value, unit in plain.parameters:
            feedback.pushInfo(f"{name}: {value:.12g} {unit}".rstrip())
        stop_if_cancelled(feedback)
        path = self.parameterAsFileOutput(parameters, OUTPUT, context)
        page = self.parameterAsFileOutput(parameters, REPORT, context)
        results = {OUTPUT: path, "DEVIATION": plain.deviation.worst, "METHOD_USED": plain.method,
                   "WKT": plain.wkt2, "PROJ": plain.proj}
        with Outputs() as outputs:
            if page:
                assert limit is not None  # the core has refused a limit that is none
                write_whole_file(outputs.file(page), plain_page(tie, plain, limit).encode("utf-8"))
                results[REPORT] = page
            text = getattr(plain, self.choice(parameters, "FORMAT", context))
            write_whole_file(outputs.file(path), text.encode("utf-8"))
            outputs.commit()
        return results

    def _area(
        self, tie: Any, parameters: Values, context: QgsProcessingContext
    ) -> Optional[Tuple[float, float, float, float]]:
        if parameters.get(AREA) in (None, ""):
            return None
        site = QgsCoordinateReferenceSystem.fromWkt(tie.crs_wkt())
        extent = self.parameterAsExtent(parameters, AREA, context, site)
        return extent.xMinimum(), extent.yMinimum(), extent.xMaximum(), extent.yMaximum()
