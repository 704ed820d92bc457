"""Pairing by ids: a rule says which observation belongs to which control point."""

from __future__ import annotations

import re
from collections import Counter
from dataclasses import dataclass
from typing import Dict, Iterator, List, Optional, Sequence, Set, Tuple

from .errors import InputError
from .numerals import quoted

EQUAL, PREFIX, SUFFIX, OFFSET, PATTERN = "equal", "prefix", "suffix", "offset", "pattern"
KINDS = (EQUAL, PREFIX, SUFFIX, OFFSET, PATTERN)
#: Stands for the control id in a pattern.
ID = "{id}"
_WILDCARD = re.compile(r"\\([*#\\])|(\*)|(#)")
_LAST_NUMBER = re.compile(r"(.*?)([0-9]+)([^0-9]*)\Z", re.DOTALL)
#: What people put between an id and an addition to it.
_JOINTS = "-_./ "


@dataclass(frozen=True)
class IdRule:
    """How the id of an observation follows from that of its control point.

    Attributes
    ----------
    kind : str
        ``equal``; ``prefix`` (`text` before the control id); ``suffix`` (`text` after it);
        ``offset`` (the last number in the id is larger by `offset`); ``pattern`` (`text` with
        ``{id}`` where the control id stands).
    text : str
        In it ``*`` is any text, also none, and ``#`` one digit; ``\\*`` and ``\\#`` are the signs
        themselves.
    offset : int
    loose : bool
        Capitals, blanks and leading zeros make no difference.

    Raises
    ------
    InputError
        When the rule lacks what its kind needs.
    """

    kind: str = EQUAL
    text: str = ""
    offset: int = 0
    loose: bool = False

    def __post_init__(self) -> None:
        if self.kind not in KINDS:
            raise InputError(f"{self.kind!r} is not a rule.", f"Choose one of {', '.join(KINDS)}.")
        if self.kind in (PREFIX, SUFFIX) and not self.text:
            where = "before" if self.kind == PREFIX else "after"
            raise InputError(
                f"The {self.kind} is blank.", f"Write what stands {where} the control id."
            )
        if self.kind == PATTERN and self.text.count(ID) != 1:
            raise InputError(
                f"The pattern {quoted(self.text)} does not have {ID} once.",
                f"Write {ID} where the control id stands, such as {ID}-* or GPS_{ID}.",
            )
        if self.kind == OFFSET and self.offset == 0:
            raise InputError("The offset is 0.", "Write by how much the numbers differ.")

    @property
    def sentence(self) -> str:
        """The rule in words."""
        if self.kind == OFFSET:
            more = "more" if self.offset > 0 else "less"
            text = (f"The number in an observation's id is {abs(self.offset)} {more} than in the "
                    "control id")
        else:
            before, after = self._around()
            parts = [_in_words(before), "the control id", _in_words(after)]
            text = f"An observation's id is {', then '.join(part for part in parts if part)}"
        loosely = "; capitals, blanks and leading zeros make no difference" if self.loose else ""
        return f"{text}{loosely}."

    def _around(self) -> Tuple[str, str]:
        """What stands before and after the control id, with wildcards."""
        if self.kind == PATTERN:
            before, after = self.text.split(ID)
            return before, after
        return (self.text if self.kind == PREFIX else "", self.text if self.kind == SUFFIX else "")


@dataclass(frozen=True)
class IdMatches:
    """What a rule gives; all indices are into the lists it was given.

    Attributes
    ----------
    pairs : tuple of (control, observation)
        In the order of the observations. A control point may have several observations.
    ambiguous : tuple of (observation, (control, ...))
        Observations that the rule gives to more than one control point; not in `pairs`.
    """

    pairs: Tuple[Tuple[int, int], ...]
    ambiguous: Tuple[Tuple[int, Tuple[int, ...]], ...]


def match_ids(
    rule: IdRule, control_ids: Sequence[str], observation_ids: Sequence[str]
) -> IdMatches:
    """Apply a rule to two lists of ids."""
    by_key: Dict[object, List[int]] = {}
    for place, control_id in enumerate(control_ids):
        for key in _control_keys(rule, control_id):
            by_key.setdefault(key, []).append(place)
    pairs: List[Tuple[int, int]] = []
    ambiguous: List[Tuple[int, Tuple[int, ...]]] = []
    find = _offset_keys if rule.kind == OFFSET else _Surround(rule).keys
    for place, observation_id in enumerate(observation_ids):
        found: Set[int] = set()
        for key in find(rule, observation_id):
            found.update(by_key.get(key, ()))
        if len(found) == 1:
            pairs.append((found.pop(), place))
        elif found:
            ambiguous.append((place, tuple(sorted(found))))
    return IdMatches(tuple(pairs), tuple(ambiguous))


def suggest_rules(
    control_ids: Sequence[str], observation_ids: Sequence[str], most: int = 5
) -> List[Tuple[IdRule, IdMatches]]:
    """Rules that the ids themselves suggest, the one that serves most control points first.

    Of two that serve equally many, the plainer one comes first.
    """
    rules = [IdRule(), IdRule(loose=True)]
    rules += _suggested_surroundings(control_ids, observation_ids)
    rules += _suggested_offsets(control_ids, observation_ids)
    found = []
    for rank, rule in enumerate(dict.fromkeys(rules)):
        matches = match_ids(rule, control_ids, observation_ids)
        served = len({control for control, _ in matches.pairs})
        if served:
            found.append((-served, -len(matches.pairs), rank, rule, matches))
    found.sort(key=lambda item: item[:3])
    return [(rule, matches) for _, _, _, rule, matches in found[:most]]


