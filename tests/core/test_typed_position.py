"""Positions as people type them from lists."""

from __future__ import annotations

import pytest

from sitetie.core import Settings, SitetieError
from sitetie.core.errors import InputError
from sitetie.core.typed_position import TypedPosition, Way

JOB = Settings(observation_crs="EPSG:7931")

#: Way, values, CRS, packed → latitude, longitude, height, with their sources.
CASES = [
    # Plain arithmetic.
    (Way.ANGLES, ("48°47′20.309″ N", "14 55 24.522 E"), "EPSG:7931", False,
     48 + 47 / 60 + 20.309 / 3600, 14 + 55 / 60 + 24.522 / 3600),
    # GeodePy test_convert.py: packed -37.482667598 is -37 deg 48.4445997 min.
    (Way.ANGLES, ("-37.482667598", "144.57"), "EPSG:7844", True,
     -(37 + 48.4445997 / 60), 144 + 57 / 60),
    # GIGS 5201, IOGP (PROJ test/gigs): 80 N 150 E, h 1214.137.
    (Way.GEOCENTRIC, ("-962479.5924", "555687.8517", "6260738.6526"), "EPSG:4978", False,
     80.0, 150.0),
    # EPSG 9807 (IOGP 373-7-2): 50 30 N 0 30 E is 577274.99, 69740.50 on the British National
    # Grid; its scale factor is rounded there, so 10 mm (about 1.5e-7 degrees).
    (Way.MAP, ("577274,99", "69740,50"), "EPSG:27700", False, 50.5, 0.5),
]


@pytest.mark.parametrize(("way", "values", "crs", "packed", "latitude", "longitude"), CASES)
def test_every_way_gives_latitude_and_longitude(
    way, values, crs, packed, latitude, longitude
) -> None:
    found = TypedPosition(way, values, crs, packed).geodetic()
    assert (found.latitude, found.longitude) == pytest.approx((latitude, longitude), abs=2e-7)
    if way is Way.GEOCENTRIC:
        assert found.height == pytest.approx(1214.137, abs=1e-3)
    else:
        assert found.height is None


def test_values_are_echoed_readably() -> None:
    typed = TypedPosition(Way.ANGLES, ("48.7890", "-14,5"), "EPSG:7931", height="547,5")
    assert [echo.words for echo in typed.echoes()] == [
        "48° 47′ 20.40000″ N = 48.789000000° N", "14° 30′ 00.00000″ W = 14.500000000° W",
        "547.5000 m",
    ]
    assert not any(echo.wrong for echo in typed.echoes())


def test_what_cannot_be_read_is_said_beside_its_field() -> None:
    typed = TypedPosition(Way.ANGLES, ("48 61 00", ""), "EPSG:7931", height="tall")
    latitude, longitude, height = typed.echoes()
    assert latitude.wrong
    assert "61 minutes" in latitude.words
    assert (longitude.words, longitude.wrong) == ("", False)
    assert height.wrong
    assert not typed.complete
    assert [echo.words for echo in TypedPosition(
        Way.GEOCENTRIC, ("4068519.85", "x", ""), "EPSG:4978").echoes()][0] == (
        "4\u202f068\u202f519.8500")


def test_the_observation_keeps_what_was_typed() -> None:
    shot = TypedPosition(Way.ANGLES, ("48.78879484", "14.92347842"), "EPSG:7931",
                         height="569.233").observation(" K08 typed ", JOB, 0.01, None, "list 2019")
    assert (shot.id, shot.latitude, shot.longitude, shot.height) == (
        "K08 typed", 48.78879484, 14.92347842, 569.233)
    assert (shot.source, shot.note, shot.crs) == ("typed", "list 2019", None)
    assert (shot.sigma_e, shot.sigma_n, shot.sigma_u) == (0.01, 0.01, None)
    assert shot.height_kind == "ellipsoidal"


def test_another_frame_is_named() -> None:
    assert TypedPosition(Way.ANGLES, ("48", "14"), "EPSG:4258").observation(
        "A", JOB).crs == "EPSG:4258"
    assert TypedPosition(Way.MAP, ("500000", "5400000"), "EPSG:25833").observation(
        "A", JOB).crs == "EPSG:4258"
    typed = TypedPosition(Way.GEOCENTRIC, ("4068519", "1084329", "4775427"), "EPSG:7930")
    assert typed.observation("A", JOB).crs is None


def test_a_height_on_the_geoid_names_it() -> None:
    typed = TypedPosition(Way.ANGLES, ("48", "14"), "EPSG:7931", height="500")
    shot = typed.observation("A", JOB, height_geoid="egm96_15.gtx")
    assert (shot.height_kind, shot.height_geoid) == ("orthometric", "egm96_15.gtx")


@pytest.mark.parametrize(
    ("typed", "words"),
    [
        (TypedPosition(Way.ANGLES, ("48", "14"), "EPSG:25833"), "geographic"),
        (TypedPosition(Way.MAP, ("1", "2"), "EPSG:4258"), "not a projected CRS"),
        (TypedPosition(Way.GEOCENTRIC, ("1", "2", "3"), "EPSG:4978"), "surface of the earth"),
        (TypedPosition(Way.ANGLES, ("48", ""), "EPSG:7931"), "longitude is blank"),
        (TypedPosition(Way.ANGLES, ("48", "14"), "nonsense"), "unknown to PROJ"),
    ],
)
def test_what_is_no_position(typed, words) -> None:
    with pytest.raises(SitetieError, match=words):
        typed.geodetic()


def test_an_observation_needs_an_id() -> None:
    with pytest.raises(InputError, match="no id"):
        TypedPosition(Way.ANGLES, ("48", "14"), "EPSG:7931").observation(" ", JOB)


def test_a_better_reading_goes_into_the_fields() -> None:
    typed = TypedPosition(Way.ANGLES, ("14.92", "48.78"), "EPSG:7931", height="500")
    exchanged = next(r for r in typed.readings() if r.words == "latitude and longitude exchanged")
    again = typed.read_as(exchanged)
    assert (again.values, again.height) == (("48.78", "14.92"), "500")
