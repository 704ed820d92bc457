"""Tie files: JSON that anybody can read, checked on the way in.

A file is ``{"format": "sitetie-tie", "schema_version": 1, "id": ..., "tie": {...}}``. Numbers are
written so that they read back to the last digit. `SCHEMA_VERSION` grows with the format;
`_UPGRADES` turns older content into today's, so that old files load forever.
"""

from __future__ import annotations

import dataclasses
import enum
import hashlib
import json
import os
import sys
import typing
from functools import lru_cache
from typing import Any, Callable, Dict, Optional, Set, Tuple

from .errors import SitetieError, TieFileError
from .tie import Tie
from .whole_file import write_whole_file

FORMAT = "sitetie-tie"
SCHEMA_VERSION = 2
#: Version 2 added fields that are left out where they are blank: a file of version 1 has none.
_UPGRADES: Dict[int, Callable[[dict], dict]] = {1: lambda content: content}


_BARE = (float, str, int, bool, type(None))
_ALWAYS = object()


def content_hash(tie: Tie) -> str:
    """SHA-256 of the canonical JSON of a tie."""
    text = json.dumps(to_plain(tie), sort_keys=True, separators=(",", ":"), allow_nan=False)
    return hashlib.sha256(text.encode("utf-8")).hexdigest()


def dumps(tie: Tie) -> str:
    """The text of a tie file."""
    content = {"format": FORMAT, "schema_version": SCHEMA_VERSION, "id": tie.id,
               "tie": to_plain(tie)}
    return json.dumps(content, indent=1, ensure_ascii=False, allow_nan=False) + "\n"


def save_tie(tie: Tie, path) -> None:
    """Write a tie file: to a temporary file beside it first, then in one step into place.

    Raises
    ------
    OutputError
    """
    write_whole_file(path, dumps(tie).encode("utf-8"))


def load_tie(path) -> Tie:
    """Read a tie file.

    Raises
    ------
    TieFileError
        When it is missing, foreign, damaged, edited by hand, or newer than this version.
    """
    path = os.fspath(path)
    try:
        with open(path, "rb") as stream:
            data = stream.read()
    except OSError as error:
        raise TieFileError(
            f"The tie file cannot be read ({error.strerror or error}).", "Check the path.",
            file=path,
        ) from None
    try:
        return loads(data)
    except SitetieError as error:
        raise error.at(file=path) from None


def loads(data: bytes) -> Tie:
    """Read the bytes of a tie file; see `load_tie`."""
    try:
        document = json.loads(data.decode("utf-8"), parse_constant=_refuse_constant)
    except (UnicodeDecodeError, ValueError, RecursionError):
        raise TieFileError(
            "This is not a readable JSON file.",
            "Take an undamaged copy, or solve the tie again.",
        ) from None
    if not isinstance(document, dict) or document.get("format") != FORMAT:
        raise TieFileError(
            "This JSON file is not a Sitetie tie.", "Choose a file saved by Sitetie."
        )
    version = document.get("schema_version")
    if isinstance(version, bool) or not isinstance(version, int) or version < 1:
        raise TieFileError("The tie file has no schema_version.", "Take an undamaged copy.")
    if version > SCHEMA_VERSION:
        raise TieFileError(
            f"The tie file has schema version {version}; this version reads up to "
            f"{SCHEMA_VERSION}.", "Update Sitetie.",
        )
    _refuse_odd_entries("The tie file", {"format", "schema_version", "id", "tie"}, document)
    content = document["tie"]
    for step in range(version, SCHEMA_VERSION):
        content = _UPGRADES[step](content)
    tie = from_plain(Tie, content, "tie")
    if content == document["tie"] and tie.id != document["id"]:
        raise TieFileError(
            "The content of the tie file does not match its own id: it was damaged or edited.",
            "Take an undamaged copy, or solve the tie again.",
        )
    return tie


def _refuse_constant(name: str):
    raise ValueError(name)


def to_plain(value: Any) -> Any:
    """Dataclasses, tuples and enums as JSON values."""
    kind: Any = type(value)
    if kind in _BARE:
        return value
    fields = _written_fields(kind)
    if fields is not None:
        return {name: to_plain(getattr(value, name)) for name, blank in fields
                if blank is _ALWAYS or getattr(value, name) != blank}
    if isinstance(value, enum.Enum):
        return value.value
    if isinstance(value, (tuple, list)):
        return [to_plain(item) for item in value]
    return value


@lru_cache(maxsize=None)
def _written_fields(kind: type) -> Optional[Tuple[Tuple[str, Any], ...]]:
    """Names of a dataclass's fields, each with the value that is not written because the field
    came later; None for another type. Kept, because a live solution is hashed with each change."""
    if not dataclasses.is_dataclass(kind):
        return None
    return tuple((field.name, field.default if _is_later(field) else _ALWAYS)
                 for field in dataclasses.fields(kind))


def _is_later(field: dataclasses.Field) -> bool:
    return bool(field.metadata.get("later"))


