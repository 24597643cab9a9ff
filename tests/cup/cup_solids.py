"""Closed surfaces with known measures (boxes, spheres, shells, revolved profiles) and hip bones of the shape model."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
from cotyle.anatomy.shapes import shape_landmarks
from cotyle.anatomy.shapes.shape_model import load_shape_model
from cotyle.space.arrays import Array
from cotyle.space.fits import fit_sphere
from cotyle.space.frames import Frame, frame_from_left_and_superior
from cotyle.space.mesh import TriangleMesh
from cotyle.space.side import Side


def join(*meshes: TriangleMesh) -> TriangleMesh:
    offsets = np.cumsum([0, *(len(m.vertices_lps_mm) for m in meshes)])
    return TriangleMesh(
        np.concatenate([m.vertices_lps_mm for m in meshes]),
        np.concatenate([m.triangles + o for m, o in zip(meshes, offsets[:-1], strict=True)]),
    )


def turned_inside_out(mesh: TriangleMesh) -> TriangleMesh:
    return TriangleMesh(mesh.vertices_lps_mm, mesh.triangles[:, ::-1])


def box(low, high, cell_mm: float = 8.0) -> TriangleMesh:
    low, high = np.asarray(low, float), np.asarray(high, float)
    counts = np.maximum(np.ceil((high - low) / cell_mm).astype(int), 1)
    index: dict[tuple[int, int, int], int] = {}
    triangles = []
    for axis in range(3):
        u, v = (axis + 1) % 3, (axis + 2) % 3
        for end in (0, counts[axis]):
            for i in range(counts[u]):
                for j in range(counts[v]):
                    quad = []
                    for di, dj in ((0, 0), (1, 0), (1, 1), (0, 1)):
                        key = [0, 0, 0]
                        key[axis], key[u], key[v] = end, i + di, j + dj
                        quad.append(index.setdefault(tuple(key), len(index)))
                    quad = quad if end else quad[::-1]
                    triangles += [[quad[0], quad[1], quad[2]], [quad[0], quad[2], quad[3]]]
    vertices = low + np.array(list(index)) / counts * (high - low)
    return TriangleMesh(vertices, np.array(triangles))


@cache
def _unit_sphere(level: int) -> TriangleMesh:
    g = (1 + 5**0.5) / 2
    v = [[-1, g, 0], [1, g, 0], [-1, -g, 0], [1, -g, 0], [0, -1, g], [0, 1, g]]
    v += [[0, -1, -g], [0, 1, -g], [g, 0, -1], [g, 0, 1], [-g, 0, -1], [-g, 0, 1]]
    f = [[0, 11, 5], [0, 5, 1], [0, 1, 7], [0, 7, 10], [0, 10, 11], [1, 5, 9], [5, 11, 4], [11, 10, 2], [10, 7, 6]]
    f += [[7, 1, 8], [3, 9, 4], [3, 4, 2], [3, 2, 6], [3, 6, 8], [3, 8, 9], [4, 9, 5], [2, 4, 11], [6, 2, 10]]
    f += [[8, 6, 7], [9, 8, 1]]
    vertices = [np.array(p) / np.linalg.norm(p) for p in v]
    for _ in range(level):
        middles: dict[tuple[int, int], int] = {}

        def middle(a: int, b: int, middles: dict[tuple[int, int], int] = middles) -> int:
            key = (min(a, b), max(a, b))
            if key not in middles:
                middles[key] = len(vertices)
                m = vertices[a] + vertices[b]
                vertices.append(m / np.linalg.norm(m))
            return middles[key]

        split = []
        for a, b, c in f:
            ab, bc, ca = middle(a, b), middle(b, c), middle(c, a)
            split += [[a, ab, ca], [ab, b, bc], [ca, bc, c], [ab, bc, ca]]
        f = split
    return TriangleMesh(np.array(vertices), np.array(f))


def sphere(center, radius: float, level: int = 4) -> TriangleMesh:
    """Icosphere with its vertices on the sphere; at level 5 and 26 mm its faces lie at most 0.01 mm inside."""
    unit = _unit_sphere(level)
    return unit.with_vertices(unit.vertices_lps_mm * radius + np.asarray(center, float))


def shell(center, outer: float, inner: float, level: int = 5) -> TriangleMesh:
    return join(sphere(center, outer, level), turned_inside_out(sphere(center, inner, level)))


def revolved(profile, around: int = 240) -> TriangleMesh:
    """Turn a profile [(x, distance from the x axis)] about the x axis; first and last point lie on the axis."""
    profile = np.asarray(profile, float)
    rings = profile[1:-1]
    angle = np.arange(around) * 2 * np.pi / around
    points = [np.array([[profile[0, 0], 0, 0]])]
    points += [np.stack([np.full(around, x), r * np.cos(angle), r * np.sin(angle)], axis=1) for x, r in rings]
    points.append(np.array([[profile[-1, 0], 0, 0]]))
    here = np.arange(around)
    beside = (here + 1) % around
    triangles = [np.stack([np.zeros(around, int), 1 + here, 1 + beside], axis=1)]
    for row in range(len(rings) - 1):
        a, b = 1 + row * around, 1 + (row + 1) * around
        triangles.append(np.stack([a + here, b + here, b + beside], axis=1))
        triangles.append(np.stack([a + here, b + beside, a + beside], axis=1))
    last = 1 + len(rings) * around
    end = 1 + (len(rings) - 1) * around
    triangles.append(np.stack([end + here, np.full(around, last), end + beside], axis=1))
    mesh = TriangleMesh(np.concatenate(points), np.concatenate(triangles))
    return mesh if mesh.volume_mm3 > 0 else turned_inside_out(mesh)


def socket_block(native_radius: float, back_mm: float, width_mm: float = 60.0) -> TriangleMesh:
    """A block with a hemispherical dent: a left socket whose mouth looks along +x, centre at the origin.

    The mouth plane is x = 0, the inner surface x = -back_mm.
    """
    angle = np.radians(np.linspace(0, 90, 61))
    dent = np.stack([-native_radius * np.cos(angle), native_radius * np.sin(angle)], axis=1)
    outer = np.linspace(native_radius, width_mm, 12)[1:]
    mouth = np.stack([np.zeros_like(outer), outer], axis=1)
    inner = np.linspace(width_mm, 0.0, 25)
    back = np.stack([np.full_like(inner, -back_mm), inner], axis=1)
    return revolved(np.concatenate([dent, mouth, back]))


@dataclass(frozen=True, eq=False)
class ModelHip:
    """One hip of the open shape model, with the frame of its anterior pelvic plane."""

    side: Side
    bone: TriangleMesh
    frame: Frame
    center: Array
    diameter: float
    floor: Array
    inner_wall: Array

    @property
    def medial(self) -> Array:
        return -self.frame.left * self.side.lateral_sign

    def moved(self, matrix) -> ModelHip:
        """Return the hip after a rigid motion (4x4)."""
        m = np.asarray(matrix, float)

        def point(p):
            return p @ m[:3, :3].T + m[:3, 3]

        axes = [m[:3, :3] @ axis for axis in self.frame.axes]
        frame = Frame(self.frame.name, point(self.frame.origin_lps_mm), *axes)
        return ModelHip(
            self.side,
            self.bone.transformed(m),
            frame,
            point(self.center),
            self.diameter,
            point(self.floor),
            point(self.inner_wall),
        )

    def mirrored(self) -> ModelHip:
        """Return the hip of the mirror image of the patient: the other side."""
        m = np.diag([-1.0, 1.0, 1.0, 1.0])
        axes = self.frame.axes * np.array([-1.0, 1.0, 1.0])
        axes[0] *= -1  # the patient's left is the other way now
        flip = np.array([-1.0, 1.0, 1.0])
        frame = Frame(self.frame.name, self.frame.origin_lps_mm * flip, *axes)
        return ModelHip(
            self.side.opposite,
            self.bone.transformed(m),
            frame,
            self.center * flip,
            self.diameter,
            self.floor * flip,
            self.inner_wall * flip,
        )


@cache
def model_hip(side: Side = Side.LEFT, weights: tuple[float, ...] = (0.0,)) -> ModelHip:
    model = load_shape_model()
    vertices = model.pelvis_vertices(weights)
    marks = model.landmarks(vertices)
    middle = (marks["asis_left"] + marks["asis_right"]) / 2
    pubis = (marks["pubic_tubercle_left"] + marks["pubic_tubercle_right"]) / 2
    frame = frame_from_left_and_superior("app", middle, marks["asis_left"] - marks["asis_right"], middle - pubis)
    bone = model.part(vertices, shape_landmarks.HIP_CODE[side])
    lunate, _ = fit_sphere(vertices[model.lunate_vertices[side]])
    medial = -frame.left * side.lateral_sign
    fossa = vertices[model.fossa_vertices[side]]
    floor = fossa[np.argmax(fossa @ medial)]
    inner = vertices[model.inner_wall_vertices[side]]
    return ModelHip(side, bone, frame, lunate.center_lps_mm, lunate.diameter_mm, floor, inner)
