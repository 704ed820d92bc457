"""The site grid for programs that know only standard projections: the best-fitting plain one.

It is fitted to the tie over the site, written as WKT and as a PROJ string, and each text is read
back and measured against the tie on a dense grid with its edges. What it cannot do is said in a
number: the worst deviation anywhere over the site. It is horizontal only.
"""

from __future__ import annotations

import dataclasses
import math
import warnings
from dataclasses import dataclass
from typing import TYPE_CHECKING, Dict, List, Mapping, NamedTuple, Optional, Tuple

import numpy as np
import pyproj

from .errors import FrameError, GeometryError, InputError, SettingsError, SitetieError
from .frames import geographic_crs
from .pairs import Role
from .projection_fit import Fitted, Target, fit_projection, methods
from .units import LengthUnit
from .wording import length_words, listed, ppm_words

if TYPE_CHECKING:
    from .tie import Tie

#: Easting and northing of two opposite corners, site units: west, south, east, north.
Area = Tuple[float, float, float, float]

#: Places along each side of the area at which the projection is fitted and measured.
FITTED_ALONG, MEASURED_ALONG = 13, 61
#: The area reaches at least this far from the pairs' middle, metres: a single pair has none.
LEAST_REACH = 50.0
#: A better-known method is kept unless another is better by this share of its deviation and by
#: more than this many metres.
WORTH_A_CHANGE, WORTH_METRES = 0.9, 1e-5
#: Text formats: attribute, and what PROJ calls it.
WKT_VERSIONS = (("wkt2", "WKT2_2019"), ("wkt1", "WKT1_GDAL"), ("esri_wkt", "WKT1_ESRI"))
FORMATS = ("wkt2", "wkt1", "esri_wkt", "proj")
_METHODS = {
    "transverse mercator": ("Transverse Mercator", 9807),
    "lambert conformal conic": ("Lambert Conic Conformal (1SP)", 9801),
    "hotine oblique mercator": ("Hotine Oblique Mercator (variant B)", 9815),
}
_PARAMETERS = {
    8801: ("Latitude of natural origin", "degree"),
    8802: ("Longitude of natural origin", "degree"),
    8805: ("Scale factor at natural origin", "unity"),
    8806: ("False easting", "length"), 8807: ("False northing", "length"),
    8811: ("Latitude of projection centre", "degree"),
    8812: ("Longitude of projection centre", "degree"),
    8813: ("Azimuth at projection centre", "degree"),
    8814: ("Angle from Rectified to Skew Grid", "degree"),
    8815: ("Scale factor at projection centre", "unity"),
    8816: ("Easting at projection centre", "length"),
    8817: ("Northing at projection centre", "length"),
}
#: Esri's names of the feet, which PROJ reads but does not write.
_ESRI_UNITS = (("US survey foot", "Foot_US"), ("foot", "Foot"))
#: Decimals; what is rounded off stays below 0.01 mm over 100 km.
_PLACES = {"degree": 10, "unity": 12, "length": 6}


@dataclass(frozen=True)
class Deviation:
    """How far a plain projection and the tie are apart over the site.

    Attributes
    ----------
    worst, rms : float
        Largest and root mean square horizontal distance, site units.
    easting, northing, latitude, longitude : float
        Where it is worst: site units, and degrees in the observation CRS.
    count : int
        Places measured.
    """

    worst: float
    rms: float
    easting: float
    northing: float
    latitude: float
    longitude: float
    count: int


@dataclass(frozen=True)
class PlainProjection:
    """A standard map projection that stands for a tie, within a measured deviation.

    Attributes
    ----------
    method : str
        Name of the method in the EPSG dataset, and its code.
    parameters : tuple of (name, value, unit)
    wkt2, wkt1, esri_wkt, proj : str
        The same CRS as WKT 2:2019, WKT 1 (GDAL's), WKT 1 (Esri's) and as a PROJ string. The
        PROJ string says less about the datum than the others.
    deviation : Deviation
        The worst of the four texts, each read back.
    deviations : mapping
        By format.
    area : Area
        Over which it was fitted and measured, site units.
    unit : LengthUnit
    others : tuple of (str, float)
        The other methods that can be used, and their worst deviations, site units.
    """

    method: str
    parameters: Tuple[Tuple[str, float, str], ...]
    wkt2: str
    wkt1: str
    esri_wkt: str
    proj: str
    deviation: Deviation
    deviations: Mapping[str, Deviation]
    area: Area
    unit: LengthUnit
    others: Tuple[Tuple[str, float], ...]

    @property
    def sentence(self) -> str:
        """The deviation in words."""
        west, south, east, north = self.area
        at = self.deviation
        return (
            f"{self.method} differs from the tie horizontally by {_fine(at.worst, self.unit)} at "
            f"worst, {_fine(at.rms, self.unit)} root mean square, over easting {west:.1f} "
            f"to {east:.1f}, northing {south:.1f} to {north:.1f} ({self.unit.plural}; measured at "
            f"{at.count:,} places, worst at {at.easting:.1f}, {at.northing:.1f})."
        )


