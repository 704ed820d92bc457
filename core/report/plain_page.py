"""The page about a plain projection: how well it stands for the tie, and its texts."""

from __future__ import annotations

from typing import List

from ..plain_projection import PlainProjection
from ..tie import Tie
from .blocks import Banner, Block, Column, Heading, Paragraph, Table, Title, rows_of
from .content import CAUTIONS
from .html import page_html

_FORMATS = (
    ("wkt2", "WKT 2:2019"), ("wkt1", "WKT 1, as GDAL writes it"),
    ("esri_wkt", "WKT 1, as Esri writes it (.prj)"), ("proj", "PROJ string"),
)


def plain_page(tie: Tie, plain: PlainProjection, limit: float) -> str:
    """The page as HTML text."""
    unit = plain.unit
    blocks: List[Block] = [
        Title("Plain projection for the site grid", (f"Stands for tie {tie.short_id}",)),
        Banner("✓", plain.sentence, f"The limit was {limit:g} {unit.plural}."),
        Paragraph(
            "It is not the tie: it stands for it horizontally, over this area, within this "
            "deviation. Heights are not touched. Every text below was read back by PROJ and "
            "compared with the tie."),
        Heading("Parameters"),
        Table((Column("Parameter"), Column("Value", right=True), Column("Unit")),
              rows_of([(name, f"{value:.12g}" if words == "" else f"{value:.10f}".rstrip("0"),
                        words) for name, value, words in plain.parameters])),
        Heading("Deviation from the tie, by text"),
        Table((Column("Text"), Column("Worst", f"0.001 {unit.code}", right=True),
               Column("Root mean square", f"0.001 {unit.code}", right=True)),
              rows_of([(label, f"{1000.0 * plain.deviations[kind].worst:.4f}",
                        f"{1000.0 * plain.deviations[kind].rms:.4f}")
                       for kind, label in _FORMATS])),
    ]
    if plain.others:
        blocks += [
            Heading("Other methods", 3),
            Paragraph("; ".join(f"{method}: {1000.0 * worst:.4g} × 0.001 {unit.code} at worst"
                                for method, worst in plain.others)),
        ]
    for kind, label in _FORMATS:
        blocks += [Heading(label, 3), Paragraph(getattr(plain, kind))]
    blocks += [Heading("Before it is used"), Paragraph(" ".join(CAUTIONS))]
    return page_html("Plain projection", f"tie {tie.short_id}", blocks)
