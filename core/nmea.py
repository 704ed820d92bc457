"""GNSS observations from a log of NMEA 0183 sentences: GGA for positions, GST for their sigmas.

Sentences are read as NMEA 0183 (version 3.0 and later, also with other talkers than GP) has them.
The ellipsoidal height is the altitude of GGA plus its geoidal separation, so that whatever geoid
the receiver used drops out. RMC and ZDA give the date.
"""

from __future__ import annotations

import datetime
import functools
import math
import operator
import os
import re
from dataclasses import dataclass
from typing import Dict, Iterator, List, NamedTuple, Optional, Sequence, Tuple, Union

import numpy as np

from .errors import InputError
from .pairs import Observation
from .wording import listed

#: Quality indicator of GGA as the column `fix` has it.
FIX_WORDS = {
    "1": "autonomous", "2": "dgnss", "3": "autonomous", "4": "fixed", "5": "float",
    "6": "estimated", "7": "manual", "8": "simulated",
}
#: The antenna stands still while it stays within so many metres of where it began, and no longer
#: stands there after a silence of so many seconds. Common practice, no source.
STANDS_WITHIN = 0.5
SILENCE = 60.0
#: Fewer epochs than this are passing by, not an occupation. Common practice, no source.
FEWEST_EPOCHS = 5
#: The standard allows 82 characters; loggers put a time of their own before the sentence.
LONGEST_LINE = 1024
_ANGLE = {"latitude": re.compile(r"(\d{2})(\d{2}(?:\.\d*)?)"),
          "longitude": re.compile(r"(\d{3})(\d{2}(?:\.\d*)?)")}
_TIME = re.compile(r"([01]\d|2[0-3])([0-5]\d)([0-5]\d(?:\.\d*)?|60(?:\.0*)?)")


@dataclass(frozen=True)
class Fix:
    """One epoch of a log.

    Attributes
    ----------
    line : int
        Of its GGA sentence, from 1.
    day : datetime.date or None
        UTC, where the log tells.
    seconds : float
        Of the UTC day.
    latitude, longitude : float
        Degrees.
    height : float or None
        Ellipsoidal, metres, of the antenna or of what the receiver reduced it to; None where the
        log has no geoidal separation.
    fix : str
    sigma_e, sigma_n, sigma_en, sigma_u : float or None
        Metres, as in `Observation`.
    """

    line: int
    day: Optional[datetime.date]
    seconds: float
    latitude: float
    longitude: float
    height: Optional[float]
    fix: str
    sigma_e: Optional[float] = None
    sigma_n: Optional[float] = None
    sigma_en: Optional[float] = None
    sigma_u: Optional[float] = None

    @property
    def moment(self) -> float:
        """Seconds from a common beginning."""
        return self.seconds + (0.0 if self.day is None else 86400.0 * self.day.toordinal())


@dataclass(frozen=True)
class NmeaLog:
    """All fixes of a log, and sentences about what was left out of it."""

    fixes: Tuple[Fix, ...]
    cautions: Tuple[str, ...]


def read_nmea(
    path: Union[str, os.PathLike], *, day: Optional[datetime.date] = None
) -> NmeaLog:
    """Read the fixes of a log.

    Parameters
    ----------
    path : path
    day : datetime.date, optional
        UTC day on which the log begins, for one that has no RMC or ZDA sentences.

    Raises
    ------
    InputError
        When it cannot be opened or has no fix. Damaged sentences are left out and counted in
        `cautions`: logs are cut off wherever the plug was pulled.
    """
    name = os.path.basename(os.fspath(path))
    log = _Log(day)
    try:
        with open(path, "rb") as file:
            for number, line in _lines(file):
                log.take(number, line)
    except OSError as error:
        raise InputError(
            f"The file cannot be read ({error.strerror or error}).", "Check its place and name.",
            file=name,
        ) from None
    if not log.rows:
        raise InputError(
            "There is no position in it: no undamaged GGA sentence with a fix.",
            "Choose a log with GGA sentences, as text.", file=name,
        )
    return NmeaLog(tuple(log.fixes()), tuple(log.cautions()))


def occupations(
    fixes: Sequence[Fix], name: str, *, session: str = "", fewest: int = FEWEST_EPOCHS
) -> Tuple[List[Observation], List[str]]:
    """Observations of the places where the antenna stood, each the mean of its epochs.

    An occupation ends when the antenna moves (`STANDS_WITHIN`), after a silence (`SILENCE`), and
    when the kind of fix changes. Its sigmas are the root mean square of those of its epochs:
    epochs of one occupation share their errors, so that many of them are no better than one
    (common practice, no source).

    Parameters
    ----------
    name : str
        Observations are called name-1, name-2 ...
    fewest : int
        Occupations with fewer epochs are left out.

    Returns
    -------
    observations, and sentences about what was left out.
    """
    stands = list(_stands(fixes))
    kept = [stand for stand in stands if len(stand) >= fewest]
    left = sum(len(stand) for stand in stands) - sum(len(stand) for stand in kept)
    made = [_mean(stand, f"{name}-{k}", session) for k, stand in enumerate(kept, 1)]
    said = []
    if left:
        said.append(f"{left} of {len(fixes)} epochs are left out: the antenna moved, or stood "
                    f"for fewer than {fewest} epochs.")
    return made, said


