"""Computes the seek list and the ranking without holding up QGIS."""

from __future__ import annotations

from typing import Callable, Optional, Sequence, Tuple

from ...core.errors import Cancelled, SitetieError
from ...core.next_control import next_control
from ...core.pairs import Control
from ...core.seek_list import seek_list
from ...core.tie import Tie
from ...core.work_area import WorkArea
from ..worker_threads import BackgroundTask
from .where_next_rows import WhereNextFound


class WhereNextTask(BackgroundTask):
    """Takes what it needs at the start; `done` is called on the main thread.

    Parameters
    ----------
    start : (latitude, longitude) or None
        Where the walk begins.
    done : function
        Called with this task when it is through, was stopped or has failed.
    """

    def __init__(
        self, tie: Tie, control: Sequence[Control], start: Optional[Tuple[float, float]],
        area: Optional[WorkArea], done: Callable[["WhereNextTask"], None],
    ) -> None:
        super().__init__("Sitetie: where next")
        self.tie = tie
        self.found: Optional[WhereNextFound] = None
        self.problem = ""
        self._control, self._start, self._area, self._done = list(control), start, area, done

    def run(self) -> bool:
        if not self.wanted():
            return False
        try:
            seek = seek_list(
                self.tie, self._control, start=self._start, progress=self._first_half)
            ranked = next_control(
                self.tie, self._control, self._area, progress=self._second_half)
        except Cancelled:
            return False
        except SitetieError as error:
            self.problem = str(error)
            return False
        except Exception as error:  # a task must not take QGIS down with it
            self.problem = f"Looking for the next marks failed: {error!r}."
            return False
        self.found = WhereNextFound(self.tie, seek, ranked)
        return True

    def _first_half(self, share: float) -> bool:
        self.setProgress(50.0 * share)
        return not self.stopped()

    def _second_half(self, share: float) -> bool:
        self.setProgress(50.0 + 50.0 * share)
        return not self.stopped()

    def finished(self, result: bool) -> None:
        self._done(self)
