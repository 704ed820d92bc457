"""The part of a report that other programs need."""

from __future__ import annotations

import re
from typing import List

from ..errors import FrameError
from ..hand_over import page_of, recipes
from ..tie import Tie
from .blocks import Block, Column, Heading, Paragraph, Table, rows_of


def hand_over_blocks(tie: Tie) -> List[Block]:
    """The site grid as a CRS and as pipelines, and how programs take them."""
    try:
        wkt = tie.crs_wkt()
    except FrameError as error:
        return [Heading("Hand-over"), Paragraph(str(error))]
    texts = [
        ("CRS", wkt),
        ("Pipeline to the site", tie.pipeline()),
        ("Pipeline from the site", tie.pipeline(backward=True)),
    ]
    uses = [(recipe.program, recipe.words, re.sub(r"\\?\n\s*", " ", recipe.command))
            for recipe in recipes(page_of(tie))]
    return [
        Heading("Hand-over"),
        Paragraph("The site grid as a coordinate reference system, a plane that every program on "
                  "PROJ takes, and as PROJ pipelines in three dimensions: longitude and latitude "
                  "in degrees and ellipsoidal height in metres, to easting, northing and "
                  "elevation, and back. Copy them from the files of the hand-over, not from "
                  "paper."),
        Table((Column(strong=True, share=0.12), Column(share=0.88)), rows_of(texts), dense=True),
        Heading("How programs take them", 3),
        Table((Column(strong=True, share=0.12), Column(share=0.38), Column(share=0.5)),
              rows_of(uses), dense=True),
    ]
