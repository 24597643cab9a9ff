"""The sphere of the native socket: the one to which the lunate (articular) surface lies closest.

The fossa is no part of it: a plain fit, and a consensus fit too, is pulled medially by 1 to 7 mm when the
fossa is deep or has a double floor. So the points are chosen first: surface that faces the centre, lies within
3 mm of the sphere, more than 35 deg from the pole, outside the notch, and is not carried fossa. A real lunate
is a sphere only to about 1 mm, so the loss decides the answer: squared distance up to 1.5 mm and linear beyond
(Huber, Ann Math Stat 1964;35:73), each vertex weighted by the area it stands for. A loss that forgets faster
was tried: it hops between halves of the lunate when the surface carries noise.

Two estimates are always made where they can be:

- *head-guided*: starts from the sphere of the femoral head, with a weak pull towards its centre. Holds in worn
  sockets, where the carried region slips; is refused where the head is metal, missing, or far from the socket.
- *unguided*: starts from the carried lunate points (or, without a shape model, from where the surface's
  normals meet).

The distance between them is reported: a migrated head biases the guided one, and then they disagree.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree

from cotyle.anatomy.landmarks import SocketSeeds
from cotyle.anatomy.metal.metal_cup import BonyBed
from cotyle.anatomy.sockets.rim import MouthView, mouth_view
from cotyle.errors import InputError
from cotyle.space.arrays import Array, BoolArray
from cotyle.space.fits import fit_sphere
from cotyle.space.mesh import TriangleMesh
from cotyle.space.shapes import Sphere
from cotyle.space.side import Side

# Bony radius of a socket, from a small dysplastic one to a large worn one; common practice, no source.
LEAST_RADIUS_MM, MOST_RADIUS_MM = 15.0, 36.0
_USUAL_RADIUS_MM = 25.0
_LOSS_SCALE_MM = 1.5
_WINDOW_MM = 3.0
_CARTILAGE_MM = 2.5
# From the first of these joint spaces down to the second a socket counts as worn. Its surface does not tell what it was
# like before the roof gave way and osteophytes grew on its edge: these are added (one SD; in squares), from eight worn
# sockets of synthetic scans.
_SPACE_MM = 2.2, 1.2
_WORN_CENTER_MM, _WORN_DIAMETER_MM = 0.8, 0.8
BED = "behind-cup"
"""Method of a socket that is the bone seen behind an artificial cup."""


@dataclass(frozen=True, eq=False)
class SocketSphere:
    """Sphere of one socket and how far to trust it.

    ``method`` is ``head-guided``, ``unguided``, ``behind-cup`` or ``given``; ``alternative`` the other estimate where
    there is one, and ``disagreement_mm`` the distance of the two centres. ``median_residual_mm`` is of the lunate
    points, ``inlier_share`` the share of candidate surface within 1.5 mm. ``uncertainty_mm`` is one SD of the
    centre, ``diameter_uncertainty_mm`` of the diameter. ``head`` is the femoral head's sphere, None without a
    usable head.
    """

    sphere: Sphere
    method: str
    median_residual_mm: float
    inlier_share: float
    alternative: Sphere | None
    disagreement_mm: float
    uncertainty_mm: float
    diameter_uncertainty_mm: float
    head: Sphere | None


def find_socket_sphere(
    hip_bone: TriangleMesh,
    side: Side,
    axes: Array,
    seeds: SocketSeeds,
    femur: TriangleMesh | None = None,
    given_center_lps_mm: Array | None = None,
) -> SocketSphere:
    """Fit the sphere of one socket.

    Parameters
    ----------
    hip_bone:
        Closed surface, LPS mm.
    side:
        Which one.
    axes:
        Shape (3, 3), rows left, posterior, superior of the pelvis in LPS; ten degrees do not matter.
    seeds:
        Carried points; may all be empty.
    femur:
        Surface of the femur of that side, if it has a bony head.
    given_center_lps_mm:
        The centre as the user gave it, which then stays, or None.

    Raises
    ------
    InputError
        ``socket-not-found`` if no hollow of a socket's size is there.
    """
    view = mouth_view(axes, side)
    start = _start(hip_bone, -side.lateral_sign * axes[0], seeds, given_center_lps_mm)
    unguided = _settle(hip_bone, view, seeds, start, None)
    head = femoral_head(femur, unguided, seeds.head) if femur is not None and seeds.bed is None else None
    guided = None
    if head is not None:
        guide = Sphere(head.center_lps_mm, head.radius_mm + _CARTILAGE_MM)
        guided = _settle(hip_bone, view, seeds, guide, guide)
        if not LEAST_RADIUS_MM <= guided.radius_mm <= MOST_RADIUS_MM:
            guided = None
    best = guided or unguided
    method = "head-guided" if guided else "unguided"
    if seeds.bed is not None:
        best, method = seeds.bed.sphere, BED
    if given_center_lps_mm is not None:
        best, method = _about(hip_bone, view, seeds, best, given_center_lps_mm), "given"
    if not LEAST_RADIUS_MM <= best.radius_mm <= MOST_RADIUS_MM:
        raise InputError(
            "socket-not-found", f"no hollow of a socket's size on the {side} hip bone", "Check the bones and the side"
        )
    residual, areas = _residuals(hip_bone, view, seeds, best)
    if residual.size < 30:
        raise InputError(
            "socket-not-found", f"too little articular surface on the {side} hip bone", "Check the bones and the side"
        )
    spread = float(np.median(np.abs(residual)))
    worn = 0.0 if head is None else _wear(best, head)
    apart = float(np.linalg.norm(guided.center_lps_mm - unguided.center_lps_mm)) if guided else 0.0
    size_apart = abs(guided.diameter_mm - unguided.diameter_mm) if guided else 0.0
    if seeds.bed is not None and method == BED:
        return _behind_cup(seeds.bed, unguided, residual, areas)
    return SocketSphere(
        sphere=best,
        method=method,
        median_residual_mm=spread,
        inlier_share=float(areas[np.abs(residual) < _LOSS_SCALE_MM].sum() / areas.sum()),
        alternative=unguided if guided else None,
        disagreement_mm=apart,
        uncertainty_mm=float(
            np.hypot(np.hypot(0.1 if guided else 0.8, 0.5 * apart) + 0.35 * spread, _WORN_CENTER_MM * worn)
        ),
        diameter_uncertainty_mm=float(
            np.hypot(np.hypot(0.2 if guided else 1.0, 0.5 * size_apart) + 0.35 * spread, _WORN_DIAMETER_MM * worn)
        ),
        head=head,
    )


def _behind_cup(bed: BonyBed, unguided: Sphere, residual: Array, areas: Array) -> SocketSphere:
    """The bone seen behind an artificial cup as a socket; the surface alone gives the other estimate."""
    return SocketSphere(
        sphere=bed.sphere,
        method=BED,
        median_residual_mm=float(np.median(np.abs(residual))),
        inlier_share=float(areas[np.abs(residual) < _LOSS_SCALE_MM].sum() / areas.sum()),
        alternative=unguided,
        disagreement_mm=float(np.linalg.norm(bed.sphere.center_lps_mm - unguided.center_lps_mm)),
        uncertainty_mm=bed.center_sd_mm,
        diameter_uncertainty_mm=bed.diameter_sd_mm,
        head=None,
    )


def _wear(socket: Sphere, head: Sphere) -> float:
    """How worn a joint is, 0 to 1, by the space that an even seat of the head would leave."""
    sound, worn = _SPACE_MM
    return float(np.clip((sound - (socket.radius_mm - head.radius_mm)) / (sound - worn), 0.0, 1.0))


def femoral_head(femur: TriangleMesh, socket: Sphere, head_seeds: Array) -> Sphere | None:
    """Return the sphere of the femoral head, or None if there is no round head near the socket.

    Vertices that face away from the centre and lie near the sphere are fitted again and again, the worst 30 %
    left out, so that neck, fovea and osteophytes drop out.
    """
    sphere = head_sphere(femur, head_seeds, Sphere(socket.center_lps_mm, socket.radius_mm - 3.0))
    if sphere is None:
        return None
    far = np.linalg.norm(sphere.center_lps_mm - socket.center_lps_mm) > 0.5 * socket.radius_mm
    return None if far else sphere


def head_sphere(femur: TriangleMesh, head_seeds: Array, start: Sphere | None = None) -> Sphere | None:
    """Return the sphere of a round femoral head wherever it lies, from its carried points or else from a start."""
    if len(head_seeds) < 20 and start is None:
        return None
    sphere = fit_sphere(head_seeds)[0] if len(head_seeds) >= 20 or start is None else start
    vertices, normals = femur.vertices_lps_mm, femur.vertex_normals
    for tolerance_mm in (6.0, 4.0, 3.0, 2.0, 2.0, 1.5, 1.5, 1.5):
        offset = vertices - sphere.center_lps_mm
        distance = np.maximum(np.linalg.norm(offset, axis=1), 1e-9)
        facing = np.einsum("ij,ij->i", offset, normals) / distance
        residual = np.abs(distance - sphere.radius_mm)
        chosen = (facing > 0.85) & (residual < tolerance_mm)
        if chosen.sum() < 40:
            return None
        chosen &= residual <= np.quantile(residual[chosen], 0.7)
        sphere, rms = fit_sphere(vertices[chosen])
    return None if not 15.0 < sphere.radius_mm < 33.0 or rms > 1.0 else sphere


def meeting_of_normals(hip_bone: TriangleMesh, medial: Array, voters: BoolArray | None = None) -> Sphere:
    """Return a rough sphere from the surface alone: the place where most inward-facing normals meet.

    Each vertex votes for the points 19 to 33 mm along its outward normal (a Hough transform for spheres); the
    fullest 3 mm cell wins. Only vertices that look laterally vote: the socket is the hollow that opens to the
    side. ``voters``: mask (n,) of the vertices that may; all if not given.
    """
    looking = hip_bone.vertex_normals @ medial < -0.1
    if voters is not None:
        looking &= voters
    vertices, normals = hip_bone.vertices_lps_mm[looking], hip_bone.vertex_normals[looking]
    areas = vertex_areas(hip_bone)[looking]
    radii = np.arange(19.0, 33.1, 1.0)
    votes = (vertices[:, None] + radii[:, None] * normals[:, None]).reshape(-1, 3)
    low = votes.min(axis=0)
    cells = np.floor((votes - low) / 3.0).astype(int)
    counts = np.zeros(cells.max(axis=0) + 1)
    np.add.at(counts, tuple(cells.T), np.repeat(areas, len(radii)))
    # a cell and its neighbors share one center
    smooth = sum(np.roll(counts, shift, axis) for axis in range(3) for shift in (-1, 1)) + counts
    peak = np.array(np.unravel_index(int(np.argmax(smooth)), smooth.shape))
    return Sphere(low + 3.0 * (peak + 0.5), 25.0)


def vertex_areas(mesh: TriangleMesh) -> Array:
    """Return the area (mm2) that each vertex stands for: a third of its triangles'."""
    thirds = np.repeat(mesh.triangle_areas_mm2 / 3.0, 3)
    totals = np.bincount(mesh.triangles.ravel(), weights=thirds, minlength=len(mesh.vertices_lps_mm))
    return np.asarray(totals, dtype=np.float64)


