"""One half of the pelvis laid onto the other: how far the ring is from its own mirror image, and where a point of one
half lies on the other.

The right hip bone is mirrored and laid onto the left one by the rigid motion that brings their surfaces together
(iterative closest points, Besl and McKay, IEEE Trans Pattern Anal Mach Intell 1992;14:239, with the distance to the
tangent plane of Chen and Medioni, Image Vis Comput 1992;10:145; both from memory). In a pelvis that is its own mirror
image, mirror and motion together are the reflection in one plane. What they turn beyond that, about the normal of the
plane, is the asymmetry of the ring. A turn about an axis within the plane only moves the plane and cannot be seen from
the two hip bones; the sacrum, whose halves differ by 2 to 10 deg in healthy synthetic pelves, does not show it either.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.spatial import cKDTree
from scipy.spatial.transform import Rotation

from cotyle.space.arrays import Array, BoolArray
from cotyle.space.frames import Frame
from cotyle.space.mesh import TriangleMesh
from cotyle.space.mesh_queries import MeshQuery
from cotyle.space.rotations import transform_points
from cotyle.space.side import Side

_ROUNDS = 30
_SAMPLE = 1000
# the worst fifth of the pairs has no say: osteophytes, a worn socket, the edge of what is shown
_KEPT_SHARE = 0.8
_SETTLED_RAD, _SETTLED_MM = 2e-4, 0.02
_LEAST_PAIRS = 50
PIECE_MM = 70.0
_CORE_MM, _RING_MM, _SLID_MM = 12.0, 40.0, 10.0
_FACING_MM, _FACE_DEPTH_MM, _LEAST_FACE = 18.0, 8.0, 20


@dataclass(frozen=True, eq=False)
class MirroredHalf:
    """The mirrored right hip bone as it lies on the left one.

    right_to_left: 4x4, mirror and motion together. misfit_mm: median distance of the two surfaces, which tells how
    unequal the two bones are in shape.
    """

    right_to_left: Array
    misfit_mm: float

    def onto(self, side: Side, points_lps_mm: npt.ArrayLike) -> Array:
        """Take points (3,) or (n, 3) of the opposite half to where they lie on this one."""
        matrix = self.right_to_left if side is Side.LEFT else _inverse(self.right_to_left)
        return transform_points(matrix, points_lps_mm)

    @property
    def turn_deg(self) -> float:
        """By how much one half is turned against the mirror image of the other, about the plane's normal."""
        trace = float(np.trace(self.right_to_left[:3, :3]))
        return float(np.rad2deg(np.arccos(np.clip(0.5 * (trace + 1.0), -1.0, 1.0))))


def lay_piece(
    bones: Mapping[Side, TriangleMesh],
    shown: Mapping[Side, BoolArray],
    start: MirroredHalf,
    about_lps_mm: Array,
    side: Side,
) -> MirroredHalf:
    """Lay the halves on each other again, by what is shown of one side within 70 mm of a point.

    Two hip bones of one person differ in shape; near the point the piece around it says more than the whole.
    """
    own = bones[side].vertices_lps_mm
    near = shown[side] & (np.linalg.norm(own - about_lps_mm, axis=1) < PIECE_MM)
    matrix = start.right_to_left if side is Side.RIGHT else _inverse(start.right_to_left)
    motion, misfit_mm = lay_onto(own[near], bones[side.opposite], matrix, shown[side.opposite])
    return MirroredHalf(motion if side is Side.RIGHT else _inverse(motion), misfit_mm)


def stands_proud_mm(bones: Mapping[Side, TriangleMesh], halves: MirroredHalf, side: Side, about_lps_mm: Array) -> Array:
    """How far (n,) the vertices of one hip bone within 12 mm of a point stand out of the other's mirror image, mm.

    The mirrored bone is laid onto the ring of surface 12 to 40 mm from the point, so that only what is narrow stands
    out. 0 farther away, and everywhere where the ring slid along the other bone by more than 10 mm.
    """
    own, other = bones[side].vertices_lps_mm, bones[side.opposite]
    away = np.linalg.norm(own - about_lps_mm, axis=1)
    start = halves.right_to_left if side is Side.RIGHT else _inverse(halves.right_to_left)
    ring = (away > _CORE_MM) & (away < _RING_MM)
    proud = np.zeros(len(own))
    if ring.sum() < _LEAST_PAIRS:
        return proud
    motion, _ = lay_onto(own[ring], other, start, np.ones(len(other.vertices_lps_mm), dtype=bool))
    if np.linalg.norm(transform_points(motion, about_lps_mm) - transform_points(start, about_lps_mm)) > _SLID_MM:
        return proud
    core = away <= _CORE_MM
    if not core.any():  # a point that a hand put off the bone
        return proud
    proud[core] = MeshQuery(other).signed_distance(transform_points(motion, own[core]))
    return proud


