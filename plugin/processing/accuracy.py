"""sitetie:accuracy: a product of a drone flight, or any other, checked against site control."""

from __future__ import annotations

import dataclasses
import re
from typing import TYPE_CHECKING, Any, Dict, List, Optional, Set, Tuple

from qgis.core import (
    QgsCoordinateReferenceSystem,
    QgsFeature,
    QgsGeometry,
    QgsPoint,
    QgsProcessing,
    QgsProcessingContext,
    QgsProcessingFeedback,
    QgsProcessingOutputNumber,
    QgsProcessingParameterFeatureSink,
    QgsProcessingParameterFeatureSource,
    QgsProcessingParameterFile,
    QgsProcessingParameterFileDestination,
    QgsProcessingParameterRasterLayer,
    QgsWkbTypes,
)

from .algorithm import SitetieAlgorithm, Values, stop_if_cancelled, tr
from .settings_parameters import SAME_UNIT, UNITS

if TYPE_CHECKING:
    from ...core.pairs import Control
    from ...core.positional_accuracy import PositionalAccuracy

MEASURED, SURFACE, CONTROL, TIE, OUTPUT, REPORT = (
    "MEASURED", "SURFACE", "CONTROL", "TIE", "OUTPUT", "REPORT")
_NUMBERS = (
    ("RMSE_H", tr("Horizontal RMSE, radial, of the errors alone")),
    ("RMSE_V", tr("Vertical RMSE of the errors alone")),
    ("ASPRS_H", tr("Horizontal positional accuracy by ASPRS Edition 2")),
    ("ASPRS_V", tr("Vertical positional accuracy by ASPRS Edition 2")),
    ("NSSDA_H", tr("Horizontal accuracy at 95 % by the NSSDA")),
    ("NSSDA_V", tr("Vertical accuracy at 95 % by the NSSDA")),
)


