"""Cuts of a surface by a plane through a centre, in plane and polar coordinates about that centre."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from cotyle.space.arrays import Array
from cotyle.space.mesh import TriangleMesh


def near_part(mesh: TriangleMesh, center_lps_mm: Array, reach_mm: float) -> TriangleMesh:
    """Return the triangles with a corner within ``reach_mm`` of the centre."""
    near = np.linalg.norm(mesh.vertices_lps_mm - center_lps_mm, axis=1) < reach_mm
    return mesh.part(near[mesh.triangles].any(axis=1))


def plane_section(
    mesh: TriangleMesh, center_lps_mm: npt.ArrayLike, first: npt.ArrayLike, second: npt.ArrayLike
) -> Array:
    """Cut a surface by the plane through the centre that two orthonormal directions span.

    Returns
    -------
    Array
        Segments, shape (m, 2 ends, 2): coordinates in mm along ``first`` and ``second`` from the centre.
    """
    center = np.asarray(center_lps_mm, dtype=float)
    basis = np.stack([np.asarray(first, dtype=float), np.asarray(second, dtype=float)])
    height = (mesh.vertices_lps_mm - center) @ np.cross(basis[0], basis[1])
    # a vertex exactly in the plane is counted as above it: every cut triangle then has exactly two cut edges
    above = height[mesh.triangles] >= 0.0
    cut = np.flatnonzero(above.any(axis=1) & ~above.all(axis=1))
    if len(cut) == 0:
        return np.empty((0, 2, 2))
    triangles, above = mesh.triangles[cut], above[cut]
    # the corner that lies alone on its side, and the two edges from it
    alone = np.where(above.sum(axis=1) == 1, above.argmax(axis=1), (~above).argmax(axis=1))
    rows = np.arange(len(cut))
    apex = triangles[rows, alone]
    ends = []
    for turn in (1, 2):
        other = triangles[rows, (alone + turn) % 3]
        share = height[apex] / (height[apex] - height[other])
        corner, far = mesh.vertices_lps_mm[apex], mesh.vertices_lps_mm[other]
        ends.append((corner + share[:, None] * (far - corner) - center) @ basis.T)
    return np.stack(ends, axis=1)


def subdivided(segments: Array, pieces: int) -> Array:
    """Return a section with each segment cut into equal pieces, shape (m * pieces, 2, 2)."""
    share = np.linspace(0.0, 1.0, pieces + 1)[:, None]
    along = segments[:, :1] + share * (segments[:, 1:] - segments[:, :1])
    return np.stack([along[:, :-1], along[:, 1:]], axis=2).reshape(-1, 2, 2)


def clipped_to_radius(segments: Array, limit_mm: float) -> Array:
    """Return the points (n, 2) of a section that lie within ``limit_mm`` of its centre, and where it leaves
    that circle.
    """
    radius = np.linalg.norm(segments, axis=2)
    inside = radius <= limit_mm
    points = [segments[inside]]
    leaving = inside[:, 0] != inside[:, 1]
    if leaving.any():
        a, b = segments[leaving, 0], segments[leaving, 1]
        along = b - a
        # |a + s along| = limit, the root between 0 and 1
        p = np.einsum("ij,ij->i", along, along)
        q = np.einsum("ij,ij->i", a, along)
        c = np.einsum("ij,ij->i", a, a) - limit_mm**2
        root = np.sqrt(np.maximum(q * q - p * c, 0.0))
        share = np.where(c <= 0, (-q + root) / p, (-q - root) / p)
        points.append(a + share[:, None] * along)
    return np.concatenate(points)


def horizon(segments: Array, limit_mm: float, least_mm: float = 0.0) -> tuple[float, Array] | None:
    """Return the edge of a hollow as seen from the section's centre.

    The first direction, counted from the section's first axis towards its second (0 to 180 deg), in which bone
    lies within ``limit_mm`` (and not nearer than ``least_mm``) of the centre: angle in degrees and the point
    (2,). None if there is none. Points with a negative second coordinate belong to the other half-plane and
    are left out.
    """
    points = clipped_to_radius(segments, limit_mm)
    radius = np.linalg.norm(points, axis=1)
    points = points[(points[:, 1] >= 0.0) & (radius >= least_mm)]
    if len(points) == 0:
        return None
    angle = np.rad2deg(np.arctan2(points[:, 1], points[:, 0]))
    first = int(np.argmin(angle))
    return float(angle[first]), points[first]
