"""The causes a suspect may have: stable ids, what they are called, and how usual they are.

The weights are rough relative frequencies; they only decide between causes that explain the data
about equally well. Common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Dict


@dataclass(frozen=True)
class Cause:
    """A named cause.

    Attributes
    ----------
    id : str
        Stable; other programs may rely on it.
    words : str
        What it is called in a sentence after "looks as if".
    weight : float
        Relative frequency.
    """

    id: str
    words: str
    weight: float


_ALL = (
    # one pair, position of the observation
    Cause("latitude_sign", "the latitude has the wrong sign", 0.02),
    Cause("longitude_sign", "the longitude has the wrong sign", 0.03),
    Cause("latitude_longitude_exchanged", "latitude and longitude are exchanged", 0.03),
    Cause("packed_dms_as_degrees",
          "packed degrees, minutes, seconds were read as decimal degrees", 0.03),
    Cause("degrees_as_packed_dms",
          "decimal degrees were read as packed degrees, minutes, seconds", 0.02),
    Cause("minutes_as_decimals", "minutes were read as decimals of a degree", 0.02),
    Cause("decimals_as_minutes", "decimals of a degree were read as minutes", 0.01),
    Cause("digits_exchanged", "two neighbouring digits are exchanged", 0.12),
    Cause("digit_wrong", "one digit is wrong", 0.10),
    # one pair, control
    Cause("easting_northing_exchanged", "easting and northing are exchanged", 0.04),
    Cause("control_unit", "the control point is in another unit", 0.03),
    Cause("wrong_control", "the observation belongs to another control point", 0.10),
    Cause("pairs_exchanged", "two pairs are exchanged", 0.08),
    # one pair, height
    Cause("pole_wrong", "the pole had another height", 0.15),
    Cause("pole_missing", "the pole was not taken off", 0.08),
    Cause("pole_twice", "the pole was taken off twice", 0.05),
    Cause("slant_as_vertical", "a slant pole reading was taken for a vertical one", 0.02),
    Cause("height_in_feet", "the height is in another unit", 0.03),
    Cause("orthometric_height", "the height is orthometric, not ellipsoidal", 0.04),
    # one pair, quality
    Cause("position_not_fixed", "the position was not a fixed solution", 0.10),
    Cause("disturbed_mark", "the mark is disturbed or was observed badly", 0.20),
    # the whole set
    Cause("control_unit_all", "the control list is in another unit", 0.05),
    Cause("mirrored", "the axes of the control list are exchanged or one is flipped", 0.04),
    Cause("grid_or_ground", "ground and grid distances are mixed", 0.08),
    Cause("base_projection", "the base projection is the wrong one for the site", 0.03),
    Cause("ellipsoidal_elevations", "the elevations of the control are ellipsoidal heights", 0.03),
    Cause("pole_on_every_shot", "the pole was not taken off on any shot", 0.02),
    Cause("session_shifted", "one session stands on other base coordinates", 0.06),
    Cause("sources_disagree", "control from two sources does not agree", 0.04),
    # no cause
    Cause("unexplained", "something is wrong, but which pair cannot be told", 0.20),
)

CAUSES: Dict[str, Cause] = {cause.id: cause for cause in _ALL}
