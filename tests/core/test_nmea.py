"""Logs of NMEA 0183 sentences."""

from __future__ import annotations

import datetime
import functools
import math
import operator

import numpy as np
import pytest

from sitetie.core.errors import InputError
from sitetie.core.nmea import occupations, read_nmea

#: From gpsd's page "NMEA Revealed" (gpsd.gitlab.io/gpsd/NMEA.html), GGA and GST.
REVEALED_GGA = "$GNGGA,001043.00,4404.14036,N,12118.85961,W,1,12,0.98,1113.0,M,-21.3,M*47"
REVEALED_GST = "$GPGST,182141.000,15.5,15.3,7.2,21.8,0.9,0.5,0.8*54"


def sentence(body: str) -> str:
    return f"${body}*{functools.reduce(operator.xor, body.encode(), 0):02X}"


def gga(clock="101500.00", latitude="4847.1731", longitude="01455.9524", quality="4",
        altitude="500.123", separation="46.5", east="E", north="N") -> str:
    return sentence(f"GNGGA,{clock},{latitude},{north},{longitude},{east},{quality},14,0.7,"
                    f"{altitude},M,{separation},M,1.0,0001")


def gst(clock="101500.00", major="0.010", minor="0.006", towards="45.0", north="0.008",
        east="0.008", up="0.015") -> str:
    return sentence(f"GNGST,{clock},0.5,{major},{minor},{towards},{north},{east},{up}")


@pytest.fixture
def log(tmp_path):
    def write(*lines, ending="\r\n"):
        path = tmp_path / "rover.nmea"
        path.write_bytes(ending.join(lines).encode("latin-1"))
        return path
    return write


def test_published_sentence(log):
    (fix,) = read_nmea(log(REVEALED_GGA)).fixes
    assert fix.latitude == pytest.approx(44 + 4.14036 / 60, abs=1e-12)
    assert fix.longitude == pytest.approx(-(121 + 18.85961 / 60), abs=1e-12)
    assert fix.height == pytest.approx(1113.0 - 21.3, abs=1e-9)
    assert (fix.fix, fix.seconds, fix.day) == ("autonomous", 643.0, None)


def test_published_error_ellipse(log):
    clock = gga(clock="182141.000")
    (fix,) = read_nmea(log(clock, REVEALED_GST)).fixes
    # The page's ellipse (15.3 by 7.2 m) does not go with its axes (0.9 and 0.5 m): no correlation
    # can be had from it.
    assert (fix.sigma_n, fix.sigma_e, fix.sigma_en, fix.sigma_u) == (0.9, 0.5, None, 0.8)


def test_ellipse_gives_the_correlation(log):
    turn, a, b = math.radians(30.0), 0.012, 0.005
    axes = np.array([[math.sin(turn), math.cos(turn)], [math.cos(turn), -math.sin(turn)]])
    covariance = axes.T @ np.diag([a**2, b**2]) @ axes  # east, north
    east, north = (f"{math.sqrt(covariance[k, k]):.6f}" for k in (0, 1))
    text = gst(major="0.012", minor="0.005", towards="30.0", up="0.02", north=north, east=east)
    for order in ((gga(), text), (text, gga())):
        (fix,) = read_nmea(log(*order)).fixes
        assert math.copysign(fix.sigma_en**2, fix.sigma_en) == pytest.approx(covariance[0, 1])


@pytest.mark.parametrize(("east", "north", "signs"), [("E", "S", (-1, 1)), ("W", "N", (1, -1))])
def test_hemispheres(log, east, north, signs):
    (fix,) = read_nmea(log(gga(east=east, north=north))).fixes
    assert (np.sign(fix.latitude), np.sign(fix.longitude)) == signs


def test_date_and_midnight(log):
    zda = sentence("GPZDA,235958.00,30,06,2026,00,00")
    found = read_nmea(log(gga("235957.00"), zda, gga("235958.00"), gga("000001.00")))
    assert [fix.day for fix in found.fixes] == [
        datetime.date(2026, 6, 30), datetime.date(2026, 6, 30), datetime.date(2026, 7, 1)]
    rmc = sentence("GPRMC,101500.00,A,4847.1731,N,01455.9524,E,0.0,0.0,110526,,,A")
    assert read_nmea(log(rmc, gga())).fixes[0].day == datetime.date(2026, 5, 11)
    given = read_nmea(log(gga()), day=datetime.date(2026, 1, 2))
    assert given.fixes[0].day == datetime.date(2026, 1, 2)
    assert not given.cautions


