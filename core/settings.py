"""Everything a solution depends on besides its pairs."""

from __future__ import annotations

import dataclasses
import math
import os
from dataclasses import dataclass
from typing import Any, Optional, Tuple, Union

from .errors import SettingsError
from .units import LengthUnit, length_unit

HORIZONTAL_MODELS = ("translation", "rigid", "similarity", "affine")
VERTICAL_MODELS = ("shift", "plane")
SCALE_BASES = ("typed", "unity", "ground", "grid")
SIGMA_BASES = ("stated", "estimated")


@dataclass(frozen=True)
class HeldScale:
    """A scale that is held rather than solved.

    Attributes
    ----------
    value : float
        Site length divided by base-grid length.
    sigma : float
        Standard deviation of `value`. Zero holds it exactly; a positive sigma lets the pairs
        move it, weighted by that sigma.
    basis : str
        What the value is: ``typed``, ``unity`` (1), ``ground`` (the inverse of the combined
        factor of the base projection) or ``grid`` (the scale of a named grid over the base's).
    """

    value: float
    sigma: float = 0.0
    basis: str = "typed"

    def __post_init__(self) -> None:
        object.__setattr__(self, "value", _number("scale value", self.value))
        object.__setattr__(self, "sigma", _number("scale sigma", self.sigma))
        if self.value <= 0.0:
            raise SettingsError(
                f"A scale of {self.value} is impossible.", "Give a value near 1."
            )
        if self.sigma < 0.0:
            raise SettingsError(
                f"A scale sigma of {self.sigma} is impossible.",
                "Give 0 to hold the scale exactly, or a positive sigma.",
            )
        _one_of("scale basis", self.basis, SCALE_BASES)


