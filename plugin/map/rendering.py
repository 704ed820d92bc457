"""The threads that draw the map."""

from __future__ import annotations

from qgis.gui import QgsMapCanvas
from qgis.PyQt.QtCore import QThreadPool

#: Milliseconds after which other work in the same threads is waited for no longer.
PATIENCE = 2000


def end_rendering(canvas: QgsMapCanvas) -> None:
    """Stop drawing and wait until no thread draws any more: call before many layers go at once.

    QGIS stops drawing without waiting. Twice in full runs of the tests on a busy machine a thread
    crashed while layers that it was drawing were taken away at the end of a test.
    """
    canvas.stopRendering()
    QThreadPool.globalInstance().waitForDone(PATIENCE)
