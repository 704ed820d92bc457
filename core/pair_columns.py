"""The columns of a pair table, and which column of a given table is which."""

from __future__ import annotations

import difflib
import re
from dataclasses import dataclass
from typing import Dict, List, Mapping, Optional, Sequence, Tuple

from .errors import InputError
from .numerals import quoted
from .settings import Settings

REQUIRED = (
    "control_id", "easting", "northing", "elevation", "observation_id", "latitude", "longitude",
    "height", "horizontal", "vertical",
)
OPTIONAL = (
    "control_sigma_h", "control_sigma_v", "sigma_e", "sigma_n", "sigma_en", "sigma_u",
    "height_kind", "height_geoid", "pole", "pole_kind", "session", "time", "fix", "source", "note",
    "crs", "epoch", "corrections",
)
SITE_FIELDS = ("easting", "northing", "elevation")
ANGLES = ("latitude", "longitude")
METRES = (
    "height", "control_sigma_h", "control_sigma_v", "sigma_e", "sigma_n", "sigma_en", "sigma_u",
    "pole",
)
NUMBERS = SITE_FIELDS + METRES + ("epoch",)

#: Other names each field is known by. Left out on purpose: x and y (east or north, by country),
#: sigma_h (horizontal or height), h (height or horizontal), role (horizontal or vertical).
SYNONYMS: Dict[str, Tuple[str, ...]] = {
    "control_id": (
        "control", "ctrl", "ctrl_id", "control_point", "control_point_id", "control_name",
        "control_no", "control_number", "control_mark", "cp", "cp_id", "cpid", "controlid",
    ),
    "easting": (
        "e", "east", "eastings", "site_e", "site_easting", "grid_e", "grid_easting", "control_e",
        "control_easting",
    ),
    "northing": (
        "n", "north", "northings", "site_n", "site_northing", "grid_n", "grid_northing",
        "control_n", "control_northing",
    ),
    "elevation": (
        "z", "el", "elev", "elevations", "site_z", "site_elevation", "control_z", "control_elev",
        "control_elevation", "reduced_level", "rl",
    ),
    "observation_id": (
        "observation", "obs", "obs_id", "obsid", "observation_point", "observation_name",
        "observationid", "gnss_id", "gnss_point", "gnss_point_id", "gnss_name", "shot", "shot_id",
    ),
    "latitude": ("lat", "obs_lat", "gnss_lat", "gnss_latitude"),
    "longitude": ("lon", "long", "lng", "obs_lon", "gnss_lon", "gnss_longitude"),
    "height": (
        "hgt", "ellipsoidal_height", "ellipsoid_height", "ell_height", "ellip_height", "ell_h",
        "h_ell", "gnss_height", "obs_height", "mark_height",
    ),
    "horizontal": ("horiz", "horizontal_role", "role_h", "role_horizontal", "h_role"),
    "vertical": ("vert", "vertical_role", "role_v", "role_vertical", "v_role"),
    "control_sigma_h": ("ctrl_sigma_h", "control_sd_h"),
    "control_sigma_v": ("ctrl_sigma_v", "control_sd_v"),
    "sigma_e": ("sd_e", "std_e", "sigma_east", "sde"),
    "sigma_n": ("sd_n", "std_n", "sigma_north", "sdn"),
    "sigma_en": ("sd_en", "sigma_ne", "sden"),
    "sigma_u": ("sd_u", "std_u", "sigma_up", "sdu"),
    "height_kind": ("height_type",),
    "height_geoid": ("geoid", "geoid_grid", "geoid_model"),
    "pole": ("pole_height", "rod_height", "pole_length"),
    "pole_kind": ("pole_type",),
    "session": ("session_id", "session_name"),
    "time": ("date_time", "datetime", "timestamp"),
    "fix": ("fix_type",),
    "source": ("source_file",),
    "note": ("notes", "remark", "remarks", "comment", "comments"),
    "crs": ("observation_crs",),
    "epoch": ("observation_epoch",),
    "corrections": (),
}
#: Names that may be either id: used for the one that is missing when the other one is there.
EITHER_ID = ("id", "point", "point_id", "point_name", "point_no", "pt", "pt_id", "name", "mark")

