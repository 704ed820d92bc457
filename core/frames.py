"""Reference frames: which operation carries a position from one CRS to another, and is it real.

Nothing passes silently through a datum ensemble, a "ballpark" or a null operation: the operation
is chosen, checked and described, and refused when it would only pretend to transform.
"""

from __future__ import annotations

import dataclasses
import math
import warnings
from dataclasses import dataclass
from functools import lru_cache
from typing import Optional, Tuple

import numpy as np
import pyproj
from pyproj.aoi import AreaOfInterest
from pyproj.transformer import TransformerGroup

from .errors import FrameError

#: Two frames whose coordinates differ by less than this (degrees, 1 mm) are numerically one.
NULL_DEGREES = 1e-8
IDENTICAL = "identical"
_EXAMPLES = {"base projection": "EPSG:25832"}


@dataclass(frozen=True)
class Operation:
    """A chosen coordinate operation.

    Attributes
    ----------
    definition : str
        PROJ pipeline from longitude, latitude (degrees), height to the target's own coordinates.
    name : str
        What PROJ calls it.
    accuracy : float or None
        Metres, as registered; None when unknown.
    depends_on_height, depends_on_time : bool
    repeatable : str or None
        What to name to get the same operation again; None for a projection alone.
    cautions : tuple of str
        Sentences a person should read.
    null : bool
        It joins two frames and changes nothing: a datum ensemble is one of them.
    """

    definition: str
    name: str
    accuracy: Optional[float]
    depends_on_height: bool
    depends_on_time: bool
    repeatable: Optional[str] = None
    cautions: Tuple[str, ...] = ()
    null: bool = False


@lru_cache(maxsize=256)
def transformer(definition: str) -> pyproj.Transformer:
    """The PROJ transformer of a pipeline; made once."""
    return pyproj.Transformer.from_pipeline(definition)


@lru_cache(maxsize=64)
def parse_crs(text: str, role: str) -> pyproj.CRS:
    """Read a CRS, or say which setting is wrong.

    Raises
    ------
    FrameError
        When PROJ does not know it.
    """
    try:
        crs = pyproj.CRS.from_user_input(text)
    except pyproj.exceptions.CRSError:
        crs = None
    if crs is None or _is_guess(text, crs):
        raise FrameError(
            f"The {role} {text!r} is unknown to PROJ {pyproj.proj_version_str}.",
            f"Give an authority code such as {_EXAMPLES.get(role, 'EPSG:4326')}, or WKT.",
        )
    return crs


def _is_guess(text: str, crs: pyproj.CRS) -> bool:
    """Whether PROJ took a name that only resembles the one given ("foo" is in Amersfoort)."""
    plain = "".join(filter(str.isalnum, text)).lower()
    named = not plain.isdigit() and not any(mark in text for mark in ":=[{")
    return named and plain != "".join(filter(str.isalnum, crs.name)).lower()


@lru_cache(maxsize=64)
def geographic_crs(text: str, role: str = "observation CRS") -> pyproj.CRS:
    """A geographic CRS in degrees, for latitudes and longitudes; two-dimensional.

    Raises
    ------
    FrameError
        When it is projected, geocentric, compound, or not in degrees.
    """
    crs = parse_crs(text, role)
    if not crs.is_geographic or crs.is_compound:
        base = crs.geodetic_crs
        hint = ""
        if base is not None and base.is_geographic:
            hint = f" The geographic CRS under it is {_label(base)}."
        raise FrameError(
            f"The {role} {_label(crs)} is a {_kind(crs)} CRS, but latitudes and longitudes need a "
            f"geographic CRS.{hint}",
            "Name the geographic CRS the latitudes and longitudes refer to.",
        )
    if any(abs(axis.unit_conversion_factor - math.radians(1.0)) > 1e-12
           for axis in crs.axis_info[:2]):
        raise FrameError(
            f"The {role} {_label(crs)} is not in degrees.",
            "Convert the positions to a geographic CRS in degrees.",
        )
    return crs


def projected_crs(text: str) -> pyproj.CRS:
    """A projected CRS for the base projection.

    Raises
    ------
    FrameError
        When it is not projected.
    """
    crs = parse_crs(text, "base projection")
    if crs.is_compound:
        crs = crs.sub_crs_list[0]
    if not crs.is_projected:
        raise FrameError(
            f"The base projection {_label(crs)} is a {_kind(crs)} CRS, not a projected one.",
            "Name a projected CRS such as EPSG:25832, or leave it out for a local Transverse "
            "Mercator.",
        )
    return crs


def _kind(crs: pyproj.CRS) -> str:
    for kind in ("geocentric", "vertical", "compound", "projected", "geographic"):
        if getattr(crs, f"is_{kind}"):
            return kind
    return crs.type_name.replace("CRS", "").strip().lower()


