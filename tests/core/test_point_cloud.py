"""Point clouds: coordinates against the core, all else byte for byte, read back by laspy."""

from __future__ import annotations

import dataclasses
import os
import struct
import subprocess
import sys
from pathlib import Path

import laspy
import numpy as np
import pyproj
import pytest
from laspy.vlrs.vlr import VLR

from sitetie.core import Settings, Tie, tie_from_parameters
from sitetie.core import point_cloud as module
from sitetie.core.errors import Cancelled, FrameError, InputError, OutputError
from sitetie.core.las_file import PointReader
from sitetie.core.point_cloud import CloudChoices, restate_cloud
from sitetie.core.reframe import reframing
from sitetie.tests.core.clouds import PLACE, other_bytes, write_cloud
from sitetie.tests.core.sites import METRES, write_geoid

FOOT = 1200.0 / 3937.0


def made_up_tie(unit="m", base="EPSG:25832", frame="EPSG:4258", place=PLACE, **settings) -> Tie:
    scale = 1.00003 * pyproj.CRS(base).axis_info[0].unit_conversion_factor / METRES[unit]
    return tie_from_parameters(
        Settings(base_crs=base, observation_crs=frame, site_unit=unit, **settings), "EPSG:9621",
        {"easting": 40.0, "northing": -70.0, "scale": scale, "rotation": 33.0}, near=place,
        vertical={"shift": -45.5, "latitude": place[0], "longitude": place[1],
                  "slope_latitude": 3.0, "slope_longitude": -2.0})


def core_coordinates(tie: Tie, before: laspy.LasData, crs="EPSG:25832", height=None):
    """Site coordinates of a cloud by the tie's own functions."""
    x, y, z = (np.asarray(values) for values in (before.x, before.y, before.z))
    way = reframing(crs, tie.settings.observation_crs, (x[0], y[0], z[0]))
    latitude, longitude, height = way(x, y, z if height is None else height)
    return np.array(tie.to_site(latitude, longitude, height))


def assert_as_the_core_has_them(after: laspy.LasData, wanted: np.ndarray) -> None:
    """Every number in the file is the core's coordinate, rounded."""
    scales, offsets = after.header.scales, after.header.offsets
    for axis, numbers in enumerate((after.X, after.Y, after.Z)):
        np.testing.assert_array_equal(
            np.asarray(numbers), np.rint((wanted[axis] - offsets[axis]) / scales[axis]))
        found = np.asarray(numbers) * scales[axis] + offsets[axis]
        assert np.abs(found - wanted[axis]).max() <= scales[axis] / 2.0 + 1e-9


def records(path):
    """Head and data of all records that are no CRS, as bytes: ordinary and extended ones."""
    with PointReader(str(path)) as reader:
        ordinary = [(r.prefix, r.user, r.number, r.description, r.data)
                    for r in reader.header.records
                    if r.key[0] not in ("LASF_Projection", "laszip encoded")]
        extended = [(item.head, reader.data(item)) for item in reader.extended]
    return ordinary, extended


# -- what comes out -----------------------------------------------------------------------------


@pytest.mark.parametrize(("point_format", "version"), [
    (0, "1.2"), (1, "1.2"), (2, "1.3"), (3, "1.2"), (3, "1.3"), (1, "1.4"), (6, "1.4"), (7, "1.4"),
    (8, "1.4")])
