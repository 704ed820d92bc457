"""A job lives with its QGIS project: saved, reopened, kept apart from the next one's."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Iterator

import pytest
from qgis.core import QgsProject

from sitetie.core import HeldScale, Role, SitetieError
from sitetie.plugin.job.job import Job
from sitetie.plugin.job.job_store import ENTRY, SCOPE, JobStore, job_of_text, job_text
from sitetie.plugin.job.state import FieldChoice, JobState, LayerSource

from .dock_bench import quarry_pairs, quarry_settings


class Kept:
    """A job, its store and a project of its own."""

    def __init__(self) -> None:
        self.project = QgsProject()
        self.job = Job()
        self.store = JobStore(self.job, self.project)
        self.refused = []
        self.store.refused.connect(self.refused.append)


@pytest.fixture
def kept(qgis_app) -> Iterator[Kept]:
    made = Kept()
    yield made
    made.store.let_go()


def fill(job: Job) -> None:
    job.set_settings(quarry_settings())
    job.add_pairs(quarry_pairs())
    job.change("Choose", job.state.replace(control=LayerSource(
        "id1", "Control points", "file:///control.csv", "delimitedtext",
        (FieldChoice("control_id", "id"),), True)))


def test_a_job_as_text_comes_back_to_the_last_digit(qgis_app) -> None:
    job = Job()
    fill(job)
    job.set_settings(job.state.settings.replace(scale=HeldScale(1.0 / 3.0, 1e-7, "ground")))
    job.accept("A. Surveyor", "stage 1")
    assert job_of_text(job_text(job.state)) == job.state


def test_saved_and_opened_again(kept: Kept, tmp_path: Path) -> None:
    fill(kept.job)
    kept.job.set_role((16,), ("horizontal", "vertical"), Role.IDLE)
    kept.job.accept("A. Surveyor", "")
    state, tie = kept.job.state, kept.job.tie.id
    assert kept.project.isDirty()
    assert kept.project.write(str(tmp_path / "job.qgz"))
    kept.project.clear()
    assert kept.job.state == JobState()
    assert kept.project.read(str(tmp_path / "job.qgz"))
    assert kept.job.state == state
    assert kept.job.tie.id == tie
    assert not kept.job.undo_stack.canUndo()
    assert not kept.project.isDirty()


def test_two_projects_in_a_row_do_not_leak(kept: Kept, tmp_path: Path) -> None:
    fill(kept.job)
    first = kept.job.state
    assert kept.project.write(str(tmp_path / "first.qgz"))
    kept.project.clear()
    assert kept.project.write(str(tmp_path / "empty.qgz"))
    assert kept.project.read(str(tmp_path / "first.qgz"))
    assert kept.job.state == first
    assert kept.project.read(str(tmp_path / "empty.qgz"))
    assert kept.job.state == JobState()
    assert kept.project.readEntry(SCOPE, ENTRY)[0] == ""


def test_an_emptied_job_leaves_nothing_in_the_project(kept: Kept, tmp_path: Path) -> None:
    fill(kept.job)
    assert kept.project.write(str(tmp_path / "job.qgz"))
    for _ in range(kept.job.undo_stack.count()):
        kept.job.undo_stack.undo()
    assert kept.project.write()
    assert kept.project.readEntry(SCOPE, ENTRY)[0] == ""


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("{", "damaged"),
        ('{"format": "other"}', "no Sitetie job"),
        ('{"format": "sitetie-job", "schema_version": 99, "job": {}}', "version 99"),
        ('{"format": "sitetie-job", "schema_version": 1, "job": {"pairs": []}}', "missing"),
    ],
)
def test_what_cannot_be_read_is_said_and_left_as_it_is(
    kept: Kept, tmp_path: Path, text: str, said: str
) -> None:
    kept.project.writeEntry(SCOPE, ENTRY, text)
    kept.store.read()
    assert kept.job.state == JobState()
    assert said in str(kept.refused[0])
    assert kept.project.write(str(tmp_path / "job.qgz"))
    assert kept.project.readEntry(SCOPE, ENTRY)[0] == text
    fill(kept.job)
    assert kept.project.write()
    assert job_of_text(kept.project.readEntry(SCOPE, ENTRY)[0]) == kept.job.state


def test_a_store_that_was_let_go_hears_nothing(qgis_app, tmp_path: Path) -> None:
    made = Kept()
    fill(made.job)
    made.store.let_go()
    made.project.clear()
    assert len(made.job.state.pairs) == 17


def test_an_error_of_a_pair_names_it(qgis_app) -> None:
    text = job_text(JobState(pairs=tuple(quarry_pairs()))).replace(
        '"latitude": 48.786218952', '"latitude": 148.0')
    with pytest.raises(SitetieError, match=r"pairs\[0\]"):
        job_of_text(text)


def test_a_job_stored_before_units_were_asked_for(qgis_app) -> None:
    """With pairs it was worked on, so its units count as chosen; without it is asked."""
    for state, chosen in ((JobState(pairs=tuple(quarry_pairs())), True), (JobState(), False)):
        content = json.loads(job_text(state))
        del content["job"]["units_chosen"]
        content["schema_version"] = 1
        assert job_of_text(json.dumps(content)) == state.replace(units_chosen=chosen)
