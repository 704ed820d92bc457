"""Corrections on a pair: other values are used than were given, on evidence, and can be taken back.

The values as given stay on the pair (`Pair.given_control`, `Pair.given_observation`); whatever is
solved with them uses the corrected ones. Fields are named as the columns of a pair table.
"""

from __future__ import annotations

import dataclasses
import json
from typing import Any, Dict, List, Mapping, Sequence, Tuple

from .errors import InputError, SitetieError
from .numerals import quoted
from .pairs import Control, Correction, Observation, Pair, Role

_CONTROL = {"control_id": "id", "control_sigma_h": "sigma_h", "control_sigma_v": "sigma_v",
            "easting": "easting", "northing": "northing", "elevation": "elevation"}
_OBSERVATION = {"observation_id" if item.name == "id" else item.name: item.name
                for item in dataclasses.fields(Observation)}
_DEGREES = ("latitude", "longitude")
_METRES = ("height", "pole")


def correct(pair: Pair, after: Pair, cause: str, evidence: str) -> Pair:
    """The pair with the values and roles of another reading of it, as a correction.

    Roles are decisions and no given values: where only they differ, nothing is recorded.

    Parameters
    ----------
    pair : Pair
    after : Pair
        What is to be solved with.
    cause, evidence : str
        See `Correction`.
    """
    fields = tuple(name for name, _, _ in _differences(
        (pair.control, pair.observation), (after.control, after.observation)))
    if not fields:
        return dataclasses.replace(pair, horizontal=after.horizontal, vertical=after.vertical)
    return dataclasses.replace(
        pair, control=after.control, observation=after.observation,
        horizontal=after.horizontal, vertical=after.vertical,
        given_control=_given(pair.given_control, pair.control, after.control),
        given_observation=_given(pair.given_observation, pair.observation, after.observation),
        corrections=(*pair.corrections, Correction(cause, evidence, fields)),
    )


def signed(pair: Pair, by: str, time: str) -> Pair:
    """The pair with who and when written into corrections that have neither."""
    return dataclasses.replace(pair, corrections=tuple(
        item if item.by or item.time else dataclasses.replace(item, by=by, time=time)
        for item in pair.corrections))


def as_given(pair: Pair) -> Pair:
    """The pair with the values as they came, without corrections."""
    return _with(pair, pair.given_control or pair.control,
                 pair.given_observation or pair.observation, ())


def without_correction(pair: Pair, place: int) -> Pair:
    """The pair with one of its corrections taken back: its fields are again as given."""
    control, observation = _as_values(pair.control), _as_values(pair.observation)
    given = as_given(pair)
    left = pair.corrections[:place] + pair.corrections[place + 1:]
    for name in pair.corrections[place].fields:
        if name in _CONTROL:
            control[_CONTROL[name]] = getattr(given.control, _CONTROL[name])
        else:
            observation[_OBSERVATION[name]] = getattr(given.observation, _OBSERVATION[name])
    return _with(pair, Control(**control), Observation(**observation), left)


def changed_values(pair: Pair) -> List[Tuple[str, Any, Any]]:
    """Every value that is used otherwise than given: field, given, used."""
    given = as_given(pair)
    return list(_differences((given.control, given.observation),
                             (pair.control, pair.observation)))


def correction_words(pair: Pair, correction: Correction) -> str:
    """What a correction changes: ``height 412.345 m instead of 412.354 m as given``."""
    said = [f"{field.replace('_', ' ')} {_value_words(field, used)} instead of "
            f"{_value_words(field, given)} as given"
            for field, given, used in changed_values(pair) if field in correction.fields]
    return " and ".join(said) or "nothing any more: later corrections replaced it"


def signature_words(correction: Correction) -> str:
    """Who made a correction and when, blank when unknown."""
    return ", ".join(part for part in (
        correction.by, correction.time.replace("T", " ").replace("Z", " UTC")) if part)


