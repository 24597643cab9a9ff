"""Pelves that do not come from the shape model: hip bones and sacrum digitised from a real skeleton.

The data file holds the right hip bone (845 points) and the sacrum (192) of the open musculoskeletal models; origin and
licence stand beside it. The left hip bone is the mirror image, as in the source. The shape model's mesh is laid onto
these surfaces freely, no mode is used, so that its vertex numbers (lunate, rim, carried landmarks) stay usable. What
no digitised bone of 845 points holds, a round socket and a joint of even width, is made as in every subject. In the
source the sacrum stands 5 mm and more from both hip bones; it is made a fifth wider, so that there are joints.
"""

from __future__ import annotations

from importlib import resources

import numpy as np
import numpy.typing as npt
from cotyle.anatomy.shapes.shape_landmarks import HIP_CODE, SACRUM
from cotyle.anatomy.shapes.shape_model import COMPONENT_NAMES, ShapeModel, load_shape_model
from cotyle.space.arrays import Array
from cotyle.space.fits import fit_sphere
from cotyle.space.mesh import TriangleMesh, vertex_normals
from cotyle.space.mesh_queries import MeshQuery
from cotyle.space.shapes import Sphere
from cotyle.space.side import Side
from scipy import sparse
from scipy.sparse.linalg import splu
from scipy.spatial import cKDTree

from cotyle_sample import shaping
from cotyle_sample.sockets import change_for, reshape_socket, seat_femur
from cotyle_sample.subject import Subject, Variant, in_app_frame, open_joints

DATA_FILE = "digitised_pelvis.npz"
# stiffness of the laid-on mesh, from a nearly rigid one to one that follows every digitised point
_STIFFNESS = (3000.0, 1000.0, 300.0, 100.0, 40.0, 15.0, 6.0, 3.0, 2.0, 2.0)
_SACRUM_STIFFNESS = (3000.0, 1000.0, 300.0, 100.0, 60.0)
_RIGID_ROUNDS = 40
_SACRUM_WIDER = 1.2


def digitised_bones() -> dict[str, TriangleMesh]:
    """Closed surfaces as digitised: ``left_hip_bone``, ``right_hip_bone``, ``sacrum``; LPS mm, coarse."""
    with resources.files("cotyle_sample").joinpath(DATA_FILE).open("rb") as file, np.load(file) as data:
        arrays = {name: data[name] for name in data.files}
    right = _outward(arrays["right_hip_bone_points"], arrays["right_hip_bone_triangles"])
    left = TriangleMesh(right.vertices_lps_mm * [-1.0, 1.0, 1.0], right.triangles[:, ::-1])
    sacrum = _outward(arrays["sacrum_points"] * [_SACRUM_WIDER, 1.0, 1.0], arrays["sacrum_triangles"])
    return {"left_hip_bone": left, "right_hip_bone": right, "sacrum": sacrum}


def make_digitised_subject(
    seed: int = 0,
    size: npt.ArrayLike = (1.0, 1.0, 1.0),
    own_shape_mm: float = 1.0,
    affected_side: Side = Side.RIGHT,
    variant: Variant = Variant.HEALTHY,
    divisions: int = 10,
) -> Subject:
    """A subject on the digitised bones; the same arguments give the same subject.

    Parameters
    ----------
    seed:
        Draws the subject's own shape and traits.
    size:
        Factors along left, posterior, superior: other builds of the same skeleton.
    own_shape_mm:
        Root-mean-square size of smooth changes (30 to 60 mm) that differ left and right.
    """
    model = load_shape_model(divisions)
    vertices = _laid_on(model, digitised_bones()) * np.asarray(size, dtype=float)
    if own_shape_mm > 0:
        rng = np.random.default_rng([seed, 11])
        for length_mm in (30.0, 60.0):
            change = shaping.smooth_random_field(vertices, length_mm, rng, 3)
            vertices = vertices + own_shape_mm / np.sqrt(6.0) * change
    vertices, _ = in_app_frame(model, vertices)
    trouble = {side: variant if side is affected_side else Variant.HEALTHY for side in Side}
    for side in Side:
        vertices = reshape_socket(model, vertices, side, change_for(trouble[side]))
    vertices, _ = in_app_frame(model, open_joints(model, vertices))
    sockets = {side: fit_sphere(vertices[model.lunate_vertices[side]])[0] for side in Side}
    bones = {name: model.part(vertices, code) for code, name in COMPONENT_NAMES.items()}
    heads: dict[Side, Sphere] = {}
    radius_mm = float(np.mean([sphere.radius_mm for sphere in sockets.values()]))
    for side in Side:
        femur = _femur_for(model, side, Sphere(sockets[side].center_lps_mm, radius_mm))
        hip_bone = bones[f"{side}_hip_bone"]
        bones[f"{side}_femur"], heads[side] = seat_femur(
            model, femur, hip_bone, sockets[side], change_for(trouble[side])
        )
    return Subject(
        f"digitised-{seed}-{variant}",
        seed,
        variant,
        affected_side,
        np.zeros(model.mode_count),
        0.0,
        model,
        vertices,
        bones,
        sockets,
        heads,
    )


