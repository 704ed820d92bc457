"""Pairs by ids, by nearest, and typed positions: dialogs filled by keyboard and mouse."""

from __future__ import annotations

from typing import Callable, List

import pytest
from qgis.core import QgsCoordinateReferenceSystem, QgsRectangle
from qgis.PyQt.QtCore import Qt, QTimer
from qgis.PyQt.QtTest import QTest
from qgis.PyQt.QtWidgets import QApplication, QLabel, QLineEdit, QPushButton

from sitetie.core import Control, Observation, Role
from sitetie.core.pair_rules import IdRule
from sitetie.plugin.map.id_rule_dialog import IdRuleDialog
from sitetie.plugin.map.map_marks import Kind
from sitetie.plugin.map.nearest_dialog import NearestDialog
from sitetie.plugin.map.new_pairs import new_pair
from sitetie.plugin.map.preview_dialog import Proposal, spare_shots
from sitetie.plugin.map.typing_dialog import TypingDialog

from .map_bench import MapBench, bench, quarry_pairs

__all__ = ["bench"]
LEFT = Qt.MouseButton.LeftButton


def in_dialog(kind: type, act: Callable) -> None:
    """Act on the dialog that the next call opens; it must then be closed."""

    def run() -> None:
        dialog = QApplication.activeModalWidget()
        assert isinstance(dialog, kind)
        try:
            act(dialog)
        finally:
            if dialog.isVisible():
                dialog.reject()

    QTimer.singleShot(0, run)


def previewed(dialog) -> List[str]:
    return [f"{dialog.table.item(row, 0).text()}={dialog.table.item(row, 1).text()}"
            for row in range(dialog.table.rowCount())]


def unticked(dialog) -> List[str]:
    return [name for row, name in enumerate(previewed(dialog))
            if dialog.table.item(row, 0).checkState() == Qt.CheckState.Unchecked]


def type_into(line: QLineEdit, text: str) -> None:
    line.selectAll()
    if text.isascii():
        QTest.keyClicks(line, text)
    else:  # QTest has no keys for such signs: pasted
        line.insert(text)
        line.textEdited.emit(line.text())


# -- by ids -------------------------------------------------------------------------------------


def test_the_rule_that_the_ids_suggest_is_shown_with_its_pairs(bench: MapBench) -> None:
    def act(dialog: IdRuleDialog) -> None:
        assert dialog.rule() == IdRule("pattern", "{id}-*")
        assert dialog.sentence.words == (
            "An observation's id is the control id, then “-”, then anything.")
        assert len(previewed(dialog)) == 17
        assert "K11=K11-1" in previewed(dialog)  # without a point on the map
        row = previewed(dialog).index("K05=K05-2")
        assert dialog.table.item(row, 2).text() == "fixed, day 2; 3 shots at K05"
        assert dialog.summary.words == (
            "ST-K08 has no partner by this rule. Not ticked: K07-0.")
        assert unticked(dialog) == ["K07=K07-0"]
        float_row = previewed(dialog).index("K07=K07-0")
        assert dialog.table.item(float_row, 2).text().startswith(
            "not ticked, since K07 has a fixed shot; float, day 2")
        assert dialog.pair_button.text() == "Make 16 pairs"
        QTest.mouseClick(dialog.pair_button, LEFT)

    in_dialog(IdRuleDialog, act)
    bench.controller.pair_by_ids()
    wanted = {pair.name for pair in quarry_pairs() if pair.control.id != "K08"}
    assert set(bench.names()) == wanted
    assert bench.job.undo_stack.count() == 1
    roles = {pair.control.id: (pair.horizontal, pair.vertical) for pair in bench.job.state.pairs}
    assert roles["K11"] == (Role.IDLE, Role.FIT)
    assert roles["K04"] == (Role.FIT, Role.IDLE)


@pytest.mark.parametrize(
    ("kind", "text", "pairs"),
    [
        ("equal", "", 0), ("prefix", "ST-", 1), ("suffix", "-1", 10), ("suffix", "-#", 17),
        ("pattern", "*{id}*", 18),
    ],
)
def test_rules_of_ones_own(bench: MapBench, kind: str, text: str, pairs: int) -> None:
    def act(dialog: IdRuleDialog) -> None:
        place = dialog.kind.findData(kind)
        dialog.kind.setCurrentIndex(place)
        dialog.kind.activated.emit(place)
        if text:
            type_into(dialog.text, text)
        assert len(previewed(dialog)) == pairs
        assert dialog.suggestion.currentIndex() == 0
        assert dialog.pair_button.isEnabled() is (pairs > 0)

    in_dialog(IdRuleDialog, act)
    bench.controller.pair_by_ids()
    assert bench.names() == []  # nothing is made by looking


