"""sitetie:raster with heights that become elevations: held against the tie in every cell."""

from __future__ import annotations

from pathlib import Path
from typing import Any, Callable, Optional, Tuple

import numpy as np
import pytest
from osgeo import gdal
from qgis.core import QgsProcessingException

from sitetie.core import Tie, solve
from sitetie.core.geoid import open_geoid
from sitetie.tests.core.sites import random_site, write_geoid
from sitetie.tests.plugin.processing_runs import MADE_UP, made_up_pairs, run
from sitetie.tests.plugin.raster_runs import (
    Ground,
    Written,
    ground,
    read_raster,
    write_raster,
)

pytestmark = pytest.mark.usefixtures("algorithms")
SIZE = 330
HOLE = np.s_[100:130, 40:200]
NODATA = -9999.0


def plane(column, row):
    """Heights that fall and rise by tens of percent: metres at cell indices."""
    return 440.0 + 0.06 * np.asarray(column) - 0.045 * np.asarray(row)


@pytest.fixture(scope="module")
def geoid_grid(tmp_path_factory: pytest.TempPathFactory) -> str:
    """A grid whose lines cross the raster many times."""
    return write_geoid(tmp_path_factory.mktemp("geoid") / "fine.gtx", south=47.29, west=8.58,
                       north=47.31, east=8.62, step=0.0005)


@pytest.fixture(scope="module")
def ties(tie: Tie, geoid_grid: str) -> dict:
    over_geoid = random_site(3, place=(47.3, 8.6), extent=800.0, geoid=geoid_grid,
                             vertical_model="plane", observation_crs="EPSG:7931",
                             site_unit="ft", elevation_unit="m")
    return {"quarry": tie, "feet": solve(made_up_pairs(), MADE_UP),
            "geoid": solve(over_geoid.pairs, over_geoid.settings)}


def expected(
    place: Ground, written: Written, heights: Callable, metres: float = 1.0,
    reduced_by: Optional[str] = None, valid: Optional[np.ndarray] = None,
) -> Tuple[np.ndarray, np.ndarray]:
    """The tie's own elevation in every cell, and whether all four heights round it are known."""
    easting, northing = written.places()
    tie = place.tie
    column, row = (v.reshape(easting.shape) - 0.5 for v in place.cells(easting, northing))
    base = tie.site_to_base(easting, northing)
    latitude, longitude = tie.base.to_geodetic(*base, np.full(easting.shape, place.height))
    x, y, _ = place.way.back(latitude.ravel(), longitude.ravel(),
                             np.full(easting.size, place.height))
    _, _, height = place.way(x, y, (heights(column, row) * metres).ravel())
    height = height.reshape(easting.shape)
    if reduced_by:
        height = height + open_geoid(reduced_by).undulation(latitude, longitude)
    elevation = tie.to_site(latitude, longitude, height)[2]
    known = np.zeros((SIZE + 2, SIZE + 2), dtype=bool)
    known[1:-1, 1:-1] = True if valid is None else valid
    first_row = np.clip(np.floor(row).astype(int) + 1, 0, SIZE)
    first_column = np.clip(np.floor(column).astype(int) + 1, 0, SIZE)
    inside = (row >= -1) & (row < SIZE) & (column >= -1) & (column < SIZE)
    around = np.all([known[first_row + i, first_column + j] for i in (0, 1) for j in (0, 1)], 0)
    return elevation, around & inside


def surface(place: Ground, path: Path, metres: float = 1.0) -> Tuple[Path, np.ndarray]:
    """The slope with a hole, written; and which cells are known."""
    row, column = np.mgrid[:SIZE, :SIZE]
    heights = (plane(column, row) / metres).astype(np.float32)
    heights[HOLE] = NODATA
    write_raster(path, heights[None], place.transform, place.crs, NODATA)
    return path, heights != NODATA


#: Tie, CRS, cell, degrees turned, metres in the heights' unit, frames.
SURFACES = {
    "tilted plane, UTM": ("quarry", "EPSG:25833", 0.2, 0.0, "m", {"DATUM_OPERATION": "identical"}),
    "tilted plane, turned": ("quarry", "EPSG:25833", 0.2, 40.0, "m",
                             {"DATUM_OPERATION": "identical"}),
    "degrees": ("quarry", "EPSG:7931", 2.5e-6, 0.0, "m", {}),
    "another datum, whose heights differ": ("quarry", "EPSG:31255", 0.2, 0.0, "m", {}),
    "elevations in feet": ("feet", "EPSG:6342", 0.3, 0.0, "m", {}),
    "heights in feet": ("quarry", "EPSG:7931", 2.5e-6, 10.0, "ft", {}),
    "over a geoid": ("geoid", "EPSG:7931", 1e-5, 0.0, "m", {}),
}
METRES = {"m": 1.0, "ft": 0.3048}


