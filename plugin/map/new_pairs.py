"""Pairs as the map side makes them, handed to the job."""

from __future__ import annotations

import dataclasses
from typing import Sequence

from ...core.pairs import Control, Observation, Pair, Role
from ..job.job import Job


def new_pair(control: Control, observation: Observation) -> Pair:
    """A pair that fits on each side where both have something to fit."""
    return Pair(
        control, observation,
        Role.FIT if control.has_position else Role.IDLE,
        Role.FIT if control.has_elevation and observation.height is not None else Role.IDLE,
    )


def add_pairs(job: Job, pairs: Sequence[Pair]) -> None:
    """Add pairs to the job, as one step.

    Where only some observations name their frame, the others get the name of the job's, which
    is theirs: the core takes no mixture of named and unnamed ones.

    Raises
    ------
    InputError
        When an observation is paired already.
    """
    state = job.state
    known = {pair.observation.crs is None for pair in (*state.pairs, *pairs)}
    if len(known) < 2:
        job.add_pairs(pairs)
        return
    frame = state.settings.observation_crs
    words = f"Pair {pairs[0].name}" if len(pairs) == 1 else f"Add {len(pairs)} pairs"
    named = state.replace(pairs=tuple(with_frame(pair, frame) for pair in state.pairs))
    job.change(words, named.with_pairs(with_frame(pair, frame) for pair in pairs))


def with_frame(pair: Pair, frame: str) -> Pair:
    """The pair with a frame named, where its observation names none."""
    if pair.observation.crs is not None:
        return pair
    return dataclasses.replace(
        pair, observation=dataclasses.replace(pair.observation, crs=frame))
