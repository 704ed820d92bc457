"""Looks for the causes behind pairs that do not belong, in the background."""

from __future__ import annotations

from typing import List, Optional, Tuple

from qgis.core import QgsApplication, QgsTask
from qgis.PyQt.QtCore import QObject, QTimer, pyqtSignal

from ...core.errors import SitetieError
from ...core.suspects import Suspect, find_suspects
from ...core.tie import Tie
from ...core.verdict_words import AGAINST
from ..job.job import Job
from ..worker_threads import keep_thread_state

#: The search begins this many milliseconds after the last change.
PAUSE = 300
#: With more pairs than this the search takes longer than anybody waits, and is left to the report.
MOST_PAIRS = 120


class SuspectSearch(QObject):
    """Knows the suspects of the present tie as soon as they are found.

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
        return [suspect for suspect in self._suspects if control_id in suspect.control_ids]

    def let_go(self) -> None:
        """Stop looking."""
        self._pause.stop()
        self._job.changed.disconnect(self._changed)
        self._drop_task()

    def _changed(self) -> None:
        self._drop_task()
        if self._suspects:
            self._suspects = ()
            self.found.emit()
        tie = self._job.tie
        if tie is not None and len(tie.pairs) <= MOST_PAIRS and _something_is_wrong(tie):
            self._pause.start()
        else:
            self._pause.stop()

    def _begin(self) -> None:
        tie = self._job.tie
        if tie is None:
            return
        self._task = _Search(tie)
        self._task.done.connect(self._done)
        QgsApplication.taskManager().addTask(self._task)

    def _done(self, suspects: tuple) -> None:
        self._task = None
        self._suspects = suspects
        self.found.emit()

    def _drop_task(self) -> None:
        if self._task is not None:
            self._task.done.disconnect(self._done)
            self._task.cancel()
            self._task = None


class _Search(QgsTask):
    """The search for one tie."""

    done = pyqtSignal(tuple)

    def __init__(self, tie: Tie) -> None:
        super().__init__("Sitetie: look for causes", QgsTask.Flag.CanCancel)
        self._pairs, self._settings = tie.pairs, tie.settings
        self._suspects: Tuple[Suspect, ...] = ()

    def run(self) -> bool:
        keep_thread_state()
        try:
            self._suspects = tuple(find_suspects(self._pairs, self._settings))
        except SitetieError:
            return False
        return not self.isCanceled()

    def finished(self, result: bool) -> None:
        self.done.emit(self._suspects if result else ())


def _something_is_wrong(tie: Tie) -> bool:
    return any(part.verdict in AGAINST for row in tie.rows
               for part in (row.horizontal, row.vertical))