class _Place(NamedTuple):
    """Where the tie and a projection are compared: degrees, metres of height, site metres."""

    latitude: np.ndarray
    longitude: np.ndarray
    site: np.ndarray


def plain_projection(
    tie: "Tie",
    limit: float,
    *,
    area: Optional[Area] = None,
    method: Optional[str] = None,
    name: str = "",
) -> PlainProjection:
    """The best-fitting standard projection of a tie.

    Parameters
    ----------
    limit : float
        The largest deviation that may be, site units.
    area : (west, south, east, north), optional
        Site units. The projection must hold here, too; the rectangle round the fit and check pairs
        is always included. A tie without pairs needs it.
    method : str, optional
        One of `projection_fit.methods`; by default the one that fits best, and of those that fit
        equally well the best known.
    name : str, optional
        Of the CRS.

    Raises
    ------
    GeometryError
        When the deviation exceeds the limit, or the site axes are mirrored.
    SettingsError, InputError
        When the limit, the method or the area cannot be used.
    FrameError
        When no method can be used there.
    """
    _refuse_unusable(limit, method)
    _refuse_mirrored(tie)
    whole = site_area(tie, area)
    measured = _places(tie, whole, MEASURED_ALONG)
    target = _target(tie, whole)
    made: List[PlainProjection] = []
    for candidate in methods():
        found = fit_projection(candidate, target) if method in (None, candidate) else None
        if found is not None:
            made.append(_measured(tie, found, name, whole, measured))
    if not made:
        raise FrameError(
            f"None of the standard projections ({listed(_METHODS, 'or')}) can be used there."
            if method is None else f"A {method} projection cannot be used there.",
            "Hand over the site CRS (Tie.crs_wkt) or the site coordinates themselves.",
        )
    best = _chosen(made)
    if not best.deviation.worst <= limit:
        raise _too_far(tie, best, limit)
    left_out = tuple((other.method, other.deviation.worst) for other in made if other is not best)
    return dataclasses.replace(best, others=left_out)


def site_area(tie: "Tie", area: Optional[Area] = None) -> Area:
    """The rectangle round the fit and check pairs and a further area, site units.

    Raises
    ------
    InputError
        When there is neither, or the area has no extent.
    """
    corners: List[Tuple[float, float]] = []
    if area is not None:
        corners += _corners(area)
    given = np.array([(pair.control.easting, pair.control.northing) for pair in tie.pairs
                      if pair.control.has_position and Role.IDLE is not pair.horizontal])
    if len(given):
        middle = (given.min(axis=0) + given.max(axis=0)) / 2.0
        reach = LEAST_REACH / tie.settings.site_length.metres
        corners += [*given, tuple(middle - reach), tuple(middle + reach)]
    if not corners:
        raise InputError(
            "The tie has no fit or check pairs, so nothing says where the site is.",
            "Give the area in site coordinates: west, south, east, north.",
        )
    (west, south), (east, north) = np.min(corners, axis=0), np.max(corners, axis=0)
    return float(west), float(south), float(east), float(north)


def _corners(area: Area) -> List[Tuple[float, float]]:
    try:
        west, south, east, north = (float(value) for value in area)
    except (TypeError, ValueError):
        west = south = east = north = math.nan
    if not (west < east and south < north) or not np.isfinite(
            [west, south, east, north]).all():
        raise InputError(
            f"The area {area!r} is not a rectangle.",
            "Give west, south, east, north in site units, west below east and south below north.",
        )
    return [(west, south), (east, north)]


