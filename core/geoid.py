"""Geoid undulation from any grid PROJ can read."""

from __future__ import annotations

import hashlib
import os
from dataclasses import dataclass
from functools import lru_cache
from typing import Optional

import numpy as np
import pyproj

from .errors import FrameError
from .frames import transformer


@dataclass(frozen=True)
class Geoid:
    """A geoid grid: ellipsoidal height = elevation + undulation.

    Attributes
    ----------
    grid : str
        File name or path as given.
    sha256 : str or None
        Hash of the grid file, None when the file could not be located for hashing.
    """

    grid: str
    sha256: Optional[str] = None

    def undulation(self, latitude, longitude) -> np.ndarray:
        """Undulation in metres, interpolated bilinearly by PROJ.

        Raises
        ------
        FrameError
            When a position lies outside the grid.
        """
        latitude, longitude = np.broadcast_arrays(latitude, longitude)
        values = self.sample(latitude, longitude)
        outside = np.isnan(values) & np.isfinite(latitude)
        if outside.any():
            where = int(np.argmax(outside))
            raise FrameError(
                f"The geoid grid {self.grid} does not cover latitude "
                f"{latitude.ravel()[where]:.5f}, longitude {longitude.ravel()[where]:.5f}.",
                "Choose a grid that covers the site and all points to be restated.",
            )
        return values

    def sample(self, latitude, longitude) -> np.ndarray:
        """The same, NaN where a position lies outside the grid."""
        latitude, longitude = np.broadcast_arrays(
            np.asarray(latitude, dtype=float), np.asarray(longitude, dtype=float)
        )
        _, _, values = transformer(_pipeline(self.grid)).transform(
            longitude.ravel(), latitude.ravel(), np.zeros(latitude.size), errcheck=False
        )
        values = np.asarray(values, dtype=float).reshape(latitude.shape)
        return np.where(np.isfinite(values), values, np.nan)

    def check_hash(self) -> Optional[str]:
        """A sentence when the grid on this machine differs from the one recorded, else None."""
        now = _file_hash(self.grid)
        if self.sha256 and now and now != self.sha256:
            return (
                f"The geoid grid {self.grid} on this machine differs from the one this tie was "
                "made with (another SHA-256)."
            )
        return None


def open_geoid(grid: str) -> Geoid:
    """Open a geoid grid.

    Raises
    ------
    FrameError
        When PROJ cannot find or read it.
    """
    try:
        made = transformer(_pipeline(grid))
        made.transform(0.0, 0.0, 0.0, errcheck=False)
        grid_hash = _file_hash(grid)
    except pyproj.exceptions.ProjError:
        raise FrameError(
            f"The geoid grid {grid!r} cannot be opened.",
            "Give the path of a grid PROJ can read (.gtx, .tif), or the name of one in PROJ's "
            "data folder.",
        ) from None
    return Geoid(grid, grid_hash)


def _pipeline(grid: str) -> str:
    if grid.startswith("@") or grid == "null":
        raise FrameError(
            f"{grid!r} tells PROJ to go on without a geoid grid.", "Name the grid itself.",
        )
    if '"' in grid or "," in grid:
        raise FrameError(
            f"The geoid grid name {grid!r} holds a quotation mark or a comma, which PROJ cannot "
            "read.",
            "Rename the file.",
        )
    return (
        "+proj=pipeline +step +proj=unitconvert +xy_in=deg +xy_out=rad "
        f'+step +proj=vgridshift +grids="{grid}" +multiplier=1'
    )


def _file_hash(grid: str) -> Optional[str]:
    path = _locate(grid)
    if path is None:
        return None
    stat = os.stat(path)
    return _hash_of(path, stat.st_size, stat.st_mtime_ns)


@lru_cache(maxsize=16)
def _hash_of(path: str, size: int, modified: int) -> str:
    digest = hashlib.sha256()
    with open(path, "rb") as stream:
        for block in iter(lambda: stream.read(1 << 20), b""):
            digest.update(block)
    return digest.hexdigest()


def _locate(grid: str) -> Optional[str]:
    if os.path.isabs(grid):
        return grid if os.path.isfile(grid) else None
    folders = pyproj.datadir.get_data_dir().split(os.pathsep)
    for variable in ("PROJ_DATA", "PROJ_LIB"):
        folders += os.environ.get(variable, "").split(os.pathsep)
    folders.append(pyproj.datadir.get_user_data_dir())
    for folder in folders + [os.getcwd()]:
        path = os.path.join(folder, grid) if folder else grid
        if os.path.isfile(path):
            return path
    return None
