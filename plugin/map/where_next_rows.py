"""What the map shows of where to go next: numbered marks and search circles, as plain rows."""

from __future__ import annotations

import math
from typing import Dict, List, NamedTuple, Optional, Tuple

from ...core.next_control import NextControl, NextMark
from ...core.seek_list import SeekList, SeekPoint
from ...core.tie import Tie
from ...core.units import METRE
from ...core.wording import length_words
from ..fields import fields_of, number_field, text_field, whole_field
from .result_rows import Row

#: By these roles the layers are known; top of the layer tree first.
SEEK, CIRCLES = "seek", "seek_circles"
WHERE_NEXT_ROLES = (SEEK, CIRCLES)
#: Corners of a drawn circle.
CORNERS = 72


class WhereNextFound(NamedTuple):
    """What is known of the marks not observed yet; both of one tie."""

    tie: Tie
    seek: SeekList
    ranked: NextControl

    def mark_of(self, point: SeekPoint) -> Optional[NextMark]:
        """The rank of a mark on the seek list."""
        return self.marks().get(point.control.id)

    def marks(self) -> Dict[str, NextMark]:
        return {mark.control.id: mark for mark in self.ranked.marks}


def where_next_fields():
    """Of the marks, and of the circles."""
    marks = fields_of(
        whole_field("next_rank"), text_field("control_id"), text_field("label"),
        number_field("share"), whole_field("seek_no"), number_field("seek_r"),
        number_field("seek_dh"), number_field("seek_lat"), number_field("seek_lon"),
        text_field("seek_text"), text_field("next_text"))
    return marks, fields_of(text_field("control_id"), number_field("seek_r"))


def where_next_rows(found: WhereNextFound) -> Tuple[List[Row], List[Row]]:
    """Rows of the marks and of the circles, in site coordinates."""
    marks, circles = [], []
    ranks = found.marks()
    largest = max((mark.gain for mark in ranks.values()), default=0.0)
    for point in found.seek.points:
        control = point.control
        place = (float(control.easting), float(control.northing))  # type: ignore[arg-type]
        mark = ranks[control.id]
        label = control.id
        if point.radius is not None:
            label += f", within {length_words(point.radius, METRE)}"
            circles.append(Row(
                (control.id,), _ring(found.tie, point), (control.id, point.radius)))
        marks.append(Row(
            (control.id,), (place,),
            (mark.rank, control.id, label, mark.gain / largest if largest > 0.0 else 0.0,
             point.order, point.radius, point.half_height, point.latitude, point.longitude,
             point.words(found.seek.level), found.ranked.words(mark)),
        ))
    return marks, circles


def _ring(tie: Tie, point: SeekPoint) -> Tuple[Tuple[float, float], ...]:
    """A closed circle round a mark, whose radius in metres is one on the ground."""
    scale = tie.horizontal.scale * float(tie.base.point_scale(point.latitude, point.longitude))
    radius = (point.radius or 0.0) * scale / tie.settings.site_length.metres
    control = point.control
    assert control.easting is not None  # the list holds marks with positions only
    assert control.northing is not None
    turns = [2.0 * math.pi * (k % CORNERS) / CORNERS for k in range(CORNERS + 1)]
    return tuple((control.easting + radius * math.sin(turn),
                  control.northing + radius * math.cos(turn)) for turn in turns)