def _refuse_unusable(limit: float, method: Optional[str]) -> None:
    if isinstance(limit, bool) or not isinstance(limit, (int, float)) or not (
            0.0 < limit < math.inf):
        raise SettingsError(
            f"The limit is {limit!r}.", "Give the largest deviation allowed, in site units."
        )
    if method is not None and method not in methods():
        raise SettingsError(f"{method!r} is not a method.", f"Allowed: {listed(methods(), 'or')}.")


def _refuse_mirrored(tie: "Tie") -> None:
    if np.linalg.det(np.array(tie.horizontal.matrix)) < 0.0:
        raise GeometryError(
            "The axes of the site are mirrored against the map, which no standard projection with "
            "easting and northing can be.",
            "Exchange or reverse one of the site axes, or hand over the site CRS (Tie.crs_wkt).",
        )


# -- places --------------------------------------------------------------------------------------


def _places(tie: "Tie", area: Area, along: int) -> _Place:
    """The tie's own positions on a grid over the area, for each height that matters."""
    west, south, east, north = area
    easting, northing = (grid.ravel() for grid in np.meshgrid(
        np.linspace(west, east, along), np.linspace(south, north, along)))
    latitude, longitude, _ = tie.to_geodetic(easting, northing)
    found = []
    for height in _heights(tie):
        site = tie.to_site(latitude, longitude, np.full(latitude.shape, height))[:2]
        found.append((latitude, longitude, np.stack(site, axis=1)))
    latitudes, longitudes, sites = zip(*found)
    return _Place(np.concatenate(latitudes), np.concatenate(longitudes),
                  np.concatenate(sites) * tie.settings.site_length.metres)


def _heights(tie: "Tie") -> Tuple[float, ...]:
    """Heights at which the base plane differs; one where it does not feel the height."""
    given = [pair.observation.height for pair in tie.pairs if pair.observation.height is not None]
    if not tie.base.depends_on_height:
        return (0.0,)
    return (min(given), max(given)) if given else (0.0, 1000.0)


def _target(tie: "Tie", area: Area) -> Target:
    place = _places(tie, area, FITTED_ALONG)
    middle = tie.to_geodetic((area[0] + area[2]) / 2.0, (area[1] + area[3]) / 2.0)
    crs = geographic_crs(tie.settings.observation_crs)
    major, minor = crs.ellipsoid.semi_major_metre, crs.ellipsoid.semi_minor_metre
    ellipsoid = (major, 1.0 - (minor / major) ** 2)
    return Target(place.latitude, place.longitude, place.site, ellipsoid, (middle[0], middle[1]))


# -- the CRS and its texts -----------------------------------------------------------------------


def _measured(
    tie: "Tie", found: Fitted, name: str, area: Area, measured: _Place
) -> PlainProjection:
    unit = tie.settings.site_length
    values = _in_units(found, unit)
    crs = _crs(tie, found.method, values, name or f"Site grid, tie {tie.short_id}, plain")
    texts = {attribute: crs.to_wkt(version) for attribute, version in WKT_VERSIONS}
    for ours, theirs in _ESRI_UNITS:
        texts["esri_wkt"] = texts["esri_wkt"].replace(f'UNIT["{ours}"', f'UNIT["{theirs}"')
    texts["proj"] = _proj_string(crs)
    deviations = {kind: _deviation(text, measured, unit) for kind, text in texts.items()}
    label, code = _METHODS[found.method]
    return PlainProjection(
        method=f"{label}, EPSG:{code}",
        parameters=tuple((_PARAMETERS[number][0], value, _unit_words(number, unit))
                         for number, value in values),
        deviation=max(deviations.values(), key=lambda deviation: deviation.worst),
        deviations=deviations, area=area, unit=unit, others=(), **texts,
    )


def _in_units(found: Fitted, unit: LengthUnit) -> Tuple[Tuple[int, float], ...]:
    values = []
    for code, value in found.values:
        kind = _PARAMETERS[code][1]
        size = unit.metres if kind == "length" else 1.0
        values.append((code, round(float(value) / size, _PLACES[kind])))
    return tuple(values)


def _unit_words(code: int, unit: LengthUnit) -> str:
    kind = _PARAMETERS[code][1]
    return {"degree": "degrees", "unity": "", "length": unit.plural}[kind]


