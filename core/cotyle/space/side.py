"""The side of the body. There is no default: a side is always given."""

from __future__ import annotations

from enum import StrEnum


class Side(StrEnum):
    """The patient's left or right."""

    LEFT = "left"
    RIGHT = "right"

    @property
    def lateral_sign(self) -> float:
        """Sign that turns a component along a frame's left axis into one along the lateral axis."""
        return 1.0 if self is Side.LEFT else -1.0

    @property
    def opposite(self) -> Side:
        """The other side."""
        return Side.RIGHT if self is Side.LEFT else Side.LEFT
