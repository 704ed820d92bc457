"""Runs inside a QGIS window (see pictures.sh): the main job by mouse and keyboard, step by step.

Two layers are chosen, two marks paired by pointing at them, the rest by nearest; the two blunders
are found and set idle, two pairs become checks, the tie is accepted, the topo points are restated.
"""

from __future__ import annotations

import os
import sys
import time
import traceback
from pathlib import Path
from typing import Callable, Iterator, Optional

import qgis.utils
from qgis.core import (
    QgsCoordinateTransform,
    QgsProject,
    QgsRectangle,
    QgsVectorLayer,
)
from qgis.PyQt.QtCore import QEventLoop, QPoint, QRect, Qt, QTimer
from qgis.PyQt.QtTest import QTest
from qgis.PyQt.QtWidgets import (
    QAction,
    QApplication,
    QComboBox,
    QDialog,
    QDockWidget,
    QLayout,
    QLineEdit,
    QListWidget,
    QToolButton,
    QWidget,
)

FOLDER = Path(os.environ["SITETIE_PICTURES"])
WIDTH, HEIGHT = map(int, os.environ["SITETIE_SCREEN"].split("x"))
LEFT = Qt.MouseButton.LeftButton
iface = qgis.utils.iface
window = iface.mainWindow()


def wait(milliseconds: int = 250) -> None:
    """Let QGIS go on, the map drawn to its end."""
    loop = QEventLoop()
    QTimer.singleShot(milliseconds, loop.quit)
    loop.exec()
    end = time.monotonic() + 10.0
    while iface.mapCanvas().isDrawing() and time.monotonic() < end:
        QApplication.processEvents()


class Pictures:
    """Numbers and saves what the screen shows."""

    def __init__(self) -> None:
        self.count = 0

    def take(self, name: str) -> None:
        wait()
        self.count += 1
        path = FOLDER / f"{self.count:02d}_{name}.png"
        # The whole screen: dialogs and lists are windows of their own.
        if not QApplication.primaryScreen().grabWindow(0).save(str(path)):
            raise RuntimeError(f"{path} could not be written")
        print(path.name, flush=True)


pictures = Pictures()


def widget(name: str, kind: type = QWidget, inside: Optional[QWidget] = None) -> QWidget:
    found = (inside or window).findChild(kind, name)
    if found is None:
        raise RuntimeError(f"{name} is not in the window")
    return found


def click(target: QWidget, at: Optional[QPoint] = None) -> None:
    QTest.mouseClick(target, LEFT, Qt.KeyboardModifier.NoModifier,
                     at if at is not None else target.rect().center())
    wait(80)


def write(entry: QWidget, text: str, last=Qt.Key.Key_Return) -> None:
    entry.setFocus()
    QTest.keyClick(entry, Qt.Key.Key_A, Qt.KeyboardModifier.ControlModifier)
    QTest.keyClicks(entry, text)
    QTest.keyClick(entry, last)
    wait(80)


def choose(box: QComboBox, words: str) -> None:
    """With the arrow keys, as far as the entry that begins with these words."""
    box.setFocus()
    while not box.currentText().startswith(words):
        place = next(i for i in range(box.count()) if box.itemText(i).startswith(words))
        QTest.keyClick(box, Qt.Key.Key_Down if box.currentIndex() < place else Qt.Key.Key_Up)
    wait(80)


def in_dialog(act: Callable[[QDialog], None]) -> None:
    """Do something with the dialog that the next click opens."""
    def look() -> None:
        dialog = QApplication.activeModalWidget()
        if dialog is None:
            QTimer.singleShot(50, look)
            return
        act(dialog)

    QTimer.singleShot(50, look)


def tab(words: str) -> None:
    bar = widget("sitetie_tabs").tabBar()
    for place in range(bar.count()):
        if bar.tabText(place) == words:
            click(bar, bar.tabRect(place).center())


def on_map(layer_name: str, field: str, value: str) -> QPoint:
    """Where a point of a layer is drawn."""
    layer: QgsVectorLayer = QgsProject.instance().mapLayersByName(layer_name)[0]
    feature = next(f for f in layer.getFeatures() if f[field] == value)
    settings = iface.mapCanvas().mapSettings()
    change = QgsCoordinateTransform(layer.crs(), settings.destinationCrs(), QgsProject.instance())
    place = change.transform(feature.geometry().asPoint())
    pixel = settings.mapToPixel().transform(place)
    return QPoint(round(pixel.x()), round(pixel.y()))


