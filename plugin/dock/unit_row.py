"""The unit of easting and northing, or of elevations: nothing is chosen until a person chooses."""

from __future__ import annotations

from qgis.PyQt.QtWidgets import QComboBox

from ...core.settings import Settings
from ..translation import tr
from .setting_fields import SITE_GRID
from .setting_row import SettingRow

CHOOSE = tr("— choose —")


class UnitRow(SettingRow):
    """Shows no unit at first. The first choice, on either row, counts for both sides; each can be
    changed afterwards."""

    def read(self, settings: Settings) -> str:
        return self.field.read(settings) if self._job.state.units_chosen else ""

    def show_settings(self, settings: Settings) -> None:
        assert isinstance(self.editor, QComboBox)
        offered = self.editor.itemData(0) == ""
        if self._job.state.units_chosen and offered:
            self.editor.removeItem(0)
        elif not self._job.state.units_chosen and not offered:
            self.editor.insertItem(0, CHOOSE, "")
        super().show_settings(settings)

    def commit(self, text: str, settings: Settings) -> None:
        state = self._job.state
        if not text:
            return
        if not state.units_chosen:
            for field in SITE_GRID:
                settings = settings.replace(**field.write(text, settings))
        self._job.change(tr("Set {lower}").format(lower=self.field.label.lower()),
                         state.replace(settings=settings, units_chosen=True))
