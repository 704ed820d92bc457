"""Suspects: every cause planted once, clean sites, cases that cannot be decided."""

from __future__ import annotations

import numpy as np
import pytest

from sitetie.benchmarks.suspects import Log, clean_cases, double_cases, judge
from sitetie.core import Role, Settings, find_suspects
from sitetie.core.causes import CAUSES
from sitetie.core.consensus import height_followers, plane_followers
from sitetie.core.errors import GeometryError
from sitetie.tests.core.sites import change, random_site, shifted
from sitetie.tests.core.suspect_cases import (
    EVERY,
    ON_ONE_PAIR,
    many_wrong_case,
    single_case,
)
from sitetie.tests.core.suspect_sites import made_site


@pytest.mark.parametrize("cause", EVERY)
def test_every_cause_is_named_and_its_correction_leaves_nothing_to_name(cause):
    case = single_case(np.random.default_rng([7, EVERY.index(cause)]), cause)
    suspects = find_suspects(case.pairs, case.settings)
    outcome, = judge(case, suspects).outcomes
    assert outcome.counted, outcome
    named = next(s for s in suspects if s.cause == cause)
    assert set(case.blunders[0].control_ids) <= set(named.control_ids)
    assert named.evidence.endswith(".")
    assert any(letter.isdigit() for letter in named.evidence)
    settings_only = ("grid_or_ground", "base_projection", "ellipsoidal_elevations")
    if named.settings is not None:
        assert find_suspects(case.pairs, named.settings) == []
    if cause not in settings_only:
        assert find_suspects(named.pairs, case.settings) == []


def test_all_causes_but_the_nameless_one_are_planted():
    assert set(EVERY) | {"unexplained"} == set(CAUSES)


def test_raw_values_stay():
    case = single_case(np.random.default_rng(5), "digits_exchanged")
    before = tuple(case.pairs)
    find_suspects(case.pairs, case.settings)
    assert case.pairs == before


def test_clean_sites_have_no_suspects():
    assert clean_cases(3, 12, Log()) == [False] * 12


def test_two_blunders_at_once():
    judged = double_cases(5, 1, Log(), ON_ONE_PAIR[::3])
    right = [all(o.counted for o in j.outcomes) for j in judged]
    assert sum(right) >= len(right) - 1, judged
    assert not any(j.accused for j in judged)


def test_three_pairs_of_which_one_is_disturbed_accuse_nobody():
    made = made_site(np.random.default_rng(17), 3, extent=400.0)
    settings = made.settings.replace(vertical_model=None)
    pairs = [made.pairs[0], shifted(made.pairs[1], east=0.731, north=0.4123), made.pairs[2]]
    suspects = find_suspects(pairs, settings)
    assert [s.cause for s in suspects] == ["unexplained"]
    assert "too few" in suspects[0].evidence


def test_two_sets_of_one_size_are_said_to_be_undecided():
    """Three pairs say one thing, three others, moved alike, another."""
    made = made_site(np.random.default_rng(16), 6, extent=400.0)
    settings = made.settings.replace(horizontal_model="translation", vertical_model=None,
                                     scale=None)
    aligned = []
    for k, pair in enumerate(made.pairs):
        lon, lat = pair.observation.longitude, pair.observation.latitude
        east, north = made.plane(lon, lat)
        east += 0.733 if k % 2 else 0.0
        aligned.append(change(pair, control={"easting": 5000.0 + east, "northing": 7000.0 + north},
                              observation={"session": ""}))
    suspects = find_suspects(aligned, settings)
    assert [s.cause for s in suspects] == ["unexplained"]
    assert set(suspects[0].control_ids) == {p.control.id for p in aligned}


def test_a_check_pair_is_examined_and_an_idle_one_left_alone():
    site = random_site(21, marks=8, checks=1)
    pairs = [*site.pairs[:-1], shifted(site.pairs[-1], east=3.217, north=-1.618)]
    named = find_suspects(pairs, site.settings)
    assert [s.control_ids for s in named] == [(pairs[-1].control.id,)]
    pairs[-1] = change(pairs[-1], horizontal=Role.IDLE, vertical=Role.IDLE)
    assert find_suspects(pairs, site.settings) == []


def test_a_third_of_forty_wrong_pairs_are_all_found():
    case = many_wrong_case(np.random.default_rng(1))
    found = {name for s in find_suspects(case.pairs, case.settings) for name in s.control_ids}
    assert found == {blunder.control_ids[0] for blunder in case.blunders}


def test_order_of_the_pairs_does_not_matter():
    case = single_case(np.random.default_rng(8), "pole_missing")
    forth = find_suspects(case.pairs, case.settings)
    back = find_suspects(case.pairs[::-1], case.settings)
    assert [(s.cause, s.control_ids) for s in forth] == [(s.cause, s.control_ids) for s in back]


def test_one_pair_is_too_few_and_says_so():
    site = random_site(2, marks=1)
    with pytest.raises(GeometryError, match="pairs"):
        find_suspects(site.pairs, Settings())


def test_the_smallest_sets_are_a_sample_where_there_are_many_pairs():
    draw = np.random.default_rng(0)
    base = draw.uniform(0.0, 1000.0, (400, 2))
    sets, follows = plane_followers(base, base + 7.0, np.full(400, 1e-4), 2, 14.0)
    assert len(sets) < 4000
    assert follows.shape == (len(sets), 400)
    assert (sets[:, 0] < sets[:, 1]).all()
    assert follows.sum(axis=1).max() == 400
    planes, _ = height_followers(base, base[:, 0] * 1e-5, np.full(400, 1e-4), 3, 11.0)
    assert (np.diff(planes, axis=1) > 0).all()


def test_the_benchmark_goes_on_from_its_log(tmp_path):
    path = tmp_path / "log.jsonl"
    first = double_cases(6, 1, Log(path), ON_ONE_PAIR[:2])
    text = path.read_text()
    assert len(text.splitlines()) == 2
    assert double_cases(6, 1, Log(path), ON_ONE_PAIR[:2]) == first
    assert path.read_text() == text
    assert len(double_cases(6, 1, Log(path), ON_ONE_PAIR[:3])) == 3


def test_a_session_shifted_by_little_accuses_no_good_height():
    """Some heights of the session still agree with the others and would pull them."""
    accused = []
    for k in range(3):
        case = single_case(np.random.default_rng([14, k]), "session_shifted")
        judged = judge(case, find_suspects(case.pairs, case.settings))
        accused.append(judged.accused)
        assert judged.outcomes[0].counted, judged
    assert not any(accused)


def test_an_observation_at_a_mark_in_another_unit_is_still_found_to_belong_there():
    """The mark has to be corrected before the observation fits it."""
    site = random_site(51, marks=9)
    there = site.pairs[4]
    pairs = list(site.pairs)
    pairs[4] = change(there, control={"easting": there.control.easting / 0.3048,
                                      "northing": there.control.northing / 0.3048})
    moved = there.observation
    pairs[1] = change(pairs[1], observation={
        "latitude": moved.latitude + 2e-8, "longitude": moved.longitude, "height": moved.height})
    named = [s for s in find_suspects(pairs, site.settings) if not s.alternative]
    assert [(s.cause, s.control_ids) for s in named] == [
        ("control_unit", (there.control.id,)),
        ("wrong_control", (pairs[1].control.id, there.control.id))]
    assert find_suspects(named[1].pairs, site.settings) == []
