"""What the person has decided so far, as one immutable value. No Qt in here."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from typing import Dict, Iterable, List, Optional, Tuple

from ...core.errors import InputError, SitetieError
from ...core.pairs import Pair, Role
from ...core.settings import Settings

SIDES = ("horizontal", "vertical")
#: What a `FieldChoice` may name instead of a field: QGIS's feature id, the height in the geometry.
FEATURE_ID = "$id"
GEOMETRY_Z = "$z"


@dataclass(frozen=True)
class FieldChoice:
    """Which field of a layer holds which value (core names such as ``easting``)."""

    name: str
    field: str


@dataclass(frozen=True)
class LayerSource:
    """A layer that control or observations are picked from.

    Attributes
    ----------
    layer_id, name, uri, provider : str
        Enough to find the layer again, or to say which one is missing.
    fields : tuple of FieldChoice
        Mapping of core names to fields; a position not mapped comes from the geometry. Besides
        fields there are `FEATURE_ID` (for an id) and `GEOMETRY_Z` (for a height or elevation).
    packed_dms : bool
        Latitudes and longitudes in fields are DDD.MMSSsss.
    """

    layer_id: str
    name: str
    uri: str
    provider: str
    fields: Tuple[FieldChoice, ...] = ()
    packed_dms: bool = False

    def field_of(self, name: str) -> Optional[str]:
        return next((choice.field for choice in self.fields if choice.name == name), None)


@dataclass(frozen=True)
class AcceptedTie:
    """A tie that was accepted: its number, its content, who said so and when.

    Attributes
    ----------
    number : int
    tie_id : str
    text : str
        The tie file itself.
    surveyor, note, time : str
        `time` is UTC, ISO 8601.
    """

    number: int
    tie_id: str
    text: str
    surveyor: str = ""
    note: str = ""
    time: str = ""


@dataclass(frozen=True)
class JobState:
    """Everything the dock shows follows from this.

    Attributes
    ----------
    settings : Settings
        With the base projection frozen once a tie could be solved.
    pairs : tuple of Pair
    control, observations : LayerSource or None
    accepted : tuple of AcceptedTie
        Oldest first.
    units_chosen : bool
        Whether a person said in which units the site grid is. Those of the settings only stand in
        until then.
    """

    settings: Settings = Settings()
    pairs: Tuple[Pair, ...] = ()
    control: Optional[LayerSource] = None
    observations: Optional[LayerSource] = None
    accepted: Tuple[AcceptedTie, ...] = ()
    units_chosen: bool = False

    def replace(self, **changes: object) -> "JobState":
        return dataclasses.replace(self, **changes)  # type: ignore[arg-type]

    def with_pairs(self, added: Iterable[Pair]) -> "JobState":
        """With pairs added at the end.

        Raises
        ------
        InputError
            When a pair is there already, or its observation serves another control point.
        """
        taken: Dict[str, Pair] = {pair.observation.id: pair for pair in self.pairs}
        pairs = list(self.pairs)
        for pair in added:
            other = taken.get(pair.observation.id)
            if other is not None:
                raise InputError(
                    f"The observation {pair.observation.id} is already paired with "
                    f"{other.control.id}.",
                    "Take that pair out first, or choose another observation.",
                    point=pair.control.id,
                )
            taken[pair.observation.id] = pair
            pairs.append(pair)
        return self.replace(pairs=tuple(pairs))

    def without_pairs(self, indices: Iterable[int]) -> "JobState":
        gone = set(indices)
        return self.replace(pairs=tuple(p for i, p in enumerate(self.pairs) if i not in gone))

    def with_role(
        self, indices: Iterable[int], sides: Iterable[str], role: Role
    ) -> Tuple["JobState", List[SitetieError]]:
        """With the role of some pairs changed on some sides.

        Returns
        -------
        The state, and an error for each pair that has nothing to fit or check on a side (no
        elevation, say). With both sides asked for, a pair is named only when neither is possible.
        """
        pairs = list(self.pairs)
        refused: List[SitetieError] = []
        sides = tuple(sides)
        for i in sorted(set(indices)):
            errors = []
            for side in sides:
                try:
                    pairs[i] = dataclasses.replace(
                        pairs[i], **{side: role})  # type: ignore[arg-type]
                except InputError as error:
                    errors.append(error)
            if len(errors) == len(sides):
                refused += errors[:1]
        return self.replace(pairs=tuple(pairs)), refused

    def next_number(self) -> int:
        return 1 + max((item.number for item in self.accepted), default=0)