@dataclass(frozen=True)
class Settings:
    """The choices behind a solution. Wrong values are refused with the allowed ones listed.

    Attributes
    ----------
    site_unit, elevation_unit : str
        ``m``, ``ft`` (international) or ``us-ft``; `elevation_unit` None means `site_unit`.
    base_crs : str or None
        The base projection: anything PROJ reads (``EPSG:25832``, WKT). None means a Transverse
        Mercator of scale 1 centred on the fit pairs; `solve` then stores the projection it chose
        here, so that ``tie.settings`` keeps it frozen for later solutions.
    observation_crs : str
        Geographic CRS of the latitudes and longitudes.
    observation_epoch : float or None
        Decimal year of the observation coordinates; needed where the operation to the base
        datum depends on time.
    datum_operation : str or None
        Operation from the observation frame to the datum of the base: None chooses the most
        accurate one PROJ has (refused when that is a ballpark or a null one between named
        frames); a part of its name or a PROJ pipeline names it; ``"identical"`` says that both
        frames are to be taken as one.
    horizontal_model : str
        ``translation``, ``rigid``, ``similarity`` or ``affine``.
    scale : None, (value, sigma) or HeldScale
        None solves the scale (similarity) or holds it at 1 exactly (translation, rigid).
    vertical_model : str or None
        ``shift``, ``plane`` or None for a horizontal tie only.
    geoid : str or None
        A geoid grid PROJ can read; None works over the ellipsoid.
    gnss_sigma_h, gnss_sigma_v, control_sigma_h, control_sigma_v : float
        Default standard deviations in metres (per horizontal axis) for cells left blank; called
        *assumed* wherever they are in use. Common practice, no source.
    session_correlation : float
        Correlation of the errors of shots at one mark in one session, 0 to below 1: n shots
        then have the variance sigma**2 * (rho + (1 - rho) / n). Common practice, no source.
    sigma_basis : str
        ``stated``: tests and regions start from the sigmas as given. ``estimated``: only their
        ratios are believed; the tests use tau and the regions the estimated variance.
    confidence : float
        Level of regions and intervals, and of the chi-square test (at 1 - confidence).
    test_level : float
        Probability of a false alarm in the test of one pair.
    power : float
        Probability of finding a blunder of the size of the minimal detectable bias.
    tolerance_h, tolerance_v : float or None
        Acceptance tolerances for residuals, in site units and elevation units; the horizontal one
        is compared with the length of the horizontal residual.
    """

    site_unit: str = "m"
    elevation_unit: Optional[str] = None
    base_crs: Optional[str] = None
    observation_crs: str = "EPSG:4326"
    observation_epoch: Optional[float] = None
    datum_operation: Optional[str] = None
    horizontal_model: str = "similarity"
    scale: Union[None, Tuple[float, float], HeldScale] = None
    vertical_model: Optional[str] = "shift"
    geoid: Optional[str] = None
    gnss_sigma_h: float = 0.008
    gnss_sigma_v: float = 0.015
    control_sigma_h: float = 0.005
    control_sigma_v: float = 0.005
    session_correlation: float = 0.7
    sigma_basis: str = "stated"
    confidence: float = 0.95
    test_level: float = 0.001
    power: float = 0.80
    tolerance_h: Optional[float] = None
    tolerance_v: Optional[float] = None

    def __post_init__(self) -> None:
        if self.elevation_unit is None:
            object.__setattr__(self, "elevation_unit", self.site_unit)
        length_unit(self.site_unit)
        length_unit(self.elevation_unit or self.site_unit)
        _one_of("horizontal_model", self.horizontal_model, HORIZONTAL_MODELS)
        if self.vertical_model is not None:
            _one_of("vertical_model", self.vertical_model, VERTICAL_MODELS, "or None")
        _one_of("sigma_basis", self.sigma_basis, SIGMA_BASES)
        for name in ("base_crs", "geoid", "datum_operation"):
            object.__setattr__(self, name, _text_or_none(name, getattr(self, name)))
        if not isinstance(self.observation_crs, str) or not self.observation_crs.strip():
            raise SettingsError(
                "The CRS of the observations is missing.",
                "Name the geographic CRS of the latitudes and longitudes, such as EPSG:4326.",
            )
        self._set_scale()
        for name in ("gnss_sigma_h", "gnss_sigma_v", "control_sigma_h", "control_sigma_v"):
            value = _number(name, getattr(self, name))
            if value <= 0.0:
                raise SettingsError(
                    f"{name} is {value}; a standard deviation must be greater than zero.",
                    "Give it in metres.",
                )
            object.__setattr__(self, name, value)
        for name, usual in (("confidence", "0.95 for 95"), ("test_level", "0.001 for 0.1"),
                            ("power", "0.8 for 80")):
            value = _number(name, getattr(self, name))
            if not 0.0 < value < 1.0:
                raise SettingsError(
                    f"{name} is {value}; it must lie between 0 and 1, both excluded.",
                    f"Write {usual} %.",
                )
            object.__setattr__(self, name, value)
        rho = _number("session_correlation", self.session_correlation)
        if not 0.0 <= rho < 1.0:
            raise SettingsError(
                f"session_correlation is {rho}; it must lie between 0 and 1, 1 excluded.",
                "0 treats repeated shots as independent; 0.7 is the default.",
            )
        object.__setattr__(self, "session_correlation", rho)
        for name in ("tolerance_h", "tolerance_v", "observation_epoch"):
            if getattr(self, name) is None:
                continue
            value = _number(name, getattr(self, name))
            if value <= 0.0:
                raise SettingsError(
                    f"{name} is {value}; it must be greater than zero.",
                    "Give a positive value, or leave it out.",
                )
            object.__setattr__(self, name, value)
        if self.observation_epoch is not None and not is_decimal_year(self.observation_epoch):
            raise SettingsError(
                f"observation_epoch {self.observation_epoch} is not a decimal year.",
                "Write it like 2026.35.",
            )

    def _set_scale(self) -> None:
        scale = self.scale
        if scale is None:
            return
        if not isinstance(scale, HeldScale):
            try:
                value, sigma = scale
            except (TypeError, ValueError):
                raise SettingsError(
                    f"scale is {scale!r}.",
                    "Give None to solve it, or (value, sigma) to hold it; sigma may be 0.",
                ) from None
            scale = HeldScale(value, sigma)
        if self.horizontal_model == "affine":
            raise SettingsError(
                "An affine model has no single scale to hold.",
                "Leave scale out, or choose similarity, rigid or translation.",
            )
        object.__setattr__(self, "scale", scale)

    @property
    def site_length(self) -> LengthUnit:
        """The horizontal unit of the site grid."""
        return length_unit(self.site_unit)

    @property
    def elevation_length(self) -> LengthUnit:
        """The unit of site elevations."""
        return length_unit(self.elevation_unit or self.site_unit)

    def replace(self, **changes: Any) -> "Settings":
        """These settings with some values changed."""
        return dataclasses.replace(self, **changes)


def is_decimal_year(value: float) -> bool:
    """Whether a number can be the epoch of GNSS coordinates (and is not, say, 20260509)."""
    return 1900.0 <= value <= 2100.0


def _text_or_none(name: str, value: object) -> Optional[str]:
    """Text of a setting, None where blank: a tie file holds text, so nothing else may slip in."""
    text = os.fspath(value) if isinstance(value, os.PathLike) else value
    if text is None or (isinstance(text, str) and not text.strip()):
        return None
    if not isinstance(text, str):
        example = ', such as "EPSG:25832"' if name == "base_crs" else ""
        raise SettingsError(
            f"{name} is of the type {type(value).__name__}, not text.",
            f"Write it as text{example}.",
        )
    return text


def _one_of(name: str, value: object, allowed: Tuple[str, ...], extra: str = "") -> None:
    if value not in allowed:
        listed = ", ".join(f'"{item}"' for item in allowed)
        raise SettingsError(
            f"{name} is {value!r}.", f"Allowed: {listed}{' ' + extra if extra else ''}."
        )


def _number(name: str, value: object) -> float:
    try:
        number = float(value)  # type: ignore[arg-type]
    except (TypeError, ValueError):
        raise SettingsError(f"{name} is {value!r}, not a number.", "Give a number.") from None
    if not math.isfinite(number):
        raise SettingsError(f"{name} is {value!r}.", "Give a finite number.")
    return number
