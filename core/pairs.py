"""Control points, observations and the pairs made of them: values as they came, never edited."""

from __future__ import annotations

import enum
import math
from dataclasses import dataclass, field
from typing import Optional, Tuple

from .errors import InputError
from .settings import is_decimal_year


class Role(str, enum.Enum):
    """What a pair does, set separately for horizontal and vertical."""

    FIT = "fit"  #: drives the solution
    CHECK = "check"  #: withheld, independently compared
    IDLE = "idle"  #: takes no part

    @classmethod
    def parse(cls, text: object) -> "Role":
        """Read a role from what a person wrote (case and blanks do not matter).

        Raises
        ------
        InputError
            When it is none of fit, check, idle.
        """
        try:
            return cls(str(getattr(text, "value", text)).strip().lower())
        except ValueError:
            raise InputError(
                f"{text!r} is not a role.",
                "Write fit (drives the solution), check (withheld and compared) or idle.",
            ) from None


@dataclass(frozen=True)
class Control:
    """A control point of the site grid.

    Attributes
    ----------
    id : str
    easting, northing : float or None
        Site units; both or neither (a mark may have an elevation only).
    elevation : float or None
        Elevation units; None for a mark with a position only.
    sigma_h, sigma_v : float or None
        Standard deviation in metres, per horizontal axis and vertical; None means the default
        of the settings, which is then called *assumed*.
    """

    id: str
    easting: Optional[float] = None
    northing: Optional[float] = None
    elevation: Optional[float] = None
    sigma_h: Optional[float] = None
    sigma_v: Optional[float] = None

    def __post_init__(self) -> None:
        _identified(self, "control point")
        _finite(self, ("easting", "northing", "elevation"))
        _positive_or_none(self, ("sigma_h", "sigma_v"))
        if (self.easting is None) != (self.northing is None):
            raise InputError(
                "Easting and northing must both be given or both be blank.",
                "Complete the position, or blank both for a mark with an elevation only.",
                point=self.id,
            )

    @property
    def has_position(self) -> bool:
        return self.easting is not None

    @property
    def has_elevation(self) -> bool:
        return self.elevation is not None


