"""Positions: angles as written, geocentric and map coordinates, against published values.

Sources: EPSG = IOGP EPSG Dataset and Guidance Note 7-2 (method and operation numbers given);
GIGS = IOGP GIGS test data, as in the test files of PROJ; OS = Ordnance Survey, "A guide to
coordinate systems in Great Britain", worked example; GDA = GDA Technical Manual v2.3, p. 46;
GeodePy = its test_convert.py.
"""

from __future__ import annotations

import math
import random

import numpy as np
import pytest

from sitetie.core.errors import FrameError, InputError
from sitetie.core.numerals import decimal_mark_of, parse_number
from sitetie.core.positions import (
    format_angle,
    geocentric_to_geodetic,
    geodetic_to_geocentric,
    parse_angle,
    parse_latitude_longitude,
    projected_to_geodetic,
)

MILLIMETRE = 1e-8  # degrees of arc, rounded down

#: 37°48'26.67598" S (GeodePy), in every form it may be written in.
SOUTH = -(37 + 48 / 60 + 26.67598 / 3600)
WRITTEN = [
    "37 48 26.67598 S",
    "S 37 48 26.67598",
    "s37°48'26.67598\"",
    "37° 48′ 26.67598″ S",
    "37º48’26.67598”s",
    "37d48m26.67598s S",
    "37d48'26.67598\"S",
    "37 deg 48 min 26.67598 sec S",
    "37:48:26.67598S",
    "-37:48:26.67598",
    "-37-48-26.67598",
    "\u221237 48 26.67598",
    "- 37 48 26.67598",
    "-37°48'26.67598''",
    "37 48,44459966667 S",
    "-37°48.44459966667'",
    "S 37 48.44459966667",
    "-37.80740999444",
    "-37,80740999444",
    "37.80740999444°S",
    "  37.80740999444   s ",
]


@pytest.mark.parametrize("text", WRITTEN)
def test_every_way_of_writing_gives_the_same_angle(text):
    assert parse_angle(text, "latitude") == pytest.approx(SOUTH, abs=2e-11)


@pytest.mark.parametrize(
    ("text", "kind", "degrees"),
    [
        ("-0°30'", "latitude", -0.5),
        ("-0 0 36", "longitude", -0.01),
        ("0 30 W", "longitude", -0.5),
        ("+12.5", "longitude", 12.5),
        ("+12.5 E", "longitude", 12.5),
        ("350.25", "longitude", 350.25),
        ("48°", "latitude", 48.0),
        (".5", "latitude", 0.5),
        ("5.", "latitude", 5.0),
        ("1e-05", "latitude", 1e-05),
        ("90 00 00 N", "latitude", 90.0),
        ("36°30'15s N", "latitude", 36.504166666666667),
        ("144d25m29.5s", "longitude", 144.42486111111111),
        ("52,123", "latitude", 52.123),
        (48.25, "latitude", 48.25),
        (0, "longitude", 0.0),
    ],
)
def test_reads_an_angle(text, kind, degrees):
    assert parse_angle(text, kind) == pytest.approx(degrees, abs=1e-15)


@pytest.mark.parametrize(
    ("written", "kind", "degrees", "minutes", "seconds"),
    [
        ("-37.482667598", "latitude", -37, 48, 26.67598),  # GeodePy
        (-37.482667598, "latitude", -37, 48, 26.67598),
        ("271.053", "longitude", 271, 5, 30.0),  # EPSG operation 1035: 271°05'30"
        (271.053, "longitude", 271, 5, 30.0),
        ("37", "latitude", 37, 0, 0.0),
        ("37.5", "latitude", 37, 50, 0.0),
        ("S37.4826", "latitude", -37, 48, 26.0),
        ("7,0005 E", "longitude", 7, 0, 5.0),
        ("89.5959999999", "latitude", 89, 59, 59.999999),
        ("0.3", "latitude", 0, 30, 0.0),
        (1e-05, "latitude", 0, 0, 0.1),
    ],
)
def test_reads_packed_degrees_minutes_seconds(written, kind, degrees, minutes, seconds):
    size = abs(degrees) + minutes / 60 + seconds / 3600
    expected = math.copysign(size, degrees)
    assert parse_angle(written, kind, packed=True) == pytest.approx(expected, abs=1e-13)


