"""Settings by keyboard: each reaches the job, wrong ones are said beside the field."""

from __future__ import annotations

from typing import Iterator

import pytest
from qgis.PyQt.QtCore import QPoint, QPointF, Qt
from qgis.PyQt.QtGui import QWheelEvent
from qgis.PyQt.QtWidgets import QApplication, QComboBox, QLineEdit

from sitetie.core import HeldScale
from sitetie.core.site_scale import site_scale
from sitetie.plugin.dock.setting_fields import (
    HORIZONTAL,
    OBSERVATIONS,
    SIGMAS,
    SITE_GRID,
    TESTS,
    VERTICAL,
)
from sitetie.plugin.dock.unit_row import UnitRow
from sitetie.plugin.job.job import Job

from .dock_bench import Bench, bench_fixture, choose_settings, quarry_pairs, quarry_settings

FIELDS = (*SITE_GRID, HORIZONTAL, VERTICAL, *OBSERVATIONS, *SIGMAS, *TESTS)


@pytest.fixture
def bench(qgis_app) -> Iterator[Bench]:
    for made in bench_fixture():
        choose_settings(made.job, quarry_settings())
        made.job.add_pairs(quarry_pairs("pairs_reviewed"))
        made.dock.show_page("Site settings")
        made.settle()
        yield made


def enter(bench: Bench, name: str, text: str) -> None:
    entry = bench.widget(name)
    assert isinstance(entry, QLineEdit)
    entry.setFocus()
    entry.selectAll()
    if text:
        for letter in text:
            bench.press(entry, letter)
    else:
        bench.press(entry, Qt.Key.Key_Delete)
    bench.press(entry, Qt.Key.Key_Return)


def choose(bench: Bench, name: str, value: str) -> None:
    box = bench.widget(name)
    assert isinstance(box, QComboBox)
    box.setFocus()
    place = box.findData(value)
    assert place >= 0
    while box.currentIndex() != place:
        bench.press(box, Qt.Key.Key_Down if box.currentIndex() < place else Qt.Key.Key_Up)


def problem(bench: Bench, name: str) -> str:
    label = bench.widget(f"problem_{name}")
    return "" if label.isHidden() else label.words


@pytest.mark.parametrize(
    ("name", "text", "value"),
    [
        ("gnss_sigma_h", "12", 0.012),
        ("gnss_sigma_v", "17,5", 0.0175),
        ("control_sigma_h", "3", 0.003),
        ("control_sigma_v", "2.5", 0.0025),
        ("session_correlation", "0.5", 0.5),
        ("confidence", "99.9", 0.999),
        ("test_level", "1", 0.01),
        ("power", "90", 0.9),
        ("tolerance_h", "0.025", 0.025),
        ("tolerance_v", "", None),
        ("observation_epoch", "2026.35", 2026.35),
        ("observation_epoch", "", None),
    ],
)
def test_typed_settings(bench: Bench, name: str, text: str, value) -> None:
    enter(bench, name, text)
    assert getattr(bench.job.state.settings, name) == value
    assert problem(bench, name) == ""


@pytest.mark.parametrize(
    ("name", "value", "kept"),
    [
        ("horizontal_model", "rigid", "rigid"),
        ("vertical_model", "shift", "shift"),
        ("vertical_model", "", None),
        ("sigma_basis", "estimated", "estimated"),
    ],
)
def test_chosen_settings(bench: Bench, name: str, value: str, kept) -> None:
    tie = bench.job.tie.id
    choose(bench, name, value)
    assert getattr(bench.job.state.settings, name) == kept
    assert bench.job.tie.id != tie


@pytest.mark.parametrize(
    ("name", "text", "said"),
    [
        ("gnss_sigma_h", "0", "greater than zero"),
        ("gnss_sigma_h", "eight", "is not a number"),
        ("confidence", "120", "between 0 and 1"),
        ("session_correlation", "1", "1 excluded"),
        ("tolerance_h", "-3", "greater than zero"),
        ("observation_crs", "EPSG:25833", "geographic"),
        ("observation_crs", "EPSG:9999999", "unknown"),
        ("geoid", "nowhere.gtx", "cannot be opened"),
    ],
)
def test_what_cannot_be_used_is_said_beside_the_field_and_kept(
    bench: Bench, name: str, text: str, said: str
) -> None:
    settings = bench.job.state.settings
    enter(bench, name, text)
    assert said in problem(bench, name)
    assert bench.widget(name).text() == text
    assert bench.job.state.settings == settings
    # Another change does not lose it; a good value clears it.
    choose(bench, "horizontal_model", "rigid")
    assert bench.widget(name).text() == text
    assert said in problem(bench, name)
    row = bench.widget(f"setting_{name}")
    enter(bench, name, row.field.read(settings))
    assert problem(bench, name) == ""


