"""A typed position that lies far off, and the other reading of it that does not."""

from __future__ import annotations

import pyproj
import pytest

from sitetie.core.errors import InputError
from sitetie.core.misreadings import (
    Place,
    angle_readings,
    check_position,
    geocentric_readings,
    negated,
    projected_readings,
    read_angles,
)

PAIRS = [Place("K01", 48.786218952, 14.932540622), Place("K02", 48.786011931, 14.930545671),
         Place("K03", 48.788401640, 14.935848887)]
MARK = Place("M12", 48.7879, 14.9234)
SOUTH_WEST = Place("S1", -33.45, -70.66)


def check_angles(values, expected=MARK, packed=False, pairs=PAIRS):
    try:
        position = read_angles(values, packed)
    except InputError:
        position = None
    return check_position(position, angle_readings(values, packed), pairs, expected, 0.4)


#: What is typed, how it is meant (words of the reading), and what the fields should hold then.
MISREAD = [
    (("14.9234", "48.7879"), "latitude and longitude exchanged", ("48.7879", "14.9234")),
    (("48.7879", "-14.9234"), "the other sign of the longitude", ("48.7879", "14.9234")),
    (("48.7879 S", "14.9234"), "the other sign of the latitude", ("48.7879 N", "14.9234")),
    (("-48.7879", "14°55′24.24″W"), "both signs turned over", ("48.7879", "14°55′24.24″E")),
    (("48.471644", "14.552424"), "read as packed degrees, minutes, seconds",
     ("48.471644", "14.552424")),
    (("14.9234", "-48.7879"),
     "latitude and longitude exchanged and the other sign of the latitude",
     ("48.7879", "14.9234")),
]


@pytest.mark.parametrize(("typed", "words", "meant"), MISREAD)
@pytest.mark.parametrize("tied", [True, False])
def test_the_reading_that_fits_is_named(typed, words, meant, tied) -> None:
    found = check_angles(typed, MARK if tied else None)
    assert found.far
    assert found.better is not None
    assert found.better.words == words
    assert found.better.values == meant
    assert words in found.sentence
    assert ("from M12" in found.sentence) is tied
    assert (found.better.latitude, found.better.longitude) == pytest.approx(
        (MARK.latitude, MARK.longitude), abs=1e-5)


def test_the_better_reading_needs_no_further_help() -> None:
    for typed, _, _ in MISREAD:
        better = check_angles(typed).better
        again = check_angles(better.values, packed=better.packed)
        assert again.better is None


@pytest.mark.parametrize(
    ("typed", "expected", "sentence", "far"),
    [
        (("48.7879", "14.9234"), MARK, "It lies 0.0 mm from where the tie expects M12.", False),
        (("48.7889", "14.9234"), MARK, "It lies 111.2 m from where the tie expects M12.", True),
        (("48.786219", "14.932541"), None,
         "It lies 28 mm from K01, the nearest of the other pairs.", False),
    ],
)
def test_what_is_said_of_an_ordinary_position(typed, expected, sentence, far) -> None:
    found = check_angles(typed, expected)
    assert (found.sentence, found.far, found.better) == (sentence, far, None)


def test_digits_exchanged_are_not_mistaken_for_another_reading() -> None:
    # The sample's typed latitude, 20 m off: said, but no reading explains it.
    mark = Place("K08", 48.78897484, 14.92347842)
    found = check_position((48.78879484, 14.92347842),
                           angle_readings(("48.78879484", "14.92347842")), PAIRS, mark, 0.4)
    assert found.far
    assert found.better is None
    assert found.sentence == "It lies 20.0 m from where the tie expects K08."


def test_a_latitude_that_cannot_be_one_is_exchanged_when_that_fits() -> None:
    east = [Place("A", 37.5, 144.2), Place("B", 37.51, 144.21)]
    found = check_angles(("144.205", "37.505"), None, pairs=east)
    assert found.sentence.startswith("With latitude and longitude exchanged it is ")
    assert found.better.values == ("37.505", "144.205")
    nowhere = check_angles(("144.205", "80"), None, pairs=east)
    assert (nowhere.sentence, nowhere.far, nowhere.better) == ("", True, None)


def test_without_anything_to_compare_with_nothing_is_said() -> None:
    assert check_angles(("1", "2"), None, pairs=[]).sentence == ""


def test_one_wild_pair_does_not_make_everything_near() -> None:
    found = check_angles(("14.9234", "48.7879"), None,
                         pairs=[*PAIRS, Place("wild", 14.93, 48.78)])
    # It lies near the wild one, which nobody can know to be wrong here.
    assert not found.far
    found = check_angles(("-48.7879", "14.9234"), None,
                         pairs=[*PAIRS, Place("wild", 14.93, 48.78)])
    assert found.far
    assert found.better.words == "the other sign of the latitude"


def test_the_antimeridian_is_no_distance() -> None:
    pairs = [Place("A", -16.8, 179.99), Place("B", -16.8, -179.99)]
    assert not check_angles(("-16.801", "-179.995"), None, pairs=pairs).far
    assert not check_angles(("-16.801", "180.001"), None, pairs=pairs).far


def test_distance_on_the_ellipsoid() -> None:
    # Karney's example of GeodSolve, JFK to LHR: 5551.759400 km on WGS 84 (from memory).
    found = check_angles(("40.6", "-73.8"), None, pairs=[Place("LHR", 51.6, -0.5)])
    assert found.sentence.startswith("It lies 5,552 km from the other pairs")


def test_geocentric_axes_and_signs() -> None:
    to_xyz = pyproj.Transformer.from_crs("EPSG:4979", "EPSG:4978").transform
    x, y, z = to_xyz(MARK.latitude, MARK.longitude, 500.0)
    for typed, words in (
        ((y, x, z), "X and Y exchanged"), ((x, z, y), "Y and Z exchanged"),
        ((z, y, x), "X and Z exchanged"), ((x, -y, z), "the other sign of Y"),
        ((x, y, -z), "the other sign of Z"),
    ):
        texts = tuple(f"{value:.4f}" for value in typed)
        away = pyproj.Transformer.from_crs("EPSG:4978", "EPSG:4979").transform(*typed)
        found = check_position(away[:2], geocentric_readings(texts, "EPSG:4978"), PAIRS, MARK, 0.4)
        assert found.better.words == words
        assert tuple(map(float, found.better.values)) == pytest.approx((x, y, z), abs=1e-3)


def test_map_axes() -> None:
    project = pyproj.Transformer.from_crs("EPSG:4258", "EPSG:25833").transform
    easting, northing = project(MARK.latitude, MARK.longitude)
    back = pyproj.Transformer.from_crs("EPSG:25833", "EPSG:4258").transform
    found = check_position(
        back(easting, -northing), projected_readings((f"{easting:.3f}", f"{-northing:.3f}"),
                                                     "EPSG:25833"), PAIRS, MARK, 0.4)
    assert found.better.words == "the other sign of the northing"
    found = check_position(None, projected_readings((f"{northing:.3f}", f"{easting:.3f}"),
                                                    "EPSG:25833"), PAIRS, MARK, 0.4)
    assert found.better.words == "easting and northing exchanged"


@pytest.mark.parametrize(
    ("text", "turned"),
    [("12.5", "-12.5"), ("-12.5", "12.5"), ("\u221212.5", "12.5"), ("+3", "-3"),
     ("12 N", "12 S"), ("w 3", "e 3"), (" 5 ", "-5")],
)
def test_turning_a_sign_over(text, turned) -> None:
    assert negated(text) == turned
