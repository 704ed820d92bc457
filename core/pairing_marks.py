"""Control points and observations paired by geometry: on one plane, repeated shots taken as one."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Iterable, List, Optional, Sequence, Tuple

import numpy as np

from .errors import InputError
from .nearby import control_positions
from .one_frame import positions_in_one_frame
from .pairing import GeometryPairing, Progress, Transform, pair_by_geometry
from .pairs import Control, Observation, Pair, Role
from .settings import Settings
from .solve import freeze_base
from .wording import counted, listed, signed

#: Observations within this distance (metres) are shots of one mark: common practice, no source.
SHOTS_WITHIN = 0.1


@dataclass(frozen=True)
class MarkPair:
    """A control point and an observation, as places in the lists given.

    Attributes
    ----------
    control, observation : int
    distance : float
        Metres, between the control point and where the observation is laid.
    confidence : float
        Probability that the pair is none by chance; NaN in a rival.
    """

    control: int
    observation: int
    distance: float
    confidence: float = math.nan


@dataclass(frozen=True)
class MarkPairing:
    """What geometry says of control points and observations.

    Attributes
    ----------
    found : GeometryPairing
        Its indices are those of the marks that took part, not of the lists given.
    pairs : tuple of MarkPair
        Empty when nothing is believed or it is ambiguous.
    rivals : tuple of tuple of MarkPair
        In the order of ``found.rivals``.
    doubtful : tuple of MarkPair
        Would fit, but may be a chance meeting.
    left_out : tuple of str
        Ids of the control points that have no position.
    """

    found: GeometryPairing
    pairs: Tuple[MarkPair, ...]
    rivals: Tuple[Tuple[MarkPair, ...], ...]
    doubtful: Tuple[MarkPair, ...]
    left_out: Tuple[str, ...]


def pair_marks_by_geometry(
    control: Sequence[Control],
    observations: Sequence[Observation],
    settings: Settings,
    *,
    names_as_hints: bool = True,
    known: Sequence[Tuple[int, int]] = (),
    free_scale: bool = False,
    noise: Optional[float] = None,
    shots_within: float = SHOTS_WITHIN,
    progress: Optional[Progress] = None,
) -> MarkPairing:
    """Pair control points with observations by their geometry; see `pair_by_geometry`.

    The observations are laid on the base projection of the settings, or on a local one where
    there is none yet; the control is taken in the unit of the settings.

    Parameters
    ----------
    names_as_hints : bool
        Whether equal ids may decide between pairings that are equally good.
    known : sequence of (control, observation)
        Pairs made already, by their places in the lists: they decide as equal ids do.
    shots_within : float
        Observations within this distance, metres, are shots of one mark; all of them are paired.

    Raises
    ------
    InputError, FrameError, Cancelled
    """
    places = control_positions(control)
    usable = np.flatnonzero(np.isfinite(places).all(axis=1))
    _refuse_same_place(control, places, usable)
    groups, middles = _marks(_on_plane(observations, settings), shots_within)
    control_names, observed_names = _names(
        control, observations, usable, groups, names_as_hints, known)
    placed = places[usable] * settings.site_length.metres
    found = pair_by_geometry(
        placed, middles, free_scale=free_scale, noise=noise, progress=progress,
        control_names=control_names, observed_names=observed_names,
    )

    def expanded(
        pairs: np.ndarray, transform: Optional[Transform], sure: Iterable[float]
    ) -> Tuple[MarkPair, ...]:
        if transform is None:
            return ()
        laid = transform.apply(middles)
        return tuple(
            MarkPair(int(usable[c]), shot, float(np.hypot(*(placed[c] - laid[o]))), float(p))
            for (c, o), p in zip(pairs, sure) for shot in groups[o]
        )

    return MarkPairing(
        found, expanded(found.pairs, found.transform, found.pair_confidence),
        tuple(expanded(rival.pairs, rival.transform, [math.nan] * rival.count)
              for rival in found.rivals),
        expanded(found.doubtful, found.transform, [math.nan] * len(found.doubtful)),
        tuple(point.id for point in control if not point.has_position),
    )


def _names(
    control: Sequence[Control], observations: Sequence[Observation], usable: np.ndarray,
    groups: Sequence[Sequence[int]], ids: bool, known: Sequence[Tuple[int, int]],
) -> Tuple[List[str], List[str]]:
    """Names of the points: ids where they may be used, and one of their own for known pairs."""
    of_control = {i: control[i].id if ids else "" for i in usable.tolist()}
    of_groups = [observations[group[0]].id if ids else "" for group in groups]
    for number, (point, shot) in enumerate(known):
        for place, group in enumerate(groups):
            if shot in group and point in of_control:
                of_control[point] = of_groups[place] = f"\0{number}"
    return list(of_control.values()), of_groups


def _on_plane(observations: Sequence[Observation], settings: Settings) -> np.ndarray:
    """(m, 2) easting, northing on the base projection, metres; NaN where there is none."""
    if not observations:
        return np.zeros((0, 2))
    # Only pairs carry observations through the change of frame; their control plays no part.
    pairs = [Pair(Control(item.id, 0.0, 0.0), item, Role.FIT, Role.IDLE) for item in observations]
    settings, base = freeze_base(pairs, settings)
    latitude, longitude, height = positions_in_one_frame(pairs, settings)
    return np.stack(base.to_base(latitude, longitude, np.nan_to_num(height)), axis=-1)


def _refuse_same_place(
    control: Sequence[Control], places: np.ndarray, usable: np.ndarray
) -> None:
    seen: dict = {}
    for i in usable.tolist():
        first = seen.setdefault(tuple(places[i]), i)
        if first != i:
            raise InputError(
                f"The control points {control[first].id} and {control[i].id} are at the same "
                "place, so geometry cannot tell them apart.", "Leave one of them out.",
            )


def _marks(points: np.ndarray, within: float) -> Tuple[List[List[int]], np.ndarray]:
    """Observations in groups of shots of one mark, and the middle of each group."""
    if not (math.isfinite(within) and within >= 0.0):
        raise InputError(f"The distance of repeated shots is {within}.",
                         "Give metres, 0 or more.")
    usable = np.flatnonzero(np.isfinite(points).all(axis=1))
    order = usable[np.argsort(points[usable, 0], kind="stable")]
    root = np.arange(len(points))
    for place, i in enumerate(order):
        for j in order[place + 1:]:
            if points[j, 0] - points[i, 0] > within:
                break
            if np.hypot(*(points[j] - points[i])) <= within:
                root[root == root[j]] = root[i]
    groups: dict = {}
    for i in usable.tolist():
        groups.setdefault(int(root[i]), []).append(i)
    members = list(groups.values())
    return members, np.array([points[group].mean(axis=0) for group in members]).reshape(-1, 2)


def rival_lines(
    pairing: MarkPairing, control: Sequence[Control], observations: Sequence[Observation],
    most: int = 8,
) -> List[str]:
    """The pairings in question, a numbered line for each."""
    lines = []
    for number, (answer, pairs) in enumerate(zip(pairing.found.rivals, pairing.rivals), 1):
        names = listed((f"{control[pair.control].id} = {observations[pair.observation].id}"
                        for pair in pairs), most=most)
        lines.append(
            f"{number}: {counted(answer.count, 'mark')}, misfit {answer.rms:.3f} m, "
            f"rotation {signed(answer.transform.rotation, 1)}°, scale {answer.transform.scale:.6f}"
            f"{', mirrored' if answer.transform.mirrored else ''}, "
            f"probability {100.0 * answer.probability:.1f} %: {names}")
    return lines
