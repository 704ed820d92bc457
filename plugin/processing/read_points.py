"""sitetie:readpoints: a log of NMEA 0183 or the points of a LandXML file as a layer."""

from __future__ import annotations

import datetime
import os
from typing import Any, Dict, Iterator, List, Optional, Sequence, Tuple

from qgis.core import (
    QgsCoordinateReferenceSystem,
    QgsFeature,
    QgsField,
    QgsFields,
    QgsGeometry,
    QgsPoint,
    QgsProcessing,
    QgsProcessingContext,
    QgsProcessingFeedback,
    QgsProcessingParameterCrs,
    QgsProcessingParameterFeatureSink,
    QgsProcessingParameterFile,
    QgsProcessingParameterNumber,
    QgsWkbTypes,
)

from .algorithm import SitetieAlgorithm, Values, stop_if_cancelled, tr

INPUT, FORMAT, CRS, OUTPUT = "INPUT", "FORMAT", "CRS", "OUTPUT"
FORMATS = (
    ("guess", tr("By what the file begins with")),
    ("nmea", tr("NMEA 0183 log (GGA, GST)")),
    ("landxml", tr("LandXML 1.0 to 1.2 (CgPoints)")),
)
_OBSERVATION = ("observation_id", "latitude", "longitude", "height", "sigma_e", "sigma_n",
                "sigma_en", "sigma_u", "fix", "session", "time", "source", "note")
_SURVEY = ("control_id", "easting", "northing", "elevation", "latitude", "longitude",
           "ellipsoid_height", "code", "description", "time")
_NUMBERS = {"latitude", "longitude", "height", "sigma_e", "sigma_n", "sigma_en", "sigma_u",
            "easting", "northing", "elevation", "ellipsoid_height"}

Row = Tuple[Optional[Tuple[float, float, Optional[float]]], Sequence[object]]


class ReadPointsAlgorithm(SitetieAlgorithm):
    """Points of open formats that QGIS itself does not read."""

    ID = "readpoints"
    TITLE = tr("Read NMEA or LandXML points")
    SUMMARY = tr("GNSS observations from an NMEA log, or points from LandXML, as a layer.")
    HELP = tr(
        "NMEA 0183: each place where the antenna stood becomes one observation, the mean of its "
        "GGA epochs, with latitude, longitude, ellipsoidal height (altitude plus geoidal "
        "separation, of what the log states: antenna or mark), and the standard deviations of "
        "GST. An occupation ends when the antenna moves by half a metre, after a silence of a "
        "minute, and when the kind of fix changes. Many epochs of one occupation are taken to be "
        "no better than one. An NMEA log does not say its frame: name that of the corrections.\n\n"
        "LandXML: the CgPoints, northing first as the standard has it, in the unit that the file "
        "states; a geometry is made of them in site coordinates, without a CRS.\n\n"
        "GPX, GeoJSON, GeoPackage, delimited text and all other formats that QGIS opens need no "
        "reading: add them as layers."
    )

    def initAlgorithm(self, configuration: Any = None) -> None:
        kinds = tr("Logs and LandXML (*.nmea *.txt *.log *.ubx *.xml *.landxml)")
        self.add(
            QgsProcessingParameterFile(
                INPUT, tr("File"), fileFilter=kinds + ";;" + tr("All files (*)")),
            tr("It is only read."),
        )
        self.add_choice(FORMAT, tr("Format"), FORMATS, tr("What the file is."))
        self.add(
            QgsProcessingParameterCrs(CRS, tr("Frame of the positions"), optional=True),
            tr("For NMEA, and needed there: the geographic CRS in which the receiver stated its "
               "positions, which is that of its corrections."),
        )
        self.add_text("NAME", tr("Name of the observations"),
                      tr("They are called NAME-1, NAME-2 …; the file's own name when blank."))
        self.add_text("SESSION", tr("Session"), tr("For NMEA: which session the log is of."))
        self.add_text("DAY", tr("First day of the log"),
                      tr("For NMEA without a date in it: YYYY-MM-DD, UTC."))
        self.add(
            QgsProcessingParameterNumber("FEWEST", tr("Fewest epochs of an occupation"),
                                         defaultValue=5, minValue=1),
            tr("For NMEA: what is shorter is passing by and left out."), advanced=True,
        )
        self.add(
            QgsProcessingParameterFeatureSink(
                OUTPUT, tr("Points"), QgsProcessing.SourceType.TypeVectorPoint),
            tr("Observations, or points in site coordinates."),
        )

    def compute(
        self, parameters: Values, context: QgsProcessingContext, feedback: QgsProcessingFeedback
    ) -> Values:
        from ..outputs import Outputs

        path = self.parameterAsFile(parameters, INPUT, context)
        kind = self.choice(parameters, FORMAT, context)
        if kind == "guess":
            kind = _guessed(path)
        names: Sequence[str]
        if kind == "nmea":
            names, rows = _OBSERVATION, self._observations(path, parameters, context, feedback)
            crs = self.parameterAsCrs(parameters, CRS, context)
            _refuse_plane(crs)
        else:
            names, rows = _SURVEY, _survey_points(path, feedback)
            crs = QgsCoordinateReferenceSystem()
        stop_if_cancelled(feedback)
        fields = _fields(names)
        with Outputs() as outputs:
            layer = outputs.layer(self, parameters, OUTPUT, context, fields,
                                  QgsWkbTypes.Type.PointZ, crs)
            assert layer is not None  # OUTPUT is not optional
            layer.add(list(_features(fields, rows)))
            outputs.commit()
        feedback.pushInfo(tr("{count} points read.").format(count=len(rows)))
        return {OUTPUT: layer.place}

    def _observations(self, path, parameters, context, feedback) -> List[Row]:
        from ...core.errors import InputError
        from ...core.nmea import occupations, read_nmea

        log = read_nmea(path, day=_day(self.text(parameters, "DAY", context)))
        name = self.text(parameters, "NAME", context)
        name = name or os.path.splitext(os.path.basename(path))[0]
        made, said = occupations(
            log.fixes, name, session=self.text(parameters, "SESSION", context),
            fewest=self.parameterAsInt(parameters, "FEWEST", context))
        for sentence in (*log.cautions, *said):
            feedback.pushWarning(sentence)
        if not made:
            raise InputError(
                f"In {len(log.fixes)} epochs the antenna never stood still.",
                "Choose fewer epochs for an occupation.", file=os.path.basename(path))
        return [((item.longitude, item.latitude, item.height),
                 [item.id if name == "observation_id" else getattr(item, name)
                  for name in _OBSERVATION]) for item in made]


