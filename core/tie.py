"""The tie: a solved (or typed) relation between observations and site grid, as a value."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Dict, Optional, Tuple

import numpy as np

from .errors import InputError
from .geoid import Geoid
from .horizontal import HorizontalPart
from .pairs import Pair
from .parameters import ParameterTable, parameter_table
from .products import product
from .projection import BaseProjection
from .quantiles import region_factor
from .results import PairResidual, RepeatSpread, ResidualTable, TieStatistics
from .settings import Settings
from .vertical import VerticalPart

if TYPE_CHECKING:
    from .plain_projection import PlainProjection


@dataclass(frozen=True)
class Provenance:
    """What a tie was made with."""

    sitetie: str
    python: str
    numpy: str
    pyproj: str
    proj: str
    proj_database: str


@dataclass(frozen=True)
class Tie:
    """Immutable and complete: pairs, settings, parameters, covariance, statistics, provenance.

    A tie is made by `solve` or from published parameters, and known by its content (`id`).
    It can be pickled and used from several threads; every method takes scalars or arrays.

    Attributes
    ----------
    kind : str
        ``solved`` or ``typed``.
    settings : Settings
        With the base projection frozen; solve later pairs with these.
    base : BaseProjection
    geoid : Geoid or None
    horizontal : HorizontalPart
    vertical : VerticalPart or None
    pairs : tuple of Pair
    rows : tuple of PairResidual
        See `residuals`.
    statistics : TieStatistics
    repeats : tuple of RepeatSpread
    provenance : Provenance
    accuracy_h, accuracy_v : float or None
        Of a typed tie: stated standard deviations in metres, per axis and vertical.
    source : str
        Of a typed tie: where the parameters were published.
    cautions : tuple of str
        Sentences a person should read before using the tie.
    """

    kind: str
    settings: Settings
    base: BaseProjection
    geoid: Optional[Geoid]
    horizontal: HorizontalPart
    vertical: Optional[VerticalPart]
    pairs: Tuple[Pair, ...]
    rows: Tuple[PairResidual, ...]
    statistics: TieStatistics
    repeats: Tuple[RepeatSpread, ...]
    provenance: Provenance
    accuracy_h: Optional[float] = None
    accuracy_v: Optional[float] = None
    source: str = ""
    cautions: Tuple[str, ...] = ()

    # -- identity and storage ---------------------------------------------------------------

    @cached_property
    def id(self) -> str:
        """SHA-256 of the content, in hexadecimal."""
        from .tie_file import content_hash

        return content_hash(self)

    @property
    def short_id(self) -> str:
        """The first eight digits of `id`, for people."""
        return self.id[:8]

    def save(self, path) -> None:
        """Write the tie to a JSON file, all or nothing.

        Raises
        ------
        OutputError
        """
        from .tie_file import save_tie

        save_tie(self, path)

    @staticmethod
    def load(path) -> "Tie":
        """Read a tie file of this or any earlier version.

        Raises
        ------
        TieFileError
        """
        from .tie_file import load_tie

        return load_tie(path)

    # -- there and back ----------------------------------------------------------------------

    def to_site(self, latitude, longitude, height=None):
        """Site coordinates of geodetic positions.

        Parameters
        ----------
        latitude, longitude : float or array
            Degrees in the observation CRS.
        height : float or array, optional
            Ellipsoidal height of the point in metres; without it the elevation is NaN.

        Returns
        -------
        easting, northing, elevation
            Site units and elevation units; floats for scalars, else arrays.

        Raises
        ------
        InputError
            When a position is not finite or cannot be projected.
        FrameError
            When the geoid grid does not cover a position.
        """
        latitude, longitude, height = _positions(latitude, longitude, height)
        scalar = latitude.ndim == 0
        base = self._base_plane(latitude, longitude, height)
        site = self.horizontal.apply(base) / self.settings.site_length.metres
        elevation = self._elevation(latitude, longitude, height, base)
        return _shaped(scalar, site[..., 0], site[..., 1], elevation)

    def _elevation(self, latitude, longitude, height, base):
        if height is None or self.vertical is None:
            return np.full(base.shape[:-1], np.nan)
        metres = height + self.vertical.correction(base)
        if self.geoid is not None:
            metres = metres - self.geoid.undulation(latitude, longitude)
        return metres / self.settings.elevation_length.metres

    def to_geodetic(self, easting, northing, elevation=None):
        """Geodetic positions of site coordinates.

        Parameters
        ----------
        easting, northing, elevation : float or array
            Site units and elevation units.

        Returns
        -------
        latitude, longitude, height
            Degrees and ellipsoidal metres in the observation CRS; the height is NaN without an
            elevation or a vertical part.

        Raises
        ------
        InputError
            When a coordinate is not finite or cannot be carried back.
        FrameError
            When the geoid grid does not cover a position.
        """
        easting, northing, elevation = _numbers(
            easting=easting, northing=northing, elevation=elevation
        )
        scalar = easting.ndim == 0
        site = np.stack([easting, northing], axis=-1)
        base = self.horizontal.invert(site * self.settings.site_length.metres)
        level = np.full(base.shape[:-1], np.nan)
        if elevation is not None and self.vertical is not None:
            level = (elevation * self.settings.elevation_length.metres
                     - self.vertical.correction(base))
        height = level
        rounds = 4 if self.base.depends_on_height and self.geoid is not None else 2
        for _ in range(rounds):
            latitude, longitude = self.base.to_geodetic(
                base[..., 0], base[..., 1], np.nan_to_num(height)
            )
            if self.geoid is None:
                break
            height = level + self.geoid.undulation(latitude, longitude)
        if not np.isfinite(latitude).all():
            raise InputError(
                f"A site coordinate lies beyond what {self.base.name} can carry back.",
                "Check easting, northing and their unit.",
            )
        return _shaped(scalar, latitude, longitude, height)

    # -- uncertainty -------------------------------------------------------------------------

    def covariance(self, latitude, longitude, height=None, observation_covariance=None):
        """Covariance of restated points.

        Parameters
        ----------
        latitude, longitude : float or array of n
            Degrees.
        height : float or array, optional
            Metres; matters only where the base plane feels the height.
        observation_covariance : (3, 3) or (n, 3, 3) array, optional
            Of the observation along local east, north, up, square metres, independent of the
            pairs. Left out, the position is taken as exact and the covariance is the tie's own.

        Returns
        -------
        (n, 3, 3) array
            Easting, northing, elevation in site and elevation units squared; (1, 3, 3) for a
            scalar position. NaN for what is unknown (no vertical part, or a typed tie without a
            stated accuracy). When the chi-square test rejects, everything is scaled up by the
            estimated variance factor.
        """
        latitude, longitude, base, design = self._located(latitude, longitude, height)
        covariance = product(design, self._joint_cofactor, np.swapaxes(design, 1, 2))
        if observation_covariance is not None:
            turn = self.observation_jacobian(latitude, longitude)
            given = _covariances(observation_covariance, len(latitude))
            noise = product(turn, given, np.swapaxes(turn, 1, 2))
            root = np.sqrt(self._factors)[[0, 0, 1]]
            covariance = covariance + noise * root[:, None] * root
        if self.vertical is None:
            covariance[:, 2, :] = covariance[:, :, 2] = np.nan
        return self._to_units(covariance)

    def cross_covariance(self, latitude, longitude, other_latitude, other_longitude):
        """(n, 3, 3) covariance between the tie's errors at two points, units as `covariance`.

        The covariance of a difference between two restated points is the sum of their own less
        this matrix and its transpose.
        """
        first = self._located(latitude, longitude, None)[3]
        second = self._located(other_latitude, other_longitude, None)[3]
        covariance = product(first, self._joint_cofactor, np.swapaxes(second, 1, 2))
        if self.vertical is None:
            covariance[:, 2, :] = covariance[:, :, 2] = np.nan
        return self._to_units(covariance)

    def default_observation_covariance(self) -> np.ndarray:
        """(3, 3) covariance of an observation with the assumed default sigmas, square metres."""
        h, v = self.settings.gnss_sigma_h**2, self.settings.gnss_sigma_v**2
        return np.diag([h, h, v])

    def region_factor(self, dimension: int) -> float:
        """Factor on a standard deviation for a region at the confidence of the settings.

        Parameters
        ----------
        dimension : int
            2 for the horizontal region (an ellipse's half axes are this times the root of the
            eigenvalues), 1 for the vertical interval.
        """
        part = self.statistics.horizontal if dimension == 2 else self.statistics.vertical
        freedom = None if part is None else part.region_redundancy
        return region_factor(self.settings.confidence, dimension, freedom)

    def pair_region_factor(self, row: PairResidual, dimension: int) -> float:
        """The same for the restated position of a pair's own observation (`row.covariance`).

        A fit pair's region is scaled by what the other pairs say of the sigmas; its factor
        differs where they say something else than all together.

        Parameters
        ----------
        row : PairResidual
            Of this tie.
        dimension : int
            See `region_factor`.
        """
        part = row.horizontal if dimension == 2 else row.vertical
        if part.own_factor is None:
            return self.region_factor(dimension)
        return region_factor(self.settings.confidence, dimension, part.own_redundancy)

    def _located(self, latitude, longitude, height):
        latitude, longitude, height = _positions(latitude, longitude, height)
        latitude, longitude = np.atleast_1d(latitude, longitude)
        base = self._base_plane(latitude, longitude, height)
        design = self.horizontal.design(base)
        if self.vertical is None:
            return latitude, longitude, base, _stacked(design, np.zeros((len(base), 1, 1)))
        return latitude, longitude, base, _stacked(design, self.vertical.design(base))

    def _base_plane(self, latitude, longitude, height) -> np.ndarray:
        """(..., 2) base metres of positions; an unknown height counts as 0."""
        plane_height = None if height is None else np.nan_to_num(height)
        base = np.stack(self.base.to_base(latitude, longitude, plane_height), axis=-1)
        if not np.isfinite(base).all():
            raise InputError(
                f"A position cannot be projected by {self.base.name}.",
                "Check latitude and longitude, and that the base projection covers them.",
            )
        return base

    @cached_property
    def _factors(self) -> np.ndarray:
        parts = (self.statistics.horizontal, self.statistics.vertical)
        return np.array([1.0 if part is None else part.applied_factor for part in parts])

    @cached_property
    def _joint_cofactor(self) -> np.ndarray:
        """Covariance of all parameters, metres; horizontal first, scaled by applied factors."""
        horizontal = self._part_cofactor(self.horizontal, self.accuracy_h, 2) * self._factors[0]
        if self.vertical is None:
            vertical = np.zeros((1, 1))
        else:
            vertical = self._part_cofactor(self.vertical, self.accuracy_v, 1) * self._factors[1]
        return _block_diagonal(horizontal, vertical)

    def part_covariance(self, side: str) -> np.ndarray:
        """(u, u) covariance of the parameters of one side, in metres; NaN where it is unknown."""
        count = len(self.horizontal.names)
        if side == "horizontal":
            return self._joint_cofactor[:count, :count]
        return self._joint_cofactor[count:, count:]

    def _part_cofactor(self, part, accuracy, dimension) -> np.ndarray:
        count = len(part.values)
        if part.cofactor is not None:
            return np.array(part.cofactor)
        cofactor = np.zeros((count, count))
        for i in range(dimension):
            cofactor[i, i] = np.nan if accuracy is None else accuracy**2
        return cofactor

    def observation_jacobian(self, latitude, longitude) -> np.ndarray:
        """(n, 3, 3) site metres per metre of local east, north, up."""
        plane = self.base.jacobian(latitude, longitude)
        jacobian = np.zeros((len(latitude), 3, 3))
        jacobian[:, :2, :2] = product(np.array(self.horizontal.matrix), plane)
        jacobian[:, 2, 2] = 1.0
        if self.vertical is not None:
            jacobian[:, 2, :2] = product(np.array(self.vertical.slopes), plane)
        return jacobian

    def _to_units(self, covariance: np.ndarray) -> np.ndarray:
        h, v = self.settings.site_length.metres, self.settings.elevation_length.metres
        unit = np.array([h, h, v])
        return covariance / (unit[:, None] * unit)

    # -- what it says ------------------------------------------------------------------------

    @cached_property
    def residuals(self) -> ResidualTable:
        """Solved minus given for every pair, with tests and verdicts."""
        return ResidualTable(self.rows)

    @cached_property
    def parameters(self) -> ParameterTable:
        """Names, values, sigmas, units and meanings, about the centroid and the base origin."""
        return parameter_table(
            self.settings, self.horizontal, self.vertical, *map(float, self._factors)
        )

    @property
    def parameter_names(self) -> Tuple[str, ...]:
        """Order of `parameter_covariance`: names as in `parameters`."""
        named: Dict[str, str] = {"easting": "easting_at_centroid",
                                 "northing": "northing_at_centroid", "shift": "vertical_shift"}
        vertical = () if self.vertical is None else self.vertical.names
        return tuple(named.get(name, name) for name in self.horizontal.names + vertical)

    @property
    def parameter_covariance(self) -> np.ndarray:
        """(k, k) covariance of the solved parameters about the centroid, see `parameter_names`.

        Site or elevation units for shifts, radians for the rotation, plain ratios for the scale
        and the numbers of an affine, metres per metre for slopes.
        """
        vertical = 0 if self.vertical is None else len(self.vertical.names)
        count = len(self.horizontal.names)
        unit = np.ones(count + vertical)
        unit[:2] = self.settings.site_length.metres
        if vertical:
            unit[count] = self.settings.elevation_length.metres
        covariance = self._joint_cofactor[: count + vertical, : count + vertical]
        return covariance / (unit[:, None] * unit)

    # -- for other programs ------------------------------------------------------------------

    def crs_wkt(self, name: str = "") -> str:
        """WKT 2:2019 of the site grid as a CRS (two-dimensional); see `site_crs`."""
        from .site_crs import site_crs_wkt

        return site_crs_wkt(self, name)

    def pipeline(self, backward: bool = False) -> str:
        """PROJ pipeline, longitude, latitude, height to the site in 3-D, or back.

        See `site_pipeline`.
        """
        from .site_pipeline import site_pipeline, site_pipeline_back

        return site_pipeline_back(self) if backward else site_pipeline(self)

    def plain_projection(self, limit: float, **choices) -> "PlainProjection":
        """The best-fitting standard projection, for programs that know no others.

        Parameters
        ----------
        limit : float
            The largest deviation from the tie that may be, site units.
        **choices
            `area`, `method`, `name`; see `plain_projection.plain_projection`.

        Raises
        ------
        GeometryError
            When the deviation is larger; the message says how large.
        """
        from .plain_projection import plain_projection

        return plain_projection(self, limit, **choices)

    # -- the plane alone ---------------------------------------------------------------------

    def base_to_site(self, easting, northing):
        """Site easting, northing (site units) of base-plane coordinates in metres."""
        base = np.stack(_numbers(easting=easting, northing=northing), axis=-1)
        site = self.horizontal.apply(base) / self.settings.site_length.metres
        return _shaped(base.ndim == 1, site[..., 0], site[..., 1])

    def site_to_base(self, easting, northing):
        """Base-plane easting, northing in metres of site coordinates (site units)."""
        site = np.stack(_numbers(easting=easting, northing=northing), axis=-1)
        base = self.horizontal.invert(site * self.settings.site_length.metres)
        return _shaped(site.ndim == 1, base[..., 0], base[..., 1])


#: Where these are NaN or left out, the point has none.
_MAY_LACK = ("height", "elevation")


def _numbers(**given):
    """The given values as float arrays of one shape, in the order given; None stays None."""
    arrays = {}
    for name, values in given.items():
        if values is None and name in _MAY_LACK:
            continue
        try:
            array = np.asarray(values, dtype=float)
        except (TypeError, ValueError):
            raise InputError(f"{name} is not a number.", "Give numbers.") from None
        bad = np.isinf(array) if name in _MAY_LACK else ~np.isfinite(array)
        if bad.any():
            at = f" at place {int(np.argmax(bad))}" if array.ndim else ""
            raise InputError(f"{name} is {array[bad][0]}{at}.", "Give a finite number.")
        arrays[name] = array
    try:
        shaped = dict(zip(arrays, np.broadcast_arrays(*arrays.values())))
    except ValueError:
        shapes = ", ".join(f"{name} {array.shape}" for name, array in arrays.items())
        raise InputError(
            f"The shapes do not go together: {shapes}.", "Give as many of one as of the other."
        ) from None
    return tuple(shaped.get(name) for name in given)


def _positions(latitude, longitude, height=None):
    latitude, longitude, height = _numbers(latitude=latitude, longitude=longitude, height=height)
    for name, values, limit in (("latitude", latitude, 90.0), ("longitude", longitude, 360.0)):
        outside = np.abs(values) > limit
        if outside.any():
            raise InputError(
                f"{name} {values[outside][0]} is outside -{limit:.0f} to {limit:.0f} degrees.",
                "Correct it, or exchange latitude and longitude.",
            )
    return latitude, longitude, height


def _covariances(given, count: int) -> np.ndarray:
    """The given (3, 3) or (n, 3, 3) as (n, 3, 3)."""
    try:
        return np.broadcast_to(np.asarray(given, dtype=float), (count, 3, 3))
    except (TypeError, ValueError):
        raise InputError(
            f"observation_covariance has the shape {np.shape(given)}.",
            f"Give one (3, 3) matrix, or one for each of the {count} positions.",
        ) from None


def _shaped(scalar: bool, *arrays):
    if scalar:
        return tuple(float(values) for values in arrays)
    return arrays


def _stacked(horizontal: np.ndarray, vertical: np.ndarray) -> np.ndarray:
    count, _, first = horizontal.shape
    design = np.zeros((count, 3, first + vertical.shape[2]))
    design[:, :2, :first] = horizontal
    design[:, 2:, first:] = vertical
    return design


def _block_diagonal(first: np.ndarray, second: np.ndarray) -> np.ndarray:
    size = len(first)
    joint = np.zeros((size + len(second),) * 2)
    joint[:size, :size] = first
    joint[size:, size:] = second
    return joint
