"""Result files of one run: all of them appear at the end, or none does."""

from __future__ import annotations

import os
import re
import shutil
import tempfile
from typing import Any, Dict, List, Optional, Sequence, Tuple

from qgis.core import (
    QgsCoordinateReferenceSystem,
    QgsFeature,
    QgsFeatureSink,
    QgsFields,
    QgsProcessingAlgorithm,
    QgsProcessingContext,
    QgsProcessingOutputLayerDefinition,
    QgsProperty,
    QgsProviderRegistry,
    QgsVectorFileWriter,
    QgsVectorLayer,
)

from ..core.errors import OutputError

#: Endings of what lies beside a file and belongs to it: left from an older one, it would be wrong.
_COMPANIONS = {
    ".shp": (".shx", ".dbf", ".prj", ".cpg", ".qpj", ".qix", ".sbn", ".sbx", ".qmd", ".shp.xml"),
    ".gpkg": (".gpkg-wal", ".gpkg-shm", ".gpkg-journal"),
    ".tif": (".tif.aux.xml", ".tif.ovr", ".tif.msk", ".tfw"),
    ".tiff": (".tiff.aux.xml", ".tiff.ovr", ".tiff.msk", ".tfw"),
}


class Outputs:
    """Hands out places for results; use as a context manager and `commit` at the end.

    A result file is written into a hidden folder beside the place it was asked for, and moved
    there by `commit`. Left without a commit, nothing remains, and what was there before stays.
    A result in memory or in a database is written at once; after a failure a new table is taken
    out of a GeoPackage again, while one in another database stays, unfinished.
    """

    def __init__(self) -> None:
        self._files: List[Tuple[str, str]] = []
        self._layers: List[LayerOutput] = []

    def __enter__(self) -> "Outputs":
        return self

    def __exit__(self, kind: Optional[type], *details: object) -> None:
        for layer in self._layers:
            layer.close()
        for layer in self._layers if kind is not None else ():
            if layer.staged is None:
                _drop(layer.place)
        for folder, _ in self._files:
            shutil.rmtree(folder, ignore_errors=True)

    def file(self, path: str) -> str:
        """Where to write a file that is to appear at `path`.

        Raises
        ------
        OutputError
            When nothing can be written there.
        """
        path = os.path.abspath(path)
        folder, name = os.path.split(path)
        if os.path.isdir(path):
            raise OutputError("This is a folder.", "Give a file in it.", file=path)
        try:
            staging = tempfile.mkdtemp(prefix=".sitetie-", dir=folder)
        except OSError as error:
            raise OutputError(
                f"Nothing can be written there ({error.strerror or error}).",
                "Choose a folder that exists and that you may write to.", file=path,
            ) from None
        self._files.append((staging, path))
        return os.path.join(staging, name)

    def layer(
        self,
        algorithm: QgsProcessingAlgorithm,
        parameters: Dict[str, Any],
        name: str,
        context: QgsProcessingContext,
        fields: QgsFields,
        geometry_type: int,
        crs: QgsCoordinateReferenceSystem,
        new_keys: bool = False,
    ) -> Optional["LayerOutput"]:
        """Where to write a layer; None when it was not asked for.

        Parameters
        ----------
        new_keys : bool
            Primary keys are made anew, because one feature may become several.

        Raises
        ------
        OutputError
        """
        destination, definition = _destination(algorithm, parameters, name, context)
        arguments: Tuple[Any, ...] = (context, fields, geometry_type, crs)
        if new_keys:
            arguments += (QgsFeatureSink.SinkFlag.RegeneratePrimaryKey,)
        if not _is_file(destination) or (definition and definition.useRemapping()):
            sink, place = algorithm.parameterAsSink(parameters, name, *arguments)
            if sink is None:
                return None
            output = LayerOutput(sink, place)
        else:
            ending = os.path.splitext(destination)[1]
            if not QgsVectorFileWriter.driverForExtension(ending):
                raise OutputError(
                    f"QGIS knows no format for layers in {ending} files.",
                    "Choose another ending, such as .gpkg.", file=destination,
                )
            staged = self.file(destination)
            inner = QgsProcessingOutputLayerDefinition(staged)
            if definition:
                inner.createOptions = definition.createOptions
            sink, place = algorithm.parameterAsSink({name: inner}, name, *arguments)
            if sink is None:
                raise OutputError(
                    "The layer cannot be written there.",
                    "Choose another place or format.", file=destination,
                )
            # Tells QGIS to load the layer from where it will be.
            final = algorithm.parameterAsOutputLayer(parameters, name, context)
            output = LayerOutput(sink, final, place)
        self._layers.append(output)
        return output

    def commit(self) -> None:
        """Move all files to where they were asked for.

        Raises
        ------
        OutputError
            When a layer was not written completely, or a place cannot be written to.
        """
        for layer in self._layers:
            layer.close()
            layer.verify()
        for folder, path in self._files:
            _move(folder, path)


