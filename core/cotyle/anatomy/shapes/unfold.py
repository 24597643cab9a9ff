"""Folds taken out of a surface that had to move far.

Where one part of a surface moved by a centimetre and its neighbour did not, triangles between them may turn over, and
the folds read as walls within the bone. A triangle that faces away from the surface around it is one of a fold; its
vertices and their neighbours go to the middle of theirs until it is gone.
"""

from __future__ import annotations

import numpy as np
from scipy import sparse

from cotyle.anatomy.shapes.surface_fit import graph_laplacian
from cotyle.space.arrays import Array, BoolArray, IntArray
from cotyle.space.mesh import vertex_normals

_ROUNDS = 30
_AVERAGED = 3
# Cosine between a triangle's normal and that of the surface around it, below which it is turned over.
_TURNED = -0.1


def unfolded(vertices: Array, triangles: IntArray, free: BoolArray) -> Array:
    """Return vertices (n, 3) without folds; only those that are ``free`` (n,) move."""
    if not free.any():
        return vertices
    count = len(vertices)
    average = sparse.identity(count, format="csr") - graph_laplacian(triangles, count)
    points = np.array(vertices)
    for _ in range(_ROUNDS):
        turned = triangles[_is_turned(points, triangles, average)]
        moving = np.zeros(count, dtype=bool)
        moving[turned.ravel()] = True
        moving = (moving | (average @ moving.astype(float) > 0.0)) & free
        if not len(turned) or not moving.any():
            break
        points[moving] = (average @ points)[moving]
    return points


def _is_turned(points: Array, triangles: IntArray, average: sparse.csr_matrix) -> BoolArray:
    around = vertex_normals(points, triangles)
    for _ in range(_AVERAGED):
        around = average @ around
    around /= np.maximum(np.linalg.norm(around, axis=1, keepdims=True), 1e-12)
    a, b, c = (points[triangles[:, corner]] for corner in range(3))
    normal = np.cross(b - a, c - a)
    normal /= np.maximum(np.linalg.norm(normal, axis=1, keepdims=True), 1e-12)
    return np.asarray(np.einsum("ij,ij->i", normal, around[triangles].mean(axis=1)) < _TURNED)
