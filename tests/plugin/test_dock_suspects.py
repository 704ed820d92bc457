"""Suspects in the dock, by mouse: evidence, preview, one click, and how it is taken back."""

from __future__ import annotations

import dataclasses
import time
from typing import Iterator

import numpy as np
import pytest
from qgis.core import QgsCoordinateReferenceSystem, QgsWkbTypes
from qgis.gui import QgsRubberBand
from qgis.PyQt.QtCore import Qt, QUrl

from sitetie.core import Role, find_suspects, solve
from sitetie.core.corrections import as_given
from sitetie.core.suspect_preview import preview
from sitetie.core.tie_file import loads
from sitetie.plugin.dock.pair_columns import KEYS
from sitetie.plugin.dock.preview_bars import lines_of
from sitetie.plugin.job.job_store import job_of_text, job_text
from sitetie.tests.core.suspect_cases import single_case

from .dock_bench import Bench, bench_fixture, choose_settings, quarry_pairs, quarry_settings


@pytest.fixture
def bench(qgis_app) -> Iterator[Bench]:
    yield from bench_fixture()


@pytest.fixture
def quarry(bench: Bench) -> Bench:
    choose_settings(bench.job, quarry_settings())
    bench.job.add_pairs(quarry_pairs())
    wait(bench)
    return bench


def wait(bench: Bench) -> None:
    """Until the search in the background has ended."""
    search, end = bench.dock.pairs.search, time.monotonic() + 30.0
    bench.settle()
    while search.searching and time.monotonic() < end:
        bench.settle()
        time.sleep(0.01)
    assert not search.searching


def case_of(bench: Bench, cause: str, seed: int = 3):
    case = single_case(np.random.default_rng([seed, len(cause)]), cause)
    choose_settings(bench.job, case.settings)
    bench.job.add_pairs(case.pairs)
    wait(bench)
    return case


def pair_of(bench: Bench, control: str):
    return next(p for p in bench.job.state.pairs if p.control.id == control)


def test_the_planted_blunders_of_the_sample_are_named(quarry: Bench) -> None:
    named = [s for s in quarry.dock.pairs.search.suspects if not s.alternative]
    assert [(s.cause, s.control_ids) for s in named] == [
        ("digits_exchanged", ("K08",)), ("pole_wrong", ("K09",))]


def test_a_suspect_is_shown_with_evidence_and_preview_once_its_pair_is_selected(
    quarry: Bench
) -> None:
    card = quarry.dock.pairs.card
    quarry.dock.select_control("K01")
    assert card.isHidden()
    quarry.dock.select_control("K08")
    assert not card.isHidden()
    assert card.choice.currentText() == "K08: two neighbouring digits are exchanged"
    assert "latitude 48.788974840° instead of 48.788794840°" in card.evidence.text()
    told = card.bars.accessibleDescription()
    assert told.startswith("K08 = ST-K08: horizontal 13.9 m → 4 mm")
    assert "RMS of all" in told


def test_the_preview_is_what_solving_again_gives(quarry: Bench) -> None:
    suspect = find_suspects(quarry.job.state.pairs, quarry.job.state.settings)[0]
    found = preview(quarry.job.state.pairs, quarry.job.state.settings, suspect)
    before = solve(quarry.job.state.pairs, quarry.job.state.settings)
    after = solve(suspect.pairs, quarry.job.state.settings)
    for row, now, then in zip(found.rows, before.residuals, after.residuals):
        assert row.horizontal == (now.horizontal.size, then.horizontal.size)
        assert row.vertical == (now.vertical.size, then.vertical.size)
    assert found.horizontal == (before.statistics.horizontal.rms, after.statistics.horizontal.rms)
    assert [row.name for row in found.rows if row.concerned] == ["K08 = ST-K08"]
    lines = lines_of(found, quarry.job.state.settings)
    assert (lines[0].name, lines[0].strong) == ("K08 = ST-K08", True)
    assert lines[-1].name == "RMS of all"