_UNITS = {
    "m": "m", "metre": "m", "metres": "m", "meter": "m", "meters": "m",
    "ft": "ft or us-ft", "feet": "ft or us-ft", "foot": "ft or us-ft",
    "ift": "ft", "us-ft": "us-ft", "usft": "us-ft", "us_ft": "us-ft", "ftus": "us-ft",
    "us survey feet": "us-ft", "us survey foot": "us-ft", "international feet": "ft",
    "mm": "mm", "cm": "cm", "km": "km",
    "°": "degrees", "deg": "degrees", "degree": "degrees", "degrees": "degrees", "dd": "degrees",
    "dms": "degrees", "rad": "rad", "radians": "rad", "gon": "gon", "grad": "gon",
}
_UNIT_IN_NAME = re.compile(r"(.*\S)\s*[(\[]\s*([^()\[\]]+?)\s*[)\]]\Z|(.*)_(m|ft|usft|us_ft|deg)\Z")


@dataclass(frozen=True)
class ColumnMatch:
    """Which column holds which field.

    Attributes
    ----------
    mapping : dict of str to str
        Field → column name as the table writes it.
    places : dict of str to int
        Field → place of the column, from 0.
    notes : tuple of str
        Sentences on every choice a person should know of.
    """

    mapping: Dict[str, str]
    places: Dict[str, int]
    notes: Tuple[str, ...]

    def label(self, field: str) -> str:
        """The field as a message names it."""
        column = self.mapping.get(field, field)
        return field if column.lower() == field else f"{field} (column {column})"


def match_columns(
    header: Sequence[str],
    named: Optional[Mapping[str, str]] = None,
    settings: Optional[Settings] = None,
) -> ColumnMatch:
    """Find the columns of a pair table.

    A field's own name wins over its synonyms; case, blanks, hyphens and a unit in brackets do
    not matter.

    Parameters
    ----------
    header : sequence of str
    named : mapping, optional
        Field → column name, where the header's own names do not tell.
    settings : Settings, optional
        Their site units are held against units the header names.

    Raises
    ------
    InputError
        When a required column is missing, two columns claim one field, or a unit is wrong.
    """
    places = _named_places(header, named or {})
    plain = [_plain(column) for column in header]
    fields = REQUIRED + OPTIONAL
    for names_of in (lambda field: (field,), lambda field: SYNONYMS.get(field, ())):
        for field in fields:
            if field in places:
                continue
            found = [
                place
                for place, name in enumerate(plain)
                if name in names_of(field) and place not in places.values()
            ]
            if len(found) > 1:
                columns = " and ".join(quoted(header[place]) for place in found)
                raise InputError(
                    f"Columns {columns} both give {field}.",
                    f"Keep one of them, or name the one that is {field} {field!r}.",
                )
            if found:
                places[field] = found[0]
    _find_other_id(plain, places)
    missing = [field for field in REQUIRED if field not in places]
    if missing:
        raise _missing_columns(missing, header, plain, places)
    mapping = {field: header[places[field]] for field in fields if field in places}
    notes = _unit_notes(mapping, settings) + _notes(header, plain, places)
    return ColumnMatch(mapping, {field: places[field] for field in mapping}, tuple(notes))


def likely_columns(header: Sequence[str], fields: Sequence[str]) -> Dict[str, str]:
    """A first guess of which column holds which field, for a person to look over.

    Unlike `match_columns` it never complains: a field without a likely column is left out, and
    of several likely ones the first is taken. An id that is still missing is sought among the
    names in `EITHER_ID`.

    Returns
    -------
    dict of str to str
        Field → column name as the table writes it.
    """
    plain = {_plain(column): column for column in reversed(header)}
    guess: Dict[str, str] = {}
    for field in fields:
        names = (field,) + SYNONYMS.get(field, ())
        if field in ("control_id", "observation_id"):
            names += EITHER_ID
        found = next((plain[name] for name in names if name in plain), None)
        if found is not None and found not in guess.values():
            guess[field] = found
    return guess


def _plain(column: str) -> str:
    """A column name without its unit, in lower case, words joined by underscores."""
    bare, _ = _unit(column)
    return re.sub(r"[\s\-_.]+", "_", bare.strip().lower()).strip("_")