def _start(hip_bone: TriangleMesh, medial: Array, seeds: SocketSeeds, given_center_lps_mm: Array | None) -> Sphere:
    if given_center_lps_mm is not None:
        return Sphere(given_center_lps_mm, _facing_radius_mm(hip_bone, given_center_lps_mm))
    if len(seeds.lunate) >= 20:
        return _trimmed(seeds.lunate)
    return meeting_of_normals(hip_bone, medial)


def _facing_radius_mm(hip_bone: TriangleMesh, center_lps_mm: Array) -> float:
    """How far the bone lies that faces a place: the middle one of its distances by area, a usual radius without any."""
    offset = hip_bone.vertices_lps_mm - center_lps_mm
    distance = np.maximum(np.linalg.norm(offset, axis=1), 1e-9)
    facing = -np.einsum("ij,ij->i", offset, hip_bone.vertex_normals) / distance
    rows = np.flatnonzero((facing > 0.9) & (distance > LEAST_RADIUS_MM) & (distance < MOST_RADIUS_MM))
    if not rows.size:
        return _USUAL_RADIUS_MM
    rows = rows[np.argsort(distance[rows])]
    area = np.cumsum(vertex_areas(hip_bone)[rows])
    return float(distance[rows[np.searchsorted(area, 0.5 * area[-1])]])


