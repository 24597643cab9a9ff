"""Smooth changes of bone surfaces that keep their vertex order: sockets, heads, gaps, and shapes off the model.

All coordinates are LPS-like millimetres of whatever frame the caller works in; arrays have shape (n, 3).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from cotyle.anatomy.shapes.shape_model import ShapeModel
from cotyle.space.arrays import Array, IntArray
from cotyle.space.mesh import TriangleMesh
from scipy import sparse
from scipy.sparse.linalg import splu
from scipy.spatial import cKDTree
from scipy.spatial.distance import cdist

from cotyle_sample.distances import signed_distance

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


def separated(
    first: TriangleMesh, second: TriangleMesh, gap_mm: float, direction: Array, rounds: int = 14
) -> tuple[Array, Array]:
    """Vertices of two bones after both gave way by half where they came nearer than ``gap_mm`` or overlapped.

    The first gives way along ``direction`` (unit vector away from the second), the second against it; the
    change fades over about 12 mm in space, so that both faces of a thin bone move together.
    """
    a, b = first.vertices_lps_mm.copy(), second.vertices_lps_mm.copy()
    for _ in range(rounds):
        mesh_a, mesh_b = first.with_vertices(a), second.with_vertices(b)
        places, missing = _too_near(mesh_a, mesh_b, gap_mm)
        more_places, more_missing = _too_near(mesh_b, mesh_a, gap_mm)
        places, missing = np.vstack([places, more_places]), np.concatenate([missing, more_missing])
        if not len(places) or missing.max() < 0.08:
            break
        a = a + 0.5 * _faded(a, places, missing)[:, None] * direction
        b = b - 0.5 * _faded(b, places, missing)[:, None] * direction
    return a, b


def _too_near(mesh: TriangleMesh, other: TriangleMesh, gap_mm: float) -> tuple[Array, Array]:
    """Vertices (k, 3) nearer to the other bone than the gap, or inside it, and by how much (k,)."""
    reach, _ = cKDTree(other.vertices_lps_mm).query(mesh.vertices_lps_mm, distance_upper_bound=9.0)
    points = mesh.vertices_lps_mm[np.isfinite(reach)]
    if not len(points):
        return np.empty((0, 3)), np.empty(0)
    missing = gap_mm - signed_distance(other, points)
    return points[missing > 0.0], np.minimum(missing[missing > 0.0], 4.0)


def _faded(points: Array, places: Array, amounts: Array, width_mm: float = 8.0) -> Array:
    """The largest of the amounts at some places, each faded by a Gaussian of the distance: (n,)."""
    result = np.zeros(len(points))
    reach, _ = cKDTree(places).query(points, distance_upper_bound=3.0 * width_mm)
    near = np.flatnonzero(np.isfinite(reach))
    for start in range(0, len(places), 200):
        part = slice(start, start + 200)
        squared = cdist(points[near], places[part], "sqeuclidean")
        faded = (amounts[part] * np.exp(-0.5 * squared / width_mm**2)).max(axis=1)
        result[near] = np.maximum(result[near], faded)
    return result
