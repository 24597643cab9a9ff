"""The dots of a calibration grid in a picture: where they are, and which row and column of the grid each one is."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import ndimage
from scipy.spatial import cKDTree

from cotyle.errors import InputError
from cotyle.space.arrays import Array

LEAST_DOTS = 30
"""Fewer don't hold a model of the distortion; our choice."""

_NEAR_SHARE = 0.3


@dataclass(frozen=True, eq=False)
class GridDots:
    """Dots of a square grid.

    Parameters
    ----------
    points_px:
        (column, row) of each, shape (n, 2).
    places:
        Column and row of each in the grid, whole numbers, shape (n, 2); a quarter turn of the grid is not told.
    """

    points_px: Array
    places: npt.NDArray[np.int64]

    @property
    def spacing_px(self) -> float:
        """Median distance of neighbours."""
        return float(np.median(cKDTree(self.points_px).query(self.points_px, k=2)[0][:, 1]))


def find_grid(grey: npt.NDArray[np.floating], usable: npt.NDArray[np.bool_] | None = None) -> GridDots:
    """Find the dots of a square grid, light or dark, in a picture (rows, columns).

    Raises
    ------
    InputError
        ``grid-dots`` if there are too few dots, ``grid-places`` if they form no grid.
    """
    return place_dots(find_dots(grey, usable))


def find_dots(grey: npt.NDArray[np.floating], usable: npt.NDArray[np.bool_] | None = None) -> Array:
    """Return (column, row) of round dots of one size, below the pixel: their centroids over the local background.

    Raises
    ------
    InputError
        ``grid-dots`` if there are too few.
    """
    mask = np.ones(grey.shape, dtype=bool) if usable is None else usable
    values = np.where(mask, grey, np.median(grey[mask])).astype(float)
    detail = ndimage.gaussian_filter(values, 1.0) - ndimage.gaussian_filter(values, 0.04 * min(grey.shape))
    inner = ndimage.binary_erosion(mask, iterations=3)
    skew = float(((detail[inner] - detail[inner].mean()) ** 3).mean())
    detail = detail if skew >= 0 else -detail
    threshold = 0.5 * float(np.percentile(detail[inner], 99.0))
    labels, count = ndimage.label((detail > threshold) & inner)
    if count >= LEAST_DOTS:
        sizes = np.bincount(labels.ravel())[1:]
        usual = float(np.median(sizes[sizes >= 4])) if (sizes >= 4).any() else 0.0
        kept = [
            box
            for size, box in zip(sizes, ndimage.find_objects(labels), strict=True)
            if 0.3 * usual <= size <= 3.0 * usual and _is_round(box)
        ]
        if len(kept) >= LEAST_DOTS:
            reach = max(2, round(0.5 * np.sqrt(usual)))
            return np.array([_centroid(detail, box, reach) for box in kept])
    raise InputError(
        "grid-dots", "there are too few dots in the picture of the grid", "Take one of a grid of dots, straight on"
    )


def _is_round(box: tuple[slice, slice]) -> bool:
    high, wide = (side.stop - side.start for side in box)
    return max(high, wide) <= 2 * min(high, wide)


def _centroid(detail: Array, box: tuple[slice, slice], reach: int) -> Array:
    """Return a dot's centroid, weighted by how far it stands above a quarter of its own height."""
    rows, columns = (slice(max(s.start - reach, 0), s.stop + reach) for s in box)
    window = detail[rows, columns]
    weight = np.maximum(window - 0.25 * window.max(), 0.0)
    down, across = np.mgrid[rows.start : rows.start + window.shape[0], columns.start : columns.start + window.shape[1]]
    return np.array([(weight * across).sum(), (weight * down).sum()]) / weight.sum()


def place_dots(points_px: npt.ArrayLike) -> GridDots:
    """Tell each dot's column and row in the grid by walking from neighbour to neighbour.

    Raises
    ------
    InputError
        ``grid-places`` if fewer than five rows and columns hang together, or a way round leads to another place.
    """
    points = np.asarray(points_px, dtype=float)
    tree = cKDTree(points)
    first = int(tree.query(points.mean(axis=0))[1])
    places: dict[int, tuple[int, int]] = {first: (0, 0)}
    bases = {first: _first_basis(points, tree, first)}
    waiting = deque([first])
    while waiting:
        here = waiting.popleft()
        for axis, sign in ((0, 1), (0, -1), (1, 1), (1, -1)):
            step = sign * bases[here][axis]
            apart, there = tree.query(points[here] + step)
            if apart > _NEAR_SHARE * np.linalg.norm(step):
                continue
            place = (places[here][0] + sign * (axis == 0), places[here][1] + sign * (axis == 1))
            if there in places:
                if places[there] != place:
                    raise _no_grid()
                continue
            places[int(there)] = place
            basis = bases[here].copy()
            basis[axis] = 0.5 * (basis[axis] + sign * (points[there] - points[here]))
            bases[int(there)] = basis
            waiting.append(int(there))
    found = np.array(sorted(places))
    where = np.array([places[int(n)] for n in found])
    if len(found) < LEAST_DOTS or (np.ptp(where, axis=0) < 4).any() or len(np.unique(where, axis=0)) < len(where):
        raise _no_grid()
    return GridDots(points[found], where)


def _first_basis(points: Array, tree: cKDTree, first: int) -> Array:
    """Return the steps to the next column and the next row at a dot, turned from one to the other as rows grow."""
    steps = points[tree.query(points[first], k=9)[1][1:]] - points[first]
    along = steps[0]
    across = np.array([-along[1], along[0]])
    second = steps[int(np.argmin(np.linalg.norm(steps - across, axis=1)))]
    if np.linalg.norm(second - across) > 0.3 * np.linalg.norm(across):
        raise _no_grid()
    return np.stack([along, second])


def _no_grid() -> InputError:
    return InputError("grid-places", "the dots form no square grid", "Take a picture of the grid alone, straight on")
