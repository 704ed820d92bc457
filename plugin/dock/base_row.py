"""The base projection: what it is, another one, or a new local one."""

from __future__ import annotations

from functools import lru_cache
from typing import Optional

from qgis.core import QgsCoordinateReferenceSystem
from qgis.gui import QgsProjectionSelectionDialog
from qgis.PyQt.QtWidgets import QGridLayout, QHBoxLayout, QLabel, QPushButton, QWidget

from ...core.errors import SitetieError
from ...core.frames import projected_crs
from ...core.settings import Settings
from ..job.job import Job
from ..job.layer_source import crs_text
from ..translation import tr
from .hint_label import HintLabel

HINT = (
    tr(
        "The map plane between latitude and longitude and the site grid. It is chosen once and "
        "stays through all later ties; re-basing centres a new local one on the pairs as they "
        "are now, and moves restated points by millimetres.")
)


class BaseRow(QWidget):
    """Shows the base projection; changing it is an explicit act."""

    def __init__(self, job: Job, parent: Optional[QWidget] = None) -> None:
        super().__init__(parent)
        self._job = job
        self.setObjectName("sitetie_setting_base_crs")
        self.words = QLabel()
        self.words.setObjectName("sitetie_base_crs")
        self.words.setAccessibleName(tr("Base projection"))
        self.words.setWordWrap(True)
        self.problem = HintLabel()
        self.problem.setObjectName("sitetie_problem_base_crs")
        self.problem.hide()
        self.choose = QPushButton(tr("Choose…"))
        self.choose.setObjectName("sitetie_choose_base")
        self.choose.setToolTip(tr("Work on a projected CRS of your choice."))
        self.choose.clicked.connect(self._choose)
        self.rebase = QPushButton(tr("Re-base"))
        self.rebase.setObjectName("sitetie_rebase")
        self.rebase.setToolTip(tr("Centre a new local projection on the pairs as they are now."))
        self.rebase.clicked.connect(self._rebase)
        buttons = QHBoxLayout()
        buttons.addWidget(self.choose)
        buttons.addWidget(self.rebase)
        buttons.addStretch(1)
        layout = QGridLayout(self)
        layout.setContentsMargins(0, 2, 0, 6)
        layout.setVerticalSpacing(2)
        layout.setColumnStretch(0, 2)
        layout.setColumnStretch(1, 3)
        layout.addWidget(QLabel(tr("Base projection")), 0, 0)
        layout.addWidget(self.words, 0, 1)
        layout.addLayout(buttons, 1, 1)
        layout.addWidget(self.problem, 2, 0, 1, 2)
        layout.addWidget(HintLabel(HINT), 3, 0, 1, 2)
        self.show_settings(job.state.settings)

    def show_settings(self, settings: Settings) -> None:
        self.words.setText(base_name(settings))
        self.rebase.setEnabled(settings.base_crs is not None)

    def use(self, text: str) -> None:
        """Work on another projected CRS."""
        try:
            projected_crs(text)
        except SitetieError as error:
            self.problem.say(f"{error.what} {error.remedy}", alarm=True)
            self.problem.show()
            return
        self.problem.hide()
        settings = self._job.state.settings
        self._job.set_settings(settings.replace(base_crs=text, datum_operation=None),
                               tr("Choose base projection"))

    def _choose(self) -> None:
        dialog = QgsProjectionSelectionDialog(self)
        base = self._job.state.settings.base_crs
        if base:
            dialog.setCrs(QgsCoordinateReferenceSystem.fromUserInput(base)
                          if hasattr(QgsCoordinateReferenceSystem, "fromUserInput")
                          else QgsCoordinateReferenceSystem(base))
        if dialog.exec() and dialog.crs().isValid():
            self.use(crs_text(dialog.crs()))
        dialog.deleteLater()

    def _rebase(self) -> None:
        self.problem.hide()
        settings = self._job.state.settings
        self._job.set_settings(settings.replace(base_crs=None, datum_operation=None), "Re-base")


def base_name(settings: Settings) -> str:
    """The base projection in words."""
    if settings.base_crs is None:
        return tr("local Transverse Mercator, centred on the fit pairs with the first solution")
    return _crs_name(settings.base_crs)


@lru_cache(maxsize=16)
def _crs_name(text: str) -> str:
    # Asking PROJ for the authority of a CRS takes a tenth of a second.
    try:
        crs = projected_crs(text)
    except SitetieError as error:
        return error.what
    authority = crs.to_authority()
    return f"{crs.name} ({':'.join(authority)})" if authority else crs.name
