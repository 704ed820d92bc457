"""What the pairs of one job must not do: contradict one another."""

from __future__ import annotations

from dataclasses import fields
from typing import Dict, List, Sequence, Union

import numpy as np

from .errors import InputError
from .pairs import Control, Observation, Pair, Role

#: Latitude and longitude are called exchanged when a position is farther than the first from the
#: middle of all and, with the two exchanged, nearer than the second. Degrees of arc; common
#: practice, no source.
_FAR, _NEAR = 5.0, 1.0

_Value = Union[Control, Observation]


def refuse_contradictions(pairs: Sequence[Pair]) -> None:
    """Refuse an id that stands for two things, and a pair or an observation used twice.

    Several observations of one control point are legal. One observation may serve two control
    points only when they do not both use it horizontally, nor both vertically (a mark known by
    two ids, one for its position and one for its elevation).

    Raises
    ------
    InputError
        Naming both rows where the pairs have any.
    """
    controls: Dict[str, Pair] = {}
    observations: Dict[str, List[Pair]] = {}
    for pair in pairs:
        known = controls.setdefault(pair.control.id, pair)
        _same(known.control, pair.control, "Control point", known, pair)
        earlier = observations.setdefault(pair.observation.id, [])
        for other in earlier:
            _same(other.observation, pair.observation, "Observation", other, pair)
            if other.control.id == pair.control.id:
                raise _at(
                    pair,
                    f"Control point {pair.control.id} and observation {pair.observation.id} are "
                    f"paired {_place(other)} already.",
                    "Take one of the two out.",
                )
            for part in ("horizontal", "vertical"):
                if Role.IDLE not in (getattr(other, part), getattr(pair, part)):
                    raise _at(
                        pair,
                        f"Observation {pair.observation.id} is paired with {pair.control.id} here "
                        f"and with {other.control.id} {_place(other)}, both with a {part} role.",
                        "Pair each observation with its own mark, or set one of the roles to idle.",
                    )
        earlier.append(pair)


def _same(known: _Value, new: _Value, kind: str, first: Pair, second: Pair) -> None:
    if known is new or known == new:
        return
    for item in fields(known):
        old, now = getattr(known, item.name), getattr(new, item.name)
        if old != now:
            written = ["blank" if value in (None, "") else value for value in (now, old)]
            raise _at(
                second,
                f"{kind} {new.id} has {item.name} {written[0]} here and {written[1]} "
                f"{_place(first)}.",
                "Give the same values in both, or different ids.",
            )


def _place(pair: Pair) -> str:
    return "in an earlier pair" if pair.row is None else f"in row {pair.row}"


def _at(pair: Pair, what: str, remedy: str) -> InputError:
    return InputError(what, remedy, file=pair.file, row=pair.row, point=pair.control.id)


def refuse_exchanged(pairs: Sequence[Pair]) -> None:
    """Refuse a position that joins the others once latitude and longitude are exchanged.

    With fewer than three pairs it cannot be told which one is wrong, and nothing is said.

    Raises
    ------
    InputError
    """
    if len(pairs) < 3:
        return
    latitude = np.array([pair.observation.latitude for pair in pairs])
    longitude = np.array([pair.observation.longitude for pair in pairs])
    written, exchanged = _unit_vectors(latitude, longitude), _unit_vectors(longitude, latitude)
    middle = np.median(written, axis=0)
    middle /= np.linalg.norm(middle)
    far = written @ middle < np.cos(np.radians(_FAR))
    near = exchanged @ middle > np.cos(np.radians(_NEAR))
    for place in np.flatnonzero(far & near & (np.abs(longitude) <= 90.0)):
        raise _at(
            pairs[place],
            f"Latitude {latitude[place]} and longitude {longitude[place]} of observation "
            f"{pairs[place].observation.id} look exchanged: the other way round they lie by the "
            "other observations.",
            "Exchange the two cells.",
        )


def _unit_vectors(latitude: np.ndarray, longitude: np.ndarray) -> np.ndarray:
    phi, lam = np.radians(latitude), np.radians(longitude)
    return np.column_stack(
        (np.cos(phi) * np.cos(lam), np.cos(phi) * np.sin(lam), np.sin(phi))
    )