class _Row(NamedTuple):
    """A GGA sentence; `key` is its time as written, which its GST shares."""

    line: int
    key: str
    day: Optional[datetime.date]
    seconds: float
    latitude: float
    longitude: float
    height: Optional[float]
    fix: str


class _Log:
    """Sentences one after the other."""

    def __init__(self, day: Optional[datetime.date]) -> None:
        self.day = day
        self.rows: List[_Row] = []
        self.sigmas: Dict[Tuple[Optional[datetime.date], str], dict] = {}
        self.damaged: List[int] = []
        self.without_fix = self.without_separation = 0
        self._last = -1.0
        self._told = day is not None

    def take(self, number: int, line: bytes) -> None:
        start = line.rfind(b"$")
        if start < 0:
            return  # a logger's own line
        try:
            fields = _sentence(line[start:])
            kind = fields[0][-3:]
            if kind in ("GGA", "GST", "RMC", "ZDA"):
                getattr(self, f"_{kind.lower()}")(number, fields)
        except (ValueError, IndexError, OverflowError):
            self.damaged.append(number)

    def _gga(self, number: int, fields: List[str]) -> None:
        quality = fields[6]
        if quality in ("", "0"):
            self.without_fix += 1
            return
        word = FIX_WORDS[quality] if quality in FIX_WORDS else f"quality {int(quality)}"
        seconds = self._clock(fields[1])
        latitude = _degrees(fields[2], "latitude") * _sign(fields[3], "N", "S")
        longitude = _degrees(fields[4], "longitude") * _sign(fields[5], "E", "W")
        altitude, separation = _number(fields[9]), _number(fields[11])
        height = None if altitude is None or separation is None else altitude + separation
        self.without_separation += altitude is not None and separation is None
        self.rows.append(
            _Row(number, fields[1], self.day, seconds, latitude, longitude, height, word))

    def _gst(self, number: int, fields: List[str]) -> None:
        self._clock(fields[1])
        major, minor, towards = (_number(text) for text in fields[3:6])
        north, east, up = (_number(text) for text in fields[6:9])
        found = {}
        if north and east and north > 0.0 and east > 0.0:
            found = {"sigma_e": east, "sigma_n": north}
            if major is not None and minor is not None and towards is not None:
                turn = math.radians(towards)
                shared = (major**2 - minor**2) * math.sin(turn) * math.cos(turn)
                # The figures are rounded: a correlation that they make 1 is none to be believed.
                if 0.0 < abs(shared) < 0.999 * north * east:
                    found["sigma_en"] = math.copysign(math.sqrt(abs(shared)), shared)
        if up is not None and up > 0.0:
            found["sigma_u"] = up
        self.sigmas[self.day, fields[1]] = found

    def _rmc(self, number: int, fields: List[str]) -> None:
        day, month, year = fields[9][:2], fields[9][2:4], fields[9][4:6]
        century = "19" if year >= "80" else "20"  # GPS began in 1980
        self._date(fields[1], day, month, year and century + year)

    def _zda(self, number: int, fields: List[str]) -> None:
        self._date(fields[1], *fields[2:5])

    def _date(self, clock: str, day: str, month: str, year: str) -> None:
        if not (day and month and year and clock):
            return
        told = datetime.date(int(year), int(month), int(day))
        if not self._told and self.rows:
            # The first date comes after the first positions: they are of that day as well.
            self.rows = [row._replace(day=told) for row in self.rows]
            self.sigmas = {(told, key): value for (_, key), value in self.sigmas.items()}
        self._last = _seconds(clock)
        self.day, self._told = told, True

    def _clock(self, text: str) -> float:
        seconds = _seconds(text)
        if self.day is not None and seconds < self._last - 43200.0:
            self.day += datetime.timedelta(days=1)  # past midnight
        self._last = seconds
        return seconds

    def fixes(self) -> Iterator[Fix]:
        for row in self.rows:
            sigmas = self.sigmas.get((row.day, row.key), {})
            yield Fix(row.line, row.day, row.seconds, row.latitude, row.longitude, row.height,
                      row.fix, **sigmas)

    def cautions(self) -> Iterator[str]:
        if self.damaged:
            lines = listed([str(number) for number in self.damaged], most=5)
            count = len(self.damaged)
            yield (f"{count} damaged {'sentence is' if count == 1 else 'sentences are'} left out "
                   f"(line {lines}).")
        if self.without_fix:
            yield f"{self.without_fix} epochs without a fix are left out."
        if self.without_separation:
            yield (f"{self.without_separation} epochs have an altitude but no geoidal separation, "
                   "so no ellipsoidal height is known for them.")
        if self.day is None:
            yield "The log has no date (no RMC or ZDA sentence): times are of an unknown day."