def _unit(column: str) -> Tuple[str, Optional[str]]:
    """A column name parted from the unit it ends with."""
    match = _UNIT_IN_NAME.match(column.strip().lower())
    if match:
        bare, unit = (match.group(1), match.group(2)) if match.group(1) else match.group(3, 4)
        if unit in _UNITS:
            return bare, _UNITS[unit]
    return column, None


def _named_places(header: Sequence[str], named: Mapping[str, str]) -> Dict[str, int]:
    places: Dict[str, int] = {}
    for field, column in named.items():
        if field not in REQUIRED + OPTIONAL:
            raise InputError(
                f"{quoted(field)} is not a field of a pair table.",
                f"The fields are {', '.join(REQUIRED + OPTIONAL)}.",
            )
        found = [place for place, name in enumerate(header) if name == column]
        if len(found) != 1:
            count = "no column" if not found else f"{len(found)} columns"
            raise InputError(
                f"The table has {count} {quoted(column)}, which {field} was to be read from.",
                f"The table has {_listed(header)}.",
            )
        if found[0] in places.values():
            raise InputError(
                f"Column {quoted(column)} is named for two fields.", "Name each column once."
            )
        places[field] = found[0]
    return places


def _find_other_id(plain: List[str], places: Dict[str, int]) -> None:
    lacking = [field for field in ("control_id", "observation_id") if field not in places]
    free = [place for place, name in enumerate(plain) if name in EITHER_ID]
    if len(lacking) == 1 and len(free) == 1:
        places[lacking[0]] = free[0]


def _missing_columns(
    missing: List[str], header: Sequence[str], plain: List[str], places: Dict[str, int]
) -> InputError:
    free = {
        name: header[place] for place, name in enumerate(plain) if place not in places.values()
    }
    swap = {"x", "y"} & set(free)
    if swap and {"easting", "northing"} & set(missing):
        return InputError(
            "Columns x and y can be easting and northing, or northing and easting.",
            "Rename them easting and northing, or say which column is which.",
        )
    guesses = []
    for field in missing:
        near = difflib.get_close_matches(field, free, n=1, cutoff=0.7)
        if near:
            guesses.append(f"{quoted(free[near[0]])} may be meant for {field}")
    if len(missing) == len(REQUIRED):
        return InputError(
            f"The first row has none of the column names; it reads {_listed(header)}.",
            f"Begin with a row of column names: {', '.join(REQUIRED)}.",
        )
    one = len(missing) == 1
    what = f"Column {missing[0]} is" if one else f"Columns {', '.join(missing)} are"
    hint = f" {'; '.join(guesses)}." if guesses else ""
    return InputError(
        f"{what} missing.{hint}",
        f"Add {'it' if one else 'them'}, or rename the {'column' if one else 'columns'} meant. "
        f"The table has {_listed(header)}.",
    )


def _unit_notes(mapping: Mapping[str, str], settings: Optional[Settings]) -> List[str]:
    """Hold the units that the header names against those the fields have."""
    notes = []
    for field, column in mapping.items():
        unit = _unit(column)[1]
        if unit is None:
            continue
        if field in SITE_FIELDS:
            if settings is None:
                notes.append(
                    f"Column {quoted(column)} names its unit; the unit used is that of the "
                    "settings."
                )
                continue
            wanted = settings.elevation_unit if field == "elevation" else settings.site_unit
        else:
            wanted = "m" if field in METRES else "degrees" if field in ANGLES else None
        if wanted not in unit.split(" or "):
            where = "the settings say" if field in SITE_FIELDS else f"{field} is to be in"
            raise InputError(
                f"Column {quoted(column)} is in {unit}, but {where} {wanted or 'no unit'}.",
                "Convert the values, or correct the unit.",
            )
    return notes


def _notes(header: Sequence[str], plain: List[str], places: Dict[str, int]) -> List[str]:
    notes = [
        f"Column {quoted(header[place])} is read as {field}."
        for field, place in places.items()
        if plain[place] != field
    ]
    for place, name in enumerate(plain):
        if place in places.values() or not name:
            continue
        meant = [field for field in OPTIONAL if field not in places]
        near = difflib.get_close_matches(name, meant, n=1, cutoff=0.8)
        hint = f" Was {near[0]} meant?" if near else ""
        notes.append(f"Column {quoted(header[place])} is not used.{hint}")
    return notes


def _listed(header: Sequence[str]) -> str:
    return ", ".join(quoted(column) for column in header if column)
