"""Layers in any CRS: their positions in the tie's frame, and what must not pass silently."""

from __future__ import annotations

import numpy as np
import pyproj
import pytest

from sitetie.core.angles import parse_angle
from sitetie.core.errors import FrameError, InputError
from sitetie.core.reframe import reframing

#: CRS of the map coordinates, geographic CRS on its datum, x, y, latitude, longitude, metres.
PUBLISHED = [
    # GDA Technical Manual v2.3, p. 46 (as quoted in public code): Flinders Peak, MGA94 zone 55.
    ("EPSG:28355", "EPSG:4283", 273741.297, 5796489.777,
     "37 57 03.7203 S", "144 25 29.5244 E", 0.001),
    # NGS OPUS, published output quoted in course material, UTM 12 on NAD83(2011).
    ("EPSG:6341", "EPSG:6319", 439180.244, 4458812.428,
     "40 16 39.29837 N", "111 42 55.48882 W", 0.001),
    # IOGP 373-7-2, Transverse Mercator (south orientated), Lo29; the numbers from memory. GIS
    # programs keep the sense of such axes: x is the westing, y the southing.
    ("EPSG:2053", "EPSG:4148", 71984.49, 2847342.74,
     "25 43 55.302 S", "28 16 57.479 E", 0.01),
]


def one(way, x, y, height=np.nan):
    return [values[0] for values in way(*(np.array([value]) for value in (x, y, height)))]


@pytest.mark.parametrize(("crs", "target", "x", "y", "latitude", "longitude", "metres"), PUBLISHED)
def test_map_coordinates_of_published_points(
    crs, target, x, y, latitude, longitude, metres
) -> None:
    found = one(reframing(crs, target, (x, y, np.nan)), x, y, 12.5)
    degrees = metres / 111e3 * 1.5
    assert found[0] == pytest.approx(parse_angle(latitude, "latitude"), abs=degrees)
    assert found[1] == pytest.approx(parse_angle(longitude, "longitude"), abs=degrees)
    assert found[2] == 12.5


@pytest.mark.parametrize("source", ["EPSG:7931", "EPSG:9067", "EPSG:9067+5783"])
def test_on_one_datum_no_digit_changes(source: str) -> None:
    """3-D, 2-D and, for its horizontal part, compound."""
    x, y = 14.932540622, 48.786218952
    way = reframing(source, "EPSG:7931", (x, y, 547.6974))
    assert one(way, x, y, 547.6974) == [y, x, 547.6974]
    assert way.operation is None
    assert way.heights_open == ("+" in source)


def test_a_change_of_frame_is_that_of_proj_at_the_epoch() -> None:
    place = 14.93, 48.78, 500.0
    way = reframing("EPSG:7912", "EPSG:7931", place, epoch=2026.35)
    expected = pyproj.Transformer.from_crs("EPSG:7912", "EPSG:7931", always_xy=True).transform(
        *place, 2026.35)[:3]
    latitude, longitude, height = one(way, *place)
    assert (longitude, latitude, height) == pytest.approx(expected, abs=1e-12)
    assert abs(latitude - 48.78) > 5e-6  # over half a metre since 1989: not a null operation
    assert "change by -0.0" in way.cautions[-1]


def test_geocentric_coordinates() -> None:
    """IOGP GIGS 5201 (in PROJ's test/gigs): 80N 150E, height 1214.137."""
    way = reframing("EPSG:4978", "EPSG:4979", (-962479.5924, 555687.8517, 6260738.6526))
    found = one(way, -962479.5924, 555687.8517, 6260738.6526)
    assert found[:2] == pytest.approx([80.0, 150.0], abs=1e-8)
    assert found[2] == pytest.approx(1214.137, abs=1e-3)
    assert way.needs_heights


def test_a_height_left_blank_stays_blank() -> None:
    way = reframing("EPSG:7912", "EPSG:7931", (14.93, 48.78, np.nan), epoch=2026.35)
    assert np.isnan(one(way, 14.93, 48.78)[2])


@pytest.mark.parametrize(
    ("source", "target", "options", "message"),
    [
        ("EPSG:4326", "EPSG:7931", {}, "WGS 84.*ETRF2000.*metre or two.*identical"),
        ("EPSG:7931", "EPSG:4326", {}, "metre or two"),
        ("EPSG:4979", "EPSG:6319", {}, "ballpark"),
        ("EPSG:4269", "EPSG:6319", {}, "no better than a ballpark"),
        ("EPSG:7912", "EPSG:7931", {}, "depends on time"),
        ("EPSG:27561", "EPSG:7931", {}, "not in degrees"),
        ("EPSG:99999", "EPSG:7931", {}, "unknown to PROJ"),
        ("EPSG:7912", "EPSG:7931", {"datum_operation": "magic"}, "neither a PROJ pipeline"),
        ('ENGCRS["site",EDATUM["site"],CS[Cartesian,2],AXIS["x",east],AXIS["y",north],'
         'LENGTHUNIT["metre",1]]', "EPSG:7931", {}, "no place on the earth"),
    ],
)
def test_what_must_not_pass_silently(source, target, options, message) -> None:
    with pytest.raises(FrameError, match=message):
        reframing(source, target, (14.93, 48.78, 500.0), **options)


def test_two_frames_are_one_when_it_is_said() -> None:
    way = reframing("EPSG:4326", "EPSG:7931", (14.93, 48.78, 500.0), datum_operation="identical")
    assert one(way, 14.93, 48.78, 500.0) == [48.78, 14.93, 500.0]


def test_map_coordinates_beyond_the_projection_are_refused() -> None:
    way = reframing("EPSG:25833", "EPSG:4258", (5e5, 5.4e6, np.nan))
    with pytest.raises(InputError, match="lie outside what ETRS89 / UTM zone 33N can compute"):
        one(way, 1e9, 5.4e6)
