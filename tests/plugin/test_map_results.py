"""The results on the map: layers that say what the tie says, kept up to date, never piled up."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Dict, List

import numpy as np
import pytest
from qgis.core import (
    QgsCoordinateReferenceSystem,
    QgsFeature,
    QgsGeometry,
    QgsLineSymbol,
    QgsMapRendererParallelJob,
    QgsMapSettings,
    QgsProject,
    QgsRectangle,
    QgsSingleSymbolRenderer,
    QgsVectorLayer,
)
from qgis.PyQt.QtCore import QSize
from qgis.PyQt.QtGui import QColor

from sitetie.core import Role
from sitetie.core.hull import ON_THE_EDGE, control_hull, distance_outside
from sitetie.plugin.map.map_marks import Kind
from sitetie.plugin.map.result_layers import GROUP
from sitetie.plugin.map.result_rows import REFERENCE_KEY, result_rows

from .map_bench import MapBench, bench, quarry_pairs

__all__ = ["bench"]
ROLES = ("arrows", "triangles", "ellipses", "hull", "outside")


@pytest.fixture
def tied(bench: MapBench) -> MapBench:
    bench.take_pairs()
    return bench


def layer(bench: MapBench, role: str) -> QgsVectorLayer:
    found = bench.controller.results.layer(role)
    assert found is not None, role
    return found


def by_observation(of: QgsVectorLayer) -> Dict[str, QgsFeature]:
    return {feature["observ_id"]: feature for feature in of.getFeatures()}


def factor_of(bench: MapBench) -> float:
    title = layer(bench, "arrows").name()
    return float(title.rsplit("×", 1)[1].replace(",", ""))


def group_children(project: QgsProject) -> List[str]:
    return [child.name() for group in project.layerTreeRoot().findGroups()
            if group.name() == GROUP for child in group.children()]


# -- what the layers say ------------------------------------------------------------------------


def test_arrows_are_the_residuals_exaggerated_by_the_factor_in_the_title(tied: MapBench) -> None:
    factor = factor_of(tied)
    arrows = by_observation(layer(tied, "arrows"))
    assert factor > 1
    shown = 0
    for pair, row in zip(tied.job.tie.pairs, tied.job.tie.rows):
        if not pair.control.has_position:
            assert pair.observation.id not in arrows
            continue
        feature = arrows[pair.observation.id]
        start, end = feature.geometry().asPolyline()
        assert (start.x(), start.y()) == (pair.control.easting, pair.control.northing)
        assert (feature["res_e"], feature["res_n"]) == pytest.approx((row.east, row.north))
        drawn = np.array([end.x() - start.x(), end.y() - start.y()])
        if feature["cut"]:
            assert math.hypot(*drawn) < factor * row.horizontal.size
            assert "drawn shorter" in feature["label"]
            drawn *= factor * row.horizontal.size / math.hypot(*drawn)
        assert drawn == pytest.approx(factor * np.array([row.east, row.north]), abs=1e-6)
        shown += 1
    assert shown == 16
    assert arrows["ST-K08"]["cut"] == 1  # idle, and 20 m off


def test_the_reference_arrow_has_the_length_it_is_labelled_with(tied: MapBench) -> None:
    (reference,) = [f for f in layer(tied, "arrows").getFeatures() if f["state"] == "reference"]
    factor = factor_of(tied)
    assert reference.geometry().length() == pytest.approx(factor * reference["len_h"])
    assert reference["label"] == f"{reference['len_h'] * 1000:g} mm (×{factor:,.0f})"
    box = layer(tied, "arrows").extent()
    assert reference.geometry().boundingBox().yMinimum() == pytest.approx(box.yMinimum())


def test_vertical_residuals_point_the_way_they_go(tied: MapBench) -> None:
    triangles = by_observation(layer(tied, "triangles"))
    rows = {row.observation_id: row for row in tied.job.tie.rows}
    for name, feature in triangles.items():
        assert feature["res_u"] == pytest.approx(rows[name].up)
        assert feature["side"] == ("above" if rows[name].up >= 0 else "below")
        sign = "+" if rows[name].up > 0 else "−"
        assert sign in feature["label"]
    # One a mark, of repeated shots the worst.
    shots = [row for row in tied.job.tie.rows if row.control_id == "K01"]
    worst = max(shots, key=lambda row: abs(row.up))
    assert worst.observation_id in triangles
    assert triangles[worst.observation_id]["label"].endswith("worst of 5")
    # A mark with an elevation only stands where the tie puts it.
    place = triangles["K11-1"].geometry().asPoint()
    shot = next(pair.observation for pair in tied.job.tie.pairs if pair.control.id == "K11")
    easting, northing, _ = tied.job.tie.to_site(shot.latitude, shot.longitude)
    assert (place.x(), place.y()) == pytest.approx((easting, northing), abs=1e-6)
    assert triangles["K11-1"]["label"].startswith("K11: ")


def test_ellipses_have_the_axes_of_the_covariance_at_the_level_in_the_title(tied: MapBench) -> None:
    of = layer(tied, "ellipses")
    assert of.name() == f"Error ellipses, 95 %, ×{factor_of(tied):,.0f}"
    rows = {row.observation_id: row for row in tied.job.tie.rows}
    factor, region = factor_of(tied), tied.job.tie.region_factor(2)
    for feature in of.getFeatures():
        row = rows[feature["observ_id"]]
        values, axes = np.linalg.eigh(np.array(row.covariance)[:2, :2])
        assert feature["semi_major"] == pytest.approx(region * math.sqrt(values[1]))
        assert feature["semi_minor"] == pytest.approx(region * math.sqrt(values[0]))
        corners = np.array([(p.x(), p.y()) for p in feature.geometry().asPolygon()[0][:-1]])
        middle = corners.mean(axis=0)
        control = next(p.control for p in tied.job.tie.pairs if p.control.id == row.control_id)
        assert middle == pytest.approx(
            [control.easting + factor * row.east, control.northing + factor * row.north], abs=1e-6)
        away = (corners - middle) / factor
        # Every corner lies on the ellipse: its distance in sigmas is the region's factor.
        distance = np.einsum("ni,ij,nj->n", away @ axes, np.diag(1.0 / values), away @ axes)
        assert np.sqrt(distance) == pytest.approx(np.full(len(corners), region), rel=1e-6)


def test_the_hull_is_that_of_the_fit_pairs(tied: MapBench) -> None:
    (feature,) = layer(tied, "hull").getFeatures()
    corners = control_hull(tied.job.tie)
    site = np.stack(tied.job.tie.base_to_site(corners[:, 0], corners[:, 1]), axis=1)
    drawn = [(p.x(), p.y()) for p in feature.geometry().asPolygon()[0][:-1]]
    assert np.array(drawn) == pytest.approx(site, abs=1e-9)


def test_states_tell_roles_and_doubts_apart(tied: MapBench) -> None:
    states = {name: f["state"] for name, f in by_observation(layer(tied, "arrows")).items()}
    assert states["K02-1"] == "fit"
    assert states["K06-1"] == "check"
    assert states["ST-K08"] == "idle"
    tied.take_pairs("pairs")  # with the blunder in the solution
    arrows = by_observation(layer(tied, "arrows"))
    assert arrows["ST-K08"]["state"] == "fit, in doubt"
    assert arrows["ST-K08"]["label"].startswith("K08: ")
    assert arrows["K06-1"]["state"] in ("check", "check, does not agree")


def test_layers_stand_on_the_site_grid(tied: MapBench) -> None:
    """Reprojected, the foot of an arrow falls where the tie puts the control point."""
    from qgis.core import QgsCoordinateTransform, QgsPointXY

    for role in ROLES:
        assert layer(tied, role).crs().isValid()
    change = QgsCoordinateTransform(
        layer(tied, "arrows").crs(), QgsCoordinateReferenceSystem("EPSG:4258"), tied.project)
    tie = tied.job.tie
    for pair in tie.pairs[:4]:
        point = change.transform(QgsPointXY(pair.control.easting, pair.control.northing))
        latitude, longitude, _ = tie.to_geodetic(pair.control.easting, pair.control.northing)
        assert (point.y(), point.x()) == pytest.approx((latitude, longitude), abs=1e-9)


def test_the_map_is_drawn_with_all_of_them(tied: MapBench) -> None:
    settings = QgsMapSettings()
    settings.setLayers([layer(tied, role) for role in ROLES])
    settings.setDestinationCrs(layer(tied, "arrows").crs())
    extent = QgsRectangle(layer(tied, "ellipses").extent())
    settings.setExtent(extent)
    settings.setOutputSize(QSize(700, 500))
    settings.setBackgroundColor(QColor("white"))
    job = QgsMapRendererParallelJob(settings)
    job.start()
    job.waitForFinished()
    assert [error.message for error in job.errors()] == []
    image = job.renderedImage()
    seen = {QColor(image.pixel(x, y)).name() for x in range(700) for y in range(500)}
    assert {"#0072b2", "#1b2a33"} <= seen  # arrows of fit pairs, reference arrow


# -- kept up to date ----------------------------------------------------------------------------


def test_they_come_with_the_first_tie_and_are_emptied_without_one(bench: MapBench) -> None:
    shown = []
    bench.controller.results_changed.connect(shown.append)
    assert bench.controller.results.layer("arrows") is None
    pairs = quarry_pairs("pairs_first_two")
    bench.job.add_pairs(pairs[:1])
    assert group_children(bench.project) == []
    bench.job.add_pairs(pairs[1:])
    assert shown == [True]
    assert len(group_children(bench.project)) == 5
    bench.job.undo_stack.undo()
    assert bench.job.tie is None
    assert [layer(bench, role).featureCount() for role in ROLES] == [0] * 5
    bench.job.undo_stack.redo()
    # Two pairs fit exactly: no arrows, but the ellipses show how well the tie is known.
    assert layer(bench, "arrows").featureCount() == 0
    assert layer(bench, "ellipses").featureCount() == 2
    extent = layer(bench, "ellipses").extent()
    assert max(extent.width(), extent.height()) < 300.0  # the two marks are 150 m apart
    assert len(group_children(bench.project)) == 5


def test_a_role_changes_features_in_place(tied: MapBench) -> None:
    arrows = layer(tied, "arrows")
    before = {f["observ_id"]: (f.id(), f["res_e"]) for f in arrows.getFeatures()}
    layers_before = len(tied.project.mapLayers())
    place = next(i for i, pair in enumerate(tied.job.state.pairs) if pair.control.id == "K03")
    tied.job.set_role([place], ["horizontal"], Role.CHECK)
    after = {f["observ_id"]: (f.id(), f["res_e"]) for f in arrows.getFeatures()}
    assert len(tied.project.mapLayers()) == layers_before
    assert layer(tied, "arrows") is arrows
    assert {name: number for name, (number, _) in after.items()} == {
        name: number for name, (number, _) in before.items()}
    assert after["K03-1"] != before["K03-1"]
    assert by_observation(arrows)["K03-1"]["state"] == "check"


def test_what_did_not_change_is_not_drawn_again(tied: MapBench) -> None:
    tied.controller.results.outside.update()
    repaints = dict.fromkeys(ROLES, 0)
    for role in ROLES:
        layer(tied, role).repaintRequested.connect(
            lambda *_, role=role: repaints.__setitem__(role, repaints[role] + 1))
    # A tolerance makes another tie of it, but the same drawing.
    tied.job.change("t", tied.job.state.replace(
        settings=tied.job.state.settings.replace(tolerance_h=0.5)))
    tied.controller.results.outside.update()
    assert set(repaints.values()) == {0}
    tied.job.set_role([0], ["vertical"], Role.IDLE)
    assert repaints["triangles"] == 1
    assert repaints["hull"] == 0


def test_pairs_come_and_go(tied: MapBench) -> None:
    arrows = layer(tied, "arrows")
    count = arrows.featureCount()
    places = [i for i, pair in enumerate(tied.job.state.pairs) if pair.control.id == "K05"]
    tied.job.remove_pairs(places)
    assert arrows.featureCount() == count - 3
    left = by_observation(arrows)
    for place, pair in enumerate(tied.job.state.pairs):
        if pair.control.has_position:
            assert left[pair.observation.id]["pair"] == place
    tied.job.undo_stack.undo()
    assert arrows.featureCount() == count
    rows = {tuple(f.attributes()) for f in arrows.getFeatures()}
    made = result_rows(tied.job.tie, factor_of(tied))
    assert rows == {row.attributes for row in made.arrows}


def test_undo_to_empty_and_redo_gives_the_same_drawing(bench: MapBench) -> None:
    for pair in quarry_pairs("pairs_reviewed"):
        bench.job.add_pairs([pair])
    stack = bench.job.undo_stack
    drawn = {tuple(f.attributes()[:7]) for f in layer(bench, "arrows").getFeatures()}
    for _ in range(stack.count()):
        stack.undo()
    assert layer(bench, "arrows").featureCount() == 0
    for _ in range(stack.count()):
        stack.redo()
    assert {tuple(f.attributes()[:7]) for f in layer(bench, "arrows").getFeatures()} == drawn


def test_the_persons_own_style_stays(tied: MapBench) -> None:
    red = QgsSingleSymbolRenderer(QgsLineSymbol.createSimple({"line_color": "255,0,0"}))
    layer(tied, "arrows").setRenderer(red)
    tied.job.set_role([0], ["horizontal"], Role.CHECK)
    symbol = layer(tied, "arrows").renderer().symbol()
    assert symbol.color().name() == "#ff0000"


# -- taken away, saved, opened ------------------------------------------------------------------


def test_results_can_be_taken_off_and_put_on_again(tied: MapBench) -> None:
    shown = []
    tied.controller.results_changed.connect(shown.append)
    own = {layer(tied, role).id() for role in ROLES}
    tied.controller.show_results(False)
    assert not own & set(tied.project.mapLayers())
    assert GROUP not in [g.name() for g in tied.project.layerTreeRoot().findGroups()]
    tied.job.set_role([0], ["horizontal"], Role.CHECK)
    assert tied.controller.results.layer("arrows") is None
    tied.controller.show_results(True)
    assert layer(tied, "arrows").featureCount() > 10
    assert shown == [False, True]


def test_a_layer_that_the_person_removes_stays_away(tied: MapBench) -> None:
    tied.project.removeMapLayer(layer(tied, "ellipses").id())
    tied.job.set_role([0], ["horizontal"], Role.CHECK)
    assert tied.controller.results.layer("ellipses") is None
    assert len(group_children(tied.project)) == 4
    shown = []
    tied.controller.results_changed.connect(shown.append)
    for role in ("arrows", "triangles", "hull"):
        tied.project.removeMapLayer(layer(tied, role).id())
    assert shown == [False]
    tied.job.set_role([0], ["horizontal"], Role.FIT)
    assert tied.controller.results.layer("arrows") is None
    tied.controller.show_results(True)
    assert len([role for role in ROLES if tied.controller.results.layer(role)]) == 5


def test_a_saved_project_opens_with_the_same_layers_filled(
    tied: MapBench, tmp_path: Path
) -> None:
    red = QgsSingleSymbolRenderer(QgsLineSymbol.createSimple({"line_color": "255,0,0"}))
    layer(tied, "arrows").setRenderer(red)
    drawn = {tuple(f.attributes()) for f in layer(tied, "arrows").getFeatures()}
    names = group_children(tied.project)
    state = tied.job.state
    path = str(tmp_path / "saved.qgz")
    assert tied.project.write(path)
    tied.project.clear()
    tied.job.open(type(state)())
    assert tied.controller.results.layer("arrows") is None
    assert tied.project.read(path)
    tied.job.open(state)
    assert group_children(tied.project) == names
    assert {tuple(f.attributes()) for f in layer(tied, "arrows").getFeatures()} == drawn
    assert layer(tied, "arrows").renderer().symbol().color().name() == "#ff0000"
    assert len(tied.project.mapLayersByName(layer(tied, "arrows").name())) == 1


def test_the_job_may_be_opened_before_the_map_hears_of_the_project(
    tied: MapBench, tmp_path: Path
) -> None:
    """The store of the job listens to the project too, and may be told first."""
    state = tied.job.state
    path = str(tmp_path / "saved.qgz")
    assert tied.project.write(path)
    tied.project.clear()
    tied.job.open(type(state)())

    def open_job(*_: object) -> None:
        tied.job.open(state)

    results = tied.controller.results
    tied.project.readProject.disconnect(results._project_read)
    tied.project.readProject.connect(open_job)
    tied.project.readProject.connect(results._project_read)
    assert tied.project.read(path)
    tied.project.readProject.disconnect(open_job)
    assert len(group_children(tied.project)) == 5
    assert layer(tied, "arrows").featureCount() > 10


def test_taken_off_stays_off_in_the_saved_project(tied: MapBench, tmp_path: Path) -> None:
    tied.controller.show_results(False)
    state, path = tied.job.state, str(tmp_path / "off.qgz")
    assert tied.project.write(path)
    tied.project.clear()
    tied.job.open(type(state)())
    assert tied.project.read(path)
    tied.job.open(state)
    assert tied.controller.results.layer("arrows") is None
    assert group_children(tied.project) == []


def test_closing_the_project_takes_everything(tied: MapBench) -> None:
    shown = []
    tied.controller.results_changed.connect(shown.append)
    tied.project.clear()
    assert shown == [False]
    for role in ROLES:
        assert tied.controller.results.layer(role) is None
    tied.job.open(type(tied.job.state)())
    # The next project starts anew: its first tie brings the results again.
    tied.job.open(tied.job.state.replace(pairs=tuple(quarry_pairs("pairs_first_two"))))
    assert len(group_children(tied.project)) == 5


def test_qgis_does_not_ask_about_them_when_it_closes(tied: MapBench) -> None:
    for role in ROLES:
        assert layer(tied, role).customProperty("skipMemoryLayersCheck") == 1
        assert layer(tied, role).readOnly()


# -- points outside the control -----------------------------------------------------------------


def restated_points(bench: MapBench) -> QgsVectorLayer:
    topo = bench.project.mapLayersByName("Topo points")[0]
    made = QgsVectorLayer("PointZ?crs=EPSG:7931&field=id:string&field=site_in:int", "Restated",
                          "memory")
    features = []
    for feature in topo.getFeatures():
        copy = QgsFeature(made.fields())
        copy.setGeometry(feature.geometry())
        copy.setAttributes([feature["id"], 1])
        features.append(copy)
    assert made.dataProvider().addFeatures(features)[0]
    bench.project.addMapLayer(made)
    return made


def test_restated_points_outside_the_control_are_marked(tied: MapBench) -> None:
    restated = restated_points(tied)
    outside = tied.controller.results.outside
    outside.update()
    tie = tied.job.tie
    expected = {}
    for feature in restated.getFeatures():
        point = feature.geometry().asPoint()
        base = np.stack(tie.base.to_base(point.y(), point.x()))
        away = float(distance_outside(control_hull(tie), base[None])[0])
        if away > ON_THE_EDGE:
            expected[str(feature.id())] = away
    shown = {f["feature"]: f for f in layer(tied, "outside").getFeatures()}
    assert 10 < len(expected) < 255
    assert set(shown) == set(expected)
    for number, feature in shown.items():
        assert feature["away"] == pytest.approx(expected[number], abs=1e-6)
        assert feature["layer"] == "Restated"
    # With less control more points lie outside, a moment later.
    places = [i for i, pair in enumerate(tied.job.state.pairs) if pair.control.id == "K05"]
    tied.job.set_role(places, ["horizontal"], Role.IDLE)
    outside.update()
    assert layer(tied, "outside").featureCount() > len(expected)
    tied.project.removeMapLayer(restated.id())
    outside.update()
    assert layer(tied, "outside").featureCount() == 0


def test_layers_that_were_not_restated_are_left_alone(tied: MapBench) -> None:
    tied.controller.results.outside.update()
    assert layer(tied, "outside").featureCount() == 0


def test_a_restated_layer_that_changes_is_read_again(tied: MapBench) -> None:
    restated = restated_points(tied)
    outside = tied.controller.results.outside
    outside.update()
    count = layer(tied, "outside").featureCount()
    feature = QgsFeature(restated.fields())
    feature.setGeometry(QgsGeometry.fromWkt("PointZ(15.1 48.7 500)"))
    assert restated.dataProvider().addFeatures([feature])[0]
    restated.dataChanged.emit()
    outside.update()
    assert layer(tied, "outside").featureCount() == count + 1


# -- rows and marks -----------------------------------------------------------------------------


def test_selecting_an_arrow_tells_its_pair(tied: MapBench) -> None:
    arrows = layer(tied, "arrows")
    feature = by_observation(arrows)["K05-2"]
    arrows.selectByIds([feature.id()])
    assert [tied.job.state.pairs[place].observation.id for place in tied.picked] == ["K05-2"]
    (reference,) = [f for f in arrows.getFeatures() if f["state"] == "reference"]
    arrows.selectByIds([reference.id()])
    assert len(tied.picked) == 1


def test_selecting_in_the_chosen_layers_tells_the_pair(tied: MapBench) -> None:
    shot = tied.mark(Kind.OBSERVATION, "K03-1")
    tied.shots.selectByIds([shot.feature_id])
    mark = tied.mark(Kind.CONTROL, "K07")
    tied.control.selectByIds([mark.feature_id])
    unpaired = tied.mark(Kind.CONTROL, "K12")
    tied.control.selectByIds([unpaired.feature_id])
    assert [tied.job.state.pairs[place].control.id for place in tied.picked] == ["K03", "K07"]


def test_selected_rows_are_ringed_and_their_features_selected(tied: MapBench) -> None:
    places = [i for i, p in enumerate(tied.job.state.pairs) if p.control.id in ("K03", "K08")]
    tied.controller.select(places)
    rings = tied.controller.finder._rings
    wanted = [
        tied.mark(kind, name).point for kind, name in
        ((Kind.OBSERVATION, "K03-1"), (Kind.CONTROL, "K03"),
         (Kind.OBSERVATION, "ST-K08"), (Kind.CONTROL, "K08"))]
    assert [ring.point for ring in rings] == wanted
    chosen = {f["observ_id"] for f in layer(tied, "arrows").selectedFeatures()}
    assert chosen == {"K03-1", "ST-K08"}
    assert tied.picked == []  # what the table selects is not picked on the map
    tied.controller.select([])
    assert tied.controller.finder._rings == []
    assert layer(tied, "arrows").selectedFeatureCount() == 0


def test_a_single_row_out_of_view_is_brought_into_view(tied: MapBench) -> None:
    far = QgsRectangle(10000, 10000, 11000, 10500)
    tied.look_at(far)
    tied.controller.select([3])
    assert tied.canvas.extent().contains(tied.mark(Kind.OBSERVATION, "K02-1").point)
    tied.look_at(far)
    tied.controller.zoom_to([3, 4])
    for name in ("K02-1", "K09-1"):
        assert tied.canvas.extent().contains(tied.mark(Kind.OBSERVATION, name).point)


def test_a_typed_observation_is_ringed_where_it_belongs(tied: MapBench) -> None:
    tied.canvas.setLayers([tied.control])  # its layer is not shown: nothing to look up
    tied.controller.select([3])
    point = tied.controller.finder._rings[0].point
    tied.canvas.setLayers([tied.control, tied.shots])
    expected = tied.mark(Kind.OBSERVATION, "K02-1").point
    assert point.distance(expected) < 0.01


def test_rings_go_with_their_pairs(tied: MapBench) -> None:
    tied.controller.select([3, 4])
    assert len(tied.controller.finder._rings) == 4
    tied.job.remove_pairs([3])
    assert len(tied.controller.finder._rings) == 2
    tied.project.clear()
    tied.job.open(type(tied.job.state)())
    assert tied.controller.finder._rings == []


def test_the_key_of_the_reference_is_no_pairs() -> None:
    assert len(REFERENCE_KEY) == 1
