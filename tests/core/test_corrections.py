"""Corrections on a pair: the values as given stay, in memory, in tables, in tie files."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from sitetie.core import Role, Tie, find_suspects, read_pairs, solve, write_pairs
from sitetie.core.corrections import (
    as_given,
    changed_values,
    correct,
    correction_words,
    fields_words,
    signature_words,
    signed,
    without_correction,
)
from sitetie.core.errors import InputError
from sitetie.core.tie_file import dumps, loads
from sitetie.tests.core.sites import change, random_site
from sitetie.tests.core.suspect_cases import single_case

TIME = "2026-05-04T07:08:09Z"


@pytest.fixture(scope="module")
def site():
    return random_site(31, marks=7)


def twice_corrected(pair):
    high = correct(pair, change(pair, observation={"height": pair.observation.height - 2.0}),
                   "pole_missing", "It fits with the pole taken off.")
    east = correct(high, change(high, control={"easting": high.control.easting + 90.0}),
                   "digits_exchanged", "It fits with two digits exchanged, = so it is.")
    return signed(east, "A. Surveyor", TIME)


def test_a_correction_keeps_the_values_as_given(site):
    pair = site.pairs[2]
    corrected = twice_corrected(pair)
    assert corrected.observation.height == pair.observation.height - 2.0
    assert corrected.given_observation == pair.observation
    assert corrected.given_control == pair.control
    assert as_given(corrected) == pair
    assert [c.fields for c in corrected.corrections] == [("height",), ("easting",)]
    assert {c.by for c in corrected.corrections} == {"A. Surveyor"}
    assert fields_words(corrected.corrections) == "height, easting"
    words = correction_words(corrected, corrected.corrections[0])
    assert words == (f"height {pair.observation.height - 2.0:.3f} m instead of "
                     f"{pair.observation.height:.3f} m as given")
    assert signature_words(corrected.corrections[0]) == "A. Surveyor, 2026-05-04 07:08:09 UTC"


def test_either_correction_can_be_taken_back_alone(site):
    pair = site.pairs[2]
    corrected = twice_corrected(pair)
    low = without_correction(corrected, 0)
    assert low.observation == pair.observation
    assert low.given_observation is None
    assert low.control == corrected.control
    assert low.given_control == pair.control
    assert [c.cause for c in low.corrections] == ["digits_exchanged"]
    assert without_correction(low, 0) == pair


def test_a_signature_once_given_stays(site):
    corrected = twice_corrected(site.pairs[0])
    assert signed(corrected, "Another", "later") == corrected


def test_what_is_solved_are_the_corrected_values(site):
    corrected = [twice_corrected(site.pairs[0]), *site.pairs[1:]]
    plain = [change(site.pairs[0],
                    observation={"height": corrected[0].observation.height},
                    control={"easting": corrected[0].control.easting}), *site.pairs[1:]]
    assert solve(corrected, site.settings).horizontal == solve(plain, site.settings).horizontal
    assert solve(corrected, site.settings).vertical == solve(plain, site.settings).vertical


def test_roles_are_no_corrections(site):
    idle = dataclasses.replace(site.pairs[0], horizontal=Role.IDLE)
    assert correct(site.pairs[0], idle, "disturbed_mark", "It misses.") == idle
    assert idle.corrections == ()


def test_a_table_holds_the_values_as_given_and_the_corrections_beside_them(site, tmp_path):
    pairs = [twice_corrected(site.pairs[0]), *site.pairs[1:]]
    path = tmp_path / "pairs.csv"
    write_pairs(path, pairs)
    header, first = path.read_text(encoding="utf-8-sig").splitlines()[:2]
    assert header.endswith(",corrections")
    assert repr(site.pairs[0].observation.height) in first.split('"[{')[0]
    back = [dataclasses.replace(pair, file=None, row=None) for pair in read_pairs(path)]
    assert back == [dataclasses.replace(pair, file=None, row=None) for pair in pairs]
    write_pairs(path, site.pairs)
    assert "corrections" not in path.read_text(encoding="utf-8-sig")


@pytest.mark.parametrize("cell", [
    "height", "{}1", "[1]", '[{"cause": "x"}]', '[{"cause": "x", "evidence": "y", "fields": 3}]',
    '[{"cause": "x", "evidence": "y", "fields": {"hight": 3.0}}]',
    '[{"cause": "x", "evidence": "y", "fields": {"height": "much"}}]',
])
def test_a_cell_that_holds_no_corrections_is_refused_by_row(site, tmp_path, cell):
    path = tmp_path / "pairs.csv"
    write_pairs(path, [twice_corrected(site.pairs[0]), *site.pairs[1:]])
    lines = path.read_text(encoding="utf-8-sig").splitlines()
    quoted = '"' + cell.replace('"', '""') + '"'
    lines[1] = lines[1].split(',"[{')[0] + "," + quoted
    path.write_text("\n".join(lines), encoding="utf-8")
    with pytest.raises(InputError, match="corrections|height") as caught:
        read_pairs(path)
    assert caught.value.row == 2
    assert caught.value.remedy


def test_a_tie_file_holds_both(site):
    tie = solve([twice_corrected(site.pairs[0]), *site.pairs[1:]], site.settings)
    back = loads(dumps(tie).encode("utf-8"))
    assert isinstance(back, Tie)
    assert back == tie
    assert back.id == tie.id
    assert as_given(back.pairs[0]) == as_given(tie.pairs[0])
    assert [c.by for c in back.pairs[0].corrections] == ["A. Surveyor", "A. Surveyor"]
    assert tie.id != solve(site.pairs, site.settings).id


@pytest.mark.parametrize("cause", [
    "digits_exchanged", "wrong_control", "pole_missing", "control_unit", "mirrored",
    "pairs_exchanged", "latitude_longitude_exchanged",
])
def test_what_a_suspect_corrects_can_be_taken_back(cause):
    case = single_case(np.random.default_rng([12, len(cause)]), cause)
    named = next(s for s in find_suspects(case.pairs, case.settings) if s.cause == cause)
    changed = [pair for pair, old in zip(named.pairs, case.pairs) if pair != old]
    assert changed
    for pair in changed:
        assert [c.cause for c in pair.corrections] == [cause]
        assert pair.corrections[0].evidence == named.evidence
        assert changed_values(pair)
        assert as_given(pair) == without_correction(pair, 0)
        assert as_given(pair) in case.pairs


def test_a_corrected_control_point_is_corrected_wherever_it_is_used():
    site = random_site(41, marks=8)
    shot = change(site.pairs[3], observation={"id": "again"})
    wrong = site.pairs[3].control.elevation + 2.0
    pairs = [*site.pairs, shot]
    pairs = [change(p, control={"elevation": wrong}) if p.control.id == shot.control.id else p
             for p in pairs]
    suspects = find_suspects(pairs, site.settings)
    assert {s.control_ids for s in suspects} == {(shot.control.id,)}
    lifted = [s for s in suspects if any(
        "elevation" in c.fields for p in s.pairs for c in p.corrections)]
    assert lifted
    assert find_suspects(lifted[0].pairs, site.settings) == []
    assert solve(lifted[0].pairs, site.settings)
