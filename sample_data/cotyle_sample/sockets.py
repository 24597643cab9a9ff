"""Hip sockets and femoral heads: made round, seated with an even gap, and changed by disease."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from cotyle.anatomy.shapes import shape_landmarks
from cotyle.anatomy.shapes.shape_model import ShapeModel
from cotyle.space.arrays import Array
from cotyle.space.fits import fit_sphere
from cotyle.space.mesh import TriangleMesh, vertex_normals
from cotyle.space.mesh_queries import MeshQuery
from cotyle.space.shapes import Sphere
from cotyle.space.side import Side

from cotyle_sample.distances import signed_distance
from cotyle_sample.shaping import Handles, Indices, smooth_values, spread_displacements

ROUGHNESS_KEPT = 0.35
"""Share of the model's own deviation from a sphere that the joint surfaces keep."""


@dataclass(frozen=True)
class SocketChange:
    """What is done to a socket. Shifts in mm along lateral and superior of the app frame.

    lateral_mm, superior_mm: of the socket's centre and its whole inner surface; radius_mm: added to its radius;
    floor_lateral_mm: of the fossa, further to the shift; inner_lateral_mm: of the pelvic surface behind the
    socket (negative: bulges into the pelvis); least_floor_mm: floor thickness that is left at least;
    head_radius_mm: added to the radius of the head; gap_above_mm: joint space lost where the hip carries weight.
    """

    lateral_mm: float = 0.0
    superior_mm: float = 0.0
    radius_mm: float = 0.0
    floor_lateral_mm: float = 0.0
    inner_lateral_mm: float = 0.0
    least_floor_mm: float = 2.2
    joint_gap_mm: float = 3.0
    head_shift_superior_mm: float = 0.0


_CHANGES: dict[str, SocketChange] = {
    "healthy": SocketChange(),
    # Joint space narrowed above: the head rides up within the socket.
    "worn": SocketChange(joint_gap_mm=2.3, head_shift_superior_mm=0.9),
    # Shallow socket: less depth under the same rim, thick floor.
    "dysplastic": SocketChange(lateral_mm=8.5, superior_mm=1.5, radius_mm=1.0),
    "thin_wall": SocketChange(floor_lateral_mm=-2.0, least_floor_mm=1.5),
    # Protrusion: head and floor have moved inwards and the wall bulges into the pelvis, thinned.
    "protrusion": SocketChange(lateral_mm=-5.0, superior_mm=1.0, inner_lateral_mm=-4.0, least_floor_mm=1.5),
    # A cavity round a loose shell: wider and higher than the native socket.
    "loose_cup": SocketChange(superior_mm=3.0, lateral_mm=-1.5, radius_mm=3.0, inner_lateral_mm=-1.0),
    # Reamed for a shell: a little wider and deeper, the fossa mostly filled with what the reamer left.
    "fixed_cup": SocketChange(superior_mm=0.5, lateral_mm=-1.0, radius_mm=2.0, floor_lateral_mm=1.5),
    "cemented_cup": SocketChange(superior_mm=1.0, lateral_mm=-1.0, radius_mm=2.5, floor_lateral_mm=1.5),
}


def change_for(variant: str) -> SocketChange:
    """The change of a variant by its name."""
    return _CHANGES[str(variant)]


def reshape_socket(model: ShapeModel, vertices: Array, side: Side, change: SocketChange) -> Array:
    """Pelvis vertices (n, 3, app frame) with one socket rounded and changed; all else follows smoothly."""
    code = shape_landmarks.HIP_CODE[side]
    bone = np.flatnonzero(model.pelvis_component == code)
    number = np.full(len(vertices), -1)
    number[bone] = np.arange(len(bone))
    mesh = model.part(vertices, code)
    points = mesh.vertices_lps_mm
    lunate = number[np.union1d(model.lunate_vertices[side], model.rim_vertices[side])]
    fossa = number[np.setdiff1d(model.fossa_vertices[side], model.rim_vertices[side])]
    inner = number[model.inner_wall_vertices[side]]

    sphere, _ = fit_sphere(vertices[model.lunate_vertices[side]])
    lateral = np.array([side.lateral_sign, 0.0, 0.0])
    shift = change.lateral_mm * lateral + np.array([0.0, 0.0, change.superior_mm])
    center, radius = sphere.center_lps_mm + shift, sphere.radius_mm + change.radius_mm

    offset = points[lunate] - center
    distance = np.linalg.norm(offset, axis=1)
    unevenness = np.linalg.norm(points[lunate] - sphere.center_lps_mm, axis=1) - sphere.radius_mm
    goal = radius + ROUGHNESS_KEPT * np.clip(unevenness, -2.5, 2.5)
    move_lunate = offset * (goal / distance - 1.0)[:, None]

    # The floor of the fossa keeps its depth behind the articular sphere, as a recess for its fat.
    offset = points[fossa] - center
    distance = np.linalg.norm(offset, axis=1)
    depth = np.linalg.norm(points[fossa] - sphere.center_lps_mm, axis=1) - sphere.radius_mm
    goal = radius + np.maximum(depth, 0.8)
    move_fossa = offset * (goal / distance - 1.0)[:, None] + change.floor_lateral_mm * lateral
    move_inner = np.tile(change.inner_lateral_mm * lateral, (len(inner), 1))
    far = np.flatnonzero(np.linalg.norm(points - sphere.center_lps_mm, axis=1) > 52.0)
    handles = [
        Handles(lunate, move_lunate, 2.0),
        Handles(fossa, move_fossa, 0.5),
        Handles(inner, move_inner, 0.5),
        Handles(far, np.zeros((len(far), 3)), 1.0),
    ]
    moved = points + spread_displacements(mesh.triangles, len(points), handles, stiffness=2.0)
    moved = _keep_floor(mesh.with_vertices(moved), inner, change.least_floor_mm)
    result = vertices.copy()
    result[bone] = moved
    return result


