"""Tie files: what is saved comes back to the last digit, and a damaged file is never believed."""

from __future__ import annotations

import json
import os
from pathlib import Path

import jsonschema
import numpy as np
import pytest

from sitetie.core import HeldScale, Settings, Tie, solve, tie_file
from sitetie.core.errors import OutputError, TieFileError
from sitetie.tests.core.sites import change, points, random_site, shifted, write_geoid

SCHEMA = Path(tie_file.__file__).with_name("tie.schema.json")
MUNICH, KANSAS = (48.1, 11.5), (39.1, -95.5)


def plain(**kinds):
    site = random_site(1, marks=6, checks=1, idle=1, **kinds)
    return site.pairs, site.settings


def default_base():
    pairs, settings = plain()
    return pairs, settings.replace(base_crs=None)


def with_repeats():
    pairs, settings = plain(tolerance_h=0.03)
    again = [change(p, observation={"id": f"{p.observation.id} again",
                                    "height": p.observation.height + 0.004,
                                    "session": "day 2, \u00fc \u6e2c \"quoted\""})
             for p in pairs[:2]]
    wrong = shifted(pairs[2], east=0.4)
    return [*pairs[:2], wrong, *pairs[3:], *again], settings


def in_two_frames():
    site = random_site(1, marks=6, place=KANSAS, observation_crs="EPSG:6319")
    return [change(p, observation={"crs": crs, "epoch": 2021.5}, row=i + 2, file="pairs.csv")
            for i, (p, crs) in enumerate(zip(site.pairs, ["EPSG:6319", "EPSG:7912"] * 3))
            ], site.settings.replace(base_crs=None)


def orthometric(geoid):
    pairs, settings = plain(place=MUNICH)
    return [change(p, observation={"height_kind": "orthometric", "height_geoid": geoid})
            for p in pairs], settings


CASES = {
    "local plane, chosen": lambda _: default_base(),
    "feet, plane, held scale": lambda _: plain(
        site_unit="us-ft", elevation_unit="ft", vertical_model="plane",
        scale=HeldScale(1.0, 1e-5, "ground")),
    "horizontal only, rigid": lambda _: plain(vertical_model=None, horizontal_model="rigid"),
    "affine, estimated": lambda _: plain(horizontal_model="affine", sigma_basis="estimated"),
    "datum operation and geoid": lambda geoid: plain(
        place=MUNICH, base_crs="EPSG:31468", observation_crs="EPSG:4258", geoid=geoid,
        datum_operation="DHDN to ETRS89 (2)"),
    "datum operation left to PROJ": lambda _: plain(
        place=MUNICH, base_crs="EPSG:31468", observation_crs="EPSG:4258"),
    "null operation of an ensemble": lambda _: plain(place=MUNICH, base_crs="EPSG:25832"),
    "identical, as the settings say": lambda _: plain(
        place=MUNICH, base_crs="EPSG:31468", observation_crs="EPSG:4258",
        datum_operation="identical"),
    "epoch": lambda _: plain(place=KANSAS, base_crs="EPSG:6350", observation_crs="EPSG:7912",
                             observation_epoch=2021),
    "repeats, a blunder, tolerances": lambda _: with_repeats(),
    "frames row by row": lambda _: in_two_frames(),
    "orthometric heights": orthometric,
}


@pytest.fixture(scope="module")
def geoid(tmp_path_factory):
    return write_geoid(tmp_path_factory.mktemp("geoid") / "geoid.gtx")


@pytest.fixture(scope="module")
def saved(tmp_path_factory):
    """A tie with something of everything, its path and its bytes."""
    tie = solve(*with_repeats())
    path = tmp_path_factory.mktemp("tie") / "tie.json"
    tie.save(path)
    return tie, path, path.read_bytes()


# -- the same again ----------------------------------------------------------------------------


