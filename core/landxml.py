"""Points in LandXML 1.2: `CgPoints` read and written.

The text of a `CgPoint` is "northing easting [elevation]" in the linear unit of the file's `Units`;
latitude and longitude are attributes in the `latLongAngularUnit`, decimal degrees unless it says
otherwise (LandXML-1.2 schema, types PointType, CgPoint, Metric, Imperial, latLongAngularType).
"""

from __future__ import annotations

import datetime
import io
import math
import os
import re
import xml.parsers.expat
from dataclasses import dataclass
from typing import Dict, Iterable, List, Optional, Tuple, Union
from xml.sax.saxutils import escape, quoteattr

from .angles import parse_angle
from .errors import InputError
from .units import LengthUnit, length_unit
from .version import VERSION
from .whole_file import write_whole_file

NAMESPACE = "http://www.landxml.org/schema/LandXML-1.2"
#: Linear units of the schema by element and name, and our codes for those a site may have.
LINEAR_UNITS = {("Metric", "meter"): "m", ("Imperial", "foot"): "ft",
                ("Imperial", "USSurveyFoot"): "us-ft"}
_UNIT_NAMES = {code: names for names, code in LINEAR_UNITS.items()}
#: A file grows in memory only by its points: what is longer than this between two signs of
#: progress is no LandXML.
LONGEST_TOKEN = 1 << 20
DEEPEST = 100
_CHUNK = 1 << 16
_ILLEGAL = re.compile("[^\t\n\r\x20-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")


@dataclass(frozen=True)
class SurveyPoint:
    """A `CgPoint`.

    Attributes
    ----------
    name : str
    easting, northing : float
    elevation : float or None
        In the unit of the file.
    latitude, longitude : float or None
        Degrees, where the file gives them.
    ellipsoid_height : float or None
        In the unit of the file.
    code, description, time : str
    line : int or None
        Where it was read.
    """

    name: str
    easting: float
    northing: float
    elevation: Optional[float] = None
    latitude: Optional[float] = None
    longitude: Optional[float] = None
    ellipsoid_height: Optional[float] = None
    code: str = ""
    description: str = ""
    time: str = ""
    line: Optional[int] = None


@dataclass(frozen=True)
class LandXml:
    """Points of a file, and their unit."""

    points: Tuple[SurveyPoint, ...]
    unit: LengthUnit
    version: str


def read_landxml(path: Union[str, os.PathLike]) -> LandXml:
    """Read the points of a LandXML file (1.0 to 1.2).

    Raises
    ------
    InputError
        When it cannot be opened, is no LandXML, has a document type (nothing outside the file is
        ever fetched), has no unit, or a point that cannot be used; naming line and point.
    """
    name = os.path.basename(os.fspath(path))
    reader = _Reader()
    try:
        with open(path, "rb") as file:
            reader.read(file)
        return reader.result()
    except OSError as error:
        raise InputError(
            f"The file cannot be read ({error.strerror or error}).", "Check its place and name.",
            file=name,
        ) from None
    except xml.parsers.expat.ExpatError as error:
        raise InputError(
            f"It is no well-formed XML: {error}.", "Export it again as LandXML 1.2.", file=name,
        ) from None
    except InputError as error:
        raise error.at(file=name) from None


