"""Pairs and settings to a tie."""

from __future__ import annotations

import dataclasses
import os
import platform
from typing import List, Optional, Sequence, Tuple

import numpy as np
import pyproj

from .errors import GeometryError, InputError
from .geoid import open_geoid
from .horizontal import HorizontalFit, fit_horizontal
from .marks import Mark, PairArrays, group_marks, pair_arrays
from .one_frame import frame_cautions, positions_in_one_frame
from .pair_checks import refuse_contradictions
from .pairs import Pair, Role
from .projection import BaseProjection, base_projection, local_transverse_mercator, middle
from .residuals import component_results, pair_covariances, part_statistics, repeat_spreads
from .results import ComponentResult, PairResidual, PartStatistics, TieStatistics
from .settings import Settings
from .tie import Provenance, Tie
from .units import UNITS
from .version import VERSION
from .vertical import VerticalFit, fit_vertical

#: A ratio of lengths this close (relative) to the ratio of two units is a unit mix-up.
UNIT_RATIO_TOLERANCE = 2e-3


def solve(pairs: Sequence[Pair], settings: Optional[Settings] = None) -> Tie:
    """Solve a tie.

    Parameters
    ----------
    pairs : sequence of Pair
        As read by `read_pairs` or made by hand. Their order does not matter.
    settings : Settings, optional
        Pass ``tie.settings`` of an earlier tie to keep its base projection.

    Returns
    -------
    Tie

    Raises
    ------
    InputError, SettingsError, FrameError, GeometryError
        Each says what is wrong, where, and what to do.
    """
    return _solve(pairs, settings or Settings(), refuse_unit_mixup=True)


def _solve(pairs: Sequence[Pair], settings: Settings, refuse_unit_mixup: bool) -> Tie:
    pairs = tuple(pairs)
    _refuse_unusable(pairs, settings)
    settings, base = freeze_base(pairs, settings)
    geoid = open_geoid(settings.geoid) if settings.geoid else None
    arrays = pair_arrays(pairs, settings, base, geoid)
    if refuse_unit_mixup:
        _refuse_unit_mixup(pairs, base, arrays, settings)
    horizontal = _fit_horizontal(pairs, arrays, settings)
    vertical = _fit_vertical(pairs, arrays, settings)
    rows, statistics = _judge(pairs, arrays, settings, base, horizontal, vertical)
    return Tie(
        kind="solved",
        settings=settings,
        base=base,
        geoid=geoid,
        horizontal=horizontal.part,
        vertical=None if vertical is None else vertical.part,
        pairs=tuple(map(_without_folder, pairs)),
        rows=rows,
        statistics=statistics,
        repeats=repeat_spreads(pairs, horizontal, vertical, arrays, settings),
        provenance=provenance(),
        cautions=base.cautions
        + frame_cautions(pairs, settings)
        + _cautions(pairs, horizontal, settings),
    )


def _without_folder(pair: Pair) -> Pair:
    """The pair with the name of its file alone: where the file lay is no part of the tie."""
    if pair.file is None or os.path.basename(pair.file) == pair.file:
        return pair
    return dataclasses.replace(pair, file=os.path.basename(pair.file))


def freeze_base(pairs: Sequence[Pair], settings: Settings) -> Tuple[Settings, BaseProjection]:
    """The base projection of the settings, or a local one centred on the fit pairs.

    Returns
    -------
    settings with the projection (and the datum operation, where there is one) written in, and
    the projection.
    """
    fit = [p for p in pairs if p.horizontal is Role.FIT]
    latitude, longitude, _ = positions_in_one_frame(fit, settings)
    if settings.base_crs is None:
        crs = local_transverse_mercator(settings.observation_crs, latitude, longitude)
        settings = settings.replace(base_crs=crs)
    near = tuple(round(angle, 2) for angle in middle(latitude, longitude))
    base = base_projection(
        settings.base_crs, settings.observation_crs, datum_operation=settings.datum_operation,
        epoch=settings.observation_epoch, near=near,
    )
    if settings.datum_operation is None and base.datum_operation is not None:
        settings = settings.replace(datum_operation=base.datum_operation)
    return settings, base


def provenance() -> Provenance:
    """The versions in use."""
    database = pyproj.database.get_database_metadata("EPSG.VERSION") or "unknown"
    return Provenance(VERSION, platform.python_version(), np.__version__, pyproj.__version__,
                      pyproj.proj_version_str, f"EPSG {database}")


def _refuse_unusable(pairs: Tuple[Pair, ...], settings: Settings) -> None:
    if not pairs:
        raise InputError("There are no pairs.", "Give at least one pair.")
    for pair in pairs:
        if not isinstance(pair, Pair):
            raise InputError(
                f"{type(pair).__name__} is not a Pair.", "Make pairs with Pair or read_pairs."
            )
    refuse_contradictions(pairs)
    if not any(p.horizontal is Role.FIT for p in pairs):
        raise GeometryError(
            "No pair has the horizontal role fit, so nothing drives the horizontal solution.",
            "Set at least one pair to fit (two for rotation and scale).",
        )
    if settings.vertical_model is not None and not any(p.vertical is Role.FIT for p in pairs):
        raise GeometryError(
            f"No pair has the vertical role fit, but the settings ask for a vertical "
            f"{settings.vertical_model}.",
            "Set pairs with heights and elevations to fit, or set vertical_model to None for a "
            "horizontal tie only.",
        )


