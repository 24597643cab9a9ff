"""True against false socket: where the head has left its socket, and the sphere of the socket that it left.

A head out of its socket has pressed a hollow of its own: into the true roof where it is subluxed, into the ilium where
it is dislocated. That hollow follows the head, at the distance of its joint space; what is left of the true socket does
not. So surface that faces the head at the distance of the hollow is set aside, and the true sphere is fitted to the
rest of the articular surface. The head is out of its socket if it lies away from the middle of that sphere.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree

from cotyle.anatomy.landmarks import SocketSeeds
from cotyle.anatomy.sockets.rim import MouthView, mouth_view
from cotyle.anatomy.sockets.socket_sphere import (
    LEAST_RADIUS_MM,
    MOST_RADIUS_MM,
    SocketSphere,
    articular,
    find_socket_sphere,
    head_sphere,
    meeting_of_normals,
    vertex_areas,
)
from cotyle.errors import InputError
from cotyle.space.arrays import Array, BoolArray
from cotyle.space.fits import fit_sphere_robust
from cotyle.space.mesh import TriangleMesh
from cotyle.space.shapes import Sphere
from cotyle.space.side import Side

DISPLACED_FROM_MM = 4.0
"""A head farther than this from the middle of its socket has left it; common practice, no source."""
FALSE_SOCKET_FROM_MM = 10.0
"""A head that lies so much higher than its socket lies in a false one, if bone faces it there."""
# Surface belongs to the head's hollow if it faces the head so squarely and lies so near to the hollow's distance.
_FACING_HEAD, _HOLLOW_MM, _NEAREST_MM = 0.75, 1.5, 6.0
_WINDOWS_MM = (5.0, 4.0, 3.5, 3.0, *[2.5] * 8)
_FROM_CARRIED_MM = 5.0
# Surface that looks less squarely at the middle already turns away over the rim or down into the fossa.
_FACING_MIDDLE = 0.93
_LOSS_MM = 0.7
# As how many points the lunate counts, and the least spread of one of them: a lunate is a sphere to about 1 mm.
_POINTS, _LEAST_SPREAD_MM = 30.0, 0.65
_LEAST_SHARE = 0.15
_UPPER_FEMUR_MM = 80.0


@dataclass(frozen=True, eq=False)
class DisplacedHip:
    """A hip whose head has left its socket.

    fit: sphere of the true socket; head: of the femoral head; hollow_mm2: bone that faces the head at the distance of
    its hollow; false_socket: sphere of that hollow where the head lies so high that it is a socket of its own;
    kept_share: of the carried lunate surface that the head's hollow has left alone; center_per_radius (3,): how far the
    centre goes with each mm of radius, since of a shallow socket neither is known without the other.
    """

    fit: SocketSphere
    head: Sphere
    hollow_mm2: float
    kept_share: float
    false_socket: Sphere | None
    center_per_radius: Array

    @property
    def displacement_lps_mm(self) -> Array:
        """Way (3,) from the socket's middle to the head's."""
        return self.head.center_lps_mm - self.fit.sphere.center_lps_mm

    def way_mm(self, axes: Array, side: Side) -> tuple[float, float, float]:
        """Return the same as parts: lateral, anterior, superior, along the axes (rows left, posterior, superior)."""
        left, posterior, superior = axes @ self.displacement_lps_mm
        return float(side.lateral_sign * left), float(-posterior), float(superior)


def find_displaced(
    hip_bone: TriangleMesh, femur: TriangleMesh, side: Side, axes: Array, seeds: SocketSeeds
) -> DisplacedHip | None:
    """Return the true socket of a hip whose head has left it, None if the head is in its socket or there is none.

    Parameters
    ----------
    hip_bone, femur:
        Closed surfaces, LPS mm.
    side:
        Which hip.
    axes:
        Shape (3, 3), rows left, posterior, superior of the pelvis in LPS.
    seeds:
        Carried points; may be empty.
    """
    head = head_sphere(femur, seeds.head, None if len(seeds.head) else _head_guess(femur, side, axes))
    if head is None:
        return None
    view, areas = mouth_view(axes, side), vertex_areas(hip_bone)
    near_head = _hollow_of(head, hip_bone.vertices_lps_mm, hip_bone.vertex_normals)
    start, kept_share = _start(hip_bone, side, axes, seeds, head, near_head)
    if start is None:
        return None
    found = _settled(hip_bone, areas, view, seeds, start, near_head)
    if found is None:
        return None
    sphere, chosen = found
    way = float(np.linalg.norm(head.center_lps_mm - sphere.center_lps_mm))
    if way < DISPLACED_FROM_MM or not LEAST_RADIUS_MM <= sphere.radius_mm <= MOST_RADIUS_MM:
        return None
    fit, per_radius = _described(hip_bone.vertices_lps_mm[chosen], areas[chosen], sphere, head)
    superior_mm = float((head.center_lps_mm - sphere.center_lps_mm) @ axes[2])
    false = _false_socket(hip_bone.vertices_lps_mm[near_head], head, superior_mm)
    return DisplacedHip(fit, head, float(areas[near_head].sum()), kept_share, false, per_radius)


def _false_socket(hollow: Array, head: Sphere, superior_mm: float) -> Sphere | None:
    """The hollow as a sphere about the head; too little of it is spared to be fitted freely."""
    if superior_mm < FALSE_SOCKET_FROM_MM or not len(hollow):
        return None
    return Sphere(head.center_lps_mm, float(np.median(np.linalg.norm(hollow - head.center_lps_mm, axis=1))))


def _head_guess(femur: TriangleMesh, side: Side, axes: Array) -> Sphere:
    """Where the normals of the upper femur's medial side meet within it."""
    height = femur.vertices_lps_mm @ axes[2]
    inside_out = TriangleMesh(femur.vertices_lps_mm, femur.triangles[:, ::-1])
    return meeting_of_normals(inside_out, -side.lateral_sign * axes[0], height > height.max() - _UPPER_FEMUR_MM)


