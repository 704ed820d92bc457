"""The computing: pure Python with numpy and pyproj, no QGIS."""

from .pairs import Control, Observation, Pair, Role
from .settings import HeldScale, Settings
from .solve import solve
from .tie import Tie

__all__ = ["Control", "HeldScale", "Observation", "Pair", "Role", "Settings", "Tie", "solve"]
