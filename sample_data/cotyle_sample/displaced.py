"""A femoral head that has left its socket upwards: subluxed within a shallow one, or in a false socket in the ilium.

Coordinates are those of the subject's app frame, mm. The head has pressed a round hollow where it lies; where the
hollow overlaps the true socket it takes the true roof with it (Crowe, Mani and Ranawat, J Bone Joint Surg Am
1979;61:15: groups II and III). The sphere of the true socket is that of its lunate surface before. How such hips look
otherwise (small, flattened head, shallow and small true socket, a lip of bone over the false roof) is common practice,
no source.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from cotyle.anatomy.shapes import shape_landmarks
from cotyle.anatomy.shapes.shape_model import ShapeModel
from cotyle.space.arrays import Array, unit
from cotyle.space.fits import fit_sphere
from cotyle.space.mesh import TriangleMesh, vertex_normals
from cotyle.space.mesh_queries import MeshQuery
from cotyle.space.shapes import Sphere
from cotyle.space.side import Side
from scipy.spatial import cKDTree

from cotyle_sample.shaping import Indices, adjacency, smooth_random_field, smooth_values
from cotyle_sample.sockets import SocketChange, seat_femur

FALSE_SOCKET_FROM_MM = 10.0
"""A head displaced by less is subluxed within its own socket."""
_RELAXED = 25
_BONE_LEFT_MM = 3.0
_NEAR_MM = 14.0


@dataclass(frozen=True)
class Displacement:
    """How one head is displaced.

    up_mm, back_mm: of its centre from the true socket's; depth_mm: how deep it has pressed into the bone above or
    beside it, which says how far lateral it lies; hollow_share: radius of the hollow in which it lies over that of the
    true socket; gap_mm: its joint space; flattened: share of the head's radius lost where it bears; lip_mm: height of
    the bone that has grown over the hollow; osteophyte_mm: of humps on the floor of the true socket; socket: what is
    done to the true socket; seed: draws small traits.
    """

    up_mm: float
    back_mm: float = 3.0
    depth_mm: float = 6.0
    hollow_share: float = 0.95
    gap_mm: float = 2.0
    flattened: float = 0.05
    lip_mm: float = 3.0
    osteophyte_mm: float = 0.0
    socket: SocketChange = field(default_factory=SocketChange)
    seed: int = 0


def drawn_displacement(seed: int, up_mm: float, osteophytes: bool = False) -> Displacement:
    """Displacement of a seed: a false socket from 10 mm up, a subluxation in a shallow and steep socket below."""
    rng = np.random.default_rng([seed, 21])
    if up_mm < FALSE_SOCKET_FROM_MM:
        return Displacement(
            up_mm=up_mm,
            back_mm=rng.uniform(-0.5, 1.5),
            depth_mm=up_mm * rng.uniform(0.7, 0.9),
            hollow_share=rng.uniform(0.92, 1.0),
            gap_mm=rng.uniform(1.8, 2.8),
            flattened=rng.uniform(0.0, 0.04),
            lip_mm=rng.uniform(0.0, 2.0),
            osteophyte_mm=2.0 if osteophytes else 0.0,
            socket=SocketChange(
                lateral_mm=rng.uniform(6.0, 9.0),
                superior_mm=rng.uniform(2.0, 4.0),
                radius_mm=rng.uniform(0.0, 1.5),
            ),
            seed=seed,
        )
    return Displacement(
        up_mm=up_mm,
        back_mm=rng.uniform(1.0, 6.0),
        depth_mm=min(rng.uniform(9.0, 13.0), 0.85 * up_mm),
        hollow_share=rng.uniform(0.86, 0.98),
        gap_mm=rng.uniform(1.0, 2.2),
        flattened=rng.uniform(0.03, 0.09),
        lip_mm=rng.uniform(2.0, 4.0),
        osteophyte_mm=2.5 if osteophytes else 0.0,
        socket=SocketChange(
            lateral_mm=rng.uniform(4.0, 7.0),
            superior_mm=rng.uniform(0.0, 2.0),
            radius_mm=rng.uniform(-2.0, -0.5),
        ),
        seed=seed,
    )


def press_heads(
    model: ShapeModel, vertices: Array, sockets: Mapping[Side, Sphere], displaced: Mapping[Side, Displacement]
) -> tuple[Array, dict[Side, Sphere]]:
    """Pelvis vertices (n, 3) with the hollows of displaced heads, and the spheres of the hollows by side."""
    hollows = {}
    for side, each in displaced.items():
        vertices, hollows[side] = _pressed(model, vertices, side, sockets[side], each)
    return vertices, hollows


def false_sockets(hollows: Mapping[Side, Sphere], displaced: Mapping[Side, Displacement]) -> dict[Side, Sphere]:
    """The hollows that are sockets of their own."""
    return {side: hollow for side, hollow in hollows.items() if displaced[side].up_mm >= FALSE_SOCKET_FROM_MM}


def seat_displaced(
    model: ShapeModel, femur: TriangleMesh, hip_bone: TriangleMesh, hollow: Sphere, how: Displacement
) -> tuple[TriangleMesh, Sphere]:
    """The femur with its head in the hollow, flattened where it bears and a little out of round."""
    seated, head = seat_femur(model, femur, hip_bone, hollow, SocketChange(joint_gap_mm=how.gap_mm))
    points, on_head = seated.vertices_lps_mm, model.head_vertices
    rng = np.random.default_rng([how.seed, 22])
    offset = points[on_head] - head.center_lps_mm
    distance = np.linalg.norm(offset, axis=1)
    nearest = hip_bone.vertices_lps_mm[cKDTree(hip_bone.vertices_lps_mm).query(head.center_lps_mm, 200)[1]].mean(axis=0)
    toward = unit(nearest - head.center_lps_mm, "where the head bears")
    bearing = np.clip(offset @ toward / distance, 0.0, 1.0) ** 2
    uneven = 0.3 * np.clip(smooth_random_field(points[on_head], 14.0, rng, 1)[:, 0], -1.5, 1.5)
    change = np.zeros(len(points))
    change[on_head] = np.minimum(uneven, 0.4) - how.flattened * head.radius_mm * bearing
    change = smooth_values(seated.triangles, change, 2)
    outward = np.zeros_like(points)
    outward[:] = points - head.center_lps_mm
    outward /= np.maximum(np.linalg.norm(outward, axis=1), 1e-9)[:, None]
    points = points + change[:, None] * outward
    return seated.with_vertices(points), fit_sphere(points[on_head])[0]


def _pressed(model: ShapeModel, vertices: Array, side: Side, true: Sphere, how: Displacement) -> tuple[Array, Sphere]:
    """One hip bone with the head's hollow pressed into it."""
    code = shape_landmarks.HIP_CODE[side]
    bone = np.flatnonzero(model.pelvis_component == code)
    number = np.cumsum(model.pelvis_component == code) - 1
    mesh = model.part(vertices, code)
    if how.osteophyte_mm:
        mesh = mesh.with_vertices(_humps(mesh, number[model.fossa_vertices[side]], true, how))
    hollow = _hollow(mesh, side, true, how)
    points = _with_lip(mesh, hollow, side, how)
    points = _bowl(mesh.with_vertices(points), hollow)
    points = _bone_left(mesh.with_vertices(points), hollow, side)
    result = vertices.copy()
    result[bone] = points
    return result, hollow