class AccuracyAlgorithm(SitetieAlgorithm):
    """Check points against control."""

    ID = "accuracy"
    TITLE = tr("Positional accuracy of an ortho or surface")
    SUMMARY = tr("Errors at check points, stated by ASPRS Edition 2 and by the NSSDA.")
    HELP = tr(
        "Compares points measured in a product (targets picked in an orthophoto, say) with site "
        "control of the same names, and the values of a surface with the elevations of the "
        "control. Gives errors point by point, mean, standard deviation and RMSE for each axis, "
        "and the statements of the ASPRS Positional Accuracy Standards (Edition 2, 2023) and of "
        "the NSSDA (FGDC-STD-007.3-1998), each by its own rule. Says when there are fewer points "
        "than they ask for, and when the NSSDA gives no figure.\n\n"
        "Points far from the others are named; none is left out. Control that drove the tie or "
        "the product's own adjustment is no independent check: choose the tie and name that "
        "control, and it will be said.\n\n"
        "Product and control must both be in site coordinates."
    )

    def initAlgorithm(self, configuration: Any = None) -> None:
        self.add(
            QgsProcessingParameterFeatureSource(
                MEASURED, tr("Points measured in the product"),
                [QgsProcessing.SourceType.TypeVector], optional=True),
            tr("Picked in the ortho, or from a table, in site coordinates. Blank: the surface "
               "alone."),
        )
        self._add_fields(MEASURED)
        self.add(
            QgsProcessingParameterRasterLayer(SURFACE, tr("Surface (DSM, DTM)"), optional=True),
            tr("Its value at each control point, interpolated, is compared with the elevation of "
               "the control. In site coordinates and in the unit of elevations."),
        )
        self.add(
            QgsProcessingParameterFeatureSource(
                CONTROL, tr("Control points"), [QgsProcessing.SourceType.TypeVector]),
            tr("Surveyed check points in site coordinates."),
        )
        self._add_fields(CONTROL)
        self.add_choice("SITE_UNIT", tr("Unit of eastings and northings"), UNITS,
                        tr("Of both layers."))
        self.add_choice("ELEVATION_UNIT", tr("Unit of elevations"), SAME_UNIT + UNITS,
                        tr("Of both layers and of the surface."))
        for name, description in (
            ("SIGMA_H", tr("Standard deviation of the control, per horizontal axis (m)")),
            ("SIGMA_V", tr("Standard deviation of the control's elevations (m)")),
        ):
            self.add_number(name, description, None,
                            tr("ASPRS Edition 2 includes the survey's own error. Blank: not known, "
                               "which the statement then says."))
        kinds = tr("Sitetie tie (*.json)") + ";;" + tr("All files (*)")
        self.add(
            QgsProcessingParameterFile(TIE, tr("Tie"), optional=True, fileFilter=kinds),
            tr("By which the product came onto the site. Its fit control is then pointed out."),
        )
        self.add_text("DROVE", tr("Control that the product was adjusted to"),
                      tr("Names, parted by commas or semicolons: ground control of the flight."))
        for name, description, text in (
            ("JOB", tr("Job, for the report"), tr("Name or number of the job.")),
            ("SURVEYOR", tr("Surveyor, for the report"), tr("Who is responsible for the check.")),
        ):
            self.add_text(name, description, text)
        self.add(
            QgsProcessingParameterFeatureSink(
                OUTPUT, tr("Errors"), QgsProcessing.SourceType.TypeVectorPoint, optional=True,
                createByDefault=True),
            tr("Check points with their errors, product less control, in the units of the site."),
        )
        self.add(
            QgsProcessingParameterFileDestination(
                REPORT, tr("Report"), tr("HTML file (*.html)"), optional=True,
                createByDefault=True),
            tr("Figures, statements and every point."),
        )
        for name, description in _NUMBERS:
            self.addOutput(QgsProcessingOutputNumber(name, description))

    def _add_fields(self, layer: str) -> None:
        blank = tr("Blank: found by its name, else from the geometry.")
        self.add_fields(layer, (
            (f"{layer}_ID", tr("Field with the name of the point"),
             tr("The same name makes two points one mark. Blank: found by its name.")),
            (f"{layer}_EASTING", tr("Field with the easting"), blank),
            (f"{layer}_NORTHING", tr("Field with the northing"), blank),
            (f"{layer}_ELEVATION", tr("Field with the elevation"), blank),
        ))

    def compute(
        self, parameters: Values, context: QgsProcessingContext, feedback: QgsProcessingFeedback
    ) -> Values:
        from ...core.positional_accuracy import positional_accuracy

        control, crs, control_name = self._points(CONTROL, parameters, context)
        measured, product = self._measured(control, crs, parameters, context, feedback)
        stop_if_cancelled(feedback)
        site_unit = self.choice(parameters, "SITE_UNIT", context)
        elevation_unit = self.choice(parameters, "ELEVATION_UNIT", context)
        elevation_unit = site_unit if elevation_unit == "same" else elevation_unit
        drove_h, drove_v = self._drove(parameters, context, (site_unit, elevation_unit))
        found = positional_accuracy(
            measured, control, site_unit=site_unit, elevation_unit=elevation_unit,
            sigma_h=self.number(parameters, "SIGMA_H", context),
            sigma_v=self.number(parameters, "SIGMA_V", context),
            drove_h=drove_h, drove_v=drove_v,
        )
        for statement in (found.asprs, found.nssda):
            feedback.pushInfo(statement.text)
            for words in statement.reservations:
                feedback.pushWarning(words)
        for words in found.warnings:
            feedback.pushWarning(words)
        return self._write(found, crs, (product, control_name), parameters, context, feedback)

    # -- reading -----------------------------------------------------------------------------

    def _points(
        self, layer: str, parameters: Values, context: QgsProcessingContext
    ) -> Tuple[List["Control"], QgsCoordinateReferenceSystem, str]:
        from ..control_source import control_of

        source = self.parameterAsSource(parameters, layer, context)
        fields: Dict[str, Optional[str]] = {
            name: self.field(parameters, f"{layer}_{key}", context) for name, key in (
                ("control_id", "ID"), ("easting", "EASTING"), ("northing", "NORTHING"),
                ("elevation", "ELEVATION"))}
        read = control_of(source, source.sourceName(), fields)
        return read.control, source.sourceCrs(), source.sourceName()

    def _measured(
        self,
        control: List["Control"],
        crs: QgsCoordinateReferenceSystem,
        parameters: Values,
        context: QgsProcessingContext,
        feedback: QgsProcessingFeedback,
    ) -> Tuple[List["Control"], str]:
        """What was measured in the product: positions from points, elevations from a surface."""
        from ...core.errors import InputError
        from ...core.pairs import Control
        from ..surface_samples import surface_samples

        points: List[Control] = []
        names: List[str] = []
        if parameters.get(MEASURED) not in (None, ""):
            points, here, name = self._points(MEASURED, parameters, context)
            _refuse_other_crs(here, crs, name)
            names.append(name)
        surface = self.parameterAsRasterLayer(parameters, SURFACE, context)
        if surface is None:
            if not names:
                raise InputError(
                    "Neither points measured in the product nor a surface were given.",
                    "Choose one of them, or both.")
            return points, names[0]
        _refuse_other_crs(surface.crs(), crs, surface.name())
        placed = [point for point in control if point.has_position]
        places = [(float(p.easting or 0.0), float(p.northing or 0.0)) for p in placed]
        values = surface_samples(surface, places)
        missing = [p.id for p, value in zip(placed, values) if value is None]
        if missing:
            feedback.pushWarning(tr("The surface says nothing at {}.").format(", ".join(missing)))
        heights = {p.id: value for p, value in zip(placed, values) if value is not None}
        found = [dataclasses.replace(point, elevation=heights.pop(point.id, None))
                 for point in points]
        found += [Control(name, None, None, value) for name, value in heights.items()]
        return found, " and ".join([*names, surface.name()])

    def _drove(
        self, parameters: Values, context: QgsProcessingContext, units: Tuple[str, str]
    ) -> Tuple[Set[str], Set[str]]:
        """Names of the control that drove the tie or the product, horizontally and vertically."""
        from ...core.errors import InputError
        from ...core.pairs import Role
        from ...core.tie import Tie

        named = {name.strip() for name in re.split(
            "[,;\n]", self.text(parameters, "DROVE", context)) if name.strip()}
        path = self.parameterAsFile(parameters, TIE, context)
        if not path:
            return named, named
        tie = Tie.load(path)
        theirs = (tie.settings.site_unit, tie.settings.elevation_unit)
        if theirs != units:
            raise InputError(
                f"The tie is in {theirs[0]} with elevations in {theirs[1]}, but {units[0]} and "
                f"{units[1]} are chosen for the points.", "Choose the units of the tie.", file=path)
        return tuple(  # type: ignore[return-value]
            named | {pair.control.id for pair in tie.pairs if getattr(pair, side) is Role.FIT}
            for side in ("horizontal", "vertical"))

    # -- writing -----------------------------------------------------------------------------

    def _write(
        self,
        found: "PositionalAccuracy",
        crs: QgsCoordinateReferenceSystem,
        names: Tuple[str, str],
        parameters: Values,
        context: QgsProcessingContext,
        feedback: QgsProcessingFeedback,
    ) -> Values:
        from ...core.report.accuracy_page import accuracy_page
        from ...core.whole_file import write_whole_file
        from ..outputs import Outputs

        results: Values = {
            name: value for name, value in (
                ("RMSE_H", found.rmse_h),
                ("RMSE_V", None if found.up is None else found.up.rmse),
                ("ASPRS_H", found.asprs.horizontal), ("ASPRS_V", found.asprs.vertical),
                ("NSSDA_H", found.nssda.horizontal), ("NSSDA_V", found.nssda.vertical),
            ) if value is not None}
        page = self.parameterAsFileOutput(parameters, REPORT, context)
        fields, features = _features(found)
        with Outputs() as outputs:
            layer = outputs.layer(self, parameters, OUTPUT, context, fields,
                                  QgsWkbTypes.Type.PointZ, crs)
            if layer is not None:
                layer.add(features)
                results[OUTPUT] = layer.place
            if page:
                text = accuracy_page(found, *names, job=self.text(parameters, "JOB", context),
                                     surveyor=self.text(parameters, "SURVEYOR", context))
                write_whole_file(outputs.file(page), text.encode("utf-8"))
                results[REPORT] = page
            stop_if_cancelled(feedback)
            outputs.commit()
        return results


