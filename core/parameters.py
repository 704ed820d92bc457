"""The parameters of a tie as a person reads them: name, value, sigma, unit, meaning."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Iterator, Optional, Sequence, Tuple

import numpy as np

from .horizontal import HorizontalPart
from .products import product
from .settings import Settings
from .vertical import VerticalPart

ARC_SECONDS = 180.0 * 3600.0 / np.pi
ROTATION_SENSE = (
    "Rotation is counter-clockwise positive: turning a base-grid direction by it gives the site "
    "direction, so site bearing = base-grid bearing - rotation."
)


@dataclass(frozen=True)
class Parameter:
    """One number of a tie.

    Attributes
    ----------
    name, unit, meaning : str
    value : float
    sigma : float or None
        Standard deviation, None where unknown.
    """

    name: str
    value: float
    sigma: Optional[float]
    unit: str
    meaning: str


class ParameterTable(Sequence):
    """The parameters, by position or by name.

    Attributes
    ----------
    about_centroid, about_origin : tuples of Parameter
    rotation_sense : str
    """

    rotation_sense = ROTATION_SENSE

    def __init__(self, centroid: Sequence[Parameter], origin: Sequence[Parameter]) -> None:
        self.about_centroid = tuple(centroid)
        self.about_origin = tuple(origin)

    def _all(self) -> Tuple[Parameter, ...]:
        return self.about_centroid + self.about_origin

    def __len__(self) -> int:
        return len(self._all())

    def __getitem__(self, key):
        if isinstance(key, str):
            for parameter in self._all():
                if parameter.name == key:
                    return parameter
            raise KeyError(f"{key}; the parameters are {', '.join(self.names)}")
        return self._all()[key]

    def __iter__(self) -> Iterator[Parameter]:
        return iter(self._all())

    @property
    def names(self) -> Tuple[str, ...]:
        return tuple(parameter.name for parameter in self._all())


def parameter_table(
    settings: Settings,
    horizontal: HorizontalPart,
    vertical: Optional[VerticalPart],
    horizontal_factor: float,
    vertical_factor: float,
) -> ParameterTable:
    """Describe the parameters, with covariances scaled by the applied variance factors."""
    site = settings.site_length
    covariance = _scaled(horizontal.cofactor, horizontal_factor)
    e, n = horizontal.centroid
    te, tn = horizontal.translation
    m = np.array(horizontal.matrix)
    unit = site.code
    middle = "reference point" if covariance is None else "centroid"
    marks = " of the fit marks" if covariance is not None else ""
    about = [
        Parameter("base_easting_centroid", e, None, "m",
                  f"base easting of the {middle}{marks}"),
        Parameter("base_northing_centroid", n, None, "m",
                  f"base northing of the {middle}{marks}"),
        Parameter("easting_at_centroid", te / site.metres,
                  _sigma(covariance, 0, 1.0 / site.metres), unit, f"site easting of the {middle}"),
        Parameter("northing_at_centroid", tn / site.metres,
                  _sigma(covariance, 1, 1.0 / site.metres), unit, f"site northing of the {middle}"),
    ]
    about += _shape(horizontal, covariance)
    about += _vertical(settings, vertical, vertical_factor)

    origin_e, origin_n = np.array([te, tn]) - product(m, np.array([e, n]))
    at_origin = horizontal.design(np.array([[0.0, 0.0]]))[0]
    spread = None if covariance is None else product(at_origin, covariance, at_origin.T)
    origin = [
        Parameter("easting_at_origin", origin_e / site.metres, _sigma(spread, 0, 1 / site.metres),
                  unit, "site easting of the base origin (0, 0): A0 of EPSG 9624"),
        Parameter("northing_at_origin", origin_n / site.metres, _sigma(spread, 1, 1 / site.metres),
                  unit, "site northing of the base origin (0, 0): B0 of EPSG 9624"),
    ]
    names = (("a1", 0, 0, "easting"), ("a2", 0, 1, "easting"),
             ("b1", 1, 0, "northing"), ("b2", 1, 1, "northing"))
    for name, row, column, word in names:
        towards = "easting" if column == 0 else "northing"
        origin.append(
            Parameter(name, m[row, column] / site.metres, None, f"{unit}/m",
                      f"change of site {word} per metre of base {towards} (EPSG 9624)")
        )
    return ParameterTable(about, origin)


def _shape(part: HorizontalPart, covariance) -> list:
    if part.model == "affine":
        labels = {"m_ee": ("easting", "easting"), "m_en": ("easting", "northing"),
                  "m_ne": ("northing", "easting"), "m_nn": ("northing", "northing")}
        rows = [
            Parameter(name, part.values[i], _sigma(covariance, i, 1.0), "1",
                      f"change of site {labels[name][0]} per base {labels[name][1]}")
            for i, name in enumerate(part.names) if name in labels
        ]
        values = np.linalg.svd(np.array(part.matrix), compute_uv=False)
        rows += [
            Parameter("rotation", np.degrees(part.rotation), None, "deg",
                      "rotation of the closest similarity, counter-clockwise"),
            Parameter("scale", part.scale, None, "1", "root of the areal scale"),
            Parameter("distortion", 1e6 * (values[0] / values[1] - 1.0), None, "ppm",
                      "how much longer a line comes out in one direction than in another"),
        ]
        return rows
    sigma = {name: _sigma(covariance, i, 1.0) for i, name in enumerate(part.names)}
    turn = sigma.get("rotation", 0.0 if covariance is not None else None)
    return [
        Parameter("rotation", np.degrees(part.rotation),
                  None if turn is None else np.degrees(turn), "deg",
                  "counter-clockwise turn from base-grid direction to site direction"),
        Parameter("scale", part.scale,
                  sigma.get("scale", 0.0 if covariance is not None else None), "1",
                  "site length over base-grid length"),
    ]


def _vertical(settings: Settings, part: Optional[VerticalPart], factor: float) -> list:
    if part is None:
        return []
    unit = settings.elevation_length
    covariance = _scaled(part.cofactor, factor)
    over = "geoid" if settings.geoid else "ellipsoid"
    rows = [
        Parameter("vertical_shift", part.values[0] / unit.metres,
                  _sigma(covariance, 0, 1.0 / unit.metres), unit.code,
                  f"elevation less height above the {over}, at the "
                  f"{'reference point' if covariance is None else 'vertical centroid'}"),
    ]
    if part.model == "plane":
        for i, word in ((1, "east"), (2, "north")):
            rows.append(
                Parameter(f"slope_{word}", 1e6 * part.values[i], _sigma(covariance, i, 1e6), "ppm",
                          f"rise of the correction towards base {word} "
                          f"({part.values[i] * ARC_SECONDS:+.3f} arc seconds)")
            )
    return rows


def _scaled(cofactor, factor: float):
    return None if cofactor is None else factor * np.array(cofactor)


def _sigma(covariance, index: int, scale: float) -> Optional[float]:
    if covariance is None:
        return None
    return float(np.sqrt(covariance[index][index]) * scale)
