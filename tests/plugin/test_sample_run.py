"""The command of the README: the main job on the sample quarry, from pairs to reports."""

from __future__ import annotations

import subprocess
from pathlib import Path

from sitetie.core import Tie

ROOT = Path(__file__).resolve().parents[2]


def test_sample_run_leaves_its_results_and_says_what_they_are(tmp_path: Path) -> None:
    done = subprocess.run(
        ["bash", str(ROOT / "sample_project" / "run.sh"), str(tmp_path / "my results")],
        capture_output=True, text=True, timeout=240,
    )
    assert done.returncode == 0, done.stdout + done.stderr
    assert done.stderr.count("qgis_process run sitetie:") == 6
    assert "K08 does not belong" in done.stdout
    assert "255 topo points restated" in done.stdout
    ties = [Tie.load(tmp_path / "my results" / name / "tie.json")
            for name in ("day_1", "as_observed", "reviewed")]
    assert len({tie.id for tie in ties}) == 3
    assert len({tie.base for tie in ties}) == 1
    assert ties[0].short_id in done.stdout
    assert (tmp_path / "my results" / "reviewed" / "report.pdf").read_bytes()[:4] == b"%PDF"