def test_packed_is_read_from_the_digits_and_never_from_the_binary_fraction():
    # Every one of these has a double below or above its decimal text; none may slip a second.
    for minutes in range(60):
        for seconds in range(60):
            text = f"12.{minutes:02d}{seconds:02d}"
            expected = 12 + minutes / 60 + seconds / 3600
            assert parse_angle(text, "latitude", packed=True) == pytest.approx(expected, abs=1e-13)
            number = parse_angle(float(text), "latitude", packed=True)
            assert number == pytest.approx(expected, abs=1e-13)


def test_minus_before_zero_degrees_is_kept_in_packed_form():
    assert parse_angle("-0.30", "latitude", packed=True) == -0.5


@pytest.mark.parametrize(
    ("text", "kind", "packed", "words"),
    [
        ("", "latitude", False, "blank"),
        ("-37 48 S", "latitude", False, "both a sign and the letter S"),
        ("+37 48 S", "latitude", False, "both a sign and the letter S"),
        ("N -37", "latitude", False, "both a sign and the letter N"),
        ("12 E", "latitude", False, "the letter E, which belongs to a longitude"),
        ("12 S", "longitude", False, "the letter S, which belongs to a latitude"),
        ("12 O", "longitude", False, "west in some languages and east in others"),
        ("12 Ost", "longitude", False, "cannot be read because of 't'"),
        ("N 12 N", "latitude", False, "2 hemisphere letters"),
        ("37°48'26.7s", "latitude", False, "can mean seconds or south"),
        ("37d48m26.7S", "latitude", False, "can mean seconds or south"),
        ("37 60 00", "latitude", False, "60 minutes"),
        ("37 60.5", "latitude", False, "60.5 minutes"),
        ("37 59 60", "latitude", False, "60 seconds"),
        ("37.5 30", "latitude", False, "decimals in its degrees"),
        ("37.0 30", "latitude", False, "decimals in its degrees"),
        ("37 30.5 10", "latitude", False, "decimals in its minutes"),
        ("37 -48 26", "latitude", False, "cannot be read"),
        ("37 48 26 7", "latitude", False, "cannot be read"),
        ("37°26\"", "latitude", False, "cannot be read"),
        ("48'26\"", "latitude", False, "cannot be read"),
        ("12:30:", "latitude", False, "cannot be read"),
        ("37,48,26", "latitude", False, "more than one decimal mark"),
        ("37.5.1", "latitude", False, "more than one decimal mark"),
        ("90 00 00.001 N", "latitude", False, "outside -90 to 90"),
        ("-90.0001", "latitude", False, "exchanged"),
        ("360.5", "longitude", False, "outside -360 to 360"),
        ("NaN", "latitude", False, "finite"),
        ("inf", "longitude", False, "finite"),
        (float("nan"), "latitude", False, "finite"),
        (True, "latitude", False, "not an angle"),
        (None, "latitude", False, "not an angle"),
        ("north", "latitude", False, "cannot be read"),
        ("37Â°48'", "latitude", False, "wrong encoding"),
        ("37.6", "latitude", True, "60 minutes"),
        ("37.4860", "latitude", True, "60 seconds"),
        (37.486, "latitude", True, "60 seconds"),
        ("37°48'", "latitude", True, "not in packed"),
        ("37 48", "latitude", True, "not in packed"),
        ("3748.5", "latitude", True, "not in packed"),
    ],
)
def test_refuses_an_angle_and_says_why(text, kind, packed, words):
    with pytest.raises(InputError) as caught:
        parse_angle(text, kind, packed=packed)
    assert words in str(caught.value)
    assert caught.value.remedy


def test_a_known_decimal_mark_shuts_out_the_other():
    assert parse_angle("52,5", "latitude", decimal=",") == 52.5
    with pytest.raises(InputError, match="decimal comma where decimal points are in use"):
        parse_angle("52,5", "latitude", decimal=".")


