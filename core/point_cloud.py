"""A point cloud onto the site grid: X, Y and Z through a tie, everything else byte for byte.

Every coordinate is the exact path's, rounded to the scale of the file: the certified kernel
computes them, and where its answer lies so near the edge between two numbers that its deviation
could tip the rounding, the exact path decides. So the numbers in the file are those that PROJ
gives point by point.

The file becomes LAS 1.4 with the point format it had, because only that version can name a CRS in
WKT; GeoTIFF keys, which LAS 1.2 and 1.3 have, know no site grid. The WKT is of 2019 (ISO 19162),
since the one of 2001 that LAS names cannot write a derived CRS; programs on PROJ read it.
"""

from __future__ import annotations

import dataclasses
import datetime
import math
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import Callable, List, Optional, Tuple

import numpy as np
import pyproj

from .errors import Cancelled, FrameError, InputError, OutputError, SitetieError
from .fast_grid import TOLERANCE, layer_kernel
from .frames import parse_crs
from .geoid import Geoid, open_geoid
from .grid_kernel import THREADS, GridKernel
from .las_crs import CRS_RECORDS, CloudCrs, cloud_crs, site_record
from .las_file import PointReader, PointWriter, xyz
from .las_header import WAVEFORM_FORMATS, WKT_BIT, Header, changed_block, with_points
from .reframe import Reframing, reframing
from .tie import Tie
from .units import UNITS, length_unit
from .version import VERSION
from .whole_file import whole_file

#: Points in memory at a time.
PIECE = 500_000
#: Points a thread takes at a time, small enough for the cache.
BLOCK = 32_768
#: How z is taken: as a height above the ellipsoid, or left alone.
HEIGHTS = ("ellipsoidal", "keep")
#: Records that index the points by their old coordinates: an octree (COPC 1.0 specification), a
#: quadtree and a tiling (from memory: LAStools' own records).
INDEXES = (("copc", 1), ("copc", 1000), ("LAStools", 30), ("LAStools", 10))
#: Share of the range of 32-bit integers that is used at most.
ROOM = 0.95
#: What the deviation between the points of the certificate may be, over the largest on them.
SAFETY = 4.0

_ROLE = "CRS of the point cloud"

Progress = Callable[[float], bool]
Say = Callable[[str], None]


@dataclass(frozen=True)
class CloudChoices:
    """How a point cloud is to be read.

    Attributes
    ----------
    crs : str or None
        Authority code or WKT; None is that of the file.
    heights : str
        One of `HEIGHTS`.
    height_unit : str or None
        Of z: ``m``, ``ft``, ``us-ft``; None is that of the CRS.
    height_geoid : str or None
        Geoid grid by which heights were reduced; None for ellipsoidal ones.
    datum_operation : str or None
        As `Settings.datum_operation`.
    epoch : float or None
        Decimal year; None is that of the tie.
    """

    crs: Optional[str] = None
    heights: str = "ellipsoidal"
    height_unit: Optional[str] = None
    height_geoid: Optional[str] = None
    datum_operation: Optional[str] = None
    epoch: Optional[float] = None


def restate_cloud(
    source: str,
    target: str,
    tie: Tie,
    choices: CloudChoices = CloudChoices(),
    *,
    progress: Optional[Progress] = None,
    say: Say = lambda sentence: None,
) -> int:
    """Write a point cloud with its coordinates on the site grid.

    Parameters
    ----------
    source, target : str
        LAS or LAZ; the ending of the target says which one is written. The target appears when
        everything is written.
    progress : callable, optional
        Called with the share done, 0 to 1; work stops when it answers False.
    say : callable
        Takes sentences that a person should read.

    Returns
    -------
    int
        Points written.

    Raises
    ------
    InputError, FrameError, OutputError, Cancelled
    """
    if not target.lower().endswith((".las", ".laz")):
        raise OutputError("The ending of a point cloud is .las or .laz.",
                          "Choose a name with one of them.", file=target)
    try:
        with PointReader(source) as reader:
            work = _prepared(reader, tie, choices, say)
            header = _site_header(reader, tie, work, target.lower().endswith(".laz"), say)
            kept = [item for item in reader.extended if item.key not in CRS_RECORDS + INDEXES]
            with whole_file(target) as file:
                writer, done = PointWriter(file, header), 0
                for piece in reader.pieces(PIECE):
                    work.restate(xyz(piece))
                    writer.write(piece)
                    done += len(piece)
                    if progress is not None and not progress(done / reader.header.count):
                        raise Cancelled()
                writer.finish(reader, kept)
            return done
    except SitetieError as error:
        raise error.at(file=source) from None


