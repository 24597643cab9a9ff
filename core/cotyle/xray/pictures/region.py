"""The part of a file that is the X-ray picture, where it holds more: as typed, or between two corners."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from cotyle.errors import InputError

Region = tuple[int, int, int, int]
"""First column, first row, columns and rows, in pixels of the file."""


def region_of(text: str, name: str = "the part of the picture", example: str = "120,0,900,900") -> Region:
    """Return a region as it was typed; ``name`` and ``example`` are what an error calls it.

    Raises
    ------
    InputError
        ``picture-region``.
    """
    try:
        column, row, columns, rows = (int(part) for part in text.split(","))
    except ValueError:
        raise InputError(
            "picture-region",
            f"{name} must be four whole numbers with commas between, not {text!r}",
            f"First column, first row, columns, rows: {example}",
        ) from None
    return column, row, columns, rows


def region_between(corners_px: npt.ArrayLike) -> Region:
    """Return the region whose pixels lie between two opposite corners, (2, 2) of (column, row), those at them too."""
    corners = np.rint(np.asarray(corners_px, dtype=float)).astype(int)
    (column, row), (last_column, last_row) = corners.min(axis=0), corners.max(axis=0)
    return int(column), int(row), int(last_column - column + 1), int(last_row - row + 1)


def region_text(region: Region) -> str:
    """Return a region as :func:`region_of` takes it."""
    return ",".join(str(number) for number in region)
