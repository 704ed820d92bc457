"""Pairing by geometry from the map side: what stands out is proposed, rivals are chosen from."""

from __future__ import annotations

from typing import Callable, List

import numpy as np
import pytest
from qgis.core import QgsRectangle
from qgis.PyQt.QtCore import Qt, QTimer
from qgis.PyQt.QtTest import QTest
from qgis.PyQt.QtWidgets import QApplication

from sitetie.plugin.job.layer_source import guess_control, guess_observations
from sitetie.plugin.map import geometry_task
from sitetie.plugin.map.geometry_dialog import GeometryDialog

from .map_bench import MapBench, bench, quarry_pairs, quarry_settings
from .processing_runs import memory_layer

__all__ = ["bench"]
LEFT = Qt.MouseButton.LeftButton
SQUARE = np.array([[0.0, 0.0], [120.0, 0.0], [120.0, 120.0], [0.0, 120.0]])


def opened(bench: MapBench, act: Callable[[GeometryDialog], None]) -> None:
    """Open the dialog and act on it; what goes wrong in there comes up afterwards."""
    problems: List[BaseException] = []

    def run() -> None:
        dialog = QApplication.activeModalWidget()
        assert isinstance(dialog, GeometryDialog)
        try:
            act(dialog)
        except BaseException as problem:  # shown once the dialog is closed
            problems.append(problem)
        finally:
            if dialog.isVisible():
                dialog.reject()

    QTimer.singleShot(0, run)
    bench.controller.pair_by_geometry()
    if problems:
        raise problems[0]


def wait(dialog: GeometryDialog) -> None:
    """Until the search is over."""
    for _ in range(600):
        if not dialog.searching:
            return
        QTest.qWait(20)
    raise AssertionError("the search does not end")


def previewed(dialog: GeometryDialog) -> List[str]:
    return [f"{dialog.table.item(row, 0).text()}={dialog.table.item(row, 1).text()}"
            for row in range(dialog.table.rowCount())]


def sketch(bench: MapBench):
    """What is drawn on the canvas: control id and place of the observation."""
    items = [item for item in bench.canvas.scene().items()
             if type(item).__name__ == "PairingSketch"]
    return [(pair.words, round(pair.observation.x()), round(pair.observation.y()))
            for item in items if item.isVisible() for pair in item.pairs]


def use_square(bench: MapBench, marks: np.ndarray = SQUARE) -> None:
    """Control on a square, shots of its corners beside it, named otherwise."""
    turn = np.radians(25.0)
    rotation = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    control = memory_layer(
        "Point?crs=EPSG:32633", "control_id:string",
        [(f"POINT ({500000 + e} {5400000 + n})", f"M{i}") for i, (e, n) in enumerate(marks)],
        "control of the square")
    shots = memory_layer(
        "Point?crs=EPSG:32633", "observation_id:string",
        [(f"POINT ({500300 + e} {5400000 + n})", name)
         for (e, n), name in zip(marks @ rotation.T, "ABCDEFGH")], "shots of the square")
    bench.project.addMapLayers([control, shots])
    bench.canvas.setDestinationCrs(control.crs())
    bench.canvas.setLayers([control, shots])
    bench.look_at(QgsRectangle(499950.0, 5399900.0, 500500.0, 5400250.0))
    bench.job.open(bench.job.state.replace(
        control=guess_control(control), observations=guess_observations(shots),
        settings=quarry_settings().replace(observation_crs="EPSG:4326")))


def test_the_quarry_is_paired_by_geometry(bench: MapBench) -> None:
    """What is proposed is right (the float shot of K07 not ticked), and is made as one step."""
    def act(dialog: GeometryDialog) -> None:
        wait(dialog)
        assert "the pairing is right with a probability of over 99.9 %" in dialog.found.words
        assert "K03=K03-1" in previewed(dialog)
        assert "away; no chance meeting:" in dialog.table.item(0, 2).text()
        assert not dialog.answer.isVisible()
        assert ("K03", *place) in sketch(bench)
        QTest.mouseClick(dialog.pair_button, LEFT)

    shot = bench.mark(_observation(), "K03-1").point
    place = (round(shot.x()), round(shot.y()))
    opened(bench, act)
    known = {pair.name for pair in quarry_pairs()}
    assert len(bench.names()) == 15
    assert set(bench.names()) <= known
    assert sketch(bench) == []
    bench.job.undo_stack.undo()
    assert bench.names() == []


def _observation():
    from sitetie.plugin.map.map_marks import Kind

    return Kind.OBSERVATION


