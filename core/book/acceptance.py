"""What an acceptance records besides the tie itself."""

from __future__ import annotations

import json
from typing import Any, Dict, List, Sequence, Tuple

import numpy as np

from ..tie import Tie
from ..tie_file import to_plain


def pair_row(number: int, pair: Any, row: Any) -> Dict[str, Any]:
    """The row of a pair and its residuals in the table `pair`."""
    corrections = to_plain(tuple(getattr(pair, "corrections", ())))
    return {
        "tie_number": number, "control_id": pair.control.id,
        "observation_id": pair.observation.id, "horizontal": pair.horizontal.value,
        "vertical": pair.vertical.value, "residual_e": row.east, "residual_n": row.north,
        "residual_u": row.up,
        "corrections": json.dumps(corrections, ensure_ascii=False) if corrections else None,
    }


def role_changes(earlier: Sequence[Tuple], tie: Tie) -> List[Dict[str, str]]:
    """Roles that differ from those of the tie that stood before."""
    known = {(row[0], row[1]): row[2:] for row in earlier}
    found = []
    for pair in tie.pairs:
        old = known.pop((pair.control.id, pair.observation.id), ("none", "none"))
        for side, was, role in zip(("horizontal", "vertical"), old,
                                   (pair.horizontal.value, pair.vertical.value)):
            if was != role:
                found.append({"pair": pair.name, "side": side, "from": was, "to": role})
    found += [{"pair": f"{control} = {observation}", "side": "both", "from": "there", "to": "none"}
              for control, observation in known]
    return found


def largest_moves(packed: np.ndarray) -> Dict[str, Any]:
    """The largest moves of a restatement, for the entry."""
    found: Dict[str, Any] = {"points": len(packed)}
    for name in ("moved_h", "moved_v"):
        values = np.abs(packed[name][np.isfinite(packed[name])])
        if len(values):
            found[f"largest_{name}"] = float(values.max())
    return found
