"""What a report is made of: values that the HTML page and the printed pages both show."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar, Iterator, List, Sequence, Tuple, Union


@dataclass(frozen=True)
class Title:
    """The name of the job and the lines under it."""

    text: str
    lines: Tuple[str, ...]
    kind: ClassVar[str] = "title"


@dataclass(frozen=True)
class Banner:
    """Where the tie stands: a sign, the figures, and what follows from them."""

    sign: str
    standing: str
    advice: str
    kind: ClassVar[str] = "banner"


@dataclass(frozen=True)
class Heading:
    """A heading of level 2 (chapter) or 3."""

    text: str
    level: int = 2
    kind: ClassVar[str] = "heading"


@dataclass(frozen=True)
class Paragraph:
    """A paragraph; a quiet one explains the table above it."""

    text: str
    quiet: bool = False
    kind: ClassVar[str] = "paragraph"


@dataclass(frozen=True)
class Bullets:
    """A list."""

    items: Tuple[str, ...]
    kind: ClassVar[str] = "bullets"


@dataclass(frozen=True)
class Column:
    """A column of a table.

    Attributes
    ----------
    title, unit : str
        The two lines of its head.
    right : bool
        Numbers: set to the right and never wrapped.
    strong : bool
        Cells in bold.
    share : float
        Share of the table's width, 0 for what the cells need.
    """

    title: str = ""
    unit: str = ""
    right: bool = False
    strong: bool = False
    share: float = 0.0


@dataclass(frozen=True)
class Row:
    """A row of a table; in a group row the only cell stands over the rows that follow."""

    cells: Tuple[str, ...]
    group: bool = False


@dataclass(frozen=True)
class Table:
    """A table. Without titles it has no head; a dense one is set in smaller type."""

    columns: Tuple[Column, ...]
    rows: Tuple[Row, ...]
    dense: bool = False
    kind: ClassVar[str] = "table"

    @property
    def has_head(self) -> bool:
        return any(column.title for column in self.columns)


@dataclass(frozen=True)
class Drawing:
    """A drawing as SVG, with its size in units of 1/96 inch."""

    svg: str
    width: float
    height: float
    kind: ClassVar[str] = "drawing"


@dataclass(frozen=True)
class Signature:
    """Lines to be filled in by hand: (what belongs there, what is known, share of the width)."""

    entries: Tuple[Tuple[str, str, float], ...]
    kind: ClassVar[str] = "signature"


@dataclass(frozen=True)
class Together:
    """Blocks that stay on one page."""

    blocks: Tuple["Block", ...]
    kind: ClassVar[str] = "together"


Block = Union[
    Title, Banner, Heading, Paragraph, Bullets, Table, Drawing, Signature, Together,
]


def rows_of(cells: Sequence[Sequence[str]]) -> Tuple[Row, ...]:
    """Plain rows."""
    return tuple(Row(tuple(row)) for row in cells)


def without_empty_columns(table: Table) -> Table:
    """The table less the columns in which no row says anything."""
    plain = [row for row in table.rows if not row.group]
    kept = [i for i in range(len(table.columns)) if any(row.cells[i] for row in plain)]
    return Table(
        tuple(table.columns[i] for i in kept),
        tuple(row if row.group else Row(tuple(row.cells[i] for i in kept)) for row in table.rows),
        table.dense,
    )


def flat(blocks: Sequence[Block]) -> Iterator[Block]:
    """The blocks with those of `Together` in their place."""
    waiting: List[Block] = list(reversed(blocks))
    while waiting:
        block = waiting.pop()
        if isinstance(block, Together):
            waiting.extend(reversed(block.blocks))
        else:
            yield block