def symphysis_step_mm(bones: Mapping[Side, TriangleMesh], frame: Frame) -> tuple[float, float]:
    """How far the left pubic bone stands behind and above the right one at the symphysis, mm, along the frame's axes.

    Of each pubic bone the inner 8 mm of what lies within 18 mm of the other: the middles of their extents, from behind
    to in front and from above to below (2nd to 98th percentile), are compared.
    """
    local = {side: frame.to_frame(bone.vertices_lps_mm) for side, bone in bones.items()}
    middles = []
    for side in Side:
        own, lateral = local[side], side.lateral_sign * local[side][:, 0]
        gap, _ = cKDTree(local[side.opposite]).query(own, distance_upper_bound=_FACING_MM)
        face = np.isfinite(gap) & (own[:, 2] < np.quantile(own[:, 2], 0.45))
        if face.sum() < _LEAST_FACE:
            return 0.0, 0.0
        face &= lateral < lateral[face].min() + _FACE_DEPTH_MM
        middles.append(np.quantile(own[face, 1:], [0.02, 0.98], axis=0).mean(axis=0))
    behind, above = middles[0] - middles[1]
    return float(behind), float(above)


def lay_halves(bones: Mapping[Side, TriangleMesh], shown: Mapping[Side, BoolArray] | None = None) -> MirroredHalf:
    """Lay the mirrored right hip bone onto the left one.

    Parameters
    ----------
    bones:
        Both hip bones, LPS mm.
    shown:
        Vertices of each that are known, shape (n,); all if not given. What the other bone has there has no say.
    """
    left, right = bones[Side.LEFT], bones[Side.RIGHT]
    known = {side: np.ones(len(bone.vertices_lps_mm), dtype=bool) for side, bone in bones.items()}
    known |= shown or {}
    start = np.diag([-1.0, 1.0, 1.0, 1.0])
    start[:3, 3] = left.vertices_lps_mm.mean(axis=0) - transform_points(start, right.vertices_lps_mm).mean(axis=0)
    return MirroredHalf(*lay_onto(right.vertices_lps_mm[known[Side.RIGHT]], left, start, known[Side.LEFT]))


def lay_onto(points_lps_mm: Array, target: TriangleMesh, start: Array, counts: BoolArray) -> tuple[Array, float]:
    """Move points (n, 3) rigidly onto a surface; return the 4x4 with the start in it, and the median distance in mm.

    ``start`` is a 4x4 that may hold a mirror; ``counts`` tells for each vertex of the target whether points that come
    to lie there have a say.
    """
    points = points_lps_mm[:: max(len(points_lps_mm) // _SAMPLE, 1)]
    tree, normals = cKDTree(target.vertices_lps_mm), target.vertex_normals
    motion, misfit_mm = start, float("inf")
    for _ in range(_ROUNDS):
        moved = transform_points(motion, points)
        distance, nearest = tree.query(moved)
        kept = counts[nearest]
        if kept.sum() < _LEAST_PAIRS:
            break
        kept &= distance <= np.quantile(distance[kept], _KEPT_SHARE)
        normal, offset = normals[nearest[kept]], moved[kept] - target.vertices_lps_mm[nearest[kept]]
        along = np.einsum("ij,ij->i", normal, offset)
        misfit_mm = float(np.median(np.abs(along)))
        middle = moved[kept].mean(axis=0)
        matrix = np.hstack([np.cross(moved[kept] - middle, normal), normal])
        change = np.linalg.lstsq(matrix, -along, rcond=None)[0]
        step = np.eye(4)
        step[:3, :3] = Rotation.from_rotvec(change[:3]).as_matrix()
        step[:3, 3] = middle - step[:3, :3] @ middle + change[3:]
        motion = step @ motion
        if np.abs(change[:3]).max() < _SETTLED_RAD and np.abs(change[3:]).max() < _SETTLED_MM:
            break
    return motion, misfit_mm


def _inverse(matrix: Array) -> Array:
    return np.asarray(np.linalg.inv(matrix), dtype=np.float64)