@pytest.mark.parametrize("case", list(CASES))
def test_saved_loaded_and_solved_again_it_is_the_same_to_the_last_digit(case, geoid, tmp_path):
    pairs, settings = CASES[case](geoid)
    tie = solve(pairs, settings)
    path = tmp_path / "tie.json"
    tie.save(path)
    loaded = Tie.load(path)
    assert loaded == tie
    assert loaded.id == tie.id == json.loads(path.read_text("utf-8"))["id"]
    again = solve(loaded.pairs, loaded.settings)
    assert again == tie
    assert again.id == tie.id
    site = random_site(1, place=(pairs[0].observation.latitude, pairs[0].observation.longitude))
    where = points(site, 20, reach=0.5)
    np.testing.assert_array_equal(again.to_site(*where), tie.to_site(*where))
    np.testing.assert_array_equal(loaded.covariance(*where), tie.covariance(*where))
    jsonschema.Draft202012Validator(tie_file.json_schema()).validate(
        json.loads(path.read_text("utf-8")))


def test_the_id_is_of_the_content():
    site = random_site(2)
    tie = solve(site.pairs, site.settings)
    assert solve(site.pairs, site.settings).id == tie.id
    assert solve([*site.pairs[1:], site.pairs[0]], site.settings).id != tie.id
    assert solve(site.pairs, site.settings.replace(power=0.9)).id != tie.id
    noted = [change(site.pairs[0], observation={"note": "shaded"}), *site.pairs[1:]]
    assert solve(noted, site.settings).id != tie.id
    assert tie.short_id == tie.id[:8]


def test_what_people_pass_in_can_be_saved_and_loaded(tmp_path):
    """Ids as numbers, paths as paths, numpy's numbers: a tie holds plain values of them."""
    site = random_site(3, place=MUNICH)
    geoid = Path(write_geoid(tmp_path / "geoid.gtx"))
    pairs = [change(p, control={"id": i, "sigma_h": np.float32(0.005)},
                    observation={"id": 100 + i, "session": None, "note": 5, "pole": 2,
                                 "epoch": np.int64(2021)},
                    row=np.int64(i), file=tmp_path / "pairs.csv")
             for i, p in enumerate(site.pairs)]
    tie = solve(pairs, site.settings.replace(geoid=geoid, tolerance_h=1, scale=(1, 0)))
    tie.save(tmp_path / "tie.json")
    assert Tie.load(tmp_path / "tie.json") == tie
    assert tie.residuals["3"].observation_id == "103"


# -- the schema --------------------------------------------------------------------------------


def test_the_schema_in_the_repository_is_that_of_the_code():
    """To write it anew:

    python -c "import json; from sitetie.core.tie_file import json_schema as s;
    print(json.dumps(s(), indent=1))" > core/tie.schema.json
    """
    assert json.loads(SCHEMA.read_text("utf-8")) == tie_file.json_schema()
    jsonschema.Draft202012Validator.check_schema(tie_file.json_schema())


@pytest.mark.parametrize("spoil", [
    lambda d: d.pop("id"),
    lambda d: d.update(schema_version=tie_file.SCHEMA_VERSION + 1),
    lambda d: d.update(extra=1),
    lambda d: d["tie"].pop("pairs"),
    lambda d: d["tie"].update(extra=1),
    lambda d: d["tie"]["pairs"][0].update(horizontal="fits"),
    lambda d: d["tie"]["settings"].update(confidence="0.95"),
    lambda d: d["tie"]["horizontal"].update(centroid=[1.0]),
    lambda d: d["tie"]["pairs"][0]["control"].update(id=5),
])
def test_what_the_schema_refuses_the_reader_refuses(spoil, saved):
    document = json.loads(saved[2])
    jsonschema.Draft202012Validator(tie_file.json_schema()).validate(document)
    spoil(document)
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.Draft202012Validator(tie_file.json_schema()).validate(document)
    with pytest.raises(TieFileError):
        tie_file.loads(json.dumps(document).encode())


# -- damage ------------------------------------------------------------------------------------


