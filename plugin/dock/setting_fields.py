"""The settings as fields: how each is written for a person, read back and explained. No widgets."""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal
from typing import Callable, Dict, Optional, Tuple

from ...core.frames import geographic_crs
from ...core.geoid import open_geoid
from ...core.numerals import parse_number
from ...core.settings import Settings
from ...core.units import length_unit
from ..translation import tr

Changes = Dict[str, object]


@dataclass(frozen=True)
class SettingField:
    """One setting.

    Attributes
    ----------
    name, label, hint : str
    read : callable
        Settings → text (or the value of a choice).
    write : callable
        (text, settings) → what changes; raises SitetieError.
    choices : tuple of (words, value)
        Blank for a typed entry.
    unit : callable or None
        Settings → what stands behind the entry.
    placeholder : str
        What a blank entry means.
    tool : str
        ``crs`` or ``file`` for a button that helps with the entry.
    """

    name: str
    label: str
    hint: str
    read: Callable[[Settings], str]
    write: Callable[[str, Settings], Changes]
    choices: Tuple[Tuple[str, str], ...] = ()
    unit: Optional[Callable[[Settings], str]] = None
    placeholder: str = ""
    tool: str = ""


def _shown(number: float, factor: int) -> str:
    """The shortest exact form of number times factor."""
    text = f"{Decimal(repr(number)) * factor:f}"
    return text.rstrip("0").rstrip(".") if "." in text else text


def _number(
    name: str, label: str, hint: str, unit: str, factor: int = 1, optional: bool = False,
    placeholder: str = "",
) -> SettingField:
    """A number shown `factor` times as large as it is kept."""

    def read(settings: Settings) -> str:
        value = getattr(settings, name)
        return "" if value is None else _shown(value, factor)

    def write(text: str, settings: Settings) -> Changes:
        if optional and not text.strip():
            return {name: None}
        value = Decimal(repr(parse_number(text, label))) / factor
        return {name: float(value)}

    return SettingField(name, label, hint, read, write, unit=lambda settings: unit,
                        placeholder=placeholder)


def _choice(
    name: str, label: str, hint: str, choices: Tuple[Tuple[str, str], ...]
) -> SettingField:
    return SettingField(
        name, label, hint, lambda settings: getattr(settings, name) or "",
        lambda text, settings: {name: text or None}, choices,
    )


def _tolerance(name: str, label: str, side: str, unit_of: str) -> SettingField:
    def read(settings: Settings) -> str:
        value = getattr(settings, name)
        return "" if value is None else f"{value:g}"

    def write(text: str, settings: Settings) -> Changes:
        return {name: parse_number(text, label) if text.strip() else None}

    return SettingField(
        name, label, tr(
            "Largest {side} residual that is accepted, of fit and check pairs.").format(side=side),
        read, write, unit=lambda settings: length_unit(getattr(settings, unit_of)).code,
        placeholder="none",
    )


def _unit(name: str, label: str, hint: str, tolerance: str) -> SettingField:
    choices = (("metre", "m"), (tr("international foot (0.3048 m)"), "ft"),
               (tr("US survey foot (1200/3937 m)"), "us-ft"))

    def write(text: str, settings: Settings) -> Changes:
        changes: Changes = {name: text}
        kept = getattr(settings, tolerance)
        if kept is not None:
            # A tolerance is a length: it stays as long as it was.
            old, new = length_unit(getattr(settings, name)), length_unit(text)
            changes[tolerance] = float(f"{kept * float(old.exact_metres / new.exact_metres):.9g}")
        return changes

    return SettingField(name, label, hint, lambda settings: getattr(settings, name), write,
                        choices)


def _observation_crs(text: str, settings: Settings) -> Changes:
    text = text.strip()
    geographic_crs(text)
    return {"observation_crs": text, "datum_operation": None}


def _geoid(text: str, settings: Settings) -> Changes:
    text = text.strip()
    if text:
        open_geoid(text)
    return {"geoid": text or None}


def _horizontal_model(text: str, settings: Settings) -> Changes:
    # An affine has no single scale; a held one is given up with the choice, and can be undone.
    return {"horizontal_model": text, **({"scale": None} if text == "affine" else {})}