def write_landxml(
    path: Union[str, os.PathLike],
    points: Iterable[SurveyPoint],
    unit: str,
    *,
    title: str = "",
    when: Optional[datetime.datetime] = None,
) -> None:
    """Write points as LandXML 1.2, whole or not at all.

    Parameters
    ----------
    unit : str
        Code of the unit of all lengths: m, ft (international) or us-ft.
    title : str
        Of the project; a sentence that says by which tie the coordinates were made.
    when : datetime, optional
        Written into the file; now when left out.

    Raises
    ------
    InputError
        When a name holds a character that XML cannot hold, or a name comes twice.
    OutputError
    """
    when = (when or datetime.datetime.now()).astimezone(datetime.timezone.utc)
    text = io.StringIO()
    system, linear = _UNIT_NAMES[unit]
    others = ('areaUnit="squareMeter" volumeUnit="cubicMeter" temperatureUnit="celsius" '
              'pressureUnit="milliBars"' if system == "Metric" else
              'areaUnit="squareFoot" volumeUnit="cubicYard" temperatureUnit="fahrenheit" '
              'pressureUnit="inHG"')
    text.write(
        f'<?xml version="1.0" encoding="UTF-8"?>\n<LandXML xmlns="{NAMESPACE}" version="1.2" '
        f'date="{when:%Y-%m-%d}" time="{when:%H:%M:%S}Z" readOnly="false" language="English">\n'
        f'  <Units><{system} linearUnit="{linear}" {others} '
        f'latLongAngularUnit="decimal degrees"/></Units>\n'
        f"  <Project name={_quoted(title or 'Site', 'title')}/>\n"
        f'  <Application name="Sitetie" version={quoteattr(VERSION)}/>\n  <CgPoints>\n'
    )
    seen: Dict[str, int] = {}
    for place, point in enumerate(points, 1):
        if point.name in seen:
            raise InputError(
                f"Two points are called {point.name} (points {seen[point.name]} and {place}).",
                "Give each point a name of its own.", point=point.name,
            )
        seen[point.name] = place
        text.write(f"    {_element(point)}\n")
    text.write("  </CgPoints>\n</LandXML>\n")
    write_whole_file(path, text.getvalue().encode("utf-8"))


def _element(point: SurveyPoint) -> str:
    lengths = [point.northing, point.easting]
    lengths += [] if point.elevation is None else [point.elevation]
    attributes = {"name": point.name, "code": point.code, "desc": point.description,
                  "timeStamp": point.time, "latitude": _text(point.latitude),
                  "longitude": _text(point.longitude),
                  "ellipsoidHeight": _text(point.ellipsoid_height)}
    written = " ".join(f"{key}={_quoted(value, key)}" for key, value in attributes.items() if value)
    return f"<CgPoint {written}>{escape(' '.join(map(repr, map(float, lengths))))}</CgPoint>"


def _text(value: Optional[float]) -> str:
    return "" if value is None else repr(float(value))


def _quoted(value: str, what: str) -> str:
    found = _ILLEGAL.search(value)
    if found is not None:
        raise InputError(
            f"{what} {value!r} holds a character that XML cannot hold.", "Take it out.",
        )
    return quoteattr(value)