def _hollow(mesh: TriangleMesh, side: Side, true: Sphere, how: Displacement) -> Sphere:
    """Where the hollow lies: as far lateral as its depth in the bone of the roof or the ilium beside it wants."""
    radius = how.hollow_share * true.radius_mm
    points = mesh.vertices_lps_mm
    start = true.center_lps_mm + np.array([0.0, how.back_mm, how.up_mm])
    lateral = np.array([side.lateral_sign, 0.0, 0.0])
    above = (points[:, 2] > true.center_lps_mm[2]) & (np.abs(points[:, 1] - start[1]) < 0.4 * radius)
    normals = vertex_normals(points, mesh.triangles)[above]
    deepest, found = -np.inf, 0.0
    for shift in np.arange(45.0, 0.0, -0.25):
        offset = points[above] - (start + shift * lateral)
        distance = np.linalg.norm(offset, axis=1)
        facing = -np.einsum("ij,ij->i", offset, normals) / np.maximum(distance, 1e-9)
        depth = float((radius - distance[facing > 0.2]).max(initial=-np.inf))
        if depth > deepest:
            deepest, found = depth, float(shift)
        if depth >= how.depth_mm:
            break
    return Sphere(start + found * lateral, radius)


def _bowl(mesh: TriangleMesh, hollow: Sphere) -> Array:
    """What lies within the hollow's sphere pressed onto it; its triangles relax within the sphere."""
    points = mesh.vertices_lps_mm.copy()
    inside = np.linalg.norm(points - hollow.center_lps_mm, axis=1) < hollow.radius_mm
    links = adjacency(mesh.triangles, len(points))
    degree = np.maximum(np.asarray(links.sum(axis=1)).ravel(), 1.0)
    for _ in range(_RELAXED):
        offset = points[inside] - hollow.center_lps_mm
        points[inside] = hollow.center_lps_mm + hollow.radius_mm * offset / np.linalg.norm(offset, axis=1)[:, None]
        average = (links @ points) / degree[:, None]
        points[inside] = 0.5 * points[inside] + 0.5 * average[inside]
        # a neighbour that the relaxing surface drew in is pressed too
        inside |= np.linalg.norm(points - hollow.center_lps_mm, axis=1) < hollow.radius_mm
    offset = points[inside] - hollow.center_lps_mm
    points[inside] = hollow.center_lps_mm + hollow.radius_mm * offset / np.linalg.norm(offset, axis=1)[:, None]
    return points