def test_a_flipped_bit_anywhere_is_found_or_changes_nothing(saved):
    tie, _, data = saved
    draw = np.random.default_rng(1)
    found = 0
    for position in draw.choice(len(data), 400, replace=False):
        damaged = bytearray(data)
        damaged[position] ^= 1 << draw.integers(8)
        try:
            read = tie_file.loads(bytes(damaged))
        except TieFileError:
            found += 1
        else:
            assert read == tie  # one blank became another, or 1e-5 became 1E-5
    assert found > 200


def test_a_file_cut_short_anywhere_is_found(saved):
    tie, _, data = saved
    for length in np.linspace(0, len(data) - 3, 80).astype(int):
        with pytest.raises(TieFileError):
            tie_file.loads(data[:length])
    assert tie_file.loads(data.rstrip()) == tie


@pytest.mark.parametrize("number", ["1e999", "-1e999", "NaN", "Infinity", "1" + "0" * 400,
                                    "1" + "0" * 5000, '"1"', "true", "[]", "{}"])
def test_a_number_that_is_none_is_found(number, saved):
    text = saved[2].decode()
    spoilt = text.replace('"accuracy_h": null', f'"accuracy_h": {number}')
    assert spoilt != text
    with pytest.raises(TieFileError):
        tie_file.loads(spoilt.encode())


def changed(saved, place, value):
    document = json.loads(saved[2])
    *path, last = place
    inside = document
    for step in path:
        inside = inside[step]
    inside[last] = value
    return json.dumps(document).encode()


def without(saved, *place):
    document = json.loads(saved[2])
    *path, last = place
    inside = document
    for step in path:
        inside = inside[step]
    del inside[last]
    return json.dumps(document).encode()


DAMAGED = {
    "empty": (lambda s: b"", ("not a readable JSON file", "undamaged copy")),
    "not JSON": (lambda s: b"E,N\n1,2\n", ("not a readable JSON file",)),
    "not text": (lambda s: b"\x89PNG\r\n\x1a\n\x00", ("not a readable JSON file",)),
    "UTF-16": (lambda s: s[2].decode().encode("utf-16"), ("not a readable JSON file",)),
    "nested without end": (lambda s: b"[" * 200_000, ("not a readable JSON file",)),
    "another program's JSON": (lambda s: b'{"type": "FeatureCollection"}',
                               ("not a Sitetie tie", "saved by Sitetie")),
    "a list": (lambda s: b"[1, 2]", ("not a Sitetie tie",)),
    "newer": (lambda s: changed(s, ["schema_version"], 99),
              ("schema version 99", f"reads up to {tie_file.SCHEMA_VERSION}", "Update Sitetie")),
    "no version": (lambda s: without(s, "schema_version"), ("no schema_version",)),
    "odd version": (lambda s: changed(s, ["schema_version"], "1"), ("no schema_version",)),
    "edited number": (lambda s: changed(s, ["tie", "pairs", 0, "control", "easting"], 1.0),
                      ("does not match its own id", "damaged or edited", "solve the tie again")),
    "edited text": (lambda s: changed(s, ["tie", "pairs", 0, "observation", "note"], "good"),
                    ("does not match its own id",)),
    "edited id": (lambda s: changed(s, ["id"], "0" * 64), ("does not match its own id",)),
    "no id": (lambda s: without(s, "id"), ("missing or unknown entries: id",)),
    "no tie": (lambda s: without(s, "tie"), ("missing or unknown entries: tie",)),
    "entry missing": (lambda s: without(s, "tie", "base", "pipeline"),
                      ("tie.base has missing or unknown entries: pipeline",)),
    "entry too many": (lambda s: changed(s, ["tie", "base", "colour"], "red"),
                       ("tie.base has missing or unknown entries: colour",)),
    "wrong kind of value": (lambda s: changed(s, ["tie", "horizontal", "centroid"], "here"),
                            ("tie.horizontal.centroid holds 'here'",)),
    "text for an object": (lambda s: changed(s, ["tie", "base"], "UTM"),
                           ("tie.base holds 'UTM'",)),
    "list too short": (lambda s: changed(s, ["tie", "horizontal", "centroid"], [1.0]),
                       ("tie.horizontal.centroid holds",)),
    "unknown role": (lambda s: changed(s, ["tie", "pairs", 2, "vertical"], "used"),
                     ("tie.pairs[2].vertical holds 'used'",)),
    "impossible latitude": (
        lambda s: changed(s, ["tie", "pairs", 1, "observation", "latitude"], 95.0),
        ("tie.pairs[1].observation", "Latitude 95.0")),
    "impossible setting": (lambda s: changed(s, ["tie", "settings", "power"], 2.0),
                           ("tie.settings", "power is 2.0")),
}