def _crs(tie: "Tie", method: str, values, name: str) -> pyproj.CRS:
    """A projected CRS over the observation CRS, made two-dimensional."""
    unit = tie.settings.site_length
    length: Dict[str, object] = {
        "type": "LinearUnit", "name": unit.name.replace("international ", ""),
        "conversion_factor": unit.metres, "id": {"authority": "EPSG", "code": unit.epsg_code},
    }
    units: Dict[str, object] = {"degree": "degree", "unity": "unity", "length": length}
    base = geographic_crs(tie.settings.observation_crs).to_json_dict()
    axes = base["coordinate_system"]["axis"]
    if len(axes) == 3:
        base["coordinate_system"]["axis"] = axes[:2]
        base.pop("id", None)
    label, code = _METHODS[method]
    schema = base.pop("$schema")
    return pyproj.CRS.from_json_dict({
        "$schema": schema, "type": "ProjectedCRS", "name": name, "base_crs": base,
        "conversion": {
            "name": name,
            "method": {"name": label, "id": {"authority": "EPSG", "code": code}},
            "parameters": [
                {"name": _PARAMETERS[number][0], "value": value,
                 "unit": units[_PARAMETERS[number][1]],
                 "id": {"authority": "EPSG", "code": number}}
                for number, value in values],
        },
        "coordinate_system": {"subtype": "Cartesian", "axis": [
            {"name": word.capitalize(), "abbreviation": letter, "direction": direction,
             "unit": length}
            for word, letter, direction in (
                ("easting", "E", "east"), ("northing", "N", "north"))]},
    })


def _proj_string(crs: pyproj.CRS) -> str:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # it says less than WKT, as the docstring says
        return crs.to_proj4()


def _deviation(text: str, place: _Place, unit: LengthUnit) -> Deviation:
    """What the text gives, read back by PROJ, against the tie."""
    crs = pyproj.CRS(text)
    plane = pyproj.Transformer.from_crs(crs.geodetic_crs, crs, always_xy=True)
    found = np.stack(plane.transform(place.longitude, place.latitude), axis=1) * unit.metres
    apart = np.hypot(*(found - place.site).T)
    apart[~np.isfinite(apart)] = np.inf
    at = int(np.argmax(apart))
    return Deviation(
        worst=float(apart[at]) / unit.metres,
        rms=float(np.sqrt(np.mean(apart**2))) / unit.metres,
        easting=float(place.site[at, 0]) / unit.metres,
        northing=float(place.site[at, 1]) / unit.metres,
        latitude=float(place.latitude[at]), longitude=float(place.longitude[at]),
        count=len(apart),
    )


# -- choice --------------------------------------------------------------------------------------


def _chosen(made: List[PlainProjection]) -> PlainProjection:
    """The best; a better-known method that is as good comes first."""
    best = made[0]
    for other in made[1:]:
        gain = (best.deviation.worst - other.deviation.worst) * best.unit.metres
        if (other.deviation.worst < WORTH_A_CHANGE * best.deviation.worst
                and gain > WORTH_METRES):
            best = other
    return best


def _too_far(tie: "Tie", best: PlainProjection, limit: float) -> SitetieError:
    shear = ""
    if tie.horizontal.model == "affine":
        large, small = np.linalg.svd(np.array(tie.horizontal.matrix), compute_uv=False)
        shear = (f" The affine tie stretches the site by {ppm_words(large / small - 1.0)} more in "
                 "one direction than across it, which no such projection can.")
    return GeometryError(
        f"No standard projection comes within {_fine(limit, best.unit)} of the tie: the best, "
        f"{best.sentence}{shear}",
        "Hand over the site CRS (Tie.crs_wkt) or the site coordinates themselves, make the area "
        "smaller, or allow a larger deviation.",
    )


def _fine(value: float, unit: LengthUnit) -> str:
    """A small length that must not read as zero."""
    if unit.code == "m" and value < 0.001:
        return f"{value * 1000.0:.3f} mm" if value >= 5e-7 else "less than 0.001 mm"
    if unit.code != "m" and value < 0.01:
        return f"{value:.6f} ft" if value >= 5e-7 else "less than 0.000001 ft"
    return length_words(value, unit)
