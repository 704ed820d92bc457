"""All settings, in groups that fold; each with a sentence on what it means."""

from __future__ import annotations

from typing import List, Optional, Sequence, Tuple

from qgis.gui import QgsCollapsibleGroupBox
from qgis.PyQt.QtWidgets import QVBoxLayout, QWidget

from ...core.settings import Settings
from ..job.job import Job
from ..translation import tr
from .base_row import BaseRow
from .scale_row import ScaleRow
from .setting_fields import HORIZONTAL, OBSERVATIONS, SIGMAS, SITE_GRID, TESTS, VERTICAL
from .setting_row import SettingRow
from .unit_row import UnitRow


class SettingsPanel(QWidget):
    """Every row shows the settings of the job and changes them."""

    def __init__(self, job: Job, parent: Optional[QWidget] = None) -> None:
        super().__init__(parent)
        self._job = job
        self.setObjectName("sitetie_settings_panel")
        self._rows: List[QWidget] = []
        self._shown: Optional[Tuple[Settings, bool]] = None
        layout = QVBoxLayout(self)
        self.base, self.scale = BaseRow(job), ScaleRow(job)

        def rows(fields) -> List[QWidget]:
            return [SettingRow(job, field) for field in fields]

        units = [UnitRow(job, field) for field in SITE_GRID]
        for name, title, content, folded in (
            ("grid", tr("Site grid"), [*units, self.base], False),
            ("model", tr("Model"), [*rows((HORIZONTAL,)), self.scale, *rows((VERTICAL,))], False),
            ("observations", tr("Observations"), rows(OBSERVATIONS), False),
            ("tests", tr("Tests and tolerances"), rows(TESTS), False),
            ("sigmas", tr("Assumed sigmas"), rows(SIGMAS), True),
        ):
            layout.addWidget(self._group(name, title, content, folded))
        layout.addStretch(1)
        job.changed.connect(self.show_state)

    def _group(
        self, name: str, title: str, rows: Sequence[QWidget], folded: bool
    ) -> QgsCollapsibleGroupBox:
        group = QgsCollapsibleGroupBox(title)
        group.setObjectName(f"sitetie_settings_{name}")
        group.setSettingGroup("sitetie")
        layout = QVBoxLayout(group)
        for row in rows:
            layout.addWidget(row)
            self._rows.append(row)
        group.setCollapsed(folded)
        return group

    def show_state(self) -> None:
        settings, chosen = self._job.state.settings, self._job.state.units_chosen
        if self._shown is not None and settings is self._shown[0] and chosen is self._shown[1]:
            return
        self._shown = settings, chosen
        for row in self._rows:
            row.show_settings(settings)  # type: ignore[attr-defined]