@pytest.mark.parametrize(
    ("degrees", "kind", "style", "decimals", "written"),
    [
        (SOUTH, "latitude", "dms", 5, "37° 48′ 26.67598″ S"),  # GeodePy, as is the next
        (SOUTH, "latitude", "dm", 7, "37° 48.4445997′ S"),
        (SOUTH, "latitude", "degrees", 8, "37.80740999° S"),
        (271 + 5.5 / 60, "longitude", "dms", 1, "271° 05′ 30.0″ E"),
        (48.99999999999, "latitude", "dms", 3, "49° 00′ 00.000″ N"),
        (12 + 59.9999 / 60, "latitude", "dm", 3, "13° 00.000′ N"),
        (12 + 4 / 60 + 59.99999 / 3600, "latitude", "dms", 2, "12° 05′ 00.00″ N"),
        (-0.5, "longitude", "dms", 0, "0° 30′ 00″ W"),
        (-1e-15, "latitude", "dms", 5, "0° 00′ 00.00000″ N"),
        (12.5, "latitude", "degrees", 0, "12° N"),
        (0, "longitude", "dm", 1, "0° 00.0′ E"),
    ],
)
def test_writes_an_angle_with_the_right_carry(degrees, kind, style, decimals, written):
    assert format_angle(degrees, kind, style, decimals) == written


def test_refuses_to_write_an_angle_out_of_range():
    with pytest.raises(InputError, match="outside"):
        format_angle(91.0, "latitude")
    with pytest.raises(InputError, match="finite"):
        format_angle(float("inf"), "latitude")


def test_a_written_angle_reads_back_to_its_last_digit():
    draw = random.Random(20261125)
    steps = {"dms": 3600e5, "dm": 60e7, "degrees": 1e9}
    for _ in range(2000):
        kind, limit = draw.choice([("latitude", 90), ("longitude", 180)])
        degrees = draw.uniform(-limit, limit) * draw.choice([1.0, 1e-3, 1e-6])
        for style, step in steps.items():
            back = parse_angle(format_angle(degrees, kind, style), kind)
            assert abs(back - degrees) <= 0.5 / step + 1e-13
        assert parse_angle(repr(degrees), kind) == degrees


@pytest.mark.parametrize(
    "text",
    [
        "-37.951033, 144.424868",
        "-37.951033,144.424868",
        "-37.951033 144.424868",
        "-37,951033; 144,424868",
        "37.951033S 144.424868E",
        "144.424868E 37.951033S",
        "S37.951033, E144.424868",
        "37 57 3.7188 S\t144 25 29.5248 E",
        "37°57'3.7188\"S144°25'29.5248\"E",
    ],
)
def test_reads_a_latitude_and_longitude_together(text):
    latitude, longitude = parse_latitude_longitude(text)
    assert latitude == pytest.approx(-37.951033, abs=1e-12)
    assert longitude == pytest.approx(144.424868, abs=1e-12)


@pytest.mark.parametrize("text", ["", "12.5", "37 48 26 144 25 29", "1, 2, 3", "52,1 4,5"])
def test_refuses_what_is_not_one_latitude_and_one_longitude(text):
    with pytest.raises(InputError, match="one latitude and one longitude"):
        parse_latitude_longitude(text)


GEOCENTRIC = [
    # GIGS 5201, WGS 84
    ("EPSG:4978", "80", "150", 1214.137, (-962479.5924, 555687.8517, 6260738.6526), 1e-4),
    # EPSG method 9602, WGS 84; the height is good to the centimetres of X, Y, Z
    ("EPSG:4326", "53°48'33.82\"N", "2°07'46.38\"E", 73.0,
     (3771793.97, 140253.34, 5124304.35), 6e-3),
    # OS, Airy 1830
    ("EPSG:4277", "52°39'27.2531\"N", "1°43'04.5177\"E", 24.700,
     (3874938.849, 116218.624, 5047168.208), 1e-3),
]


@pytest.mark.parametrize(("crs", "latitude", "longitude", "height", "xyz", "metres"), GEOCENTRIC)
def test_geocentric_coordinates(crs, latitude, longitude, height, xyz, metres):
    phi, lam = parse_angle(latitude, "latitude"), parse_angle(longitude, "longitude")
    found = geodetic_to_geocentric(phi, lam, height, crs)
    assert np.allclose(found, xyz, rtol=0.0, atol=metres)

    back = geocentric_to_geodetic(*xyz, crs)
    assert back.latitude == pytest.approx(phi, abs=metres / 111_000)
    assert back.longitude == pytest.approx(lam, abs=metres / 111_000 / math.cos(math.radians(phi)))
    assert back.height == pytest.approx(height, abs=metres)


