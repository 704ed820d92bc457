"""Points in LandXML."""

from __future__ import annotations

import datetime
import xml.etree.ElementTree as ElementTree

import pytest

from sitetie.core.errors import InputError
from sitetie.core.landxml import NAMESPACE, SurveyPoint, read_landxml, write_landxml

HEAD = f'<?xml version="1.0"?><LandXML xmlns="{NAMESPACE}" version="1.2">'
METRIC = '<Units><Metric linearUnit="meter" latLongAngularUnit="{}"/></Units>'
POINTS = [
    SurveyPoint("K01", 2340.004, 4690.003, 502.371, code="CP", description='pillar, "old" <b>'),
    SurveyPoint("K02 & co", -2214.992, 4609.994),
    SurveyPoint("=1+1", 0.1 + 0.2, 1e-7, 0.0, latitude=48.786218952, longitude=-14.9,
                ellipsoid_height=547.6974, time="2026-05-11T07:26:45Z"),
    SurveyPoint("地点 7", 1e7, 2.5),
]


@pytest.fixture
def file(tmp_path):
    def write(text: str):
        path = tmp_path / "points.xml"
        path.write_bytes(text.encode("utf-8") if isinstance(text, str) else text)
        return path
    return write


def point(text: str, attributes: str = 'name="1"', unit: str = "decimal degrees") -> str:
    return (f"{HEAD}{METRIC.format(unit)}<CgPoints><CgPoint {attributes}>{text}</CgPoint>"
            "</CgPoints></LandXML>")


@pytest.mark.parametrize("unit", ["m", "ft", "us-ft"])
def test_round_trip_is_exact(tmp_path, unit):
    path = tmp_path / "out.xml"
    write_landxml(path, POINTS, unit, title="Quarry & <North>")
    found = read_landxml(path)
    assert found.unit.code == unit
    assert found.version == "1.2"
    for given, read in zip(POINTS, found.points):
        for name in SurveyPoint.__dataclass_fields__:
            if name != "line":
                assert getattr(read, name) == getattr(given, name), name


def test_northing_comes_first_as_the_standard_has_it(tmp_path):
    """Read by an independent parser."""
    path = tmp_path / "out.xml"
    when = datetime.datetime(2026, 5, 11, 7, 30, tzinfo=datetime.timezone.utc)
    write_landxml(path, POINTS[:1], "us-ft", when=when)
    root = ElementTree.parse(path).getroot()
    element = root.find(f"{{{NAMESPACE}}}CgPoints/{{{NAMESPACE}}}CgPoint")
    assert [float(word) for word in element.text.split()] == [4690.003, 2340.004, 502.371]
    imperial = root.find(f"{{{NAMESPACE}}}Units/{{{NAMESPACE}}}Imperial")
    assert imperial.get("linearUnit") == "USSurveyFoot"
    assert (root.get("date"), root.get("time")) == ("2026-05-11", "07:30:00Z")


@pytest.mark.parametrize(("unit", "written", "degrees"), [
    ("decimal degrees", "48.5", 48.5), ("grads", "50", 45.0),
    ("radians", "0.5", 28.64788975654116),
    ("decimal dd.mm.ss", "45.3025", 45.0 + 30 / 60 + 25 / 3600),  # the schema's own example
])
def test_units_of_latitude(file, unit, written, degrees):
    (found,) = read_landxml(file(point("1 2 3", f'name="a" latitude="{written}"', unit))).points
    assert found.latitude == pytest.approx(degrees, abs=1e-12)


def test_older_versions_and_mentions(file):
    text = (f'<LandXML xmlns="http://www.landxml.org/schema/LandXML-1.0">{METRIC.format("grads")}'
            '<CgPoints><CgPoint name="a">1 2</CgPoint></CgPoints>'
            '<CgPoints><CgPoint pntRef="a"/></CgPoints></LandXML>')
    found = read_landxml(file(text))
    assert (found.version, [p.name for p in found.points]) == ("1.0", ["a"])
    assert (found.points[0].northing, found.points[0].easting) == (1.0, 2.0)


ENTITY = ('<!DOCTYPE LandXML [<!ENTITY x SYSTEM "file:///etc/passwd">]>'
          '<LandXML><CgPoint name="1">&x; 2 3</CgPoint></LandXML>')


@pytest.mark.parametrize(("text", "said"), [
    ("", "no well-formed XML"), ("id,easting\n1,2", "no well-formed XML"),
    ("<gpx/>", "It is gpx, not LandXML"), (ENTITY, "has a document type"),
    (f"{HEAD}</LandXML>", "does not say its unit"),
    (f"{HEAD}{METRIC.format('grads')}</LandXML>", "There are no points"),
    (f'{HEAD}<Units><Imperial linearUnit="inch"/></Units></LandXML>', "Its unit inch is none"),
    (point("1"), "row 1, point 1: Its text has 1 numbers"), (point("1 2 3 4"), "has 4 numbers"),
    (point("1 nan"), "'nan' in its text is not a number"), (point("1 1_0"), "is not a number"),
    (point("1 1e999"), "is not a number"), (point("1 2", 'name="a" latitude="91"'), "91 degrees"),
    (point("1 2", 'name="a" longitude="1"', "mils"), "'mils'"),
    (point(" ".join(["1"] * 20_000)), "longer than 10,000"),
    (HEAD + "<a>" * 200, "too deep"), (HEAD[:-1] + ' a="' + "x" * 3_000_000, "longer than a meg"),
    (b"\xff\xfe\x00", "no well-formed XML"),
])
def test_bad_files(file, text, said):
    with pytest.raises(InputError, match="points.xml.*" + said):
        read_landxml(file(text))


@pytest.mark.parametrize(("points", "said"), [
    ([SurveyPoint("a\x00", 1.0, 2.0)], "cannot hold"),
    ([SurveyPoint("a", 1.0, 2.0), SurveyPoint("a", 3.0, 4.0)], "Two points are called a"),
])
def test_what_cannot_be_written(tmp_path, points, said):
    path = tmp_path / "out.xml"
    path.write_text("old")
    with pytest.raises(InputError, match=said):
        write_landxml(path, points, "m")
    assert path.read_text() == "old"


def test_missing_file(tmp_path):
    with pytest.raises(InputError, match="nowhere.xml: The file cannot be read"):
        read_landxml(tmp_path / "nowhere.xml")
