"""Geoid grids: read, interpolated, known by their hash, and refused where they do not reach."""

from __future__ import annotations

import hashlib
import os
from pathlib import Path

import numpy as np
import pyproj
import pytest

from sitetie.core.errors import FrameError
from sitetie.core.geoid import open_geoid
from sitetie.tests.core.sites import write_geoid


@pytest.fixture(scope="module")
def path(tmp_path_factory):
    return write_geoid(tmp_path_factory.mktemp("a folder with blanks") / "made up.gtx")


def test_it_is_exact_at_the_nodes_and_bilinear_between(path):
    geoid = open_geoid(path)

    def node(latitude, longitude):
        return 45.0 + 1.5 * np.sin(longitude) + 1.2 * np.cos(1.3 * latitude)

    latitude, longitude = np.meshgrid([46.0, 47.25, 49.75], [9.25, 11.5, 13.0])
    np.testing.assert_allclose(geoid.undulation(latitude, longitude), node(latitude, longitude),
                               atol=5e-6)  # the file holds single precision
    corners = [node(48.0 + i * 0.25, 11.0 + j * 0.25) for i in (0, 1) for j in (0, 1)]
    assert geoid.undulation(48.125, 11.125) == pytest.approx(np.mean(corners), abs=5e-6)


def test_shapes_and_scalars(path):
    geoid = open_geoid(path)
    assert geoid.undulation(48.0, 11.0).shape == ()
    assert geoid.undulation([[48.0], [49.0]], [10.0, 11.0, 12.0]).shape == (2, 3)
    assert geoid.undulation([], []).shape == (0,)
    assert np.isnan(geoid.undulation([48.0, np.nan], [11.0, 11.0])).tolist() == [False, True]


def test_outside_it_is_refused_or_sampled_as_nan(path):
    geoid = open_geoid(path)
    with pytest.raises(FrameError, match="does not cover latitude 55.00000, longitude 11.00000"):
        geoid.undulation([48.0, 55.0], [11.0, 11.0])
    assert np.isnan(geoid.sample([48.0, 55.0], 11.0)).tolist() == [False, True]


def test_the_hash_is_that_of_the_file_and_a_changed_file_is_told(tmp_path):
    path = Path(write_geoid(tmp_path / "geoid.gtx"))
    geoid = open_geoid(str(path))
    assert geoid.sha256 == hashlib.sha256(path.read_bytes()).hexdigest()
    assert geoid.check_hash() is None
    data = bytearray(path.read_bytes())
    data[-1] ^= 1
    path.write_bytes(data)
    assert "differs from the one this tie was made with" in geoid.check_hash()
    assert open_geoid(str(path)).sha256 != geoid.sha256
    path.unlink()
    assert geoid.check_hash() is None  # nothing to compare with


def test_a_grid_is_found_by_name_in_projs_folders():
    name = "egm96_15.gtx"
    folders = pyproj.datadir.get_data_dir().split(os.pathsep) + [os.environ.get("PROJ_DATA", "")]
    if not any(os.path.isfile(os.path.join(folder, name)) for folder in folders if folder):
        pytest.skip("egm96_15.gtx is not installed")
    geoid = open_geoid(name)
    assert len(geoid.sha256) == 64
    # NGA's readme gives -31.628 m there; the grid read bilinearly is within 6 cm of it.
    assert geoid.undulation(38.628155, 269.779155) == pytest.approx(-31.628, abs=0.06)


@pytest.mark.parametrize(("name", "words"), [
    ("none.gtx", "'none.gtx' cannot be opened"),
    ("/nowhere/none.tif", "cannot be opened"),
    ("@none.gtx", "go on without a geoid grid"),
    ("null", "go on without a geoid grid"),
    ("a.gtx,b.gtx", "a quotation mark or a comma"),
    ('a".gtx', "a quotation mark or a comma"),
])
def test_what_is_no_grid_is_refused(name, words):
    with pytest.raises(FrameError, match=words) as caught:
        open_geoid(name)
    assert caught.value.remedy.endswith(".")


@pytest.mark.parametrize("content", [b"", b"this is no grid", b"\x00" * 100])
def test_a_file_that_is_no_grid_is_refused(content, tmp_path):
    path = tmp_path / "odd.gtx"
    path.write_bytes(content)
    with pytest.raises(FrameError, match="cannot be opened"):
        open_geoid(str(path))
