"""What a hard subject of the validation is."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from cotyle.image.volume import Volume
from cotyle.space.side import Side
from cotyle_sample.truth import Truth


@dataclass(frozen=True)
class HardTrial:
    """One scan of a hip as surgeons meet it.

    variant: the rows of the table it counts in; name: its own; make: builds the scan, the same every time.
    affected: the side that bears the trouble, None where both or neither do.
    refused: code of the InputError that must end it, None where it must be planned.
    """

    variant: str
    name: str
    make: Callable[[], tuple[Volume, Truth]]
    affected: Side | None = None
    refused: str | None = None