def _trimmed(points: Array) -> Sphere:
    """Sphere of the nearest 70 % of the points, repeated until the choice stays."""
    sphere, _ = fit_sphere(points)
    for _ in range(20):
        residual = np.abs(np.linalg.norm(points - sphere.center_lps_mm, axis=1) - sphere.radius_mm)
        sphere, _ = fit_sphere(points[residual <= np.quantile(residual, 0.7)])
    return sphere


def _settle(hip_bone: TriangleMesh, view: MouthView, seeds: SocketSeeds, start: Sphere, guide: Sphere | None) -> Sphere:
    """Choose the articular surface and fit, in turn, while the window narrows, until the sphere stays."""
    sphere = start
    areas = vertex_areas(hip_bone)
    for window_mm in (5.5, 5.0, 4.5, 4.0, 3.5, *[_WINDOW_MM] * 12):
        chosen = articular(hip_bone, view, seeds, sphere, window_mm)
        if chosen.sum() < 30:
            return sphere
        moved = _weighted_fit(hip_bone.vertices_lps_mm[chosen], areas[chosen], sphere, guide)
        step = float(np.linalg.norm(moved.center_lps_mm - sphere.center_lps_mm))
        sphere = moved
        if window_mm == _WINDOW_MM and step < 1e-3:
            break
    return sphere


