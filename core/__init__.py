"""The computing: pure Python with numpy and pyproj, no QGIS."""

from .errors import SitetieError
from .pair_table import read_pairs, write_pairs
from .pairing import pair_by_geometry
from .pairs import Control, Observation, Pair, Role
from .published import tie_from_parameters
from .settings import HeldScale, Settings
from .solve import solve
from .suspects import Suspect, find_suspects
from .tie import Tie
from .tie_check import check_against

__all__ = [
    "Control", "HeldScale", "Observation", "Pair", "Role", "Settings", "SitetieError", "Suspect",
    "Tie", "check_against", "find_suspects", "pair_by_geometry", "read_pairs", "solve",
    "tie_from_parameters", "write_pairs",
]
