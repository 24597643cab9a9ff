"""An invented subject: bone surfaces drawn from the open shape model and made fit to be scanned.

Coordinates of a subject are those of its own anterior pelvic plane ("app": origin between the ASIS, +x left,
+y posterior, +z superior, mm), so that a posture in the scanner is one rotation.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum

import numpy as np
import numpy.typing as npt
from cotyle.anatomy.shapes import shape_landmarks
from cotyle.anatomy.shapes.shape_model import COMPONENT_NAMES, ShapeModel, load_shape_model
from cotyle.space.arrays import Array
from cotyle.space.fits import fit_sphere
from cotyle.space.mesh import TriangleMesh
from cotyle.space.shapes import Sphere
from cotyle.space.side import Side

from cotyle_sample import shaping
from cotyle_sample.displaced import Displacement, false_sockets, press_heads, seat_displaced
from cotyle_sample.hip_replacements import USUAL, Fixation, Replacement, TrueCup, replaced_hip, true_cup
from cotyle_sample.implants import HEAD_RADIUS_MM, LUCENT_LINE_MM, Implant, loose_axis, loose_hip, resected
from cotyle_sample.sockets import change_for, reshape_socket, seat_femur
from cotyle_sample.wear import Wear, WornHip, socket_change, wear_down, with_pockets, worn_femur

JOINT_GAP_MM = 3.0
SACROILIAC_GAP_MM = 1.7
SYMPHYSIS_GAP_MM = 3.6
NEUTRAL_TILT_DEG = 10.0
"""Anterior pelvic tilt at which the model's femora hang straight; other tilts bend the hips."""


class Variant(StrEnum):
    """What is wrong with the hip of the affected side."""

    HEALTHY = "healthy"
    WORN = "worn"
    DYSPLASTIC = "dysplastic"
    THIN_WALL = "thin_wall"
    PROTRUSION = "protrusion"
    LOOSE_CUP = "loose_cup"
    FIXED_CUP = "fixed_cup"
    CEMENTED_CUP = "cemented_cup"


@dataclass(frozen=True, eq=False)
class Subject:
    """Bones of an invented subject in its own app frame, mm.

    pelvis_vertices (n, 3): vertex order of the shape model of ``model_divisions``; bones: name of the bone ->
    closed surface; sockets: sphere fitted to the lunate surface by side; heads: sphere of the femoral head (of the
    ball where there is an implant); metal_cups: artificial cups by side. size: of the whole person against what the
    model gave; cortex_scale: of the cortex's thickness; fused_sacroiliac: sides whose joint bone has bridged;
    worn: hips worn down, by side. displaced: heads that have left their socket, by side, and false_sockets: the spheres
    of the hollows in the ilium where such heads lie; ``sockets`` then holds the true one all the same. bare_bones: hip
    bones as they were before spurs grew beside their landmarks.
    """

    name: str
    seed: int
    variant: Variant
    affected_side: Side
    weights_sd: Array
    off_model_mm: float
    model: ShapeModel
    pelvis_vertices: Array
    bones: Mapping[str, TriangleMesh]
    sockets: Mapping[Side, Sphere]
    heads: Mapping[Side, Sphere]
    implants: tuple[Implant, ...] = ()
    metal_cups: Mapping[Side, TrueCup] = field(default_factory=dict)
    size: float = 1.0
    cortex_scale: float = 1.0
    fused_sacroiliac: tuple[Side, ...] = ()
    worn: Mapping[Side, WornHip] = field(default_factory=dict)
    displaced: Mapping[Side, Displacement] = field(default_factory=dict)
    false_sockets: Mapping[Side, Sphere] = field(default_factory=dict)
    bare_bones: Mapping[str, TriangleMesh] = field(default_factory=dict)


