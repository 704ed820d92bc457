"""Design check: what planned marks and sigmas would be worth, before anyone drives out.

The covariance of a solution depends on where marks lie and on their sigmas alone (see `forecast`),
so that the planned marks are laid out in the base plane, observed where they lie, and solved.
"""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from typing import Callable, Dict, List, Optional, Sequence, Tuple

import numpy as np

from .confidence_surface import ConfidenceSurface, confidence_surface
from .errors import GeometryError, InputError, SettingsError
from .forecast import Forecast
from .horizontal import held_scale
from .nearby import control_positions
from .next_control import AreaDesign, Uncertainty, state_words
from .pairs import Control, Observation, Pair, Role
from .projection import base_projection, local_transverse_mercator
from .reliability import MarkReliability
from .settings import Settings
from .solve import solve
from .tie import Tie
from .units import LengthUnit
from .work_area import WorkArea


@dataclass(frozen=True)
class DesignCheck:
    """What a planned tie would know about itself.

    Attributes
    ----------
    area : WorkArea
    uncertainty : dict of str to Uncertainty
        Over the work area, by side; site and elevation units.
    reliability : tuple of MarkReliability
        What would become of a blunder at each mark, by side.
    redundancy : dict of str to int
        By side.
    units : dict of str to LengthUnit
    cautions : tuple of str
    forecast : Forecast
        Of an invented tie with perfect observations; its covariances are those of the real one.
    """

    area: WorkArea
    uncertainty: Dict[str, Uncertainty]
    reliability: Tuple[MarkReliability, ...]
    redundancy: Dict[str, int]
    units: Dict[str, LengthUnit]
    cautions: Tuple[str, ...]
    forecast: Forecast

    def words(self) -> str:
        """Uncertainty and hidden blunders, in sentences."""
        said = [state_words(self.area, self.uncertainty, self.reliability, self.units)]
        for side, called in (("horizontal", "horizontally"), ("vertical", "vertically")):
            if self.redundancy.get(side) == 0:
                said.append(f"Nothing would check the solution {called}.")
        return " ".join([*said, *self.cautions])

    def surface(
        self,
        bounds: Optional[Tuple[float, float, float, float]] = None,
        cell: Optional[float] = None,
        of_restated_points: bool = True,
        progress: Optional[Callable[[float], bool]] = None,
    ) -> ConfidenceSurface:
        """The confidence surface; see `confidence_surface`."""
        return confidence_surface(
            self.forecast.as_tie(), bounds, cell, of_restated_points, progress)


def design_check(
    marks: Sequence[Control],
    settings: Optional[Settings] = None,
    *,
    place: Optional[Tuple[float, float]] = None,
    area: Optional[WorkArea] = None,
    observation_sigmas: Optional[Sequence[Tuple[Optional[float], Optional[float]]]] = None,
    of_restated_points: bool = True,
) -> DesignCheck:
    """Check a plan of marks.

    Parameters
    ----------
    marks : sequence of Control
        Planned, in site coordinates; sigmas of their own or those of the settings. A mark without
        an elevation serves horizontally only; where none has one, only the horizontal side is
        checked. Marks without a position cannot be laid out and are left out.
    settings : Settings, optional
        Model, scale, sigmas, levels.
    place : (latitude, longitude), optional
        Where the middle of the marks lies on the earth, degrees: needed for a base projection
        that the settings name, of no matter for a local one.
    area : WorkArea, optional
        Where uncertainty counts; by default all within the hull of the marks.
    observation_sigmas : sequence of (horizontal, vertical), optional
        Expected of each mark's observation, metres, one sigma; None for the default.
    of_restated_points : bool
        As in `confidence_surface`.

    Returns
    -------
    DesignCheck

    Raises
    ------
    InputError
        When there is no mark with a position, or two share an id.
    GeometryError
        When the marks cannot determine what the model asks for.
    SettingsError
        When a named base projection lacks a place.
    """
    settings = settings or Settings()
    placed = [i for i, mark in enumerate(marks) if mark.has_position]
    _refuse_unusable(marks, placed)
    settings, cautions = _usable_settings([marks[i] for i in placed], settings)
    left_out = len(marks) - len(placed)
    if left_out:
        cautions.append(f"{left_out} without a position {'is' if left_out == 1 else 'are'} left "
                        "out.")
    sigmas = None if observation_sigmas is None else [observation_sigmas[i] for i in placed]
    tie = _tie_as_planned([marks[i] for i in placed], settings, place, sigmas)
    forecast = Forecast.of(tie)
    area = area or WorkArea.of_hull(control_positions([marks[i] for i in placed]))
    over = AreaDesign(tie, area, of_restated_points)
    return DesignCheck(
        area=area, uncertainty=over.uncertainty(forecast),
        reliability=over.reliability(forecast),
        redundancy={side: design.adjustment.redundancy
                    for side in ("horizontal", "vertical")
                    for design in [forecast.design(side)] if design is not None},
        units={"horizontal": settings.site_length, "vertical": settings.elevation_length},
        cautions=tuple(cautions), forecast=forecast,
    )