@dataclass(frozen=True)
class _Work:
    """The way of the coordinates, from old numbers to new ones.

    Attributes
    ----------
    kernel : GridKernel
    with_heights : bool
    unit : float
        Metres in the unit of z.
    geoid : Geoid or None
        Makes heights ellipsoidal again.
    way : Reframing
    old, new : (scales, offsets)
    """

    kernel: GridKernel
    with_heights: bool
    unit: float
    geoid: Optional[Geoid]
    way: Reframing
    old: Tuple[np.ndarray, np.ndarray]
    new: Tuple[np.ndarray, np.ndarray]

    def restate(self, numbers: np.ndarray) -> None:
        """Put new numbers in place of the old ones in an (n, 3) array."""
        blocks = [numbers[start:start + BLOCK] for start in range(0, len(numbers), BLOCK)]
        with ThreadPoolExecutor(THREADS) as pool:
            list(pool.map(self._restate_block, blocks))

    def _restate_block(self, numbers: np.ndarray) -> None:
        scales, offsets = self.old
        given = [numbers[:, axis] * scales[axis] + offsets[axis] for axis in range(3)]
        third = self.heights(*given)
        found = self.kernel(given[0], given[1], third)
        rows = 3 if self.with_heights else 2
        new_scales, new_offsets = self.new
        counted = [(found[axis] - new_offsets[axis]) / new_scales[axis] for axis in range(rows)]
        rounded = [np.rint(values) for values in counted]
        doubtful = np.zeros(len(numbers), dtype=bool)
        for axis, margin in enumerate(self._margins()[:rows]):
            doubtful |= np.abs(np.abs(counted[axis] - rounded[axis]) - 0.5) < margin
        if doubtful.any():
            exact = self.kernel.exact(given[0][doubtful], given[1][doubtful],
                                      None if third is None else third[doubtful])
            for axis in range(rows):
                rounded[axis][doubtful] = np.rint(
                    (exact[axis] - new_offsets[axis]) / new_scales[axis])
        for axis, values in enumerate(rounded):
            if not (np.abs(values).max() < 2**31):
                raise InputError(
                    "A point lies so far outside the extent which the header states that it "
                    "cannot be written with the others.",
                    "Repair the header, or take the point out.",
                )
            numbers[:, axis] = values

    def heights(self, x, y, z) -> Optional[np.ndarray]:
        """Ellipsoidal metres; None where z is left alone."""
        if not self.with_heights:
            return None
        if self.way.kind == "geocentric":
            return z
        metres = z * self.unit
        if self.geoid is not None:
            latitude, longitude, _ = self.way(x, y, metres)
            metres = metres + self.geoid.undulation(latitude, longitude)
        return metres

    def _margins(self) -> List[float]:
        """How near to the edge of rounding the exact path is asked, in new numbers."""
        certificate, settings = self.kernel.certificate, self.kernel.exact.tie.settings
        plane = min(TOLERANCE, SAFETY * certificate.deviation + 1e-9)
        height = min(TOLERANCE, SAFETY * certificate.height_deviation + 1e-9)
        units = (settings.site_length.metres,) * 2 + (settings.elevation_length.metres,)
        metres = self.new[0] * np.array(units)
        if certificate.refusal:
            return [0.0, 0.0, 0.0]
        return [plane / metres[0], plane / metres[1],
                0.0 if certificate.height_refusal else height / metres[2]]


