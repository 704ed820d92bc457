"""The site grid as a CRS that QGIS knows by name, and what stands on it.

A tie is known again in the name of its CRS, by the first digits of its hash; never by comparing
CRSs, which programs call equal that differ by half a millimetre. Layers whose coordinates are given
in the site grid are marked so (`GIVEN_PROPERTY`): they may move on to a newer tie. A layer that
was brought onto the site through a tie belongs to that one and has to be made anew.
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Iterable, List, Optional

from qgis.core import (
    QgsApplication,
    QgsCoordinateReferenceSystem,
    QgsMapLayer,
    QgsProject,
)

from ..core.errors import OutputError
from .map.memory_layer import ROLE_PROPERTY

if TYPE_CHECKING:
    from ..core.tie import Tie

GIVEN_PROPERTY = "sitetie/given_in_site_coordinates"
SCOPE, BEFORE_ENTRY = "sitetie", "crs_before_site_grid"
#: What stands for "no CRS" in that entry.
NO_CRS = "none"
_NAME_END = re.compile(r"\btie (?:\d+ )?\(?([0-9a-f]{8})\)?$")
_NUMBER = re.compile(r"\btie (\d+) \([0-9a-f]{8}\)$")
_WKT = QgsCoordinateReferenceSystem.WktVariant.WKT_PREFERRED


def site_crs_name(short_id: str, number: Optional[int] = None, site: str = "") -> str:
    """For people and programs: ``Tannhag quarry, site grid, tie 2 (1a2b3c4d)``."""
    numbered = f"tie {short_id}" if number is None else f"tie {number} ({short_id})"
    return f"{site}, site grid, {numbered}" if site else f"Site grid, {numbered}"


def site_name(project: QgsProject) -> str:
    """What the project calls the site: its title, or the name of its file."""
    return project.title().strip() or project.baseName()


def tie_of(crs: QgsCoordinateReferenceSystem) -> Optional[str]:
    """The first digits of the hash of the tie a CRS belongs to; None for other CRSs."""
    found = _NAME_END.search(crs.description()) if crs.isValid() else None
    return found[1] if found else None


def tie_in_words(crs: QgsCoordinateReferenceSystem) -> str:
    """``tie 2``, or ``tie 1a2b3c4d`` where the number is not known."""
    found = _NUMBER.search(crs.description())
    return f"tie {found[1] if found else tie_of(crs)}"


def registered(short_id: str) -> Optional[QgsCoordinateReferenceSystem]:
    """The CRS of a tie in the list of user CRSs of this QGIS profile."""
    for known in QgsApplication.coordinateReferenceSystemRegistry().userCrsList():
        found = _NAME_END.search(known.name)
        if found and found[1] == short_id and known.crs.isValid():
            return known.crs
    return None


def register(
    tie: "Tie", number: Optional[int] = None, site: str = ""
) -> QgsCoordinateReferenceSystem:
    """The CRS of a tie, put into the list of user CRSs of this QGIS profile if it is not there.

    Raises
    ------
    OutputError
        When QGIS does not take it.
    """
    known = registered(tie.short_id)
    if known is not None and (number is None or _NUMBER.search(known.description())):
        return known
    name = site_crs_name(tie.short_id, number, site)
    crs = QgsCoordinateReferenceSystem.fromWkt(tie.crs_wkt(name))
    registry = QgsApplication.coordinateReferenceSystemRegistry()
    if known is None:
        done = crs.isValid() and registry.addUserCrs(crs, name) != -1
    else:
        # It was there without its number.
        done = registry.updateUserCrs(known.srsid(), crs, name)
    made = registered(tie.short_id) if done else None
    if made is None:
        raise OutputError(
            f"QGIS does not take the CRS {name!r} into its list.",
            "Check that you may write to the folder of your QGIS profile.",
        )
    return made


# -- layers --------------------------------------------------------------------------------------


def set_on_layers(layers: Iterable[QgsMapLayer], crs: QgsCoordinateReferenceSystem) -> None:
    """Give layers whose coordinates are site coordinates the CRS of the site."""
    for layer in layers:
        layer.setCrs(crs)
        layer.setCustomProperty(GIVEN_PROPERTY, True)


def layers_on_other_ties(project: QgsProject, short_id: str) -> List[QgsMapLayer]:
    """Layers on the site CRS of a tie other than this one, by name."""
    found = [layer for layer in project.mapLayers().values()
             if tie_of(layer.crs()) not in (None, short_id)
             and not layer.customProperty(ROLE_PROPERTY)]
    return sorted(found, key=lambda layer: layer.name().lower())


def given_in_site(layer: QgsMapLayer) -> bool:
    """Whether a person said that the coordinates of a layer are given in the site grid."""
    return bool(layer.customProperty(GIVEN_PROPERTY))


# -- project -------------------------------------------------------------------------------------


def put_project_on(project: QgsProject, crs: QgsCoordinateReferenceSystem) -> None:
    """Put a project on the site grid; the CRS it had before is remembered with it."""
    before = project.crs()
    if tie_of(before) is None:
        project.writeEntry(SCOPE, BEFORE_ENTRY, _crs_text(before))
    project.setCrs(crs)


def crs_before(project: QgsProject) -> QgsCoordinateReferenceSystem:
    """The CRS a project had before it was put on the site grid; not valid where it had none."""
    before = project.readEntry(SCOPE, BEFORE_ENTRY, NO_CRS)[0]
    return QgsCoordinateReferenceSystem("" if before == NO_CRS else before)


def take_project_back(project: QgsProject) -> None:
    """Give a project the CRS it had before it was put on the site grid."""
    before = crs_before(project)
    project.removeEntry(SCOPE, BEFORE_ENTRY)
    project.setCrs(before)


def _crs_text(crs: QgsCoordinateReferenceSystem) -> str:
    if not crs.isValid():
        return NO_CRS
    code = crs.authid()
    # Numbers of user CRSs differ from profile to profile.
    return code if code and not code.startswith("USER:") else "WKT:" + crs.toWkt(_WKT)
