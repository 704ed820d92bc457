"""The pair table by mouse and keyboard: roles, undo, sorting, filtering, copying, deleting."""

from __future__ import annotations

import dataclasses
import math
from typing import Iterator, List

import pytest
from qgis.PyQt.QtCore import QPoint, Qt
from qgis.PyQt.QtGui import QFontMetrics
from qgis.PyQt.QtTest import QTest
from qgis.PyQt.QtWidgets import (
    QAbstractButton,
    QAbstractItemView,
    QApplication,
    QComboBox,
    QLineEdit,
    QTextBrowser,
)

from sitetie.core import solve
from sitetie.core.results import DOES_NOT_BELONG
from sitetie.plugin.dock.cell_delegates import MARGIN, verdict_font, verdict_lines
from sitetie.plugin.dock.pair_columns import COLUMNS, KEYS

from .dock_bench import Bench, bench_fixture, choose_settings, quarry_pairs, quarry_settings

CONTROL = Qt.KeyboardModifier.ControlModifier
COLUMN = {key: place for place, key in enumerate(KEYS)}


@pytest.fixture
def bench(qgis_app) -> Iterator[Bench]:
    yield from bench_fixture()


@pytest.fixture
def quarry(bench: Bench) -> Bench:
    choose_settings(bench.job, quarry_settings())
    bench.job.add_pairs(quarry_pairs())
    bench.settle()
    return bench


def place_of(bench: Bench, control: str) -> int:
    return bench.cells(COLUMN["control"]).index(control)


def test_the_table_shows_what_the_core_says(quarry: Bench) -> None:
    tie = solve(quarry_pairs(), quarry_settings())
    k08 = place_of(quarry, "K08")
    row = tie.residuals["K08"]
    shown = {key: quarry.cells(COLUMN[key])[k08] for key in KEYS}
    assert shown["observation"] == "ST-K08"
    assert shown["east"] == f"{row.east * 1000:+,.0f}"
    assert shown["north"] == f"{row.north * 1000:+,.0f}".replace("-", "−")
    assert shown["up"] == f"{row.up * 1000:+,.0f}".replace("-", "−")
    assert shown["left_out_horizontal"] == f"{math.hypot(*row.horizontal.deleted) * 1000:,.0f}"
    assert shown["test_horizontal"] == f"{row.horizontal.test:.1f} of {row.horizontal.critical:.1f}"
    assert shown["tolerance"] == "✗ out: horizontal"
    assert shown["verdict"] == "horizontal does not belong; vertical fits"
    assert quarry.cells(COLUMN["role_vertical"])[place_of(quarry, "K04")] == "idle"
    assert quarry.cells(COLUMN["up"])[place_of(quarry, "K04")] == ""


def test_feet_are_shown_in_thousandths(bench: Bench) -> None:
    choose_settings(bench.job, quarry_settings().replace(
        site_unit="us-ft", elevation_unit="m", tolerance_h=None))
    assert COLUMNS[COLUMN["east"]].heading(bench.job.state.settings) == "East\n0.001 ft"
    assert COLUMNS[COLUMN["up"]].heading(bench.job.state.settings) == "Up\nmm"


@pytest.mark.parametrize(
    ("column", "key", "roles"),
    [
        ("control", Qt.Key.Key_C, ("check", "check")),
        ("verdict", Qt.Key.Key_I, ("idle", "idle")),
        ("role_horizontal", Qt.Key.Key_I, ("idle", "fit")),
        ("role_vertical", Qt.Key.Key_C, ("fit", "check")),
    ],
)
def test_keys_set_the_role_of_both_sides_or_of_the_one_under_the_cursor(
    quarry: Bench, column: str, key, roles
) -> None:
    row = place_of(quarry, "K03")
    quarry.view.setEditTriggers(quarry.view.EditTrigger.NoEditTriggers)
    quarry.click_cell(row, COLUMN[column])
    quarry.press(quarry.view, key)
    pair = quarry.job.state.pairs[row]
    assert (pair.horizontal.value, pair.vertical.value) == roles
    assert quarry.cells(COLUMN["role_horizontal"])[row] == roles[0]


def test_a_role_of_many_pairs_is_one_step(quarry: Bench) -> None:
    before = quarry.job.undo_stack.count()
    quarry.click_cell(0, COLUMN["control"])
    quarry.click_cell(3, COLUMN["control"], Qt.KeyboardModifier.ShiftModifier)
    quarry.press(quarry.view, Qt.Key.Key_I)
    assert [pair.horizontal.value for pair in quarry.job.state.pairs[:5]] == ["idle"] * 4 + ["fit"]
    assert quarry.job.undo_stack.count() == before + 1
    assert quarry.dock.selected_places() == (0, 1, 2, 3)


