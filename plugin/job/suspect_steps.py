"""Suspects put right in a job, and corrections taken back, as states. No Qt in here."""

from __future__ import annotations

from datetime import datetime, timezone
from typing import Optional

from ...core.corrections import signed, without_correction
from ...core.pairs import Correction
from ...core.suspect_preview import put_right
from ...core.suspects import Suspect
from .state import JobState


def with_suspect_put_right(
    state: JobState, suspect: Suspect, by: str, unit: Optional[str] = None
) -> JobState:
    """The state with a suspect of its own pairs put right.

    Parameters
    ----------
    by : str
        Who says so; written into the corrections with the time.
    unit : str, optional
        The foot that was chosen, where the suspect says that the control is in feet.
    """
    pairs, settings = put_right(state.pairs, state.settings, suspect)
    if suspect.settings is not None:
        if unit is not None:
            settings = settings.replace(site_unit=unit, elevation_unit=(
                unit if settings.elevation_unit == settings.site_unit
                else settings.elevation_unit))
        said = settings.site_unit != state.settings.site_unit
        return state.replace(settings=settings, units_chosen=state.units_chosen or said)
    now = datetime.now(timezone.utc).strftime("%Y-%m-%dT%H:%M:%SZ")
    return state.replace(pairs=tuple(signed(pair, by, now) for pair in pairs))


def without_the_correction(state: JobState, correction: Correction) -> JobState:
    """The state with a correction taken back, on every pair that has it: what several pairs share
    was corrected on all of them."""
    pairs = []
    for pair in state.pairs:
        while correction in pair.corrections:
            pair = without_correction(pair, pair.corrections.index(correction))
        pairs.append(pair)
    return state.replace(pairs=tuple(pairs))