def articular(
    hip_bone: TriangleMesh, view: MouthView, seeds: SocketSeeds, sphere: Sphere, window_mm: float = _WINDOW_MM
) -> BoolArray:
    """Mask of the vertices (n,) that may be lunate surface; rule at the module's top.

    Without carried fossa a wider cap round the pole and a wider notch are left out instead.
    """
    offset = hip_bone.vertices_lps_mm - sphere.center_lps_mm
    distance = np.maximum(np.linalg.norm(offset, axis=1), 1e-9)
    facing = -np.einsum("ij,ij->i", offset, hip_bone.vertex_normals) / distance
    from_pole_deg = np.rad2deg(np.arccos(np.clip(-(offset @ view.mouth) / distance, -1.0, 1.0)))
    azimuth_deg = np.rad2deg(np.arctan2(offset @ view.forward, offset @ view.upward))
    known = len(seeds.fossa) > 0
    chosen = (facing > 0.75) & (np.abs(distance - sphere.radius_mm) < window_mm)
    chosen &= (from_pole_deg > (35.0 if known else 45.0)) & (from_pole_deg < 115.0)
    chosen &= np.abs(azimuth_deg) < (140.0 if known else 130.0)
    if known:
        rows = np.flatnonzero(chosen)
        chosen[rows] = cKDTree(seeds.fossa).query(hip_bone.vertices_lps_mm[rows])[0] > 2.0
    return chosen


def _weighted_fit(points: Array, areas: Array, start: Sphere, guide: Sphere | None, rounds: int = 40) -> Sphere:
    """Huber sphere by reweighted Gauss-Newton; a guide pulls the centre with 3 mm and the radius with 2 mm
    (one SD).
    """
    center, radius = start.center_lps_mm, start.radius_mm
    # the surface counts as 30 independent points of 1 mm, so that the guide's pull is the same on coarse and
    # fine meshes
    shares = areas / areas.sum() * 30.0
    for _ in range(rounds):
        offset = points - center
        distance = np.linalg.norm(offset, axis=1)
        residual = distance - radius
        weights = shares * np.minimum(1.0, _LOSS_SCALE_MM / np.maximum(np.abs(residual), 1e-9))
        jacobian = np.hstack([-offset / distance[:, None], -np.ones((len(points), 1))])
        normal = jacobian.T @ (weights[:, None] * jacobian)
        right = -jacobian.T @ (weights * residual)
        if guide is not None:
            pull = np.array([3.0, 3.0, 3.0, 2.0]) ** -2.0
            normal += np.diag(pull)
            right += pull * np.append(guide.center_lps_mm - center, guide.radius_mm - radius)
        step = np.linalg.solve(normal + 1e-9 * np.eye(4), right)
        center, radius = center + step[:3], max(float(radius + step[3]), 1.0)
        if np.abs(step).max() < 1e-5:
            break
    return Sphere(center, radius)


def _about(hip_bone: TriangleMesh, view: MouthView, seeds: SocketSeeds, found: Sphere, center: Array) -> Sphere:
    """Sphere about a centre that stays: its radius is the median distance of the articular surface found."""
    chosen = articular(hip_bone, view, seeds, found)
    distance = np.linalg.norm(hip_bone.vertices_lps_mm[chosen] - center, axis=1)
    return Sphere(center, float(np.median(distance)) if chosen.any() else found.radius_mm)


def _residuals(hip_bone: TriangleMesh, view: MouthView, seeds: SocketSeeds, sphere: Sphere) -> tuple[Array, Array]:
    chosen = articular(hip_bone, view, seeds, sphere)
    distance = np.linalg.norm(hip_bone.vertices_lps_mm[chosen] - sphere.center_lps_mm, axis=1)
    return distance - sphere.radius_mm, vertex_areas(hip_bone)[chosen]
