"""Vertical models: height to site elevation, in metres.

``elevation = height - undulation + shift + slope_e * x + slope_n * y`` with x, y metres in the
base plane from the centroid of the fit marks, and undulation 0 when working over the ellipsoid.
A tilted plane is EPSG method 1046 written in base-plane metres.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Optional, Sequence, Tuple, cast

import numpy as np

from .adjustment import Adjustment, adjust
from .errors import GeometryError
from .horizontal import WIDER_THAN
from .marks import Mark
from .settings import Settings

FEWEST = {"shift": 1, "plane": 3}
#: Position uncertainty in metres that decides whether marks lie in one line; a tilt across a
#: narrower band would be noise. Common practice, no source.
NARROW = 0.05


@dataclass(frozen=True)
class VerticalPart:
    """A solved or typed vertical model.

    Attributes
    ----------
    model : str
        ``shift`` or ``plane``.
    centroid : (float, float)
        Base easting, northing in metres.
    names, values : tuples
        ``shift`` in metres; ``slope_east``, ``slope_north`` in metres per base metre.
    cofactor : tuple of tuples of float, or None
        Covariance for a variance factor of 1; None for typed parameters.
    """

    model: str
    centroid: Tuple[float, float]
    names: Tuple[str, ...]
    values: Tuple[float, ...]
    cofactor: Optional[Tuple[Tuple[float, ...], ...]] = None

    @property
    def slopes(self) -> Tuple[float, float]:
        """Metres of elevation per base metre towards base east and north."""
        return self.values[1:] if self.model == "plane" else (0.0, 0.0)  # type: ignore

    def correction(self, base: np.ndarray) -> np.ndarray:
        """(...) metres to add to height less undulation at (..., 2) base points."""
        offset = np.asarray(base) - self.centroid
        east, north = self.slopes
        return self.values[0] + (east * offset[..., 0] + north * offset[..., 1])

    def design(self, base: np.ndarray) -> np.ndarray:
        """(n, 1, u) change of the elevation per change of the parameters."""
        return _design(self.model, np.asarray(base) - self.centroid)


@dataclass(frozen=True)
class VerticalFit:
    """The part together with the adjustment it came from (not stored)."""

    part: VerticalPart
    adjustment: Adjustment
    marks: Tuple[Mark, ...]
    without: None = None

    @property
    def deleted_residuals(self) -> np.ndarray:
        """(m, 1) leave-one-out residuals; exact, both models being linear."""
        return self.adjustment.deleted_residuals


def fit_vertical(
    marks: Sequence[Mark],
    base: np.ndarray,
    elevation: np.ndarray,
    elevation_variance: np.ndarray,
    settings: Settings,
) -> VerticalFit:
    """Solve a vertical model from combined fit marks.

    Parameters
    ----------
    marks : marks whose mean is height less undulation, in metres
    base : (m, 2) array
        Base positions of the marks.
    elevation, elevation_variance : (m,) arrays
        Of the control, metres.

    Raises
    ------
    GeometryError
        With too few marks, or marks in one line for a plane.
    """
    model = cast(str, settings.vertical_model)  # not called without one
    need = FEWEST[model]
    if len(marks) < need:
        raise GeometryError(
            f"A vertical {model} needs at least {need} fit "
            f"{'pair' if need == 1 else 'pairs at different marks'}; there "
            f"{'is' if len(marks) == 1 else 'are'} {len(marks)} with the vertical role fit.",
            "Set more pairs to fit for the vertical, choose the shift, or set vertical_model to "
            "None for a horizontal tie only.",
        )
    centroid = base.mean(axis=0)
    offsets = base - centroid
    if model == "plane":
        _refuse_line(offsets)
    height = np.array([mark.mean[0] for mark in marks])
    variance = np.array([mark.covariance[0, 0] for mark in marks]) + elevation_variance
    adjustment = adjust(
        _design(model, offsets), (elevation - height)[:, None], variance[:, None, None]
    )
    names = ("shift",) if model == "shift" else ("shift", "slope_east", "slope_north")
    part = VerticalPart(
        model=model,
        centroid=(float(centroid[0]), float(centroid[1])),
        names=names,
        values=tuple(map(float, adjustment.parameters)),
        cofactor=tuple(tuple(map(float, row)) for row in adjustment.cofactor),
    )
    return VerticalFit(part, adjustment, tuple(marks))


def _design(model: str, offsets: np.ndarray) -> np.ndarray:
    ones = np.ones((len(offsets), 1))
    rows = ones if model == "shift" else np.hstack([ones, offsets])
    return rows[:, None, :]


def _refuse_line(offsets: np.ndarray) -> None:
    extents = np.linalg.svd(offsets, compute_uv=False) / np.sqrt(len(offsets))
    if extents[1] < WIDER_THAN * NARROW:
        raise GeometryError(
            f"The fit pairs lie in one line to within {extents[1]:.2f} m; the tilt across it "
            "cannot be found.",
            "Add a fit pair away from the line, or choose the vertical shift.",
        )
