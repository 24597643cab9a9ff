"""Which pixels of a picture show the body: within the round field and the blades, without margin and marks.

Metal stays usable: an area counts as outside only where its outline is an arc of the field's circle or straight, or
where it takes in a whole side of the picture.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from cotyle.xray.pictures.marks import find_marks
from cotyle.xray.pictures.radiograph import FieldCircle
from cotyle.xray.pictures.surround import Line, circle_through, flat_surround, lines_along, outline_of

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
    flat:
        Flat areas that reach the picture's edge, whether they are outside or open beam. Shape (rows, columns).
    doubts:
        What was not understood.
    """

    usable: Mask
    circle: FieldCircle | None
    edges: tuple[Line, ...]
    flat: Mask
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
    small = _shrunk(shown, factor)
    small_region = _shrunk(whole, factor) > 0.5
    flat = flat_surround(small, small_region)
    circle, edges, understood = _bounds(flat, small_region)
    usable = whole.copy()
    rows, columns = np.ogrid[: shown.shape[0], : shown.shape[1]]
    full_circle = None
    if circle is not None:
        center, radius = (circle[0] + 0.5) * factor - 0.5, circle[1] * factor
        full_circle = FieldCircle(center, radius)
        usable &= np.hypot(columns - center[0], rows - center[1]) <= radius - _SHRUNK_PX * factor
    full_edges = tuple(Line((e.point_px + 0.5) * factor - 0.5, e.inward) for e in edges)
    for edge in full_edges:
        usable &= edge.inside_px(columns, rows) >= _SHRUNK_PX * factor
    full_flat = _grown(flat, factor, shown.shape)
    doubts = []
    if not understood:
        usable &= ~_whole_sides(full_flat, whole)
        doubts.append("Flat areas at the picture's edge have no simple outline; they were left out.")
    marks, told = find_marks(shown, usable)
    usable &= ~marks
    if not told:
        doubts.append("The picture is nearly black and white only: burnt-in text can't be told from it.")
    if excluded is not None:
        usable &= ~ndimage.binary_dilation(excluded, iterations=2)
    if usable.mean() < _SMALL_SHARE:
        doubts.append(f"Only {100 * usable.mean():.0f} % of the picture shows the body.")
    return Field(usable, full_circle, full_edges, full_flat, tuple(doubts))


def _bounds(flat: Mask, region: Mask) -> tuple[tuple[npt.NDArray[np.float64], float] | None, list[Line], bool]:
    """Return circle and straight edges on the shrunk picture, and whether they explain the flat areas."""
    if not flat.any():
        return None, [], True
    points = outline_of(flat, region)
    if len(points) < 30:
        return None, [], not _whole_sides(flat, region).any()
    found = circle_through(points, flat.shape)
    on_circle = found[2] if found is not None else np.zeros(len(points), dtype=bool)
    center = found[0] if found is not None else points.mean(axis=0)
    rest = points[~on_circle]
    lines, explained = lines_along(rest, center, flat.shape)
    share = (on_circle.sum() + explained.sum()) / len(points)
    circle = (found[0], found[1]) if found is not None else None
    # what is neither arc nor line is metal or open beam that runs into the edge; with a circle that is no matter
    return circle, lines, bool(circle is not None or share >= 0.75)


def _whole_sides(flat: Mask, region: Mask) -> Mask:
    """Return the flat areas that take in nearly a whole side of the region, or two of its corners."""
    labels, count = ndimage.label(flat)
    if count == 0:
        return np.zeros(flat.shape, dtype=bool)
    rows, columns = np.flatnonzero(region.any(axis=1)), np.flatnonzero(region.any(axis=0))
    inner = labels[rows[0] : rows[-1] + 1, columns[0] : columns[-1] + 1]
    sides = (inner[:4].max(axis=0), inner[-4:].max(axis=0), inner[:, :4].max(axis=1), inner[:, -4:].max(axis=1))
    keep = {int(label) for side in sides for label in np.unique(side[side > 0]) if (side == label).mean() >= 0.9}
    return np.asarray(np.isin(labels, list(keep)))


def _shrunk(picture: npt.NDArray[np.generic], factor: int) -> npt.NDArray[np.float32]:
    """Return block means; rows and columns that fill no block repeat the last one."""
    values = np.asarray(picture, dtype=np.float32)
    if factor == 1:
        return values
    rows, columns = (-n % factor for n in values.shape)
    padded = np.pad(values, ((0, rows), (0, columns)), mode="edge")
    blocks = padded.reshape(padded.shape[0] // factor, factor, padded.shape[1] // factor, factor)
    return np.asarray(blocks.mean(axis=(1, 3)), dtype=np.float32)


def _grown(mask: Mask, factor: int, shape: tuple[int, ...]) -> Mask:
    return np.repeat(np.repeat(mask, factor, axis=0), factor, axis=1)[: shape[0], : shape[1]]