def from_plain(kind: Any, value: Any, place: str) -> Any:
    """Build a value of a type from JSON, checking every field.

    Raises
    ------
    TieFileError
        Naming the place in the file that does not fit.
    """
    origin = typing.get_origin(kind)
    if origin is typing.Union:
        return _from_union(kind, value, place)
    if origin is tuple:
        return _from_tuple(typing.get_args(kind), value, place)
    if dataclasses.is_dataclass(kind):
        return _from_mapping(kind, value, place)
    if isinstance(kind, type) and issubclass(kind, enum.Enum):
        try:
            return kind(value)
        except ValueError:
            raise _unfit(place, value) from None
    if kind is float and isinstance(value, (int, float)) and not isinstance(value, bool):
        if not abs(value) <= sys.float_info.max:
            raise _unfit(place, value)
        return float(value)
    if kind in (str, bool) and isinstance(value, kind):
        return value
    if kind is int and isinstance(value, int) and not isinstance(value, bool):
        return value
    raise _unfit(place, value)


def _from_union(kind, value, place):
    choices = typing.get_args(kind)
    if value is None and type(None) in choices:
        return None
    for choice in choices:
        fits = isinstance(value, dict) == dataclasses.is_dataclass(choice)
        if choice is not type(None) and fits:
            return from_plain(choice, value, place)
    raise _unfit(place, value)


def _from_tuple(kinds, value, place):
    if not isinstance(value, list):
        raise _unfit(place, value)
    if len(kinds) == 2 and kinds[1] is Ellipsis:
        kinds = (kinds[0],) * len(value)
    if len(kinds) != len(value):
        raise _unfit(place, value)
    return tuple(from_plain(kind, item, f"{place}[{i}]")
                 for i, (kind, item) in enumerate(zip(kinds, value)))


def _from_mapping(kind, value, place):
    if not isinstance(value, dict):
        raise _unfit(place, value)
    hints = typing.get_type_hints(kind)
    names = [field.name for field in dataclasses.fields(kind)
             if not _is_later(field) or field.name in value]
    _refuse_odd_entries(place, set(names), value)
    arguments = {name: from_plain(hints[name], value[name], f"{place}.{name}") for name in names}
    try:
        return kind(**arguments)
    except SitetieError as error:
        raise TieFileError(f"{place}: {error.what}", "Take an undamaged copy.") from None


def _refuse_odd_entries(place: str, names: Set[str], value: dict) -> None:
    odd = sorted(names ^ set(value))
    if odd:
        raise TieFileError(
            f"{place} has missing or unknown entries: {', '.join(odd)}.",
            "Take an undamaged copy, or solve the tie again.",
        )


def _unfit(place: str, value: Any) -> TieFileError:
    return TieFileError(
        f"{place} holds {str(value)[:60]!r}, which does not belong there.",
        "Take an undamaged copy, or solve the tie again.",
    )


def json_schema() -> dict:
    """JSON Schema (draft 2020-12) of a tie file, made from the same types that read it."""
    definitions: Dict[str, dict] = {}
    body = _schema(Tie, definitions)
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "Sitetie tie file",
        "type": "object",
        "required": ["format", "schema_version", "id", "tie"],
        "additionalProperties": False,
        "properties": {
            "format": {"const": FORMAT},
            "schema_version": {"minimum": 1, "maximum": SCHEMA_VERSION, "type": "integer"},
            "id": {"type": "string", "pattern": "^[0-9a-f]{64}$"},
            "tie": body,
        },
        "$defs": definitions,
    }


def _schema(kind: Any, definitions: Dict[str, dict]) -> dict:
    origin, choices = typing.get_origin(kind), typing.get_args(kind)
    if origin is typing.Union:
        return {"anyOf": [_schema(choice, definitions) for choice in choices]}
    if origin is tuple and len(choices) == 2 and choices[1] is Ellipsis:
        return {"type": "array", "items": _schema(choices[0], definitions)}
    if origin is tuple:
        return {"type": "array", "minItems": len(choices), "maxItems": len(choices),
                "prefixItems": [_schema(choice, definitions) for choice in choices]}
    if isinstance(kind, type) and dataclasses.is_dataclass(kind):
        if kind.__name__ not in definitions:
            definitions[kind.__name__] = {}
            hints = typing.get_type_hints(kind)
            fields = dataclasses.fields(kind)
            definitions[kind.__name__] = {
                "type": "object",
                "required": [field.name for field in fields if not _is_later(field)],
                "additionalProperties": False,
                "properties": {field.name: _schema(hints[field.name], definitions)
                               for field in fields},
            }
        return {"$ref": f"#/$defs/{kind.__name__}"}
    if isinstance(kind, type) and issubclass(kind, enum.Enum):
        return {"enum": [member.value for member in kind]}
    simple = {float: "number", str: "string", bool: "boolean", int: "integer", type(None): "null"}
    return {"type": simple[kind]}
