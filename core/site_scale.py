"""The scale a site should have, S = site length over base-grid length, and how sure that is."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Optional, Sequence, Tuple, Union

import numpy as np

from .errors import InputError, SettingsError
from .one_frame import positions_in_one_frame
from .pairs import Pair, Role
from .projection import BaseProjection, base_projection
from .settings import HeldScale, Settings
from .solve import freeze_base
from .tie import Tie

#: Standard deviation in metres of the level a ground-length site was reduced to: often a rounded
#: elevation rather than the mean ellipsoidal height. Common practice, no source.
LEVEL_SIGMA = 20.0
#: Standard deviation of the scale of control computed on a named grid. Common practice, no source.
GRID_SIGMA = 1e-6


@dataclass(frozen=True)
class SitePlace:
    """Where the control lies: what the scale of the site follows from.

    Attributes
    ----------
    base : BaseProjection
    settings : Settings
        With the base projection frozen.
    latitude, longitude, height : (m,) arrays
        Of the observations in the observation CRS, degrees and metres; NaN where no height.
    """

    base: BaseProjection
    settings: Settings
    latitude: np.ndarray
    longitude: np.ndarray
    height: np.ndarray

    @cached_property
    def middle(self) -> Tuple[float, float]:
        """Latitude and longitude of the median base position: unmoved by one gross error."""
        plane = self.base.to_base(self.latitude, self.longitude, np.nan_to_num(self.height))
        easting, northing = (float(np.median(values)) for values in plane)
        latitude, longitude = self.base.to_geodetic(easting, northing, self.level)
        return float(latitude), float(longitude)

    @cached_property
    def level(self) -> Optional[float]:
        """Median ellipsoidal height in metres; None without heights."""
        known = self.height[np.isfinite(self.height)]
        return float(np.median(known)) if len(known) else None

    @cached_property
    def radius(self) -> float:
        """Mean radius of curvature in the middle, sqrt(M N), metres."""
        meridian, prime_vertical = self.base.radii(self.middle[0])
        return float(np.sqrt(meridian * prime_vertical))

    @cached_property
    def base_scale(self) -> float:
        """Point scale of the base projection in the middle."""
        return float(self.base.point_scale(*self.middle))

    @cached_property
    def base_scale_spread(self) -> float:
        """Standard deviation of the base projection's point scale over the control, relative."""
        return float(np.std(self.base.point_scale(self.latitude, self.longitude)))

    def ground(self) -> HeldScale:
        """Lengths on the ground in the middle, at the median height: 1 over the combined factor.

        The sigma holds the spread of that over the control, by height and by projection, and
        that the level of the site is known to `LEVEL_SIGMA` only.

        Raises
        ------
        InputError
            When no observation has a height.
        """
        if self.level is None:
            raise InputError(
                "Ground lengths are asked for, but no fit pair has a height.",
                "Give heights, or type the scale.",
            )
        value = 1.0 / float(self.base.combined_factor(*self.middle, self.level))
        heights = np.hypot(np.nanstd(self.height), LEVEL_SIGMA) / self.radius
        return HeldScale(value, float(np.hypot(heights, self.base_scale_spread)), "ground")

    def ellipsoid(self) -> HeldScale:
        """Lengths on the ellipsoid, or at sea level within the sigma (`LEVEL_SIGMA`)."""
        sigma = np.hypot(LEVEL_SIGMA / self.radius, self.base_scale_spread)
        return HeldScale(1.0 / self.base_scale, float(sigma), "typed")

    def grid(self, crs: str) -> HeldScale:
        """Lengths of a projected CRS: its point scale over that of the base, in the middle.

        The sigma is the spread of the ratio over the control, and `GRID_SIGMA`. A change of
        datum on the way counts with its own scale.

        Raises
        ------
        FrameError
        """
        near = (round(self.middle[0], 1), round(self.middle[1], 1))
        named = base_projection(crs, self.settings.observation_crs,
                                epoch=self.settings.observation_epoch, near=near)
        ratio = float(named.point_scale(*self.middle)) / self.base_scale
        at_marks = (named.point_scale(self.latitude, self.longitude)
                    / self.base.point_scale(self.latitude, self.longitude))
        return HeldScale(ratio, float(np.hypot(np.std(at_marks), GRID_SIGMA)), "grid")


def site_place(
    source: Union[Tie, Sequence[Pair]], settings: Optional[Settings] = None
) -> SitePlace:
    """Where the control of a tie, or of pairs still to be solved, lies.

    Raises
    ------
    InputError
        When no pair has a position.
    """
    if isinstance(source, Tie):
        pairs, settings, base = source.pairs, source.settings, source.base
    else:
        pairs = tuple(source)
        settings, base = freeze_base(pairs, settings or Settings())
    chosen = [p for p in pairs if p.horizontal is Role.FIT] or [
        p for p in pairs if p.horizontal is Role.CHECK]
    if not chosen:
        raise InputError(
            "No pair has the horizontal role fit or check, so it is not known where the site lies.",
            "Set the pairs that may be trusted to fit.",
        )
    return SitePlace(base, settings, *positions_in_one_frame(chosen, settings))


def site_scale(
    source: Union[Tie, Sequence[Pair]],
    settings: Optional[Settings] = None,
    basis: str = "ground",
    *,
    grid: Optional[str] = None,
) -> HeldScale:
    """The scale the site should have, with a standard deviation that follows from the site.

    Parameters
    ----------
    source : Tie or sequence of Pair
        Of a tie its own base projection and settings count, and `settings` is not read.
    basis : {"unity", "ground", "grid"}
        1 exactly; lengths on the ground at the median ellipsoidal height of the fit pairs; or the
        lengths of `grid`. See `SitePlace` for the sigmas.
    grid : str, optional
        A projected CRS, for ``grid``.

    Raises
    ------
    SettingsError, InputError, FrameError
    """
    if basis == "unity":
        return HeldScale(1.0, 0.0, "unity")
    if basis not in ("ground", "grid"):
        raise SettingsError(
            f"Scale basis is {basis!r}.", 'Allowed: "unity", "ground", "grid".'
        )
    if basis == "grid" and not grid:
        raise SettingsError(
            "The lengths of a grid are asked for, but the grid is not named.",
            "Name its projected CRS, such as EPSG:25832.",
        )
    place = site_place(source, settings)
    return place.ground() if basis == "ground" else place.grid(str(grid))
