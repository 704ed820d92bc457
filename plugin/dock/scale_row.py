"""The scale: solved, or held at what the site is known to have."""

from __future__ import annotations

from typing import Optional

from qgis.PyQt.QtWidgets import QComboBox, QGridLayout, QLabel, QLineEdit, QWidget

from ...core.errors import SettingsError, SitetieError
from ...core.numerals import parse_number
from ...core.settings import HeldScale, Settings
from ...core.site_scale import site_scale
from ..job.job import Job
from ..translation import tr
from .hint_label import HintLabel
from .quiet_combo_box import QuietComboBox

FREE = "free"
CHOICES = (
    (tr("solved from the pairs"), FREE),
    (tr("1: lengths of the base grid"), "unity"),
    (tr("lengths on the ground"), "ground"),
    (tr("lengths of a named grid"), "grid"),
    ("typed", "typed"),
)
HINT = (
    tr(
        "Site length over base-grid length. A held scale has a sigma: 0 holds it exactly, more "
        "lets the pairs move it by about that much.")
)


class ScaleRow(QWidget):
    """What kind of scale, its value, its sigma."""

    def __init__(self, job: Job, parent: Optional[QWidget] = None) -> None:
        super().__init__(parent)
        self._job = job
        self._shown: object = self
        self.setObjectName("sitetie_setting_scale")
        self.kind = QuietComboBox()
        self.kind.setObjectName("sitetie_scale_kind")
        self.kind.setAccessibleName(tr("Scale"))
        self.kind.setAccessibleDescription(HINT)
        self.kind.setSizeAdjustPolicy(
            QComboBox.SizeAdjustPolicy.AdjustToMinimumContentsLengthWithIcon)
        self.kind.setMinimumContentsLength(8)
        for words, value in CHOICES:
            self.kind.addItem(words, value)
        self.kind.activated.connect(lambda _: self._kind_chosen())
        self.value = self._entry("scale_value", tr("Value of the scale"))
        self.grid = self._entry("scale_grid", tr("Grid whose lengths the site has"))
        self.grid.setPlaceholderText(tr("projected CRS, such as EPSG:25832"))
        self.sigma = self._entry("scale_sigma", tr("Sigma of the scale in ppm"))
        self.value.editingFinished.connect(self._value_entered)
        self.grid.editingFinished.connect(self._grid_entered)
        self.sigma.editingFinished.connect(self._sigma_entered)
        self.problem = HintLabel()
        self.problem.setObjectName("sitetie_problem_scale")
        self.problem.hide()
        label = QLabel(tr("Scale"))
        label.setBuddy(self.kind)
        self._rows = {"grid": (QLabel(tr(
            "Grid")), self.grid), "value": (QLabel(tr(
            "Value")), self.value),
                      "sigma": (QLabel(tr("Sigma, ppm")), self.sigma)}
        layout = QGridLayout(self)
        layout.setContentsMargins(0, 2, 0, 6)
        layout.setVerticalSpacing(2)
        layout.setColumnStretch(0, 2)
        layout.setColumnStretch(1, 3)
        layout.addWidget(label, 0, 0)
        layout.addWidget(self.kind, 0, 1)
        for place, (name, entry) in enumerate(self._rows.values(), start=1):
            layout.addWidget(name, place, 0)
            layout.addWidget(entry, place, 1)
        layout.addWidget(self.problem, 4, 0, 1, 2)
        layout.addWidget(HintLabel(HINT), 5, 0, 1, 2)
        self.show_settings(job.state.settings)

    def _entry(self, name: str, words: str) -> QLineEdit:
        entry = QLineEdit()
        entry.setObjectName(f"sitetie_{name}")
        entry.setAccessibleName(words)
        return entry

    def show_settings(self, settings: Settings) -> None:
        self.kind.setEnabled(settings.horizontal_model != "affine")
        if settings.scale == self._shown and not self.problem.isHidden():
            return
        self._shown = held = settings.scale
        self._complain("")
        basis = held.basis if isinstance(held, HeldScale) else FREE
        self.kind.setCurrentIndex(self.kind.findData(basis))
        self._show_rows(basis)
        if isinstance(held, HeldScale):
            self.value.setText(f"{held.value:.9f}")
            self.sigma.setText(f"{held.sigma * 1e6:g}")

    def _show_rows(self, basis: str) -> None:
        wanted = {"grid": basis == "grid", "value": basis in ("typed", "ground", "grid"),
                  "sigma": basis != FREE}
        for name, (label, entry) in self._rows.items():
            label.setVisible(wanted[name])
            entry.setVisible(wanted[name])
        self.value.setReadOnly(basis != "typed")

    def _kind_chosen(self) -> None:
        basis = self.kind.currentData()
        self._complain("")
        self._show_rows(basis)
        if basis == FREE:
            self._hold(None, tr("Solve the scale"))
        elif basis == "typed":
            held = self._job.state.settings.scale
            value = held.value if isinstance(held, HeldScale) else 1.0
            sigma = held.sigma if isinstance(held, HeldScale) else 0.0
            self._hold(HeldScale(value, sigma, "typed"), tr("Hold a typed scale"))
        elif basis == "grid" and not self.grid.text().strip():
            self.grid.setFocus()
        else:
            self._derive(basis)

    def _grid_entered(self) -> None:
        if self.kind.currentData() == "grid" and self.grid.text().strip():
            self._derive("grid")

    def _derive(self, basis: str) -> None:
        """Work the scale out from where the site lies."""
        state = self._job.state
        try:
            held = site_scale(state.pairs, state.settings, basis,
                              grid=self.grid.text().strip() or None)
        except SitetieError as error:
            self._complain(f"{error.what} {error.remedy}")
            return
        words = {"unity": tr("Hold the scale at 1"), "ground": tr("Hold the scale of the ground"),
                 "grid": tr("Hold the scale of a grid")}[basis]
        self._hold(held, words)

    def _value_entered(self) -> None:
        held = self._job.state.settings.scale
        if not isinstance(held, HeldScale) or held.basis != "typed" or (
            self.value.text() == f"{held.value:.9f}"
        ):
            return
        try:
            self._hold(HeldScale(parse_number(self.value.text(), tr("The scale")), held.sigma),
                       tr("Set the scale"))
        except SitetieError as error:
            self._complain(f"{error.what} {error.remedy}")

    def _sigma_entered(self) -> None:
        held = self._job.state.settings.scale
        if not isinstance(held, HeldScale) or self.sigma.text() == f"{held.sigma * 1e6:g}":
            return
        try:
            sigma = parse_number(self.sigma.text(), tr("The sigma of the scale")) / 1e6
            self._hold(HeldScale(held.value, sigma, held.basis), tr("Set the sigma of the scale"))
        except SitetieError as error:
            self._complain(f"{error.what} {error.remedy}")

    def _hold(self, held: Optional[HeldScale], words: str) -> None:
        settings: Settings = self._job.state.settings
        try:
            self._job.set_settings(settings.replace(scale=held), words)
        except SettingsError as error:
            self._complain(f"{error.what} {error.remedy}")
        else:
            self._complain("")

    def _complain(self, words: str) -> None:
        self.problem.say(words, alarm=True)
        self.problem.setHidden(not words)
