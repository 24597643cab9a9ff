"""An ellipse through points clicked on a cup's rim, with the covariance of its five numbers.

Start: direct least squares of a conic bound to be an ellipse (Halir R, Flusser J, Numerically stable direct least
squares fitting of ellipses, WSCG 1998, after Fitzgibbon A et al., IEEE Trans Pattern Anal Mach Intell 1999;21:476).
It pulls short arcs to smaller ellipses, so the distances to the curve are made least afterwards.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.linalg import eig
from scipy.optimize import least_squares

from cotyle.errors import InputError
from cotyle.space.arrays import Array, read_only
from cotyle.xray.ellipse import Ellipse, ellipse_from_shape

LEAST_POINTS = 5
CLICK_DEVIATION_PX = 1.0
"""How far a careful click lies off the rim (common practice, no source); what 5 points can't tell themselves."""

_WORTH_OF_CLICK_DEVIATION = 5.0
_OUTLIER_DEVIATIONS = 4.0
_POINTS_FOR_ONE_BAD = 7
_HALVINGS = 60
_BAD_FIT_DEVIATIONS = 3.0
_ARC_NEEDED_DEG = 150.0


@dataclass(frozen=True, eq=False)
class RimEllipse:
    """An ellipse fitted to points.

    Parameters
    ----------
    ellipse_px:
        In pixels.
    covariance:
        Of center (column, row), semi-major and semi-minor axis in px and the angle of the major axis in rad
        (as ``major_axis_angle_deg`` turns), shape (5, 5).
    residual_px:
        Root mean square distance of the points that were used, with the five numbers fitted taken off their count;
        0 for five points.
    dropped:
        Numbers of the points, from 0, that lie too far off to have been meant.
    doubts:
        What makes it doubtful, each a sentence.
    """

    ellipse_px: Ellipse
    covariance: Array
    residual_px: float
    dropped: tuple[int, ...]
    doubts: tuple[str, ...]


def fit_rim_ellipse(points_px: npt.ArrayLike, click_deviation_px: float = CLICK_DEVIATION_PX) -> RimEllipse:
    """Return the ellipse of least distance to points (n, 2), (column, row); one bad point among seven is found out.

    Raises
    ------
    InputError
        ``ellipse-too-few`` below five different points, ``ellipse-degenerate`` for points on a line,
        ``ellipse-none`` where no ellipse runs through them, ``not-finite``.
    """
    points = _checked(points_px)
    kept = np.ones(len(points), dtype=bool)
    best = _refined(points, _robust_start(points), robust_px=click_deviation_px)
    if len(points) >= _POINTS_FOR_ONE_BAD:
        far = np.abs(signed_distances(best, points))
        scale = max(1.4826 * float(np.median(far)), click_deviation_px)
        kept = far <= _OUTLIER_DEVIATIONS * scale
        # five points always lie on some curve: many outliers mean that it is no ellipse
        if (~kept).sum() > len(points) // _POINTS_FOR_ONE_BAD:
            kept[:] = True
    best = _refined(points[kept], best, robust_px=None)
    distances = signed_distances(best, points[kept])
    free = int(kept.sum()) - 5
    squares = float(distances @ distances)
    variance = (squares + _WORTH_OF_CLICK_DEVIATION * click_deviation_px**2) / (free + _WORTH_OF_CLICK_DEVIATION)
    residual = float(np.sqrt(squares / free)) if free else 0.0
    _, information = _distances_and_slopes(best, points[kept])
    covariance = variance * np.linalg.pinv(information.T @ information)
    ellipse, order = _as_ellipse(best)
    return RimEllipse(
        ellipse,
        read_only(order @ covariance @ order.T),
        residual,
        tuple(int(i) for i in np.flatnonzero(~kept)),
        _doubts(ellipse, points[kept], residual, click_deviation_px, int((~kept).sum())),
    )


def signed_distances(parameters: Array, points: Array) -> Array:
    """Return the distance of points (n, 2) to an ellipse (column, row, axis 1, axis 2, angle in rad); inside < 0."""
    return _distances_and_slopes(parameters, points)[0]