@pytest.mark.parametrize("case", SURFACES)
def test_every_cell_is_within_a_millimetre_of_the_tie(
    case: str, ties: dict, tmp_path: Path
) -> None:
    which, crs, cell, turned, unit, frames = SURFACES[case]
    tie, metres = ties[which], METRES[unit]
    tie.save(tmp_path / "tie.json")
    named = {"datum_operation": "identical"} if frames else {}
    place = ground(tie, crs, cell, SIZE, turned, **named)
    source, valid = surface(place, tmp_path / "dsm.tif", metres)
    result = run("raster", RASTER=source, TIE=tmp_path / "tie.json", VALUES="elevation",
                 HEIGHT_UNIT=unit, OUTPUT=tmp_path / "site.tif", **frames)
    written = read_raster(result["OUTPUT"])
    band = written.dataset.GetRasterBand(1)
    assert band.GetNoDataValue() == NODATA
    assert band.GetUnitType() == tie.settings.elevation_length.plural
    values = written.bands[0].astype(float)
    wanted, around = expected(place, written, lambda c, r: plane(c, r) / metres, metres,
                              valid=valid)
    found = values != NODATA
    assert np.array_equal(found, around)
    assert found.mean() > 0.25
    off = np.abs(values - wanted)[found].max() * tie.settings.elevation_length.metres
    print(f"{case}: {off * 1000.0:.3f} mm in {found.sum()} cells")
    assert off < 0.001


def test_heights_that_were_reduced_by_a_geoid(
    ties: dict, geoid_grid: str, tmp_path: Path
) -> None:
    """Orthometric heights become ellipsoidal first, then elevations of a tie without a geoid."""
    site = random_site(4, place=(47.3, 8.6), extent=800.0, observation_crs="EPSG:7931")
    tie = solve(site.pairs, site.settings)
    tie.save(tmp_path / "tie.json")
    place = ground(tie, "EPSG:7931", 1e-5, SIZE)
    source, valid = surface(place, tmp_path / "dtm.tif")
    run("raster", RASTER=source, TIE=tmp_path / "tie.json", VALUES="elevation",
        HEIGHT_GEOID=geoid_grid, OUTPUT=tmp_path / "site.tif")
    written = read_raster(tmp_path / "site.tif")
    wanted, around = expected(place, written, plane, reduced_by=geoid_grid, valid=valid)
    assert np.abs(written.bands[0] - wanted)[around].max() < 0.001
    plain, _ = expected(place, written, plane)
    assert np.abs(plain - wanted).min() > 40.0, "the undulation is felt"


def test_left_as_they_are_values_do_not_change(ties: dict, tmp_path: Path) -> None:
    tie = ties["quarry"]
    tie.save(tmp_path / "tie.json")
    place = ground(tie, "EPSG:7931", 2.5e-6, SIZE)
    row, column = np.mgrid[:SIZE, :SIZE]
    source = write_raster(tmp_path / "dtm.tif", plane(column, row)[None], place.transform,
                          place.crs)
    run("raster", RASTER=source, TIE=tmp_path / "tie.json", OUTPUT=tmp_path / "site.tif")
    written = read_raster(tmp_path / "site.tif")
    assert written.dataset.GetRasterBand(1).GetNoDataValue() == NODATA
    _, around = expected(place, written, plane)
    columns, rows = place.cells(*written.places())
    wanted = plane(columns - 0.5, rows - 0.5).reshape(around.shape)
    assert np.abs(written.bands[0] - wanted)[around].max() < 0.001
    assert (written.bands[0] == NODATA).sum() > 1000


