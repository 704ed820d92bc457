"""Run as a program: opens layers and a project in a new QGIS profile, and tells their CRS.

    python read_in_new_profile.py FOLDER TIE OTHER_TIE

Prints JSON: for each file or project layer the name of its CRS, its code, the tie that the name
tells, and where it puts the mark at 48.79 N, 14.93 E; first with no user CRS in the profile, then
with the one of another tie, then with that of the tie itself.
"""

from __future__ import annotations

import json
import os
import sys
import tempfile
from pathlib import Path
from typing import Dict

from qgis.core import (
    QgsApplication,
    QgsCoordinateReferenceSystem,
    QgsCoordinateTransform,
    QgsMapLayer,
    QgsPointXY,
    QgsProject,
    QgsRasterLayer,
    QgsVectorLayer,
)


def told(crs: QgsCoordinateReferenceSystem) -> Dict[str, object]:
    from sitetie.plugin.site_crs import tie_of

    if not crs.isValid():
        return {"name": "", "code": "", "tie": None, "mark": None}
    there = QgsCoordinateTransform(
        QgsCoordinateReferenceSystem("EPSG:7931"), crs, QgsProject.instance())
    mark = there.transform(QgsPointXY(14.93, 48.79))
    return {"name": crs.description(), "code": crs.authid(), "tie": tie_of(crs),
            "mark": [mark.x(), mark.y()]}


def read_all(folder: Path) -> Dict[str, Dict[str, object]]:
    found = {}
    for path in sorted(folder.iterdir()):
        kind = path.suffix.lower()
        if kind in (".gpkg", ".fgb", ".shp"):
            found[path.name] = told(QgsVectorLayer(str(path), "layer", "ogr").crs())
        elif kind == ".tif":
            found[path.name] = told(QgsRasterLayer(str(path), "layer").crs())
        elif kind == ".qgz":
            project = QgsProject.instance()
            assert project.read(str(path))
            found[path.name] = told(project.crs())
            for layer in project.mapLayers().values():
                assert isinstance(layer, QgsMapLayer)
                found[f"{path.name}: {layer.name()}"] = told(layer.crs())
            project.clear()
    return found


def main() -> None:
    folder, tie_file, other_file = map(Path, sys.argv[1:])
    profile = tempfile.mkdtemp(prefix="sitetie-profile-")
    os.environ["QGIS_CUSTOM_CONFIG_PATH"] = profile
    application = QgsApplication([], False, profile)
    application.initQgis()
    assert application.createDatabase()
    from sitetie.core import Tie
    from sitetie.plugin.site_crs import register

    results = {"new": read_all(folder)}
    register(Tie.load(other_file), 1, "Another")
    results["other tie"] = read_all(folder)
    register(Tie.load(tie_file), 2, "Tannhag")
    results["same tie"] = read_all(folder)
    print(json.dumps(results))
    application.exitQgis()


if __name__ == "__main__":
    main()
