"""Prints where the results of the sample run lie, and what they say in short.

    python3 sample_project/summary.py FOLDER
"""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Iterable, List, Optional

from osgeo import ogr

from sitetie.core import Role, Tie
from sitetie.core.results import PartStatistics

FILES = (
    ("report.html", "the report, one file"),
    ("report.pdf", "the same to print and sign"),
    ("tie.json", "the tie itself"),
    ("residuals.gpkg", "residuals as a line layer"),
    ("topo_points_restated.gpkg", "topo points with site coordinates and their uncertainty"),
    ("design_axis_geodetic.gpkg", "design axis as latitude, longitude, height"),
    ("first_look", "tie and report of the pairs as they came in"),
    ("log.txt", "what QGIS said"),
)


def main() -> None:
    """Print the summary; end with an error when a result is missing."""
    ogr.UseExceptions()
    folder = Path(sys.argv[1])
    missing = [name for name, _ in FILES if not (folder / name).exists()]
    if missing:
        sys.exit(f"Missing in {folder}: {', '.join(missing)}")
    lines = ["", f"Results in {folder}:"]
    lines += [f"  {name:<28}{meaning}" for name, meaning in FILES]
    first, tie = (Tie.load(folder / name) for name in ("first_look/tie.json", "tie.json"))
    lines += ["", "First look at the pairs as they came in:", *suspects(first)]
    lines += ["", f"Tie {tie.short_id} of the reviewed pairs:", *quality(tie)]
    lines += ["", *restated(folder / "topo_points_restated.gpkg", tie)]
    print("\n".join(lines))


def suspects(tie: Tie) -> List[str]:
    """The pairs whose figures speak against them, worst first."""
    found = []
    for row in tie.residuals:
        for side, part, unit in _sides(tie, row):
            if part.verdict == "does not belong":
                found.append((part.size or 0.0, f"  {row.control_id} {side}: residual "
                              f"{part.size:.3f} {unit}, {part.verdict}"))
    return [line for _, line in sorted(found, reverse=True)] or ["  no pair stands out"]


def quality(tie: Tie) -> List[str]:
    """One line for each part of the tie, and one for its check pairs."""
    statistics, lines = tie.statistics, []
    lines += _part("horizontal", statistics.horizontal, tie.settings.horizontal_model,
                   tie.settings.site_length.plural)
    lines += _part("vertical", statistics.vertical, tie.settings.vertical_model,
                   tie.settings.elevation_length.plural)
    for row in tie.residuals:
        for side, part, unit in _sides(tie, row):
            if part.role == Role.CHECK.value and part.size is not None:
                lines.append(
                    f"  check {row.control_id} {side}: off by {part.size:.3f} {unit}, "
                    f"{part.verdict}{_tolerance(part.within_tolerance)}"
                )
    return lines


def _part(
    side: str, part: Optional[PartStatistics], model: Optional[str], unit: str
) -> List[str]:
    if part is None:
        return []
    text = f"  {side}: {model}, {part.fit_pairs} fit pairs at {part.fit_marks} marks"
    if part.rms is None:
        return [f"{text}, unchecked: there is nothing to spare"]
    return [f"{text}, RMS {part.rms:.3f} {unit}, sigmas {part.outcome}"]


def _sides(tie: Tie, row) -> Iterable[tuple]:
    yield "horizontal", row.horizontal, tie.settings.site_length.plural
    yield "vertical", row.vertical, tie.settings.elevation_length.plural


def _tolerance(within: Optional[bool]) -> str:
    return {None: "", True: ", within tolerance", False: ", OUT OF TOLERANCE"}[within]


def restated(path: Path, tie: Tie) -> List[str]:
    """How many points were restated, and how well they are known."""
    source = ogr.Open(str(path))
    features = [feature.items() for feature in source.GetLayer(0)]
    placed = [values for values in features if values["site_e"] is not None]
    outside = sum(not values["site_in"] for values in placed)
    worst_h = max(max(values["site_se"], values["site_sn"]) for values in placed)
    worst_v = max(values["site_sz"] for values in placed)
    return [
        f"{len(placed)} of {len(features)} topo points restated, {outside} of them outside the "
        "control.",
        f"Largest standard deviation {worst_h:.3f} {tie.settings.site_length.plural} per "
        f"horizontal axis, {worst_v:.3f} {tie.settings.elevation_length.plural} in elevation.",
    ]


if __name__ == "__main__":
    main()