class LayerOutput:
    """A layer being written.

    Attributes
    ----------
    place : str
        Where it will be, as Processing names it.
    staged : str or None
        The file it is written to first.
    """

    def __init__(self, sink: QgsFeatureSink, place: str, staged: Optional[str] = None) -> None:
        self._sink: Optional[QgsFeatureSink] = sink
        self.staged = staged
        self._count = 0
        self.place = place

    def add(self, features: Sequence[QgsFeature]) -> None:
        """Write features.

        Raises
        ------
        OutputError
            When one is not taken.
        """
        assert self._sink is not None
        if not self._sink.addFeatures(list(features), QgsFeatureSink.Flag.FastInsert):
            raise OutputError(
                f"The layer does not take what is to be written ({self._sink.lastError()}).",
                "Choose another format, and check that the disk has room.", file=self.place,
            )
        self._count += len(features)

    def close(self) -> None:
        """Finish writing."""
        self._sink = None

    def verify(self) -> None:
        """Count what was written to a file.

        Raises
        ------
        OutputError
        """
        if self.staged is None:
            return
        found = QgsVectorLayer(self.staged, "written", "ogr").featureCount()
        if found not in (self._count, -1):
            raise OutputError(
                f"Only {found} of {self._count} features were written.",
                "Check that the disk has room.", file=self.place,
            )


def _destination(algorithm, parameters, name, context):
    """Where a layer is to go, as text, and the definition that said so, if one did."""
    definition = algorithm.parameterDefinition(name)
    value = parameters.get(name, definition.defaultValue())
    made = value if isinstance(value, QgsProcessingOutputLayerDefinition) else None
    if made is not None:
        value = made.sink
    if isinstance(value, QgsProperty):
        value = value.valueAsString(context.expressionContext())[0]
    return (value if isinstance(value, str) else ""), made


def _is_file(destination: str) -> bool:
    """Whether a destination is a plain file with an ending, and not memory or a database."""
    if re.match(r"[A-Za-z]{2,}:", destination):
        return False
    return bool(os.path.splitext(destination)[1])


def _move(folder: str, path: str) -> None:
    """Move what was written for a file to its place; what belonged to an older one goes."""
    stem, ending = os.path.splitext(path)
    target, name = os.path.split(path)
    try:
        for companion in _COMPANIONS.get(ending.lower(), ()):
            if os.path.exists(stem + companion):
                os.unlink(stem + companion)
        # The file itself comes last: where it is, everything is.
        for made in sorted(os.listdir(folder), key=lambda made: made == name):
            os.replace(os.path.join(folder, made), os.path.join(target, made))
    except OSError as error:
        raise OutputError(
            f"The file cannot be put in place ({error.strerror or error}).",
            "Close it in other programs, and check that you may write there.", file=path,
        ) from None


def _drop(place: str) -> None:
    """Take a table that was not finished out of a GeoPackage."""
    parts = QgsProviderRegistry.instance().decodeUri("ogr", place)
    metadata = QgsProviderRegistry.instance().providerMetadata("ogr")
    path = parts.get("path", "")
    if path.lower().endswith(".gpkg") and parts.get("layerName") and os.path.isfile(path):
        metadata.createConnection(path, {}).dropVectorTable("", parts["layerName"])
