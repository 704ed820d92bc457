"""The hand-over of a tie: what is written, and that its numbers are the tie's."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from sitetie.core import Tie, solve
from sitetie.core.errors import OutputError
from sitetie.core.hand_over import (
    SRTEXT_LENGTH,
    elevation_from_site,
    page_of,
    postgis_sql,
    recipes,
    srid_of,
    write_hand_over,
)
from sitetie.core.report import ReportDetails, report_html
from sitetie.tests.core.sites import random_site


def made(seed: int = 4, **settings) -> Tie:
    site = random_site(seed, extent=3000.0, tilt=1e-4, **settings)
    return solve(site.pairs, site.settings.replace(vertical_model="plane"))


@pytest.mark.parametrize(("unit", "height_unit"), [("m", "m"), ("ft", "us-ft"), ("us-ft", "m")])
def test_elevations_follow_from_site_coordinates(unit: str, height_unit: str) -> None:
    tie = made(site_unit=unit, elevation_unit=height_unit)
    draw = np.random.default_rng(1)
    latitude = tie.pairs[0].observation.latitude + draw.uniform(-0.02, 0.02, 30)
    longitude = tie.pairs[0].observation.longitude + draw.uniform(-0.02, 0.02, 30)
    height = draw.uniform(0.0, 900.0, 30)
    e, n, z = tie.to_site(latitude, longitude, height)
    zero, (east, north), per_height = elevation_from_site(tie)
    assert np.abs(zero + east * e + north * n + per_height * height - z).max() < 1e-7


def test_the_folder_is_made_and_written_again(tmp_path: Path) -> None:
    tie = made()
    for _ in range(2):
        write_hand_over(tie, tmp_path / "new" / "folder")
    there = {path.name: path.read_text(encoding="utf-8")
             for path in (tmp_path / "new" / "folder").iterdir()}
    assert there["site.wkt"].strip() == tie.crs_wkt()
    assert there["to_site.pipeline"].strip() == tie.pipeline()
    assert there["from_site.pipeline"].strip() == tie.pipeline(backward=True)
    assert str(srid_of(tie)) in there["site.sql"]
    (tmp_path / "a file").write_text("")
    with pytest.raises(OutputError, match="folder cannot be made"):
        write_hand_over(tie, tmp_path / "a file")


def test_a_crs_too_long_for_postgis_is_shortened_or_refused() -> None:
    tie = made()
    assert len(tie.crs_wkt("n" * 250)) > SRTEXT_LENGTH  # the name counts twice
    assert "DERIVEDPROJCRS" in postgis_sql(tie, "n" * 250)
    with pytest.raises(OutputError, match="2048"):
        postgis_sql(tie, "n" * 1200)
    assert "it''s" in postgis_sql(tie, "it's")


def test_srids_are_those_of_users() -> None:
    # PostGIS keeps 999000 and above for itself; EPSG ends far below 910000.
    assert all(910000 < srid_of(made(seed)) < 999000 for seed in (4, 5))


def test_the_report_has_the_crs_the_pipelines_and_every_command() -> None:
    tie = made()
    page = report_html(tie, ReportDetails())
    plain = page.replace("&#34;", '"').replace("<wbr>", "").replace("&#39;", "'").replace(
        "&lt;", "<").replace("&gt;", ">").replace("&amp;", "&").replace("\u200b", "")
    assert tie.crs_wkt() in plain
    assert tie.pipeline() in plain
    assert tie.pipeline(backward=True) in plain
    for recipe in recipes(page_of(tie)):
        assert recipe.command.splitlines()[0].rstrip("\\ |") in plain
