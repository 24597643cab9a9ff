"""What the page of one part is made of; one template sets them all."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from cotyle.report.tiles import Tile


@dataclass(frozen=True)
class Shown:
    """One picture: its short name, what it shows, and what it assumes."""

    name: str
    caption: str
    assumes: str
    width: Literal["whole", "most", "rest", "half"] = "whole"
    """Of the page: the whole with its words below; most with the rest, or with its words, beside it; or half: two that
    follow each other stand side by side, one alone has its words beside it."""


@dataclass(frozen=True)
class Table:
    """Rows under titles; ``chosen``: rows that stand out; ``words``: columns that hold words, besides the first one."""

    titles: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    caption: str = ""
    chosen: frozenset[int] = frozenset()
    words: frozenset[int] = frozenset()

    @property
    def is_long(self) -> bool:
        """Whether it may go on over the page: more rows than can be spared at the foot of one."""
        return len(self.rows) > _KEPT_TOGETHER


_KEPT_TOGETHER = 5
_SIDE_BY_SIDE = {("half", "half"), ("most", "rest")}


@dataclass(frozen=True)
class PartPage:
    """The page of a part, in the order in which it is read.

    lead: the answer in one or two sentences. tiles: the figures that count, at most eight. advice: what follows from
    it, as sentences. body: pictures and tables in their order.
    """

    lead: str
    tiles: tuple[Tile, ...] = ()
    advice: tuple[str, ...] = ()
    body: tuple[Shown | Table, ...] = ()

    @property
    def pictures(self) -> tuple[Shown, ...]:
        """The pictures in their order."""
        return tuple(each for each in self.body if isinstance(each, Shown))

    @property
    def tables(self) -> tuple[Table, ...]:
        """The tables in their order."""
        return tuple(each for each in self.body if isinstance(each, Table))

    @property
    def rows(self) -> tuple[tuple[Shown, ...] | Table, ...]:
        """The body as it stands on the page: tables and wide pictures alone, other pictures two in a row."""
        rows: list[tuple[Shown, ...] | Table] = []
        for each in self.body:
            last = rows[-1] if rows else ()
            if isinstance(each, Table):
                rows.append(each)
            elif isinstance(last, tuple) and len(last) == 1 and (last[0].width, each.width) in _SIDE_BY_SIDE:
                rows[-1] = (*last, each)
            else:
                rows.append((each,))
        return tuple(rows)
