"""Where, along the normal of each vertex of a surface, does the scan show the edge of bone?"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from cotyle.image.sampling import sample
from cotyle.image.volume import Volume
from cotyle.space.arrays import Array


@dataclass(frozen=True)
class EdgeSearch:
    """How to look for the edge.

    Parameters
    ----------
    reach_mm:
        How far to look to either side of the vertex.
    step_mm:
        Distance between the places tried; the answer lies between them by a parabola.
    span_mm:
        Length over which density is averaged just inside and just outside the edge.
    ceiling_hu:
        Density is clipped to this first, so that soft and hard bone count alike; infinity for the true step.
    cap_hu:
        A step higher than this counts as this much, so that the nearest good edge beats a stronger one far off.
    """

    reach_mm: float
    step_mm: float
    span_mm: float
    ceiling_hu: float
    cap_hu: float


@dataclass(frozen=True, eq=False)
class Edges:
    """For each vertex: way along the outward normal to the edge (mm), and the height of its step (HU)."""

    shift_mm: Array
    step_hu: Array


FLOOR_HU = -50.0
# Share of its height that an edge loses at the end of the reach, so that of two alike the nearer wins.
_FAR_PENALTY = 1.0 / 6.0


def find_edges(
    volume: Volume,
    points_lps_mm: Array,
    normals: Array,
    search: EdgeSearch,
    farthest_mm: npt.ArrayLike = np.inf,
) -> Edges:
    """Find the place along each normal where density falls the most from inside to outside.

    Parameters
    ----------
    volume:
        Densities in HU; places beyond it count as having no edge.
    points_lps_mm, normals:
        Shape (n, 3): vertices and outward unit normals.
    farthest_mm:
        Largest outward shift allowed, one for all or one for each vertex, for surfaces that may not grow into
        another bone.

    Returns
    -------
    Edges
        ``step_hu`` is zero where there is no edge within reach, or the place or the profile leaves the volume.
    """
    count = max(round(search.reach_mm / search.step_mm), 1)
    span = max(round(search.span_mm / search.step_mm), 1)
    offsets = np.arange(-count - span, count + span + 1) * search.step_mm
    profile = sample(volume, points_lps_mm[:, None, :] + offsets[:, None] * normals[:, None, :], outside=np.nan)
    beyond = np.isnan(profile)
    profile = np.clip(np.where(beyond, FLOOR_HU, profile), FLOOR_HU, search.ceiling_hu)
    # sums of trapezoids from the start of the profile
    steps = 0.5 * (profile[:, 1:] + profile[:, :-1])
    sums = np.concatenate([np.zeros((len(profile), 1)), np.cumsum(steps, axis=1, dtype=np.float64)], axis=1)
    middle = np.arange(span, span + 2 * count + 1)
    drop = (2.0 * sums[:, middle] - sums[:, middle - span] - sums[:, middle + span]) / span
    shifts = np.asarray(offsets[middle], dtype=np.float64)
    score = np.minimum(drop, search.cap_hu) * (1.0 - _FAR_PENALTY * (shifts / search.reach_mm) ** 2)
    barred = shifts > np.asarray(farthest_mm, dtype=float).reshape(-1, 1)
    # what lies beyond the scan itself would only see edges that are not its own
    unseen = beyond[:, middle - span] | beyond[:, middle + span] | beyond[:, [count + span]]
    score = np.where(unseen | barred, -np.inf, score)
    return _best(np.asarray(score, dtype=np.float64), np.asarray(drop, dtype=np.float64), shifts, search.step_mm)


def _best(score: Array, drop: Array, shifts: Array, step_mm: float) -> Edges:
    rows = np.arange(len(score))
    best = np.argmax(score, axis=1)
    found = np.isfinite(score[rows, best])
    inner = np.clip(best, 1, score.shape[1] - 2)
    left, center, right = drop[rows, inner - 1], drop[rows, inner], drop[rows, inner + 1]
    curvature = left - 2.0 * center + right
    peaked = found & (inner == best) & (curvature < 0) & (center >= left) & (center >= right)
    between = np.where(peaked, 0.5 * (left - right) / np.where(peaked, curvature, 1.0), 0.0)
    height = np.where(found, np.maximum(drop[rows, best], 0.0), 0.0)
    return Edges(np.where(found, shifts[best] + step_mm * between, 0.0), height)
