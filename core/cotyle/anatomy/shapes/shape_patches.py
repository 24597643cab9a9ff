"""Surface patches of the open shape model: Lagrange elements evaluated into one closed triangle mesh.

The atlas meshes of the model are stored as quadrilateral and triangular patches that interpolate their
nodes with Lagrange polynomials on equispaced nodes (the "flat" 2D elements of the GIAS2/GIAS3 project:
Zhang, Besier, Hunter, 2016, "Lagrange mesh" fields of the Auckland Bioengineering Institute). A patch point
is a fixed weighted sum of nodes, so evaluating the mesh is one sparse matrix, used alike for the mean and
for every mode of variation.

Bases: Zienkiewicz, Taylor, "The Finite Element Method", chapter on shape functions (Lagrange family on
the square; area-coordinate products on the triangle).
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np
from scipy import sparse

from cotyle.space.arrays import Array, IntArray

# Name of the element -> (nodes along the first direction, along the second; None for a triangle).
_ELEMENTS: dict[str, tuple[int, int | None]] = {
    "quad44": (4, 4),
    "quad54": (5, 4),
    "quad55": (5, 5),
    "tri10": (4, None),
    "tri15": (5, None),
}
# Basis values below this are rounding: a node without a share in the point.
_NO_WEIGHT = 1e-12


@dataclass(frozen=True, eq=False)
class PatchMesh:
    """A patch mesh, ready to evaluate: ``vertices = interpolation @ nodes``.

    interpolation: (n vertices, n nodes) sparse; each row sums to one.
    triangles: (m, 3) int32 vertex numbers; the winding of the source, neighbours consistent.
    """

    interpolation: sparse.csr_matrix
    triangles: IntArray

    def evaluate(self, nodes: Array) -> Array:
        """Vertices (n, 3) for nodes (n nodes, 3)."""
        return np.asarray(self.interpolation @ nodes, dtype=np.float64)


def _lagrange_1d(count: int, t: Array) -> Array:
    """Lagrange basis of ``count`` equispaced nodes on [0, 1] at parameters t: (len(t), count)."""
    nodes = np.linspace(0.0, 1.0, count)
    basis = np.ones((len(t), count))
    for a in range(count):
        for b in range(count):
            if a != b:
                basis[:, a] *= (t - nodes[b]) / (nodes[a] - nodes[b])
    return basis


def _simplex_factor(order: int, power: int, coordinate: Array) -> Array:
    """One area-coordinate factor of the simplex basis: prod_{s<power} (order L - s) / (s + 1)."""
    value = np.ones_like(coordinate)
    for s in range(power):
        value = value * (order * coordinate - s) / (s + 1)
    return value


@lru_cache(maxsize=32)
def _quad_samples(nu: int, nv: int, divisions: int) -> tuple[Array, IntArray]:
    """Basis values at the grid of a quad patch ((d+1)^2, nu nv) and its triangles."""
    t = np.linspace(0.0, 1.0, divisions + 1)
    basis = np.einsum("va,ub->vuab", _lagrange_1d(nv, t), _lagrange_1d(nu, t))
    row = divisions + 1
    corner = np.arange(row * row).reshape(row, row)[:-1, :-1].ravel()
    lower = np.column_stack([corner, corner + 1, corner + row + 1])
    upper = np.column_stack([corner, corner + row + 1, corner + row])
    return basis.reshape(row * row, nu * nv), np.vstack([lower, upper]).astype(np.int32)


@lru_cache(maxsize=32)
def _triangle_samples(count: int, divisions: int) -> tuple[Array, IntArray]:
    """Basis values at the grid of a triangular patch and its triangles. Nodes run row by row."""
    order = count - 1
    index: dict[tuple[int, int], int] = {}
    for j in range(divisions + 1):
        for i in range(divisions + 1 - j):
            index[i, j] = len(index)
    points = np.array(list(index), dtype=np.float64) / divisions
    u, v = points[:, 0], points[:, 1]
    w = 1.0 - u - v
    columns = [
        _simplex_factor(order, a, u) * _simplex_factor(order, b, v) * _simplex_factor(order, order - a - b, w)
        for b in range(count)
        for a in range(count - b)
    ]
    faces = []
    for (i, j), number in index.items():
        if i + j < divisions:
            faces.append((number, index[i + 1, j], index[i, j + 1]))
        if i + j < divisions - 1:
            faces.append((index[i + 1, j], index[i + 1, j + 1], index[i, j + 1]))
    return np.column_stack(columns), np.array(faces, dtype=np.int32)


def element_samples(kind: str, divisions: int) -> tuple[Array, IntArray]:
    """Basis values (points, nodes) and triangles of one element kind, ``divisions`` along each edge."""
    nu, nv = _ELEMENTS[kind]
    return _triangle_samples(nu, divisions) if nv is None else _quad_samples(nu, nv, divisions)


def _node_numbers(connectivity: dict[str, str]) -> tuple[dict[tuple[int, int], int], int]:
    """Shared node numbers: first come first served in sorted (element, node) order."""
    numbers: dict[tuple[int, int], int] = {}
    count = 0

    def as_key(text: str) -> tuple[int, int]:
        element, node = text.split("_")
        return int(element), int(node)

    for element_node in sorted(as_key(k) for k in connectivity):
        if element_node in numbers:
            continue
        numbers[element_node] = count
        for twin in connectivity[f"{element_node[0]}_{element_node[1]}"].split():
            numbers[as_key(twin)] = count
        count += 1
    return numbers, count


def read_patch_mesh(mesh_file: Path, divisions: int) -> PatchMesh:
    """Evaluate an atlas ``.mesh`` file at ``divisions`` steps per patch edge; shared points are merged.

    Raises ValueError when the file holds an element kind we don't know or nodes that don't add up.
    """
    if divisions < 1:
        raise ValueError(f"divisions must be at least 1, not {divisions}")
    content: dict[str, Any] = json.loads(mesh_file.read_text())
    numbers, count = _node_numbers(content["connectivity"])
    if count != content["number_of_points"]:
        raise ValueError(f"{mesh_file.name}: {count} nodes found, {content['number_of_points']} stated")

    weights: list[sparse.csr_matrix] = []
    triangles: list[IntArray] = []
    first = 0
    for element, text in sorted(content["elements"].items(), key=lambda item: int(item[0])):
        kind = text.split()[1]
        if kind not in _ELEMENTS:
            raise ValueError(f"{mesh_file.name}: unknown element {kind}")
        basis, faces = element_samples(kind, divisions)
        nodes = [numbers[int(element), a] for a in range(basis.shape[1])]
        rows, local = np.nonzero(np.abs(basis) > _NO_WEIGHT)
        entries = (basis[rows, local], (rows, np.asarray(nodes)[local]))
        weights.append(sparse.csr_matrix(entries, shape=(len(basis), count)))  # a node named twice is summed
        triangles.append(faces + first)
        first += len(basis)
    interpolation, vertex = _merged(sparse.vstack(weights).tocsr())
    faces = vertex[np.vstack(triangles)]
    a, b, c = faces.T
    return PatchMesh(interpolation, faces[(a != b) & (b != c) & (c != a)])


def _merged(weights: sparse.csr_matrix) -> tuple[sparse.csr_matrix, IntArray]:
    """Rows that differ, in order of first appearance, and the number among them of each row given.

    A point seen from two patches has the same weights on the same nodes. Rows are told apart by their products with
    two fixed random vectors.
    """
    probes = np.random.default_rng(0).uniform(1.0, 2.0, (weights.shape[1], 2))
    keys = np.round(weights @ probes, 6)
    _, first, number = np.unique(keys, axis=0, return_index=True, return_inverse=True)
    order = np.argsort(first)
    rank = np.empty_like(order)
    rank[order] = np.arange(len(order))
    return weights[first[order]], rank[number.ravel()].astype(np.int32)