def test_geocentric_round_trip_over_the_globe():
    draw = np.random.default_rng(7)
    latitude = draw.uniform(-89.9, 89.9, 500)
    longitude = draw.uniform(-180.0, 180.0, 500)
    height = draw.uniform(-500.0, 9000.0, 500)
    back = geocentric_to_geodetic(
        *geodetic_to_geocentric(latitude, longitude, height, "EPSG:7789"), "EPSG:7789"
    )
    assert np.max(np.abs(back.latitude - latitude)) < MILLIMETRE / 1000
    assert np.max(np.abs(back.longitude - longitude)) < MILLIMETRE / 100
    assert np.max(np.abs(back.height - height)) < 1e-6


@pytest.mark.parametrize(
    ("crs", "named", "code"),
    [
        ("EPSG:7789", "ITRF2014", "EPSG:7912"),
        ("EPSG:4978", "WGS 84", "EPSG:4979"),
        ("EPSG:4277", "OSGB36", "EPSG:4277"),
    ],
)
def test_geocentric_results_name_their_frame(crs, named, code):
    found = geocentric_to_geodetic(3874938.849, 116218.624, 5047168.208, crs)
    assert found.crs_name == named
    assert found.crs == code


PROJECTED = [
    # GDA, MGA94 zone 55: Flinders Peak
    ("EPSG:28355", 273741.297, 5796489.777, "37°57'03.7203\"S", "144°25'29.5244\"E",
     "EPSG:4283", 1e-3),
    # OS, National Grid
    ("EPSG:27700", 651409.903, 313177.270, "52°39'27.2531\"N", "1°43'04.5177\"E",
     "EPSG:4277", 3e-3),
    # GIGS 5103: one point in international feet and in US survey feet
    ("EPSG:2921", 2003937.27, 6452491.70, "49 N", "110 W", "EPSG:4152", 3e-3),
    ("EPSG:3568", 2003933.27, 6452478.80, "49 N", "110 W", "EPSG:4152", 3e-3),
    # EPSG operation 1035: northing comes first in this CRS
    ("EPSG:22192", 2610200.475, 4905282.726, "45°59'54.79\"S", "67°34'38.94\"W",
     "EPSG:4221", 2e-3),
    # EPSG method 9808: westing 71984.49, southing 2847342.74
    ("EPSG:2053", -71984.49, -2847342.74, "25°43'55.302\"S", "28°16'57.479\"E",
     "EPSG:4148", 2e-2),
    # EPSG method 9810: both axes point south, along 90°E and 180°E; and the same, northing first
    ("EPSG:5041", 3320416.75, 632668.43, "73 N", "44 E", "EPSG:4326", 1e-2),
    ("EPSG:32661", 3320416.75, 632668.43, "73 N", "44 E", "EPSG:4326", 1e-2),
]


@pytest.mark.parametrize(
    ("crs", "easting", "northing", "latitude", "longitude", "base", "metres"), PROJECTED
)
def test_map_coordinates(crs, easting, northing, latitude, longitude, base, metres):
    found = projected_to_geodetic(easting, northing, crs)
    phi, lam = parse_angle(latitude, "latitude"), parse_angle(longitude, "longitude")
    assert found.latitude == pytest.approx(phi, abs=metres / 111_000)
    assert found.longitude == pytest.approx(lam, abs=metres / 111_000 / math.cos(math.radians(phi)))
    assert found.crs == base
    assert found.height is None


def test_map_coordinates_of_the_packed_example():
    # GeodePy: packed -37.482667598 lies at this northing in MGA2020 zone 55.
    found = projected_to_geodetic(321405.5592, 5813614.1613, "EPSG:7855")
    packed = parse_angle("-37.482667598", "latitude", packed=True)
    assert found.latitude == pytest.approx(packed, abs=1e-9)


def test_grads_and_paris_come_as_degrees_from_paris():
    found = projected_to_geodetic(600000.0, 2200000.0, "EPSG:27572")  # its origin, 52 gon on Paris
    assert found.latitude == pytest.approx(46.8, abs=MILLIMETRE)
    assert found.longitude == pytest.approx(0.0, abs=MILLIMETRE)
    assert found.crs_name == "NTF (Paris)"


def test_map_coordinates_as_arrays_and_with_a_vertical_part():
    easting, northing = np.array([500000.0, 400000.0]), np.array([5000000.0, 5100000.0])
    plane = projected_to_geodetic(easting, northing, "EPSG:25832")
    compound = projected_to_geodetic(easting, northing, "EPSG:25832+5783")
    assert plane.latitude.shape == (2,)
    assert np.array_equal(plane.latitude, compound.latitude)
    assert np.array_equal(plane.longitude, compound.longitude)