def point_at(where: QPoint, picture: str = "") -> None:
    viewport = iface.mapCanvas().viewport()
    QTest.mouseMove(viewport, where + QPoint(3, -2))
    wait(150)
    if picture:
        pictures.take(picture)
    click(viewport, where + QPoint(3, -2))


def row_of(name: str, column: int = 0) -> int:
    model = widget("sitetie_pairs").model()
    return next(row for row in range(model.rowCount())
                if model.index(row, column).data() == name)


def cell(row: int, column: int) -> None:
    view = widget("sitetie_pairs")
    index = view.model().index(row, column)
    view.scrollTo(index)
    click(view.viewport(), view.visualRect(index).center())


def key(code, modifier=Qt.KeyboardModifier.NoModifier) -> None:
    QTest.keyClick(widget("sitetie_pairs"), code, modifier)
    wait(120)


def steps() -> Iterator[None]:
    """The job."""
    click(next(button for button in window.findChildren(QToolButton)
               if button.defaultAction() is qgis.utils.plugins["sitetie"].dock_action))
    pictures.take("dock_opened")

    tab("Layers")
    choose(widget("sitetie_control_layer"), "Control points")
    choose(widget("sitetie_observations_layer"), "Shots at marks")
    pictures.take("layers_chosen")
    yield

    tab("Pairs")
    click(widget("sitetie_pair_button"))
    point_at(on_map("Control points", "control_id", "K01"), "pointing_at_control")
    point_at(on_map("Shots at marks", "observation_id", "K01-1"), "pointing_at_its_observation")
    point_at(on_map("Shots at marks", "observation_id", "K05-1"))
    point_at(on_map("Control points", "control_id", "K05"))
    QTest.keyClick(iface.mapCanvas(), Qt.Key.Key_Escape)
    widget("sitetie_status").clear()
    pictures.take("two_pairs")
    yield

    where_next()
    yield

    tab("Site settings")
    choose(widget("sitetie_site_unit"), "metre")
    for name, text in (("tolerance_h", "0.03"), ("tolerance_v", "0.045")):
        write(widget(f"sitetie_{name}", QLineEdit), text)
    pictures.take("settings")
    tab("Pairs")

    def take_all(dialog: QDialog) -> None:
        write(widget("sitetie_nearest_limit", QLineEdit, dialog), "25", Qt.Key.Key_Tab)
        pictures.take("pairs_by_nearest")
        click(widget("sitetie_nearest_pair", QWidget, dialog))

    in_dialog(take_all)
    next(action for action in widget("sitetie_pair_button").menu().actions()
         if action.objectName() == "sitetie_pair_by_nearest").trigger()
    choose_plane()
    pictures.take("all_pairs")
    yield

    label = widget("sitetie_headline")
    label.linkActivated.emit("K08")
    search = qgis.utils.plugins["sitetie"].workbench.dock.pairs.search
    end = time.monotonic() + 60.0
    while search.searching and time.monotonic() < end:
        wait(100)
    wait(600)  # the points have flashed
    pictures.take("why_it_does_not_belong")
    key(Qt.Key.Key_I)
    cell(row_of("K09"), 4)  # its vertical role
    key(Qt.Key.Key_I)
    for control in ("K06", "K10"):
        cell(row_of(control), 0)
        key(Qt.Key.Key_C)
    widget("sitetie_pairs").clearSelection()
    pictures.take("reviewed")
    tab("Solution")
    pictures.take("solution")
    yield

    def accept(dialog: QDialog) -> None:
        write(widget("sitetie_surveyor", QLineEdit, dialog), "I. Oke", Qt.Key.Key_Tab)
        looked = widget("sitetie_looked", QWidget, dialog)
        if looked.isVisible():
            click(looked, QPoint(10, looked.height() // 2))
        pictures.take("accepting")
        click(widget("sitetie_accept_button", QWidget, dialog))

    in_dialog(accept)
    click(widget("sitetie_accept_tool"))
    yield

    def restate(dialog: QDialog) -> None:
        entries = widget("sitetie_restate_layers", QListWidget, dialog)
        for row in range(entries.count()):
            if entries.item(row).text() == "Topo points":
                entries.item(row).setCheckState(Qt.CheckState.Checked)
        pictures.take("restating")
        click(widget("sitetie_restate_button", QWidget, dialog))

    in_dialog(restate)
    click(widget("sitetie_restate"))
    end = time.monotonic() + 30.0
    while qgis.utils.plugins["sitetie"].workbench.restating.busy and time.monotonic() < end:
        wait(100)
    pictures.take("restated")
    yield

    def given(dialog: QDialog) -> None:
        pictures.take("layers_given_in_site_coordinates")
        click(widget("sitetie_site_layers_button", QWidget, dialog))

    in_dialog(given)
    site_crs_action("set_site_crs_on_layers")
    site_crs_action("put_project_on_site")
    widget("sitetie_status").clear()
    # Shown as a person wants a map: without the drawing of the residuals, and each point once.
    click_action("sitetie_residuals_on_map")
    tree = QgsProject.instance().layerTreeRoot()
    twice = QgsProject.instance().mapLayersByName("Topo points")[0]
    tree.findLayer(twice.id()).setItemVisibilityChecked(False)
    show(QgsRectangle(1500.0, 4570.0, 2520.0, 5470.0))
    pictures.take("on_the_site_grid")
    # K09 with its target, benches, haul road and the axis of the embankment.
    show(QgsRectangle(2095.0, 4760.0, 2235.0, 4890.0))
    pictures.take("on_the_site_grid_near")


def click_action(name: str) -> None:
    window.findChild(QAction, name).trigger()
    wait(300)


def site_crs_action(name: str) -> None:
    """As from the menu of the button Site CRS."""
    menu = widget("sitetie_site_crs_menu")
    menu.aboutToShow.emit()
    next(a for a in menu.actions() if a.objectName() == f"sitetie_{name}").trigger()
    wait(300)


def show(extent: QgsRectangle) -> None:
    """A part of the site, drawn to its end."""
    canvas = iface.mapCanvas()
    canvas.setExtent(extent)
    canvas.refresh()
    wait(300)
    canvas.waitWhileRendering()
    wait(300)


def where_next() -> None:
    """What two pairs promise of the rest."""
    where = qgis.utils.plugins["sitetie"].workbench.map_link.map.where_next
    button = next(button for button in widget("sitetie_dock_toolbar").findChildren(QToolButton)
                  if button.defaultAction() is not None
                  and button.defaultAction().objectName() == "sitetie_where_next")
    click(button)
    end = time.monotonic() + 30.0
    while where.busy and time.monotonic() < end:
        wait(100)
    canvas, before = iface.mapCanvas(), iface.mapCanvas().extent()
    legend = widget("Layers", QDockWidget)
    legend.hide()
    wait(300)
    layer = where.layer("seek")
    change = QgsCoordinateTransform(
        layer.crs(), canvas.mapSettings().destinationCrs(), QgsProject.instance())
    shown = change.transformBoundingBox(layer.extent())
    shown.scale(1.35)
    # The list covers the left half of the map.
    shown.setXMinimum(shown.xMinimum() - shown.width())
    canvas.setExtent(shown)
    canvas.refresh()
    dialog = widget("sitetie_where_next", QDialog)
    place = canvas.mapToGlobal(QPoint(8, 8))
    dialog.setGeometry(place.x(), place.y(), canvas.width() // 2 - 16, canvas.height() - 16)
    wait(600)
    pictures.take("where_next")
    click(button)
    legend.show()
    canvas.setExtent(before)
    canvas.refresh()
    wait(400)


def choose_plane() -> None:
    """Elevations of the quarry want a tilted plane."""
    tab("Site settings")
    choose(widget("sitetie_vertical_model"), "tilted plane")
    tab("Pairs")


def run() -> None:
    try:
        window.showNormal()
        # As a window manager keeps a maximized window to the screen, whatever it would like.
        window.layout().setSizeConstraint(QLayout.SizeConstraint.SetNoConstraint)
        window.setMinimumSize(0, 0)
        window.setGeometry(QRect(0, 0, WIDTH, HEIGHT))
        iface.addProject(os.environ["SITETIE_JOB"])
        for name in ("Browser", "LayerStyling"):
            for dock in window.findChildren(QDockWidget, name):
                dock.hide()
        wait(800)
        for number, _ in enumerate(steps()):
            wait(150)
            if number == 0:
                show_both()
        print("All steps done", flush=True)
    except BaseException:
        pictures.take("failed")
        traceback.print_exc()
    sys.stdout.flush()
    os._exit(0)


def show_both() -> None:
    """Control and observations side by side."""
    shown = QgsRectangle()
    canvas = iface.mapCanvas()
    for name in ("Control points", "Shots at marks"):
        layer = QgsProject.instance().mapLayersByName(name)[0]
        change = QgsCoordinateTransform(
            layer.crs(), canvas.mapSettings().destinationCrs(), QgsProject.instance())
        shown.combineExtentWith(change.transformBoundingBox(layer.extent()))
    shown.scale(1.15)
    canvas.setExtent(shown)
    canvas.refresh()
    wait(500)


QTimer.singleShot(1500, run)
