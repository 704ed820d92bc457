"""The computing: pure Python with numpy and pyproj, no QGIS."""

from .design_check import design_check
from .errors import SitetieError
from .next_control import next_control
from .pair_table import read_pairs, write_pairs
from .pairing import pair_by_geometry
from .pairs import Control, Observation, Pair, Role
from .published import tie_from_parameters
from .seek_list import seek_list
from .settings import HeldScale, Settings
from .solve import solve
from .suspects import Suspect, find_suspects
from .tie import Tie
from .tie_check import check_against
from .work_area import WorkArea

__all__ = [
    "Control", "HeldScale", "Observation", "Pair", "Role", "Settings", "SitetieError",
    "Suspect", "Tie", "WorkArea", "check_against", "design_check", "find_suspects",
    "next_control", "pair_by_geometry", "read_pairs", "seek_list", "solve",
    "tie_from_parameters", "write_pairs",
]
