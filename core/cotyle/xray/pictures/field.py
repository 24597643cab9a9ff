"""Which pixels of a picture show the body: within the round field and the blades, without margin and marks.

Metal stays usable: an area counts as outside only beyond the field's circle or a straight edge across it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from cotyle.space.arrays import Array
from cotyle.xray.pictures.blades import Line, find_blades
from cotyle.xray.pictures.marks import find_marks
from cotyle.xray.pictures.radiograph import FieldCircle
from cotyle.xray.pictures.surround import circle_through, flat_surround, outline_of

Mask = npt.NDArray[np.bool_]

_WORK_SIDE = 768
_SHRUNK_PX = 2.0
_SMALL_SHARE = 0.1


@dataclass(frozen=True, eq=False)
class Field:
    """The part of a picture that shows the body.

    Parameters
    ----------
    usable:
        Shape (rows, columns).
    circle:
        The round field, if one was found.
    edges:
        Straight edges (blades, margins) that bound it.
    doubts:
        What was not understood.
    """

    usable: Mask
    circle: FieldCircle | None
    edges: tuple[Line, ...]
    doubts: tuple[str, ...]


def find_field(shown: npt.NDArray[np.float32], excluded: Mask | None = None, region: Mask | None = None) -> Field:
    """Find the field of a picture, whichever way its grey grows.

    Parameters
    ----------
    shown:
        Grey, shape (rows, columns).
    excluded:
        Pixels that are known to be none of it.
    region:
        The part that holds the picture; all of it by default.
    """
    whole = np.ones(shown.shape, dtype=bool) if region is None else region
    factor = max(1, -(-max(shown.shape) // _WORK_SIDE))
    small_circle, small_edges = _bounds(_shrunk(shown, factor), _shrunk(whole, factor) > 0.5)
    usable = whole.copy()
    rows, columns = np.ogrid[: shown.shape[0], : shown.shape[1]]
    circle = None
    if small_circle is not None:
        circle = FieldCircle((small_circle[0] + 0.5) * factor - 0.5, small_circle[1] * factor)
        far = np.hypot(columns - circle.center_px[0], rows - circle.center_px[1])
        usable &= far <= circle.radius_px - _SHRUNK_PX * factor
    edges = tuple(Line((edge.point_px + 0.5) * factor - 0.5, edge.inward) for edge in small_edges)
    for edge in edges:
        usable &= edge.inside_px(columns, rows) >= _SHRUNK_PX * factor
    doubts = []
    marks, told = find_marks(shown, usable)
    usable &= ~marks
    if marks.any():
        share = 100.0 * float(marks.sum()) / max(float(usable.sum() + marks.sum()), 1.0)
        doubts.append(f"What looks like burnt-in text or a pointer was left out ({share:.1f} % of the field).")
    if not told:
        doubts.append("The picture is nearly black and white only: burnt-in text can't be told from it.")
    if excluded is not None:
        usable &= ~ndimage.binary_dilation(excluded, iterations=2)
    if usable.mean() < _SMALL_SHARE:
        doubts.append(f"Only {100 * usable.mean():.0f} % of the picture shows the body.")
    return Field(usable, circle, edges, tuple(doubts))


def _bounds(grey: npt.NDArray[np.float32], region: Mask) -> tuple[tuple[Array, float] | None, list[Line]]:
    """Return circle and straight edges; a circle within the margins of a screen shows once they are off."""
    inside = region.copy()
    rows, columns = np.ogrid[: grey.shape[0], : grey.shape[1]]
    edges: list[Line] = []
    for _ in range(2):
        flat = flat_surround(grey, inside)
        circle = circle_through(outline_of(flat, inside), grey, flat, inside)
        if circle is not None:
            (column, row), radius = circle
            inside &= np.hypot(columns - column, rows - row) <= radius - _SHRUNK_PX
        found = find_blades(grey, inside)
        for edge in found:
            inside &= edge.inside_px(columns, rows) >= _SHRUNK_PX
        edges += found
        if circle is not None or not found:
            return circle, edges
    return None, edges


def _shrunk(picture: npt.NDArray[np.generic], factor: int) -> npt.NDArray[np.float32]:
    """Return block means; rows and columns that fill no block repeat the last one."""
    values = np.asarray(picture, dtype=np.float32)
    if factor == 1:
        return values
    rows, columns = (-n % factor for n in values.shape)
    padded = np.pad(values, ((0, rows), (0, columns)), mode="edge")
    blocks = padded.reshape(padded.shape[0] // factor, factor, padded.shape[1] // factor, factor)
    return np.asarray(blocks.mean(axis=(1, 3)), dtype=np.float32)
