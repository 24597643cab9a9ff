"""Straight edges that bound an X-ray picture: blades of the collimator, margins of a screen.

Such an edge runs across the field in one line, sharp throughout, and beyond it nothing is seen. Long lines are found by
the directions of grey's steepest rise (Hough transform: Ballard, Pattern Recognition 1981;13:111) and each is judged by
what lies along it and beyond it. A retractor or a rod has something beyond its border; skin is neither straight nor
sharp, since the body thins out towards it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from cotyle.space.arrays import Array

Mask = npt.NDArray[np.bool_]

LEAST_STEP_SHARE = 0.03
"""Step of grey across a blade's edge, as a share of the picture's range; our choice, as those below."""

_CANDIDATES = 40
_NEAR_PX, _FAR_PX = 5.0, 14.0
_SHARP_SHARE = 0.6
_ALONG_SHARE = 0.65
_ROUNDS = 3
_FLAT_SHARE = 0.3
_BEYOND_SHARES = (0.01, 0.45)


@dataclass(frozen=True, eq=False)
class Line:
    """A straight edge: a point (column, row) on it and the unit normal to the side that is kept."""

    point_px: Array
    inward: Array

    def inside_px(self, columns: npt.ArrayLike, rows: npt.ArrayLike) -> Array:
        """Return how far inside the edge pixels lie; negative beyond it."""
        offset = (np.asarray(columns) - self.point_px[0]) * self.inward[0]
        return np.asarray(offset + (np.asarray(rows) - self.point_px[1]) * self.inward[1])


def find_blades(grey: npt.NDArray[np.float32], inside: Mask) -> list[Line]:
    """Return the straight edges that bound a picture within a mask (rows, columns), in the order they were found."""
    smooth = ndimage.gaussian_filter(grey, 1.0)
    low, high = np.percentile(smooth[inside], [1.0, 99.0])
    span = max(float(high - low), 1e-6)
    kept = inside.copy()
    lines: list[Line] = []
    waiting = _straight_lines(smooth, inside, span)
    rows, columns = np.ogrid[: grey.shape[0], : grey.shape[1]]
    # an edge that runs on beyond another shows in full only when that one is taken away
    for _ in range(_ROUNDS):
        before = len(lines)
        for point, normal in waiting:
            line = _judged(smooth, kept, point, normal, span)
            if line is not None:
                lines.append(line)
                kept &= line.inside_px(columns, rows) >= 2.0
        if len(lines) == before:
            break
    return lines


def _straight_lines(smooth: Array, inside: Mask, span: float) -> list[tuple[Array, Array]]:
    """Return points and normals of the lines that most of the steep pixels agree on, strongest first."""
    down, across = (np.asarray(slope) for slope in np.gradient(smooth))
    steep = np.hypot(down, across)
    core = ndimage.binary_erosion(inside, iterations=6)
    edge = core & (steep > LEAST_STEP_SHARE * span / 6.0) & (steep >= 0.9 * ndimage.maximum_filter(steep, 3))
    rows, columns = np.nonzero(edge)
    if len(rows) < 20:
        return []
    angle = np.arctan2(down[edge], across[edge]) % np.pi
    turns, reach = 180, int(np.hypot(*smooth.shape)) + 2
    votes = np.zeros((turns, 2 * reach // 2 + 1))
    for shift in (-1, 0, 1):
        turn = (np.rint(angle / np.pi * turns).astype(int) + shift) % turns
        theta = turn * np.pi / turns
        offset = columns * np.cos(theta) + rows * np.sin(theta) + reach
        np.add.at(votes, (turn, np.rint(offset / 2.0).astype(int)), 1.0 if shift == 0 else 0.5)
    votes = ndimage.gaussian_filter(votes, (0.7, 0.7), mode=("wrap", "constant"))
    found = []
    for _ in range(_CANDIDATES):
        turn, place = divmod(int(votes.argmax()), votes.shape[1])
        if votes[turn, place] < 8.0:
            break
        theta, offset = turn * np.pi / turns, 2.0 * place - reach
        normal = np.array([np.cos(theta), np.sin(theta)])
        found.append(_fitted(np.column_stack([columns, rows]).astype(float), offset * normal, normal))
        around = np.arange(turn - 4, turn + 5) % turns
        votes[np.ix_(around, np.arange(max(place - 4, 0), min(place + 5, votes.shape[1])))] = 0.0
    return found


def _fitted(steep: Array, point: Array, normal: Array) -> tuple[Array, Array]:
    """Return the line through the steep pixels (column, row) near a line."""
    for reach in (4.0, 2.0):
        points = steep[np.abs((steep - point) @ normal) < reach]
        if len(points) < 10:
            break
        point = points.mean(axis=0)
        normal = np.linalg.svd(points - point, full_matrices=False)[2][1]
    return point, normal


def _judged(smooth: Array, kept: Mask, point: Array, normal: Array, span: float) -> Line | None:
    """Return the line as an edge of the picture, or None if it is none."""
    steps = _along(kept, point, normal)
    if len(steps) < min(smooth.shape) / 6:
        return None
    rise = sharp_steps(smooth, steps, np.broadcast_to(normal, steps.shape), span)
    same = np.isfinite(rise) & (np.sign(rise) == np.sign(np.nansum(rise)))
    if same.sum() < max(_ALONG_SHARE * len(steps), min(smooth.shape) / 6):
        return None
    # every third pixel each way tells how much lies beyond and how it varies
    rows, columns = np.ogrid[: smooth.shape[0] : 3, : smooth.shape[1] : 3]
    thin, thin_kept = smooth[::3, ::3], kept[::3, ::3]
    side = Line(point, normal).inside_px(columns, rows)
    parts = [thin_kept & (side > 3.0), thin_kept & (side < -3.0)]
    beyond, within = sorted(parts, key=lambda part: int(part.sum()))
    if not _BEYOND_SHARES[0] <= beyond.sum() / max(int(thin_kept.sum()), 1) <= _BEYOND_SHARES[1]:
        return None
    spreads = [float(np.subtract(*np.percentile(thin[part], [85, 15]))) for part in (beyond, within)]
    if spreads[0] > _FLAT_SHARE * max(spreads[1], 1e-9):
        return None
    return Line(point, normal if beyond is parts[1] else -normal)


def _along(kept: Mask, point: Array, normal: Array) -> Array:
    """Return points (column, row), a pixel apart, along a line where it runs through a mask."""
    steps = np.arange(-sum(kept.shape), sum(kept.shape))[:, None] * np.array([-normal[1], normal[0]]) + point
    at = np.rint(steps).astype(int)
    fits = (at >= 0).all(axis=1) & (at[:, 0] < kept.shape[1]) & (at[:, 1] < kept.shape[0])
    steps, at = steps[fits], at[fits]
    return np.asarray(steps[kept[at[:, 1], at[:, 0]]])


def sharp_steps(smooth: Array, points: Array, normals: Array, span: float) -> Array:
    """Return the rise of grey along normals at points (column, row), NaN where there is no sharp step.

    A step is sharp if three fifths of the change within 14 px to either side happen within 5 px, and it spans
    ``LEAST_STEP_SHARE`` of the picture's range ``span``.
    """
    near, far = (
        np.subtract(
            *(
                ndimage.map_coordinates(smooth, (points + sign * reach * normals)[:, ::-1].T, order=1, mode="nearest")
                for sign in (1.0, -1.0)
            )
        )
        for reach in (_NEAR_PX, _FAR_PX)
    )
    sharp = (np.abs(near) > LEAST_STEP_SHARE * span) & (np.abs(near) >= _SHARP_SHARE * np.abs(far))
    return np.asarray(np.where(sharp, near, np.nan))
