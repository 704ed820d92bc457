"""Bad settings, geometry, frames and geoids: each is refused, saying what is wrong and the remedy.

A row of the table is one kind of bad input: the pairs and settings that make it, which error it
is, and words that must stand in the message, the remedy's among them. Bad pair tables are in
`test_bad_input`, damaged tie files in `test_tie_file`.
"""

from __future__ import annotations

import pickle
from dataclasses import dataclass, field
from typing import Any, Callable, Dict, Optional, Tuple, Type

import pyproj
import pytest

from sitetie.core import HeldScale, Observation, Pair, Settings, solve
from sitetie.core.errors import (
    FrameError,
    GeometryError,
    InputError,
    SettingsError,
    SitetieError,
)
from sitetie.tests.core.sites import change, random_site, write_geoid

MUNICH, KANSAS = (48.1, 11.5), (39.1, -95.5)


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """A folder with geoid grids round Munich: one that covers the site, one that does not."""
    made = tmp_path_factory.mktemp("grids")
    write_geoid(made / "covers.gtx")
    write_geoid(made / "far.gtx", south=30.0, north=32.0)
    (made / "text.gtx").write_text("this is no grid")
    return made


def pairs(place=MUNICH, marks=5, **kinds):
    """A sound site; a row of the table spoils it."""
    return [change(p, file="pairs.csv", row=i + 2)
            for i, p in enumerate(random_site(11, place=place, marks=marks, **kinds).pairs)]


def each(control: Optional[Callable] = None, observation: Optional[Callable] = None,
         place=MUNICH, **fields):
    """The sound site with every pair changed."""
    return [change(p, control=control(p.control) if control else None,
                   observation=observation(p.observation) if observation else None, **fields)
            for p in pairs(place)]


def one(k=1, place=MUNICH, **changes):
    """The sound site with one pair changed."""
    site = pairs(place)
    site[k] = change(site[k], **changes)
    return site


def in_line(control=False):
    made = pairs()
    if control:
        return [change(p, control={"easting": 1000.0 + 50.0 * i, "northing": 2000.0 + 20.0 * i})
                for i, p in enumerate(made)]
    return [change(p, observation={"latitude": 48.1 + 1e-3 * i, "longitude": 11.5 + 2e-3 * i})
            for i, p in enumerate(made)]


def mirrored_square():
    """Marks at the corners of a square, easting and northing exchanged in the control list."""
    plane = pyproj.Proj(proj="tmerc", lat_0=MUNICH[0], lon_0=MUNICH[1], k=1, ellps="WGS84")
    made = []
    site = pairs(own_sigmas=False)
    for pair, (x, y) in zip(site, [(90.0, 90.0), (-90.0, 90.0), (-90.0, -90.0), (90.0, -90.0)]):
        longitude, latitude = plane(x, y, inverse=True)
        made.append(change(pair, control={"easting": y, "northing": x},
                           observation={"latitude": latitude, "longitude": longitude}))
    return made


def framed(*frames, epochs=(None,), place=KANSAS):
    return [change(p, observation={"crs": frames[i % len(frames)],
                                   "epoch": epochs[i % len(epochs)]})
            for i, p in enumerate(pairs(place))]


@dataclass(frozen=True)
class Bad:
    name: str
    error: Type[SitetieError]
    words: Tuple[str, ...]
    pairs: Callable[[], list] = pairs
    settings: Dict[str, Any] = field(default_factory=dict)


