"""Frames: which operation is taken, and that none of them only pretends to transform."""

from __future__ import annotations

import numpy as np
import pyproj
import pytest

from sitetie.core import Settings, solve
from sitetie.core.errors import FrameError
from sitetie.core.frames import (
    IDENTICAL,
    choose_operation,
    geographic_crs,
    is_dynamic,
    is_ensemble,
    parse_crs,
    projected_crs,
    same_datum,
    transformer,
)
from sitetie.core.one_frame import frame_cautions, positions_in_one_frame
from sitetie.tests.core.sites import apart, change, points, random_site

MUNICH, KANSAS, VICTORIA = (48.1, 11.5), (39.1, -95.5), (-37.0, 144.0)


def crs(code):
    return pyproj.CRS.from_user_input(code)


def run(operation, latitude, longitude, height=0.0, epoch=2020.0):
    """East, north (or longitude, latitude) and height through an operation."""
    return np.array(transformer(operation.definition).transform(longitude, latitude, height,
                                                                epoch)[:3])


# -- reading a CRS -----------------------------------------------------------------------------


@pytest.mark.parametrize("text", ["EPSG:4326", "epsg:4326", "WGS 84", "WGS84", "wgs 84", "4326",
                                  "urn:ogc:def:crs:EPSG::4326", "OGC:CRS84", "EPSG:4979"])
def test_many_spellings_are_one_frame(text):
    assert same_datum(geographic_crs(text), crs("EPSG:4326"))


@pytest.mark.parametrize("text", ["foo", "wgs", "EPSG 4326", "EPSG:", ":", "utm", "Lambert",
                                  "EPSG:123456", "+proj=nonsense", "{}", "GEOGCRS[]"])
def test_what_proj_does_not_know_or_only_guesses_is_unknown(text):
    with pytest.raises(FrameError, match="is unknown to PROJ") as caught:
        parse_crs(text, "observation CRS")
    assert repr(text) in str(caught.value)
    assert "EPSG:4326" in caught.value.remedy


def test_wkt_and_projjson_will_do():
    for text in (crs("EPSG:4258").to_wkt(), crs("EPSG:4258").to_json()):
        assert geographic_crs(text).name == "ETRS89"
    assert projected_crs(crs("EPSG:25832").to_wkt()).name == "ETRS89 / UTM zone 32N"


def test_a_compound_base_gives_its_horizontal_part():
    assert projected_crs("EPSG:25832+5783").to_epsg() == 25832


def test_ensembles_and_dynamic_frames_are_known_as_such():
    for code, ensemble, dynamic in (("EPSG:4326", True, True), ("EPSG:4258", True, False),
                                    ("EPSG:7912", False, True), ("EPSG:6319", False, False),
                                    ("EPSG:7844", False, False), ("EPSG:9755", False, True)):
        assert is_ensemble(crs(code)) == ensemble, code
        assert is_dynamic(crs(code)) == dynamic, code


def test_the_datum_is_told_apart_from_its_coordinate_systems():
    assert same_datum(crs("EPSG:4326"), crs("EPSG:4979"))
    assert same_datum(crs("EPSG:4258"), crs("EPSG:25832"))
    assert not same_datum(crs("EPSG:4326"), crs("EPSG:4258"))
    assert not same_datum(crs("+proj=longlat +ellps=bessel"), crs("+proj=longlat +ellps=GRS80"))


# -- choosing an operation ---------------------------------------------------------------------


def test_on_one_datum_the_projection_stands_alone():
    chosen = choose_operation(crs("EPSG:4258"), crs("EPSG:25832"), near=MUNICH)
    assert chosen.name == "the projection alone, no change of datum"
    assert (chosen.depends_on_height, chosen.depends_on_time, chosen.null) == (False,) * 3
    assert chosen.repeatable is None
    assert chosen.cautions == ()
    expected = pyproj.Proj("EPSG:25832")(MUNICH[1], MUNICH[0])
    np.testing.assert_allclose(run(chosen, *MUNICH)[:2], expected, atol=1e-6)


