"""What the tests of the dock share: a window with the dock, the sample's pairs, mouse and keys."""

from __future__ import annotations

import json
import os
from pathlib import Path
from typing import Iterator, List

from qgis.core import QgsProject, QgsSettings
from qgis.PyQt.QtCore import QPoint, Qt
from qgis.PyQt.QtTest import QTest
from qgis.PyQt.QtWidgets import QAction, QApplication, QMainWindow, QWidget

from sitetie.core import Pair, Settings, read_pairs
from sitetie.plugin.dock.dock import SitetieDock
from sitetie.plugin.dock.workbench import Workbench
from sitetie.plugin.job.job import Job

from .test_load_unload import Window

SAMPLE = Path(__file__).resolve().parents[2] / "sample_project"
QUARRY = SAMPLE / "quarry"


class Bench:
    """The dock in a window, with nothing in it."""

    def __init__(self) -> None:
        self.iface = Window()
        self.window: QMainWindow = self.iface.window
        self.window.resize(1300, 900)
        self.window.show()
        self.toggle = QAction("dock", self.window)
        self.workbench = Workbench(self.iface, self.toggle)
        self.settle()

    @property
    def dock(self) -> SitetieDock:
        return self.workbench.dock

    @property
    def job(self) -> Job:
        return self.workbench.job

    @property
    def view(self):
        return self.dock.pairs.view

    def settle(self) -> None:
        QApplication.processEvents()

    def close(self) -> None:
        self.workbench.unload()
        self.window.close()
        self.window.deleteLater()
        QApplication.sendPostedEvents(None, 52)  # QEvent::DeferredDelete
        self.settle()

    # -- by hand ------------------------------------------------------------------------------

    def widget(self, name: str) -> QWidget:
        """The widget of the dock with that object name (without ``sitetie_``)."""
        found = self.dock.findChild(QWidget, f"sitetie_{name}")
        assert found is not None, name
        return found

    def press(self, widget: QWidget, key, modifier=Qt.KeyboardModifier.NoModifier) -> None:
        QTest.keyClick(widget, key, modifier)
        self.settle()

    def click(self, widget: QWidget, at: QPoint = None,
              modifier=Qt.KeyboardModifier.NoModifier) -> None:
        QTest.mouseClick(widget, Qt.MouseButton.LeftButton, modifier,
                         at if at is not None else widget.rect().center())
        self.settle()

    def click_cell(self, row: int, column: int,
                   modifier=Qt.KeyboardModifier.NoModifier) -> None:
        index = self.view.model().index(row, column)
        self.view.scrollTo(index)
        self.settle()
        self.click(self.view.viewport(), self.view.visualRect(index).center(), modifier)

    def cells(self, column: int) -> List[str]:
        model = self.view.model()
        return [model.index(row, column).data() for row in range(model.rowCount())]


def quarry_settings() -> Settings:
    return Settings(**json.loads((QUARRY / "settings.json").read_text(encoding="utf-8")))


def seeds(usual: str) -> List[int]:
    """Seeds of the random actions: the usual ones, or those in the environment."""
    return [int(seed) for seed in os.environ.get("SITETIE_SEEDS", usual).split(",")]


def choose_settings(job: Job, settings: Settings) -> None:
    """As a person does who goes through the site settings, units included."""
    job.change("Choose settings", job.state.replace(settings=settings, units_chosen=True))


def quarry_pairs(name: str = "pairs") -> List[Pair]:
    return list(read_pairs(QUARRY / f"{name}.csv"))


def bench_fixture() -> Iterator[Bench]:
    """For use in a fixture: a dock, taken away again, with the project cleared."""
    QgsProject.instance().clear()
    QgsSettings().remove("sitetie")
    made = Bench()
    yield made
    made.close()
    QgsProject.instance().clear()
