"""Control and observations on their way into a book: what is new, what is there already."""

from __future__ import annotations

import operator
from typing import Any, Dict, List, Sequence, Set, Tuple

from ..errors import InputError
from ..pairs import Control, Observation
from .schema import TABLES
from .storage import Storage

Rows = List[Dict[str, Any]]

#: Values of a control point, and of an observation, that make it the same one again.
_CONTROL = ("easting", "northing", "elevation", "sigma_h", "sigma_v", "source_document",
            "document_version")
_SAME = tuple(name for name in TABLES["observation"].names
              if name not in ("entry", "observation_id", "occupation", "source", "note"))
_same = operator.attrgetter(*_SAME)


def control_rows(
    storage: Storage, control: Sequence[Control], source_document: str, document_version: str
) -> Tuple[Rows, List[str]]:
    """Rows of what is new, and the names of those that take the place of an older version.

    Raises
    ------
    InputError
        With a point given twice, or nothing new.
    """
    columns = ("fid", "control_id", "version", *_CONTROL)
    known = {row[1]: dict(zip(columns, row)) for row in storage.rows(
        f"SELECT {', '.join(columns)} FROM control_now")}
    rows: Rows = []
    replaced: List[str] = []
    seen: Set[str] = set()
    for point in control:
        if point.id in seen:
            raise InputError("The control point is given twice.", "Keep one of them.",
                             point=point.id)
        seen.add(point.id)
        row: Dict[str, Any] = {
            "control_id": point.id, "source_document": source_document,
            "document_version": document_version,
            **{name: getattr(point, name) for name in _CONTROL[:5]}}
        old = known.get(point.id)
        if old is not None and all(old[name] == row[name] for name in _CONTROL):
            continue
        row["version"] = 1 if old is None else old["version"] + 1
        row["supersedes"] = None if old is None else old["fid"]
        replaced += [] if old is None else [point.id]
        rows.append(row)
    if not rows:
        raise InputError("All of these control points are in the book already, unchanged.",
                         "There is nothing to add.")
    return rows, replaced


def ties_using(storage: Storage, control_ids: Sequence[str]) -> List[int]:
    """Numbers of the ties that control points drove."""
    found: Set[int] = set()
    for name in control_ids:
        found.update(row[0] for row in storage.rows(
            "SELECT DISTINCT tie_number FROM pair WHERE control_id = ? AND "
            "(horizontal = 'fit' OR vertical = 'fit')", (name,)))
    return sorted(found)


def observation_rows(
    storage: Storage, observations: Sequence[Observation]
) -> Tuple[Rows, List[str]]:
    """Rows of what is new, and the names that were there with other values."""
    known = _known(storage, sorted({item.id for item in observations}))
    rows: Rows = []
    again: List[str] = []
    for item in observations:
        values = _same(item)
        earlier = known.setdefault(item.id, [])
        if values in earlier:
            continue
        if earlier:
            again.append(item.id)
        earlier.append(values)
        rows.append({"observation_id": item.id, "occupation": len(earlier),
                     "source": item.source, "note": item.note, **dict(zip(_SAME, values))})
    return rows, again


def _known(storage: Storage, names: Sequence[str]) -> Dict[str, List[tuple]]:
    """What the book has under these names, in the order it came."""
    found: Dict[str, List[tuple]] = {}
    for start in range(0, len(names), 500):
        some = names[start: start + 500]
        marks = ", ".join("?" * len(some))
        for row in storage.rows(
                f"SELECT observation_id, {', '.join(_SAME)} FROM observation "
                f"WHERE observation_id IN ({marks}) ORDER BY fid", some):
            found.setdefault(row[0], []).append(row[1:])
    return found