def _keep_floor(mesh: TriangleMesh, inner: Indices, least_mm: float) -> Array:
    """Push the pelvic surface behind the socket inwards until the wall is nowhere thinner than ``least_mm``."""
    points = mesh.vertices_lps_mm.copy()
    for _ in range(4):
        now = mesh.with_vertices(points)
        normals = vertex_normals(points, mesh.triangles)
        query = MeshQuery(now)
        missing = np.zeros(len(points))
        for vertex in inner:
            start = points[vertex] - 0.05 * normals[vertex]
            crossings = query.line_crossings(start, start - 12.0 * normals[vertex])
            if len(crossings) and crossings[0] < least_mm:
                missing[vertex] = least_mm - crossings[0]
        if missing.max() < 0.1:
            break
        missing = np.maximum(missing, smooth_values(mesh.triangles, missing, 6))
        points = points + missing[:, None] * normals
    return points


def seat_femur(
    model: ShapeModel, femur: TriangleMesh, hip_bone: TriangleMesh, socket: Sphere, change: SocketChange
) -> tuple[TriangleMesh, Sphere]:
    """The femur with its head round, concentric with the socket and smaller than it by the joint gap.

    The model's head lies partly in the socket's roof; here it is moved to the centre and its radius is set, and
    the junction of head and neck is bent to follow.
    """
    head, _ = fit_sphere(femur.vertices_lps_mm[model.head_vertices])
    center = socket.center_lps_mm + np.array([0.0, 0.0, change.head_shift_superior_mm])
    radius = socket.radius_mm - change.joint_gap_mm
    points = femur.vertices_lps_mm + (center - head.center_lps_mm)
    offset = points - center
    distance = np.linalg.norm(offset, axis=1)
    on_head = model.head_vertices
    goal = radius + ROUGHNESS_KEPT * (distance[on_head] - head.radius_mm)
    moves = offset[on_head] * (goal / distance[on_head] - 1.0)[:, None]
    far = np.flatnonzero(distance > head.radius_mm + 22.0)
    handles = [Handles(on_head, moves, 2.0), Handles(far, np.zeros((len(far), 3)), 1.0)]
    points = points + spread_displacements(femur.triangles, len(points), handles, stiffness=4.0)
    points = _smooth_junction(femur.with_vertices(points), center, radius)
    points = _clear_of(femur.with_vertices(points), hip_bone, on_head, least_mm=1.6)
    seated = femur.with_vertices(points)
    return seated, fit_sphere(points[on_head])[0]


def _smooth_junction(femur: TriangleMesh, center: Array, radius: float) -> Array:
    """Taubin smoothing (Taubin 1995) of the ring where the head's sphere meets the neck."""
    points = femur.vertices_lps_mm
    distance = np.linalg.norm(points - center, axis=1) - radius
    weight = np.exp(-(((distance - 3.0) / 4.0) ** 2)) * (np.abs(distance) > 0.8)
    for _ in range(8):
        for factor in (0.5, -0.52):
            average = 2.0 * smooth_values(femur.triangles, points, 1) - points
            points = points + factor * weight[:, None] * (average - points)
    return np.asarray(points)


def _clear_of(femur: TriangleMesh, hip_bone: TriangleMesh, head_vertices: Indices, least_mm: float) -> Array:
    """Dent the femur where neck or trochanter come nearer to the hip bone than ``least_mm``."""
    points = femur.vertices_lps_mm
    low, high = hip_bone.bounds_lps_mm
    for _ in range(4):
        near = np.flatnonzero(((points > low - 3.0) & (points < high + 3.0)).all(axis=1))
        near = np.setdiff1d(near, head_vertices)
        missing = np.zeros(len(points))
        missing[near] = np.clip(least_mm - signed_distance(hip_bone, points[near]), 0.0, 4.0)
        if missing.max() < 0.05:
            break
        missing = np.maximum(missing, smooth_values(femur.triangles, missing, 4))
        missing[head_vertices] = 0.0
        points = points - 0.9 * missing[:, None] * vertex_normals(points, femur.triangles)
    return points