def test_a_role_that_is_not_possible_is_refused_with_its_reason(quarry: Bench) -> None:
    row = place_of(quarry, "K04")
    quarry.view.selectRow(row)
    quarry.view.set_role(quarry.job.state.pairs[0].vertical, ("vertical",))
    message = quarry.dock.status.words
    assert "K04" in message
    assert "no elevation" in message
    assert quarry.job.state.pairs[row].vertical.value == "idle"
    quarry.press(quarry.view, Qt.Key.Key_C)  # the next step: the message is over
    assert quarry.dock.status.words == ""


def test_a_role_is_chosen_from_the_list_in_its_cell(quarry: Bench) -> None:
    row = place_of(quarry, "K03")
    index = quarry.view.model().index(row, COLUMN["role_horizontal"])
    quarry.click_cell(row, COLUMN["role_horizontal"])
    QTest.mouseDClick(quarry.view.viewport(), Qt.MouseButton.LeftButton,
                      Qt.KeyboardModifier.NoModifier, quarry.view.visualRect(index).center())
    quarry.settle()
    boxes = [box for box in quarry.view.findChildren(QComboBox)
             if box.objectName() == "sitetie_role_choice"]
    assert len(boxes) == 1
    box = boxes[0]
    box.hidePopup()
    quarry.press(box, Qt.Key.Key_Down)
    quarry.press(box, Qt.Key.Key_Return)
    assert quarry.job.state.pairs[row].horizontal.value == "check"
    assert quarry.job.state.pairs[row].vertical.value == "fit"


def test_undo_to_empty_and_redo_to_the_end_give_the_same_tie(quarry: Bench) -> None:
    quarry.view.setFocus()
    for control, key in (("K08", Qt.Key.Key_I), ("K03", Qt.Key.Key_C), ("K07", Qt.Key.Key_I)):
        quarry.click_cell(place_of(quarry, control), COLUMN["control"])
        quarry.press(quarry.view, key)
    quarry.press(quarry.view, Qt.Key.Key_Delete)
    last, pairs = quarry.job.tie.id, len(quarry.job.state.pairs)
    assert pairs == 16
    steps = quarry.job.undo_stack.count()
    for _ in range(steps):
        quarry.press(quarry.view if quarry.view.isVisible() else quarry.dock.body,
                     Qt.Key.Key_Z, CONTROL)
    assert quarry.job.state.pairs == ()
    assert quarry.job.tie is None
    assert quarry.dock.headline.label.text().startswith("<b>No pairs yet.")
    for _ in range(steps):
        quarry.press(quarry.dock.body, Qt.Key.Key_Y, CONTROL)
    assert quarry.job.tie.id == last
    assert len(quarry.job.state.pairs) == pairs


def test_the_worst_comes_first_when_sorted_and_the_order_of_pairing_comes_back(
    quarry: Bench
) -> None:
    header = quarry.view.horizontalHeader()
    for key in ("verdict", "north", "tolerance", "left_out_horizontal", "test_horizontal"):
        quarry.view.horizontalScrollBar().setValue(header.sectionPosition(COLUMN[key]) - 50)
        quarry.settle()
        at = header.sectionViewportPosition(COLUMN[key]) + header.sectionSize(COLUMN[key]) // 2
        quarry.click(header.viewport(), QPoint(at, 8))
        first = quarry.cells(COLUMN["control"])[0]
        assert first in {"verdict": ("K08", "K09"), "tolerance": ("K01", "K08")}.get(
            key, ("K08",)), key
    header.setSortIndicator(-1, Qt.SortOrder.AscendingOrder)
    quarry.settle()
    assert quarry.cells(COLUMN["control"]) == [pair.control.id for pair in quarry.job.state.pairs]


def test_ids_sort_as_people_count(bench: Bench) -> None:
    pairs = quarry_pairs("pairs_first_two")
    renamed = [
        dataclasses.replace(pair, control=dataclasses.replace(pair.control, id=name))
        for pair, name in zip(pairs, ("P10", "P9"))
    ]
    choose_settings(bench.job, quarry_settings().replace(vertical_model="shift"))
    bench.job.add_pairs(renamed)
    bench.view.sortByColumn(COLUMN["control"], Qt.SortOrder.AscendingOrder)
    assert bench.cells(COLUMN["control"]) == ["P9", "P10"]


def test_filtering_by_any_cell(quarry: Bench) -> None:
    quarry.view.setFocus()
    quarry.press(quarry.view, Qt.Key.Key_F, CONTROL)
    for letter in "does not belong":
        quarry.press(quarry.dock.pairs.filter, letter)
    assert sorted(quarry.cells(COLUMN["control"])) == ["K08", "K09"]
    assert quarry.dock.pairs.count.text() == "2 of 17"
    quarry.dock.pairs.filter.clear()
    assert len(quarry.cells(0)) == 17


