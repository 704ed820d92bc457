"""The job: every change is solved, can be undone, and says what was done."""

from __future__ import annotations

import pytest

from sitetie.core import Role, SitetieError, solve
from sitetie.core.errors import GeometryError
from sitetie.plugin.job.job import Job
from sitetie.plugin.job.state import JobState

from .dock_bench import quarry_pairs, quarry_settings


@pytest.fixture
def job(qgis_app) -> Job:
    return Job()


def test_every_change_is_solved_at_once(job: Job) -> None:
    told = []
    job.changed.connect(lambda: told.append(job.tie))
    job.set_settings(quarry_settings())
    job.add_pairs(quarry_pairs())
    assert told[-1].id == solve(quarry_pairs(), job.state.settings).id
    job.set_role((16,), ("horizontal",), Role.IDLE)
    assert len(told) == 3
    assert told[-1].id != told[-2].id


def test_the_base_projection_stays_through_changes_of_roles(job: Job) -> None:
    job.set_settings(quarry_settings())
    job.add_pairs(quarry_pairs("pairs_first_two")[:1])
    assert job.state.settings.base_crs is None
    assert isinstance(job.problem, GeometryError)
    job.add_pairs(quarry_pairs()[3:])
    frozen = job.state.settings.base_crs
    assert frozen is not None
    job.set_role(range(8), ("horizontal", "vertical"), Role.IDLE)
    assert job.state.settings.base_crs == frozen


def test_steps_are_named_for_the_undo_menu(job: Job) -> None:
    job.add_pairs(quarry_pairs("pairs_first_two"))
    job.set_role((0,), ("vertical",), Role.CHECK)
    job.set_role((0, 1), ("horizontal", "vertical"), Role.IDLE)
    job.remove_pairs((1,))
    stack = job.undo_stack
    assert [stack.text(i) for i in range(stack.count())] == [
        "Add 2 pairs", "Set K01 to check (vertical)", "Set 2 pairs to idle", "Take out K02 = K02-1",
    ]


def test_what_changes_nothing_is_no_step(job: Job) -> None:
    job.add_pairs(quarry_pairs("pairs_first_two"))
    job.set_role((0,), ("vertical",), Role.FIT)
    job.set_settings(job.state.settings)
    assert job.undo_stack.count() == 1


def test_an_observation_serves_one_pair(job: Job) -> None:
    pairs = quarry_pairs("pairs_first_two")
    job.add_pairs(pairs)
    with pytest.raises(SitetieError, match="already paired with K01"):
        job.add_pairs(pairs[:1])


def test_roles_are_set_where_they_are_possible(job: Job) -> None:
    job.set_settings(quarry_settings())
    job.add_pairs(quarry_pairs())
    names = [pair.control.id for pair in job.state.pairs]
    k04, k11 = names.index("K04"), names.index("K11")
    assert job.set_role((k04, k11), ("horizontal", "vertical"), Role.CHECK) == []
    pairs = job.state.pairs
    assert (pairs[k04].horizontal, pairs[k04].vertical) == (Role.CHECK, Role.IDLE)
    assert (pairs[k11].horizontal, pairs[k11].vertical) == (Role.IDLE, Role.CHECK)
    refused = job.set_role((k04, k11), ("vertical",), Role.FIT)
    assert [error.point for error in refused] == ["K04"]
    assert job.state.pairs[k11].vertical is Role.FIT


def test_what_was_accepted_stays_accepted(job: Job) -> None:
    job.set_settings(quarry_settings())
    job.add_pairs(quarry_pairs("pairs_reviewed"))
    first = job.accept("A. Surveyor", "stage 1")
    job.set_role((3,), ("horizontal",), Role.CHECK)
    second = job.accept("B. Surveyor", "")
    assert (first.number, second.number) == (1, 2)
    for _ in range(job.undo_stack.count()):
        job.undo_stack.undo()
    assert job.state == JobState(accepted=(first, second))
    job.undo_stack.redo()
    assert [item.number for item in job.state.accepted] == [1, 2]
    assert first.tie_id != second.tie_id
    assert first.time.endswith("Z")