def _distances_and_slopes(parameters: Array, points: Array) -> tuple[Array, Array]:
    """Return signed distances (n,) and how they change with the five parameters (n, 5).

    The foot of the perpendicular is the root of one falling function, found by halving (Eberly D, Distance from a
    point to an ellipse, 2011).
    """
    column, row, first, second, angle = parameters
    turn = np.array([[np.cos(angle), np.sin(angle)], [-np.sin(angle), np.cos(angle)]])
    local = turn @ (points - (column, row)).T
    signs, (x, y) = np.where(local < 0.0, -1.0, 1.0), np.abs(local)
    a, b = max(abs(first), 1e-9), max(abs(second), 1e-9)
    swapped = a < b
    if swapped:
        a, b, x, y = b, a, y, x
    low, high = -b * b + b * y, -b * b + np.hypot(a * x, b * y)
    for _ in range(_HALVINGS):
        middle = (low + high) / 2.0
        with np.errstate(divide="ignore", invalid="ignore"):
            above = (a * x / (middle + a * a)) ** 2 + (b * y / (middle + b * b)) ** 2 > 1.0
        low, high = np.where(above, middle, low), np.where(above, high, middle)
    foot_x = np.minimum(a * a * x / (high + a * a), a)
    # written from x alone where y is lost in rounding
    foot_y = b * np.sqrt(np.maximum(1.0 - (foot_x / a) ** 2, 0.0))
    inside = (x / a) ** 2 + (y / b) ** 2 < 1.0
    distances = np.where(inside, -1.0, 1.0) * np.hypot(x - foot_x, y - foot_y)
    outwards = np.stack([foot_x / a**2, foot_y / b**2])
    outwards /= np.maximum(np.linalg.norm(outwards, axis=0), 1e-300)
    grows = -outwards * np.stack([foot_x / a, foot_y / b])
    foot = np.stack([foot_x, foot_y])
    if swapped:
        outwards, grows, foot = outwards[::-1], grows[::-1], foot[::-1]
    outwards, foot = outwards * signs, foot * signs
    turning = outwards[0] * foot[1] - outwards[1] * foot[0]
    return np.asarray(distances), np.column_stack([-(turn.T @ outwards).T, grows.T, turning])


def _checked(points_px: npt.ArrayLike) -> Array:
    points = np.array(points_px, dtype=float)
    if points.ndim != 2 or points.shape[1] != 2:
        raise InputError("vector-shape", f"clicked points must have the shape (n, 2), got {points.shape}")
    if not np.isfinite(points).all():
        raise InputError("not-finite", "a clicked point is not a finite number of pixels")
    different = len(np.unique(np.round(points, 6), axis=0))
    if different < LEAST_POINTS:
        raise InputError(
            "ellipse-too-few",
            f"an ellipse needs {LEAST_POINTS} different points on the rim, got {different}",
            "Click more points, spread round the rim",
        )
    spread = np.linalg.svd(points - points.mean(axis=0), compute_uv=False)
    if spread[1] < 1e-6 * spread[0]:
        raise InputError(
            "ellipse-degenerate",
            "the clicked points lie on one line",
            "click both sides of the rim; a rim seen edge-on has no ellipse, so take the picture from another angle",
        )
    return points


def _robust_start(points: Array) -> Array:
    """Return the direct fit to all points, or to all but one, that is nearest to most of them."""
    chosen = [np.ones(len(points), dtype=bool)]
    if len(points) > LEAST_POINTS + 1:
        chosen += [np.arange(len(points)) != left_out for left_out in range(len(points))]
    starts = [fit for fit in (_direct(points[these]) for these in chosen) if fit is not None]
    if not starts:
        raise InputError("ellipse-none", "no ellipse runs near the clicked points", "click along the rim only")
    return min(starts, key=lambda fit: float(np.median(np.abs(signed_distances(fit, points)))))


