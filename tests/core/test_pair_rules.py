"""Which observation belongs to which control point, by their ids."""

from __future__ import annotations

import csv
import random
from pathlib import Path

import pytest

from sitetie.core.errors import InputError
from sitetie.core.pair_rules import KINDS, IdRule, match_ids, suggest_rules

QUARRY = Path(__file__).resolve().parents[2] / "sample_project" / "quarry"

#: Rule, control ids, observation ids, pairs expected as "control observation", ambiguous ones.
CASES = [
    (IdRule(), "K1 K2", "K2 K1 K3", "K2=K2 K1=K1", ""),
    (IdRule(), "K1 k1", "K1", "K1=K1", ""),
    (IdRule(), "K01", "K1", "", ""),
    (IdRule(loose=True), "K01", "k1", "K01=k1", ""),
    (IdRule(loose=True), "K01 K1", "k1", "", "k1"),
    (IdRule(loose=True), "K10", "K010 K1 K100", "K10=K010", ""),
    (IdRule(loose=True), "A0", "a00", "A0=a00", ""),
    (IdRule("prefix", "ST-"), "K8 8", "ST-K8 ST-8 T-8 8", "K8=ST-K8 8=ST-8", ""),
    (IdRule("prefix", "st-", loose=True), "K8", "ST-K08", "K8=ST-K08", ""),
    (IdRule("prefix", "10", loose=True), "01", "1001", "01=1001", ""),
    (IdRule("suffix", "-1"), "K1 K2", "K1-1 K1-2 K2-1", "K1=K1-1 K2=K2-1", ""),
    (IdRule("suffix", "-#"), "K1", "K1-1 K1-2 K1-10", "K1=K1-1 K1=K1-2", ""),
    (IdRule("suffix", r"\#"), "K1", "K1# K15", "K1=K1#", ""),
    (IdRule("suffix", "+."), "K1", "K1+. K11.", "K1=K1+.", ""),
    (IdRule("offset", offset=1000), "7 12 K7", "1007 1012 K1007 13", "7=1007 12=1012 K7=K1007",
     ""),
    (IdRule("offset", offset=-100), "M107", "M7 M07 N7", "M107=M7 M107=M07", ""),
    (IdRule("offset", offset=1), "K9b", "K10b K10", "K9b=K10b", ""),
    (IdRule("offset", offset=5), "A1.10", "A1.15 A6.10", "A1.10=A1.15", ""),
    (IdRule("pattern", "{id}-*"), "K1 K1-2", "K1-7 K1-2-7", "K1=K1-7", "K1-2-7"),
    (IdRule("pattern", "GPS_{id}_##"), "K1", "GPS_K1_07 GPS_K1_7 GPS_K1_107", "K1=GPS_K1_07", ""),
    (IdRule("pattern", "*{id}"), "1 11", "a1 a11", "1=a1", "a11"),
    (IdRule("pattern", "({id})"), "K1", "(K1) K1", "K1=(K1)", ""),
]


@pytest.mark.parametrize(("rule", "control", "observed", "pairs", "ambiguous"), CASES)
def test_what_a_rule_gives(rule, control, observed, pairs, ambiguous) -> None:
    control, observed = control.split(), observed.split()
    found = match_ids(rule, control, observed)
    assert [f"{control[i]}={observed[j]}" for i, j in found.pairs] == pairs.split()
    assert [observed[j] for j, _ in found.ambiguous] == ambiguous.split()
    for _, rivals in found.ambiguous:
        assert len(rivals) > 1


def test_blanks_around_ids_do_not_matter() -> None:
    assert match_ids(IdRule(), [" K1"], ["K1 "]).pairs == ((0, 0),)
    assert match_ids(IdRule(), ["", " "], ["", "K1"]).pairs == ()