def test_a_number_offset(bench: MapBench) -> None:
    def act(dialog: IdRuleDialog) -> None:
        place = dialog.kind.findData("offset")
        dialog.kind.setCurrentIndex(place)
        dialog.kind.activated.emit(place)
        assert "offset is 0" in dialog.sentence.words
        assert previewed(dialog) == []
        dialog.offset.setValue(1)
        assert dialog.sentence.words == (
            "The number in an observation's id is 1 more than in the control id.")
        assert dialog.entry.currentWidget() is dialog.offset

    in_dialog(IdRuleDialog, act)
    bench.controller.pair_by_ids()


def test_an_incomplete_rule_says_what_is_missing(bench: MapBench) -> None:
    def act(dialog: IdRuleDialog) -> None:
        type_into(dialog.text, "no place")
        assert "does not have {id} once" in dialog.sentence.words
        assert dialog.table.rowCount() == 0
        assert not dialog.pair_button.isEnabled()

    in_dialog(IdRuleDialog, act)
    bench.controller.pair_by_ids()


def test_what_is_paired_already_is_left_out(bench: MapBench) -> None:
    bench.job.add_pairs(quarry_pairs()[:4])

    def act(dialog: IdRuleDialog) -> None:
        assert "K01=K01-1" not in previewed(dialog)
        assert "4 observations paired already." in dialog.summary.words

    in_dialog(IdRuleDialog, act)
    bench.controller.pair_by_ids()


def test_without_layers_it_says_so(bench: MapBench) -> None:
    bench.project.removeMapLayer(bench.control.id())
    bench.controller.pair_by_ids()
    assert "“Control points” with the control points is missing" in bench.said[-1]


# -- by nearest ---------------------------------------------------------------------------------


def test_a_rough_tie_pairs_the_rest(bench: MapBench) -> None:
    bench.job.add_pairs(quarry_pairs("pairs_first_two"))

    def act(dialog: NearestDialog) -> None:
        proposed = previewed(dialog)
        assert "K03=K03-1" in proposed
        assert not [item for item in proposed if "K08" in item or "K12" in item]
        row = proposed.index("K03=K03-1")
        assert dialog.table.item(row, 2).text() == "82 mm away; fixed, day 2"
        assert unticked(dialog) == ["K07=K07-0"]
        assert "K08, K12, K13 and K14 have nothing within that distance." in dialog.summary.words
        QTest.mouseClick(dialog.pair_button, LEFT)

    in_dialog(NearestDialog, act)
    bench.controller.pair_by_nearest()
    expected = {pair.name for pair in quarry_pairs() if pair.control.has_position}
    assert set(bench.names()) == expected - {"K08 = ST-K08"}


def test_a_float_shot_is_spare_once_a_fixed_one_is_there() -> None:
    """Proposed with it or paired before; alone it is ticked."""
    def shot(name: str, fix: str) -> Observation:
        return Observation(name, 48.79, 14.93, 547.0, fix=fix)

    mark, other = Control("K07", 2000.0, 4000.0), Control("K08", 2100.0, 4000.0)
    float_shot, fixed = Proposal(mark, shot("a", "Float")), Proposal(mark, shot("b", "RTK fixed"))
    assert spare_shots([float_shot, fixed], ()) == {0}
    assert spare_shots([float_shot, Proposal(other, shot("c", "fixed"))], ()) == set()
    assert spare_shots([float_shot, Proposal(mark, shot("d", ""))], ()) == set()
    assert spare_shots([float_shot, Proposal(mark, shot("e", "not fixed"))], ()) == set()
    assert spare_shots([float_shot], [new_pair(mark, fixed.observation)]) == {0}