def test_itrf2014_to_nad83_is_over_a_metre_and_needs_its_epoch():
    """The published operation (EPSG:8970) moves Kansas by some 1.3 m; PROJ takes it as null from
    WGS 84."""
    source, target = crs("EPSG:7912"), crs("EPSG:6319")
    with pytest.raises(FrameError, match=r"The operation ITRF2014 to NAD83\(2011\) \(1\) depends "):
        choose_operation(source, target, near=KANSAS)
    chosen = choose_operation(source, target, near=KANSAS, epoch=2020.0)
    assert chosen.name == "ITRF2014 to NAD83(2011) (1)"
    assert chosen.depends_on_time
    moved = run(chosen, *KANSAS) - [KANSAS[1], KANSAS[0], 0.0]
    metres = np.hypot(moved[1] * 111_000.0, moved[0] * 111_000.0 * np.cos(np.radians(39.1)))
    assert 1.0 < metres < 2.0
    later = run(chosen, *KANSAS, epoch=2030.0) - run(chosen, *KANSAS)
    assert 0.05 < abs(later[0]) * 86_000.0 < 0.3  # ten years of the plate


def test_a_null_operation_is_refused_between_named_frames_and_told_of_an_ensemble():
    with pytest.raises(FrameError, match="does not change the coordinates, though the frames"):
        choose_operation(crs("EPSG:5340"), crs("EPSG:31980"), near=(-34.0, -64.0))
    chosen = choose_operation(crs("EPSG:4979"), crs("EPSG:6319"), near=KANSAS)
    assert chosen.null
    (said,) = chosen.cautions
    assert "taken over unchanged" in said
    assert "good to about 2 m only" in said


def test_identical_says_so_and_a_name_or_a_pipeline_overrules():
    source, target = crs("EPSG:4258"), crs("EPSG:31468")
    same = choose_operation(source, target, override=IDENTICAL, near=MUNICH)
    assert "are taken as one frame, as the settings say" in same.cautions[0]
    assert same.repeatable == IDENTICAL
    np.testing.assert_allclose(run(same, *MUNICH)[:2],
                               pyproj.Proj("EPSG:31468")(MUNICH[1], MUNICH[0]), atol=1e-6)
    named = choose_operation(source, target, override="dhdn to etrs89 (2)", near=MUNICH)
    assert "DHDN to ETRS89 (2)" in named.name
    assert named.depends_on_height
    assert not named.depends_on_time
    again = choose_operation(source, target, override=named.repeatable, near=MUNICH)
    assert again == named
    typed = choose_operation(source, target, override=named.definition + " step proj=noop",
                             near=MUNICH)
    np.testing.assert_allclose(run(typed, *MUNICH, 500.0), run(named, *MUNICH, 500.0), atol=1e-9)
    assert np.abs(run(named, *MUNICH)[:2] - run(same, *MUNICH)[:2]).max() > 50.0


def test_a_typed_pipeline_that_needs_an_epoch_asks_for_it():
    chosen = choose_operation(crs("EPSG:7912"), crs("EPSG:6319"), near=KANSAS, epoch=2020.0)
    with pytest.raises(FrameError, match="depends on time"):
        choose_operation(crs("EPSG:7912"), crs("EPSG:6350"), near=KANSAS,
                         override=chosen.definition + " step proj=noop")


def test_a_better_operation_whose_grid_is_missing_is_named():
    """Victoria's distortion grids are in no package of Debian nor in pyproj's wheels."""
    chosen = choose_operation(crs("EPSG:4202"), crs("EPSG:4283"), near=VICTORIA)
    if chosen.accuracy is not None and chosen.accuracy < 0.5:
        pytest.skip("somebody has installed the grid")
    assert chosen.name.startswith("AGD66 to GDA94")
    (said,) = chosen.cautions
    assert said.startswith("A more accurate operation from AGD66 (EPSG:4202) to GDA94 (EPSG:4283)")
    assert "grid is not installed (au_icsm_A66_National" in said
    assert choose_operation(crs("EPSG:4202"), crs("EPSG:4283"), override=chosen.name,
                            near=VICTORIA).cautions == (said,)


def test_nothing_but_grids_that_are_missing():
    try:
        chosen = choose_operation(crs("EPSG:4139"), crs("EPSG:4269"), near=(18.2, -66.5))
    except FrameError as error:
        said = str(error)
    else:
        pytest.skip(f"somebody has installed the grid of {chosen.name}")
    assert "Every operation from Puerto Rico (EPSG:4139) to NAD83 (EPSG:4269) needs a grid" in said
    assert "us_noaa_prvi.tif" in said
    assert "Install PROJ's grid files" in said


