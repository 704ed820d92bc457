"""Fields of result layers, made alike on Qt 5 and Qt 6."""

from __future__ import annotations

from qgis.core import Qgis, QgsField, QgsFields
from qgis.PyQt.QtCore import QMetaType, QVariant

# QgsField takes QMetaType's types since QGIS 3.38, and only QVariant's before.
_NEW = Qgis.versionInt() >= 33800
_TYPES = QMetaType.Type if _NEW else QVariant.Type
_TEXT = QMetaType.Type.QString if _NEW else QVariant.Type.String


def number_field(name: str) -> QgsField:
    """A double."""
    return QgsField(name, _TYPES.Double)


def whole_field(name: str) -> QgsField:
    """A whole number."""
    return QgsField(name, _TYPES.Int)


def text_field(name: str, length: int = 0) -> QgsField:
    """A text, of any length or up to a length."""
    return QgsField(name, _TEXT, len=length)


def fields_of(*made: QgsField) -> QgsFields:
    """The fields of a layer."""
    fields = QgsFields()
    for field in made:
        fields.append(field)
    return fields