@pytest.mark.parametrize("ending", ["las", "laz"])
def test_coordinates_are_the_cores_and_all_else_stays(tmp_path, point_format, version, ending):
    source, target = tmp_path / f"a.{ending}", tmp_path / f"b.{ending}"
    before = write_cloud(source, 4000, point_format, version)
    tie = made_up_tie()
    assert restate_cloud(str(source), str(target), tie) == 4000
    after = laspy.read(target)
    assert_as_the_core_has_them(after, core_coordinates(tie, before))
    np.testing.assert_array_equal(other_bytes(source), other_bytes(target))
    assert records(source) == records(target)
    old, new = laspy.open(source).header, after.header
    assert new.point_format.id == point_format
    assert str(new.version) == "1.4"
    assert new.point_count == 4000
    assert new.number_of_points_by_return[:5].tolist() == [
        np.count_nonzero(before.return_number == k) for k in range(1, 6)]
    np.testing.assert_allclose(new.mins, [after.x.min(), after.y.min(), after.z.min()], rtol=1e-14)
    np.testing.assert_allclose(new.maxs, [after.x.max(), after.y.max(), after.z.max()], rtol=1e-14)
    assert new.global_encoding.wkt
    assert new.global_encoding.gps_time_type == old.global_encoding.gps_time_type
    assert new.uuid == old.uuid
    assert new.system_identifier == old.system_identifier
    assert new.parse_crs() == pyproj.CRS(tie.crs_wkt())
    assert [r.record_id for r in new.vlrs.get_by_id("LASF_Projection")] == [2112]
    legacy = struct.unpack_from("<6I", target.read_bytes(), 107)
    assert legacy == ((4000, *new.number_of_points_by_return[:5]) if point_format < 6
                      else (0,) * 6)


BAR = """
import sys
from sitetie.core import Tie
from sitetie.core.point_cloud import restate_cloud
tie = Tie.load(sys.argv[1])
count = restate_cloud(sys.argv[2], sys.argv[3], tie)
peak = next(line for line in open("/proc/self/status") if line.startswith("VmHWM"))
print(count, int(peak.split()[1]) / 1e3)
"""


def test_a_million_points_in_bounded_memory(tmp_path):
    source, target = tmp_path / "a.laz", tmp_path / "b.laz"
    before = write_cloud(source, 1_000_000, extra=False)
    tie = made_up_tie(geoid=write_geoid(tmp_path / "g.gtx"))
    tie.save(tmp_path / "tie.json")
    done = subprocess.run(
        [sys.executable, "-c", BAR, tmp_path / "tie.json", source, target],
        capture_output=True, text=True, timeout=500,
        env={**os.environ, "PYTHONPATH": os.pathsep.join(sys.path)})
    assert done.returncode == 0, done.stderr
    count, megabytes = done.stdout.split()
    assert int(count) == 1_000_000
    assert float(megabytes) < 500.0
    assert_as_the_core_has_them(laspy.read(target), core_coordinates(tie, before))
    np.testing.assert_array_equal(other_bytes(source), other_bytes(target))
    assert records(source) == records(target)


def test_las_and_laz_into_one_another(tmp_path):
    write_cloud(tmp_path / "a.las", 3000)
    tie = made_up_tie()
    for source, target in (("a.las", "b.laz"), ("a.las", "b.las"), ("b.laz", "c.las")):
        crs = tie.crs_wkt() if source == "b.laz" else None
        if crs is None:
            restate_cloud(str(tmp_path / source), str(tmp_path / target), tie)
    one, other = laspy.read(tmp_path / "b.laz"), laspy.read(tmp_path / "b.las")
    assert one.points.array.tobytes() == other.points.array.tobytes()


@pytest.mark.parametrize(("unit", "scale"), [("ft", 0.001), ("us-ft", 0.001), ("m", 0.001)])
def test_units_of_the_site(tmp_path, unit, scale):
    before = write_cloud(tmp_path / "a.las", 3000)
    tie = made_up_tie(unit)
    restate_cloud(str(tmp_path / "a.las"), str(tmp_path / "b.las"), tie)
    after = laspy.read(tmp_path / "b.las")
    assert after.header.scales.tolist() == [scale] * 3
    assert_as_the_core_has_them(after, core_coordinates(tie, before))


@pytest.mark.parametrize(("crs", "scale"), [
    ("EPSG:4258", 0.001), ("EPSG:4937", 0.001), ("EPSG:25833", 0.001), ("EPSG:4936", 0.001)])
def test_crs_of_the_cloud(tmp_path, crs, scale):
    source = tmp_path / "a.laz"
    before = write_cloud(source, 3000, crs=crs)
    tie = made_up_tie()
    restate_cloud(str(source), str(tmp_path / "b.laz"), tie)
    after = laspy.read(tmp_path / "b.laz")
    assert after.header.scales.tolist() == [scale] * 3
    assert_as_the_core_has_them(after, core_coordinates(tie, before, crs))
    np.testing.assert_array_equal(other_bytes(source), other_bytes(tmp_path / "b.laz"))


