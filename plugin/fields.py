"""Fields of result layers, made alike on Qt 5 and Qt 6."""

from __future__ import annotations

from qgis.core import QgsField, QgsFields
from qgis.PyQt.QtCore import QMetaType, QVariant

# QgsField takes QVariant's types with Qt 5 and QMetaType's with Qt 6, where QVariant has none.
_TYPES = getattr(QVariant, "Type", QMetaType.Type)
_TEXT = getattr(_TYPES, "String", None) or QMetaType.Type.QString


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