def _lines(file) -> Iterator[Tuple[int, bytes]]:
    number = 0
    while True:
        line = file.readline(LONGEST_LINE)
        if not line:
            return
        number += 1
        whole = line.endswith(b"\n") or len(line) < LONGEST_LINE
        yield number, line if whole else b"$"  # what is too long is no sentence
        while not whole:
            line = file.readline(LONGEST_LINE)
            whole = line.endswith(b"\n") or len(line) < LONGEST_LINE


def _sentence(data: bytes) -> List[str]:
    """Fields of a sentence whose checksum holds; ValueError when it does not."""
    body, star, check = data.strip().rpartition(b"*")
    if not star or len(check) != 2:
        raise ValueError("no checksum")
    if functools.reduce(operator.xor, body[1:], 0) != int(check, 16):
        raise ValueError("wrong checksum")
    return body[1:].decode("ascii").split(",")


def _degrees(text: str, kind: str) -> float:
    match = _ANGLE[kind].fullmatch(text)
    if match is None:
        raise ValueError(text)
    minutes = float(match[2])
    value = int(match[1]) + minutes / 60.0
    if minutes >= 60.0 or value > (90.0 if kind == "latitude" else 180.0):
        raise ValueError(text)
    return value


def _sign(letter: str, plus: str, minus: str) -> float:
    if letter not in (plus, minus):
        raise ValueError(letter)
    return 1.0 if letter == plus else -1.0


def _seconds(text: str) -> float:
    match = _TIME.fullmatch(text)
    if match is None:
        raise ValueError(text)
    return 3600.0 * int(match[1]) + 60.0 * int(match[2]) + float(match[3])


def _number(text: str) -> Optional[float]:
    if not text:
        return None
    value = float(text)
    if not math.isfinite(value) or "_" in text:
        raise ValueError(text)
    return value


def _stands(fixes: Sequence[Fix]) -> Iterator[List[Fix]]:
    stand: List[Fix] = []
    for fix in fixes:
        if stand and not _stays(stand[0], stand[-1], fix):
            yield stand
            stand = []
        stand.append(fix)
    if stand:
        yield stand


def _stays(first: Fix, last: Fix, fix: Fix) -> bool:
    quiet = 0.0 <= fix.moment - last.moment <= SILENCE
    same = fix.fix == first.fix and (fix.height is None) == (first.height is None)
    north = math.radians(fix.latitude - first.latitude) * 6.37e6
    turn = (fix.longitude - first.longitude + 180.0) % 360.0 - 180.0
    east = math.radians(turn) * 6.37e6 * math.cos(math.radians(fix.latitude))
    up = (fix.height or 0.0) - (first.height or 0.0)
    return quiet and same and math.sqrt(north**2 + east**2 + up**2) <= STANDS_WITHIN


def _mean(stand: Sequence[Fix], name: str, session: str) -> Observation:
    first = stand[0]
    latitudes = np.array([fix.latitude for fix in stand])
    turns = np.array([fix.longitude - first.longitude for fix in stand])
    turns = (turns + 180.0) % 360.0 - 180.0
    longitude = (first.longitude + float(turns.mean()) + 180.0) % 360.0 - 180.0
    north = np.radians(latitudes - latitudes.mean()) * 6.37e6
    east = np.radians(turns - turns.mean()) * 6.37e6 * np.cos(np.radians(latitudes))
    spread = [f"{1e3 * np.hypot(east, north).max():.0f} mm"]
    height = None
    if first.height is not None:
        heights = np.array([fix.height for fix in stand], dtype=float)
        height = float(heights.mean())
        spread.append(f"height {1e3 * np.abs(heights - height).max():.0f} mm")
    note = f"mean of {len(stand)} epochs, farthest from it: {', '.join(spread)}"
    return Observation(
        id=name, latitude=float(latitudes.mean()), longitude=longitude, height=height,
        fix=first.fix, session=session, time=_time(first), source="NMEA 0183", note=note,
        **_sigmas(stand),
    )


def _sigmas(stand: Sequence[Fix]) -> dict:
    """Root mean square of what the epochs state; nothing where one of them states nothing."""
    found: dict = {}
    if all(fix.sigma_e is not None for fix in stand):
        for name in ("sigma_e", "sigma_n"):
            found[name] = float(np.sqrt(np.mean([getattr(fix, name) ** 2 for fix in stand])))
        shared = float(np.mean([(fix.sigma_en or 0.0) * abs(fix.sigma_en or 0.0)
                                for fix in stand]))
        if shared:
            found["sigma_en"] = math.copysign(math.sqrt(abs(shared)), shared)
    if all(fix.sigma_u is not None for fix in stand):
        found["sigma_u"] = float(np.sqrt(np.mean([(fix.sigma_u or 0.0) ** 2 for fix in stand])))
    return found


def _time(fix: Fix) -> str:
    hundredths = int(100.0 * fix.seconds + 1e-6)
    minutes, hundredths = divmod(hundredths, 6000)
    text = f"{minutes // 60:02d}:{minutes % 60:02d}:{hundredths // 100:02d}"
    text += f".{hundredths % 100:02d}Z" if hundredths % 100 else "Z"
    return text if fix.day is None else f"{fix.day.isoformat()}T{text}"
