"""The first line of the dock: what the core says of the pairs, and the way there and on."""

from __future__ import annotations

import html
import re
from typing import Optional

from ...core.errors import SitetieError
from ...core.headline import GOOD, LOOK, Headline, headline
from ...core.tie import Tie
from ..job.state import JobState


def dock_headline(
    state: JobState, tie: Optional[Tie], problem: Optional[SitetieError]
) -> Headline:
    """Say where the job stands and what is worth doing next."""
    if not state.pairs:
        return Headline("No pairs yet.", _first_steps(state), LOOK)
    line = headline(state.pairs, tie, problem)
    if tie is None:
        return line
    same = next((item for item in reversed(state.accepted) if item.tie_id == tie.id), None)
    if same is not None:
        return Headline(f"Tie {same.number}, accepted. {line.standing}", line.advice, line.tone,
                        line.points)
    advice = line.advice
    if line.tone == GOOD:
        advice += " Look at what the solution says, then accept it."
    if state.accepted:
        advice += f" Changed since tie {state.accepted[-1].number} was accepted."
    return Headline(line.standing, advice, line.tone, line.points)


def _first_steps(state: JobState) -> str:
    if state.control is None and state.observations is None:
        return ("Choose the layer with the control points and the one with the observations "
                "under Layers, or bring in a pair table.")
    if state.control is None:
        return "Choose the layer with the control points under Layers."
    if state.observations is None:
        return "Choose the layer with the observations under Layers."
    return "Point at a control point and its observation on the map, or pair by ids."


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
    first, dot, rest = html.escape(line.standing, quote=False).partition(". ")
    return f"<b>{first}{dot}</b>{rest} {advice}"