def is_dynamic(crs: pyproj.CRS) -> bool:
    """Whether coordinates in it move with the ground, so that they need an epoch."""
    datum = crs.datum
    if datum is None:
        return False
    return "Dynamic" in datum.type_name or datum.name.startswith("World Geodetic System 1984")


def is_ensemble(crs: pyproj.CRS) -> bool:
    """Whether the datum is a family of frames that agree only to some accuracy."""
    return crs.datum is not None and "Ensemble" in crs.datum.type_name


def same_datum(one: pyproj.CRS, other: pyproj.CRS) -> bool:
    """Whether two CRSs stand on one datum."""
    first, second = one.geodetic_crs.datum, other.geodetic_crs.datum
    if first == second:
        return True
    return first.name == second.name and not first.name.lower().startswith("unknown")


def ensemble_caution(crs: pyproj.CRS) -> Tuple[str, ...]:
    """What to know when observations are given in a datum ensemble."""
    if not is_ensemble(crs):
        return ()
    return (
        f"{_label(crs)} names a family of frames that agree only to about 2 m. All observations "
        "are taken to be in one and the same of them; name the frame of the base or network "
        "(such as EPSG:4937 or EPSG:6319) where it is known.",
    )


def choose_operation(
    source: pyproj.CRS,
    target: pyproj.CRS,
    *,
    override: Optional[str] = None,
    epoch: Optional[float] = None,
    near: Optional[Tuple[float, float]] = None,
) -> Operation:
    """The operation from a geographic CRS (degrees) to a target CRS.

    Parameters
    ----------
    override : str, optional
        A part of the name of the operation to use, or a pipeline from longitude, latitude
        (degrees), height to the target; or ``identical`` to take both datums as one.
    near : (latitude, longitude), optional
        Where the site lies; the operation is chosen for that place.

    Raises
    ------
    FrameError
        When no operation is known, the best one is a ballpark or null one between named frames,
        it depends on time and no epoch is given, or a grid it needs is missing.
    """
    if override and override != IDENTICAL:
        return _named_operation(override, source, target, epoch, near)
    if same_datum(source, target) or override == IDENTICAL:
        _refuse_other_longitudes(source, target)
    if same_datum(source, target):
        return conversion_only(target)
    if override == IDENTICAL:
        return dataclasses.replace(conversion_only(target), repeatable=IDENTICAL, cautions=(
            f"{_label(source)} and {_label(target)} are taken as one frame, as the settings say.",
        ))

    made, cautions = _candidates(source, target, near)
    return _checked(made[0], source, target, near, epoch, cautions, refuse_null=True)


def _refuse_other_longitudes(source: pyproj.CRS, target: pyproj.CRS) -> None:
    """The projection alone takes the base's own longitudes: they must be counted alike."""
    base = target.geodetic_crs
    one, other = source.prime_meridian, base.prime_meridian
    degrees = math.isclose(base.axis_info[0].unit_conversion_factor, math.radians(1.0))
    if not degrees or one.longitude * one.unit_conversion_factor != (
            other.longitude * other.unit_conversion_factor):
        raise FrameError(
            f"{_label(base)} under the base projection counts its angles from {other.name} in "
            f"{base.axis_info[0].unit_name}, {_label(source)} from {one.name} in degrees; the two "
            "cannot be taken as one frame.",
            "Leave datum_operation out, or name the operation.",
        )


def _checked(made, source, target, near, epoch, cautions, refuse_null) -> Operation:
    """The operation of a transformer, with what must be said about it."""
    operation = _describe(made, source, near, epoch)
    cautions = list(cautions)
    null = _is_null(made, target, near)
    if null:
        if refuse_null and not (is_ensemble(source) or is_ensemble(target)):
            raise FrameError(
                f"The best operation PROJ knows from {_label(source)} to {_label(target)} "
                f"({operation.name}) does not change the coordinates, though the frames differ.",
                'Name the right operation in datum_operation, or write "identical" to say that '
                "both frames are to be taken as one.",
            )
        cautions.append(
            f"From {_label(source)} to {_label(target)} the coordinates are taken over unchanged "
            f"({operation.name}): a datum ensemble is good to about 2 m only. The tie itself "
            "absorbs a constant offset; other data laid on the site CRS may be off by it."
        )
    return dataclasses.replace(operation, cautions=tuple(cautions), null=null)


