"""The first line of the dock: first steps, links, and what was accepted."""

from __future__ import annotations

from typing import List

import pytest

from sitetie.core.headline import LOOK, STOP, Headline
from sitetie.plugin.dock.headline import dock_headline, headline_html
from sitetie.plugin.job.job import Job
from sitetie.plugin.job.state import JobState, LayerSource

from .dock_bench import choose_settings, quarry_pairs, quarry_settings

LAYER = LayerSource("id", "Layer", "uri", "ogr")


@pytest.mark.parametrize(
    ("state", "said"),
    [
        (JobState(), "Choose the layer with the control points and the one with the observations"),
        (JobState(observations=LAYER), "Choose the layer with the control points under Layers."),
        (JobState(control=LAYER), "Choose the layer with the observations under Layers."),
        (JobState(control=LAYER, observations=LAYER), "Say in which unit the site grid is, under"),
        (JobState(control=LAYER, observations=LAYER, units_chosen=True),
         "Point at a control point and its"),
    ],
)
def test_first_steps(state: JobState, said: str) -> None:
    assert dock_headline(state, None, None).text.startswith(f"No pairs yet. {said}")


@pytest.mark.parametrize(
    ("model", "vertical", "given", "said"),
    [
        ("similarity", "shift", ["K01"], "Pair one more mark: a similarity needs two."),
        ("similarity", "shift", ["K01", "K01"], "Pair one more mark: a similarity needs two."),
        ("affine", "shift", ["K01"], "Pair two more marks: an affine needs three."),
        ("translation", "plane", ["K01", "K02"],
         "Pair one more mark: a tilted plane needs three."),
        # K04 has no elevation: no further mark would help.
        ("translation", "shift", ["K04"], "No pair has the vertical role fit"),
    ],
)
def test_too_few_marks_are_no_alarm(
    qgis_app, model: str, vertical: str, given: List[str], said: str
) -> None:
    pool = quarry_pairs()
    job = Job()
    choose_settings(job, quarry_settings().replace(horizontal_model=model,
                                                   vertical_model=vertical))
    for name in given:
        job.add_pairs([next(pair for pair in pool if pair.control.id == name)])
        pool = [pair for pair in pool if pair not in job.state.pairs]
    line = dock_headline(job.state, job.tie, job.problem)
    assert line.advice.startswith(said)
    assert line.tone == (STOP if said.startswith("No pair") else LOOK)


def test_the_unit_comes_before_the_figures(qgis_app) -> None:
    job = Job()
    job.change("pairs", job.state.replace(
        pairs=tuple(quarry_pairs()), settings=quarry_settings()))
    line = dock_headline(job.state, job.tie, job.problem)
    assert line.advice == ("Say in which unit the site grid is, under Site settings: until then it "
                           "is taken for metres.")
    assert '<a href="page:Site settings">Site settings</a>' in headline_html(line)
    choose_settings(job, job.state.settings)
    assert "do not belong" in dock_headline(job.state, job.tie, job.problem).advice


def test_from_a_sound_tie_to_an_accepted_and_a_changed_one(qgis_app) -> None:
    job = Job()
    choose_settings(job, quarry_settings())
    job.add_pairs(quarry_pairs("pairs_reviewed"))

    def line() -> Headline:
        return dock_headline(job.state, job.tie, job.problem)

    assert line().advice == (
        "Nothing speaks against it. Look at what the solution says, then accept it.")
    job.accept("A. Surveyor", "")
    assert line().standing.startswith("Tie 1, accepted. 14 pairs fit")
    job.set_settings(job.state.settings.replace(confidence=0.9))
    assert line().advice.endswith("Changed since tie 1 was accepted.")
    job.undo_stack.undo()
    assert line().standing.startswith("Tie 1, accepted.")


@pytest.mark.parametrize(
    ("points", "advice", "html"),
    [
        (("K8",), "K8 does not belong: see why.",
         '<a href="K8">K8</a> does not belong: <a href="K8">see why</a>.'),
        (("K8", "K80"), "K80 and K8 do not belong: see why.",
         '<a href="K80">K80</a> and <a href="K8">K8</a> do not belong: <a href="K8">see why</a>.'),
        (("a<b",), "a<b is out of tolerance: see why.",
         '<a href="a&lt;b">a&lt;b</a> is out of tolerance: <a href="a&lt;b">see why</a>.'),
        ((), "Add a pair & look.", "Add a pair &amp; look."),
    ],
)
def test_points_are_links(points, advice: str, html: str) -> None:
    line = Headline("5 pairs fit. RMS 9 mm.", advice, LOOK, points)
    assert headline_html(line) == f"<b>5 pairs fit. </b>RMS 9&nbsp;mm. {html}"
