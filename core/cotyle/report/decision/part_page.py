"""What the page of one part is made of; one template sets them all."""

from __future__ import annotations

from dataclasses import dataclass

from cotyle.report.tiles import Tile


@dataclass(frozen=True)
class Shown:
    """One picture: its short name, what it shows, and what it assumes."""

    name: str
    caption: str
    assumes: str
    wide: bool = True
    """Over the whole width of the page; else two stand side by side."""


@dataclass(frozen=True)
class Table:
    """Rows under titles; ``chosen``: rows that stand out; ``words``: columns that hold words, besides the first one."""

    titles: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    caption: str = ""
    chosen: frozenset[int] = frozenset()
    words: frozenset[int] = frozenset()


@dataclass(frozen=True)
class PartPage:
    """The page of a part, in the order in which it is read.

    lead: the answer in one or two sentences. tiles: the figures that count, at most eight. pictures: in their order.
    advice: what follows from it, as sentences.
    """

    lead: str
    tiles: tuple[Tile, ...] = ()
    pictures: tuple[Shown, ...] = ()
    tables: tuple[Table, ...] = ()
    advice: tuple[str, ...] = ()

    @property
    def picture_rows(self) -> tuple[tuple[Shown, ...], ...]:
        """The pictures as they stand on the page: wide ones alone, others two in a row."""
        rows: list[list[Shown]] = []
        for each in self.pictures:
            if not each.wide and rows and len(rows[-1]) == 1 and not rows[-1][0].wide:
                rows[-1].append(each)
            else:
                rows.append([each])
        return tuple(tuple(row) for row in rows)
