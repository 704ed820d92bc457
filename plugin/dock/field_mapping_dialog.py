"""Which field of a layer holds which value: guessed, shown with the first feature, changed here."""

from __future__ import annotations

from typing import Dict, List, Optional, Tuple

from qgis.core import QgsVectorLayer, QgsWkbTypes
from qgis.PyQt.QtCore import Qt
from qgis.PyQt.QtWidgets import (
    QCheckBox,
    QComboBox,
    QDialog,
    QDialogButtonBox,
    QFormLayout,
    QLabel,
    QScrollArea,
    QVBoxLayout,
    QWidget,
)

from ...core.angles import format_angle
from ...core.errors import SitetieError
from ...core.pairs import Control, Observation
from ...core.settings import Settings
from ..job.layer_points import read_control, read_observations
from ..job.layer_source import CONTROL_FIELDS, OBSERVATION_FIELDS, has_points, source_of
from ..job.state import FEATURE_ID, GEOMETRY_Z, FieldChoice, LayerSource
from ..translation import tr

LABELS: Dict[str, Tuple[str, str]] = {
    "control_id": (tr("Point id"), tr("Name of the control point.")),
    "easting": (tr("Easting"), tr("Site easting, in the site unit.")),
    "northing": (tr("Northing"), tr("Site northing, in the site unit.")),
    "elevation": (tr("Elevation"), tr("Site elevation, in the elevation unit.")),
    "control_sigma_h": (tr("Sigma, horizontal"), tr("Standard deviation per axis, metres.")),
    "control_sigma_v": (tr("Sigma, vertical"), tr("Standard deviation of the elevation, metres.")),
    "observation_id": (tr("Point id"), tr("Name of the observation.")),
    "latitude": (tr("Latitude"), tr("Degrees as numbers or written with minutes and seconds.")),
    "longitude": (tr("Longitude"), tr("Degrees as numbers or written with minutes and seconds.")),
    "height": (tr("Height"), tr("Metres, of the mark and not of the antenna.")),
    "sigma_e": (tr("Sigma east"), tr("Standard deviation, metres.")),
    "sigma_n": (tr("Sigma north"), tr("Standard deviation, metres.")),
    "sigma_en": (tr("Sigma east-north"), tr("Signed root of the covariance, metres.")),
    "sigma_u": (tr("Sigma up"), tr("Standard deviation, metres.")),
    "height_kind": (tr("Kind of height"), tr("ellipsoidal, or orthometric.")),
    "height_geoid": (tr("Geoid of the height"), tr("Grid by which orthometric heights were made.")),
    "pole": (tr("Pole"), tr("Height of the pole, metres; recorded only.")),
    "pole_kind": (tr("Kind of pole height"), tr("vertical or slant.")),
    "session": (tr("Session"), tr("Shots of one session share part of their errors.")),
    "time": (tr("Time"), tr("As recorded.")),
    "fix": (tr("Fix"), tr("As recorded.")),
    "source": (tr("Source"), tr("As recorded.")),
    "note": (tr("Note"), tr("As recorded.")),
    "crs": ("CRS", tr("Frame of each observation, where it is recorded.")),
    "epoch": (tr("Epoch"), tr("Decimal year of each observation.")),
}