def _suggested_surroundings(control_ids, observation_ids) -> List[IdRule]:
    """Prefixes, suffixes and "id, joint, anything" that occur."""
    known = set(control_ids)
    prefixes: Counter = Counter()
    suffixes: Counter = Counter()
    joints: Counter = Counter()
    for text in observation_ids:
        for cut in range(1, len(text)):
            if text[cut:] in known:
                prefixes[text[:cut]] += 1
            if text[:cut] in known:
                suffixes[text[cut:]] += 1
                if text[cut] in _JOINTS:
                    joints[text[cut]] += 1
    rules = []
    for kind, counter in ((PREFIX, prefixes), (SUFFIX, suffixes)):
        rules += [IdRule(kind, _literal(text)) for text, _ in counter.most_common(2)]
    rules += [IdRule(PATTERN, f"{ID}{_literal(joint)}*") for joint, _ in joints.most_common(2)]
    return rules


def _suggested_offsets(control_ids, observation_ids) -> List[IdRule]:
    numbers: Dict[Tuple[str, str], List[int]] = {}
    for text in control_ids:
        split = _split_number(text, loose=False)
        if split is not None:
            numbers.setdefault((split[0], split[2]), []).append(split[1])
    offsets: Counter = Counter()
    for text in observation_ids[:2000]:
        split = _split_number(text, loose=False)
        if split is not None:
            offsets.update({split[1] - number for number in numbers.get((split[0], split[2]), ())})
    return [IdRule(OFFSET, offset=offset) for offset, count in offsets.most_common(2)
            if offset and count > 1]


# -- keys: an observation belongs to the control points that share a key with it --------------


def _key(text: str, loose: bool) -> str:
    text = text.strip()
    if not loose:
        return text
    text = re.sub(r"\s+", "", text).casefold()
    return re.sub(r"(?<![0-9])0+(?=[0-9])", "", text)


def _control_keys(rule: IdRule, control_id: str) -> Iterator[object]:
    if rule.kind == OFFSET:
        split = _split_number(control_id, rule.loose)
        if split is not None:
            yield split
    elif control_id.strip():
        yield _key(control_id, rule.loose)


def _offset_keys(rule: IdRule, observation_id: str) -> Iterator[object]:
    split = _split_number(observation_id, rule.loose)
    if split is not None:
        yield split[0], split[1] - rule.offset, split[2]


def _split_number(text: str, loose: bool) -> Optional[Tuple[str, int, str]]:
    """Text before the last number, the number, text after it."""
    match = _LAST_NUMBER.match(text.strip())
    if match is None:
        return None
    before, number, after = match.groups()
    if before[-1:].isdigit():  # the lazy part must not cut a number in two
        return None
    return _key(before, loose), int(number), _key(after, loose)


class _Surround:
    """Which parts of an observation id may be the control id, by what stands around them."""

    def __init__(self, rule: IdRule) -> None:
        before, after = rule._around()
        flags = re.DOTALL | (re.IGNORECASE if rule.loose else 0)
        self._before, self._after = _compiled(before, flags), _compiled(after, flags)
        self._fixed = tuple(_fixed_length(text) for text in (before, after))

    def keys(self, rule: IdRule, observation_id: str) -> Iterator[object]:
        text = observation_id.strip()
        size = len(text)
        before, after = self._fixed
        starts = range(size) if before is None else range(before, min(before, size) + 1)
        for start in starts:
            if not self._before.fullmatch(text, 0, start):
                continue
            ends = range(start + 1, size + 1) if after is None else (size - after,)
            for end in ends:
                if end > start and self._after.fullmatch(text, end, size):
                    yield _key(text[start:end], rule.loose)


def _compiled(text: str, flags: int) -> "re.Pattern[str]":
    pieces, last = [], 0
    for match in _WILDCARD.finditer(text):
        pieces.append(re.escape(text[last : match.start()]))
        literal, anything, _ = match.groups()
        pieces.append(re.escape(literal) if literal else ".*" if anything else "[0-9]")
        last = match.end()
    pieces.append(re.escape(text[last:]))
    return re.compile("".join(pieces), flags)


def _fixed_length(text: str) -> Optional[int]:
    """How many signs a text with wildcards stands for; None when any number."""
    length = len(text)
    for match in _WILDCARD.finditer(text):
        literal, anything, _ = match.groups()
        if anything:
            return None
        length -= len(match.group()) - 1 if literal else 0
    return length


def _literal(text: str) -> str:
    return re.sub(r"([*#\\])", r"\\\1", text)


def _in_words(text: str) -> str:
    """A text with wildcards, for a sentence; blank for nothing."""
    parts: List[str] = []
    last = 0
    plain = ""
    for match in _WILDCARD.finditer(text):
        plain += text[last : match.start()]
        last = match.end()
        literal, anything, _ = match.groups()
        if literal:
            plain += literal
            continue
        parts += [f"“{plain}”"] if plain else []
        plain = ""
        parts.append("anything" if anything else "a digit")
    plain += text[last:]
    parts += [f"“{plain}”"] if plain else []
    return ", then ".join(parts)