def _refuse_other_crs(
    here: QgsCoordinateReferenceSystem, control: QgsCoordinateReferenceSystem, name: str
) -> None:
    from ...core.errors import FrameError

    if here.isValid() and control.isValid() and here != control:
        raise FrameError(
            f"It stands on {here.userFriendlyIdentifier()}, the control on "
            f"{control.userFriendlyIdentifier()}.",
            "Bring both onto the site grid first; a point must not be moved in passing.", file=name)


def _features(found: "PositionalAccuracy") -> Tuple[Any, List[QgsFeature]]:
    from ..fields import fields_of, number_field, text_field, whole_field

    fields = fields_of(
        text_field("point"), number_field("err_e"), number_field("err_n"), number_field("err_h"),
        number_field("err_u"), whole_field("far_h"), whole_field("far_v"), whole_field("drove_h"),
        whole_field("drove_v"))
    features = []
    for p in found.points:
        feature = QgsFeature(fields)
        if p.control.has_position:
            elevation = float("nan") if p.control.elevation is None else p.control.elevation
            feature.setGeometry(QgsGeometry(
                QgsPoint(p.control.easting, p.control.northing, elevation)))
        feature.setAttributes([
            p.id, p.east, p.north, p.radial, p.up, int(p.outlying_h), int(p.outlying_v),
            int(p.drove_h), int(p.drove_v)])
        features.append(feature)
    return fields, features