def _femur_for(model: ShapeModel, side: Side, socket: Sphere) -> TriangleMesh:
    """The mean femur, as large as its head must be for this socket."""
    mean = np.zeros(model.mode_count)
    _, to_app = in_app_frame(model, model.pelvis_vertices(mean))
    femur = model.femur(mean, side).transformed(to_app)
    head, _ = fit_sphere(femur.vertices_lps_mm[model.head_vertices])
    size = (socket.radius_mm - change_for("healthy").joint_gap_mm) / head.radius_mm
    return femur.with_vertices(socket.center_lps_mm + size * (femur.vertices_lps_mm - head.center_lps_mm))


def _outward(points: Array, triangles: npt.NDArray[np.int32]) -> TriangleMesh:
    mesh = TriangleMesh(points, triangles)
    return mesh if mesh.volume_mm3 > 0 else TriangleMesh(points, triangles[:, ::-1])


def _laid_on(model: ShapeModel, bones: dict[str, TriangleMesh]) -> Array:
    """Vertices (n, 3) of the model's mesh on the digitised surfaces, bone by bone."""
    vertices = np.empty_like(model.pelvis_mean)
    for side in Side:
        rows = model.pelvis_component == HIP_CODE[side]
        mean = model.part(model.pelvis_mean, HIP_CODE[side])
        vertices[rows] = _laid_on_one(mean, bones[f"{side}_hip_bone"], _STIFFNESS)
    rows = model.pelvis_component == SACRUM
    vertices[rows] = _laid_on_one(model.part(model.pelvis_mean, SACRUM), bones["sacrum"], _SACRUM_STIFFNESS)
    return vertices


def _laid_on_one(mean: TriangleMesh, target: TriangleMesh, stiffness: tuple[float, ...]) -> Array:
    """One mesh laid onto another surface: first by a similarity (Besl and McKay 1992, iterated nearest points), then
    freely, with displacements that bend less and less reluctantly.

    Both directions pull: each vertex to the nearest place of the target that looks the same way, and each point of
    the target pulls the vertex nearest to it.
    """
    points = _placed(mean, target)
    query, target_normals = MeshQuery(target), target.vertex_normals
    tree = cKDTree(target.vertices_lps_mm)
    bending = _bending(mean)
    for value in stiffness:
        normals = vertex_normals(points, mean.triangles)
        nearest = query.closest_points(points)
        alike = np.einsum("ij,ij->i", normals, target_normals[tree.query(nearest)[1]])
        weight = np.clip(alike, 0.0, 1.0) ** 2 + 1e-3
        pull = weight[:, None] * (nearest - points)
        owner = cKDTree(points).query(target.vertices_lps_mm)[1]
        facing = np.einsum("ij,ij->i", normals[owner], target_normals) > 0.3
        np.add.at(weight, owner[facing], 1.0)
        np.add.at(pull, owner[facing], target.vertices_lps_mm[facing] - points[owner[facing]])
        system = sparse.diags(weight) + value * bending
        points = points + splu(system.tocsc()).solve(pull)
    return np.asarray(points)


def _bending(mesh: TriangleMesh) -> sparse.csr_matrix:
    links = shaping.adjacency(mesh.triangles, len(mesh.vertices_lps_mm))
    degree = np.asarray(links.sum(axis=1)).ravel()
    laplacian = sparse.identity(len(degree)) - sparse.diags(1.0 / np.maximum(degree, 1.0)) @ links
    return (laplacian.T @ laplacian).tocsr()


def _placed(mean: TriangleMesh, target: TriangleMesh) -> Array:
    """Vertices of the mean moved, turned and sized to lie on the target (similarity after Umeyama 1991)."""
    points = mean.vertices_lps_mm - mean.vertices_lps_mm.mean(axis=0) + target.vertices_lps_mm.mean(axis=0)
    query, target_points = MeshQuery(target), target.vertices_lps_mm
    for _ in range(_RIGID_ROUNDS):
        back = cKDTree(points).query(target_points)[1]
        source = np.concatenate([points[::4], points[back]])
        goal = np.concatenate([query.closest_points(points[::4]), target_points])
        points = _similar(points, source, goal)
    return points


def _similar(points: Array, source: Array, goal: Array) -> Array:
    """Points under the similarity that takes ``source`` to ``goal`` in the least-squares sense."""
    source_middle, goal_middle = source.mean(axis=0), goal.mean(axis=0)
    a, b = source - source_middle, goal - goal_middle
    u, singular, vt = np.linalg.svd(a.T @ b)
    flip = np.array([1.0, 1.0, np.sign(np.linalg.det(u @ vt))])
    rotation = (u * flip) @ vt
    scale = float((singular * flip).sum() / (a**2).sum())
    return np.asarray(scale * (points - source_middle) @ rotation + goal_middle)