def _survey_points(path: str, feedback: QgsProcessingFeedback) -> List[Row]:
    from ...core.landxml import read_landxml

    found = read_landxml(path)
    feedback.pushInfo(tr("LandXML {version}, lengths in {unit}.").format(
        version=found.version or "?", unit=found.unit.name))
    return [((point.easting, point.northing, point.elevation),
             [point.name if name == "control_id" else getattr(point, name) for name in _SURVEY])
            for point in found.points]


def _guessed(path: str) -> str:
    """By the first thing in the file that is no blank: XML or not."""
    try:
        with open(path, "rb") as file:
            start = file.read(4096).lstrip(b"\xef\xbb\xbf \t\r\n\x00")
    except OSError:
        return "nmea"  # whose reader says what is wrong
    wide = start[:2] in (b"\xff\xfe", b"\xfe\xff")  # UTF-16, as XML may be and logs are not
    return "landxml" if start.startswith(b"<") or wide else "nmea"


def _day(text: str) -> Optional[datetime.date]:
    from ...core.errors import SettingsError

    if not text:
        return None
    try:
        return datetime.date.fromisoformat(text)
    except ValueError:
        raise SettingsError(f"The day is {text!r}.", "Write it like 2026-05-11.") from None


def _refuse_plane(crs: QgsCoordinateReferenceSystem) -> None:
    from ...core.errors import FrameError

    if not crs.isValid() or not crs.isGeographic():
        raise FrameError(
            "An NMEA log has latitudes and longitudes and does not say in which frame.",
            "Name the geographic CRS of the corrections, such as EPSG:7912 or EPSG:4258.")


def _fields(names: Sequence[str]) -> QgsFields:
    from ..fields import fields_of, number_field, text_field

    made: Dict[str, QgsField] = {
        name: number_field(name) if name in _NUMBERS else text_field(name) for name in names}
    return fields_of(*made.values())


def _features(fields: QgsFields, rows: Sequence[Row]) -> Iterator[QgsFeature]:
    for place, values in rows:
        feature = QgsFeature(fields)
        if place is not None:
            x, y, z = place
            point = QgsPoint(x, y, float("nan") if z is None else z)
            feature.setGeometry(QgsGeometry(point))
        feature.setAttributes([None if value == "" else value for value in values])
        yield feature
