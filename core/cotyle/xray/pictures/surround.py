"""The flat surround of an X-ray picture, and the circle and the straight edges that bound what it leaves.

Beyond the round field of an intensifier, behind a blade and in the margin of a screen nothing varies. Such flat areas
that reach the edge of the picture are found by their grey, and their outline is read as arcs of one circle and as
straight lines (both by random sampling: Fischler and Bolles, Commun ACM 1981;24:381).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from cotyle.errors import InputError
from cotyle.space.arrays import Array
from cotyle.space.fits import fit_circle

Mask = npt.NDArray[np.bool_]

_PATCH_PX = 8
_SAMPLES = 600
_MAX_OUTLINE = 3000


@dataclass(frozen=True, eq=False)
class Line:
    """A straight edge: a point (column, row) on it and the unit normal to the side that is kept."""

    point_px: Array
    inward: Array

    def inside_px(self, columns: npt.ArrayLike, rows: npt.ArrayLike) -> Array:
        """Return how far inside the edge pixels lie; negative beyond it."""
        offset = (np.asarray(columns) - self.point_px[0]) * self.inward[0]
        return np.asarray(offset + (np.asarray(rows) - self.point_px[1]) * self.inward[1])


def flat_surround(grey: npt.NDArray[np.float32], region: Mask) -> Mask:
    """Return flat areas that reach the edge of a region, shape (rows, columns).

    A corner or the middle of a side whose patch of 8 x 8 pixels varies by less than 3 % of the picture's range starts
    an area; it takes in what keeps within 1.5 % of the range, or three deviations of the patch, of the patch's grey.
    """
    low, high = np.percentile(grey[region], [0.5, 99.5])
    span = max(float(high - low), 1e-6)
    smooth = ndimage.uniform_filter(grey, 3)
    edge = region & ~ndimage.binary_erosion(region, iterations=2)
    found = np.zeros(grey.shape, dtype=bool)
    for patch in _patches(region):
        values = grey[patch]
        if np.subtract(*np.percentile(values, [95, 5])) > 0.03 * span:
            continue
        reach = max(0.015 * span, 3.0 * float(values.std()))
        near = region & (np.abs(smooth - np.median(values)) <= reach)
        labels, _ = ndimage.label(near)
        reached = np.unique(labels[edge & near])
        started = np.unique(labels[patch][near[patch]])
        keep = np.intersect1d(reached[reached > 0], started)
        found |= np.isin(labels, keep)
    return found


def _patches(region: Mask) -> list[tuple[slice, slice]]:
    rows, columns = np.flatnonzero(region.any(axis=1)), np.flatnonzero(region.any(axis=0))
    ends = [
        (int(n[0]), int(n[0] + n[-1] - _PATCH_PX) // 2, int(max(n[-1] + 1 - _PATCH_PX, n[0]))) for n in (rows, columns)
    ]
    return [
        (slice(r, r + _PATCH_PX), slice(c, c + _PATCH_PX))
        for i, r in enumerate(ends[0])
        for j, c in enumerate(ends[1])
        if (i, j) != (1, 1)
    ]


def outline_of(flat: Mask, region: Mask) -> Array:
    """Return (column, row) of the pixels of the picture that border flat areas, the edge of the region left out."""
    content = region & ~flat
    content = ndimage.binary_opening(content, iterations=2)
    labels, count = ndimage.label(content)
    if count == 0:
        return np.zeros((0, 2))
    sizes = np.bincount(labels.ravel())
    sizes[0] = 0
    body = ndimage.binary_fill_holes(labels == int(sizes.argmax()))
    border = body & ~ndimage.binary_erosion(body) & ndimage.binary_erosion(region, iterations=3)
    rows, columns = np.nonzero(border)
    points = np.column_stack([columns, rows]).astype(float)
    return points[:: max(1, len(points) // _MAX_OUTLINE)]


def circle_through(points: Array, shape: tuple[int, ...], seed: int = 0) -> tuple[Array, float, Mask] | None:
    """Return centre (column, row), radius in px and which points lie on the circle that most of them share, if any.

    A circle is taken if it holds a third of the points over at least a quarter of its turn and a radius between a
    quarter of the picture's shorter side and the whole of its longer one.
    """
    if len(points) < 40:
        return None
    rng = np.random.default_rng(seed)
    least, most = 0.25 * min(shape), 1.0 * max(shape)
    picks = points[rng.integers(len(points), size=(_SAMPLES, 3))]
    centers, radii = _circumcircles(picks)
    fits = np.isfinite(radii) & (radii >= least) & (radii <= most)
    if not fits.any():
        return None
    centers, radii = centers[fits], radii[fits]
    apart = np.abs(np.linalg.norm(points[None] - centers[:, None], axis=2) - radii[:, None])
    best = int((apart < 2.0).sum(axis=1).argmax())
    center, radius = centers[best], float(radii[best])
    for reach in (3.0, 2.0):
        on = np.abs(np.linalg.norm(points - center, axis=1) - radius) < reach
        if on.sum() < 40:
            return None
        try:
            circle = fit_circle(np.column_stack([points[on], np.zeros(int(on.sum()))]))
        except InputError:
            return None
        center, radius = circle.center_lps_mm[:2], circle.radius_mm
    on = np.abs(np.linalg.norm(points - center, axis=1) - radius) < 2.0
    turn = np.degrees(np.arctan2(*(points[on] - center).T[::-1]))
    covered = len(np.unique(np.floor(turn / 5.0))) * 5.0
    taken = on.mean() >= 1 / 3 and covered >= 90.0 and least <= radius <= most
    return (np.asarray(center), radius, on) if taken else None


def _circumcircles(picks: Array) -> tuple[Array, Array]:
    """Return centres and radii of the circles through three points each, shape (n, 3, 2); not finite on a line."""
    a, b, c = picks[:, 0], picks[:, 1] - picks[:, 0], picks[:, 2] - picks[:, 0]
    with np.errstate(divide="ignore", invalid="ignore"):
        twice = 2.0 * (b[:, 0] * c[:, 1] - b[:, 1] * c[:, 0])
        squares = np.stack([(b**2).sum(axis=1), (c**2).sum(axis=1)])
        x = (c[:, 1] * squares[0] - b[:, 1] * squares[1]) / twice
        y = (b[:, 0] * squares[1] - c[:, 0] * squares[0]) / twice
    return a + np.column_stack([x, y]), np.hypot(x, y)


def lines_along(points: Array, inside_px: Array, shape: tuple[int, ...], seed: int = 0) -> tuple[list[Line], Mask]:
    """Return straight edges along an outline, longest first, and which points they explain.

    Parameters
    ----------
    points:
        Outline, (column, row).
    inside_px:
        A point that is kept, well inside.
    shape:
        Of the picture: an edge must be seen along a sixth of its shorter side, and may cut off nothing of the outline
        but points near another edge (a twentieth of all).
    """
    rng = np.random.default_rng(seed)
    left = np.ones(len(points), dtype=bool)
    lines: list[Line] = []
    while left.sum() >= 30 and len(lines) < 8:
        rest = points[left]
        picks = rest[rng.integers(len(rest), size=(_SAMPLES, 2))]
        along = picks[:, 1] - picks[:, 0]
        length = np.linalg.norm(along, axis=1)
        picks, along = picks[length > 10], along[length > 10] / length[length > 10, None]
        if not len(picks):
            break
        normals = np.column_stack([-along[:, 1], along[:, 0]])
        apart = np.abs(rest @ normals.T - (picks[:, 0] * normals).sum(axis=1))
        best = int((apart < 1.5).sum(axis=0).argmax())
        on = apart[:, best] < 1.5
        middle = rest[on].mean(axis=0)
        _, _, axes = np.linalg.svd(rest[on] - middle, full_matrices=False)
        normal = axes[1] if (inside_px - middle) @ axes[1] > 0 else -axes[1]
        line = Line(middle, normal)
        near = np.abs(line.inside_px(*points.T)) < 2.0
        if _seen_px((points[near & left] - middle) @ axes[0]) < min(shape) / 6.0:
            break
        left &= ~near
        if (line.inside_px(*points.T) < -4.0).mean() <= 0.05:
            lines.append(line)
    return lines, ~left


def _seen_px(along: Array) -> float:
    """Return along how many pixels of a line there are points, gaps of more than 6 px not counted."""
    return float(len(np.unique(np.floor(along / 6.0))) * 6.0)