def _with_lip(mesh: TriangleMesh, hollow: Sphere, side: Side, how: Displacement) -> Array:
    """Bone grown over the upper edge of the hollow: an uneven ridge just outside its sphere."""
    points = mesh.vertices_lps_mm
    normals = vertex_normals(points, mesh.triangles)
    offset = points - hollow.center_lps_mm
    distance = np.linalg.norm(offset, axis=1) - hollow.radius_mm
    above = np.clip((offset[:, 2] / hollow.radius_mm - 0.2) / 0.5, 0.0, 1.0)
    looks_out = np.clip(normals[:, 0] * side.lateral_sign, 0.0, 1.0)
    rng = np.random.default_rng([how.seed, 23])
    wave = 0.75 + 0.25 * np.clip(smooth_random_field(points, 12.0, rng, 1)[:, 0], -1.5, 1.0)
    height = how.lip_mm * wave * above * looks_out * np.exp(-(((distance - 3.0) / 4.5) ** 2))
    height = smooth_values(mesh.triangles, height, 3)
    return np.asarray(points + height[:, None] * normals)


def _humps(mesh: TriangleMesh, fossa: Indices, true: Sphere, how: Displacement) -> Array:
    """Bone grown on the floor of a socket that carries no head."""
    points = mesh.vertices_lps_mm
    rng = np.random.default_rng([how.seed, 24])
    places = points[rng.choice(fossa, 3, replace=False)]
    height = np.zeros(len(points))
    for place in places:
        away = np.linalg.norm(points - place, axis=1)
        height = np.maximum(height, how.osteophyte_mm * rng.uniform(0.6, 1.0) * np.exp(-0.5 * (away / 4.5) ** 2))
    facing = (true.center_lps_mm - points) / np.linalg.norm(true.center_lps_mm - points, axis=1)[:, None]
    inward = np.einsum("ij,ij->i", facing, vertex_normals(points, mesh.triangles)) > 0.3
    height = smooth_values(mesh.triangles, np.where(inward, height, 0.0), 2)
    return np.asarray(points + height[:, None] * facing)


def _bone_left(mesh: TriangleMesh, hollow: Sphere, side: Side) -> Array:
    """Push the pelvic surface behind the hollow inwards until there is bone between."""
    points = mesh.vertices_lps_mm.copy()
    for _ in range(4):
        normals = vertex_normals(points, mesh.triangles)
        near = np.linalg.norm(points - hollow.center_lps_mm, axis=1) < hollow.radius_mm + _NEAR_MM
        inner = np.flatnonzero(near & (normals[:, 0] * side.lateral_sign < -0.2))
        query = MeshQuery(mesh.with_vertices(points))
        missing = np.zeros(len(points))
        for vertex in inner:
            start = points[vertex] - 0.05 * normals[vertex]
            crossings = query.line_crossings(start, start - 12.0 * normals[vertex])
            if len(crossings) and crossings[0] < _BONE_LEFT_MM:
                missing[vertex] = _BONE_LEFT_MM - crossings[0]
        if missing.max() < 0.1:
            break
        missing = np.maximum(missing, smooth_values(mesh.triangles, missing, 6))
        missing[normals[:, 0] * side.lateral_sign > 0.2] = 0.0
        points = points + missing[:, None] * normals
    return points
