"""One progress bar for the steps of an algorithm, and the wish to stop."""

from __future__ import annotations

from typing import Callable

from qgis.core import QgsProcessingFeedback

from .algorithm import stop_if_cancelled


def part(
    feedback: QgsProcessingFeedback, start: float, end: float
) -> Callable[[float], None]:
    """What a step calls with its share done, 0 to 1; it raises Cancelled to stop.

    Parameters
    ----------
    start, end : float
        Where the step begins and ends on the whole bar, percent.
    """

    def told(share: float) -> None:
        stop_if_cancelled(feedback)
        feedback.setProgress(start + (end - start) * share)

    return told
