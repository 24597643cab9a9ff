"""Closed surfaces of known size, built here without the code under test."""

from __future__ import annotations

import numpy as np
from cotyle.space.mesh import TriangleMesh


def revolved(profile_rz_mm, around: int = 180) -> TriangleMesh:
    """Turn a profile (radius, height) about +z; it runs from the lower pole to the upper one, both on the axis."""
    profile = np.asarray(profile_rz_mm, dtype=float)
    angles = np.linspace(0.0, 2.0 * np.pi, around, endpoint=False)
    rings = [
        np.column_stack([radius * np.cos(angles), radius * np.sin(angles), np.full(around, height)])
        for radius, height in profile[1:-1]
    ]
    bottom, top = [0.0, 0.0, profile[0, 1]], [0.0, 0.0, profile[-1, 1]]
    vertices = np.vstack([[bottom], *rings, [top]])
    here, after = np.arange(around), np.roll(np.arange(around), -1)
    triangles = [np.column_stack([np.zeros(around, int), 1 + after, 1 + here])]
    for ring in range(len(rings) - 1):
        low, high = 1 + ring * around, 1 + (ring + 1) * around
        triangles.append(np.column_stack([low + here, low + after, high + after]))
        triangles.append(np.column_stack([low + here, high + after, high + here]))
    last = 1 + (len(rings) - 1) * around
    triangles.append(np.column_stack([last + here, last + after, np.full(around, len(vertices) - 1)]))
    return TriangleMesh(vertices, np.vstack(triangles))


def sphere(radius_mm: float, center=(0.0, 0.0, 0.0), steps: int = 120) -> TriangleMesh:
    """A sphere whose corners lie on it."""
    angle = np.linspace(-np.pi / 2, np.pi / 2, steps)
    mesh = revolved(np.column_stack([radius_mm * np.cos(angle), radius_mm * np.sin(angle)]), 2 * steps)
    return mesh.with_vertices(mesh.vertices_lps_mm + np.asarray(center, dtype=float))


def cap(radius_mm: float, height_mm: float, steps: int = 120) -> TriangleMesh:
    """The part of a sphere about the origin above z = radius - height; a hemisphere when both are equal."""
    lowest = np.arcsin((radius_mm - height_mm) / radius_mm)
    angle = np.linspace(lowest, np.pi / 2, steps)
    arc = np.column_stack([radius_mm * np.cos(angle), radius_mm * np.sin(angle)])
    return revolved(np.vstack([[0.0, arc[0, 1]], arc]), 2 * steps)


def box(size_mm, center=(0.0, 0.0, 0.0)) -> TriangleMesh:
    """A box along the axes."""
    half = np.asarray(size_mm, dtype=float) / 2.0
    corners = np.array([[x, y, z] for x in (-1, 1) for y in (-1, 1) for z in (-1, 1)]) * half + np.asarray(center)
    faces = [(0, 1, 3, 2), (4, 6, 7, 5), (0, 4, 5, 1), (2, 3, 7, 6), (0, 2, 6, 4), (1, 5, 7, 3)]
    triangles = [t for a, b, c, d in faces for t in ((a, b, c), (a, c, d))]
    return TriangleMesh(corners, np.array(triangles))