BAD = [
    # Settings that no site could have
    Bad("unknown unit", SettingsError, ("'feet'", '"ft" (international foot', '"us-ft"'),
        settings={"site_unit": "feet"}),
    Bad("unknown elevation unit", SettingsError, ("5 is not a unit", '"m" (metre)'),
        settings={"elevation_unit": 5}),
    Bad("unknown horizontal model", SettingsError,
        ("horizontal_model is 'helmert'", '"translation", "rigid", "similarity", "affine"'),
        settings={"horizontal_model": "helmert"}),
    Bad("unknown vertical model", SettingsError,
        ("vertical_model is 'tilt'", '"shift", "plane" or None'),
        settings={"vertical_model": "tilt"}),
    Bad("unknown sigma basis", SettingsError, ("sigma_basis is 'mine'", '"stated", "estimated"'),
        settings={"sigma_basis": "mine"}),
    Bad("scale without a sigma", SettingsError, ("scale is 1.0001", "(value, sigma) to hold it"),
        settings={"scale": 1.0001}),
    Bad("scale of zero", SettingsError, ("scale of 0.0 is impossible", "near 1"),
        settings={"scale": (0, 0)}),
    Bad("negative scale sigma", SettingsError, ("scale sigma of -1e-05", "0 to hold"),
        settings={"scale": (1, -1e-5)}),
    Bad("scale of an affine", SettingsError, ("no single scale", "Leave scale out"),
        settings={"horizontal_model": "affine", "scale": (1, 0)}),
    Bad("sigma of zero", SettingsError, ("gnss_sigma_h is 0.0", "greater than zero", "in metres"),
        settings={"gnss_sigma_h": 0}),
    Bad("sigma that is none", SettingsError, ("control_sigma_v is 'good', not a number",),
        settings={"control_sigma_v": "good"}),
    Bad("confidence in percent", SettingsError, ("confidence is 95.0", "0.95 for 95 %"),
        settings={"confidence": 95}),
    Bad("test level of zero", SettingsError,
        ("test_level is 0.0", "between 0 and 1", "0.001 for 0.1 %"), settings={"test_level": 0}),
    Bad("power that is not finite", SettingsError, ("power is nan", "finite"),
        settings={"power": float("nan")}),
    Bad("full session correlation", SettingsError, ("session_correlation is 1.0", "1 excluded"),
        settings={"session_correlation": 1}),
    Bad("tolerance of zero", SettingsError, ("tolerance_h is 0.0", "leave it out"),
        settings={"tolerance_h": 0}),
    Bad("date for an epoch", SettingsError,
        ("observation_epoch 20260509.0 is not a decimal year", "2026.35"),
        settings={"observation_epoch": 20260509}),
    Bad("base as a number", SettingsError,
        ("base_crs is of the type int, not text", '"EPSG:25832"'), settings={"base_crs": 25832}),
    # Roles and numbers of pairs
    Bad("no pairs", InputError, ("There are no pairs", "at least one"), lambda: []),
    Bad("all roles idle", GeometryError,
        ("No pair has the horizontal role fit", "at least one pair to fit"),
        lambda: each(horizontal="idle", vertical="idle")),
    Bad("only checks", GeometryError, ("No pair has the horizontal role fit",),
        lambda: each(horizontal="check")),
    Bad("all vertical roles idle", GeometryError,
        ("No pair has the vertical role fit", "vertical shift", "vertical_model to None"),
        lambda: each(vertical="idle")),
    Bad("no heights and a vertical part", GeometryError,
        ("No pair has the vertical role fit", "heights and elevations"),
        lambda: each(observation=lambda o: {"height": None}, vertical="idle")),
    Bad("one pair for a similarity", GeometryError,
        ("similarity needs at least 2 fit pairs", "there is 1 mark", "fewer parameters"),
        lambda: pairs(marks=1)),
    Bad("one pair for a rigid tie", GeometryError, ("A rigid tie needs at least 2 fit pairs",),
        lambda: pairs(marks=1), {"horizontal_model": "rigid"}),
    Bad("two pairs for an affine", GeometryError,
        ("An affine needs at least 3 fit pairs", "there are 2 marks"),
        lambda: pairs(marks=2), {"horizontal_model": "affine"}),
    Bad("two pairs for a tilted plane", GeometryError,
        ("vertical plane needs at least 3 fit pairs", "there are 2", "choose the shift"),
        lambda: pairs(marks=2), {"vertical_model": "plane"}),
    Bad("repeats of one mark only", GeometryError, ("at different marks", "there is 1 mark"),
        lambda: [pairs()[0], change(pairs()[0], observation={"id": "again"})]),
    # Geometry
    Bad("coincident control", GeometryError,
        ("The control points of the fit pairs all lie within 0.000 m of one place",
         "not one and the same", "choose the translation"),
        lambda: each(lambda c: {"easting": 500.0, "northing": 900.0})),
    Bad("coincident control, rigid", GeometryError, ("The control points", "of one place"),
        lambda: each(lambda c: {"easting": 500.0, "northing": 900.0}),
        {"horizontal_model": "rigid"}),
    Bad("coincident observations", GeometryError,
        ("The observations of the fit pairs all lie within 0.000 m of one place",),
        lambda: each(observation=lambda o: {"latitude": 48.1, "longitude": 11.5})),
    Bad("observations in line for an affine", GeometryError,
        ("The observations of the fit pairs lie in one line", "away from the line",
         "choose the similarity"), in_line, {"horizontal_model": "affine"}),
    Bad("control in line for an affine", GeometryError,
        ("The control points of the fit pairs lie in one line",), lambda: in_line(control=True),
        {"horizontal_model": "affine"}),
    Bad("marks in line for a tilted plane", GeometryError,
        ("fit pairs lie in one line", "tilt across it", "choose the vertical shift"),
        in_line, {"vertical_model": "plane"}),
    Bad("mirrored to nothing", GeometryError,
        ("No rotation brings the control points near", "exchanged eastings and northings"),
        lambda: mirrored_square()),
    # Units
    Bad("feet called metres", GeometryError,
        ("times as far apart", "look like feet", "the site unit is the metre", "which foot it is"),
        lambda: each(lambda c: {"easting": c.easting / 0.3048, "northing": c.northing / 0.3048})),
    Bad("feet called metres, scale held", GeometryError, ("look like feet", "which foot"),
        lambda: each(lambda c: {"easting": c.easting / 0.3048, "northing": c.northing / 0.3048}),
        {"horizontal_model": "rigid"}),
    Bad("metres called feet", GeometryError,
        ("times as far apart", "look like metres", "the site unit is the US survey foot",
         'Set site_unit to "m"'), settings={"site_unit": "us-ft"}),
    # Contradictions
    Bad("one control point, two positions", InputError,
        ("pairs.csv, row 3", "Control point C0 has easting", "in row 2", "different ids"),
        lambda: one(control={"id": "C0"})),
    Bad("one observation, two positions", InputError,
        ("pairs.csv, row 3", "Observation G0 has latitude", "in row 2"),
        lambda: one(observation={"id": "G0"})),
    Bad("the same pair twice", InputError, ("are paired in row 2 already", "Take one"),
        lambda: [*pairs(), change(pairs()[0], row=7)]),
    Bad("one observation for two marks", InputError,
        ("Observation G0 is paired with C1 here and with C0 in row 2", "its own mark"),
        lambda: [Pair(p.control, pairs()[0].observation, row=p.row) for p in pairs()[:2]]),
    Bad("a dictionary for a pair", InputError, ("dict is not a Pair", "read_pairs"),
        lambda: [{"control_id": "C1"}]),
    # Frames
    Bad("observation CRS missing", SettingsError,
        ("CRS of the observations is missing", "EPSG:4326"), settings={"observation_crs": " "}),
    Bad("observation CRS unknown", FrameError,
        ("'EPSG:99999' is unknown to PROJ", "such as EPSG:4326"),
        settings={"observation_crs": "EPSG:99999"}),
    Bad("observation CRS that PROJ would guess", FrameError, ("'foo' is unknown to PROJ",),
        settings={"observation_crs": "foo"}),
    Bad("projected observation CRS", FrameError,
        ("ETRS89 / UTM zone 32N (EPSG:25832) is a projected CRS",
         "The geographic CRS under it is ETRS89 (EPSG:4258)"),
        settings={"observation_crs": "EPSG:25832"}),
    Bad("geocentric observation CRS", FrameError, ("is a geocentric CRS", "need a geographic CRS"),
        settings={"observation_crs": "EPSG:4978"}),
    Bad("vertical CRS for the observations", FrameError, ("is a vertical CRS",),
        settings={"observation_crs": "EPSG:5773"}),
    Bad("observation CRS in grads", FrameError, ("not in degrees", "Convert"),
        settings={"observation_crs": "EPSG:4807"}),
    Bad("geographic base", FrameError,
        ("WGS 84 (EPSG:4326) is a geographic CRS, not a projected one", "EPSG:25832"),
        settings={"base_crs": "EPSG:4326"}),
    Bad("unknown base", FrameError, ("base projection 'EPSG:1' is unknown", "such as EPSG:25832"),
        settings={"base_crs": "EPSG:1"}),
    Bad("base of another hemisphere", FrameError,
        ("WGS 84 / Antarctic Polar Stereographic", "point scale", "not made for that place",
         "leave it out"), settings={"base_crs": "EPSG:3031"}),
    Bad("time without an epoch", FrameError,
        ("The operation ITRF2014 to NAD83(2011) (1) + Conus Albers depends on time",
         "the epoch of the observations is not known", "observation_epoch", "2026.35"),
        lambda: pairs(KANSAS), {"base_crs": "EPSG:6350", "observation_crs": "EPSG:7912"}),
    Bad("null operation between named frames", FrameError,
        ("does not change the coordinates, though the frames differ", "datum_operation",
         '"identical"'), lambda: pairs((-34.0, -64.0)),
        {"base_crs": "EPSG:31980", "observation_crs": "EPSG:5340"}),
    Bad("ballpark operation only", FrameError,
        ("no better than a ballpark operation", "EPSG:4258", "+proj=utm", "datum_operation",
         '"identical"'), lambda: pairs(), {"base_crs": "+proj=utm +zone=32 +ellps=bessel",
                          "observation_crs": "EPSG:4258"}),
    Bad("datum operation that is none", FrameError,
        ("'shift it' is neither a PROJ pipeline nor the name", "DHDN to ETRS89"), lambda: pairs(),
        {"base_crs": "EPSG:31468", "observation_crs": "EPSG:4258", "datum_operation": "shift it"}),
    Bad("identical where longitudes are counted otherwise", FrameError,
        ("counts its angles from Paris in grad", "cannot be taken as one frame"),
        lambda: pairs((46.8, 2.3)),
        {"base_crs": "EPSG:27572", "observation_crs": "EPSG:4171",
         "datum_operation": "identical"}),
    Bad("frames named for some only", FrameError,
        ("pairs.csv, row 3, point G1", "Frames are mixed", "EPSG:7912", "column crs"),
        lambda: framed("EPSG:7912", None), {"observation_crs": "EPSG:7912"}),
    Bad("frames mixed through an ensemble", FrameError,
        ("Frames are mixed (EPSG:6319, EPSG:9000)", "a metre or two", "real frame"),
        lambda: framed("EPSG:6319", "EPSG:9000", epochs=(2021.0,))),
    Bad("frame of a row unknown", FrameError,
        ("pairs.csv, row 3, point G1", "'EPSG:88888' is unknown"),
        lambda: framed("EPSG:7912", "EPSG:88888"), {"observation_crs": "EPSG:7912"}),
    Bad("frame of a row projected", FrameError, ("row 3", "is a projected CRS"),
        lambda: framed("EPSG:7912", "EPSG:6350"), {"observation_crs": "EPSG:7912"}),
    Bad("row whose change of frame needs an epoch", FrameError,
        ("row 3", "depends on time"), lambda: framed("EPSG:6319", "EPSG:7912"),
        {"observation_crs": "EPSG:6319"}),
    Bad("epochs mixed", FrameError,
        ("row 3", "Epochs are mixed", "2021.5", "2014", "centimetres a year", "one epoch"),
        lambda: framed("EPSG:7912", epochs=(2014.0, 2021.5)), {"observation_crs": "EPSG:7912"}),
    Bad("epoch of a row against that of the settings", FrameError,
        ("Epochs are mixed", "2014", "2021.5"), lambda: framed(None, epochs=(2014.0,)),
        {"observation_epoch": 2021.5}),
    # Geoids
    Bad("geoid that is not there", FrameError,
        ("The geoid grid 'none.gtx' cannot be opened", ".gtx, .tif"),
        settings={"geoid": "none.gtx"}),
    Bad("geoid that is no grid", FrameError, ("text.gtx' cannot be opened",),
        settings={"geoid": "{folder}/text.gtx"}),
    Bad("geoid that may be missing", FrameError, ("go on without a geoid grid",),
        settings={"geoid": "@none.gtx"}),
    Bad("two geoids in one", FrameError, ("a quotation mark or a comma", "Rename the file"),
        settings={"geoid": "a.gtx,b.gtx"}),
    Bad("geoid that does not cover the site", FrameError,
        ("pairs.csv, row 2, point G0", "far.gtx does not cover latitude 48.", "covers the site",
         "vertical role to idle"), settings={"geoid": "{folder}/far.gtx"}),
    Bad("geoid that does not cover one pair", FrameError,
        ("pairs.csv, row 3, point G1", "covers.gtx does not cover latitude 55."),
        lambda: one(observation={"latitude": 55.0}, horizontal="idle"),
        {"geoid": "{folder}/covers.gtx"}),
    Bad("geoid of a row that is not there", FrameError,
        ("row 2, point G0", "'none.gtx' cannot be opened"),
        lambda: each(observation=lambda o: {"height_kind": "orthometric",
                                            "height_geoid": "none.gtx"})),
    # Places
    Bad("position that cannot be projected", InputError,
        ("pairs.csv, row 3, point G1", "cannot be projected by RGF93", "set both roles to idle"),
        lambda: one(place=(46.8, 2.3), observation={"latitude": -90.0}),
        {"base_crs": "EPSG:2154", "observation_crs": "EPSG:4171"}),
]


