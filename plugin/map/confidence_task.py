"""Computes and writes a confidence surface without holding up QGIS."""

from __future__ import annotations

from typing import Callable, Optional

from ...core.confidence_surface import ConfidenceSurface, confidence_surface
from ...core.errors import Cancelled, SitetieError
from ...core.tie import Tie
from ..worker_threads import BackgroundTask
from .confidence_raster import write_surface


class ConfidenceTask(BackgroundTask):
    """Takes what it needs at the start; `done` is called on the main thread.

    Parameters
    ----------
    done : function
        Called with this task when it is through, was stopped or has failed.
    """

    def __init__(
        self, tie: Tie, path: str, cell: Optional[float], of_restated_points: bool, crs_wkt: str,
        done: Callable[["ConfidenceTask"], None],
    ) -> None:
        super().__init__("Sitetie: confidence surface")
        self.tie, self.path, self.crs_wkt = tie, path, crs_wkt
        self.surface: Optional[ConfidenceSurface] = None
        self.problem = ""
        self._cell, self._of_restated_points, self._done = cell, of_restated_points, done

    def run(self) -> bool:
        if not self.wanted():
            return False
        try:
            surface = confidence_surface(
                self.tie, None, self._cell, self._of_restated_points, self._go_on)
            write_surface(surface, self.crs_wkt, self.path)
        except Cancelled:
            return False
        except SitetieError as error:
            self.problem = str(error)
            return False
        except Exception as error:  # a task must not take QGIS down with it
            self.problem = f"The confidence surface failed: {error!r}."
            return False
        self.surface = surface
        return True

    def _go_on(self, share: float) -> bool:
        self.setProgress(share * 100.0)
        return not self.stopped()

    def finished(self, result: bool) -> None:
        self._done(self)