def test_where_proj_knows_nothing_a_typed_pipeline_still_serves():
    source, target = crs("EPSG:4258"), crs("+proj=utm +zone=32 +ellps=bessel")
    pipeline = ("+proj=pipeline +step +proj=unitconvert +xy_in=deg +xy_out=rad "
                "+step +proj=push +v_3 +step +proj=cart +ellps=GRS80 "
                "+step +proj=helmert +x=-582 +y=-105 +z=-414 "
                "+step +inv +proj=cart +ellps=bessel +step +proj=pop +v_3 "
                "+step +proj=utm +zone=32 +ellps=bessel")
    chosen = choose_operation(source, target, override=pipeline, near=MUNICH)
    plain = pyproj.Proj("+proj=utm +zone=32 +ellps=bessel")(MUNICH[1], MUNICH[0])
    assert 50.0 < np.hypot(*(run(chosen, *MUNICH)[:2] - plain)) < 1000.0
    with pytest.raises(FrameError, match="Give a pipeline or a part of one of these names: none"):
        choose_operation(source, target, override="shift", near=MUNICH)


# -- pairs in frames of their own --------------------------------------------------------------


def in_frames(pairs, *names, epoch=2020.0):
    return [change(p, observation={"crs": names[i % len(names)], "epoch": epoch})
            for i, p in enumerate(pairs)]


def test_rows_of_two_frames_are_brought_into_one():
    site = random_site(1, place=KANSAS, observation_crs="EPSG:6319", extent=2000.0, noise=0.0,
                       own_sigmas=False)
    to_itrf = pyproj.Transformer.from_crs("EPSG:6319", "EPSG:7912", always_xy=True)
    moved = []
    for i, pair in enumerate(site.pairs):
        o = pair.observation
        if i % 2:
            longitude, latitude, height, _ = to_itrf.transform(o.longitude, o.latitude, o.height,
                                                               2020.0)
            pair = change(pair, observation={"longitude": longitude, "latitude": latitude,
                                             "height": height})
        moved.append(pair)
    mixed = in_frames(moved, "EPSG:6319", "EPSG:7912")
    one, other = solve(site.pairs, site.settings), solve(mixed, site.settings)
    assert apart(one, other, points(site)) < 1e-3  # PROJ's inverse of the seven parameters
    (said,) = [c for c in other.cautions if "were brought into" in c]
    assert said.startswith("Observations in EPSG:7912 were brought into EPSG:6319 by ITRF2014 to "
                           "NAD83(2011) (1), registered as good to 0 m.")
    # Over a metre apart if nothing were done:
    careless = solve(moved, site.settings)
    assert careless.statistics.horizontal.rms > 0.5


def test_rows_that_name_the_observation_frame_change_nothing():
    site = random_site(2, place=KANSAS, observation_crs="EPSG:6319")
    named = in_frames(site.pairs, "EPSG:6319", "EPSG:6318", epoch=None)  # 3-D and 2-D
    assert frame_cautions(named, site.settings) == ()
    np.testing.assert_array_equal(positions_in_one_frame(named, site.settings),
                                  positions_in_one_frame(site.pairs, site.settings))


def test_rows_of_one_frame_may_stand_for_an_ensemble_and_that_is_told():
    site = random_site(5, place=KANSAS)
    named = in_frames(site.pairs, "EPSG:6319")
    tie = solve(named, site.settings)  # observations in WGS 84, an ensemble
    said = " ".join(tie.cautions)
    assert "Observations in EPSG:6319 were brought into EPSG:4326 by" in said
    assert "the coordinates are taken over unchanged" in said
    assert apart(tie, solve(site.pairs, site.settings), points(site)) < 1e-6


def test_the_order_of_the_rows_does_not_choose_the_operation():
    site = random_site(3, place=KANSAS, observation_crs="EPSG:6319")
    mixed = in_frames(site.pairs, "EPSG:6319", "EPSG:7912")
    # A wild position first: the operation is chosen by the middle of the fit pairs.
    wild = change(mixed[1], observation={"id": "wild", "latitude": -33.0, "longitude": 18.0},
                  control={"id": "wild"}, horizontal="idle", vertical="idle")
    one = solve([wild, *mixed], site.settings)
    other = solve([*mixed[::-1], wild], site.settings)
    assert apart(one, other, points(site)) < 1e-6
    assert set(one.cautions) == set(other.cautions)


def test_epochs_within_a_month_are_one_epoch_and_years_are_not():
    site = random_site(4, place=KANSAS, observation_crs="EPSG:7912")
    close = [change(p, observation={"epoch": 2020.0 + 0.01 * i}) for i, p in enumerate(site.pairs)]
    solve(close, site.settings)
    apart_ = [change(p, observation={"epoch": 2020.0 + 0.5 * i}) for i, p in enumerate(site.pairs)]
    for order in (apart_, apart_[::-1]):
        with pytest.raises(FrameError, match="Epochs are mixed"):
            solve(order, site.settings)
    # A frame that goes with its plate does not mind.
    solve(apart_, Settings(observation_crs="EPSG:6319"))
