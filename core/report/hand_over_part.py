"""The part of a report that other programs need."""

from __future__ import annotations

from typing import List

from ..errors import FrameError
from ..hand_over import page_of, recipes
from ..tie import Tie
from .blocks import Block, Column, Heading, Paragraph, Table, rows_of

#: Programs whose commands no test of ours runs; the page says so too.
NOT_RUN = ("PDAL", "DuckDB")


def hand_over_blocks(tie: Tie) -> List[Block]:
    """The site grid as a CRS and as pipelines, and how programs take them."""
    try:
        wkt = tie.crs_wkt()
    except FrameError as error:
        return [Heading("Hand-over"), Paragraph(str(error))]
    shape = (Column(strong=True, share=0.16), Column(share=0.84))
    texts = [
        ("CRS (site.wkt)", wkt),
        ("To the site (to_site.pipeline)", tie.pipeline()),
        ("From the site (from_site.pipeline)", tie.pipeline(backward=True)),
    ]
    uses = [(recipe.program + (" (not run by our tests)" if recipe.program in NOT_RUN else ""),
             f"{recipe.words}: {recipe.command}".replace("\\\n", " "))
            for recipe in recipes(page_of(tie))]
    return [
        Heading("Hand-over"),
        Paragraph("The site grid as a coordinate reference system, a plane that every program on "
                  "PROJ takes, and as PROJ pipelines in three dimensions: longitude and latitude "
                  "in degrees and ellipsoidal height in metres, to easting, northing and "
                  "elevation, and back. Copy them from the files of the hand-over, not from "
                  "paper."),
        Table(shape, rows_of(texts), dense=True),
        Heading("How programs take them", 3),
        Table(shape, rows_of(uses), dense=True),
    ]