@pytest.mark.parametrize(
    ("call", "kind", "words"),
    [
        (lambda: projected_to_geodetic(5e5, 1e12, "EPSG:25832"), InputError, "outside what"),
        (lambda: projected_to_geodetic(5e5, math.nan, "EPSG:25832"), InputError, "northing"),
        (lambda: projected_to_geodetic(5e5, 5e6, "EPSG:4326"), FrameError, "not a projected CRS"),
        (lambda: projected_to_geodetic(5e5, 5e6, "EPSG:999999"), FrameError, "unknown to PROJ"),
        (lambda: geocentric_to_geodetic(1.0, 2.0, 3.0, "EPSG:4978"), InputError, "surface"),
        (lambda: geocentric_to_geodetic(math.inf, 2.0, 3.0, "EPSG:4978"), InputError, "X has"),
        (lambda: geocentric_to_geodetic(6378137.0, 0.0, 0.0, "EPSG:25832"), FrameError, "is a"),
        (lambda: geocentric_to_geodetic(6378137.0, 0.0, 0.0, "EPSG:4807"), FrameError, "degrees"),
        (lambda: geocentric_to_geodetic(6378137.0, 0.0, 0.0, "EPSG:4813"), FrameError, "Jakarta"),
    ],
)
def test_refuses_coordinates_or_crs_and_says_why(call, kind, words):
    with pytest.raises(kind) as caught:
        call()
    assert words in str(caught.value)
    assert caught.value.remedy


@pytest.mark.parametrize(
    ("value", "decimal", "number"),
    [
        ("12.5", None, 12.5), ("12,5", None, 12.5), ("-0,123", None, -0.123),
        ("1234,567", None, 1234.567), ("1,2345", None, 1.2345), ("1,234", ",", 1.234),
        ("\u22123.25", None, -3.25), (" +7 ", None, 7.0), (".5", None, 0.5), ("5.", None, 5.0),
        ("1e-05", None, 1e-5), ("1e-05", ",", 1e-5), ("0", None, 0.0), (3, None, 3.0),
    ],
)
def test_reads_a_number(value, decimal, number):
    assert parse_number(value, decimal=decimal) == number


@pytest.mark.parametrize(
    ("value", "decimal", "words"),
    [
        ("1,234", None, "can be read as 1234 or as 1.234"),
        ("-12,000", None, "can be read as -12000 or as -12.000"),
        ("1,234", ".", "can be read as"),
        ("12,5", ".", "decimal comma where decimal points"),
        ("12.5", ",", "decimal point where decimal commas"),
        ("1,234,567", None, "thousands separators. Write 1234567."),
        ("1,234.5", None, "thousands separators. Write 1234.5."),
        ("1.234,5", None, "thousands separators. Write 1234.5."),
        ("1.234.567,5", None, "thousands separators. Write 1234567.5."),
        ("1 234.5", None, "thousands separators. Write 1234.5."),
        ("1\u00a0234", None, "thousands separators. Write 1234."),
        ("1'234.5", None, "thousands separators. Write 1234.5."),
        ("1_234", None, "thousands separators. Write 1234."),
        ("12.5 m", None, "carries a unit"),
        ("41.2ft", None, "carries a unit"),
        ("41'", None, "carries a unit"),
        ("nan", None, "not a finite number"),
        ("-Infinity", None, "not a finite number"),
        ("1e999", None, "not a finite number"),
        (float("inf"), None, "not a finite number"),
        ("#REF!", None, "spreadsheet error"),
        ("1O5", None, "not a number"),
        ("1.2.3", None, "not a number"),
        ("12-", None, "not a number"),
        ("\u0663", None, "not a number"),
        ("", None, "blank"),
        (True, None, "not a number"),
        (object, None, "not a number"),
    ],
)
def test_refuses_a_number_and_says_why(value, decimal, words):
    with pytest.raises(InputError) as caught:
        parse_number(value, "easting", decimal)
    assert words in str(caught.value)
    assert str(caught.value).startswith("easting ")
    assert caught.value.remedy


@pytest.mark.parametrize(
    ("text", "mark"),
    [("1.5", "."), ("1,5", ","), ("1,234", None), ("0,234", ","), ("1.234,5", None), ("15", None),
     ("37°48'26.7\"", "."), ("37 48,4446", ",")],
)
def test_finds_the_decimal_mark_only_where_there_is_no_doubt(text, mark):
    assert decimal_mark_of(text) == mark
