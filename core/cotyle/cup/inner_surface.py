"""The inner (pelvic) surface of the hip bone near the socket, and distances to it.

A triangle of the hip bone belongs to it when

1. its outward normal faces medially, within 60 degrees of the frame's medial axis;
2. it turns its back to the socket: its normal lies within 49 degrees of the direction from the socket's centre to it,
   and that direction within 70 degrees of medial;
3. a line from it going medially does not meet the same bone again within 40 mm: it looks into the pelvis, not across
   the fossa or a foramen;
4. below the height of the socket's centre it lies farther medially than the socket reaches;
5. it lies within 75 mm of the socket's centre.

This is our definition; we know of no published one that fits. Rule 3 keeps out the fossa, rules 2 and 4 the faces of
the lunate horns that look medially through the notch, rules 1 and 2 the groove of the psoas before the anterior wall.
The point of a smooth inner surface that is nearest to the floor has its normal straight along the direction from the
centre, so that the limits cost no minimum.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numba
import numpy as np
import numpy.typing as npt

from cotyle.cup.cavity import ReamingStep, packed
from cotyle.errors import InputError
from cotyle.space.arrays import Array, as_vector, for_compiled, read_only, unit
from cotyle.space.lines import cross
from cotyle.space.mesh import TriangleMesh

NEAR_SOCKET_MM = 75.0
CLEAR_OF_BONE_MM = 40.0
FARTHEST_SOCKET_MM = 40.0
LEAST_MEDIAL_COSINE = 0.5
LEAST_BACK_COSINE = 0.65
# The least wall is where the inner surface faces straight away from the floor, within 20 degrees.
SQUARE_COSINE = 0.94
LEAST_MEDIAL_BEARING = 0.342  # cosine of 70 degrees
# A point counts as past the surface only if it lies straight in front of it, not off its edge.
_STRAIGHT_COSINE = 0.9
# Distances are narrowed down by splitting triangles until none can be nearer by more than this.
_TOLERANCE_MM = 1e-3
# A line must leave its own triangle before it can meet the bone again.
_LIFT_MM = 0.01


@dataclass(frozen=True, eq=False)
class InnerSurface:
    """Triangles of the pelvic surface: corners (m, 3 corners, 3) in LPS mm, outward unit normals (m, 3)."""

    corners_lps_mm: Array
    normals_lps: Array

    @cached_property
    def centroids_lps_mm(self) -> Array:
        """Middle of each triangle, shape (m, 3)."""
        return self.corners_lps_mm.mean(axis=1)

    @cached_property
    def reaches_mm(self) -> Array:
        """Way from each middle to the triangle's farthest corner, shape (m,)."""
        return np.asarray(np.linalg.norm(self.corners_lps_mm - self.centroids_lps_mm[:, None], axis=2).max(axis=1))


def inner_surface(
    hip_bone: TriangleMesh,
    socket_center_lps_mm: npt.ArrayLike,
    medial_lps: npt.ArrayLike,
    superior_lps: npt.ArrayLike = (0.0, 0.0, 1.0),
) -> InnerSurface:
    """Find the pelvic surface of a hip bone near its socket (see the rules of this module).

    Parameters
    ----------
    hip_bone:
        Closed surface of the one hip bone, normals outwards.
    socket_center_lps_mm:
        Centre of the native socket, or of the cup.
    medial_lps:
        The medial direction, of the supine frame unless said otherwise.
    superior_lps:
        The patient's superior direction: that of LPS itself unless a frame's is at hand.

    Raises
    ------
    InputError
        ``inner-surface-missing`` if no triangle qualifies: the bone is cut off, inside out, or of the other side.
    """
    center, medial = as_vector(socket_center_lps_mm, "socket centre"), unit(medial_lps, "medial direction")
    superior = unit(superior_lps, "superior direction")
    centroids, normals = hip_bone.centroids_lps_mm, hip_bone.triangle_normals
    from_center = centroids - center
    distance = np.linalg.norm(from_center, axis=1)
    reach = np.linalg.norm(hip_bone.corners_lps_mm - centroids[:, None], axis=2).max(axis=1)
    back = np.einsum("ij,ij->i", normals, from_center) / distance
    depth = from_center @ medial
    candidate = (
        (normals @ medial > LEAST_MEDIAL_COSINE)
        & (back > LEAST_BACK_COSINE)
        & (depth > LEAST_MEDIAL_BEARING * distance)
        & ((from_center @ superior > 0) | (depth > _socket_radius_mm(distance, back, hip_bone.triangle_areas_mm2)))
        & (distance - reach < NEAR_SOCKET_MM)
    )
    chosen = looking_into_pelvis(hip_bone, np.flatnonzero(candidate), medial)
    if not len(chosen):
        raise InputError(
            "inner-surface-missing",
            "no inner surface of the hip bone was found near the socket",
            "Check that the whole hip bone is in the label map and that the side is right",
        )
    return of_triangles(hip_bone, chosen)


