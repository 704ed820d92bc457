"""The first line of the dock: what the core says of the pairs, and the way there and on."""

from __future__ import annotations

import html
import re
from typing import Optional

from ...core.errors import SitetieError
from ...core.headline import GOOD, LOOK, Headline, headline
from ...core.pairs import Role
from ...core.tie import Tie
from ...core.wording import counted
from ..job.state import AcceptedTie, JobState
from ..translation import tr
from .pages import LAYERS, PAGE_LINK, SETTINGS

#: Fit pairs each model needs, and what it is called.
MODELS = {
    ("horizontal", "translation"): (1, tr("a translation")),
    ("horizontal", "rigid"): (2, tr("a rigid tie")),
    ("horizontal", "similarity"): (2, tr("a similarity")),
    ("horizontal", "affine"): (3, tr("an affine")),
    ("vertical", "shift"): (1, tr("a shift")),
    ("vertical", "plane"): (3, tr("a tilted plane")),
}
NUMBERS = {1: "one", 2: "two", 3: "three"}
UNITS_FIRST = tr("Say in which unit the site grid is, under {settings}").format(settings=SETTINGS)


def dock_headline(
    state: JobState, tie: Optional[Tie], problem: Optional[SitetieError]
) -> Headline:
    """Say where the job stands and what is worth doing next."""
    if not state.pairs:
        return Headline(tr("No pairs yet."), _first_steps(state), LOOK)
    line = headline(state.pairs, tie, problem)
    if tie is None:
        more = more_marks(state)
        return Headline(f"{counted(len(state.pairs), 'pair')}.", more, LOOK) if more else line
    if not state.units_chosen:
        return Headline(line.standing, tr(
            "{units_first}: until then it is taken for metres.").format(
            units_first=UNITS_FIRST), LOOK)
    same = accepted_as(state, tie)
    if same is not None:
        return Headline(tr(
            "Tie {number}, accepted. {standing}").format(
            number=same.number, standing=line.standing), line.advice, line.tone,
                        line.points)
    advice = line.advice
    if line.tone == GOOD:
        advice += tr(" Look at what the solution says, then accept it.")
    if state.accepted:
        advice += tr(
            " Changed since tie {number} was accepted.").format(number=state.accepted[-1].number)
    return Headline(line.standing, advice, line.tone, line.points)


def accepted_as(state: JobState, tie: Tie) -> Optional[AcceptedTie]:
    """What a tie was accepted as, the latest first; None while it was not."""
    return next((item for item in reversed(state.accepted) if item.tie_id == tie.id), None)


def more_marks(state: JobState) -> str:
    """How many more marks have to be paired before there can be a solution; blank where that is
    not what is missing: roles, say, or heights."""
    models = {"horizontal": state.settings.horizontal_model,
              "vertical": state.settings.vertical_model}
    missing = {}
    for side, model in models.items():
        if model is not None and all(getattr(pair, side) is Role.FIT for pair in state.pairs):
            need, called = MODELS[side, model]
            have = len({pair.control.id for pair in state.pairs})
            missing[need - have] = tr(
                "{called} needs {numbers}").format(called=called, numbers=NUMBERS[need])
    most = max(missing, default=0)
    if most < 1:
        return ""
    more = tr("one more mark") if most == 1 else tr(
        "{numbers} more marks").format(numbers=NUMBERS[most])
    return tr("Pair {more}: {missing}.").format(more=more, missing=missing[most])


def _first_steps(state: JobState) -> str:
    if state.control is None and state.observations is None:
        return (tr(
            "Choose the layer with the control points and the one with the observations under "
            "Layers, or bring in a pair table."))
    if state.control is None:
        return tr("Choose the layer with the control points under Layers.")
    if state.observations is None:
        return tr("Choose the layer with the observations under Layers.")
    if not state.units_chosen:
        return tr("{units_first}. Then pair on the map or by ids.").format(units_first=UNITS_FIRST)
    return tr("Point at a control point and its observation on the map, or pair by ids.")


def headline_html(line: Headline) -> str:
    """The line for a label; points and "see why" are links named after the point."""
    advice = html.escape(line.advice, quote=False)
    for point in line.points:
        name = html.escape(point, quote=False)
        link = f'<a href="{html.escape(point)}">{name}</a>'
        # Not within another word, nor within a link made before.
        found = re.search(rf"(?<![\w>\"]){re.escape(name)}(?![\w<\"])", advice)
        if found is not None:
            advice = advice[:found.start()] + link + advice[found.end():]
    if line.points:
        first = html.escape(line.points[0])
        advice = advice.replace("see why", f'<a href="{first}">see why</a>')
    for page in (LAYERS, SETTINGS):
        advice = advice.replace(f"under {page}", f'under <a href="{PAGE_LINK}{page}">{page}</a>')
    first, dot, rest = html.escape(line.standing, quote=False).partition(". ")
    # A number stays with its unit.
    rest = re.sub(r"(\d) (mm|m|km|ft|ppm)\b", r"\1&nbsp;\2", f"{rest} {advice}")
    return f"<b>{first}{dot}</b>{rest}"