class _Reader:
    """Listens to the parser; only points stay in memory."""

    def __init__(self) -> None:
        self.parser = xml.parsers.expat.ParserCreate(namespace_separator=" ")
        self.parser.StartElementHandler = self._start
        self.parser.EndElementHandler = self._end
        self.parser.CharacterDataHandler = self._characters
        self.parser.StartDoctypeDeclHandler = self._doctype
        self.depth = 0
        self.version: Optional[str] = None
        self.unit: Optional[LengthUnit] = None
        self.angles = "decimal degrees"
        self.points: List[SurveyPoint] = []
        self.by_name: Dict[str, SurveyPoint] = {}
        self._open: Optional[dict] = None
        self._line = 0
        self._said = ""

    def read(self, file) -> None:
        fed = seen = 0
        while True:
            chunk = file.read(_CHUNK)
            self.parser.Parse(chunk, not chunk)
            if not chunk:
                return
            fed += len(chunk)
            if self.parser.CurrentByteIndex > seen:
                seen = self.parser.CurrentByteIndex
            elif fed - seen > LONGEST_TOKEN:
                raise InputError("A single word of it is longer than a megabyte.",
                                 "Export it again as LandXML 1.2.")

    def result(self) -> LandXml:
        if self.unit is None:
            raise InputError("The file does not say its unit.",
                             "Export it again with Units: Metric or Imperial.")
        if not self.points:
            raise InputError("There are no points (CgPoint) in it.", "Choose a file with points.")
        return LandXml(tuple(self.points), self.unit, self.version or "")

    def _doctype(self, *_: object) -> None:
        raise InputError("The file has a document type (DOCTYPE), which LandXML has not.",
                         "Export it again as LandXML 1.2.", row=self.parser.CurrentLineNumber)

    def _start(self, name: str, attributes: Dict[str, str]) -> None:
        self.depth += 1
        if self.depth > DEEPEST:
            raise InputError("Its elements lie too deep in one another.",
                             "Export it again as LandXML 1.2.")
        space, _, element = name.rpartition(" ")
        if self.depth == 1:
            self._root(space, element, attributes)
        elif element in ("Metric", "Imperial") and self.unit is None:
            self._units(element, attributes)
        elif element == "CgPoint":
            self._open, self._said = attributes, ""
            self._line = self.parser.CurrentLineNumber

    def _root(self, space: str, element: str, attributes: Dict[str, str]) -> None:
        if element != "LandXML":
            raise InputError(f"It is {element}, not LandXML.", "Choose a LandXML file.")
        self.version = attributes.get("version") or space.rpartition("-")[2]

    def _units(self, system: str, attributes: Dict[str, str]) -> None:
        linear = attributes.get("linearUnit", "")
        code = LINEAR_UNITS.get((system, linear))
        if code is None:
            known = ", ".join(name for _, name in LINEAR_UNITS)
            raise InputError(
                f"Its unit {linear or 'is not named'} is none a site grid has here.",
                f"Export it again in one of {known}.", row=self.parser.CurrentLineNumber,
            )
        self.unit = length_unit(code)
        self.angles = attributes.get("latLongAngularUnit", self.angles)

    def _characters(self, text: str) -> None:
        if self._open is not None:
            self._said += text
            if len(self._said) > 10_000:
                raise InputError("The text of a point is longer than 10,000 characters.",
                                 "Export it again as LandXML 1.2.", row=self._line)

    def _end(self, name: str) -> None:
        self.depth -= 1
        if self._open is None or name.rpartition(" ")[2] != "CgPoint":
            return
        attributes, self._open = self._open, None
        label = attributes.get("name") or attributes.get("oID") or str(len(self.points) + 1)
        try:
            point = self._point(label, attributes)
        except InputError as error:
            raise error.at(row=self._line, point=label[:80]) from None
        if point is not None:
            self.points.append(point)
            self.by_name.setdefault(point.name, point)

    def _point(self, label: str, attributes: Dict[str, str]) -> Optional[SurveyPoint]:
        words = self._said.split()
        if not words and attributes.get("pntRef"):
            return None  # a mention of another point, as a list has them
        if len(words) not in (2, 3):
            raise InputError(f"Its text has {len(words)} numbers.",
                             "A point has northing, easting and perhaps elevation.")
        lengths = [_finite(word, "its text") for word in words]
        return SurveyPoint(
            name=label, northing=lengths[0], easting=lengths[1],
            elevation=lengths[2] if len(lengths) > 2 else None,
            latitude=self._angle(attributes, "latitude", 90.0),
            longitude=self._angle(attributes, "longitude", 360.0),
            ellipsoid_height=_optional(attributes, "ellipsoidHeight"),
            code=attributes.get("code", ""), description=attributes.get("desc", ""),
            time=attributes.get("timeStamp", ""), line=self._line,
        )

    def _angle(self, attributes: Dict[str, str], name: str, most: float) -> Optional[float]:
        value = _optional(attributes, name)
        if value is None:
            return None
        if self.angles == "radians":
            value = math.degrees(value)
        elif self.angles == "grads":
            value *= 0.9
        elif self.angles == "decimal dd.mm.ss":
            value = parse_angle(attributes[name], name, packed=True)
        elif self.angles != "decimal degrees":
            raise InputError(f"The unit of latitude and longitude is {self.angles!r}.",
                             "Export it again in decimal degrees.")
        if abs(value) > most:
            raise InputError(f"{name} is {value:g} degrees.", "Correct it.")
        return value


def _optional(attributes: Dict[str, str], name: str) -> Optional[float]:
    text = attributes.get(name, "").strip()
    return _finite(text, name) if text else None


def _finite(text: str, what: str) -> float:
    try:
        value = float(text)
        if "_" in text or not math.isfinite(value):
            raise ValueError
    except ValueError:
        raise InputError(f"{text[:40]!r} in {what} is not a number.", "Correct it.") from None
    return value