def _direct(points: Array) -> Array | None:
    """Return (column, row, axis 1, axis 2, angle) by Halir and Flusser's direct fit, None if there is no ellipse."""
    middle, size = points.mean(axis=0), points.std()
    x, y = ((points - middle) / size).T
    squares, linear = np.column_stack([x * x, x * y, y * y]), np.column_stack([x, y, np.ones_like(x)])
    scatter = linear.T @ linear
    if np.linalg.cond(scatter) > 1e14:
        return None
    back = -np.linalg.solve(scatter, linear.T @ squares)
    reduced = squares.T @ squares + squares.T @ linear @ back
    constraint = np.array([[0.0, 0.0, 0.5], [0.0, -1.0, 0.0], [0.5, 0.0, 0.0]])
    _, vectors = eig(constraint @ reduced)
    vectors = np.real(vectors)
    positive = np.flatnonzero(4 * vectors[0] * vectors[2] - vectors[1] ** 2 > 0)
    if len(positive) == 0:
        return None
    quadratic = vectors[:, positive[0]]
    return _parameters(np.concatenate([quadratic, back @ quadratic]), middle, float(size))


def _parameters(conic: Array, middle: Array, size: float) -> Array | None:
    xx, xy, yy, x, y, one = conic
    matrix = np.array([[xx, xy / 2], [xy / 2, yy]])
    center = np.linalg.solve(matrix, -np.array([x, y]) / 2)
    level = -(one + np.array([x, y]) @ center / 2)
    values, vectors = np.linalg.eigh(matrix / level)
    if values[0] <= 0:
        return None
    first, second = size / np.sqrt(values)
    return np.array([*(middle + size * center), first, second, np.arctan2(vectors[1, 0], vectors[0, 0])])


def _refined(points: Array, start: Array, robust_px: float | None) -> Array:
    reach = float(np.abs(points - points.mean(axis=0)).max())
    scale = np.array([1.0, 1.0, 1.0, 1.0, 1.0 / reach])
    found = least_squares(
        lambda values: signed_distances(values, points),
        start,
        jac=lambda values: _distances_and_slopes(values, points)[1],
        x_scale=scale,
        loss="linear" if robust_px is None else "cauchy",
        f_scale=1.0 if robust_px is None else robust_px,
        max_nfev=200,
    )
    best = np.array(found.x)
    best[2:4] = np.maximum(np.abs(best[2:4]), 1e-6)
    return best


def _as_ellipse(parameters: Array) -> tuple[Ellipse, Array]:
    """Return the ellipse, and the matrix that brings small changes of the parameters into its own order."""
    column, row, first, second, angle = parameters
    turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    ellipse = ellipse_from_shape((column, row), turn @ np.diag([first**2, second**2]) @ turn.T)
    order = np.eye(5)
    if second > first:
        order[[2, 3]] = order[[3, 2]]
    # rows grow downwards, the ellipse's angle turns upwards
    order[4, 4] = -1.0
    return ellipse, order


def _doubts(ellipse: Ellipse, points: Array, residual: float, click: float, dropped: int) -> tuple[str, ...]:
    found = []
    if dropped:
        found.append(f"{dropped} clicked point{'s lie' if dropped > 1 else ' lies'} off the rim and was left out")
    if residual > _BAD_FIT_DEVIATIONS * click:
        found.append(f"the clicked points lie {residual:.1f} px off any ellipse: they may not be on one rim")
    arc = _arc_deg(ellipse, points)
    if arc < _ARC_NEEDED_DEG:
        found.append(f"the clicked points cover {arc:.0f} deg of the rim only: the ellipse is weakly known")
    return tuple(found)


def _arc_deg(ellipse: Ellipse, points: Array) -> float:
    """Return the part of the ellipse that the points span, by its own parameter angle."""
    major = np.array([1.0, 0.0]) if np.isnan(ellipse.major_axis_angle_deg) else ellipse.major_direction
    offset = points - ellipse.center
    along, across = offset @ major, offset @ np.array([-major[1], major[0]])
    turns = np.sort(np.arctan2(across / max(ellipse.semi_minor, 1e-9), along / ellipse.semi_major))
    gaps = np.diff(np.append(turns, turns[0] + 2 * np.pi))
    return 360.0 - float(np.rad2deg(gaps.max()))