def looking_into_pelvis(
    hip_bone: TriangleMesh, triangles: npt.NDArray[np.integer], medial_lps: Array
) -> npt.NDArray[np.integer]:
    """Return those triangles from which a line going medially does not meet the same bone within 40 mm (rule 3)."""
    if not len(triangles):
        return triangles
    lifted = hip_bone.centroids_lps_mm[triangles] + _LIFT_MM * hip_bone.triangle_normals[triangles]
    met = cross(hip_bone, lifted, medial_lps)
    # a sliver in a fold of the surface may face the pelvis from within the bone
    return triangles[(met.next_entry_mm() > CLEAR_OF_BONE_MM) & ~met.inside()]


def of_triangles(hip_bone: TriangleMesh, triangles: npt.NDArray[np.integer]) -> InnerSurface:
    """Return the surface that some triangles of a bone make."""
    return InnerSurface(
        read_only(np.ascontiguousarray(hip_bone.corners_lps_mm[triangles])),
        read_only(np.ascontiguousarray(hip_bone.triangle_normals[triangles])),
    )


def _socket_radius_mm(distance_mm: Array, back_cosine: Array, areas_mm2: Array) -> float:
    """Return the median distance of the bone that faces the centre, by area; 0 where none does."""
    facing = np.flatnonzero((back_cosine < -0.9) & (distance_mm < FARTHEST_SOCKET_MM))
    if not len(facing):
        return 0.0
    order = facing[np.argsort(distance_mm[facing])]
    half = np.searchsorted(np.cumsum(areas_mm2[order]), areas_mm2[order].sum() / 2)
    return float(distance_mm[order[half]])


@dataclass(frozen=True, eq=False)
class NearestPair:
    """The least distance and where: on the inner surface and on the floor. Negative where the floor is past it."""

    distance_mm: float
    on_surface_lps_mm: Array
    on_floor_lps_mm: Array


def least_distance_to_floor(surface: InnerSurface, step: ReamingStep) -> NearestPair:
    """Return the least distance between the inner surface and the hemispherical floor of a step, to 0.001 mm.

    Negative by the depth to which the inner surface reaches into the half-ball when the floor has broken through.
    """
    bullet = packed([step])[0]
    distance, point = _least(
        surface.corners_lps_mm, surface.centroids_lps_mm, surface.reaches_mm, bullet, _TOLERANCE_MM
    )
    return NearestPair(float(distance), read_only(point), read_only(_nearest_on_floor(bullet, point)))


def squarely_behind(surface: InnerSurface, step: ReamingStep) -> InnerSurface:
    """Return the triangles that face straight away from a floor's centre at their point nearest to it, or all if none.

    Where bone ends, at the notch or a foramen, the surface runs on round the edge towards the cavity: the least
    distance there would be that of wherever the rules above happen to cut it off. A least distance within a smooth
    surface has the normal along it, so that this costs none. Triangles behind the rim plane are kept.
    """
    square = _turn_squarely(surface.corners_lps_mm, surface.normals_lps, packed([step])[0], SQUARE_COSINE)
    if not square.any():
        return surface
    return InnerSurface(read_only(surface.corners_lps_mm[square]), read_only(surface.normals_lps[square]))


