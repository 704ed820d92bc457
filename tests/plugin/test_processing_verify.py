"""sitetie:verify in QGIS, and the site book as QGIS's layers."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest
from qgis.core import QgsProcessingException, QgsVectorLayer

from sitetie.core.book import SiteBook, verify
from sitetie.tests.core.book_job import job, new_book
from sitetie.tests.core.book_tampering import _Unlocked, cut_tail, filled_book
from sitetie.tests.plugin.processing_runs import Listener, run

pytestmark = pytest.mark.usefixtures("algorithms")


@pytest.fixture(scope="module")
def filled(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return filled_book(tmp_path_factory.mktemp("book") / "filled.gpkg")


def test_a_book_as_it_was_written(filled: Path) -> None:
    listener = Listener()
    result = run("verify", listener, BOOK=filled)
    found = verify(filled)
    assert (result["ENTRIES"], result["ROWS"], result["LAST_HASH"]) == (
        found.head.count, found.rows, found.head.hash)
    assert any("printed report" in line for line in listener.infos)
    again = run("verify", BOOK=filled, HEAD=found.head.hash[:12].upper(), COUNT=found.head.count)
    assert again["ENTRIES"] == found.head.count


def test_what_is_wrong_is_named(filled: Path, tmp_path: Path) -> None:
    path, head = tmp_path / "changed.gpkg", verify(filled).head
    shutil.copyfile(filled, path)
    with _Unlocked(path) as connection:
        connection.execute("UPDATE control SET easting = easting + 0.02 WHERE control_id = 'C2'")
    with pytest.raises(QgsProcessingException, match=r"row 3 \(point C2\) was changed"):
        run("verify", BOOK=path)
    shutil.copyfile(filled, path)
    cut_tail(path)
    run("verify", BOOK=path)
    with pytest.raises(QgsProcessingException, match="its end was cut off"):
        run("verify", BOOK=path, HEAD=head.hash[:8], COUNT=head.count)
    with pytest.raises(QgsProcessingException, match="not the hash"):
        run("verify", BOOK=path, HEAD="none")
    other = tmp_path / "other.gpkg"
    other.write_bytes(b"")
    with pytest.raises(QgsProcessingException, match="no site book"):
        run("verify", BOOK=other)


def test_layers_of_a_book_that_is_being_written(tmp_path: Path) -> None:
    """QGIS has the file open, with points on the map, while a tie is accepted."""
    site, first, second = job()
    path = tmp_path / "pit.gpkg"
    new_book(path, site).close()
    with SiteBook.open(path) as book:
        book.accept(first)
    layers = {name: QgsVectorLayer(f"{path}|layername={name}", name, "ogr")
              for name in ("points_now", "control_now", "observation", "point_life", "ledger")}
    for name, layer in layers.items():
        assert layer.isValid(), name
    points = layers["points_now"]
    assert points.featureCount() == 48
    assert points.crs().isValid()
    before = {f["observation_id"]: f.geometry().constGet().x() for f in points.getFeatures()}
    with SiteBook.open(path) as book:
        book.accept(second)
    points.dataProvider().reloadData()
    now = {f["observation_id"]: f.geometry().constGet().x() for f in points.getFeatures()}
    assert set(now) == set(before)
    assert all(now[name] != before[name] for name in now)
    assert layers["ledger"].featureCount() == 5
    observed = layers["observation"]
    assert observed.crs().authid() == "EPSG:7931"
    # An edit from QGIS is refused by the book itself.
    assert observed.startEditing()
    feature = next(observed.getFeatures())
    assert observed.changeAttributeValue(
        feature.id(), observed.fields().lookupField("latitude"), 1.0)
    assert not observed.commitChanges()
    observed.rollBack()
    layers.clear()
    del points, observed, feature
    assert verify(path).ok