def test_a_square_has_four_answers_to_choose_from(bench: MapBench) -> None:
    """Nothing is proposed until one is chosen; each is shown on the map."""
    use_square(bench)

    def act(dialog: GeometryDialog) -> None:
        wait(dialog)
        assert "Ambiguous: 4 pairings" in dialog.found.words
        assert dialog.answer.isVisible()
        assert dialog.answer.count() == 5
        assert previewed(dialog) == []
        assert sketch(bench) == []
        assert not dialog.pair_button.isEnabled()
        seen, drawn = set(), set()
        for place in (1, 2, 3, 4):
            dialog.answer.setCurrentIndex(place)
            dialog.answer.activated.emit(place)
            seen.add(tuple(sorted(previewed(dialog))))
            drawn.add(tuple(sketch(bench)))
        assert len(seen) == len(drawn) == 4
        dialog.answer.setCurrentIndex(0)
        dialog.answer.activated.emit(0)
        assert sketch(bench) == []
        wanted = next(place for place in (1, 2, 3, 4) if _of(dialog, place) == ("M0", "A"))
        dialog.answer.setCurrentIndex(wanted)
        dialog.answer.activated.emit(wanted)
        QTest.mouseClick(dialog.pair_button, LEFT)

    opened(bench, act)
    assert sorted(bench.names()) == ["M0 = A", "M1 = B", "M2 = C", "M3 = D"]


def _of(dialog: GeometryDialog, place: int):
    """Whom the first control point gets in an answer."""
    pair = dialog._pairing.rivals[place - 1][0]
    return dialog._control[pair.control].id, dialog._observed[pair.observation].id


def test_a_pair_made_by_hand_decides(bench: MapBench) -> None:
    use_square(bench)
    bench.look_at(bench.canvas.extent())
    bench.controller.start_pairing()
    bench.pair("M1", "B")
    bench.controller.stop_pairing()

    def act(dialog: GeometryDialog) -> None:
        wait(dialog)
        assert "names decide" in dialog.found.words
        assert sorted(previewed(dialog)) == ["M0=A", "M2=C", "M3=D"]
        assert "1 pair made already" in dialog.summary.words

    opened(bench, act)
    assert bench.names() == ["M1 = B"]


def test_a_mirrored_site_is_said(bench: MapBench) -> None:
    marks = np.array([[0.0, 0.0], [160.0, 40.0], [60.0, 130.0], [25.0, 85.0], [145.0, 165.0]])
    use_square(bench, marks)
    layer = bench.project.mapLayersByName("control of the square")[0]
    source = guess_control(layer)
    for feature in list(layer.getFeatures()):
        point = feature.geometry().asPoint()
        from qgis.core import QgsGeometry, QgsPointXY

        swapped = QgsPointXY(500000 + point.y() - 5400000, 5400000 + point.x() - 500000)
        layer.dataProvider().changeGeometryValues(
            {feature.id(): QgsGeometry.fromPointXY(swapped)})
    bench.job.open(bench.job.state.replace(control=source))

    def act(dialog: GeometryDialog) -> None:
        wait(dialog)
        assert "mirrored" in dialog.found.words
        assert sorted(previewed(dialog)) == ["M0=A", "M1=B", "M2=C", "M3=D", "M4=E"]

    opened(bench, act)


def test_entries_are_heeded(bench: MapBench) -> None:
    use_square(bench)

    def act(dialog: GeometryDialog) -> None:
        wait(dialog)
        dialog.noise.setText("little")
        dialog.noise.editingFinished.emit()
        assert "'little' is not a number" in dialog.found.words
        assert not dialog.searching
        dialog.noise.setText("0.01")
        dialog.noise.editingFinished.emit()
        assert dialog.searching
        wait(dialog)
        dialog.free_scale.click()
        wait(dialog)
        assert "Ambiguous" in dialog.found.words

    opened(bench, act)


def test_the_search_can_be_stopped_and_closed(
    bench: MapBench, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A search that takes long is stopped by its button, and by closing the dialog."""
    use_square(bench)
    asked: List[bool] = []

    def slow(*_: object, progress: Callable[[float], bool], **__: object) -> None:
        import time

        from sitetie.core.errors import Cancelled

        for _ in range(500):
            time.sleep(0.01)
            if not progress(0.5):
                asked.append(True)
                raise Cancelled()

    monkeypatch.setattr(geometry_task, "pair_marks_by_geometry", slow)

    def act(dialog: GeometryDialog) -> None:
        QTest.qWait(80)
        assert dialog.searching
        assert dialog.stop.isVisible()
        QTest.mouseClick(dialog.stop, LEFT)
        assert not dialog.searching
        assert dialog.found.words.startswith("Stopped.")
        dialog.names.click()
        assert dialog.searching

    opened(bench, act)
    for _ in range(100):
        if len(asked) == 2:
            break
        QTest.qWait(20)
    assert len(asked) >= 1


def test_too_few_marks_are_said(bench: MapBench) -> None:
    use_square(bench, SQUARE[:2])

    def act(dialog: GeometryDialog) -> None:
        wait(dialog)
        assert "at least three on each side" in dialog.found.words

    opened(bench, act)