SITE_GRID = (
    _unit("site_unit", tr(
        "Unit"), tr(
        "Unit of site easting and northing. The two feet differ by 2 ppm: 1.2 ft at a "
        "coordinate of 600,000 ft."), "tolerance_h"),
    _unit("elevation_unit", tr("Elevation unit"), tr(
        "Unit of site elevations; it need not be that of easting and northing."), "tolerance_v"),
)
OBSERVATIONS = (
    SettingField(
        "observation_crs", tr("Observation CRS"),
        tr(
            "Frame of latitudes and longitudes that do not name their own. Name the frame GNSS "
            "worked in, rather than WGS 84 in general."),
        lambda settings: settings.observation_crs, _observation_crs, tool="crs"),
    _number("observation_epoch", tr("Epoch"), tr(
        "Decimal year of the observations; "
        "needed where the change of datum "
        "depends on time."), "", optional=True, placeholder=tr("not needed")),
    SettingField(
        "datum_operation", tr("Change of datum"),
        tr(
            "Operation from the observation frame to the datum of the base projection: part of "
            "its name, a PROJ pipeline, or “identical”."),
        lambda settings: settings.datum_operation or "",
        lambda text, settings: {"datum_operation": text.strip() or None},
        placeholder=tr("the most accurate one known")),
    SettingField(
        "geoid", tr(
            "Geoid"), tr(
            "Grid of geoid undulations that PROJ can read. Without one heights are taken over "
            "the ellipsoid, and a tilted plane takes up the geoid's slope."),
        lambda settings: settings.geoid or "", _geoid, placeholder=tr("none: over the ellipsoid"),
        tool="file"),
)
HORIZONTAL = SettingField(
    "horizontal_model", tr("Horizontal"),
    tr(
        "Similarity turns, shifts and scales; rigid holds the scale; translation only shifts; "
        "affine deforms, and wants at least four well-spread pairs and a reason."),
    lambda settings: settings.horizontal_model, _horizontal_model,
    (("similarity", "similarity"), ("rigid", "rigid"), ("translation", "translation"),
     ("affine", "affine")))
VERTICAL = _choice(
    "vertical_model", tr("Vertical"),
    tr("A shift lifts all heights alike; a tilted plane needs three pairs that are not in line."),
    (("shift", "shift"), (tr("tilted plane"), "plane"), (tr("none: horizontal only"), "")))
SIGMAS = (
    _number("gnss_sigma_h", tr("GNSS, horizontal"), tr(
        "Assumed where an observation states none, per axis. Common practice, "
        "no source."), "mm", 1000),
    _number("gnss_sigma_v", tr(
        "GNSS, vertical"), tr(
        "Assumed where an observation states none. Common practice, no source."), "mm", 1000),
    _number("control_sigma_h", tr(
        "Control, horizontal"), tr(
        "Assumed where a control point states none, per axis. Common practice, "
        "no source."), "mm", 1000),
    _number("control_sigma_v", tr(
        "Control, vertical"), tr(
        "Assumed where a control point states none. Common practice, no source."), "mm", 1000),
    _number("session_correlation", tr(
        "Shared in a session"), tr(
        "Part of the error variance that shots of one session at one mark have in common, 0 to "
        "below 1. Common practice, no source."),
            ""),
    _choice("sigma_basis", tr("Trust in sigmas"),
            tr(
                "Stated: tests start from the sigmas as given. Estimated: only their ratios "
                "count, and the residuals tell their size."),
            ((tr("as stated"), "stated"), (tr("estimated from the residuals"), "estimated"))),
)
TESTS = (
    _number("confidence", tr("Confidence"), tr("Of ellipses, intervals and the chi-square test."),
            "%", 100),
    _number("test_level", tr("Test level"), tr("Risk of a false alarm in the test of one pair."),
            "%", 100),
    _number("power", tr("Power"), tr(
        "Probability of finding a blunder of the size of the minimal detectable bias."), "%", 100),
    _tolerance("tolerance_h", tr("Tolerance, horizontal"), "horizontal", "site_unit"),
    _tolerance("tolerance_v", tr("Tolerance, vertical"), "vertical", "elevation_unit"),
)
