"""Confidence surfaces on the map: made on demand, and marked when the tie has moved on."""

from __future__ import annotations

import os
import shutil
import tempfile
from typing import List, Optional

from qgis.core import (
    QgsApplication,
    QgsLayerTreeGroup,
    QgsLayerTreeLayer,
    QgsProject,
    QgsRasterLayer,
)
from qgis.PyQt import sip
from qgis.PyQt.QtCore import QObject, pyqtSignal

from ...core.errors import SitetieError
from ...core.tie import Tie
from ..job.job import Job
from .confidence_raster import SIDES, surface_layer
from .confidence_task import ConfidenceTask
from .connections import Connections
from .result_layers import SITE_CRS_NAME

TIE_PROPERTY = "sitetie/surface_of_tie"
STALE = " — of an earlier solution"


class ConfidenceLayers(QObject):
    """Starts the computing, shows what comes of it.

    Surfaces are files: they stay when the project is closed, unless they were temporary.

    Signals
    -------
    said : str
    """

    said = pyqtSignal(str)

    def __init__(self, job: Job, parent: Optional[QObject] = None) -> None:
        super().__init__(parent)
        self._job = job
        self._task: Optional[ConfidenceTask] = None
        self._folder: Optional[str] = None
        self._temporary: List[str] = []
        self._always = Connections()
        self._always.make(job, "changed", self._mark_stale)

    def make(
        self, tie: Tie, path: str, cell: Optional[float] = None, of_restated_points: bool = True
    ) -> None:
        """Compute a surface in the background and show it.

        Parameters
        ----------
        path : str
            Of the GeoTIFF; blank for a temporary one.
        """
        if self._task is not None:
            self.said.emit("A confidence surface is being computed already.")
            return
        if not path:
            path = self._temporary_path(tie)
        self._task = ConfidenceTask(
            tie, path, cell, of_restated_points, tie.crs_wkt(SITE_CRS_NAME), self._done)
        QgsApplication.taskManager().addTask(self._task)

    def layers(self) -> List[QgsRasterLayer]:
        """Surfaces in the project."""
        return [layer for layer in QgsProject.instance().mapLayers().values()
                if layer.customProperty(TIE_PROPERTY)]

    def let_go(self) -> None:
        """Stop computing; take temporary surfaces away with their files."""
        self._always.undo()
        task, self._task = self._task, None
        if task is not None:
            task.stop()
            if not sip.isdeleted(task):
                task.waitForFinished(5000)
        project = QgsProject.instance()
        project.removeMapLayers(
            [layer_id for layer_id in self._temporary if project.mapLayer(layer_id) is not None])
        self._temporary.clear()
        if self._folder is not None:
            shutil.rmtree(self._folder, ignore_errors=True)
            self._folder = None

    def _temporary_path(self, tie: Tie) -> str:
        if self._folder is None:
            self._folder = tempfile.mkdtemp(prefix="sitetie-")
        number = len(os.listdir(self._folder))
        return os.path.join(self._folder, f"confidence-{tie.short_id}-{number}.tif")

    def _done(self, task: ConfidenceTask) -> None:
        if task is not self._task:
            return
        self._task = None
        if task.surface is None:
            self.said.emit(task.problem or "The confidence surface was stopped.")
            return
        try:
            self._show(task)
        except SitetieError as error:
            self.said.emit(str(error))

    def _show(self, task: ConfidenceTask) -> None:
        assert task.surface is not None  # `_done` looks
        settings = task.tie.settings
        for side, unit in zip(SIDES, (settings.site_length, settings.elevation_length)):
            layer = surface_layer(
                task.path, task.surface, side, unit, task.crs_wkt, task.tie.short_id)
            if layer is None:
                continue
            layer.setCustomProperty(TIE_PROPERTY, task.tie.id)
            QgsProject.instance().addMapLayer(layer, False)
            node = self._under_the_vectors(layer)
            # Two surfaces on top of each other tell nothing: the vertical one waits, unticked.
            node.setItemVisibilityChecked(side == "horizontal")
            if self._folder is not None and task.path.startswith(self._folder):
                self._temporary.append(layer.id())
        self.said.emit("The confidence surface is on the map.")
        self._mark_stale()

    def _under_the_vectors(self, layer: QgsRasterLayer) -> QgsLayerTreeLayer:
        """Place a surface where it hides no points: above the first raster, else at the bottom."""
        root = QgsProject.instance().layerTreeRoot()
        surfaces = {known.id() for known in self.layers()}
        for place, child in enumerate(root.children()):
            nodes = child.findLayers() if isinstance(child, QgsLayerTreeGroup) else [child]
            if any(isinstance(node.layer(), QgsRasterLayer) and node.layerId() not in surfaces
                   for node in nodes):
                return root.insertLayer(place, layer)
        return root.addLayer(layer)

    def _mark_stale(self) -> None:
        """A surface of another tie than the present one says so in its name."""
        shown = self.layers()
        if not shown:
            return
        tie = self._job.tie
        present = None if tie is None else tie.id
        for layer in shown:
            name = layer.name().replace(STALE, "")
            if layer.customProperty(TIE_PROPERTY) != present:
                name += STALE
            if name != layer.name():
                layer.setName(name)