def _fit_horizontal(pairs, arrays: PairArrays, settings: Settings) -> HorizontalFit:
    marks = side_marks(pairs, arrays, settings, "horizontal", Role.FIT)
    first = [mark.rows[0] for mark in marks]
    return fit_horizontal(
        marks, arrays.control[first], arrays.control_covariance[first], settings
    )


def _fit_vertical(pairs, arrays: PairArrays, settings: Settings) -> Optional[VerticalFit]:
    if settings.vertical_model is None:
        return None
    marks = side_marks(pairs, arrays, settings, "vertical", Role.FIT)
    first = [mark.rows[0] for mark in marks]
    return fit_vertical(
        marks, np.array([mark.weighted(arrays.base) for mark in marks]), arrays.elevation[first],
        arrays.elevation_variance[first], settings,
    )


def side_marks(pairs, arrays: PairArrays, settings, side: str, role: Role) -> Tuple[Mark, ...]:
    """The marks of one role on one side; vertically of height less undulation, metres."""
    roles = [getattr(pair, side) for pair in pairs]
    if side == "horizontal":
        values, covariances = arrays.base, arrays.base_covariance
    else:
        values = (arrays.height - arrays.undulation)[:, None]
        covariances = arrays.height_variance[:, None, None]
    return group_marks(pairs, roles, role, values, covariances, settings.session_correlation)


def _judge(pairs, arrays, settings, base, horizontal: HorizontalFit,
           vertical: Optional[VerticalFit]):
    """The residual rows and the statistics of both parts."""
    sides: List[List[ComponentResult]] = []
    summaries: List[Optional[PartStatistics]] = []
    for side, fit in (("horizontal", horizontal), ("vertical", vertical)):
        if fit is None:
            sides.append([ComponentResult(role=getattr(p, side).value) for p in pairs])
            summaries.append(None)
            continue
        checks = side_marks(pairs, arrays, settings, side, Role.CHECK)
        results = component_results(pairs, side, fit, checks, arrays, settings)
        sides.append(results)
        summaries.append(part_statistics(pairs, side, fit, results, settings))
    statistics = TieStatistics(*summaries)
    covariances = pair_covariances(
        pairs, arrays, settings, base, horizontal, vertical, statistics, sides)
    counts: dict = {}
    for pair in pairs:
        counts[pair.control.id] = counts.get(pair.control.id, 0) + 1
    rows = tuple(
        PairResidual(
            control_id=pair.control.id, observation_id=pair.observation.id,
            horizontal=h, vertical=v, covariance=covariance, repeated=counts[pair.control.id],
        )
        for pair, h, v, covariance in zip(pairs, *sides, covariances)
    )
    return rows, statistics


def _refuse_unit_mixup(pairs, base: BaseProjection, arrays: PairArrays, settings) -> None:
    """Refuse control that is larger or smaller than the observations by the ratio of two units."""
    rows = [i for i, pair in enumerate(pairs) if pair.horizontal is Role.FIT]
    observed, control = arrays.base[rows], arrays.control[rows]
    extent = np.linalg.norm(observed - observed.mean(axis=0))
    if extent == 0.0:
        return
    point_scale = float(np.mean(base.point_scale(arrays.latitude[rows], arrays.longitude[rows])))
    scale = point_scale * np.linalg.norm(control - control.mean(axis=0)) / extent
    for unit in UNITS.values():
        ratio = settings.site_length.metres / unit.metres
        if abs(ratio - 1.0) > 0.1 and abs(scale / ratio - 1.0) < UNIT_RATIO_TOLERANCE:
            remedy = ('Set site_unit to "m", or convert the control.' if unit.code == "m" else
                      'Find out which foot it is and set site_unit to "ft" or "us-ft", or convert '
                      "the control.")
            raise GeometryError(
                f"The control points lie {scale:.4f} times as far apart as the observations: "
                f"their coordinates look like {'metres' if unit.code == 'm' else 'feet'}, but the "
                f"site unit is the {settings.site_length.name}.", remedy,
            )


def _cautions(pairs, horizontal: HorizontalFit, settings: Settings) -> Tuple[str, ...]:
    said = []
    if settings.horizontal_model == "affine":
        said.append(
            "An affine deforms: lines change length by direction and right angles are lost. It "
            "wants at least four well-spread fit pairs, and a reason."
        )
    shared = {p.control.id for p in pairs if p.horizontal is Role.FIT} & {
        p.control.id for p in pairs if p.horizontal is Role.CHECK}
    if shared:
        said.append(
            f"{', '.join(sorted(shared))}: used for both fit and check, so the check is not "
            "independent of the control coordinates."
        )
    return tuple(said)
