"""Which layers control and observations are picked from."""

from __future__ import annotations

from typing import Optional

from qgis.core import QgsMapLayerProxyModel, QgsProject, QgsVectorLayer
from qgis.gui import QgsMapLayerComboBox
from qgis.PyQt.QtCore import pyqtSignal
from qgis.PyQt.QtWidgets import QGridLayout, QLabel, QPushButton, QSizePolicy, QVBoxLayout, QWidget

from ...core.errors import SitetieError
from ...core.frames import geographic_crs
from ..job.job import Job
from ..job.layer_source import (
    crs_text,
    describe_mapping,
    find_layer,
    guess_control,
    guess_observations,
    missing_fields,
)
from ..job.state import JobState, LayerSource
from ..map.memory_layer import result_layers
from ..translation import tr
from .field_mapping_dialog import FieldMappingDialog
from .hint_label import HintLabel

KINDS = {
    "control": (tr(
        "Control points"), tr(
        "Marks known in the site grid: easting, northing, elevation.")),
    "observations": (tr("Observations"), tr("What GNSS measured: latitude, longitude, height.")),
}


class LayersPanel(QWidget):
    """Two layers, each with the fields it is read by.

    Signals
    -------
    layers_changed
        Layers came into the project or left it.
    """

    layers_changed = pyqtSignal()

    def __init__(self, job: Job, parent: Optional[QWidget] = None) -> None:
        super().__init__(parent)
        self._job = job
        self.setObjectName("sitetie_layers_panel")
        self._choices = {}
        layout = QVBoxLayout(self)
        for kind in KINDS:
            choice = LayerChoice(job, kind)
            self._choices[kind] = choice
            layout.addWidget(choice)
        layout.addStretch(1)
        job.changed.connect(self.show_state)
        project = QgsProject.instance()
        project.layersAdded.connect(self._layers_changed)
        project.layersRemoved.connect(self._layers_changed)
        self.show_state()

    def choice(self, kind: str) -> "LayerChoice":
        """The row of ``control`` or ``observations``."""
        return self._choices[kind]

    def show_state(self) -> None:
        for choice in self._choices.values():
            choice.show_state()

    def _layers_changed(self, *_: object) -> None:
        self.show_state()
        self.layers_changed.emit()

    def let_go(self) -> None:
        """Stop listening to the project."""
        project = QgsProject.instance()
        project.layersAdded.disconnect(self._layers_changed)
        project.layersRemoved.disconnect(self._layers_changed)


class LayerChoice(QWidget):
    """One layer: a list to choose from, its mapping in words, a button to change it."""

    def __init__(self, job: Job, kind: str, parent: Optional[QWidget] = None) -> None:
        super().__init__(parent)
        self._job, self._kind = job, kind
        title, meaning = KINDS[kind]
        self.setObjectName(f"sitetie_{kind}_choice")
        self.box = QgsMapLayerComboBox()
        self.box.setObjectName(f"sitetie_{kind}_layer")
        self.box.setAccessibleName(tr("Layer of the {lower}").format(lower=title.lower()))
        self.box.setToolTip(meaning)
        self.box.setAllowEmptyLayer(True)
        self.box.setFilters(QgsMapLayerProxyModel.Filter.PointLayer
                            | QgsMapLayerProxyModel.Filter.NoGeometry)
        self.box.setSizePolicy(QSizePolicy.Policy.Ignored, QSizePolicy.Policy.Fixed)
        # Only what a person does counts: the list also changes by itself when layers go.
        self.box.activated.connect(lambda _: self._choose())
        self.fields = QPushButton(tr("Fields…"))
        self.fields.setObjectName(f"sitetie_{kind}_fields")
        self.fields.setAccessibleName(tr("Fields of the {lower}").format(lower=title.lower()))
        self.fields.setToolTip(tr("See and change which field of the layer holds what."))
        self.fields.clicked.connect(self.edit_fields)
        label = QLabel(f"<b>{title}</b>")
        label.setBuddy(self.box)
        self.words = HintLabel()
        self.words.setObjectName(f"sitetie_{kind}_mapping")
        layout = QGridLayout(self)
        layout.setContentsMargins(0, 0, 0, 6)
        layout.setColumnStretch(0, 1)
        layout.addWidget(label, 0, 0, 1, 2)
        layout.addWidget(self.box, 1, 0)
        layout.addWidget(self.fields, 1, 1)
        layout.addWidget(self.words, 2, 0, 1, 2)

    def source(self) -> Optional[LayerSource]:
        return getattr(self._job.state, self._kind)

    def layer(self) -> Optional[QgsVectorLayer]:
        """The layer chosen, as far as it is there."""
        return find_layer(self.source())

    def show_state(self) -> None:
        source, layer = self.source(), self.layer()
        self.box.setExceptedLayerList(result_layers())
        self.box.setLayer(layer)
        self.fields.setEnabled(layer is not None)
        problem = _problem(source, layer)
        words = KINDS[self._kind][1] if source is None else describe_mapping(source)
        self.words.say(problem or words, alarm=bool(problem))

    def _choose(self) -> None:
        layer = self.box.currentLayer()
        title = KINDS[self._kind][0].lower()
        if not isinstance(layer, QgsVectorLayer):
            self._job.change(tr(
                "Choose no {title}").format(
                title=title), self._job.state.replace(**{self._kind: None}))
            return
        if self.source() is not None and layer == self.layer():
            return
        guess = guess_control(layer) if self._kind == "control" else guess_observations(layer)
        state = self._job.state.replace(**{self._kind: guess})
        if self._kind == "observations":
            state = _with_frame_of(layer, state)
        self._job.change(tr("Choose {title} {name}").format(title=title, name=layer.name()), state)

    def edit_fields(self) -> None:
        """Let the person look over the mapping."""
        source, layer = self.source(), self.layer()
        if source is None or layer is None:
            return
        dialog = FieldMappingDialog(layer, source, self._job.state.settings, self)
        if dialog.exec():
            self._job.change(tr("Choose fields of {name}").format(name=layer.name()),
                             self._job.state.replace(**{self._kind: dialog.source()}))
        dialog.deleteLater()


def _problem(source: Optional[LayerSource], layer: Optional[QgsVectorLayer]) -> str:
    """What is the matter with a layer that was chosen."""
    if source is None:
        return ""
    if layer is None:
        return (tr(
            "The layer “{name}” is missing ({shortened}). The pairs keep their values. Load it "
            "again, or choose another layer here.").format(
            name=source.name, shortened=_shortened(source.uri)))
    gone = missing_fields(layer, source)
    if gone:
        return (tr(
            "The layer no longer has the field “{field}” ({name}). Choose its fields anew.").format(
            field=gone[0].field, name=gone[0].name))
    return ""


def _with_frame_of(layer: QgsVectorLayer, state: JobState) -> JobState:
    """Before there are pairs the frame of the observation layer becomes that of the job."""
    if state.pairs or not layer.crs().isValid() or not layer.crs().isGeographic():
        return state
    text = crs_text(layer.crs())
    try:
        geographic_crs(text)
    except SitetieError:
        return state
    return state.replace(settings=state.settings.replace(observation_crs=text))


def _shortened(text: str, most: int = 70) -> str:
    return text if len(text) <= most else f"…{text[-most:]}"


def ready_to_pair(state: JobState) -> bool:
    """Whether both layers are chosen and there."""
    return find_layer(state.control) is not None and find_layer(state.observations) is not None


