"""A double floor: a plate of bone over the acetabular fossa, with a pocket of soft tissue behind it.

The bone's own surface runs over the plate, and the pocket is a closed surface within the bone, wound so that it counts
as outside. Lines, distances and masks of the whole are then exact, and the bone's vertices keep their order.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from cotyle.space.arrays import Array, IntArray
from cotyle.space.mesh import TriangleMesh, merged
from cotyle.space.shapes import Sphere
from scipy.spatial import cKDTree

from cotyle_sample.shaping import Indices

_EDGE_MM = 3.0
_LEAST_GAP_MM = 0.35
_HEAD_CLEAR_MM = 0.4


@dataclass(frozen=True, eq=False)
class Pocket:
    """The space between plate and floor: a closed surface whose normals point into it."""

    mesh: TriangleMesh
    plate_mm: float
    gap_mm: float

    def added_to(self, hip_bone: TriangleMesh) -> TriangleMesh:
        """The bone with its pocket; the bone's own vertices stay first and in order."""
        return merged([hip_bone, self.mesh])


def raised_floor(
    hip_bone: TriangleMesh, fossa: Indices, head: Sphere, plate_mm: float, gap_mm: float
) -> tuple[Array, Pocket | None]:
    """Lay a plate over the fossa.

    Parameters
    ----------
    hip_bone:
        Without a plate; its surface in the fossa becomes the true floor.
    fossa:
        Vertex numbers of the fossa's floor.
    head:
        The femoral head, which the plate leaves free.

    Returns
    -------
    vertices, pocket
        Vertices (n, 3) of the bone with its surface over the plate; None for the pocket where there is no room.
    """
    points = np.array(hip_bone.vertices_lps_mm)
    beyond = np.setdiff1d(np.arange(len(points)), fossa)
    from_edge = cKDTree(points[beyond]).query(points[fossa])[0] - 1.0
    share = np.clip(from_edge / _EDGE_MM, 0.0, 1.0)
    share = share * share * (3.0 - 2.0 * share)
    inward = head.center_lps_mm - points[fossa]
    distance = np.linalg.norm(inward, axis=1)
    inward /= distance[:, None]
    room = np.maximum(distance - head.radius_mm - _HEAD_CLEAR_MM, 0.0)
    raised = np.minimum(share * (plate_mm + gap_mm), room)
    gap = np.zeros(len(points))
    gap[fossa] = raised - plate_mm
    direction = np.zeros_like(points)
    direction[fossa] = inward
    pocket = _pocket(points, hip_bone.triangles, gap, direction)
    points[fossa] += raised[:, None] * inward
    return points, None if pocket is None else Pocket(pocket, plate_mm, gap_mm)


def _pocket(points: Array, triangles: IntArray, gap: Array, direction: Array) -> TriangleMesh | None:
    """The largest patch of floor with a gap over it, closed by the plate's back and a strip round its edge."""
    chosen = _largest_patch(triangles[(gap[triangles] > _LEAST_GAP_MM).all(axis=1)])
    if len(chosen) < 4:
        return None
    used, renumbered = np.unique(chosen, return_inverse=True)
    floor = renumbered.reshape(-1, 3)
    edges = np.concatenate([floor[:, [0, 1]], floor[:, [1, 2]], floor[:, [2, 0]]])
    seen = {(int(a), int(b)) for a, b in edges}
    border = np.array([edge for edge in seen if (edge[1], edge[0]) not in seen])
    count = len(used)
    back = floor[:, ::-1] + count
    strip = [[[b, a, a + count], [b, a + count, b + count]] for a, b in border]
    vertices = np.concatenate([points[used], points[used] + gap[used, None] * direction[used]])
    return TriangleMesh(vertices, np.concatenate([floor, back, np.array(strip).reshape(-1, 3)]).astype(np.int32))


def _largest_patch(triangles: IntArray) -> npt.NDArray[np.int32]:
    """The largest group of triangles joined by edges, without those that meet the rest at a corner alone."""
    by_edge: dict[tuple[int, int], list[int]] = {}
    for row, (a, b, c) in enumerate(triangles.tolist()):
        for edge in ((a, b), (b, c), (c, a)):
            by_edge.setdefault((min(edge), max(edge)), []).append(row)
    group = np.full(len(triangles), -1)
    for start in range(len(triangles)):
        if group[start] >= 0:
            continue
        waiting = [start]
        group[start] = start
        while waiting:
            a, b, c = triangles[waiting.pop()].tolist()
            for edge in ((a, b), (b, c), (c, a)):
                for row in by_edge[min(edge), max(edge)]:
                    if group[row] < 0:
                        group[row] = start
                        waiting.append(row)
    if not len(triangles):
        return np.empty((0, 3), dtype=np.int32)
    names, sizes = np.unique(group, return_counts=True)
    return np.asarray(triangles[group == names[np.argmax(sizes)]], dtype=np.int32)