def make_subject(
    seed: int = 0,
    weights_sd: npt.ArrayLike | None = None,
    variant: Variant | str = Variant.HEALTHY,
    off_model_mm: float = 0.0,
    affected_side: Side = Side.RIGHT,
    divisions: int = 10,
    replacements: Mapping[Side, Replacement] | None = None,
    wear: Mapping[Side, Wear] | None = None,
    displaced: Mapping[Side, Displacement] | None = None,
) -> Subject:
    """Draw a subject; the same arguments give the same subject.

    Parameters
    ----------
    seed:
        Draws the shape (unless ``weights_sd`` is given), the off-model change and small individual traits.
    weights_sd:
        Weights of the modes in standard deviations. Drawn: standard normal, clipped to +-1.8, shrinking after
        the tenth mode.
    variant:
        What is done to the affected side.
    off_model_mm:
        Root-mean-square size of a free-form change outside the span of the model; 0 leaves it out.
    replacements:
        Hips replaced before, by side; they take the place of the variant there.
    wear:
        Hips worn down, by side; likewise.
    displaced:
        Hips whose head has left its socket, by side; likewise.
    """
    rng = np.random.default_rng([seed, 1])
    model = load_shape_model(divisions)
    drawn = np.clip(rng.standard_normal(model.mode_count), -1.8, 1.8)
    drawn *= np.where(np.arange(model.mode_count) < 10, 0.8, 0.5)
    weights = drawn if weights_sd is None else np.atleast_1d(np.asarray(weights_sd, dtype=np.float64))
    variant = Variant(variant)
    replaced = dict(replacements or {})
    if variant in (Variant.FIXED_CUP, Variant.CEMENTED_CUP):
        replaced.setdefault(affected_side, USUAL[Fixation(variant)])
    trouble = {side: variant if side is affected_side else Variant.HEALTHY for side in Side}
    trouble |= {side: Variant(replacement.fixation) for side, replacement in replaced.items()}

    vertices = model.pelvis_vertices(weights)
    femora = {side: model.femur(weights, side) for side in Side}
    if off_model_mm > 0.0:
        vertices = vertices + shaping.off_model_displacements(
            model, vertices, off_model_mm, np.random.default_rng([seed, 2])
        )
        femora = {side: _own_shape(mesh, off_model_mm, seed, side) for side, mesh in femora.items()}
    vertices, to_app = in_app_frame(model, vertices)
    femora = {side: mesh.transformed(to_app) for side, mesh in femora.items()}

    changes = {side: change_for(trouble[side]) for side in Side}
    changes |= {side: socket_change(each) for side, each in (wear or {}).items()}
    changes |= {side: each.socket for side, each in (displaced or {}).items()}
    for side in Side:
        vertices = reshape_socket(model, vertices, side, changes[side])
    vertices = open_joints(model, vertices)
    vertices, to_app = in_app_frame(model, vertices)
    femora = {side: mesh.transformed(to_app) for side, mesh in femora.items()}

    sockets = {side: fit_sphere(vertices[model.lunate_vertices[side]])[0] for side in Side}
    vertices, worn = wear_down(model, vertices, sockets, wear or {})
    vertices, hollows = press_heads(model, vertices, sockets, displaced or {})
    bones = {name: model.part(vertices, code) for code, name in COMPONENT_NAMES.items()}
    heads: dict[Side, Sphere] = {}
    for side in Side:
        if side in hollows:
            femur, head = seat_displaced(
                model, femora[side], bones[f"{side}_hip_bone"], hollows[side], (displaced or {})[side]
            )
        else:
            femur, head = seat_femur(model, femora[side], bones[f"{side}_hip_bone"], sockets[side], changes[side])
        if side in worn:
            femur, head = worn_femur(model, femur, sockets[side], worn[side])
        bones[f"{side}_femur"], heads[side] = femur, head
    bones = with_pockets(bones, worn)
    implants: tuple[Implant, ...] = ()
    metal_cups: dict[Side, TrueCup] = {}
    if variant is Variant.LOOSE_CUP and affected_side not in replaced:
        side = affected_side
        center = sockets[side].center_lps_mm
        implants = loose_hip(sockets[side], bones[f"{side}_femur"], center, side)
        metal_cups[side] = TrueCup(
            Sphere(center, sockets[side].radius_mm - LUCENT_LINE_MM), loose_axis(side), Fixation.LOOSE
        )
        bones[f"{side}_femur"] = resected(bones[f"{side}_femur"], center)
        heads[side] = Sphere(center, HEAD_RADIUS_MM)
    for side, replacement in replaced.items():
        cup = true_cup(replacement, sockets[side], side)
        center, femur = cup.sphere.center_lps_mm, bones[f"{side}_femur"]
        femur = femur.with_vertices(femur.vertices_lps_mm + (center - sockets[side].center_lps_mm))
        implants += replaced_hip(replacement, sockets[side], bones[f"{side}_hip_bone"], femur, side)
        bones[f"{side}_femur"] = resected(femur, center)
        heads[side] = Sphere(center, replacement.head_radius_mm)
        metal_cups[side] = cup
    return Subject(
        f"subject-{seed}-{variant}",
        seed,
        variant,
        affected_side,
        weights,
        off_model_mm,
        model,
        vertices,
        bones,
        sockets,
        heads,
        implants,
        metal_cups,
        worn=worn,
        displaced=displaced or {},
        false_sockets=false_sockets(hollows, displaced or {}),
    )