def _refuse_unusable(marks: Sequence[Control], placed: Sequence[int]) -> None:
    if not placed:
        raise InputError("There is no planned mark with a position.",
                         "Give eastings and northings in site coordinates.")
    seen = set()
    for mark in marks:
        if mark.id in seen:
            raise InputError("Two planned marks have this id.", "Give every mark an id of its own.",
                             point=mark.id)
        seen.add(mark.id)


def _usable_settings(
    marks: Sequence[Control], settings: Settings
) -> Tuple[Settings, List[str]]:
    """Settings without what only observations need."""
    cautions = []
    settings = settings.replace(geoid=None)  # it moves heights, not their uncertainty
    if settings.vertical_model is not None and not any(mark.has_elevation for mark in marks):
        settings = settings.replace(vertical_model=None)
        cautions.append("No planned mark has an elevation, so only the horizontal side is checked.")
    return settings, cautions


def _tie_as_planned(marks, settings: Settings, place, sigmas) -> Tie:
    """The tie of perfect observations, with the settings as they are wanted."""
    settings, base, middle = _base(settings, place)
    site = control_positions(marks) * settings.site_length.metres
    held = held_scale(settings)
    at = middle + (site - site.mean(axis=0)) / (1.0 if held is None else held.value)
    latitude, longitude = base.to_geodetic(at[:, 0], at[:, 1], np.zeros(len(at)))
    if not np.isfinite(latitude).all():
        raise GeometryError("The marks lie farther apart than the base projection reaches.",
                            "Check the site unit and the coordinates.")
    pairs = []
    for i, mark in enumerate(marks):
        sigma_h, sigma_v = (None, None) if sigmas is None else sigmas[i]
        upright = settings.vertical_model is not None and mark.has_elevation
        height = mark.elevation * settings.elevation_length.metres if upright else None
        pairs.append(Pair(
            mark,
            Observation(mark.id, float(latitude[i]), float(longitude[i]), height,
                        sigma_e=sigma_h, sigma_n=sigma_h, sigma_u=sigma_v),
            Role.FIT, Role.FIT if upright else Role.IDLE,
        ))
    # The residuals are zero, so that no variance can be estimated from them: it is taken as stated.
    tie = solve(pairs, settings.replace(sigma_basis="stated"))
    return dataclasses.replace(
        tie, settings=tie.settings.replace(sigma_basis=settings.sigma_basis))


def _base(settings: Settings, place):
    """Settings with a base projection, that projection, and the middle of the marks in it."""
    if settings.base_crs is None:
        place = place or (0.0, 0.0)
        settings = settings.replace(base_crs=local_transverse_mercator(
            settings.observation_crs, [place[0]], [place[1]]))
    elif place is None:
        raise SettingsError(
            "A base projection is named, but not where on the earth the marks lie.",
            "Give a place (latitude, longitude), or leave the base projection out.",
        )
    base = base_projection(
        settings.base_crs, settings.observation_crs, datum_operation=settings.datum_operation,
        epoch=settings.observation_epoch, near=(round(place[0], 2), round(place[1], 2)),
    )
    return settings, base, np.array(base.to_base(place[0], place[1], 0.0), dtype=float)
