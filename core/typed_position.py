"""A position that a person types, in the way their list has it: read, echoed, checked."""

from __future__ import annotations

import enum
from dataclasses import dataclass, replace
from typing import List, NamedTuple, Optional, Tuple

from .angles import format_angle, parse_angle
from .errors import InputError, SitetieError
from .frames import geographic_crs, parse_crs, same_datum
from .misreadings import Reading, angle_readings, geocentric_readings, projected_readings
from .numerals import parse_number
from .pairs import Observation
from .positions import GeodeticCoordinates, geocentric_to_geodetic, projected_to_geodetic
from .settings import Settings


class Way(enum.Enum):
    """How the position is given."""

    ANGLES = "latitude and longitude"
    GEOCENTRIC = "geocentric X, Y, Z"
    MAP = "map coordinates"

    @property
    def names(self) -> Tuple[str, ...]:
        """What the values are called, in their order."""
        return {
            Way.ANGLES: ("Latitude", "Longitude"),
            Way.GEOCENTRIC: ("X", "Y", "Z"),
            Way.MAP: ("Easting", "Northing"),
        }[self]


class Echo(NamedTuple):
    """One value read back, or why it cannot be read."""

    words: str
    wrong: bool = False


@dataclass(frozen=True)
class TypedPosition:
    """What stands in the fields.

    Attributes
    ----------
    way : Way
    values : tuple of str
        As `Way.names` has them.
    crs : str
        Of the values: geographic, geocentric or projected. For `Way.GEOCENTRIC` the geographic
        CRS of the same frame serves too.
    packed : bool
        Angles are DDD.MMSSsss.
    height : str
        Metres; blank for none. Geocentric values bring their own.
    """

    way: Way
    values: Tuple[str, ...]
    crs: str
    packed: bool = False
    height: str = ""

    def geodetic(self) -> GeodeticCoordinates:
        """Latitude, longitude, height.

        Raises
        ------
        SitetieError
            When a value cannot be read, or the CRS is not of the right kind.
        """
        if self.way is Way.ANGLES:
            frame = geographic_crs(self.crs, "frame of the latitude and longitude")
            latitude, longitude = (
                parse_angle(text, name.lower(), self.packed)
                for text, name in zip(self.values, self.way.names))
            return GeodeticCoordinates(latitude, longitude, self._height(), self.crs, frame.name)
        numbers = [parse_number(text, name) for text, name in zip(self.values, self.way.names)]
        if self.way is Way.GEOCENTRIC:
            found = geocentric_to_geodetic(numbers[0], numbers[1], numbers[2], self.crs)
            return _plain(found, float(found.height))  # type: ignore[arg-type]
        return _plain(projected_to_geodetic(numbers[0], numbers[1], self.crs), self._height())

    def echoes(self) -> List[Echo]:
        """Each value as it was understood, then the height (not for geocentric values).

        A blank value has a blank echo.
        """
        found = [self._echo(text, name) for text, name in zip(self.values, self.way.names)]
        if self.way is not Way.GEOCENTRIC:
            try:
                height = self._height()
            except InputError as error:
                found.append(Echo(str(error), wrong=True))
            else:
                found.append(Echo("" if height is None else f"{height:.4f} m"))
        return found

    @property
    def complete(self) -> bool:
        """Whether every value but the height is filled in."""
        return all(text.strip() for text in self.values)

    def readings(self) -> List[Reading]:
        """Other ways to read the values."""
        if self.way is Way.ANGLES:
            return angle_readings(self.values, self.packed)
        make = geocentric_readings if self.way is Way.GEOCENTRIC else projected_readings
        return make(self.values, self.crs)

    def read_as(self, reading: Reading) -> "TypedPosition":
        """With the values of another reading."""
        return replace(self, values=reading.values, packed=reading.packed)

    def observation(
        self, name: str, settings: Settings, sigma_h: Optional[float] = None,
        sigma_v: Optional[float] = None, note: str = "", height_geoid: Optional[str] = None,
    ) -> Observation:
        """The position as an observation with the source "typed".

        Parameters
        ----------
        sigma_h, sigma_v : float, optional
            Standard deviations in metres, per horizontal axis and vertical.
        height_geoid : str, optional
            Geoid grid that the typed height stands on; without it it is ellipsoidal.

        Raises
        ------
        SitetieError
        """
        if not name.strip():
            raise InputError("The observation has no id.", "Give it one.")
        position = self.geodetic()
        height = None if position.height is None else float(position.height)
        on_geoid = height is not None and bool(height_geoid) and self.way is not Way.GEOCENTRIC
        return Observation(
            id=name.strip(), latitude=float(position.latitude), longitude=float(position.longitude),
            height=height, sigma_e=sigma_h, sigma_n=sigma_h, sigma_u=sigma_v,
            height_kind="orthometric" if on_geoid else "ellipsoidal",
            height_geoid=height_geoid if on_geoid else None,
            source="typed", note=note.strip(), crs=_named_frame(position.crs, settings),
        )

    def _height(self) -> Optional[float]:
        return parse_number(self.height, "The height") if self.height.strip() else None

    def _echo(self, text: str, name: str) -> Echo:
        if not text.strip():
            return Echo("")
        try:
            if self.way is not Way.ANGLES:
                return Echo(f"{parse_number(text, name):,.4f}".replace(",", "\u202f"))
            kind = name.lower()
            degrees = parse_angle(text, kind, self.packed)
            return Echo(f"{format_angle(degrees, kind)} = {format_angle(degrees, kind, 'degrees')}")
        except SitetieError as error:
            return Echo(str(error), wrong=True)


def _plain(found: GeodeticCoordinates, height: Optional[float]) -> GeodeticCoordinates:
    return replace(
        found, latitude=float(found.latitude), longitude=float(found.longitude), height=height)


def _named_frame(crs: str, settings: Settings) -> Optional[str]:
    """The frame an observation must name; None where it is that of the settings."""
    job = geographic_crs(settings.observation_crs)
    return None if same_datum(parse_crs(crs, "frame of the position"), job) else crs
