"""When points that turn about an axis first meet a surface.

No point of a body that turns by an angle moves farther than the angle times its distance from the axis. So a point that
lies d from the surface needn't be looked at again before d over that distance (conservative advancement, after Mirtich
and Canny, Impulse-based simulation of rigid bodies, 1995; from memory): only the few points that are due are measured
again, exactly, and nothing thin is jumped over.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.ndimage import distance_transform_edt

from cotyle.cup.motion.surface_points import surface_points
from cotyle.space.arrays import Array, as_vector
from cotyle.space.lines import inside
from cotyle.space.mesh import TriangleMesh
from cotyle.space.mesh_queries import MeshQuery
from cotyle.space.rotations import rotation_matrix

TOUCH_MM = 0.02
"""Nearer than this counts as touching."""
_LEAST_STEP_DEG = 0.005
_TOGETHER_DEG = 0.25
CELL_MM, _EXACT_BELOW_MM = 2.0, 3.0
# A point of the surface lies in the cell of a lattice point or within half a cell of it: so far off that cell's middle.
_SLACK_MM = CELL_MM * (0.5 * np.sqrt(3.0) + 0.5 / np.sqrt(3.0))


class Obstacle:
    """A closed surface that stands still, with what makes its distance quick: a grid of how far it is at least.

    Grid: cells of 2 mm over the cube within ``within_mm`` of the origin along each axis; each cell that holds a point
    of the surface is marked, and the distance transform tells every cell how far the nearest marked one is. What lies
    farther from the origin than that is met by nothing that turns about it within that reach, and needn't be known.
    """

    def __init__(self, mesh: TriangleMesh, within_mm: float) -> None:
        self.mesh = mesh
        self._query = MeshQuery(mesh)
        self._half = int(np.ceil(within_mm / CELL_MM)) + 1
        count = 2 * self._half
        empty = np.ones((count, count, count), dtype=bool)
        cells = self._cells(surface_points(mesh, 0.5 * CELL_MM))
        empty[tuple(cells[((cells >= 0) & (cells < count)).all(axis=1)].T)] = False
        self._far_mm = distance_transform_edt(empty).astype(np.float32) * CELL_MM if not empty.all() else None

    def clearance_mm(self, points: Array) -> Array:
        """Return distances (n,) to the surface: exact where it is near, elsewhere a value that is not larger."""
        bound = self._least_mm(points)
        near = bound < _EXACT_BELOW_MM
        if near.any():
            bound[near] = self._query.distance(points[near])
        return np.asarray(bound)

    def _least_mm(self, points: Array) -> Array:
        """A distance that is surely not larger: between cells, less what points lie off the middles of theirs.

        Zero for points outside the grid, and where nothing of the surface lies in it.
        """
        cells = self._cells(points)
        known = ((cells >= 0) & (cells < 2 * self._half)).all(axis=1)
        bound = np.zeros(len(points))
        if self._far_mm is not None:
            off = np.linalg.norm(points[known] - (cells[known] + 0.5 - self._half) * CELL_MM, axis=1)
            bound[known] = self._far_mm[tuple(cells[known].T)] - off - _SLACK_MM
        return bound

    def _cells(self, points: Array) -> npt.NDArray[np.int64]:
        return np.floor(points / CELL_MM).astype(np.int64) + self._half

    def holds(self, points: Array) -> npt.NDArray[np.bool_]:
        """Return whether points (n, 3) lie within it."""
        return inside(self.mesh, points)

    def nearest(self, point: Array) -> tuple[Array, int]:
        """Return the nearest point (3,) of the surface and its nearest vertex."""
        spot = self._query.closest_points(point[None])[0]
        return spot, int(self.mesh.vertex_tree.query(spot)[1])


@dataclass(frozen=True, eq=False)
class Moving:
    """Points (n, 3) of a body and distances (n,) to the obstacle that are not too large."""

    points: Array
    clearance_mm: Array


@dataclass(frozen=True, eq=False)
class Touch:
    """The first touch on a turn: its angle, the point (3,) of the body there and its number, mm gained per degree."""

    angle_deg: float
    point: Array
    index: int
    mm_per_deg: float


def moving(points: Array, obstacle: Obstacle) -> Moving:
    """Return points ready to be turned."""
    return Moving(points, obstacle.clearance_mm(points))


def turn_until(
    body: Moving, obstacle: Obstacle, axis: npt.ArrayLike, center: npt.ArrayLike, by_deg: float
) -> tuple[Moving, Touch | None]:
    """Turn a body about an axis through a centre until it touches or has turned by the angle.

    Returns the body where it stopped, and the touch if there was one.
    """
    pivot, k = as_vector(center), as_vector(axis)
    offset = body.points - pivot
    radius = np.maximum(np.linalg.norm(np.cross(k, offset), axis=1), 1e-9)
    due = np.degrees(np.maximum(body.clearance_mm, 0.0) / radius)
    while (angle := float(due.min())) < by_deg:
        looked = np.flatnonzero(due <= angle + _TOGETHER_DEG)
        places = offset[looked] @ rotation_matrix(k, angle).T + pivot
        distance = obstacle.clearance_mm(places)
        closest = int(np.argmin(distance))
        if distance[closest] <= TOUCH_MM:
            stopped = Moving(offset @ rotation_matrix(k, angle).T + pivot, np.radians(due - angle) * radius)
            index = int(looked[closest])
            return stopped, Touch(angle, places[closest], index, _approach(offset[index], obstacle, k, pivot, angle))
        due[looked] = angle + np.maximum(np.degrees(distance / radius[looked]), _LEAST_STEP_DEG)
    turned = offset @ rotation_matrix(k, by_deg).T + pivot
    return Moving(turned, np.radians(due - by_deg) * radius), None


def _approach(offset: Array, obstacle: Obstacle, k: Array, pivot: Array, angle: float) -> float:
    """By how much a point that touches neared the surface over the last degree."""
    before = offset @ rotation_matrix(k, angle - 1.0).T + pivot
    return float(obstacle.clearance_mm(before[None])[0])
