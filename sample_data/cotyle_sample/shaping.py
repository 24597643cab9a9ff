"""Smooth changes of bone surfaces that keep their vertex order: sockets, heads, gaps, and shapes off the model.

All coordinates are LPS-like millimetres of whatever frame the caller works in; arrays have shape (n, 3).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from cotyle.anatomy.shape_model import ShapeModel
from cotyle.space.arrays import Array, IntArray
from cotyle.space.mesh import TriangleMesh, vertex_normals
from cotyle.space.mesh_queries import MeshQuery
from scipy import sparse
from scipy.sparse.linalg import splu

Indices = npt.NDArray[np.int64]


@dataclass(frozen=True, eq=False)
class Handles:
    """Vertices that must move by given displacements (k, 3); ``weight`` says how strongly."""

    vertices: Indices
    displacements_mm: Array
    weight: float = 1.0


def adjacency(triangles: IntArray, count: int) -> sparse.csr_matrix:
    """Symmetric 0/1 matrix (count, count) of vertices that share an edge."""
    rows = triangles.ravel()
    columns = triangles[:, [1, 2, 0]].ravel()
    matrix = sparse.coo_matrix((np.ones(len(rows)), (rows, columns)), shape=(count, count)).tocsr()
    matrix = matrix + matrix.T
    matrix.data[:] = 1.0
    return matrix


def spread_displacements(triangles: IntArray, count: int, handles: list[Handles], stiffness: float = 4.0) -> Array:
    """Displacements (count, 3) of all vertices that follow the handles and bend as little as possible.

    Minimises sum w |d - target|^2 + stiffness |L d|^2 with L the graph Laplacian of the surface (the bending
    term of Sorkine and others, "Laplacian surface editing", 2004).
    """
    links = adjacency(triangles, count)
    degree = np.asarray(links.sum(axis=1)).ravel()
    laplacian = sparse.identity(count) - sparse.diags(1.0 / np.maximum(degree, 1.0)) @ links
    weight = np.full(count, 1e-6)
    right_side = np.zeros((count, 3))
    for handle in handles:
        weight[handle.vertices] += handle.weight
        right_side[handle.vertices] += handle.weight * handle.displacements_mm
    system = sparse.diags(weight) + stiffness * (laplacian.T @ laplacian)
    return np.asarray(splu(system.tocsc()).solve(right_side))


def smooth_values(triangles: IntArray, values: Array, rounds: int) -> Array:
    """Values (n,) or (n, 3) averaged with their neighbours ``rounds`` times."""
    links = adjacency(triangles, len(values))
    average = sparse.diags(1.0 / np.maximum(np.asarray(links.sum(axis=1)).ravel(), 1.0)) @ links
    for _ in range(rounds):
        values = 0.5 * values + 0.5 * (average @ values)
    return np.asarray(values)


def smooth_random_field(points: Array, correlation_mm: float, rng: np.random.Generator, channels: int) -> Array:
    """Random smooth field (n, channels) of unit variance by random Fourier features (Rahimi, Recht 2007).

    Its correlation is a Gaussian of the distance with the given standard deviation.
    """
    features = 160
    waves = rng.standard_normal((features, 3)) / correlation_mm
    phases = rng.uniform(0.0, 2.0 * np.pi, (channels, features))
    argument = points @ waves.T
    field = [np.cos(argument + phase).sum(axis=1) for phase in phases]
    return np.asarray(np.sqrt(2.0 / features) * np.column_stack(field))


def off_model_displacements(model: ShapeModel, vertices: Array, rms_mm: float, rng: np.random.Generator) -> Array:
    """A free-form change (n, 3) of the pelvis that no combination of the model's modes can make.

    Sum of smooth random fields with correlation lengths 25, 40 and 60 mm, independent on both sides, less its
    least-squares part in the span of the 26 modes, translations, rotations and scale; scaled to ``rms_mm``.
    """
    field = np.zeros_like(vertices)
    for correlation_mm, share in ((25.0, 0.5), (40.0, 0.8), (60.0, 1.0)):
        field += share * smooth_random_field(vertices, correlation_mm, rng, 3)
    centered = vertices - vertices.mean(axis=0)
    basis = [mode.ravel() for mode in model.pelvis_modes]
    for axis in np.eye(3):
        basis.append(np.broadcast_to(axis, vertices.shape).ravel())
        basis.append(np.cross(axis, centered).ravel())
    basis.append(centered.ravel())
    orthonormal = np.linalg.qr(np.column_stack(basis))[0]
    flat = field.ravel()
    flat = flat - orthonormal @ (orthonormal.T @ flat)
    rms = np.sqrt((flat**2).sum() / len(vertices))
    return np.asarray(flat.reshape(-1, 3) * (rms_mm / rms))


def separated(first: TriangleMesh, second: TriangleMesh, gap_mm: float, rounds: int = 6) -> tuple[Array, Array]:
    """Vertices of two bones after both gave way by half where they came nearer than ``gap_mm`` or overlapped."""
    a, b = first.vertices_lps_mm.copy(), second.vertices_lps_mm.copy()
    for _ in range(rounds):
        mesh_a, mesh_b = TriangleMesh(a, first.triangles), TriangleMesh(b, second.triangles)
        move_a = _retreat(mesh_a, mesh_b, gap_mm)
        move_b = _retreat(mesh_b, mesh_a, gap_mm)
        if max(np.abs(move_a).max(), np.abs(move_b).max()) < 0.05:
            break
        a, b = a + move_a, b + move_b
    return a, b


def _retreat(mesh: TriangleMesh, other: TriangleMesh, gap_mm: float) -> Array:
    """Half of the way (n, 3) that the vertices must go inwards to be ``gap_mm`` off the other bone, smoothed."""
    low, high = other.bounds_lps_mm
    near = np.flatnonzero(((mesh.vertices_lps_mm > low - gap_mm) & (mesh.vertices_lps_mm < high + gap_mm)).all(axis=1))
    missing = np.zeros(len(mesh.vertices_lps_mm))
    if len(near):
        distance = MeshQuery(other).signed_distance(mesh.vertices_lps_mm[near])
        # Overlaps deeper than 6 mm don't occur: such values are a wrong sign at a fold of the surface.
        missing[near] = np.where(distance < -6.0, 0.0, np.clip(gap_mm - distance, 0.0, 3.0))
    missing = np.maximum(missing, smooth_values(mesh.triangles, missing, 4))
    normals = vertex_normals(mesh.vertices_lps_mm, mesh.triangles)
    return np.asarray(-0.55 * missing[:, None] * smooth_values(mesh.triangles, normals, 3))
