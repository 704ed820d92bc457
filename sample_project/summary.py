"""Prints where the results of the sample run lie, and what they say in short.

    python3 sample_project/summary.py FOLDER
"""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Dict, Iterable, List, Optional

import numpy as np
from osgeo import ogr

from sitetie.core import Role, Tie
from sitetie.core.results import DOES_NOT_BELONG, PartStatistics
from sitetie.core.suspects import suspect_sentences
from sitetie.core.wording import counted, length_words

FILES = (
    ("reviewed/report.html", "the report, one file"),
    ("reviewed/report.pdf", "the same to print and sign"),
    ("reviewed/tie.json", "the tie itself"),
    ("reviewed/residuals.gpkg", "residuals as a line layer"),
    ("reviewed/topo_points.gpkg", "topo points with site coordinates and their uncertainty"),
    ("reviewed/design_axis.gpkg", "design axis as latitude, longitude, height"),
    ("as_observed/report.html", "report of the pairs as they came in"),
    ("day_1/topo_points.gpkg", "topo points as the first two pairs had them"),
    ("log.txt", "what QGIS said"),
)


def main() -> None:
    """Print the summary; end with an error when a result is missing."""
    ogr.UseExceptions()
    folder = Path(sys.argv[1])
    missing = [name for name, _ in FILES if not (folder / name).exists()]
    if missing:
        sys.exit(f"Missing in {folder}: {', '.join(missing)}")
    rough, raw, tie = (
        Tie.load(folder / name / "tie.json") for name in ("day_1", "as_observed", "reviewed"))
    before, after = (
        points(folder / name / "topo_points.gpkg") for name in ("day_1", "reviewed"))
    lines = [f"Results in {folder.resolve()}:"]
    lines += [f"  {name:<28}{meaning}" for name, meaning in FILES]
    lines += ["", f"Day 1, tie {rough.short_id}:", *quality(rough)]
    lines += ["", f"Pairs as they came in, tie {raw.short_id}:", *quality(raw), *suspects(raw)]
    lines += ["", f"After review, tie {tie.short_id}:", *quality(tie), *suspects(tie)]
    lines += ["", *restated(after, tie), *moved(before, after, tie)]
    print("\n".join(["", *lines]))


def suspects(tie: Tie) -> List[str]:
    """The pairs whose figures speak against them, worst first, and what is probably wrong."""
    found = []
    for row in tie.residuals:
        for side, part, unit in _sides(tie, row):
            if part.verdict == DOES_NOT_BELONG:
                found.append((part.size or 0.0, f"  {row.control_id} {part.verdict}: "
                              f"{side} residual {length_words(part.size, unit)}"))
    lines = [line for _, line in sorted(found, reverse=True)] or ["  No pair stands out."]
    return lines + [f"  probably: {sentence}"
                    for sentence in suspect_sentences(tie.pairs, tie.settings)]


def quality(tie: Tie) -> List[str]:
    """One line for each part of the tie, and one for each check pair."""
    statistics, lines = tie.statistics, []
    lines += _part("horizontal", statistics.horizontal, tie.settings.horizontal_model,
                   tie.settings.site_length)
    lines += _part("vertical", statistics.vertical, tie.settings.vertical_model,
                   tie.settings.elevation_length)
    for row in tie.residuals:
        for side, part, unit in _sides(tie, row):
            if part.role == Role.CHECK.value and part.size is not None:
                lines.append(
                    f"  check {row.control_id} {side}: off by {length_words(part.size, unit)}, "
                    f"{part.verdict}{_tolerance(part.within_tolerance)}"
                )
    return lines


def _part(side: str, part: Optional[PartStatistics], model: Optional[str], unit) -> List[str]:
    if part is None:
        return []
    text = (f"  {side}: {model}, {counted(part.fit_pairs, 'fit pair')} at "
            f"{counted(part.fit_marks, 'mark')}")
    if part.rms is None:
        return [f"{text}, unchecked: there is nothing to spare"]
    return [f"{text}, RMS {length_words(part.rms, unit)}, sigmas {part.outcome}"]


def _sides(tie: Tie, row) -> Iterable[tuple]:
    yield "horizontal", row.horizontal, tie.settings.site_length
    yield "vertical", row.vertical, tie.settings.elevation_length


def _tolerance(within: Optional[bool]) -> str:
    return {None: "", True: ", within tolerance", False: ", OUT OF TOLERANCE"}[within]


def points(path: Path) -> Dict[str, dict]:
    """Attributes of restated points, by id."""
    source = ogr.Open(str(path))
    return {values["id"]: values for values in (
        feature.items() for feature in source.GetLayer(0))}


def restated(found: Dict[str, dict], tie: Tie) -> List[str]:
    """How many points were restated, and how well they are known."""
    outside = sum(not values["site_in"] for values in found.values())
    worst_h = max(max(values["site_se"], values["site_sn"]) for values in found.values())
    worst_v = max(values["site_sz"] for values in found.values())
    return [
        f"{len(found)} topo points restated, {outside} of them outside the control.",
        f"Largest standard deviation {length_words(worst_h, tie.settings.site_length)} per "
        f"horizontal axis, {length_words(worst_v, tie.settings.elevation_length)} in elevation.",
    ]


def moved(before: Dict[str, dict], after: Dict[str, dict], tie: Tie) -> List[str]:
    """How far the points moved from one tie to another."""
    names = sorted(before)
    change = np.array([[after[name][axis] - before[name][axis]
                        for axis in ("site_e", "site_n", "site_z")] for name in names])
    flat, up = np.hypot(change[:, 0], change[:, 1]), np.abs(change[:, 2])
    far, high = int(np.argmax(flat)), int(np.argmax(up))
    plane, level = tie.settings.site_length, tie.settings.elevation_length
    return [
        f"From the tie of day 1 to this one they moved {length_words(np.median(flat), plane)} "
        f"(median) and at most {length_words(flat[far], plane)} ({names[far]}) horizontally,",
        f"{length_words(np.median(up), level)} and at most {length_words(up[high], level)} "
        f"({names[high]}) in elevation.",
    ]


if __name__ == "__main__":
    main()