def test_a_base_that_feels_the_height_is_followed_too(tmp_path):
    tie = made_up_tie(base="EPSG:31468", datum_operation="DHDN to ETRS89 (2)")
    before = write_cloud(tmp_path / "a.las", 3000)
    restate_cloud(str(tmp_path / "a.las"), str(tmp_path / "b.las"), tie)
    assert_as_the_core_has_them(laspy.read(tmp_path / "b.las"), core_coordinates(tie, before))


def test_pieces_do_not_matter(tmp_path, monkeypatch):
    write_cloud(tmp_path / "a.laz", 5000)
    tie = made_up_tie()
    restate_cloud(str(tmp_path / "a.laz"), str(tmp_path / "whole.laz"), tie)
    monkeypatch.setattr(module, "PIECE", 700)
    shares = []
    restate_cloud(str(tmp_path / "a.laz"), str(tmp_path / "b.laz"), tie,
                  progress=lambda share: shares.append(share) or True)
    one, other = laspy.read(tmp_path / "whole.laz"), laspy.read(tmp_path / "b.laz")
    assert one.points.array.tobytes() == other.points.array.tobytes()
    assert one.header.number_of_points_by_return.tolist() == (
        other.header.number_of_points_by_return.tolist())
    assert shares == sorted(shares)
    assert (len(shares), shares[-1]) == (8, 1.0)


def test_no_points_at_all(tmp_path):
    write_cloud(tmp_path / "a.las", 0)
    assert restate_cloud(str(tmp_path / "a.las"), str(tmp_path / "b.laz"), made_up_tie(),
                         CloudChoices(crs="EPSG:25832")) == 0
    assert len(laspy.read(tmp_path / "b.laz").points) == 0


# -- heights ------------------------------------------------------------------------------------


def test_z_left_alone_stays_to_the_bit(tmp_path):
    before = write_cloud(tmp_path / "a.las", 3000)
    tie = dataclasses.replace(made_up_tie("us-ft"), vertical=None)
    restate_cloud(str(tmp_path / "a.las"), str(tmp_path / "b.las"), tie,
                  CloudChoices(heights="keep"))
    after = laspy.read(tmp_path / "b.las")
    np.testing.assert_array_equal(after.Z, before.Z)
    assert after.header.scales[2] == before.header.scales[2]
    assert after.header.offsets[2] == before.header.offsets[2]
    wanted = core_coordinates(tie, before)
    assert np.abs(after.x - wanted[0]).max() <= 0.0005 + 1e-9
    with pytest.raises(InputError, match="no vertical part"):
        restate_cloud(str(tmp_path / "a.las"), str(tmp_path / "c.las"), tie)


@pytest.mark.parametrize("same", [True, False])
def test_heights_over_a_geoid(tmp_path, same):
    geoid = write_geoid(tmp_path / "tie.gtx")
    theirs = geoid if same else write_geoid(tmp_path / "theirs.gtx", step=0.5)
    tie = made_up_tie(geoid=geoid)
    before = write_cloud(tmp_path / "a.las", 3000)
    restate_cloud(str(tmp_path / "a.las"), str(tmp_path / "b.las"), tie,
                  CloudChoices(height_geoid=theirs))
    way = reframing("EPSG:25832", "EPSG:4258", (before.x[0], before.y[0], before.z[0]))
    latitude, longitude, _ = way(np.asarray(before.x), np.asarray(before.y), np.zeros(3000))
    undulation = dataclasses.replace(tie.geoid, grid=theirs).undulation(latitude, longitude)
    after = laspy.read(tmp_path / "b.las")
    wanted = core_coordinates(tie, before, height=np.asarray(before.z) + undulation)
    assert np.abs(np.array([after.x, after.y, after.z]) - wanted).max() <= 0.0005 + 1e-9
    assert np.ptp(wanted[2] - np.asarray(before.z)) < (0.2 if same else 5.0)