@pytest.mark.parametrize("bad", BAD, ids=lambda bad: bad.name)
def test_it_is_refused_with_a_reason_and_a_remedy(bad, folder):
    def run():
        settings = {name: value.format(folder=folder) if isinstance(value, str) else value
                    for name, value in bad.settings.items()}
        solve(bad.pairs(), Settings(**settings))

    with pytest.raises(bad.error) as caught:
        run()
    message = str(caught.value)
    for words in bad.words:
        assert words in message, message
    assert caught.value.remedy.endswith(".")
    assert caught.value.what.endswith(".")


def test_no_two_kinds_share_a_name_and_the_sound_sites_are_sound(folder):
    names = [bad.name for bad in BAD]
    assert len(names) == len(set(names))
    for settings in ({}, {"geoid": str(folder / "covers.gtx")}, {"vertical_model": "plane"},
                     {"base_crs": "EPSG:31468", "observation_crs": "EPSG:4258"}):
        assert solve(pairs(), Settings(**settings)).residuals[0].horizontal.verdict == "fits"
    assert solve(pairs(KANSAS), Settings(base_crs="EPSG:6350", observation_crs="EPSG:7912",
                                         observation_epoch=2021.0)).base.depends_on_time


def test_an_idle_pair_may_be_as_wrong_as_it_likes(folder):
    """What is set aside must not keep the others from being solved."""
    wrong = {"latitude": -90.0}
    for settings, place, roles in (
        ({"base_crs": "EPSG:2154", "observation_crs": "EPSG:4171"}, (46.8, 2.3),
         {"horizontal": "idle", "vertical": "idle"}),
        ({"geoid": str(folder / "covers.gtx")}, MUNICH, {"horizontal": "idle", "vertical": "idle"}),
        ({}, MUNICH, {"horizontal": "idle", "vertical": "idle"}),
    ):
        tie = solve(one(place=place, observation=wrong, **roles), Settings(**settings))
        assert tie.statistics.horizontal.fit_marks == 4
        assert len(tie.id) == 64
        assert tie.residuals[1].horizontal.verdict == "idle"
    lost = solve(one(observation={"height_kind": "orthometric", "latitude": 60.0,
                                  "height_geoid": str(folder / "covers.gtx")},
                     horizontal="idle", vertical="idle"), Settings())
    assert lost.residuals[1].vertical.residual is None
    assert lost.id == solve(lost.pairs, lost.settings).id


@pytest.mark.parametrize(("values", "words"), [
    ({"value": "one"}, "scale value is 'one', not a number"),
    ({"value": float("inf")}, "scale value is inf"),
    ({"value": -1.0}, "A scale of -1.0 is impossible"),
    ({"value": 1.0, "basis": "guess"}, 'scale basis is \'guess\'.*"typed", "unity", "ground"'),
])
def test_a_held_scale_that_is_none_is_refused(values, words):
    with pytest.raises(SettingsError, match=words):
        HeldScale(**values)


def test_errors_say_where_and_keep_what_they_know():
    error = InputError("Wrong.", "Mend it.", row=3)
    assert str(error.at(file="a.csv", row=9, point="C1")) == (
        "a.csv, row 3, point C1: Wrong. Mend it.")
    assert type(error.at(file="a.csv")) is InputError
    again = pickle.loads(pickle.dumps(error.at(file="a.csv")))  # from a process of its own
    assert (type(again), str(again), again.row) == (InputError, "a.csv, row 3: Wrong. Mend it.", 3)
    assert str(InputError("Wrong.")) == "Wrong."
    with pytest.raises(InputError, match="point G: latitude is nan"):
        Observation("G", float("nan"), 1.0)