def test_copying_gives_a_table_for_a_spreadsheet(quarry: Bench) -> None:
    quarry.dock.select_control("K08")
    quarry.press(quarry.view, Qt.Key.Key_C, CONTROL)
    header, line = QApplication.clipboard().text().splitlines()
    cells = dict(zip(header.split("\t"), line.split("\t")))
    assert cells["Control"] == "K08"
    assert cells["East mm"] == "5456"
    assert float(cells["North mm"]) == pytest.approx(-12751, abs=1)
    assert cells["Verdict"] == "horizontal does not belong; vertical fits"


def test_copying_follows_the_columns_as_they_are_shown(quarry: Bench) -> None:
    quarry.view.setColumnHidden(COLUMN["verdict"], True)
    quarry.view.horizontalHeader().moveSection(COLUMN["up"], 0)
    quarry.view.clearSelection()
    quarry.view.copy()
    lines = QApplication.clipboard().text().splitlines()
    assert len(lines) == 18
    assert lines[0].startswith("Up mm\tControl\t")
    assert "Verdict" not in lines[0]


def test_the_menu_does_what_it_says(quarry: Bench) -> None:
    quarry.dock.select_control("K08")
    menu = quarry.view.menu()
    found = [action for roles in menu.actions() if roles.menu() for action in roles.menu().actions()
             if action.objectName() == "sitetie_idle_horizontal"]
    found[0].trigger()
    pair = quarry.job.state.pairs[place_of(quarry, "K08")]
    assert (pair.horizontal.value, pair.vertical.value) == ("idle", "fit")
    assert DOES_NOT_BELONG not in quarry.cells(COLUMN["verdict"])[place_of(quarry, "K08")]


def test_return_asks_for_the_map(quarry: Bench) -> None:
    asked = []
    quarry.dock.actions_.show_on_map.triggered.connect(lambda: asked.append(1))
    quarry.dock.select_control("K03")
    quarry.press(quarry.view, Qt.Key.Key_Return)
    assert asked == [1]


def test_the_headline_leads_to_the_pair_and_the_pair_says_why(quarry: Bench) -> None:
    label = quarry.dock.headline.label
    assert 'href="K08"' in label.text()
    label.linkActivated.emit("K08")
    quarry.settle()
    assert [quarry.job.state.pairs[place].control.id
            for place in quarry.dock.selected_places()] == ["K08"]
    said = quarry.dock.pairs.detail.toPlainText()
    assert "no other pair explains the misfit nearly as well" in said
    assert "list of the 2019 static survey" in said


def test_selection_outlives_a_change_of_the_pairs(quarry: Bench) -> None:
    quarry.dock.select_control("K08")
    quarry.job.remove_pairs((0, 1))
    quarry.settle()
    assert [quarry.job.state.pairs[place].control.id
            for place in quarry.dock.selected_places()] == ["K08"]


def test_chosen_pairs_are_told(quarry: Bench) -> None:
    told = []
    quarry.dock.pairs_chosen.connect(told.append)
    quarry.dock.select_places((2, 5))
    assert told[-1] == (2, 5)


def test_every_widget_of_the_dock_has_a_name_for_screen_readers(quarry: Bench) -> None:
    def named(widget) -> bool:
        text = widget.text() if isinstance(widget, QAbstractButton) else ""
        return bool(widget.accessibleName() or text)

    own = [widget for kind in (QAbstractButton, QAbstractItemView, QComboBox, QLineEdit,
                               QTextBrowser)
           for widget in quarry.dock.findChildren(kind)
           if widget.objectName().startswith("sitetie")]
    assert len(own) > 25
    assert [widget.objectName() for widget in own if not named(widget)] == []


@pytest.mark.parametrize(
    ("verdict", "lines"),
    [
        ("fits", ["fits"]),
        ("fits (horizontal only)", ["horiz. fits"]),
        ("vertical does not belong; horizontal fits without K08",
         ["vert. does not belong", "horiz. fits without K08"]),
    ],
)
def test_a_verdict_in_a_narrow_cell(verdict: str, lines: List[str]) -> None:
    assert verdict_lines(verdict) == lines


@pytest.mark.parametrize("points", [10, 15])
def test_verdicts_can_be_read_on_a_small_screen(quarry: Bench, points: int) -> None:
    """Screen of 1366 pixels, the dock at its side, usual font and half as large again."""
    font = quarry.dock.font()
    font.setPointSize(points)
    quarry.dock.setFont(font)
    quarry.window.resize(1366, 768)
    quarry.settle()
    view = quarry.view
    view.resize(560, 400)
    column = COLUMN["verdict"]
    assert view.columnViewportPosition(column) + view.columnWidth(column) <= 560
    room = view.columnWidth(column) - 2 * MARGIN
    for text in set(quarry.cells(column)):
        lines = verdict_lines(text)
        metrics = QFontMetrics(verdict_font(view.font()))
        assert max(metrics.horizontalAdvance(line) for line in lines) <= room, text