def least_wall(surface: InnerSurface, step: ReamingStep) -> NearestPair:
    """Return the least distance from a step's floor to the inner surface squarely behind it."""
    return least_distance_to_floor(squarely_behind(surface, step), step)


def distances_from_points(surface: InnerSurface, points_lps_mm: npt.ArrayLike) -> tuple[Array, Array]:
    """Return for points (n, 3) the exact distance in mm to the surface (n,), and whether each lies in front of it.

    In front is the pelvic side: straight along the normal of the nearest triangle, not off the surface's edge.
    """
    points = for_compiled(points_lps_mm)
    distance, in_front = _distances(
        surface.corners_lps_mm, surface.normals_lps, surface.centroids_lps_mm, surface.reaches_mm, points
    )
    return np.asarray(distance), np.asarray(in_front)


@numba.njit(cache=True)
def _floor_distance(bullet, point):  # type: ignore[no-untyped-def]
    """Signed distance of a point to the hemisphere; beyond the rim plane, distance to the rim circle."""
    along = squared = 0.0
    for axis in range(3):
        offset = point[axis] - bullet[axis]
        along += offset * bullet[3 + axis]
        squared += offset * offset
    if along >= 0.0:
        return np.sqrt(squared) - bullet[6]
    return np.hypot(np.sqrt(max(squared - along * along, 0.0)) - bullet[6], along)


@numba.njit(cache=True)
def _nearest_on_floor(bullet, point):  # type: ignore[no-untyped-def]
    offset = point - bullet[:3]
    direction = bullet[3:6]
    along = np.dot(offset, direction)
    if along < 0.0:
        offset = offset - along * direction
    length = np.sqrt(np.dot(offset, offset))
    return bullet[:3] + (bullet[6] / length) * offset if length > 0.0 else bullet[:3] + bullet[6] * direction


@numba.njit(cache=True)
def closest_on_triangle(p, a, b, c):  # type: ignore[no-untyped-def]
    """Nearest point of a triangle by its Voronoi regions (Ericson, Real-Time Collision Detection, 2005, 5.1.5)."""
    ab, ac, ap = b - a, c - a, p - a
    d1, d2 = np.dot(ab, ap), np.dot(ac, ap)
    if d1 <= 0.0 and d2 <= 0.0:
        return a
    bp = p - b
    d3, d4 = np.dot(ab, bp), np.dot(ac, bp)
    if d3 >= 0.0 and d4 <= d3:
        return b
    vc = d1 * d4 - d3 * d2
    if vc <= 0.0 and d1 >= 0.0 and d3 <= 0.0:
        return a + (d1 / (d1 - d3)) * ab
    cp = p - c
    d5, d6 = np.dot(ab, cp), np.dot(ac, cp)
    if d6 >= 0.0 and d5 <= d6:
        return c
    vb = d5 * d2 - d1 * d6
    if vb <= 0.0 and d2 >= 0.0 and d6 <= 0.0:
        return a + (d2 / (d2 - d6)) * ac
    va = d3 * d6 - d5 * d4
    if va <= 0.0 and d4 >= d3 and d5 >= d6:
        return b + ((d4 - d3) / ((d4 - d3) + (d5 - d6))) * (c - b)
    total = va + vb + vc
    return a + (vb / total) * ab + (vc / total) * ac


@numba.njit(cache=True, nogil=True)
def _turn_squarely(corners, normals, bullet, cosine):  # type: ignore[no-untyped-def]
    """Whether each triangle, at its point nearest to the centre, turns its back to it; all behind the rim plane do."""
    center = bullet[:3]
    square = np.empty(len(corners), dtype=np.bool_)
    for t in range(len(corners)):
        outward = closest_on_triangle(center, corners[t, 0], corners[t, 1], corners[t, 2]) - center
        length = np.sqrt(np.dot(outward, outward))
        square[t] = np.dot(normals[t], outward) > cosine * length or np.dot(outward, bullet[3:6]) < 0.0
    return square


