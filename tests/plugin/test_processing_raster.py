"""sitetie:raster in QGIS: targets of an orthophoto, what is kept, what is refused."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from osgeo import gdal
from qgis.core import QgsProcessingException, QgsRasterLayer

from sitetie.core import Tie, solve
from sitetie.core.frames import transformer
from sitetie.plugin.site_crs import tie_of
from sitetie.tests.core.sites import random_site
from sitetie.tests.plugin.processing_runs import MADE_UP, Listener, made_up_pairs, run
from sitetie.tests.plugin.raster_runs import (
    ground,
    measured,
    paint,
    read_raster,
    targets_over,
    write_raster,
)
from sitetie.tests.plugin.test_processing_fronts import in_another_thread

pytestmark = pytest.mark.usefixtures("algorithms")
SIZE = 420


@pytest.fixture(scope="module")
def feet() -> Tie:
    """A turned grid in US survey feet, heights in feet, a tilted plane."""
    return solve(made_up_pairs(), MADE_UP)


@pytest.fixture
def save(tmp_path_factory: pytest.TempPathFactory):
    def saved(tie: Tie) -> Path:
        path = tmp_path_factory.mktemp("tie") / "tie.json"
        tie.save(path)
        return path

    return saved


# -- orthophotos ---------------------------------------------------------------------------------

#: Which tie, CRS of the raster, size of its cells in that CRS, degrees it is turned, frames.
ORTHOS = {
    "the tie's own degrees": ("quarry", "EPSG:7931", 2.5e-6, 0.0, {}),
    "UTM": ("quarry", "EPSG:25833", 0.2, 0.0, {"datum_operation": "identical"}),
    "UTM, turned": ("quarry", "EPSG:25833", 0.2, 33.0, {"datum_operation": "identical"}),
    "another datum": ("quarry", "EPSG:31255", 0.2, 0.0, {}),
    "another datum, degrees": ("quarry", "EPSG:4312", 2.5e-6, 0.0, {}),
    "a dynamic frame": ("quarry", "EPSG:7912", 2.5e-6, 0.0, {"epoch": 2026.35}),
    "web map": ("quarry", "EPSG:3857", 0.3, 0.0, {"datum_operation": "identical"}),
    "feet from UTM": ("feet", "EPSG:6342", 0.2, 0.0, {}),
    "feet from degrees, turned": ("feet", "EPSG:6319", 2.5e-6, -61.0, {}),
}


def frames_as_parameters(frames: dict) -> dict:
    names = {"epoch": "OBSERVATION_EPOCH", "datum_operation": "DATUM_OPERATION"}
    return {names[name]: value for name, value in frames.items()}


@pytest.mark.parametrize("case", ORTHOS)
def test_targets_of_an_orthophoto_lie_within_a_tenth_of_a_cell(
    case: str, tie: Tie, feet: Tie, save, tmp_path: Path
) -> None:
    which, crs, cell, turned, frames = ORTHOS[case]
    used = {"quarry": tie, "feet": feet}[which]
    place = ground(used, crs, cell, SIZE, turned, **frames)
    targets = targets_over(place, SIZE)
    picture = paint(place, SIZE, targets)
    source = write_raster(tmp_path / "ortho.tif", np.stack([picture, picture, 255 - picture]),
                          place.transform, crs)
    result = run("raster", RASTER=source, TIE=save(used), OUTPUT=tmp_path / "site.tif",
                 **frames_as_parameters(frames))
    written = read_raster(result["OUTPUT"])
    own = cell * (np.cos(np.radians(48.8)) * 111e3 * 1.26 if cell < 1e-3 else 1.0)
    assert written.bands.shape[0] == 4, "red, green, blue, alpha"
    assert 0.5 < written.cell * used.settings.site_length.metres / own < 1.3
    for target in targets:
        for band in (written.bands[0], 255 - written.bands[2]):
            covered = np.where(written.bands[3] == 255, band, 0)
            found = measured(covered, written, target, 9.0 * written.cell)
            off = np.hypot(*np.subtract(found, target)) / written.cell
            print(f"{case}: {off:.4f} of a cell")
            assert off < 0.1


def test_across_the_antimeridian(tmp_path: Path) -> None:
    """Longitudes of the raster go on beyond 180, those of PROJ do not."""
    site = random_site(6, place=(-17.0, 180.0), extent=600.0, observation_crs="EPSG:7912")
    tie = solve(site.pairs, site.settings)
    tie.save(tmp_path / "tie.json")
    for start in (0.0, -360.0):
        place = ground(tie, "EPSG:7912", 2.5e-6, SIZE)
        west = 180.0 - SIZE / 2 * 2.5e-6 + start
        place = place._replace(transform=(west, *place.transform[1:]))
        targets = targets_over(place, SIZE)
        picture = paint(place, SIZE, targets)
        source = write_raster(tmp_path / "ortho.tif", picture[None], place.transform, place.crs)
        run("raster", RASTER=source, TIE=tmp_path / "tie.json", OUTPUT=tmp_path / "site.tif")
        written = read_raster(tmp_path / "site.tif")
        for target in targets:
            found = measured(written.bands[0], written, target, 9.0 * written.cell)
            assert np.hypot(*np.subtract(found, target)) / written.cell < 0.1


# -- what is kept --------------------------------------------------------------------------------


@pytest.fixture
def quarry_ortho(tie: Tie, tmp_path: Path) -> Path:
    place = ground(tie, "EPSG:7931", 2.5e-6, SIZE)
    picture = paint(place, SIZE, targets_over(place, SIZE))
    return write_raster(tmp_path / "ortho.tif", np.stack([picture] * 3), place.transform, place.crs)


@pytest.mark.parametrize("form", ["gtiff", "cog"])
def test_the_crs_of_the_site_and_the_tie_stay_with_it(
    form: str, quarry_ortho: Path, tie: Tie, tie_file: Path, tmp_path: Path
) -> None:
    run("raster", RASTER=quarry_ortho, TIE=tie_file, FORMAT=form, OUTPUT=tmp_path / "site.tif")
    assert sorted(p.name for p in tmp_path.iterdir() if not p.name.startswith("ortho")) == [
        "site.tif", "site.tif.aux.xml"]
    layer = QgsRasterLayer(str(tmp_path / "site.tif"), "site")
    assert tie_of(layer.crs()) == tie.short_id
    wkt = gdal.Open(str(tmp_path / "site.tif")).GetSpatialRef().ExportToWkt(["FORMAT=WKT2_2019"])
    place = {"longitude": 14.93, "latitude": 48.789}
    forth = transformer(tie.pipeline()).transform(*place.values(), 500.0)[:2]
    import pyproj

    crs = pyproj.CRS(wkt)
    seen = pyproj.Transformer.from_crs(crs.geodetic_crs, crs, always_xy=True).transform(
        *place.values())
    assert np.abs(np.subtract(seen, forth)).max() < 1e-6
    # Without the file beside it the CRS is gone; the tie and the WKT can still be read.
    (tmp_path / "site.tif.aux.xml").unlink()
    alone = gdal.Open(str(tmp_path / "site.tif"))
    assert alone.GetSpatialRef() is None
    assert alone.GetMetadata()["SITE_GRID_TIE"] == tie.id
    assert alone.GetMetadata()["SITE_GRID_WKT"] == tie.crs_wkt()


def test_cog_and_geotiff_hold_the_same(
    quarry_ortho: Path, tie_file: Path, tmp_path: Path
) -> None:
    for form in ("gtiff", "cog"):
        run("raster", RASTER=quarry_ortho, TIE=tie_file, FORMAT=form, RESOLUTION=0.1,
            OUTPUT=tmp_path / f"{form}.tif")
    plain, cloud = (read_raster(tmp_path / f"{form}.tif") for form in ("gtiff", "cog"))
    assert np.array_equal(plain.bands, cloud.bands)
    assert plain[1:4] == cloud[1:4]
    for written in (plain, cloud):
        assert written.dataset.GetRasterBand(1).GetBlockSize()[0] in (256, 512)
        assert written.dataset.GetRasterBand(1).GetOverviewCount() >= 2
        assert written.dataset.GetMetadata("IMAGE_STRUCTURE")["COMPRESSION"] == "DEFLATE"
        assert written.dataset.GetRasterBand(4).GetColorInterpretation() == gdal.GCI_AlphaBand
    assert cloud.dataset.GetMetadata("IMAGE_STRUCTURE")["LAYOUT"] == "COG"


def test_jpeg_keeps_colours_and_tells_what_is_covered(
    quarry_ortho: Path, tie_file: Path, tmp_path: Path
) -> None:
    run("raster", RASTER=quarry_ortho, TIE=tie_file, FORMAT="cog", COMPRESSION="JPEG",
        OUTPUT=tmp_path / "jpeg.tif")
    run("raster", RASTER=quarry_ortho, TIE=tie_file, OUTPUT=tmp_path / "plain.tif")
    jpeg, plain = read_raster(tmp_path / "jpeg.tif"), read_raster(tmp_path / "plain.tif")
    assert jpeg.bands.shape[0] == 3
    mask = jpeg.dataset.GetRasterBand(1).GetMaskBand().ReadAsArray()
    assert np.array_equal(mask, plain.bands[3])
    inside = mask == 255
    assert np.abs(jpeg.bands[0].astype(int) - plain.bands[0])[inside].mean() < 3.0


def test_colour_numbers_are_not_interpolated(tie: Tie, tie_file: Path, tmp_path: Path) -> None:
    place = ground(tie, "EPSG:7931", 2.5e-6, 100)
    numbers = np.where(np.indices((100, 100)).sum(axis=0) // 10 % 2, 200, 10).astype(np.uint8)
    source = write_raster(tmp_path / "plan.tif", numbers[None], place.transform, place.crs, 0)
    dataset = gdal.Open(str(source), gdal.GA_Update)
    table = gdal.ColorTable()
    table.SetColorEntry(10, (255, 0, 0, 255))
    table.SetColorEntry(200, (0, 0, 255, 255))
    dataset.GetRasterBand(1).SetColorTable(table)
    del dataset
    listener = Listener()
    run("raster", listener, RASTER=source, TIE=tie_file, OUTPUT=tmp_path / "site.tif")
    written = read_raster(tmp_path / "site.tif")
    assert set(np.unique(written.bands)) == {0, 10, 200}
    kept = written.dataset.GetRasterBand(1)
    assert kept.GetColorTable().GetColorEntry(10) == (255, 0, 0, 255)
    assert kept.GetNoDataValue() == 0
    assert any("numbers of colours" in warning for warning in listener.warnings)


def test_alpha_of_the_source_and_descriptions_are_kept(
    tie: Tie, tie_file: Path, tmp_path: Path
) -> None:
    place = ground(tie, "EPSG:7931", 2.5e-6, 100)
    bands = np.full((4, 100, 100), 90, dtype=np.uint16)
    bands[3] = 65535
    bands[3, :, :40] = 0
    source = write_raster(tmp_path / "ortho.tif", bands, place.transform, place.crs, alpha=True)
    dataset = gdal.Open(str(source), gdal.GA_Update)
    dataset.GetRasterBand(2).SetDescription("green")
    del dataset
    run("raster", RASTER=source, TIE=tie_file, OUTPUT=tmp_path / "site.tif")
    written = read_raster(tmp_path / "site.tif")
    assert written.bands.dtype == np.uint16
    assert written.dataset.GetRasterBand(2).GetDescription() == "green"
    alpha = written.bands[3]
    assert written.dataset.GetRasterBand(4).GetColorInterpretation() == gdal.GCI_AlphaBand
    column, row = (v.reshape(alpha.shape) for v in place.cells(*written.places()))
    assert (alpha[(column > 41) & (column < 99) & (row > 1) & (row < 99)] == 65535).all()
    assert (alpha[column < 38] == 0).all()


# -- the grid ------------------------------------------------------------------------------------


def test_cells_lie_on_whole_multiples_and_extents_are_kept(
    quarry_ortho: Path, tie: Tie, tie_file: Path, tmp_path: Path
) -> None:
    east, north = np.round(np.array(tie.horizontal.translation)) + 0.07
    extent = f"{east - 10},{east + 11},{north - 5},{north + 6}"
    for aligned in (True, False):
        run("raster", RASTER=quarry_ortho, TIE=tie_file, RESOLUTION=0.25, EXTENT=extent,
            ALIGN=aligned, OUTPUT=tmp_path / "site.tif")
        written = read_raster(tmp_path / "site.tif")
        if aligned:
            assert (written.west / 0.25) % 1 == (written.north / 0.25) % 1 == 0.0
            assert written.bands.shape[1:] == (45, 85)
        else:
            assert (written.west, written.north) == (east - 10, north + 6)
            assert written.bands.shape[1:] == (44, 84)
        assert (written.bands[3] == 255).all()


def test_an_extent_in_another_crs_is_understood(
    quarry_ortho: Path, tie: Tie, tie_file: Path, tmp_path: Path
) -> None:
    latitude, longitude, _ = tie.to_geodetic(*tie.horizontal.translation)
    box = (longitude - 1e-4, longitude + 1e-4, latitude - 5e-5, latitude + 5e-5)
    run("raster", RASTER=quarry_ortho, TIE=tie_file,
        EXTENT=",".join(map(repr, map(float, box))) + " [EPSG:4326]", OUTPUT=tmp_path / "site.tif")
    written = read_raster(tmp_path / "site.tif")
    easting, northing = written.places()
    corners = [tie.to_site(box[i], box[j])[:2] for i in (2, 3) for j in (0, 1)]
    assert np.abs(easting.min() - np.min(corners, axis=0)[0]) < 2 * written.cell
    assert np.abs(northing.max() - np.max(corners, axis=0)[1]) < 2 * written.cell


def test_a_raster_of_the_world_needs_an_extent(
    tie: Tie, tie_file: Path, tmp_path: Path
) -> None:
    source = write_raster(tmp_path / "world.tif", np.full((1, 180, 360), 7, np.uint8),
                          (-180, 1, 0, 90, 0, -1), "EPSG:7931")
    with pytest.raises(QgsProcessingException, match=r"world: .* Give an extent"):
        run("raster", RASTER=source, TIE=tie_file, OUTPUT=tmp_path / "site.tif")
    east, north = tie.horizontal.translation
    run("raster", RASTER=source, TIE=tie_file, RESOLUTION=1, OUTPUT=tmp_path / "site.tif",
        EXTENT=f"{east - 20},{east + 20},{north - 20},{north + 20}")
    assert (read_raster(tmp_path / "site.tif").bands[0] == 7).all()


# -- what is refused, and what stays -------------------------------------------------------------


def test_bad_input_is_refused_in_words_and_leaves_nothing(
    quarry_ortho: Path, tie_file: Path, tmp_path: Path
) -> None:
    bands = np.full((1, 9, 9), 5, dtype=np.uint8)
    place = (14.93, 1e-5, 0, 48.789, 0, -1e-5)
    no_crs = write_raster(tmp_path / "no_crs.tif", bands, place, None)
    nowhere = write_raster(tmp_path / "nowhere.tif", bands, (), "EPSG:7931")
    ensemble = write_raster(tmp_path / "ensemble.tif", bands, place, "EPSG:4326")
    before = sorted(p.name for p in tmp_path.iterdir())
    for given, message in (
        ({"RASTER": no_crs}, "no_crs: It has no CRS"),
        ({"RASTER": nowhere}, "nowhere: The raster is not georeferenced"),
        ({"RASTER": ensemble}, "ensemble: The points are in WGS 84.*identical"),
        ({"COMPRESSION": "JPEG"}, "JPEG is offered for Cloud Optimized"),
        ({"NODATA": -1}, "data type cannot hold -1"),
        ({"RESOLUTION": 0}, "The size of a cell is 0"),
        ({"RESOLUTION": 1e-9}, "columns and .* rows"),
        ({"OUTPUT": tmp_path / "site.png"}, "ends in .tif"),
        ({"OUTPUT": tmp_path / "missing" / "site.tif"}, "Nothing can be written there"),
        ({"EXTENT": "10,20,10,20"}, "does not meet the raster"),
    ):
        wanted = {"RASTER": quarry_ortho, "TIE": tie_file, "OUTPUT": tmp_path / "site.tif", **given}
        with pytest.raises(QgsProcessingException, match=message):
            run("raster", **wanted)
        assert sorted(p.name for p in tmp_path.iterdir()) == before, message


@pytest.mark.parametrize(("form", "share"), [("gtiff", 30), ("gtiff", 90), ("cog", 75)])
def test_a_stop_leaves_what_was_there(
    form: str, share: int, quarry_ortho: Path, tie_file: Path, tmp_path: Path
) -> None:
    (tmp_path / "site.tif").write_bytes(b"older")
    before = sorted(p.name for p in tmp_path.iterdir())
    with pytest.raises(QgsProcessingException, match="Stopped before the end"):
        run("raster", Listener(stop_at=share), RASTER=quarry_ortho, TIE=tie_file, FORMAT=form,
            RESOLUTION=0.1, OUTPUT=tmp_path / "site.tif")
    assert sorted(p.name for p in tmp_path.iterdir()) == before
    assert (tmp_path / "site.tif").read_bytes() == b"older"


def test_places_that_depend_on_heights_are_told(
    tie: Tie, tie_file: Path, tmp_path: Path
) -> None:
    place = ground(tie, "EPSG:31255", 0.05, 60)
    source = write_raster(tmp_path / "ortho.tif", np.full((1, 60, 60), 7, np.uint8),
                          place.transform, place.crs)
    listener = Listener()
    run("raster", listener, RASTER=source, TIE=tie_file, OUTPUT=tmp_path / "site.tif")
    assert any("carried over by MGI to" in said for said in listener.warnings)
    assert any("100 m higher or lower comes out 1.4 mm" in said for said in listener.warnings)


@pytest.mark.parametrize("resampling", ["bilinear", "average"])
def test_large_cells_gather_what_they_cover(
    resampling: str, tie: Tie, tie_file: Path, tmp_path: Path
) -> None:
    """Cells of 10 m from cells of 0.2 m: a checkerboard becomes its mean, a slope stays one."""
    place = ground(tie, "EPSG:25833", 0.2, SIZE, 20.0, datum_operation="identical")
    row, column = np.indices((SIZE, SIZE))
    picture = (40 + column // 4 + 60 * ((row + column) % 2)).astype(np.uint8)
    source = write_raster(tmp_path / "ortho.tif", picture[None], place.transform, place.crs)
    run("raster", RASTER=source, TIE=tie_file, RESOLUTION=10, RESAMPLING=resampling,
        DATUM_OPERATION="identical", OUTPUT=tmp_path / "site.tif")
    written = read_raster(tmp_path / "site.tif")
    column, row = (v.reshape(written.bands[0].shape) for v in place.cells(*written.places()))
    inside = (np.abs(column - SIZE / 2) < 130) & (np.abs(row - SIZE / 2) < 130)
    assert inside.sum() > 15
    off = written.bands[0].astype(float) - (40 + (column - 2.0) / 4.0 + 30.0)
    assert np.abs(off[inside]).max() < 1.5


def test_as_a_task_in_another_thread(quarry_ortho: Path, tie_file: Path, tmp_path: Path) -> None:
    assert in_another_thread("raster", {
        "RASTER": str(quarry_ortho), "TIE": str(tie_file), "OUTPUT": str(tmp_path / "site.tif")})
    assert read_raster(tmp_path / "site.tif").bands.any()