@pytest.mark.parametrize(
    ("rule", "words"),
    [
        (IdRule(), "An observation's id is the control id."),
        (IdRule("prefix", "ST-"), "An observation's id is “ST-”, then the control id."),
        (IdRule("pattern", "{id}-*"),
         "An observation's id is the control id, then “-”, then anything."),
        (IdRule("suffix", r"\*#", loose=True),
         "An observation's id is the control id, then “*”, then a digit; capitals, blanks and "
         "leading zeros make no difference."),
        (IdRule("offset", offset=1000),
         "The number in an observation's id is 1000 more than in the control id."),
        (IdRule("offset", offset=-7),
         "The number in an observation's id is 7 less than in the control id."),
    ],
)
def test_the_rule_in_words(rule, words) -> None:
    assert rule.sentence == words


@pytest.mark.parametrize(
    ("made", "words"),
    [
        (lambda: IdRule("prefix"), "prefix is blank"),
        (lambda: IdRule("suffix", ""), "suffix is blank"),
        (lambda: IdRule("pattern", "K-*"), "does not have {id} once"),
        (lambda: IdRule("pattern", "{id}{id}"), "does not have {id} once"),
        (lambda: IdRule("offset"), "offset is 0"),
        (lambda: IdRule("regex", "x"), "not a rule"),
    ],
)
def test_incomplete_rules_are_refused(made, words) -> None:
    with pytest.raises(InputError, match=words.replace("{", r"\{")) as caught:
        made()
    assert caught.value.remedy


def test_the_sample_suggests_its_own_rule() -> None:
    control, observed = (
        [row[name] for row in csv.DictReader(open(QUARRY / file, encoding="utf-8"))]
        for file, name in (("control.csv", "control_id"), ("observations.csv", "observation_id"))
    )
    rule, matches = suggest_rules(control, observed)[0]
    assert rule == IdRule("pattern", "{id}-*")
    for i, j in matches.pairs:
        assert observed[j].startswith(control[i] + "-")
    assert [observed[j] for j in set(range(len(observed))) - {j for _, j in matches.pairs}] == [
        "ST-K08"
    ]


def test_the_plainest_of_equal_suggestions_comes_first() -> None:
    assert suggest_rules(["1", "2"], ["1", "2"])[0][0] == IdRule()
    assert suggest_rules(["7", "8", "9"], ["1007", "1008", "1009"])[0][0] in (
        IdRule("prefix", "100"), IdRule("offset", offset=1000))
    assert suggest_rules(["9", "10"], ["1009", "1010"])[0][0] == IdRule("offset", offset=1000)
    assert suggest_rules(["a"], ["b"]) == []
    assert suggest_rules([], []) == []


def test_ids_made_by_a_rule_are_found_by_it() -> None:
    """Round trip: observation ids built from control ids come back to them, shuffled, among
    others that fit nothing."""
    draw = random.Random(5)
    for _ in range(200):
        count = draw.randint(1, 12)
        control = [f"{letter}{draw.randint(1, 99)}" for letter in "ABCDEFGHIJKL"[:count]]
        kind = draw.choice(KINDS)
        addition = draw.choice(["x_", "GPS-", "7.", "(", "**"])
        literal = addition.replace("*", r"\*")
        offset = draw.randint(1, 5000)
        rule, make = {
            "equal": (IdRule(), lambda text: text),
            "prefix": (IdRule("prefix", literal), lambda text, a=addition: a + text),
            "suffix": (IdRule("suffix", literal), lambda text, a=addition: text + a),
            "offset": (IdRule("offset", offset=offset),
                       lambda text, o=offset: f"{text[0]}{int(text[1:]) + o}"),
            "pattern": (IdRule("pattern", f"{literal}{{id}}-#*"),
                        lambda text, a=addition: f"{a}{text}-{draw.randint(0, 9)}end"),
        }[kind]
        observed = [make(text) for text in control] + ["Z", "", "Z-Z"]
        order = list(range(len(observed)))
        draw.shuffle(order)
        found = match_ids(rule, control, [observed[i] for i in order])
        assert sorted((i, order[j]) for i, j in found.pairs) == [(i, i) for i in range(count)]
        assert found.ambiguous == ()
