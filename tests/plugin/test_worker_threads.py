"""The core in QGIS's pooled threads, task after task: pyproj 3.7 crashed there."""

from __future__ import annotations

from pathlib import Path

from qgis.core import QgsApplication, QgsTask

from sitetie.core import Settings, read_pairs, solve
from sitetie.plugin.worker_threads import keep_thread_state

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