def test_whole_numbers_with_scale_and_offset_and_a_mask(ties: dict, tmp_path: Path) -> None:
    """Centimetres above 400 m in 16 bits, holes told by a mask."""
    tie = ties["quarry"]
    tie.save(tmp_path / "tie.json")
    place = ground(tie, "EPSG:7931", 2.5e-6, SIZE)
    row, column = np.mgrid[:SIZE, :SIZE]
    numbers = (6 * column - 4 * row + 4000).astype(np.int16)
    source = write_raster(tmp_path / "dtm.tif", numbers[None], place.transform, place.crs)
    dataset = gdal.Open(str(source), gdal.GA_Update)
    dataset.GetRasterBand(1).SetScale(0.01)
    dataset.GetRasterBand(1).SetOffset(400.0)
    dataset.CreateMaskBand(gdal.GMF_PER_DATASET)
    mask = np.full((SIZE, SIZE), 255, dtype=np.uint8)
    mask[HOLE] = 0
    dataset.GetRasterBand(1).GetMaskBand().WriteArray(mask)
    del dataset
    run("raster", RASTER=source, TIE=tmp_path / "tie.json", VALUES="elevation",
        OUTPUT=tmp_path / "site.tif")
    written = read_raster(tmp_path / "site.tif")
    wanted, around = expected(
        place, written, lambda c, r: 400.0 + 0.01 * (6 * c - 4 * r + 4000), valid=mask == 255)
    assert written.bands.dtype == np.float32
    assert np.array_equal(written.bands[0] != NODATA, around)
    assert np.abs(written.bands[0] - wanted)[around].max() < 0.001


def test_an_elevation_equal_to_the_value_for_no_data_stays_an_elevation(
    ties: dict, tmp_path: Path
) -> None:
    ties["quarry"].save(tmp_path / "tie.json")
    place = ground(ties["quarry"], "EPSG:7931", 2.5e-6, SIZE)
    source, _ = surface(place, tmp_path / "dsm.tif")
    told = {"RASTER": source, "TIE": tmp_path / "tie.json", "VALUES": "elevation"}
    run("raster", **told, OUTPUT=tmp_path / "one.tif")
    one = read_raster(tmp_path / "one.tif").bands[0]
    chosen = float(one[one != NODATA][5000])
    run("raster", **told, NODATA=chosen, OUTPUT=tmp_path / "other.tif")
    other = read_raster(tmp_path / "other.tif")
    assert other.dataset.GetRasterBand(1).GetNoDataValue() == chosen
    assert np.array_equal(other.bands[0] == np.float32(chosen), one == NODATA)
    known = one != NODATA
    assert np.abs(other.bands[0] - one)[known].max() < 1e-4


def run_surface(source: Path, tie_file: Path, folder: Path, **more: Any) -> None:
    run("raster", RASTER=source, TIE=tie_file, VALUES="elevation", OUTPUT=folder / "site.tif",
        **more)


def test_a_tie_without_heights_is_refused(tmp_path: Path) -> None:
    site = random_site(4, place=(47.3, 8.6), observation_crs="EPSG:7931", vertical_model=None)
    tie = solve(site.pairs, site.settings)
    tie.save(tmp_path / "tie.json")
    place = ground(tie, "EPSG:7931", 1e-5, SIZE)
    source, _ = surface(place, tmp_path / "dsm.tif")
    with pytest.raises(QgsProcessingException, match="dsm: The tie .* has no vertical part"):
        run_surface(source, tmp_path / "tie.json", tmp_path)
    assert not (tmp_path / "site.tif").exists()


def test_heights_beyond_the_geoid_are_refused(
    ties: dict, tmp_path: Path
) -> None:
    ties["geoid"].save(tmp_path / "tie.json")
    tie = ties["geoid"]
    place = ground(tie, "EPSG:7931", 1e-4, SIZE)
    source, _ = surface(place, tmp_path / "dsm.tif")
    with pytest.raises(QgsProcessingException, match=r"At easting .* does not reach there"):
        run_surface(source, tmp_path / "tie.json", tmp_path)
    assert sorted(p.name for p in tmp_path.iterdir()) == ["dsm.tif", "tie.json"]


def test_what_is_no_surface_is_refused(tie: Tie, tie_file: Path, tmp_path: Path) -> None:
    place = ground(tie, "EPSG:7931", 1e-5, 20)
    three = write_raster(tmp_path / "three.tif", np.zeros((3, 20, 20), np.uint8), place.transform,
                         place.crs)
    with pytest.raises(QgsProcessingException, match="three: The raster has 3 bands; heights"):
        run_surface(three, tie_file, tmp_path)
    compound = write_raster(tmp_path / "compound.tif", np.zeros((1, 20, 20), np.float32),
                            place.transform, "EPSG:9067+5783")
    with pytest.raises(QgsProcessingException, match="names a height system of its own"):
        run_surface(compound, tie_file, tmp_path)
