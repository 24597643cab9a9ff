"""The round field of an image intensifier: the flat surround beyond it, and the circle that bounds it.

Beyond the field nothing varies. Such areas are found from the corners of the picture, and the circle among the arcs
of their outline by random sampling (Fischler and Bolles, Commun ACM 1981;24:381): the rest of the outline may be skin,
metal or bone that is as black as the surround.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from cotyle.errors import InputError
from cotyle.space.arrays import Array
from cotyle.space.fits import fit_circle
from cotyle.xray.pictures.blades import sharp_steps

Mask = npt.NDArray[np.bool_]

_PATCH_PX = 8
_SAMPLES = 600
_CANDIDATES = 12
_MAX_OUTLINE = 3000


def flat_surround(grey: npt.NDArray[np.float32], region: Mask) -> Mask:
    """Return flat areas that start in a corner of a region, shape (rows, columns).

    A corner whose patch of 8 x 8 pixels varies by less than 3 % of the picture's range starts an area; it takes in
    what keeps within 0.4 % of the range (one step of 256), or three deviations of the patch, of the patch's grey.
    """
    low, high = np.percentile(grey[region], [0.5, 99.5])
    span = max(float(high - low), 1e-6)
    smooth = ndimage.uniform_filter(grey, 3)
    found = np.zeros(grey.shape, dtype=bool)
    rows, columns = np.flatnonzero(region.any(axis=1)), np.flatnonzero(region.any(axis=0))
    for row in (rows[0], max(rows[-1] + 1 - _PATCH_PX, rows[0])):
        for column in (columns[0], max(columns[-1] + 1 - _PATCH_PX, columns[0])):
            patch = slice(row, row + _PATCH_PX), slice(column, column + _PATCH_PX)
            values = grey[patch]
            if np.subtract(*np.percentile(values, [95, 5])) > 0.03 * span:
                continue
            reach = max(0.004 * span, 3.0 * float(values.std()))
            near = region & (np.abs(smooth - np.median(values)) <= reach)
            labels, _ = ndimage.label(near)
            found |= np.isin(labels, np.unique(labels[patch][near[patch]]))
    return found


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


def circle_through(
    points: Array, grey: npt.NDArray[np.float32], flat: Mask, region: Mask, seed: int = 0
) -> tuple[Array, float] | None:
    """Return centre (column, row) and radius in px of the round field's circle, if it has one.

    A field's circle holds outline points over a sixth of its turn at least, most of them sharp (skin is not), and what
    lies beyond it is flat: nine tenths of it at least, text in the margin aside. Its radius is between a quarter of
    the picture's shorter side and the whole of its longer one, and it leaves out a fiftieth of the picture or more.
    """
    if len(points) < 40:
        return None
    rng = np.random.default_rng(seed)
    least, most = 0.25 * min(flat.shape), 1.0 * max(flat.shape)
    centers, radii = _circumcircles(points[rng.integers(len(points), size=(_SAMPLES, 3))])
    fits = np.isfinite(radii) & (radii >= least) & (radii <= most)
    centers, radii = centers[fits], radii[fits]
    if not len(radii):
        return None
    apart = np.abs(np.linalg.norm(points[None] - centers[:, None], axis=2) - radii[:, None])
    rows, columns = np.nonzero(region)
    level = flat[region]
    smooth = ndimage.gaussian_filter(grey, 1.0)
    span = max(float(np.subtract(*np.percentile(smooth[region], [99.0, 1.0]))), 1e-6)
    for candidate in np.argsort(-(apart < 2.0).sum(axis=1))[:_CANDIDATES]:
        found = _refined(points, centers[candidate], float(radii[candidate]))
        if found is None or not least <= found[1] <= most:
            continue
        center, radius, on = found
        turn = np.degrees(np.arctan2(*(points[on] - center).T[::-1]))
        beyond = np.hypot(columns - center[0], rows - center[1]) > radius + 3.0
        normals = (points[on] - center) / np.linalg.norm(points[on] - center, axis=1, keepdims=True)
        sharp = np.isfinite(sharp_steps(smooth, points[on], normals, span))
        wide = len(np.unique(np.floor(turn[sharp] / 5.0))) >= 12
        if wide and sharp.mean() >= 0.5 and beyond.mean() >= 0.02 and level[beyond].mean() >= 0.9:
            return center, radius
    return None


def _refined(points: Array, center: Array, radius: float) -> tuple[Array, float, Mask] | None:
    for reach in (3.0, 2.0):
        on = np.abs(np.linalg.norm(points - center, axis=1) - radius) < reach
        if on.sum() < 40:
            return None
        try:
            circle = fit_circle(np.column_stack([points[on], np.zeros(int(on.sum()))]))
        except InputError:
            return None
        center, radius = np.asarray(circle.center_lps_mm[:2]), circle.radius_mm
    on = np.abs(np.linalg.norm(points - center, axis=1) - radius) < 2.0
    return center, radius, on


def _circumcircles(picks: Array) -> tuple[Array, Array]:
    """Return centres and radii of the circles through three points each, shape (n, 3, 2); not finite on a line."""
    a, b, c = picks[:, 0], picks[:, 1] - picks[:, 0], picks[:, 2] - picks[:, 0]
    with np.errstate(divide="ignore", invalid="ignore"):
        twice = 2.0 * (b[:, 0] * c[:, 1] - b[:, 1] * c[:, 0])
        squares = np.stack([(b**2).sum(axis=1), (c**2).sum(axis=1)])
        x = (c[:, 1] * squares[0] - b[:, 1] * squares[1]) / twice
        y = (b[:, 0] * squares[1] - c[:, 0] * squares[0]) / twice
    return a + np.column_stack([x, y]), np.hypot(x, y)
