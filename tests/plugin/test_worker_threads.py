"""The core in QGIS's pooled threads, task after task: pyproj 3.7 crashed there."""

from __future__ import annotations

import time
from pathlib import Path
from typing import List

from qgis.core import QgsApplication, QgsTask
from qgis.PyQt.QtCore import QThreadPool

from sitetie.core import Settings, read_pairs, solve
from sitetie.plugin.worker_threads import BackgroundTask, keep_thread_state

PAIRS = Path(__file__).resolve().parents[2] / "sample_project" / "quarry" / "pairs_reviewed.csv"


class Solving(QgsTask):
    """Solves the sample in the background."""

    def __init__(self) -> None:
        super().__init__("solving")
        self.id = ""

    def run(self) -> bool:
        keep_thread_state()
        self.id = solve(read_pairs(PAIRS), Settings(observation_crs="EPSG:7931")).id
        return True


def test_task_after_task(qgis_app) -> None:
    ids = {solve(read_pairs(PAIRS), Settings(observation_crs="EPSG:7931")).id}
    for _ in range(6):
        task = Solving()
        QgsApplication.taskManager().addTask(task)
        assert task.waitForFinished(20_000)
        QgsApplication.processEvents()
        ids.add(task.id)
    assert len(ids) == 1


class Sleeping(BackgroundTask):
    """Takes a moment, and says whether it was begun."""

    def __init__(self, begun: List[bool]) -> None:
        super().__init__("sleeping")
        self.begun = begun

    def run(self) -> bool:
        if not self.wanted():
            return False
        self.begun.append(True)
        time.sleep(0.2)
        return not self.stopped()


def test_tasks_that_wait_for_a_thread_can_be_stopped(qgis_app) -> None:
    """More tasks than threads, all stopped: none begins any more, and all come to an end."""
    begun: List[bool] = []
    threads = QThreadPool.globalInstance().maxThreadCount()
    tasks = [Sleeping(begun) for _ in range(threads + 12)]
    for task in tasks:
        QgsApplication.taskManager().addTask(task)
    for task in tasks:
        task.stop()
    until = time.monotonic() + 20.0
    while QgsApplication.taskManager().count() and time.monotonic() < until:
        QgsApplication.processEvents()
    assert QgsApplication.taskManager().count() == 0
    assert len(begun) <= threads