# -- in the cell of a table -----------------------------------------------------------------------


def corrections_text(pair: Pair) -> str:
    """The corrections of a pair as one cell of a table (JSON); blank when there are none.

    The other cells of the row hold the values as given.
    """
    used = {field: value for field, _, value in changed_values(pair)}
    content = [{**dataclasses.asdict(item),
                "fields": {name: used[name] for name in item.fields if name in used}}
               for item in pair.corrections]
    return json.dumps(content, ensure_ascii=False) if content else ""


def with_corrections(pair: Pair, text: str) -> Pair:
    """A pair as given, with the corrections that a cell of a table holds.

    Raises
    ------
    InputError
        When the cell holds something else.
    """
    if not text:
        return pair
    try:
        content = json.loads(text)
        given = {"control": _as_values(pair.control), "observation": _as_values(pair.observation)}
        made = []
        for item in content:
            for name, value in item["fields"].items():
                kind, key = ("control", _CONTROL[name]) if name in _CONTROL else \
                    ("observation", _OBSERVATION[name])
                given[kind][key] = value
            made.append(Correction(str(item["cause"]), str(item["evidence"]),
                                   tuple(item["fields"]), str(item.get("by", "")),
                                   str(item.get("time", ""))))
        control = Control(**given["control"])
        observation = Observation(**given["observation"])
    except SitetieError as error:
        raise InputError(f"corrections: {error.what}", error.remedy) from None
    except (ValueError, KeyError, TypeError, AttributeError):
        raise InputError(
            f"corrections holds {quoted(text[:60])}, which is no list of corrections.",
            "Leave the cell as Sitetie wrote it, or blank it to use the values as given.",
        ) from None
    return dataclasses.replace(
        pair, control=control, observation=observation,
        given_control=_given(None, pair.control, control),
        given_observation=_given(None, pair.observation, observation), corrections=tuple(made),
    )


# -- inside ---------------------------------------------------------------------------------------


def _differences(before: Sequence[Any], after: Sequence[Any]):
    for old, new, names in zip(before, after, (_CONTROL, _OBSERVATION)):
        for field, name in names.items():
            if getattr(old, name) != getattr(new, name):
                yield field, getattr(old, name), getattr(new, name)


def _given(known: Any, now: Any, used: Any) -> Any:
    """What to keep as given: None as long as it is what is used."""
    given = known or now
    return None if given == used else given


def _as_values(value: Any) -> Dict[str, Any]:
    return {item.name: getattr(value, item.name) for item in dataclasses.fields(value)}


def _with(pair: Pair, control: Control, observation: Observation,
          corrections: Tuple[Correction, ...]) -> Pair:
    """The pair with other values; a role that they no longer allow becomes idle."""
    given = pair.given_control or pair.control, pair.given_observation or pair.observation
    high = control.has_elevation and observation.height is not None
    return dataclasses.replace(
        pair, control=control, observation=observation,
        horizontal=pair.horizontal if control.has_position else Role.IDLE,
        vertical=pair.vertical if high else Role.IDLE,
        given_control=None if given[0] == control else given[0],
        given_observation=None if given[1] == observation else given[1],
        corrections=corrections,
    )


def _value_words(field: str, value: Any) -> str:
    if value is None or value == "":
        return "blank"
    if field in _DEGREES:
        return f"{value:.9f}°"
    if isinstance(value, float):
        return f"{value:.3f}" + (" m" if field in _METRES else "")
    return str(value)


def fields_words(corrections: Sequence[Correction]) -> str:
    """The names of all that is corrected: ``height, elevation``."""
    names: Mapping[str, None] = dict.fromkeys(
        "control" if name.startswith("control") else name
        for item in corrections for name in item.fields)
    if "control" in names:  # the whole control point is another
        names = {"control": None, **{n: None for n in names if n not in _CONTROL}}
    return ", ".join(names)