def _candidates(source, target, near):
    area = None
    if near is not None:
        latitude, longitude = near
        longitude = (longitude + 180.0) % 360.0 - 180.0
        pad = 0.01
        area = AreaOfInterest(
            max(longitude - pad, -180.0), max(latitude - pad, -90.0),
            min(longitude + pad, 180.0), min(latitude + pad, 90.0),
        )
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # a missing better grid becomes a caution below
        group = TransformerGroup(
            source.to_3d(), target.to_3d(), always_xy=True, area_of_interest=area,
            allow_ballpark=False,
        )
    if not group.transformers:
        missing = [item for item in group.unavailable_operations if item.grids]
        if missing:
            grids = ", ".join(sorted({g.short_name for item in missing for g in item.grids
                                      if not g.available}))
            raise FrameError(
                f"Every operation from {_label(source)} to {_label(target)} needs a grid that is "
                f"not installed ({grids}).",
                "Install PROJ's grid files, or name another operation in datum_operation.",
            )
        raise FrameError(
            f"PROJ knows no better than a ballpark operation from {_label(source)} to "
            f"{_label(target)}.",
            'Name the operation in datum_operation, or write "identical" to say that both frames '
            "are to be taken as one.",
        )
    cautions = []
    if not group.best_available:
        grids = ", ".join(sorted({g.short_name for item in group.unavailable_operations
                                  for g in item.grids if not g.available}))
        cautions.append(
            f"A more accurate operation from {_label(source)} to {_label(target)} exists but its "
            f"grid is not installed ({grids})."
        )
    return group.transformers, cautions


def _named_operation(text, source, target, epoch, near) -> Operation:
    try:
        known, cautions = _candidates(source, target, near)
    except FrameError:
        known, cautions = [], []
    for made in known:
        called = (made.description.lower(), _readable(made.description).lower())
        if text == made.definition or any(text.lower() in name for name in called):
            return _checked(made, source, target, near, epoch, cautions, refuse_null=False)
    try:
        made = pyproj.Transformer.from_pipeline(text)
    except pyproj.exceptions.ProjError:
        names = "; ".join(f'"{_readable(item.description)}"' for item in known[:5]) or "none"
        raise FrameError(
            f"The datum operation {text!r} is neither a PROJ pipeline nor the name of an "
            f"operation PROJ knows from {_label(source)} to {_label(target)}.",
            f"Give a pipeline or a part of one of these names: {names}.",
        ) from None
    return _describe(made, source, near, epoch)


def conversion_only(target: pyproj.CRS) -> Operation:
    """The projection of a CRS alone, from its own geographic CRS, longitude first."""
    try:
        made = pyproj.Transformer.from_crs(
            target.geodetic_crs.to_3d(), target.to_3d(), always_xy=True
        )
    except pyproj.exceptions.ProjError:
        method = target.coordinate_operation
        raise FrameError(
            f"PROJ {pyproj.proj_version_str} cannot compute the projection of {_label(target)}"
            f"{f' ({method.method_name})' if method is not None else ''}.",
            "Choose another base projection, or leave it out for a local one.",
        ) from None
    name = "the projection alone, no change of datum"
    return Operation(made.definition, name, None, False, False)


def _describe(made: pyproj.Transformer, source, near, epoch) -> Operation:
    definition = made.definition
    depends_on_time = any(word in definition for word in ("t_epoch", "defmodel", "deformation"))
    if depends_on_time and epoch is None:
        raise FrameError(
            f"The operation {_readable(made.description)} depends on time, and the epoch of the "
            "observations is not known.",
            "Give observation_epoch as a decimal year, such as 2026.35.",
        )
    accuracy = made.accuracy if made.accuracy is not None and made.accuracy >= 0 else None
    return Operation(
        definition, _readable(made.description), accuracy, _feels_height(made, near, epoch),
        depends_on_time, definition,
    )


def _readable(description: str) -> str:
    """PROJ's name of an operation without the steps that only reorder or rewrite coordinates."""
    steps = description.split(" + ")
    kept = [step for step in steps if not step.startswith((
        "axis order change", "Conversion from ", "Null geographic offset"))]
    return " + ".join(kept or steps)


def _feels_height(made, near, epoch) -> bool:
    latitude, longitude = near if near is not None else (0.0, 0.0)
    time = epoch if epoch is not None else math.inf
    low = made.transform(longitude, latitude, 0.0, time)
    high = made.transform(longitude, latitude, 1000.0, time)
    return bool(np.any(np.abs(np.subtract(low[:2], high[:2])) > 1e-9))


def _is_null(made, target, near) -> bool:
    latitude, longitude = near if near is not None else (0.0, 0.0)
    plain = pyproj.Transformer.from_crs(target.geodetic_crs, target, always_xy=True)
    one = made.transform(longitude, latitude, 0.0, 2020.0)[:2]
    other = plain.transform(longitude, latitude)
    scale = 1.0 if target.is_geographic else 111_000.0
    return bool(np.all(np.abs(np.subtract(one, other)) < NULL_DEGREES * scale))


def _label(crs: pyproj.CRS) -> str:
    authority = crs.to_authority()
    if authority:
        return f"{crs.name} ({':'.join(authority)})"
    return crs.name if crs.name != "unknown" else crs.srs