def test_the_limit_is_what_counts(bench: MapBench) -> None:
    bench.job.add_pairs(quarry_pairs("pairs_first_two"))

    def act(dialog: NearestDialog) -> None:
        type_into(dialog.limit, "0.05")
        assert {item.split("=")[0] for item in previewed(dialog)} == {"K01", "K09"}
        type_into(dialog.limit, "30")
        assert "K08=ST-K08" in previewed(dialog)
        type_into(dialog.limit, "0.5")
        dialog.repeats.click()
        assert "K05=K05-1" not in previewed(dialog)
        assert "K05 has K05-2, K05-3 and K05-1 near it: left out." in dialog.summary.words
        type_into(dialog.limit, "near")
        assert "'near' is not a number" in dialog.hint.words
        assert not dialog.pair_button.isEnabled()

    in_dialog(NearestDialog, act)
    bench.controller.pair_by_nearest()


def test_nearness_needs_a_tie(bench: MapBench) -> None:
    bench.controller.pair_by_nearest()
    assert bench.said == ["Nearness needs a rough solution, and there is none yet."]


# -- typing -------------------------------------------------------------------------------------


@pytest.fixture
def form(bench: MapBench) -> TypingDialog:
    bench.job.add_pairs(quarry_pairs("pairs_first_two"))
    bench.controller.type_position()
    dialog = bench.controller._typing
    dialog.control.setCurrentIndex(
        [dialog.control.itemData(i).id for i in range(dialog.control.count())].index("K08"))
    return dialog


def fill(form: TypingDialog, **texts: str) -> None:
    for name, text in texts.items():
        type_into(form.fields[name][0], text)


def test_a_position_is_read_back_while_it_is_typed(bench: MapBench, form: TypingDialog) -> None:
    line, echo = form.fields["Latitude"]
    type_into(line, "48 47 ")
    assert echo.words == "48° 47′ 00.00000″ N = 48.783333333° N"
    QTest.keyClicks(line, "77")
    assert "77 seconds" in echo.words
    assert not form.pair.isEnabled()


def test_the_point_is_on_the_map_while_typing(bench: MapBench, form: TypingDialog) -> None:
    fill(form, Latitude="48.78897484")
    assert form._ring.point is None
    fill(form, Longitude="14.92347842")
    expected = bench.mark(Kind.OBSERVATION, "ST-K08").point
    # The layer's own typed latitude is 20 m off: exactly that far away stands the ring.
    assert form._ring.point.distance(expected) == pytest.approx(20.02, abs=0.05)
    assert form._expected_ring.point is not None
    bench.look_at(QgsRectangle(0, 0, 100, 50))
    QTest.mouseClick(form.show_point, LEFT)
    assert bench.canvas.extent().contains(form._ring.point)
    form.close()
    assert form._ring.point is None


def test_a_typed_pair_is_made(bench: MapBench, form: TypingDialog) -> None:
    fill(form, Latitude="48°47′20.309″ N", Longitude="14 55 24.522 E", Height="569.233")
    type_into(form.note, "list of 2019")
    type_into(form.sigma_h, "0.012")
    assert form.name.text() == "K08 typed"
    assert form.pair.isEnabled()
    QTest.mouseClick(form.pair, LEFT)
    pair = bench.job.state.pairs[-1]
    assert pair.name == "K08 = K08 typed"
    assert pair.observation.latitude == pytest.approx(48 + 47 / 60 + 20.309 / 3600, abs=1e-12)
    assert (pair.observation.height, pair.observation.source) == (569.233, "typed")
    assert (pair.observation.sigma_e, pair.observation.sigma_u) == (0.012, None)
    assert pair.observation.note == "list of 2019"
    assert pair.control == next(p.control for p in quarry_pairs() if p.control.id == "K08")
    # Ready for the next: blank, at a control point that is in no pair.
    assert form.fields["Latitude"][0].text() == ""
    assert form.chosen_control().id not in {p.control.id for p in bench.job.state.pairs}
    assert form.verdict.words.startswith("Paired K08 = K08 typed.")


def test_exchanged_angles_are_noticed_and_put_right(bench: MapBench, form: TypingDialog) -> None:
    fill(form, Latitude="14.92347842", Longitude="48.78897484")
    assert "km from the other pairs; with latitude and longitude exchanged it is" in (
        form.verdict.words)
    assert form.verdict.words.endswith("from K08.")
    assert form.take_reading.text() == "Take latitude and longitude exchanged"
    QTest.mouseClick(form.take_reading, LEFT)
    assert form.fields["Latitude"][0].text() == "48.78897484"
    assert form.fields["Longitude"][0].text() == "14.92347842"
    assert "from where the tie expects K08" in form.verdict.words
    assert not form.take_reading.isVisible()