def test_the_unit_of_z_is_never_guessed(tmp_path):
    place = (37.5, -121.5)
    tie = made_up_tie("us-ft", "EPSG:2227", "EPSG:4269", place)
    before = write_cloud(tmp_path / "a.las", 500, crs="EPSG:2227", frame="EPSG:4269", place=place)
    with pytest.raises(InputError, match="which unit Z is in"):
        restate_cloud(str(tmp_path / "a.las"), str(tmp_path / "b.las"), tie)
    for unit in ("us-ft", "m"):
        restate_cloud(str(tmp_path / "a.las"), str(tmp_path / "b.las"), tie,
                      CloudChoices(height_unit=unit))
        wanted = core_coordinates(tie, before, "EPSG:2227", np.asarray(before.z) * METRES[unit])
        assert_as_the_core_has_them(laspy.read(tmp_path / "b.las"), wanted)


# -- frames -------------------------------------------------------------------------------------


def test_no_crs_in_the_file_is_said_and_one_may_be_named(tmp_path):
    write_cloud(tmp_path / "a.las", 100, crs=None)
    with pytest.raises(FrameError, match=r"a\.las: The file does not say which CRS"):
        restate_cloud(str(tmp_path / "a.las"), str(tmp_path / "b.las"), made_up_tie())
    restate_cloud(str(tmp_path / "a.las"), str(tmp_path / "b.las"), made_up_tie(),
                  CloudChoices(crs="EPSG:4258"))


@pytest.mark.parametrize(("crs", "words"), [
    ("EPSG:32632", "datum ensemble"), ("EPSG:25832+5783", "heights of its own"),
    ("EPSG:31468+5783", "heights of its own"), ("EPSG:5783", "no place on the earth")])
def test_frames_are_not_mixed_in_silence(tmp_path, crs, words):
    write_cloud(tmp_path / "a.las", 100)
    with pytest.raises(FrameError, match=words):
        restate_cloud(str(tmp_path / "a.las"), str(tmp_path / "b.las"), made_up_tie(),
                      CloudChoices(crs=crs))
    assert os.listdir(tmp_path) == ["a.las"]


def test_a_change_of_datum_is_said(tmp_path):
    write_cloud(tmp_path / "a.las", 100, crs="EPSG:31468", frame="EPSG:4314")
    said = []
    restate_cloud(str(tmp_path / "a.las"), str(tmp_path / "b.las"), made_up_tie(),
                  CloudChoices(datum_operation="DHDN to ETRS89 (2)"), say=said.append)
    assert any("DHDN to ETRS89 (2)" in sentence for sentence in said)
    assert any("Z is taken as an ellipsoidal height, in metres" in sentence for sentence in said)
    with pytest.raises(FrameError, match="cannot be left alone"):
        restate_cloud(str(tmp_path / "a.las"), str(tmp_path / "b.las"), made_up_tie(),
                      CloudChoices(heights="keep", datum_operation="DHDN to ETRS89 (2)"))


def with_keys(path: Path, keys) -> None:
    """Write a small cloud whose CRS stands in GeoTIFF keys."""
    header = laspy.LasHeader(point_format=1, version="1.2")
    header.offsets, header.scales = [690_000.0, 5_330_000.0, 0.0], [0.001] * 3
    numbers = [1, 1, 0, len(keys)] + [n for key, value in keys for n in (key, 0, 1, value)]
    header.vlrs.append(VLR("LASF_Projection", 34735, "", struct.pack(f"<{len(numbers)}H",
                                                                     *numbers)))
    cloud = laspy.LasData(header)
    cloud.x, cloud.y, cloud.z = np.array([[690_000.0], [5_330_000.0], [500.0]])
    cloud.write(str(path))


@pytest.mark.parametrize(("keys", "words"), [
    ([(1024, 1), (3072, 25832)], None),
    ([(1024, 1), (3072, 25832), (3076, 9001), (4099, 9001)], None),
    ([(1024, 1), (3072, 25832), (3076, 9002)], "and the unit ft"),
    ([(1024, 1), (3072, 25832), (4096, 5783)], "heights of its own"),
    ([(1024, 1), (3072, 32767)], "a CRS of its own"),
    ([(1024, 1), (3072, 1)], "PROJ does not know"),
    ([], "does not say")])
