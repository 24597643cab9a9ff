"""The last millimetre: a fitted surface let free to follow the scan, held only by its own smoothness."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import sparse
from scipy.sparse.csgraph import connected_components
from scipy.sparse.linalg import splu

from cotyle.anatomy.shapes.cortex_model import Blur, find_cortex_edges
from cotyle.anatomy.shapes.edge_profiles import Edges, EdgeSearch, find_edges
from cotyle.image.volume import Volume
from cotyle.space.arrays import Array, IntArray
from cotyle.space.mesh import vertex_normals

Limit = Callable[[Array, Array], Array]
"""Given vertices and normals (n, 3): how far each may move outward, mm (n,)."""

Trust = Callable[[Array], Array]
"""Given vertices (n, 3): how far the scan is to be believed there, 0 to 1 (n,)."""

Guide = Callable[[Array, Array], tuple[Array, Array]]
"""Given vertices and normals (n, 3): way outward to an edge that is known otherwise, mm (n,), and confidence (n,); the
scan decides where the latter is 0."""


LEAST_GAP_MM = 0.3
"""Least gap kept between two surfaces; below what a scan of 0.8 mm voxels can show."""

_SETTLING_ROUNDS = 2
_SETTLING_STIFFNESS = 0.4
_EVENING_ROUNDS, _EVENING_STEP = 10, 0.5


@dataclass(frozen=True)
class SurfaceRound:
    """One round: how to search, and how stiff the surface is (share of bending against one sure vertex)."""

    search: EdgeSearch
    stiffness: float
    repeats: int = 1


def free_surface(
    volume: Volume,
    vertices_lps_mm: Array,
    triangles: IntArray,
    rounds: Sequence[SurfaceRound],
    trust: Trust | None = None,
    outward_limit: Limit | None = None,
    guide: Guide | None = None,
) -> tuple[Array, Edges]:
    """Move each vertex to the edge of bone while the displacement stays smooth.

    Solves ``(W + stiffness L'L) D = W t n`` for the displacement vectors D: t the way to the edge along the normal n, W
    the confidence in it, L the graph Laplacian of the surface (the discrete thin plate of Botsch and Sorkine, IEEE
    Trans Vis Comput Graph 2008;14:213-30). Vectors, so that the flanks of a ridge follow its crest when it recedes.

    Parameters
    ----------
    trust:
        How far the scan is to be believed at a place (metal); everywhere if not given.
    outward_limit:
        Keeps the surface out of another bone.
    guide:
        Edges that the scan doesn't show itself (the bed of an artificial cup).

    Returns
    -------
    vertices, edges
        Moved vertices (n, 3) and what the last round saw.
    """
    vertices = np.array(vertices_lps_mm)
    laplacian = graph_laplacian(triangles, len(vertices))
    parts = bending_parts(laplacian)
    layout = laplacian @ vertices
    edges = Edges(np.zeros(len(vertices)), np.zeros(len(vertices)))
    for step in rounds:
        for _ in range(step.repeats):
            normals = vertex_normals(vertices, triangles)
            limit = np.inf if outward_limit is None else outward_limit(vertices, normals)
            edges = find_edges(volume, vertices, normals, step.search, limit)
            confidence = _confidence(edges, step.search.cap_hu) * (1.0 if trust is None else trust(vertices))
            edges, confidence = _guided(edges, confidence, guide, vertices, normals)
            vertices = _moved(vertices, normals, edges, confidence, step.stiffness, parts)
            vertices = _evened(vertices, triangles, laplacian, layout)
    return vertices, edges


def settle_surface(
    volume: Volume,
    vertices_lps_mm: Array,
    triangles: IntArray,
    blur: Blur,
    trust: Trust | None = None,
    outward_limit: Limit | None = None,
    guide: Guide | None = None,
) -> tuple[Array, Edges]:
    """Take the blur of the scan back: move a surface that follows the scan to the true edge of a thin cortex.

    Arguments and result as in :func:`free_surface`; ``blur`` from
    :func:`cotyle.anatomy.shapes.cortex_model.estimate_blur`.
    """
    vertices = np.array(vertices_lps_mm)
    laplacian = graph_laplacian(triangles, len(vertices))
    parts = bending_parts(laplacian)
    layout = laplacian @ vertices
    edges = Edges(np.zeros(len(vertices)), np.zeros(len(vertices)))
    for _ in range(_SETTLING_ROUNDS):
        normals = vertex_normals(vertices, triangles)
        if outward_limit is None:
            edges = find_cortex_edges(volume, vertices, normals, blur)
        else:
            limit = outward_limit(vertices, normals)
            edges = find_cortex_edges(volume, vertices, normals, blur, limit + LEAST_GAP_MM)
            barred = edges.shift_mm > limit
            edges = Edges(np.where(barred, 0.0, edges.shift_mm), np.where(barred, 0.0, edges.step_hu))
        confidence = _confidence(edges, np.inf) * (1.0 if trust is None else trust(vertices))
        edges, confidence = _guided(edges, confidence, guide, vertices, normals)
        vertices = _moved(vertices, normals, edges, confidence, _SETTLING_STIFFNESS, parts)
        vertices = _evened(vertices, triangles, laplacian, layout)
    return vertices, edges


def _guided(
    edges: Edges, confidence: Array, guide: Guide | None, vertices: Array, normals: Array
) -> tuple[Edges, Array]:
    """Edges and confidence with those that are known otherwise in their places."""
    if guide is None:
        return edges, confidence
    way, sure = guide(vertices, normals)
    told = sure > 0.0
    return Edges(np.where(told, way, edges.shift_mm), edges.step_hu), np.where(told, sure, confidence)


def _moved(
    vertices: Array, normals: Array, edges: Edges, confidence: Array, stiffness: float, parts: Sequence[BendingPart]
) -> Array:
    """Vertices after one smooth displacement; the way to each edge is a vector along the normal there."""
    pull = (confidence * edges.shift_mm)[:, None] * normals
    moved = np.array(vertices)

    def solve(part: BendingPart) -> None:
        # a vertex that sees nothing is carried by its neighbours; the small term keeps the system solvable
        system = sparse.diags(confidence[part.vertices] + 1e-6) + stiffness * part.bending
        factors = splu(system.tocsc(), permc_spec="MMD_AT_PLUS_A", options={"SymmetricMode": True})
        moved[part.vertices] += factors.solve(pull[part.vertices])

    with ThreadPoolExecutor(max_workers=len(parts)) as pool:
        list(pool.map(solve, parts))
    return moved


def _confidence(edges: Edges, cap_hu: float) -> Array:
    reference = min(cap_hu, 300.0)
    return np.clip((edges.step_hu / reference - 0.15) / 0.5, 0.0, 1.0)


@dataclass(frozen=True, eq=False)
class BendingPart:
    """One connected piece of a surface: its vertex numbers, and L'L among them."""

    vertices: IntArray
    bending: sparse.csc_matrix


def bending_parts(laplacian: sparse.csr_matrix) -> list[BendingPart]:
    """Split L'L of a graph Laplacian into its connected pieces, which can be solved side by side."""
    count, piece = connected_components(laplacian, directed=False)
    bending = (laplacian.T @ laplacian).tocsr()
    parts = []
    for number in range(count):
        vertices = np.flatnonzero(piece == number).astype(np.int32)
        parts.append(BendingPart(vertices, bending[vertices][:, vertices].tocsc()))
    return parts


def _evened(vertices: Array, triangles: IntArray, laplacian: sparse.csr_matrix, layout: Array) -> Array:
    """Vertices slid within the surface towards the spacing they had at the start, so that none fold over others.

    ``layout`` is the Laplacian of the starting surface: each vertex's offset from the middle of its neighbours.
    """
    for _ in range(_EVENING_ROUNDS):
        offset = layout - laplacian @ vertices
        normals = vertex_normals(vertices, triangles)
        within = offset - np.einsum("ij,ij->i", offset, normals)[:, None] * normals
        vertices = vertices + _EVENING_STEP * within
    return vertices


def graph_laplacian(triangles: npt.NDArray[np.integer], count: int) -> sparse.csr_matrix:
    """Return the (count, count) matrix that takes vertices to their offset from the mean of their neighbours."""
    a, b, c = triangles.T
    rows, columns = np.concatenate([a, b, c, b, c, a]), np.concatenate([b, c, a, a, b, c])
    neighbours = sparse.coo_matrix((np.ones(len(rows)), (rows, columns)), shape=(count, count)).tocsr()
    neighbours.data[:] = 1.0
    degree = np.maximum(np.asarray(neighbours.sum(axis=1)).ravel(), 1.0)
    return (sparse.identity(count, format="csr") - sparse.diags(1.0 / degree) @ neighbours).tocsr()
