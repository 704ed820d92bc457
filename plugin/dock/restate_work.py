"""Restates layers through an accepted tie, in the background and with a way to stop it.

The work is done by the Processing algorithm ``sitetie:restate``, so that a layer restated from the
dock is the same to the last digit as one restated there.
"""

from __future__ import annotations

import os
import re
import tempfile
from typing import Any, Dict, List, Optional, Sequence

from qgis.core import (
    QgsApplication,
    QgsProcessing,
    QgsProcessingAlgRunnerTask,
    QgsProcessingContext,
    QgsProcessingFeedback,
    QgsProject,
    QgsVectorLayer,
)
from qgis.PyQt.QtCore import QObject, pyqtSignal
from qgis.PyQt.QtXml import QDomDocument

from ...core.errors import SitetieError
from ...core.whole_file import write_whole_file
from ..job.layer_source import guess_observations
from ..job.state import GEOMETRY_Z, AcceptedTie, LayerSource
from ..translation import tr
from .dock import SitetieDock
from .restate_dialog import RestateDialog

ALGORITHM = "sitetie:restate"
#: The algorithm's parameters and the values they are mapped from.
PARAMETERS = {
    "ID": "observation_id", "LATITUDE": "latitude", "LONGITUDE": "longitude", "HEIGHT": "height",
    "SIGMA_E": "sigma_e", "SIGMA_N": "sigma_n", "SIGMA_U": "sigma_u",
}


class RestateWork(QObject):
    """Asks what to restate, and restates one layer after the other."""

    def __init__(self, dock: SitetieDock) -> None:
        super().__init__(dock)
        self._dock = dock
        self._waiting: List[RestateRun] = []
        self._running: Optional[RestateRun] = None
        self._said: List[str] = []
        self._failed = False
        dock.accepted.restate_asked.connect(self.ask)

    @property
    def busy(self) -> bool:
        return self._running is not None

    def ask(self, item: AcceptedTie) -> None:
        dialog = RestateDialog(item, self._dock)
        if dialog.exec():
            self.start(item, dialog.layers(), dialog.place(), dialog.horizontal_only.isChecked())
        dialog.deleteLater()

    def start(
        self, item: AcceptedTie, layers: Sequence[QgsVectorLayer], folder: str = "",
        horizontal_only: bool = False,
    ) -> None:
        """Restate layers in the background, into a folder or as temporary layers."""
        try:
            self._waiting += [RestateRun(item, layer, folder, horizontal_only, self)
                              for layer in layers]
        except SitetieError as error:
            self._dock.say_error(error)
            return
        if not self.busy:
            self._next()

    def _next(self) -> None:
        if not self._waiting:
            self._running = None
            if self._said:
                self._dock.say(" ".join(self._said), warning=self._failed)
            self._said, self._failed = [], False
            return
        self._running = run = self._waiting.pop(0)
        run.done.connect(self._done)
        self._dock.status.show_progress(tr("Restating {name}…").format(name=run.name), run.task)
        QgsApplication.taskManager().addTask(run.task)

    def _done(self, words: str, failed: bool) -> None:
        self._said.append(words)
        self._failed = self._failed or failed
        assert self._running is not None
        self._running.deleteLater()
        self._next()

    def let_go(self) -> None:
        """Stop what is still running."""
        self._waiting.clear()
        if self._running is not None:
            self._running.done.disconnect(self._done)
            self._running.task.cancel()
            self._running = None


class RestateRun(QObject):
    """One layer on its way.

    Signals
    -------
    done
        What happened, and whether it failed.
    """

    done = pyqtSignal(str, bool)

    def __init__(
        self, item: AcceptedTie, layer: QgsVectorLayer, folder: str, horizontal_only: bool,
        parent: QObject,
    ) -> None:
        super().__init__(parent)
        self._layer_id, self.name = layer.id(), layer.name()
        self._title = tr("{name}, tie {number}").format(name=layer.name(), number=item.number)
        self._number, self._tie_id = item.number, item.tie_id
        self._directory = tempfile.TemporaryDirectory(prefix="sitetie-")
        self._feedback = _Log()
        self._context = QgsProcessingContext()
        self._context.setProject(QgsProject.instance())
        tie = os.path.join(self._directory.name, "tie.json")
        write_whole_file(tie, item.text.encode("utf-8"))
        algorithm = QgsApplication.processingRegistry().createAlgorithmById(ALGORITHM)
        parameters = restate_parameters(layer, guess_observations(layer), tie)
        parameters["HORIZONTAL_ONLY"] = horizontal_only
        if folder:
            plain = re.sub(r"[^\w.-]+", "_", layer.name()).strip("_") or "layer"
            parameters["OUTPUT"] = os.path.join(folder, f"{plain}_tie{item.number}.gpkg")
        self.task = QgsProcessingAlgRunnerTask(
            algorithm, parameters, self._context, self._feedback)
        self.task.setDescription(tr(
            "Restate {name} through tie {number}").format(name=layer.name(), number=item.number))
        self.task.executed.connect(self._executed)

    def _executed(self, successful: bool, results: Dict[str, Any]) -> None:
        self._directory.cleanup()
        if not successful:
            errors = self._feedback.errors
            if self.task.isCanceled():
                words = tr("{name}: stopped; nothing was written.").format(name=self.name)
            elif errors and errors[0].startswith(self.name):
                words = errors[0]
            else:
                words = f"{self.name}: {errors[0] if errors else 'it could not be restated.'}"
            self.done.emit(words, not self.task.isCanceled())
            return
        layer = self._result(results["OUTPUT"])
        if layer is None:
            self.done.emit(tr("{name}: the result cannot be opened.").format(name=self.name), True)
            return
        self._dress(layer)
        QgsProject.instance().addMapLayer(layer)
        # Processing knows a tie by its content, the dock by its number.
        said = self._feedback.last.replace(f"tie {self._tie_id[:8]}", f"tie {self._number}")
        self.done.emit(f"{self.name}: {said}", False)

    def _result(self, place: str) -> Optional[QgsVectorLayer]:
        layer = self._context.takeResultLayer(place)
        if layer is None:
            layer = QgsVectorLayer(place, "", "ogr")
        if not isinstance(layer, QgsVectorLayer) or not layer.isValid():
            return None
        layer.setName(self._title)
        return layer

    def _dress(self, layer: QgsVectorLayer) -> None:
        """As the layer it came from looks, as far as that is still there."""
        source = QgsProject.instance().mapLayer(self._layer_id)
        if isinstance(source, QgsVectorLayer):
            style = QDomDocument()
            source.exportNamedStyle(style)
            layer.importNamedStyle(style)


class _Log(QgsProcessingFeedback):
    """Keeps what a person should hear of."""

    def __init__(self) -> None:
        super().__init__(False)
        self.errors: List[str] = []
        self.last = ""

    def reportError(self, error: str, fatalError: bool = False) -> None:
        self.errors.append(error.strip())

    def pushInfo(self, info: str) -> None:
        self.last = info


def restate_parameters(layer: QgsVectorLayer, source: LayerSource, tie: str) -> Dict[str, Any]:
    """What the algorithm is asked, by the mapping of the layer."""
    names = {field.name() for field in layer.fields()}
    parameters: Dict[str, Any] = {
        "OBSERVATIONS": layer, "TIE": tie, "OUTPUT": QgsProcessing.TEMPORARY_OUTPUT,
    }
    for parameter, value in PARAMETERS.items():
        field = source.field_of(value)
        if field in names and field != GEOMETRY_Z:
            parameters[parameter] = field
    return parameters


