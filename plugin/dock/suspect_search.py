"""Looks for the causes behind pairs that do not belong, in the background."""

from __future__ import annotations

from typing import List, Optional, Tuple

from qgis.core import QgsApplication, QgsTask
from qgis.PyQt.QtCore import QObject, QTimer, pyqtSignal

from ...core.errors import SitetieError
from ...core.pairs import Pair
from ...core.settings import Settings
from ...core.suspects import Suspect, find_suspects
from ..job.job import Job
from ..worker_threads import BackgroundTask

#: The search begins this many milliseconds after the last change.
PAUSE = 300
#: Where QGIS knows such tasks (3.26), without a message when the search is over.
QUIETLY = QgsTask.Flag.CanCancel | getattr(QgsTask.Flag, "Silent", QgsTask.Flag.CanCancel)
#: Fewer pairs cannot be held against one another.
FEWEST_PAIRS = 3
#: With more pairs than this the search takes longer than anybody waits, and is left to the report.
MOST_PAIRS = 120


class SuspectSearch(QObject):
    """Knows the suspects of the present pairs as soon as they are found.

    It looks also where the pairs fit, or cannot be solved at all: a pole that was forgotten on
    every shot leaves no misfit, and control in feet refuses to be solved.

    Signals
    -------
    found
        There are suspects now, or none any more.
    """

    found = pyqtSignal()

    def __init__(self, job: Job, parent: Optional[QObject] = None) -> None:
        super().__init__(parent)
        self._job = job
        self._suspects: Tuple[Suspect, ...] = ()
        self._of = self._now()
        self._task: Optional[_Search] = None
        self._pause = QTimer(self)
        self._pause.setSingleShot(True)
        self._pause.setInterval(PAUSE)
        self._pause.timeout.connect(self._begin)
        job.changed.connect(self._changed)

    @property
    def searching(self) -> bool:
        return self._pause.isActive() or self._task is not None

    def of_control(self, control_id: str) -> List[Suspect]:
        """Suspects that speak of a control point, the likeliest first."""
        return [suspect for suspect in self.suspects if control_id in suspect.control_ids]

    @property
    def suspects(self) -> Tuple[Suspect, ...]:
        """All of them, the likeliest first; none while they are of other pairs or settings."""
        return self._suspects if self._of == self._now() else ()

    def _now(self) -> Tuple[Tuple[Pair, ...], Settings]:
        return self._job.state.pairs, self._job.state.settings

    def let_go(self) -> None:
        """Stop looking."""
        self._pause.stop()
        self._job.changed.disconnect(self._changed)
        self._drop_task()

    def _changed(self) -> None:
        if self._of == self._now():
            return
        self._of = self._now()
        self._drop_task()
        if self._suspects:
            self._suspects = ()
            self.found.emit()
        if FEWEST_PAIRS <= len(self._job.state.pairs) <= MOST_PAIRS:
            self._pause.start()
        else:
            self._pause.stop()

    def _begin(self) -> None:
        self._task = _Search(*self._of)
        self._task.done.connect(self._done)
        QgsApplication.taskManager().addTask(self._task)

    def _done(self, suspects: tuple) -> None:
        self._task = None
        self._suspects = suspects
        self.found.emit()

    def _drop_task(self) -> None:
        if self._task is not None:
            self._task.done.disconnect(self._done)
            self._task.stop()
            self._task = None


class _Search(BackgroundTask):
    """The search among pairs."""

    done = pyqtSignal(tuple)

    def __init__(self, pairs: Tuple[Pair, ...], settings: Settings) -> None:
        super().__init__("Sitetie: look for causes", QUIETLY)
        self._pairs, self._settings = pairs, settings
        self._suspects: Tuple[Suspect, ...] = ()

    def run(self) -> bool:
        if not self.wanted():
            return False
        try:
            self._suspects = tuple(find_suspects(self._pairs, self._settings))
        except SitetieError:
            return False
        return not self.stopped()

    def finished(self, result: bool) -> None:
        self.done.emit(self._suspects if result else ())