class FieldMappingDialog(QDialog):
    """A choice for each value; the first feature is read back while choosing."""

    def __init__(
        self, layer: QgsVectorLayer, source: LayerSource, settings: Settings,
        parent: Optional[QWidget] = None,
    ) -> None:
        super().__init__(parent)
        self._layer, self._settings = layer, settings
        self._control = source.field_of("control_id") is not None
        self.setObjectName("sitetie_field_mapping")
        self.setWindowTitle(tr("Fields of {name}").format(name=layer.name()))
        self.boxes: Dict[str, QComboBox] = {}
        form = QFormLayout()
        form.setFieldGrowthPolicy(QFormLayout.FieldGrowthPolicy.AllNonFixedFieldsGrow)
        for name in CONTROL_FIELDS if self._control else OBSERVATION_FIELDS:
            form.addRow(LABELS[name][0], self._box(name, source))
        self.packed = QCheckBox(tr("Angles are packed as degrees, minutes, seconds (DDD.MMSSsss)"))
        self.packed.setObjectName("sitetie_packed")
        self.packed.setChecked(source.packed_dms)
        self.packed.setVisible(not self._control)
        self.packed.toggled.connect(self._read_back)
        self.echo = QLabel()
        self.echo.setObjectName("sitetie_first_feature")
        self.echo.setAccessibleName(tr("The first feature as it is read"))
        self.echo.setWordWrap(True)
        self.echo.setTextInteractionFlags(Qt.TextInteractionFlag.TextSelectableByMouse)
        self.buttons = QDialogButtonBox(
            QDialogButtonBox.StandardButton.Ok | QDialogButtonBox.StandardButton.Cancel)
        self.buttons.accepted.connect(self.accept)
        self.buttons.rejected.connect(self.reject)
        page = QWidget()
        page.setLayout(form)
        scroll = QScrollArea()
        scroll.setWidgetResizable(True)
        scroll.setWidget(page)
        layout = QVBoxLayout(self)
        layout.addWidget(scroll, 1)
        layout.addWidget(self.packed)
        layout.addWidget(self.echo)
        layout.addWidget(self.buttons)
        height = self.fontMetrics().height()
        self.resize(30 * height, (24 if self._control else 34) * height)
        self._read_back()

    def source(self) -> LayerSource:
        """The layer with the mapping as it is chosen now."""
        fields = [FieldChoice(name, box.currentData()) for name, box in self.boxes.items()
                  if box.currentData()]
        return source_of(self._layer, fields, self.packed.isChecked())

    def _box(self, name: str, source: LayerSource) -> QComboBox:
        box = QComboBox()
        box.setObjectName(f"sitetie_field_{name}")
        box.setAccessibleName(LABELS[name][0])
        box.setToolTip(LABELS[name][1])
        for words, value in self._specials(name):
            box.addItem(words, value)
        for field in self._layer.fields():
            box.addItem(field.name(), field.name())
        wanted = source.field_of(name)
        place = box.findData(wanted)
        if place < 0 and wanted:
            box.addItem(tr("{wanted} (missing)").format(wanted=wanted), wanted)
            place = box.count() - 1
        box.setCurrentIndex(max(place, 0))
        box.currentIndexChanged.connect(self._read_back)
        self.boxes[name] = box
        return box

    def _specials(self, name: str) -> List[Tuple[str, Optional[str]]]:
        """What can be chosen besides fields."""
        points = has_points(self._layer)
        if name in ("control_id", "observation_id"):
            return [(tr("— feature number —"), FEATURE_ID)]
        if name in ("easting", "northing", "latitude", "longitude"):
            return [(tr("— from the geometry —") if points else tr("— none —"), None)]
        if name in ("elevation", "height") and points and QgsWkbTypes.hasZ(self._layer.wkbType()):
            return [(tr("— none —"), None), (tr("— z of the geometry —"), GEOMETRY_Z)]
        return [(tr("— none —"), None)]

    def _read_back(self, *_: object) -> None:
        """Read the first feature with the mapping as it stands."""
        first = next(self._layer.getFeatures(), None)
        if first is None:
            self.echo.setText(tr("The layer has no features yet."))
            return
        try:
            words = self._first(first.id())
        except SitetieError as error:
            words = f"⚠ {error}"
        self.echo.setText(words)

    def _first(self, feature_id: int) -> str:
        if self._control:
            known = read_control(self._layer, self.source(), [feature_id])[0]
            return tr(
                "First feature: {control_words}").format(
                control_words=_control_words(known.control))
        found = read_observations(self._layer, self.source(), self._settings, [feature_id])[0]
        return tr(
            "First feature: {observation_words}").format(
            observation_words=_observation_words(found.observation))


def _control_words(control: Control) -> str:
    parts = []
    if control.has_position:
        parts.append(tr(
            "easting {easting:,.3f}, northing {northing:,.3f}").format(
            easting=control.easting, northing=control.northing))
    parts.append(tr(
        "elevation {elevation:,.3f}").format(elevation=control.elevation) if control.has_elevation
                 else tr("no elevation"))
    return f"{control.id}: {', '.join(parts)}."


def _observation_words(observation: Observation) -> str:
    latitude = format_angle(observation.latitude, "latitude")
    longitude = format_angle(observation.longitude, "longitude")
    height = tr(
        "no height") if observation.height is None else tr(
        "height {height:,.3f} m").format(height=observation.height)
    frame = tr(", in {crs}").format(crs=observation.crs) if observation.crs else ""
    return f"{observation.id}: {latitude}, {longitude}, {height}{frame}."