def test_geotiff_keys(tmp_path, keys, words):
    with_keys(tmp_path / "a.las", keys)
    source, target = str(tmp_path / "a.las"), str(tmp_path / "b.las")
    if words is None:
        assert restate_cloud(source, target, made_up_tie()) == 1
        return
    with pytest.raises(FrameError, match=words):
        restate_cloud(source, target, made_up_tie())


# -- what cannot be done ------------------------------------------------------------------------


def test_numbers_that_would_overflow_become_coarser_and_it_is_said(tmp_path):
    before = write_cloud(tmp_path / "a.las", 3000, scale=1e-7, reach=205.0)
    tie, said = made_up_tie(), []
    restate_cloud(str(tmp_path / "a.las"), str(tmp_path / "b.las"), tie, say=said.append)
    after = laspy.read(tmp_path / "b.las")
    assert after.header.scales.tolist() == [1e-6, 1e-6, 1e-7]
    assert any("steps of 1e-06" in sentence for sentence in said)
    wanted = core_coordinates(tie, before)
    off = np.abs(np.array([after.x, after.y, after.z]) - wanted)
    assert (off.max(axis=1) <= after.header.scales / 2.0 + 2e-9).all()


def changed(path: Path, at: int, layout: str, *values) -> None:
    data = bytearray(path.read_bytes())
    struct.pack_into(layout, data, at, *values)
    path.write_bytes(data)


def test_a_point_far_outside_the_stated_extent_is_refused(tmp_path):
    write_cloud(tmp_path / "a.las", 1000, scale=1e-6, reach=100.0)
    restate_cloud(str(tmp_path / "a.las"), str(tmp_path / "b.las"), made_up_tie())
    start = struct.unpack_from("<I", (tmp_path / "a.las").read_bytes(), 96)[0]
    for stray in (2**31 - 1, -2**31):
        changed(tmp_path / "a.las", start, "<2i", stray, stray)
        with pytest.raises(InputError, match="far outside the extent"):
            restate_cloud(str(tmp_path / "a.las"), str(tmp_path / "c.las"), made_up_tie())
    assert sorted(os.listdir(tmp_path)) == ["a.las", "b.las"]


def test_a_point_a_little_outside_the_stated_extent_is_done(tmp_path):
    before = write_cloud(tmp_path / "a.las", 2000)
    header = laspy.open(tmp_path / "a.las").header
    mins, maxs = header.mins, header.maxs
    changed(tmp_path / "a.las", 179, "<4d", maxs[0] - 400.0, mins[0], maxs[1], mins[1] + 300.0)
    tie = made_up_tie()
    restate_cloud(str(tmp_path / "a.las"), str(tmp_path / "b.las"), tie)
    assert_as_the_core_has_them(laspy.read(tmp_path / "b.las"), core_coordinates(tie, before))


@pytest.mark.parametrize(("at", "layout", "value", "words"), [
    (0, "<4s", b"LAXF", "no LAS or LAZ file"), (25, "<B", 1, r"LAS 1\.1"), (25, "<B", 5, "LAS 1.5"),
    (104, "<B", 4, "waveforms"), (104, "<B", 9, "waveforms"), (104, "<B", 11, "format 11"),
    (105, "<H", 12, "they need 36"), (94, "<H", 100, "too short"), (131, "<d", 0.0, "scales"),
    (179, "<d", -1e9, "extent"), (247, "<Q", 100_000, "fewer points"),
    (96, "<I", 300, "before the end of its header"), (243, "<I", 9, "extended records"),
    (96, "<I", 2**31, "after the end of its header"), (235, "<Q", 2**63, "extended records")])