@pytest.mark.parametrize("kind", list(DAMAGED))
def test_a_damaged_or_foreign_file_is_refused_with_a_reason(kind, saved, tmp_path):
    make, words = DAMAGED[kind]
    path = tmp_path / "some tie.json"
    path.write_bytes(make(saved))
    before = path.read_bytes()
    with pytest.raises(TieFileError) as caught:
        Tie.load(path)
    message = str(caught.value)
    assert message.startswith(f"{path}: ")
    for word in words:
        assert word in message
    assert caught.value.remedy.endswith(".")
    assert path.read_bytes() == before


def test_a_file_that_is_not_there_or_is_a_folder_is_refused(tmp_path):
    for path in (tmp_path / "none.json", tmp_path, tmp_path / "none.json" / "tie.json"):
        with pytest.raises(TieFileError, match="cannot be read"):
            Tie.load(path)


def test_files_of_an_older_format_are_brought_up_to_date(saved, monkeypatch):
    def upgrade(content):
        return {**content, "source": "from the old format"}

    newer = tie_file.SCHEMA_VERSION
    monkeypatch.setattr(tie_file, "SCHEMA_VERSION", newer + 1)
    monkeypatch.setitem(tie_file._UPGRADES, newer, upgrade)
    tie = tie_file.loads(saved[2])
    assert tie.source == "from the old format"
    assert tie.horizontal == saved[0].horizontal


def test_a_file_of_the_first_version_is_the_same_tie(saved):
    """It has no corrections and no given values; those are left out of later files too."""
    tie, _, data = saved
    assert b"corrections" not in data
    assert b"given_control" not in data
    old = data.replace(b'"schema_version": 2', b'"schema_version": 1')
    assert old != data
    assert tie_file.loads(old) == tie
    with pytest.raises(TieFileError, match="damaged or edited"):
        tie_file.loads(old.replace(b'"note": ""', b'"note": "edited"', 1))


# -- writing -----------------------------------------------------------------------------------


def test_a_place_that_cannot_be_written_is_refused_and_nothing_is_touched(saved, tmp_path):
    tie = saved[0]
    (tmp_path / "folder").mkdir()
    (tmp_path / "file").write_text("kept")
    for path in (tmp_path / "none" / "tie.json", tmp_path / "folder",
                 tmp_path / "file" / "tie.json", "/proc/tie.json"):
        with pytest.raises(OutputError) as caught:
            tie.save(path)
        assert str(path) in str(caught.value)
        assert caught.value.remedy
    assert sorted(p.name for p in tmp_path.iterdir()) == ["file", "folder"]
    assert (tmp_path / "file").read_text() == "kept"


def test_a_crash_while_writing_leaves_the_last_good_file(saved, tmp_path, monkeypatch):
    tie, _, data = saved
    path = tmp_path / "tie.json"
    tie.save(path)
    other = solve(tie.pairs, Settings(vertical_model=None))

    def full(*_):
        raise OSError(28, "No space left on device")

    for name in ("replace", "fsync"):
        with monkeypatch.context() as patch:
            patch.setattr(os, name, full)
            with pytest.raises(OutputError, match="No space left on device"):
                other.save(path)
        assert path.read_bytes() == data
        assert list(tmp_path.iterdir()) == [path]
    other.save(path)
    assert Tie.load(path) == other