@pytest.mark.parametrize("damaged", [
    gga()[:-1] + ("0" if gga()[-1] != "0" else "1"), gga()[:30], gga(latitude="4861.0"),
    gga(latitude="9100.0"), gga(longitude="18100.0"), gga(clock="251500"), gga(east="X"),
    gga(altitude="high"), gga(altitude="1e999"), gga(quality="x"), sentence("GPGGA"),
    "$" + "9" * 5000, sentence("GNGGA,\xe9"), sentence("GPZDA,101500,31,02,2026,0,0"),
])
def test_damaged_sentences_are_left_out_and_said(log, damaged):
    found = read_nmea(log(gga("101459.00"), damaged, gga("101501.00")))
    assert len(found.fixes) == 2
    assert found.cautions[0] == "1 damaged sentence is left out (line 2)."


def test_what_has_no_fix_or_no_separation_is_said(log):
    found = read_nmea(log(gga(quality="0"), gga(separation="")))
    assert [fix.height for fix in found.fixes] == [None]
    assert "1 epochs without a fix" in found.cautions[0]
    assert "no geoidal separation" in found.cautions[1]


@pytest.mark.parametrize("lines", [(), ("id,latitude",), (gga(quality="0"),), ("\x00" * 3000,)])
def test_nothing_to_read(log, lines):
    with pytest.raises(InputError, match="rover.nmea: There is no position"):
        read_nmea(log(*lines))


def test_missing_file(tmp_path):
    with pytest.raises(InputError, match="nowhere.nmea: The file cannot be read"):
        read_nmea(tmp_path / "nowhere.nmea")


def standing(start: float, count: int, latitude: float, longitude: float, quality="4", step=1.0):
    for k in range(count):
        seconds = start + step * k
        clock = f"{int(seconds // 3600):02d}{int(seconds // 60) % 60:02d}{seconds % 60:05.2f}"
        lat, lon = latitude + 1e-8 * (-1) ** k, longitude
        yield gga(clock, f"{int(lat):02d}{60 * (lat % 1):010.7f}",
                  f"{int(lon):03d}{60 * (lon % 1):010.7f}", quality,
                  altitude=f"{500 + 0.002 * (-1) ** k:.4f}")
        yield gst(clock, east="0.008", north="0.006", up="0.020")


def test_occupations(log):
    lines = [*standing(36000.0, 20, 48.7861, 14.9325), *standing(36020.0, 3, 48.7862, 14.9325),
             *standing(36030.0, 10, 48.7870, 14.9325), *standing(36040.0, 8, 48.7870, 14.9325, "5"),
             *standing(36200.0, 6, 48.7870, 14.9325, "5")]
    found = read_nmea(log(*lines))
    made, said = occupations(found.fixes, "rover", session="day 1")
    assert [item.id for item in made] == ["rover-1", "rover-2", "rover-3", "rover-4"]
    assert [item.fix for item in made] == ["fixed", "fixed", "float", "float"]
    assert made[0].latitude == pytest.approx(48.7861, abs=2e-9)
    assert made[0].height == pytest.approx(546.5, abs=1e-6)
    assert made[0].sigma_u == pytest.approx(0.020)  # not divided by the number of epochs
    assert made[0].time == "10:00:00Z"
    assert made[0].session == "day 1"
    assert made[0].note == "mean of 20 epochs, farthest from it: 1 mm, height 2 mm"
    assert said == ["3 of 47 epochs are left out: the antenna moved, or stood for fewer than 5 "
                    "epochs."]


def test_occupation_on_the_antimeridian(log):
    lines = [gga(f"1015{k:02d}.00", longitude="17959.9999999" if k % 2 else "18000.0000000",
                 east="E" if k % 2 else "W") for k in range(6)]
    (made,), _ = occupations(read_nmea(log(*lines)).fixes, "a")
    assert abs(abs(made.longitude) - 180.0) < 1e-8


def test_mean_is_that_of_independent_code(log):
    """Against numpy's plain mean of the printed figures."""
    draw = np.random.default_rng(5)
    angles = 48.7861 + draw.normal(0.0, 5e-8, 50)
    lines = [gga(f"10{k // 60:02d}{k % 60:02d}.00", f"{int(a):02d}{60 * (a % 1):011.8f}")
             for k, a in enumerate(angles)]
    (made,), said = occupations(read_nmea(log(*lines)).fixes, "a")
    assert made.latitude == pytest.approx(np.mean(angles), abs=1e-11)
    assert not said
