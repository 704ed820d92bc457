"""Restating a book's observations: which ones, from what, how far they move. Writes nothing."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Callable, Dict, List, Optional, Tuple

import numpy as np

from ..errors import InputError
from ..frames import geographic_crs, transformer
from ..one_frame import positions_in_one_frame
from ..pairs import Control, Observation, Pair, Role
from ..restate import Restated, observation_covariances, restate
from ..tie import Tie
from .digests import RESTATED
from .schema import BATCH, TABLES
from .storage import Storage

_NUMBERS = ("latitude", "longitude", "height", "sigma_e", "sigma_n", "sigma_en", "sigma_u")
_OBSERVATION = tuple(name for name in TABLES["observation"].names
                     if name not in ("entry", "observation_id", "occupation"))
#: The place in the earth that a shift of the base turns measured baselines about, metres.
EARTH_RADIUS = 6_371_000.0


@dataclass(frozen=True)
class Found:
    """Observations to be restated, n of them, corrected for their sessions, in the tie's frame."""

    fid: np.ndarray
    names: List[str]
    latitude: np.ndarray
    longitude: np.ndarray
    height: np.ndarray
    covariance: np.ndarray


@dataclass(frozen=True)
class Before:
    """The site coordinates that points have had so far; key -1 where they have none."""

    fid: np.ndarray
    easting: np.ndarray
    northing: np.ndarray
    elevation: np.ndarray


def restated_points(
    storage: Storage, tie: Tie, tie_number: int, standing: Optional[int],
    progress: Optional[Callable[[float], bool]] = None,
) -> np.ndarray:
    """What has to be stated anew for a tie to hold for every observation; packed, batch still 0.

    An observation is left out when it has been restated by this tie already and its session was
    not corrected since.
    """
    wanted = _wanted(storage, tie_number)
    found = _read(storage, tie, wanted)
    packed = np.zeros(len(found.fid), dtype=RESTATED)
    if not len(packed):
        return packed
    stated = _stated(tie, found, progress)
    before = _before(storage, found.fid, standing)
    packed["observation"] = found.fid
    for name in ("easting", "northing", "elevation"):
        packed[name] = getattr(stated, name) + 0.0
    for short, name in (("sigma_e", "sigma_easting"), ("sigma_n", "sigma_northing"),
                        ("sigma_z", "sigma_elevation")):
        packed[short] = getattr(stated, name)
    packed["inside"] = -1 if stated.inside is None else stated.inside
    packed["own"] = stated.own
    packed["before"] = before.fid
    packed["moved_h"] = np.hypot(packed["easting"] - before.easting,
                                 packed["northing"] - before.northing)
    packed["moved_v"] = packed["elevation"] - before.elevation + 0.0
    for name in RESTATED.names or ():
        if RESTATED[name].kind == "f":  # one NaN: its bits are part of the digest
            packed[name][np.isnan(packed[name])] = np.nan
    return packed


def _stated(tie: Tie, found: Found, progress) -> Restated:
    """All points; those without a height horizontally only."""
    high = np.isfinite(found.height)
    groups = [(np.flatnonzero(high), True), (np.flatnonzero(~high), False)]
    parts: List[Tuple[np.ndarray, Restated]] = []
    for places, elevations in groups:
        if len(places):
            parts.append((places, restate(
                tie, found.latitude[places], found.longitude[places],
                found.height[places] if elevations else None, found.covariance[places],
                [found.names[i] for i in places], elevations=elevations, progress=progress)))
    if len(parts) == 1:
        return parts[0][1]
    order = np.argsort(np.concatenate([places for places, _ in parts]))
    columns: Dict[str, Any] = {}
    for name in Restated.__dataclass_fields__:
        values = [getattr(part, name) for _, part in parts]
        columns[name] = None if values[0] is None else np.concatenate(values)[order]
    return Restated(**columns)


def _wanted(storage: Storage, tie_number: int) -> Optional[np.ndarray]:
    """Keys of the observations to be restated; None for all of them."""
    batches = storage.rows(
        "SELECT batch, entry FROM restatement WHERE tie_number = ? ORDER BY batch", (tie_number,))
    if not batches:
        return None
    since: Dict[int, int] = {}
    for batch, entry in batches:
        for piece in storage.stream(
                "SELECT observation FROM restated WHERE fid BETWEEN ? AND ?",
                (batch * BATCH, batch * BATCH + BATCH - 1)):
            since.update((row[0], entry) for row in piece)
    corrected = dict(storage.rows(
        "SELECT session, max(entry) FROM session_correction GROUP BY session"))
    wanted = []
    for piece in storage.stream("SELECT fid, session FROM observation ORDER BY fid"):
        wanted += [fid for fid, session in piece
                   if fid not in since or corrected.get(session, 0) > since[fid]]
    return np.array(wanted, dtype=np.int64)