@dataclass(frozen=True)
class Observation:
    """What GNSS measured at a mark, as it came.

    Attributes
    ----------
    id : str
    latitude, longitude : float
        Degrees in the observation CRS, north and east positive.
    height : float or None
        Metres, of the mark and not of the antenna. See `height_kind`.
    sigma_e, sigma_n, sigma_u : float or None
        Standard deviations in metres along local east, north, up; None means the default of
        the settings. East and north are given together.
    sigma_en : float or None
        Signed square root of the east-north covariance, in metres: covariance =
        sign(sigma_en) * sigma_en**2. None means uncorrelated.
    height_kind : str
        ``ellipsoidal`` or ``orthometric``; the latter needs `height_geoid`.
    height_geoid : str or None
        PROJ-readable geoid grid by which an orthometric height was made.
    pole, pole_kind : float or None, str or None
        Recorded pole height in metres, ``vertical`` or ``slant``. Recorded only; the height is
        already that of the mark.
    session, time, fix, source, note : str
        As recorded; blank when unknown.
    crs, epoch : str or None, float or None
        Frame of this observation and its epoch in decimal years; None means that of the settings.
    """

    id: str
    latitude: float
    longitude: float
    height: Optional[float] = None
    sigma_e: Optional[float] = None
    sigma_n: Optional[float] = None
    sigma_en: Optional[float] = None
    sigma_u: Optional[float] = None
    height_kind: str = "ellipsoidal"
    height_geoid: Optional[str] = None
    pole: Optional[float] = None
    pole_kind: Optional[str] = None
    session: str = ""
    time: str = ""
    fix: str = ""
    source: str = ""
    note: str = ""
    crs: Optional[str] = None
    epoch: Optional[float] = None

    def __post_init__(self) -> None:
        _identified(self, "observation")
        _texts(self, ("session", "time", "fix", "source", "note"), "")
        _texts(self, ("crs", "height_geoid", "pole_kind"), None)
        if self.latitude is None or self.longitude is None:
            raise InputError(
                "The observation has no latitude or no longitude.", "Give both, in degrees.",
                point=self.id,
            )
        _finite(self, ("latitude", "longitude", "height", "sigma_en", "pole", "epoch"))
        _positive_or_none(self, ("sigma_e", "sigma_n", "sigma_u"))
        if not -90.0 <= self.latitude <= 90.0:
            swapped = (
                " Latitude and longitude look exchanged."
                if -90.0 <= self.longitude <= 90.0 and abs(self.latitude) <= 180.0
                else ""
            )
            raise InputError(
                f"Latitude {self.latitude} is outside -90 to 90 degrees.{swapped}",
                "Correct the latitude, or exchange the two columns.",
                point=self.id,
            )
        if not -360.0 <= self.longitude <= 360.0:
            raise InputError(
                f"Longitude {self.longitude} is outside -360 to 360 degrees.",
                "Correct the longitude.",
                point=self.id,
            )
        if (self.sigma_e is None) != (self.sigma_n is None):
            raise InputError(
                "sigma_e and sigma_n must both be given or both be blank.",
                "Give both standard deviations in metres, or neither.",
                point=self.id,
            )
        if self.sigma_en is not None:
            if self.sigma_e is None or self.sigma_n is None:
                raise InputError(
                    "sigma_en is given without sigma_e and sigma_n.",
                    "Give all three in metres, or leave sigma_en blank.",
                    point=self.id,
                )
            if self.sigma_en**2 >= self.sigma_e * self.sigma_n:
                raise InputError(
                    f"sigma_en {self.sigma_en} is too large for sigma_e {self.sigma_e} and "
                    f"sigma_n {self.sigma_n}: the correlation would reach 1.",
                    "sigma_en is the signed square root of the covariance, in metres.",
                    point=self.id,
                )
        if self.epoch is not None and not is_decimal_year(self.epoch):
            raise InputError(
                f"epoch {self.epoch} is not a decimal year.",
                "Write it like 2026.35.",
                point=self.id,
            )
        if self.height_kind not in ("ellipsoidal", "orthometric"):
            raise InputError(
                f"height_kind {self.height_kind!r} is unknown.",
                "Write ellipsoidal, or orthometric with the name of its geoid grid.",
                point=self.id,
            )
        if self.height_kind == "orthometric" and not self.height_geoid:
            raise InputError(
                "An orthometric height was given without the geoid it was made with.",
                "Name the geoid grid (a file PROJ can read), or give the ellipsoidal height.",
                point=self.id,
            )
        if self.pole_kind not in (None, "vertical", "slant"):
            raise InputError(
                f"pole_kind {self.pole_kind!r} is unknown.",
                "Write vertical or slant, or leave it blank.",
                point=self.id,
            )


@dataclass(frozen=True)
class Correction:
    """A blunder put right on a pair, on evidence; see `corrections`.

    Attributes
    ----------
    cause : str
        Id in `causes.CAUSES`.
    evidence : str
        The sentence it was made on.
    fields : tuple of str
        What is used otherwise than given, by the names of a pair table's columns.
    by, time : str
        Who made it, and when (UTC, ISO 8601); blank when unknown.
    """

    cause: str
    evidence: str
    fields: Tuple[str, ...]
    by: str = ""
    time: str = ""


#: Fields that came into the tie file later: a file without them is a file in which they are blank,
#: and a tie that does not use them keeps its identity.
LATER = {"later": True}


