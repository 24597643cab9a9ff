"""Where the cup is in the picture, roughly: the planned outline tried in many places and turned many ways.

The score is how well the picture's gradient points inwards across the outline, each point's say limited, so that a
strong edge (a head, a screw) can't outvote a long faint one.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.ndimage import gaussian_filter

from cotyle.space.arrays import Array, unit
from cotyle.space.rotations import rotation_matrix
from cotyle.space.shapes import Circle
from cotyle.xray.carm import CArm
from cotyle.xray.cup_in_picture.patch import Patch
from cotyle.xray.outlines import hemisphere_outline

_BLUR_MM = 1.0
_POINTS = 120
_STRONG = 4.0


@dataclass(frozen=True, eq=False)
class Found:
    """A rough place of the cup: its rim and the mean score along its outline, at most 1."""

    rim: Circle
    score: float


def turned_about_plan(
    carm: CArm, planned: Circle, in_picture_deg: Sequence[float], toward_deg: Sequence[float]
) -> list[Circle]:
    """Return the planned rim turned in the picture's plane and, after that, towards the source and away from it."""
    ray = unit(planned.center_lps_mm - carm.source_lps_mm)
    rims = []
    for in_picture in in_picture_deg:
        axis = rotation_matrix(ray, in_picture) @ planned.normal_lps
        across = np.cross(ray, axis)
        if np.linalg.norm(across) < 1e-6:
            continue
        rims += [
            Circle(planned.center_lps_mm, unit(rotation_matrix(across, toward) @ axis), planned.radius_mm)
            for toward in toward_deg
        ]
    return rims


def search(patch: Patch, rims: Sequence[Circle], reach_mm: float, step_mm: float, best: int = 5) -> list[Found]:
    """Return the best places of the rims, each shifted over the patch up to ``reach_mm`` in the cup's plane.

    Places nearer than 4 mm and 8 degrees to a better one are left out.
    """
    inward = _inward(patch, rims[0])
    pitch = patch.carm.pixel_pitch_mm[0]
    per_mm = patch.carm.magnification(rims[0].center_lps_mm) / pitch
    count = int(np.ceil(reach_mm / step_mm))
    offsets = np.arange(-count, count + 1) * step_mm
    across, down = (grid.ravel() for grid in np.meshgrid(offsets, offsets))
    near = np.hypot(across, down) <= reach_mm
    shifts = np.column_stack([across[near], down[near]])
    candidates: list[tuple[float, int, int]] = []
    for index, rim in enumerate(rims):
        scores = _scores(inward, outline_and_inward(patch.carm, rim), shifts * per_mm)
        candidates += [(float(scores[place]), index, int(place)) for place in np.argsort(scores)[::-1][:best]]
    candidates.sort(reverse=True)
    found: list[Found] = []
    axes = np.stack([patch.carm.column_direction_lps, patch.carm.row_direction_lps])
    for score, index, place in candidates:
        rim = rims[index]
        moved = Circle(rim.center_lps_mm + shifts[place] @ axes, rim.normal_lps, rim.radius_mm)
        if not any(_alike(moved, other.rim) for other in found):
            found.append(Found(moved, score))
        if len(found) == best:
            break
    return found


def _inward(patch: Patch, rim: Circle) -> tuple[Array, Array]:
    """Return the gradient (along columns, along rows), limited: its length below 1, half of that at some deviations."""
    pixel_mm = patch.carm.pixel_pitch_mm[0] / patch.carm.magnification(rim.center_lps_mm)
    sigma = max(_BLUR_MM / pixel_mm, 0.7)
    share = np.maximum(gaussian_filter(patch.usable.astype(float), sigma), 1e-6)
    smooth = gaussian_filter(np.where(patch.usable, patch.attenuation, 0.0), sigma) / share
    down, across = np.gradient(smooth)
    length = np.hypot(across, down)
    usual = _STRONG * max(float(np.median(length[patch.usable])), 1e-12)
    clear = patch.usable & (gaussian_filter(patch.usable.astype(float), 2 * sigma) > 0.98)
    limited = np.where(clear, 1.0 / (length + usual), 0.0)
    return across * limited, down * limited


def outline_and_inward(carm: CArm, rim: Circle, count: int = _POINTS) -> tuple[Array, Array]:
    """Return points evenly along the cup's outline in pixels, shape (count, 2), and unit normals to its inside."""
    line = hemisphere_outline(carm, rim).silhouette_px
    way = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(line, axis=0), axis=1))])
    at = np.linspace(0.0, way[-1], count, endpoint=False)
    points = np.column_stack([np.interp(at, way, line[:, i]) for i in (0, 1)])
    along = np.roll(points, -1, axis=0) - np.roll(points, 1, axis=0)
    inside = np.column_stack([-along[:, 1], along[:, 0]])
    inside /= np.maximum(np.linalg.norm(inside, axis=1, keepdims=True), 1e-12)
    if float(((points.mean(axis=0) - points) * inside).sum()) < 0:
        inside = -inside
    return points, inside


def _scores(inward: tuple[Array, Array], outline: tuple[Array, Array], shifts_px: Array) -> Array:
    across, down = inward
    points, inside = outline
    rows, columns = across.shape
    at = np.rint(points[None] + shifts_px[:, None]).astype(int)
    within = (at >= 0).all(axis=2) & (at[..., 0] < columns) & (at[..., 1] < rows)
    column, row = np.clip(at[..., 0], 0, columns - 1), np.clip(at[..., 1], 0, rows - 1)
    agreement = across[row, column] * inside[:, 0] + down[row, column] * inside[:, 1]
    return np.asarray(np.where(within, agreement, 0.0).mean(axis=1))


def _alike(one: Circle, other: Circle) -> bool:
    close = float(np.linalg.norm(one.center_lps_mm - other.center_lps_mm)) < 4.0
    return close and float(one.normal_lps @ other.normal_lps) > np.cos(np.deg2rad(8.0))