def test_files_that_are_damaged_or_foreign_are_refused(tmp_path, at, layout, value, words):
    write_cloud(tmp_path / "a.las", 200)
    if at == 104 and value in (4, 9):
        changed(tmp_path / "a.las", 105, "<H", 70)
    changed(tmp_path / "a.las", at, layout, value)
    with pytest.raises(InputError, match=words):
        restate_cloud(str(tmp_path / "a.las"), str(tmp_path / "b.las"), made_up_tie())
    assert os.listdir(tmp_path) == ["a.las"]


@pytest.mark.parametrize("share", [0.1, 0.5, 0.95])
@pytest.mark.parametrize("ending", ["las", "laz"])
def test_a_file_that_is_cut_off_is_refused(tmp_path, ending, share):
    source = tmp_path / f"a.{ending}"
    write_cloud(source, 60_000, 3, "1.2")
    data = source.read_bytes()
    source.write_bytes(data[: int(share * len(data))])
    with pytest.raises(InputError, match=rf"a\.{ending}"):
        restate_cloud(str(source), str(tmp_path / "b.las"), made_up_tie())
    assert os.listdir(tmp_path) == [f"a.{ending}"]


def test_what_laz_needs_is_said_where_it_is_missing(tmp_path, monkeypatch):
    write_cloud(tmp_path / "a.laz", 100)
    write_cloud(tmp_path / "a.las", 100)
    monkeypatch.setitem(sys.modules, "lazrs", None)
    tie = made_up_tie()
    for source, target in (("a.laz", "b.las"), ("a.las", "b.laz")):
        with pytest.raises(InputError, match=r'pip install "laspy\[lazrs\]"'):
            restate_cloud(str(tmp_path / source), str(tmp_path / target), tie)
    assert restate_cloud(str(tmp_path / "a.las"), str(tmp_path / "b.las"), tie) == 100


def test_an_index_by_place_is_left_out(tmp_path):
    before = write_cloud(tmp_path / "a.las", 100)
    before.header.vlrs.insert(0, VLR("copc", 1, "copc info", bytes(160)))
    before.evlrs.append(VLR("copc", 1000, "", bytes(32)))
    before.write(str(tmp_path / "a.las"))
    said = []
    restate_cloud(str(tmp_path / "a.las"), str(tmp_path / "b.las"), made_up_tie(), say=said.append)
    assert any("index of the points" in sentence for sentence in said)
    with PointReader(str(tmp_path / "b.las")) as reader:
        keys = [r.key for r in reader.header.records] + [e.key for e in reader.extended]
    assert not [key for key in keys if key[0] == "copc"]
    assert ("made up", 13) in keys


def test_stopped_or_failed_the_last_good_file_stays(tmp_path):
    write_cloud(tmp_path / "a.las", 100)
    (tmp_path / "b.las").write_bytes(b"older")
    tie = made_up_tie()
    with pytest.raises(Cancelled):
        restate_cloud(str(tmp_path / "a.las"), str(tmp_path / "b.las"), tie,
                      progress=lambda share: False)
    with pytest.raises(OutputError, match="cannot be written"):
        restate_cloud(str(tmp_path / "a.las"), str(tmp_path / "nowhere" / "b.las"), tie)
    with pytest.raises(OutputError, match="ending"):
        restate_cloud(str(tmp_path / "a.las"), str(tmp_path / "b.txt"), tie)
    assert (tmp_path / "b.las").read_bytes() == b"older"
    assert sorted(os.listdir(tmp_path)) == ["a.las", "b.las"]
    with pytest.raises(InputError, match="heights"):
        restate_cloud(str(tmp_path / "a.las"), str(tmp_path / "b.las"), tie,
                      CloudChoices(heights="orthometric"))
    with pytest.raises(InputError, match="cannot be read"):
        restate_cloud(str(tmp_path / "none.las"), str(tmp_path / "b.las"), tie)


def test_a_cloud_may_replace_itself(tmp_path):
    before = write_cloud(tmp_path / "a.laz", 1000)
    tie = made_up_tie()
    restate_cloud(str(tmp_path / "a.laz"), str(tmp_path / "a.laz"), tie)
    assert_as_the_core_has_them(laspy.read(tmp_path / "a.laz"), core_coordinates(tie, before))