def _hollow_of(head: Sphere, points: Array, normals: Array) -> BoolArray:
    """Mask of surface (n,) that lies as a hollow about the head."""
    offset = points - head.center_lps_mm
    distance = np.maximum(np.linalg.norm(offset, axis=1), 1e-9)
    facing = -np.einsum("ij,ij->i", offset, normals) / distance
    space = distance - head.radius_mm
    close = (facing > _FACING_HEAD) & (space < _NEAREST_MM)
    if not close.any():
        return close
    return close & (space < np.percentile(space[close], 20.0) + _HOLLOW_MM)


def _start(
    hip_bone: TriangleMesh, side: Side, axes: Array, seeds: SocketSeeds, head: Sphere, near_head: BoolArray
) -> tuple[Sphere | None, float]:
    """A first sphere from what the head left alone, and how much of the carried lunate that is.

    Without carried points nothing tells which hollow is the socket but its surface alone.
    """
    if len(seeds.lunate) < 20:
        try:
            alone = find_socket_sphere(hip_bone, side, axes, seeds).sphere
        except InputError:
            # a hollow that true and false socket share is no sphere
            alone = meeting_of_normals(hip_bone, -side.lateral_sign * axes[0], ~near_head)
        apart = float(np.linalg.norm(alone.center_lps_mm - head.center_lps_mm))
        return (alone, 1.0) if apart > DISPLACED_FROM_MM else (None, 0.0)
    nearest = cKDTree(hip_bone.vertices_lps_mm).query(seeds.lunate)[1]
    kept = ~near_head[nearest]
    if kept.sum() < 20 or kept.mean() < _LEAST_SHARE:
        return None, float(kept.mean())
    return fit_sphere_robust(seeds.lunate[kept])[0], float(kept.mean())


def _settled(
    hip_bone: TriangleMesh, areas: Array, view: MouthView, seeds: SocketSeeds, start: Sphere, near_head: BoolArray
) -> tuple[Sphere, BoolArray] | None:
    """Choose articular surface that the head left alone, and fit, in turn."""
    sphere = start
    points = hip_bone.vertices_lps_mm
    carried = np.ones(len(points), dtype=bool)
    if len(seeds.lunate) >= 20:
        carried = cKDTree(seeds.lunate).query(points, distance_upper_bound=_FROM_CARRIED_MM)[0] < _FROM_CARRIED_MM
    for window_mm in _WINDOWS_MM:
        chosen = articular(hip_bone, view, seeds, sphere, window_mm) & carried & ~near_head
        chosen &= _facing(points, hip_bone.vertex_normals, sphere) > _FACING_MIDDLE
        if chosen.sum() < 30:
            return None
        sphere = _fitted(points[chosen], areas[chosen], sphere)
    return sphere, chosen


def _facing(points: Array, normals: Array, sphere: Sphere) -> Array:
    """How squarely surface looks at the middle of a sphere: cosine (n,)."""
    offset = points - sphere.center_lps_mm
    distance = np.maximum(np.linalg.norm(offset, axis=1), 1e-9)
    return np.asarray(-np.einsum("ij,ij->i", offset, normals) / distance)


def _fitted(points: Array, areas: Array, start: Sphere) -> Sphere:
    """Huber sphere by reweighted Gauss-Newton."""
    center, radius = start.center_lps_mm, start.radius_mm
    for _ in range(20):
        offset = points - center
        distance = np.linalg.norm(offset, axis=1)
        residual = distance - radius
        weight = areas * np.minimum(1.0, _LOSS_MM / np.maximum(np.abs(residual), 1e-9))
        slope = np.hstack([-offset / distance[:, None], -np.ones((len(points), 1))])
        normal = slope.T @ (weight[:, None] * slope) + 1e-6 * np.eye(4)
        step = np.linalg.solve(normal, -slope.T @ (weight * residual))
        center, radius = center + step[:3], max(float(radius + step[3]), 1.0)
        if np.abs(step).max() < 1e-4:
            break
    return Sphere(center, radius)


def _described(points: Array, areas: Array, sphere: Sphere, head: Sphere) -> tuple[SocketSphere, Array]:
    """The fit with its uncertainties: those of a sphere through so much surface, spread so far round its middle.

    And how far its centre goes with each mm of radius.
    """
    offset = points - sphere.center_lps_mm
    distance = np.linalg.norm(offset, axis=1)
    residual = np.abs(distance - sphere.radius_mm)
    middle = float(np.median(residual))
    shares = _POINTS * areas / areas.sum()
    slope = np.hstack([offset / distance[:, None], np.ones((len(points), 1))])
    covariance = np.linalg.inv(slope.T @ (shares[:, None] * slope) + 1e-9 * np.eye(4))
    covariance *= max(1.48 * middle, _LEAST_SPREAD_MM) ** 2
    fit = SocketSphere(
        sphere=sphere,
        method="unguided",
        median_residual_mm=middle,
        inlier_share=float(areas[residual < 1.5].sum() / areas.sum()),
        alternative=None,
        disagreement_mm=0.0,
        uncertainty_mm=float(np.sqrt(np.trace(covariance[:3, :3]) / 3.0)),
        diameter_uncertainty_mm=float(2.0 * np.sqrt(covariance[3, 3])),
        head=head,
    )

    return fit, covariance[:3, 3] / covariance[3, 3]