@numba.njit(cache=True, nogil=True)
def _least(corners, centroids, reaches, bullet, tolerance):  # type: ignore[no-untyped-def]
    """Least distance over all triangles: in closed form where the floor faces them, by splitting elsewhere.

    The triangle's point nearest to the centre is also nearest to the floor if the half-ball's front faces it, since
    no point of the floor is nearer than the full sphere.
    """
    best = np.inf
    where = np.zeros(3)
    center = bullet[:3]
    beside = np.zeros(len(corners), dtype=np.bool_)
    for t in range(len(corners)):
        if np.sqrt(((centroids[t] - center) ** 2).sum()) - bullet[6] - reaches[t] >= best:
            continue
        spot = closest_on_triangle(center, corners[t, 0], corners[t, 1], corners[t, 2])
        if np.dot(spot - center, bullet[3:6]) < 0.0:
            beside[t] = True
            spot = centroids[t]
        value = _floor_distance(bullet, spot)
        if value < best:
            best = value
            where[:] = spot
    for t in range(len(corners)):
        if beside[t] and _floor_distance(bullet, centroids[t]) - reaches[t] < best - tolerance:
            best = _split(corners[t], bullet, best, where, tolerance)
    return best, where


@numba.njit(cache=True)
def _split(triangle, bullet, best, where, tolerance):  # type: ignore[no-untyped-def]
    """Branch and bound: the distance changes by at most 1 mm per mm, so a triangle's middle bounds all of it."""
    stack = np.empty((256, 3, 3))
    stack[0] = triangle
    depth = 1
    while depth > 0:
        depth -= 1
        a, b, c = stack[depth, 0].copy(), stack[depth, 1].copy(), stack[depth, 2].copy()
        middle = (a + b + c) / 3.0
        value = _floor_distance(bullet, middle)
        if value < best:
            best = value
            where[:] = middle
        reach = np.sqrt(max(((a - middle) ** 2).sum(), ((b - middle) ** 2).sum(), ((c - middle) ** 2).sum()))
        if value - reach >= best - tolerance or depth + 4 > len(stack):
            continue
        ab, bc, ca = (a + b) / 2.0, (b + c) / 2.0, (c + a) / 2.0
        stack[depth, 0], stack[depth, 1], stack[depth, 2] = a, ab, ca
        stack[depth + 1, 0], stack[depth + 1, 1], stack[depth + 1, 2] = ab, b, bc
        stack[depth + 2, 0], stack[depth + 2, 1], stack[depth + 2, 2] = ca, bc, c
        stack[depth + 3, 0], stack[depth + 3, 1], stack[depth + 3, 2] = ab, bc, ca
        depth += 4
    return best


@numba.njit(cache=True, nogil=True)
def _distances(corners, normals, centroids, reaches, points):  # type: ignore[no-untyped-def]
    distance = np.empty(len(points))
    in_front = np.empty(len(points), dtype=np.bool_)
    nearest = 0
    for n in range(len(points)):
        p = points[n]
        # the neighbour's nearest triangle is a good first guess and lets almost all others be passed over
        spot = closest_on_triangle(p, corners[nearest, 0], corners[nearest, 1], corners[nearest, 2])
        best = np.sqrt(((p - spot) ** 2).sum())
        facing = np.dot(p - spot, normals[nearest])
        for t in range(len(corners)):
            bound = best + reaches[t]
            x, y, z = p[0] - centroids[t, 0], p[1] - centroids[t, 1], p[2] - centroids[t, 2]
            if x * x + y * y + z * z >= bound * bound:
                continue
            spot = closest_on_triangle(p, corners[t, 0], corners[t, 1], corners[t, 2])
            trial = np.sqrt(((p - spot) ** 2).sum())
            if trial < best - 1e-12 or (trial < best + 1e-12 and np.dot(p - spot, normals[t]) > facing):
                best, nearest = trial, t
                facing = np.dot(p - spot, normals[t])
        distance[n], in_front[n] = best, facing > _STRAIGHT_COSINE * best
    return distance, in_front
