"""Control points, observations and pairs as values: plain numbers and text, or refused."""

from __future__ import annotations

import dataclasses
import pickle

import numpy as np
import pytest

from sitetie.core import Control, Observation, Pair, Role
from sitetie.core.errors import InputError


def control(**values):
    return Control(**{"id": "C1", "easting": 10.0, "northing": 20.0, "elevation": 30.0, **values})


def observation(**values):
    return Observation(**{"id": "G1", "latitude": 48.0, "longitude": 11.0, "height": 500.0,
                          **values})


@pytest.mark.parametrize("text", ["fit", "FIT", " fit ", Role.FIT, "check", "Idle"])
def test_roles_are_read_as_people_write_them(text):
    assert Role.parse(text).value == str(getattr(text, "value", text)).strip().lower()


@pytest.mark.parametrize("text", ["", "used", None, 1, "fits"])
def test_other_words_are_no_roles(text):
    with pytest.raises(InputError, match="is not a role. Write fit"):
        Role.parse(text)
    with pytest.raises(InputError, match="is not a role"):
        Pair(control(), observation(), horizontal=text)


NUMBERS = {
    "Control": (control, ["easting", "northing", "elevation", "sigma_h", "sigma_v"]),
    "Observation": (observation, ["latitude", "longitude", "height", "pole", "epoch", "sigma_u"]),
}


@pytest.mark.parametrize(("make", "name"), [
    (make, name) for make, names in NUMBERS.values() for name in names])
@pytest.mark.parametrize("value", [float("nan"), float("inf"), -float("inf"), np.nan, "x", [], {}])
def test_what_is_no_finite_number_is_refused_by_name(make, name, value):
    with pytest.raises(InputError, match=rf"point [CG]1: {name} is ") as caught:
        make(**{name: value})
    assert caught.value.point in ("C1", "G1")


@pytest.mark.parametrize("value", [np.float32(5.5), np.int64(5), 5, "5.5", True])
def test_numbers_of_any_kind_become_floats(value):
    assert type(control(elevation=value).elevation) is float
    assert control(elevation=value).elevation == float(value)


def test_zero_is_a_value_and_blank_is_none():
    nought = control(easting=0, northing=0, elevation=0)
    assert nought.has_position
    assert nought.has_elevation
    assert not control(easting=None, northing=None).has_position
    assert not control(elevation=None).has_elevation
    assert observation(height=0, latitude=0, longitude=0).height == 0.0


def test_ids_and_notes_become_text():
    assert control(id=7).id == "7"
    odd = observation(id=7.0, session=None, note=3, crs="", height_geoid="")
    assert (odd.id, odd.session, odd.note, odd.crs, odd.height_geoid) == ("7.0", "", "3", None,
                                                                         None)
    kept = observation(note=" as written,\n\u00e4 ")
    assert kept.note == " as written,\n\u00e4 "


@pytest.mark.parametrize("make", [control, observation])
def test_a_blank_id_is_refused(make):
    for blank in ("", "  ", None):
        with pytest.raises(InputError, match="blank id"):
            make(id=blank)


def test_half_a_character_is_refused():
    with pytest.raises(InputError, match="note .* holds half a character"):
        observation(note="\ud83d")


REFUSED = [
    (lambda: control(northing=None), "both be given or both be blank"),
    (lambda: control(sigma_h=0.0), "sigma_h is 0.0; a standard deviation must be greater"),
    (lambda: control(sigma_v=-1), "sigma_v is -1"),
    (lambda: observation(latitude=None), "no latitude or no longitude"),
    (lambda: observation(latitude=90.001), "Latitude 90.001 is outside.*look exchanged"),
    (lambda: observation(latitude=200.0), r"Latitude 200.0 is outside -90 to 90 degrees\. Correct"),
    (lambda: observation(longitude=-360.1), "Longitude -360.1 is outside"),
    (lambda: observation(sigma_e=0.01), "sigma_e and sigma_n must both"),
    (lambda: observation(sigma_en=0.01), "sigma_en is given without"),
    (lambda: observation(sigma_e=0.01, sigma_n=0.01, sigma_en=-0.01), "correlation would reach 1"),
    (lambda: observation(sigma_u=0.0), "sigma_u is 0.0"),
    (lambda: observation(height_kind="geoidal"), "height_kind 'geoidal' is unknown"),
    (lambda: observation(height_kind="orthometric"), "without the geoid"),
    (lambda: observation(pole_kind="tilted"), "pole_kind 'tilted' is unknown"),
    (lambda: observation(epoch=20260509), "epoch 20260509.0 is not a decimal year"),
    (lambda: Pair(control(easting=None, northing=None), observation()),
     "Role fit for horizontal, but the control point has no easting"),
    (lambda: Pair(control(elevation=None), observation(), vertical="check"),
     "Role check for vertical, but the control point has no elevation"),
    (lambda: Pair(control(), observation(height=None)), "the observation G1 has no height"),
]


@pytest.mark.parametrize(("make", "words"), REFUSED)
def test_what_contradicts_itself_is_refused(make, words):
    with pytest.raises(InputError, match=words) as caught:
        make()
    assert caught.value.remedy.endswith(".")
    assert caught.value.point


def test_an_idle_side_may_lack_what_it_would_need():
    pair = Pair(control(elevation=None), observation(height=None), vertical="idle")
    assert pair.vertical is Role.IDLE
    assert Pair(control(easting=None, northing=None), observation(), "idle").horizontal is Role.IDLE


def test_a_pair_names_its_place_and_itself():
    with pytest.raises(InputError) as caught:
        Pair(control(), observation(height=None), file="a.csv", row=np.int64(5))
    assert str(caught.value).startswith("a.csv, row 5, point C1: ")
    assert Pair(control(), observation()).name == "C1 = G1"
    assert Pair(control(), observation(id="C1")).name == "C1"


def test_values_are_equal_by_content_and_cannot_be_changed():
    assert control() == control()
    assert control() != control(easting=10.001)
    assert hash(Pair(control(), observation())) == hash(Pair(control(), observation()))
    assert pickle.loads(pickle.dumps(Pair(control(), observation()))) == Pair(control(),
                                                                             observation())
    for thing in (control(), observation(), Pair(control(), observation())):
        with pytest.raises(dataclasses.FrozenInstanceError):
            thing.id = "other"