def test_one_click_corrects_the_pair_and_the_value_as_given_stays(quarry: Bench) -> None:
    raw = pair_of(quarry, "K08")
    before = quarry.job.state
    quarry.dock.select_control("K08")
    quarry.click(quarry.widget("suspect_apply"))
    corrected = pair_of(quarry, "K08")
    assert as_given(corrected) == raw
    assert corrected.given_observation == raw.observation
    assert corrected.observation.latitude == pytest.approx(48.78897484, abs=1e-12)
    correction, = corrected.corrections
    assert correction.cause == "digits_exchanged"
    assert correction.time.endswith("Z")
    assert "K08" in correction.evidence
    column = KEYS.index("corrected")
    assert quarry.cells(column)[quarry.cells(0).index("K08")] == "latitude"
    said = quarry.dock.pairs.detail.toPlainText()
    assert "Corrected: latitude 48.788974840° instead of 48.788794840° as given" in said
    assert quarry.job.undo_stack.undoText() == "Correct K08: latitude"
    assert quarry.job.tie.residuals["K08"].horizontal.size < 0.02
    quarry.job.undo_stack.undo()
    assert quarry.job.state == before
    quarry.job.undo_stack.redo()
    assert pair_of(quarry, "K08") == corrected


def test_a_correction_goes_with_the_accepted_tie_and_with_the_project(quarry: Bench) -> None:
    quarry.dock.select_control("K08")
    quarry.click(quarry.widget("suspect_apply"))
    accepted = quarry.job.accept("A. Surveyor", "")
    kept = loads(accepted.text.encode("utf-8"))
    found = next(p for p in kept.pairs if p.control.id == "K08")
    assert found.corrections == pair_of(quarry, "K08").corrections
    assert found.given_observation == pair_of(quarry, "K08").given_observation
    assert job_of_text(job_text(quarry.job.state)) == quarry.job.state


def test_a_correction_can_be_taken_back_later(quarry: Bench) -> None:
    raw = pair_of(quarry, "K08")
    quarry.dock.select_control("K08")
    quarry.click(quarry.widget("suspect_apply"))
    quarry.job.set_role((0,), ("horizontal",), Role.CHECK)
    assert "href=\"#0\"" in quarry.dock.pairs.detail.toHtml()
    quarry.dock.pairs.detail.anchorClicked.emit(QUrl("#0"))
    assert pair_of(quarry, "K08") == raw
    assert "check" in quarry.cells(KEYS.index("role_horizontal"))


def test_what_fits_no_slip_is_left_out_and_no_correction_is_written(bench: Bench) -> None:
    case = case_of(bench, "disturbed_mark")
    wrong = case.blunders[0].control_ids[0]
    bench.dock.select_control(wrong)
    choice = bench.widget("suspect_choice")
    place = next(k for k in range(choice.count()) if "disturbed" in choice.itemText(k))
    choice.setCurrentIndex(place)
    bench.settle()
    assert bench.widget("suspect_apply").text() == "Leave it out"
    bench.click(bench.widget("suspect_apply"))
    pair = pair_of(bench, wrong)
    assert pair.corrections == ()
    assert "idle" in (pair.horizontal.value, pair.vertical.value)


def test_a_cause_of_the_whole_set_is_shown_while_nothing_is_selected(bench: Bench) -> None:
    """Every pole forgotten: no residual shows it, and it can be corrected on all pairs at once."""
    case = case_of(bench, "pole_on_every_shot")
    bench.view.clearSelection()
    bench.settle()
    card = bench.dock.pairs.card
    assert not card.isHidden()
    assert "the pole was not taken off on any shot" in card.choice.currentText()
    assert bench.widget("suspect_apply").text() == f"Correct {len(case.pairs)} pairs"
    bench.click(bench.widget("suspect_apply"))
    assert all(p.corrections[0].fields == ("height",) for p in bench.job.state.pairs)
    bench.dock.select_places([0])
    bench.dock.pairs.detail.anchorClicked.emit(QUrl("#0"))
    assert bench.job.state.pairs == case.pairs