def _prepared(reader: PointReader, tie: Tie, choices: CloudChoices, say: Say) -> _Work:
    header = reader.header
    if header.point_format in WAVEFORM_FORMATS:
        raise InputError(
            f"It holds waveforms (point format {header.point_format}), whose directions would have "
            "to be turned with the points.",
            "Write the cloud in a format without waveforms first.",
        )
    _refuse_choices(choices, tie)
    stated = cloud_crs(reader) if choices.crs is None else CloudCrs(None, None)
    crs = choices.crs or stated.text
    if crs is None:
        raise FrameError("The file does not say which CRS its coordinates are in.",
                         "Name the CRS.")
    with_heights = choices.heights != "keep"
    known = parse_crs(crs, _ROLE)
    if with_heights and known.is_compound and not choices.height_geoid:
        raise FrameError(
            f"The CRS {known.name} has heights of its own, which are not ellipsoidal.",
            "Name the geoid grid by which they were made, or leave Z alone.",
        )
    unit = _unit(known, choices, stated) if with_heights else 1.0
    centre = _middle(header)
    way = reframing(
        crs, tie.settings.observation_crs, (centre[0], centre[1], centre[2] * unit),
        datum_operation=choices.datum_operation,
        epoch=choices.epoch if choices.epoch is not None else tie.settings.observation_epoch,
    )
    for caution in way.cautions:
        say(caution)
    _refuse_heights(way, choices)
    geoid = open_geoid(choices.height_geoid) if with_heights and choices.height_geoid else None
    if geoid is not None and tie.geoid is not None and geoid.sha256 is not None and (
            geoid.sha256 == tie.geoid.sha256):
        # What one adds the other takes off again.
        geoid, tie = None, dataclasses.replace(tie, geoid=None)
    if with_heights and way.kind != "geocentric":
        kind = "a height over the geoid grid named" if choices.height_geoid else (
            "an ellipsoidal height")
        say(f"Z is taken as {kind}, in {_plural(unit)}.")
    (low_x, high_x), (low_y, high_y), _ = header.extent
    kernel = layer_kernel(tie, way, (low_x, high_x), (low_y, high_y))
    old = np.array(header.scales), np.array(header.offsets)
    work = _Work(kernel, with_heights, unit, geoid, way, old, old)
    return dataclasses.replace(work, new=_numbering(header, work, tie, say))


def _refuse_choices(choices: CloudChoices, tie: Tie) -> None:
    if choices.heights not in HEIGHTS:
        raise InputError(f"heights is {choices.heights!r}.", f"Allowed: {', '.join(HEIGHTS)}.")
    if choices.heights == "ellipsoidal" and tie.vertical is None:
        raise InputError("The tie has no vertical part, so that Z cannot become an elevation.",
                         'Leave Z alone (heights "keep"), or solve a tie with a vertical part.')


def _unit(known: pyproj.CRS, choices: CloudChoices, stated: CloudCrs) -> float:
    """Metres in the unit of z."""
    if choices.height_unit:
        return length_unit(choices.height_unit).metres
    if stated.height_unit:
        return length_unit(stated.height_unit).metres
    if known.is_compound or len(known.axis_info) > 2:
        return float(known.axis_info[2].unit_conversion_factor)
    if known.is_projected and known.axis_info[0].unit_conversion_factor != 1.0:
        raise InputError(
            f"The CRS {known.name} counts in {known.axis_info[0].unit_name}, and nothing says "
            "which unit Z is in.", "Name the unit of heights.",
        )
    return 1.0


def _plural(metres: float) -> str:
    return next((unit.plural for unit in UNITS.values() if math.isclose(unit.metres, metres)),
                f"units of {metres} m")