@dataclass(frozen=True)
class Pair:
    """A control point and the observation of the same mark, with what the pair does.

    Attributes
    ----------
    control, observation : Control, Observation
        What is solved with: the values as they came, unless a correction says otherwise.
    horizontal, vertical : Role
        Strings are accepted and turned into roles.
    file, row : str or None, int or None
        Where the pair was read, for messages.
    given_control, given_observation : Control or None, Observation or None
        The values as they came, where a correction lets others be used; else None.
    corrections : tuple of Correction
        Oldest first.
    """

    control: Control
    observation: Observation
    horizontal: Role = Role.FIT
    vertical: Role = Role.FIT
    file: Optional[str] = None
    row: Optional[int] = None
    given_control: Optional[Control] = field(default=None, metadata=LATER)
    given_observation: Optional[Observation] = field(default=None, metadata=LATER)
    corrections: Tuple[Correction, ...] = field(default=(), metadata=LATER)

    def __post_init__(self) -> None:
        object.__setattr__(self, "horizontal", Role.parse(self.horizontal))
        object.__setattr__(self, "vertical", Role.parse(self.vertical))
        _texts(self, ("file",), None)
        object.__setattr__(self, "row", None if self.row is None else int(self.row))
        if self.horizontal is not Role.IDLE and not self.control.has_position:
            raise InputError(
                f"Role {self.horizontal.value} for horizontal, but the control point has no "
                "easting and northing.",
                "Set the horizontal role to idle, or give the control position.",
                file=self.file,
                row=self.row,
                point=self.control.id,
            )
        if self.vertical is not Role.IDLE and not self.control.has_elevation:
            raise InputError(
                f"Role {self.vertical.value} for vertical, but the control point has no elevation.",
                "Set the vertical role to idle, or give the control elevation.",
                file=self.file,
                row=self.row,
                point=self.control.id,
            )
        if self.vertical is not Role.IDLE and self.observation.height is None:
            raise InputError(
                f"Role {self.vertical.value} for vertical, but the observation "
                f"{self.observation.id} has no height.",
                "Set the vertical role to idle, or give the height of the mark in metres.",
                file=self.file,
                row=self.row,
                point=self.control.id,
            )

    @property
    def name(self) -> str:
        """Control and observation in one word, for messages."""
        if self.control.id == self.observation.id:
            return self.control.id
        return f"{self.control.id} = {self.observation.id}"


def _identified(value: object, kind: str) -> None:
    """Turn the id into text, and refuse a blank one."""
    _texts(value, ("id",), "")
    if not value.id.strip():  # type: ignore[attr-defined]
        raise InputError(f"The {kind} has a blank id.", "Give it an id.")


def _texts(value: object, names: tuple, blank: Optional[str]) -> None:
    """Turn fields into text, so that a saved tie reads back as the same values."""
    for name in names:
        given = getattr(value, name)
        text = blank if given is None or given == "" else str(given)
        try:
            (text or "").encode("utf-8")
        except UnicodeEncodeError:
            raise InputError(
                f"{name} {text!r} holds half a character, which no file can hold.",
                "Read the text again with the right encoding.",
            ) from None
        object.__setattr__(value, name, text)


def _finite(value: object, names: tuple) -> None:
    for name in names:
        number = getattr(value, name)
        if number is None:
            continue
        if isinstance(number, bool) or not isinstance(number, (int, float)):
            try:
                number = float(number)
            except (TypeError, ValueError):
                raise InputError(
                    f"{name} is {number!r}, not a number.",
                    "Give a number.",
                    point=getattr(value, "id", None),
                ) from None
        if not math.isfinite(number):
            raise InputError(
                f"{name} is {number}.",
                "Give a finite number, or leave the cell blank.",
                point=getattr(value, "id", None),
            )
        object.__setattr__(value, name, float(number))


def _positive_or_none(value: object, names: tuple) -> None:
    _finite(value, names)
    for name in names:
        number = getattr(value, name)
        if number is not None and number <= 0.0:
            raise InputError(
                f"{name} is {number}; a standard deviation must be greater than zero.",
                "Give it in metres, or leave it blank for the default.",
                point=getattr(value, "id", None),
            )