def test_control_in_another_unit_is_named_though_it_refuses_to_be_solved(bench: Bench) -> None:
    """Metres read as feet or the reverse; which of the two feet, a person says."""
    for seed in range(40):
        case = single_case(np.random.default_rng([seed, 1]), "control_unit_all")
        found = find_suspects(case.pairs, case.settings)
        if found[0].settings is not None and found[0].settings.site_unit == "ft":
            break
    choose_settings(bench.job, case.settings)
    bench.job.add_pairs(case.pairs)
    wait(bench)
    assert bench.job.tie is None
    bench.view.clearSelection()
    bench.settle()
    assert bench.widget("suspect_apply").text() == "International feet"
    bench.click(bench.widget("suspect_other_unit"))
    assert bench.job.state.settings.site_unit == "us-ft"
    assert bench.job.state.pairs == case.pairs
    assert bench.job.tie is not None


def test_an_old_answer_is_not_shown_for_other_pairs(quarry: Bench) -> None:
    quarry.dock.select_control("K08")
    quarry.job.remove_pairs((0, 1))
    assert quarry.dock.pairs.card.isHidden()
    wait(quarry)
    assert not quarry.dock.pairs.card.isHidden()
    changed = dataclasses.replace(quarry.job.state.settings, test_level=0.01)
    quarry.job.set_settings(changed)
    assert quarry.dock.pairs.card.isHidden()


def test_a_corrected_pair_is_marked_in_the_table(quarry: Bench) -> None:
    def marked() -> list:
        column = KEYS.index("observation")
        model = quarry.view.model()
        return [model.index(row, column).data() for row in range(model.rowCount())
                if model.index(row, column).data(Qt.ItemDataRole.DecorationRole) is not None]

    assert marked() == []
    quarry.dock.select_control("K08")
    quarry.click(quarry.widget("suspect_apply"))
    assert marked() == ["ST-K08"]
    assert "Undo takes it back" in quarry.dock.status.label.text()


def test_the_map_shows_where_the_mark_would_go(quarry: Bench) -> None:
    canvas = quarry.iface.mapCanvas()
    canvas.setDestinationCrs(QgsCoordinateReferenceSystem("EPSG:7931"))

    def lines() -> list:
        """Not the pairing tool's, which is empty, nor what is selected, which are points."""
        return [item for item in canvas.scene().items() if isinstance(item, QgsRubberBand)
                and item.asGeometry().type() == QgsWkbTypes.GeometryType.LineGeometry
                and not item.asGeometry().isEmpty()]

    quarry.dock.select_control("K01")
    assert lines() == []
    quarry.dock.select_control("K08")
    line, = lines()
    start, end = line.asGeometry().asPolyline()
    assert (start.y(), end.y()) == pytest.approx((48.78879484, 48.78897484), abs=1e-11)
    assert start.x() == end.x()
    quarry.dock.select_control("K09")  # only its height is wrong
    assert lines() == []
    quarry.dock.select_control("K08")
    quarry.click(quarry.widget("suspect_apply"))
    assert lines() == []


def test_a_corrected_control_point_moves_to_where_gnss_would_see_it() -> None:
    case = single_case(np.random.default_rng([4, 0]), "easting_northing_exchanged")
    suspect = find_suspects(case.pairs, case.settings)[0]
    found = preview(case.pairs, case.settings, suspect)
    move, = found.moves
    place = next(i for i, pair in enumerate(case.pairs) if pair != suspect.pairs[i])
    seen = case.pairs[place].observation
    assert move.end == pytest.approx((seen.latitude, seen.longitude), abs=1e-6)
    assert move.start != pytest.approx(move.end, abs=1e-6)