def test_packed_angles_only_when_ticked(bench: MapBench, form: TypingDialog) -> None:
    fill(form, Latitude="48.4720309", Longitude="14.5524522")
    assert form.typed().geodetic().latitude == pytest.approx(48.4720309)
    assert form.take_reading.text() == "Read as packed degrees, minutes, seconds"
    QTest.mouseClick(form.take_reading, LEFT)
    assert form.packed.isChecked()
    assert form.typed().geodetic().latitude == pytest.approx(48 + 47 / 60 + 20.309 / 3600)
    assert form.fields["Latitude"][1].words.startswith("48° 47′ 20.30900″ N")


def test_a_blunder_of_twenty_metres_is_said(bench: MapBench, form: TypingDialog) -> None:
    fill(form, Latitude="48.78879484", Longitude="14.92347842")
    # The blunder is 20.0 m, the tie of two marks 150 m apart is 0.1 m off there.
    assert "It lies 19.9 m from where the tie expects K08." in form.verdict.words
    assert form.pair.isEnabled()  # it is the person's to decide


def test_map_coordinates_and_geocentric_ones(bench: MapBench, form: TypingDialog) -> None:
    import pyproj

    latitude, longitude, height = 48.78897484, 14.92347842, 569.233
    easting, northing = pyproj.Transformer.from_crs("EPSG:4258", "EPSG:25833").transform(
        latitude, longitude)
    form.way.setCurrentIndex(2)
    assert form.fields["Easting"][0].isVisible()
    assert not form.fields["Latitude"][0].isVisible()
    fill(form, Easting=f"{easting:.4f}", Northing=f"{northing:.4f}", Height="569.233")
    assert "Choose the CRS" in form.verdict.words
    form.crs.setCrs(QgsCoordinateReferenceSystem("EPSG:25833"))
    assert "This is 48° 47′ 20.309" in form.verdict.words
    found = form.typed().geodetic()
    assert (found.latitude, found.longitude) == pytest.approx((latitude, longitude), abs=1e-8)

    x, y, z = pyproj.Transformer.from_crs("EPSG:7931", "EPSG:7930").transform(
        latitude, longitude, height)
    form.way.setCurrentIndex(1)
    assert not form.fields["Height"][0].isVisible()
    fill(form, X=f"{x:.4f}", Y=f"{y:.4f}", Z=f"{z:.4f}")
    assert "height 569.233" in form.verdict.words
    QTest.mouseClick(form.pair, LEFT)
    shot = bench.job.state.pairs[-1].observation
    assert (shot.latitude, shot.longitude) == pytest.approx((latitude, longitude), abs=1e-8)
    assert shot.height == pytest.approx(height, abs=1e-3)
    assert shot.crs is None


def test_a_position_before_there_are_pairs_is_held_against_the_observations(
    bench: MapBench,
) -> None:
    bench.controller.type_position()
    form = bench.controller._typing
    fill(form, Latitude="14.92347842", Longitude="48.78897484")
    assert "from the observations of the layer; with latitude and longitude exchanged" in (
        form.verdict.words)


def test_a_name_that_is_taken_gets_a_number(bench: MapBench, form: TypingDialog) -> None:
    for _ in range(2):
        form.control.setCurrentIndex([
            form.control.itemData(i).id for i in range(form.control.count())].index("K08"))
        form._control_chosen()
        fill(form, Latitude="48.78897484", Longitude="14.92347842")
        QTest.mouseClick(form.pair, LEFT)
    assert bench.names()[-2:] == ["K08 = K08 typed", "K08 = K08 typed 2"]


def test_without_control_nothing_can_be_paired(bench: MapBench) -> None:
    bench.job.open(type(bench.job.state)())
    bench.controller.type_position()
    form = bench.controller._typing
    fill(form, Latitude="48.7", Longitude="14.9")
    assert "choose a control layer first" in form.verdict.words
    assert not form.pair.isEnabled()


def test_every_entry_has_a_name_for_those_who_hear_it(bench: MapBench, form: TypingDialog) -> None:
    for line in form.findChildren(QLineEdit):
        if line.objectName().startswith("sitetie_"):
            assert line.accessibleName(), line.objectName()
    labels = {label.buddy() for label in form.findChildren(QLabel) if label.buddy() is not None}
    assert form.control in labels
    assert form.findChild(QPushButton, "sitetie_typing_pair") is form.pair