def _own_shape(mesh: TriangleMesh, rms_mm: float, seed: int, side: Side) -> TriangleMesh:
    """A femur with a smooth change of its own, each side another one, half as large as that of the pelvis."""
    rng = np.random.default_rng([seed, 3, 0 if side is Side.LEFT else 1])
    field = shaping.smooth_random_field(mesh.vertices_lps_mm, 45.0, rng, 3)
    field -= field.mean(axis=0)
    return mesh.with_vertices(mesh.vertices_lps_mm + 0.5 * rms_mm / np.sqrt(3.0) * field)


def touching_landmarks(
    model: ShapeModel, vertices: Array, reach_mm: float = 15.0
) -> tuple[dict[str, Array], Array, Array]:
    """ASIS and tubercles where one common plane in front touches the surface, near the carried vertices.

    Returns
    -------
    points, axes, origin
        Landmark name -> (3,); app axes as rows left, posterior, superior; midpoint of the ASIS.
    """
    names = [f"{kind}_{side}" for kind in ("asis", "pubic_tubercle") for side in Side]
    carried = model.landmarks(vertices)
    hip_bone = {Side.LEFT: shape_landmarks.LEFT_HIP, Side.RIGHT: shape_landmarks.RIGHT_HIP}
    near: dict[str, npt.NDArray[np.int64]] = {}
    for name in names:
        code = hip_bone[Side.LEFT if name.endswith("left") else Side.RIGHT]
        distance = np.linalg.norm(vertices - carried[name], axis=1)
        near[name] = np.flatnonzero((distance < reach_mm) & (model.pelvis_component == code))
    points = {name: carried[name] for name in names}
    axes = np.eye(3)
    for _ in range(60):
        tubercles = 0.5 * (points["pubic_tubercle_left"] + points["pubic_tubercle_right"])
        axes = shape_landmarks.app_axes(points["asis_left"], points["asis_right"], tubercles)
        moved = {name: vertices[near[name][np.argmin(vertices[near[name]] @ axes[1])]] for name in names}
        if all(np.array_equal(moved[name], points[name]) for name in names):
            break
        points = moved
    return points, axes, 0.5 * (points["asis_left"] + points["asis_right"])


def in_app_frame(model: ShapeModel, vertices: Array) -> tuple[Array, Array]:
    """Vertices in the app frame of their own touching landmarks, and the 4x4 that brought them there."""
    _, axes, origin = touching_landmarks(model, vertices)
    matrix = np.eye(4)
    matrix[:3, :3] = axes
    matrix[:3, 3] = -axes @ origin
    return (vertices - origin) @ axes.T, matrix


def open_joints(model: ShapeModel, vertices: Array) -> Array:
    """Sacrum and hip bones, and the two pubic bones, apart by an even gap where they touch or overlap."""
    left, right, sacrum = shape_landmarks.LEFT_HIP, shape_landmarks.RIGHT_HIP, shape_landmarks.SACRUM
    vertices = vertices.copy()
    to_left = np.array([1.0, 0.0, 0.0])
    for first, second, gap, away in (
        (left, right, SYMPHYSIS_GAP_MM, to_left),
        (left, sacrum, SACROILIAC_GAP_MM, to_left),
        (right, sacrum, SACROILIAC_GAP_MM, -to_left),
    ):
        numbers = [np.flatnonzero(model.pelvis_component == code) for code in (first, second)]
        meshes = [model.part(vertices, code) for code in (first, second)]
        vertices[numbers[0]], vertices[numbers[1]] = shaping.separated(meshes[0], meshes[1], gap, away)
    return vertices
