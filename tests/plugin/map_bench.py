"""What the tests of the map share: a canvas with the sample's layers, a job, mouse and keys."""

from __future__ import annotations

import json
import sys
from pathlib import Path
from types import TracebackType
from typing import Iterator, List, Optional, Type

import pytest
from qgis.core import Qgis, QgsApplication, QgsProject, QgsRectangle, QgsVectorLayer
from qgis.gui import QgsMapCanvas
from qgis.PyQt.QtCore import QPoint, Qt
from qgis.PyQt.QtTest import QTest
from qgis.PyQt.QtWidgets import QApplication

from sitetie.core import Pair, Settings, read_pairs
from sitetie.plugin.job.job import Job
from sitetie.plugin.job.layer_source import guess_control, guess_observations
from sitetie.plugin.map.controller import MapController
from sitetie.plugin.map.map_marks import Kind, MapMark

SAMPLE = Path(__file__).resolve().parents[2] / "sample_project"
QUARRY = SAMPLE / "quarry"
#: Control on the old grid lies west, the GNSS points east of it: all of both.
EVERYTHING = QgsRectangle(1330.0, 4150.0, 4180.0, 5670.0)
NO_MODIFIER = Qt.KeyboardModifier.NoModifier


class MapBench:
    """The quarry's layers on a canvas, chosen in a job without pairs."""

    def __init__(self) -> None:
        self.errors: List[str] = []
        self._hook, sys.excepthook = sys.excepthook, self._caught
        self.project = QgsProject.instance()
        assert self.project.read(str(SAMPLE / "quarry.qgz"))
        self.canvas = QgsMapCanvas()
        self.canvas.resize(1200, 640)
        self.canvas.setDestinationCrs(self.project.crs())
        self.bare_scene = len(self.canvas.scene().items())
        self.job = Job()
        self.choose_layers()
        self.controller: Optional[MapController] = MapController(self.job, self.canvas)
        self.said: List[str] = []
        self.picked: List[int] = []
        self.controller.said.connect(self.said.append)
        self.controller.pairing_said.connect(self.said.append)
        self.controller.picked.connect(self.picked.append)
        self.canvas.show()
        self.look_at(EVERYTHING)
        QgsApplication.messageLog().messageReceived.connect(self._logged)

    def _caught(
        self, kind: Type[BaseException], error: BaseException, where: Optional[TracebackType]
    ) -> None:
        import traceback

        self.errors.append("".join(traceback.format_exception(kind, error, where)))

    def _logged(self, message: str, tag: str = "", level: int = 0) -> None:
        if level in (Qgis.MessageLevel.Warning, Qgis.MessageLevel.Critical) and (
            "sitetie" in message.lower() or "python" in tag.lower()
        ):
            self.errors.append(f"{tag}: {message}")

    def close(self) -> None:
        """Everything must be gone afterwards, and nothing may have gone wrong."""
        if self.controller is not None:
            self.controller.let_go()
        left = self.left_on_canvas()
        sys.excepthook = self._hook
        QgsApplication.messageLog().messageReceived.disconnect(self._logged)
        self.canvas.deleteLater()
        self.project.clear()
        self.settle()
        assert self.errors == []
        assert left == 0, f"{left} items are left on the canvas"

    def left_on_canvas(self) -> int:
        """Items that are still on the canvas, once QGIS has ended its own flashing of points."""
        for _ in range(40):
            self.settle()
            left = len(self.canvas.scene().items()) - self.bare_scene
            if left == 0:
                break
            QTest.qWait(50)
        return left

    def settle(self) -> None:
        QApplication.processEvents()
        QApplication.sendPostedEvents(None, 52)  # QEvent::DeferredDelete

    # -- layers -------------------------------------------------------------------------------

    @property
    def control(self) -> QgsVectorLayer:
        return self.project.mapLayersByName("Control points")[0]

    @property
    def shots(self) -> QgsVectorLayer:
        return self.project.mapLayersByName("Shots at marks")[0]

    def choose_layers(self) -> None:
        self.canvas.setLayers([self.control, self.shots])
        self.job.open(self.job.state.replace(
            control=guess_control(self.control), observations=guess_observations(self.shots),
            settings=quarry_settings().replace(vertical_model="shift")))

    def look_at(self, extent: QgsRectangle) -> None:
        self.canvas.setExtent(extent)
        self.settle()

    # -- mouse and keys -----------------------------------------------------------------------

    @property
    def tool(self):
        assert self.controller is not None
        return self.controller.tool

    @property
    def words(self) -> str:
        """What the label on the map says; blank while it is hidden."""
        return self.tool.label.text() if self.tool.label.isVisible() else ""

    def mark(self, kind: Kind, name: str) -> MapMark:
        assert self.controller is not None
        return next(mark for mark in self.controller.marks.readable(kind) if mark.id == name)

    def pixel(self, mark: MapMark) -> QPoint:
        assert mark.point is not None
        place = self.canvas.getCoordinateTransform().transform(mark.point)
        return QPoint(round(place.x()), round(place.y()))

    def hover(self, place: QPoint) -> None:
        QTest.mouseMove(self.canvas.viewport(), place)
        self.settle()

    def click(self, place: QPoint, button=Qt.MouseButton.LeftButton) -> None:
        self.hover(place)
        QTest.mouseClick(self.canvas.viewport(), button, NO_MODIFIER, place)
        self.settle()

    def press(self, key) -> None:
        QTest.keyClick(self.canvas, key)
        self.settle()

    def hover_mark(self, kind: Kind, name: str) -> None:
        """Point at a mark; of several at one place step on to the one meant."""
        self.hover(self.pixel(self.mark(kind, name)))
        for _ in range(20):
            hovered = self.tool._hovered()
            if hovered is None or hovered.id == name:
                return
            self.press(Qt.Key.Key_N)
        raise AssertionError(f"{name} cannot be reached")

    def click_mark(self, kind: Kind, name: str) -> None:
        self.hover_mark(kind, name)
        QTest.mouseClick(self.canvas.viewport(), Qt.MouseButton.LeftButton, NO_MODIFIER,
                         self.pixel(self.mark(kind, name)))
        self.settle()

    def pair(self, control: str, observation: str) -> None:
        self.click_mark(Kind.CONTROL, control)
        self.click_mark(Kind.OBSERVATION, observation)

    def names(self) -> List[str]:
        return [pair.name for pair in self.job.state.pairs]

    def take_pairs(self, name: str = "pairs_reviewed") -> None:
        """Pairs of the sample, with its settings."""
        self.job.change("pairs", self.job.state.replace(
            pairs=tuple(quarry_pairs(name)), settings=quarry_settings()))


def quarry_settings() -> Settings:
    return Settings(**json.loads((QUARRY / "settings.json").read_text(encoding="utf-8")))


def quarry_pairs(name: str = "pairs") -> List[Pair]:
    return list(read_pairs(QUARRY / f"{name}.csv"))


@pytest.fixture
def bench(qgis_app) -> Iterator[MapBench]:
    """A bench; afterwards nothing of it may be left, and no error have come up."""
    made = MapBench()
    yield made
    made.close()