def _read(storage: Storage, tie: Tie, wanted: Optional[np.ndarray]) -> Found:
    names: List[str] = []
    fids: List[int] = []
    numbers: List[np.ndarray] = [np.empty((len(_NUMBERS), 0))]
    sessions: List[str] = []
    odd: List[int] = []
    chosen = None if wanted is None else set(wanted.tolist())
    columns = ("fid, observation_id, session, "
               "height_kind = 'orthometric' OR coalesce(crs, '') <> '' OR epoch IS NOT NULL, "
               + ", ".join(_NUMBERS))
    for piece in storage.stream(f"SELECT {columns} FROM observation ORDER BY fid"):
        if chosen is not None:
            piece = [row for row in piece if row[0] in chosen]
            if not piece:
                continue
        key, name, session, is_odd, *values = zip(*piece)
        odd += [len(fids) + place for place, so in enumerate(is_odd) if so]
        fids += key
        names += name
        sessions += session
        numbers.append(np.array(values, dtype=float))  # None becomes NaN
    table = np.concatenate(numbers, axis=1)
    latitude, longitude, height, sigma_e, sigma_n, sigma_en, sigma_u = table
    covariance = observation_covariances(tie.settings, len(fids), sigma_e, sigma_n, sigma_u)
    between = np.nan_to_num(np.sign(sigma_en) * sigma_en**2)
    covariance[:, 0, 1] = covariance[:, 1, 0] = between
    if odd:
        _into_frame(storage, tie, [fids[i] for i in odd], odd, latitude, longitude, height)
    _corrected(storage, tie, np.array(sessions, dtype=object), latitude, longitude, height)
    return Found(np.array(fids, dtype=np.int64), names, latitude, longitude, height, covariance)


def _into_frame(storage, tie, fids, places, latitude, longitude, height) -> None:
    """Bring observations with a frame, an epoch or a geoid of their own into the tie's."""
    pairs = []
    for fid in fids:
        row = storage.rows(f"SELECT observation_id, {', '.join(_OBSERVATION)} FROM observation "
                           "WHERE fid = ?", (fid,))[0]
        observation = Observation(row[0], **dict(zip(_OBSERVATION, row[1:])))
        pairs.append(Pair(Control("-"), observation, Role.IDLE, Role.IDLE))
    found = np.array(positions_in_one_frame(pairs, tie.settings))
    for column, values in zip((latitude, longitude, height), found):
        column[places] = values
    lost = ~np.isfinite(found[:2]).all(axis=0)
    if lost.any():
        raise InputError(
            "The observation cannot be brought into the frame of the tie.",
            "Check its CRS and epoch.", point=pairs[int(np.argmax(lost))].observation.id)


def _corrected(storage, tie, sessions, latitude, longitude, height) -> None:
    """Shift the observations of sessions whose base was corrected."""
    corrections = storage.rows(
        "SELECT session, sum(dx), sum(dy), sum(dz) FROM session_correction GROUP BY session")
    ellipsoid = geographic_crs(tie.settings.observation_crs).ellipsoid
    cart = transformer(
        "proj=pipeline step proj=unitconvert xy_in=deg xy_out=rad step proj=cart "
        f"a={ellipsoid.semi_major_metre!r} b={ellipsoid.semi_minor_metre!r}")
    for session, *shift in corrections:
        places = np.flatnonzero(sessions == session)
        if not len(places):
            continue
        known = np.isfinite(height[places])
        xyz = cart.transform(longitude[places], latitude[places], np.nan_to_num(height[places]))
        moved = cart.transform(*(values + d for values, d in zip(xyz, shift)),
                               direction="INVERSE")
        longitude[places], latitude[places] = moved[0], moved[1]
        height[places] = np.where(known, moved[2], np.nan)


def _before(storage: Storage, fids: np.ndarray, standing: Optional[int]) -> Before:
    """What points have had so far: under the standing tie, else as they were stated last."""
    made = Before(np.full(len(fids), -1, dtype=np.int64),
                  *(np.full(len(fids), np.nan) for _ in range(3)))
    batches = storage.rows(
        "SELECT batch FROM restatement ORDER BY tie_number IS ?1 DESC, batch DESC", (standing,))
    for (batch,) in batches:
        if (made.fid >= 0).all():
            break
        for piece in storage.stream(
                "SELECT fid, observation, easting, northing, elevation FROM restated WHERE fid "
                "BETWEEN ? AND ?", (batch * BATCH, batch * BATCH + BATCH - 1)):
            columns = list(zip(*piece))
            places = np.searchsorted(fids, columns[1])
            near = np.minimum(places, len(fids) - 1)
            ours = (fids[near] == columns[1]) & (made.fid[near] < 0)
            made.fid[near[ours]] = np.array(columns[0], dtype=np.int64)[ours]
            for name, column in zip(("easting", "northing", "elevation"), columns[2:]):
                getattr(made, name)[near[ours]] = np.array(column, dtype=float)[ours]
    return made