def test_what_is_being_typed_outlives_other_changes(bench: Bench) -> None:
    entry = bench.widget("tolerance_h")
    entry.setFocus()
    entry.selectAll()
    bench.press(entry, "9")
    bench.job.set_settings(bench.job.state.settings.replace(power=0.9))
    assert entry.text() == "9"
    assert bench.job.state.settings.tolerance_h == 0.03
    bench.press(entry, Qt.Key.Key_Return)
    assert bench.job.state.settings.tolerance_h == 9.0


def test_settings_are_undone_and_shown_as_they_were(bench: Bench) -> None:
    enter(bench, "confidence", "99")
    bench.job.undo_stack.undo()
    assert bench.widget("confidence").text() == "95"


def test_a_tolerance_stays_as_long_as_it_was_when_the_unit_changes(bench: Bench) -> None:
    choose(bench, "site_unit", "us-ft")
    # 0.03 m in US survey feet: times 3937/1200, exactly.
    assert bench.job.state.settings.tolerance_h == pytest.approx(0.03 * 3937 / 1200, rel=1e-8)
    assert bench.widget("setting_tolerance_h").unit.text() == "us-ft"


def test_the_first_unit_counts_for_elevations_too_and_each_can_be_changed(qgis_app) -> None:
    job = Job()
    site, elevation = (UnitRow(job, field) for field in SITE_GRID)

    def units():
        return job.state.settings.site_unit, job.state.settings.elevation_unit

    elevation.enter("us-ft")
    for row in (site, elevation):
        row.show_settings(job.state.settings)
        assert row.editor.currentText().startswith("US survey foot")
    assert units() == ("us-ft", "us-ft")
    elevation.enter("m")
    assert units() == ("us-ft", "m")


def test_the_base_projection_is_changed_on_purpose_only(bench: Bench) -> None:
    frozen = bench.job.state.settings.base_crs
    assert frozen is not None
    assert "Local Transverse Mercator" in bench.widget("base_crs").text()
    bench.dock.settings.base.use("EPSG:25833")
    assert bench.job.state.settings.base_crs == "EPSG:25833"
    assert "EPSG:25833" in bench.widget("base_crs").text()
    bench.dock.settings.base.use("EPSG:4258")
    assert "not a projected" in problem(bench, "base_crs")
    assert bench.job.state.settings.base_crs == "EPSG:25833"
    bench.click(bench.widget("rebase"))
    assert bench.job.state.settings.base_crs not in (None, "EPSG:25833")


def test_the_scale_is_held_as_what_it_is(bench: Bench) -> None:
    choose(bench, "scale_kind", "unity")
    assert bench.job.state.settings.scale == HeldScale(1.0, 0.0, "unity")
    choose(bench, "scale_kind", "ground")
    held = bench.job.state.settings.scale
    settings = quarry_settings().replace(base_crs=bench.job.state.settings.base_crs)
    assert held == site_scale(bench.job.state.pairs, settings, "ground")
    enter(bench, "scale_sigma", "0")
    assert bench.job.state.settings.scale == HeldScale(held.value, 0.0, "ground")
    choose(bench, "scale_kind", "free")
    assert bench.job.state.settings.scale is None


def test_the_scale_of_a_grid_and_a_typed_one(bench: Bench) -> None:
    choose(bench, "scale_kind", "grid")
    enter(bench, "scale_grid", "EPSG:25833")
    held = bench.job.state.settings.scale
    assert held.basis == "grid"
    assert held.value == pytest.approx(0.9996, abs=5e-5)
    enter(bench, "scale_grid", "EPSG:4258")
    assert "not a projected" in problem(bench, "scale")
    choose(bench, "scale_kind", "typed")
    enter(bench, "scale_value", "1.00008")
    enter(bench, "scale_sigma", "2")
    assert bench.job.state.settings.scale == HeldScale(1.00008, 2e-6, "typed")
    enter(bench, "scale_value", "-1")
    assert "impossible" in problem(bench, "scale")


def test_an_affine_gives_up_the_held_scale(bench: Bench) -> None:
    choose(bench, "scale_kind", "unity")
    choose(bench, "horizontal_model", "affine")
    assert bench.job.state.settings.scale is None
    assert not bench.widget("scale_kind").isEnabled()


@pytest.mark.parametrize("field", FIELDS, ids=lambda field: field.name)
def test_each_setting_is_explained_in_a_sentence(field) -> None:
    assert field.hint.endswith(".")
    assert 25 < len(field.hint) < 230
    assert field.label


def test_the_wheel_changes_no_setting(bench: Bench) -> None:
    """Whoever scrolls the page passes over the choices."""
    settings = bench.job.state.settings
    for name in ("site_unit", "horizontal_model", "scale_kind", "vertical_model", "sigma_basis"):
        box = bench.widget(name)
        box.setFocus()
        for step in (-120, 120):
            QApplication.sendEvent(box, QWheelEvent(
                QPointF(5.0, 5.0), QPointF(box.mapToGlobal(QPoint(5, 5))), QPoint(),
                QPoint(0, step), Qt.MouseButton.NoButton, Qt.KeyboardModifier.NoModifier,
                Qt.ScrollPhase.NoScrollPhase, False))
    assert bench.job.state.settings == settings
