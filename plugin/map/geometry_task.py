"""Pairs by geometry without holding up QGIS."""

from __future__ import annotations

from typing import Optional, Sequence, Tuple

from qgis.core import QgsTask
from qgis.PyQt.QtCore import pyqtSignal

from ...core.errors import Cancelled, SitetieError
from ...core.pairing_marks import MarkPairing, pair_marks_by_geometry
from ...core.pairs import Control, Observation
from ...core.settings import Settings
from ..worker_threads import BackgroundTask

#: Where QGIS knows such tasks (3.26), without a message when the search is over.
QUIETLY = QgsTask.Flag.CanCancel | getattr(QgsTask.Flag, "Silent", QgsTask.Flag.CanCancel)


class GeometryTask(BackgroundTask):
    """Takes what it needs at the start.

    Signals
    -------
    done
        On the main thread, when it is through, was stopped or has failed.

    Attributes
    ----------
    pairing : MarkPairing or None
    problem : str
        Why there is none; blank when it was stopped.
    """

    done = pyqtSignal()

    def __init__(
        self, control: Sequence[Control], observations: Sequence[Observation], settings: Settings,
        known: Sequence[Tuple[int, int]], names_as_hints: bool, free_scale: bool,
        noise: Optional[float],
    ) -> None:
        super().__init__("Sitetie: pair by geometry", QUIETLY)
        self.pairing: Optional[MarkPairing] = None
        self.problem = ""
        self._control, self._observations = tuple(control), tuple(observations)
        self._settings, self._known = settings, tuple(known)
        self._names_as_hints, self._free_scale, self._noise = names_as_hints, free_scale, noise

    def run(self) -> bool:
        if not self.wanted():
            return False
        try:
            self.pairing = pair_marks_by_geometry(
                self._control, self._observations, self._settings, known=self._known,
                names_as_hints=self._names_as_hints, free_scale=self._free_scale,
                noise=self._noise, progress=self._go_on)
        except Cancelled:
            return False
        except SitetieError as error:
            self.problem = str(error)
            return False
        except Exception as error:  # a task must not take QGIS down with it
            self.problem = f"Pairing by geometry failed: {error!r}."
            return False
        return True

    def _go_on(self, share: float) -> bool:
        self.setProgress(share * 100.0)
        return not self.stopped()

    def finished(self, result: bool) -> None:
        self.done.emit()
