"""The scale a site should have: 1, ground lengths, or the lengths of a named grid."""

from __future__ import annotations

from typing import Optional, Sequence

import numpy as np

from .errors import InputError, SettingsError
from .marks import positions_in_one_frame
from .pairs import Pair, Role
from .projection import base_projection
from .settings import HeldScale, Settings
from .solve import freeze_base


def held_scale(
    basis: str,
    pairs: Sequence[Pair],
    settings: Settings,
    *,
    sigma: float = 0.0,
    value: Optional[float] = None,
    grid: Optional[str] = None,
) -> HeldScale:
    """The scale to hold for a site whose lengths are of a certain kind.

    Parameters
    ----------
    basis : {"unity", "ground", "grid", "typed"}
        ``ground``: the inverse of the base projection's combined factor; ``grid``: the point scale
        of `grid` over that of the base; both in the middle of the fit pairs.
    sigma : float
        Standard deviation of the scale; 0 holds it exactly.
    value : float, optional
        The scale itself, for ``typed``.
    grid : str, optional
        Projected CRS whose lengths the site has, for ``grid``.

    Raises
    ------
    SettingsError, InputError, FrameError
    """
    if basis == "unity":
        return HeldScale(1.0, sigma, basis)
    if basis == "typed":
        if value is None:
            raise SettingsError(
                "A typed scale is to be held, but none is given.",
                "Give site length divided by base-grid length, such as 0.99987.",
            )
        return HeldScale(value, sigma, basis)
    settings, base = freeze_base(pairs, settings)
    fit = [pair for pair in pairs if pair.horizontal is Role.FIT]
    latitude, longitude, height = positions_in_one_frame(fit, settings)
    plane = np.median(base.to_base(latitude, longitude, np.nan_to_num(height)), axis=1)
    middle = base.to_geodetic(*plane)
    if basis == "ground":
        known = height[np.isfinite(height)]
        if not len(known):
            raise InputError(
                "Ground lengths are asked for, but no fit pair has a height.",
                "Give heights, or type the scale.",
            )
        return HeldScale(1.0 / float(base.combined_factor(*middle, np.median(known))), sigma, basis)
    if basis == "grid":
        if not grid:
            raise SettingsError(
                "The lengths of a grid are asked for, but the grid is not named.",
                "Name its projected CRS, such as EPSG:25832.",
            )
        near = (round(float(middle[0]), 1), round(float(middle[1]), 1))
        named = base_projection(
            grid, settings.observation_crs, epoch=settings.observation_epoch, near=near
        )
        ratio = named.point_scale(*middle) / base.point_scale(*middle)
        return HeldScale(float(ratio), sigma, basis)
    raise SettingsError(
        f"Scale basis is {basis!r}.", 'Allowed: "unity", "ground", "grid", "typed".'
    )