def _refuse_heights(way: Reframing, choices: CloudChoices) -> None:
    keep = choices.heights == "keep"
    if way.kind == "geocentric":
        if keep or choices.height_geoid:
            raise InputError("Z of geocentric coordinates is no height.",
                             "Take heights as ellipsoidal, without a geoid grid.")
    elif keep and way.needs_heights:
        raise FrameError(
            "The change of frame depends on ellipsoidal heights, so that Z cannot be left alone.",
            "Take heights as ellipsoidal, or name the geoid grid they refer to.",
        )


def _middle(header: Header) -> Tuple[float, float, float]:
    for name, (low, high) in zip("xyz", header.extent):
        if not (math.isfinite(low) and math.isfinite(high) and low <= high):
            raise InputError(f"The header states an extent from {low} to {high} in {name}.",
                             "Repair the header.")
    x, y, z = ((low + high) / 2.0 for low, high in header.extent)
    return x, y, z


def _numbering(header: Header, work: _Work, tie: Tie, say: Say) -> Tuple[np.ndarray, np.ndarray]:
    """Scales and offsets for the site: as fine as they were, and safe from overflow."""
    corners = [np.linspace(*ends, count) for ends, count in zip(header.extent, (9, 9, 2))]
    places = [values.ravel() for values in np.meshgrid(*corners, indexing="ij")]
    third = work.heights(*places)
    found = work.kernel.exact(places[0], places[1], third)
    scales, offsets = (list(values) for values in work.old)
    known = parse_crs(work.way.source, _ROLE)
    for axis in range(3 if work.with_heights else 2):
        length = tie.settings.site_length if axis < 2 else tie.settings.elevation_length
        scale = abs(scales[axis]) * _metres(known, work, axis) / length.metres
        if not math.isclose(scale, abs(scales[axis]), rel_tol=1e-12):
            scale = 10.0 ** math.floor(math.log10(scale) + 1e-9)
        low, high = float(found[axis].min()), float(found[axis].max())
        middle = round((low + high) / 2.0)
        while (high - low) / 2.0 + 1.0 > ROOM * 2**31 * scale:
            scale *= 10.0
            say(f"The extent is too large for 32-bit numbers as fine as they were: coordinate "
                f"{axis + 1} is written in steps of {scale:g}.")
        scales[axis], offsets[axis] = scale, float(middle)
    return np.array(scales), np.array(offsets)


def _metres(crs: pyproj.CRS, work: _Work, axis: int) -> float:
    """Metres on the ground in the unit of a source coordinate, roughly for degrees."""
    if work.way.kind == "geocentric":
        return float(crs.axis_info[axis].unit_conversion_factor)
    if axis == 2:
        return work.unit
    return 111_320.0 if work.way.kind == "geographic" else float(
        crs.axis_info[axis].unit_conversion_factor)


def _site_header(reader: PointReader, tie: Tie, work: _Work, compressed: bool, say: Say) -> Header:
    old = reader.header
    records = [item for item in old.records if item.key not in CRS_RECORDS + INDEXES]
    records.append(site_record(tie.crs_wkt()))
    keys = [item.key for item in old.records] + [item.key for item in reader.extended]
    if any(key in INDEXES for key in keys):
        say("The index of the points by their place is left out, because their places change.")
    if old.minor_version < 4:
        say(f"LAS 1.{old.minor_version} cannot name the site CRS: LAS 1.4 is written, with points "
            f"of format {old.point_format} as before.")
    today = datetime.datetime.now(datetime.timezone.utc).date()
    header = dataclasses.replace(
        with_points(old, *(values.tolist() for values in work.new)), records=tuple(records),
        compressed=compressed)
    return changed_block(header, old.encoding | WKT_BIT, f"Sitetie {VERSION}",
                         today.timetuple().tm_yday, today.year)
