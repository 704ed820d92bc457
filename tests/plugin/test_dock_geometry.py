"""Pairing by geometry out of the real dock: its entry among the ways of pairing, up to a tie."""

from __future__ import annotations

from typing import Iterator

import pytest
from qgis.core import QgsProject
from qgis.PyQt.QtCore import Qt, QTimer
from qgis.PyQt.QtTest import QTest
from qgis.PyQt.QtWidgets import QApplication, QMenu

from sitetie.plugin.job.layer_source import guess_control, guess_observations
from sitetie.plugin.map.geometry_dialog import GeometryDialog

from .dock_bench import SAMPLE, Bench, bench_fixture, quarry_settings


@pytest.fixture
def quarry(qgis_app) -> Iterator[Bench]:
    for bench in bench_fixture():
        assert QgsProject.instance().read(str(SAMPLE / "quarry.qgz"))
        bench.settle()
        yield bench


def test_the_way_by_geometry_leads_to_a_tie(quarry: Bench) -> None:
    action = quarry.dock.actions_.pair_by_geometry
    assert not action.isEnabled()
    control, shots = (QgsProject.instance().mapLayersByName(name)[0]
                      for name in ("Control points", "Shots at marks"))
    quarry.job.open(quarry.job.state.replace(
        control=guess_control(control), observations=guess_observations(shots),
        settings=quarry_settings()))
    assert action.isEnabled()
    assert action in quarry.dock.findChild(QMenu, "sitetie_pair_ways").actions()
    seen = []

    def act() -> None:
        dialog = QApplication.activeModalWidget()
        assert isinstance(dialog, GeometryDialog)
        for _ in range(600):
            if not dialog.searching:
                break
            QTest.qWait(20)
        seen.append(dialog.found.words)
        QTest.mouseClick(dialog.pair_button, Qt.MouseButton.LeftButton)
        if dialog.isVisible():
            dialog.reject()

    QTimer.singleShot(0, act)
    action.trigger()
    assert "with a probability of over 99.9 %" in seen[0]
    assert len(quarry.job.state.pairs) == 15
    assert quarry.job.tie is not None
    assert quarry.job.tie.statistics.horizontal.rms < 0.03
