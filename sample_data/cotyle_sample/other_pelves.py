"""Other pelves made from a subject: small or large, broken and healed askew, or stiff in the sacroiliac joints.

Everything happens in the subject's own app frame, mm; what is returned lies in the app frame of its new surfaces.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from cotyle.anatomy.shapes.shape_landmarks import HIP_CODE, SACRUM
from cotyle.anatomy.shapes.shape_model import COMPONENT_NAMES
from cotyle.space.arrays import Array, unit
from cotyle.space.fits import fit_sphere
from cotyle.space.mesh import TriangleMesh, vertex_normals
from cotyle.space.rotations import rotation_matrix, transform_points
from cotyle.space.shapes import Sphere
from cotyle.space.side import Side
from scipy.spatial import cKDTree

from cotyle_sample.shaping import smooth_random_field
from cotyle_sample.subject import Subject, in_app_frame, open_joints


@dataclass(frozen=True)
class HealedFracture:
    """An old fracture of the pelvic ring that healed askew.

    side: the half (hip bone and its femur) that turned; turn_deg about ``axis`` (left, posterior, superior; right-hand
    rule) through the middle of its sacroiliac joint; step_mm: how far its pubic bone then stands above the other (or
    below, where negative), the way it went forwards or backwards stays; callus_mm: height of the callus on the upper
    pubic ramus and beside the sacroiliac joint.
    """

    side: Side
    turn_deg: float = 5.0
    axis: tuple[float, float, float] = (1.0, 0.0, 0.0)
    step_mm: float = 8.0
    callus_mm: float = 3.0


def resized(subject: Subject, size: float, cortex_scale: float = 1.0) -> Subject:
    """The subject with all lengths times ``size``; ``cortex_scale`` is of the cortex's thickness, apart from that."""
    return replace(
        subject,
        pelvis_vertices=size * subject.pelvis_vertices,
        bones={name: mesh.with_vertices(size * mesh.vertices_lps_mm) for name, mesh in subject.bones.items()},
        sockets=_resized_spheres(subject.sockets, size),
        heads=_resized_spheres(subject.heads, size),
        size=subject.size * size,
        cortex_scale=subject.cortex_scale * cortex_scale,
    )


def with_fused_sacroiliac(subject: Subject, sides: tuple[Side, ...]) -> Subject:
    """The subject with bone across these sacroiliac joints; the surfaces stay, the scan is what changes."""
    return replace(subject, fused_sacroiliac=sides)


def with_healed_fracture(subject: Subject, fracture: HealedFracture) -> Subject:
    """The subject after one half of its ring has turned, healed with a step at the symphysis, and grown callus."""
    model, side = subject.model, fracture.side
    motion = _motion_of_half(subject, fracture)
    vertices = subject.pelvis_vertices.copy()
    half = model.pelvis_component == HIP_CODE[side]
    vertices[half] = transform_points(motion, vertices[half])
    vertices = _with_callus(subject, vertices, fracture)
    vertices, to_app = in_app_frame(model, open_joints(model, vertices))
    bones = {name: model.part(vertices, code) for code, name in COMPONENT_NAMES.items()}
    heads = {}
    for each in Side:
        matrix = to_app @ motion if each is side else to_app
        bones[f"{each}_femur"] = subject.bones[f"{each}_femur"].transformed(matrix)
        sphere = subject.heads[each]
        heads[each] = Sphere(transform_points(matrix, sphere.center_lps_mm), sphere.radius_mm)
    sockets = {each: fit_sphere(vertices[model.lunate_vertices[each]])[0] for each in Side}
    return replace(
        subject,
        name=f"{subject.name}-healed-fracture-{side}",
        pelvis_vertices=vertices,
        bones=bones,
        sockets=sockets,
        heads=heads,
    )


def _resized_spheres(spheres: Mapping[Side, Sphere], size: float) -> dict[Side, Sphere]:
    return {side: Sphere(size * sphere.center_lps_mm, size * sphere.radius_mm) for side, sphere in spheres.items()}


def _motion_of_half(subject: Subject, fracture: HealedFracture) -> npt.NDArray[np.float64]:
    """4x4 of the turned half: a turn about its sacroiliac joint, then a shift to the stated step at the symphysis."""
    model, side, points = subject.model, fracture.side, subject.pelvis_vertices
    own, other = (points[model.pelvis_component == HIP_CODE[each]] for each in (side, side.opposite))
    sacrum = points[model.pelvis_component == SACRUM]
    joint = own[cKDTree(sacrum).query(own)[0] < 5.0].mean(axis=0)
    symphysis = own[cKDTree(other).query(own)[0] < 9.0].mean(axis=0)
    turn = np.eye(4)
    turn[:3, :3] = rotation_matrix(unit(np.array(fracture.axis)), fracture.turn_deg)
    turn[:3, 3] = joint - turn[:3, :3] @ joint
    moved = transform_points(turn, symphysis) - symphysis
    turn[[0, 2], 3] += np.array([0.0, fracture.step_mm]) - moved[[0, 2]]
    return turn


def _with_callus(subject: Subject, vertices: Array, fracture: HealedFracture) -> Array:
    """Uneven humps, 12 mm wide, on the upper pubic ramus and on the ilium beside the joint; other bones keep clear."""
    model, side = subject.model, fracture.side
    code = HIP_CODE[side]
    rows = np.flatnonzero(model.pelvis_component == code)
    bone: TriangleMesh = model.part(vertices, code)
    points = bone.vertices_lps_mm
    marks = model.landmarks(vertices)
    tubercle, center = (
        marks[f"pubic_tubercle_{side}"],
        fit_sphere(vertices[model.lunate_vertices[side]])[0].center_lps_mm,
    )
    ramus = 0.55 * tubercle + 0.45 * center
    ilium = marks[f"psis_{side}"] + np.array([0.0, -25.0, 12.0])
    wave = 0.75 + 0.25 * smooth_random_field(points, 6.0, np.random.default_rng([subject.seed, 10]), 1)[:, 0]
    hump = sum(np.exp(-0.5 * ((np.linalg.norm(points - place, axis=1) / 9.0) ** 2)) for place in (ramus, ilium))
    from_socket = np.linalg.norm(points - center, axis=1) - subject.sockets[side].radius_mm
    height = fracture.callus_mm * np.clip(wave, 0.2, 1.5) * hump * np.clip((from_socket - 6.0) / 6.0, 0.0, 1.0)
    grown = vertices.copy()
    grown[rows] = points + height[:, None] * vertex_normals(points, bone.triangles)
    return grown


@dataclass(frozen=True)
class Spur:
    """A spur of bone beside a landmark of the pelvic plane.

    landmark: ``asis_left`` and the like; height_mm: how far it stands forwards; width_mm: SD of its bell; offset_mm:
    its place from the landmark along left, posterior, superior (the nearest vertex of the bone bears its tip).
    """

    landmark: str
    height_mm: float = 6.0
    width_mm: float = 4.0
    offset_mm: tuple[float, float, float] = (0.0, 0.0, -8.0)


def with_spurs(subject: Subject, spurs: tuple[Spur, ...]) -> Subject:
    """The subject with spurs of bone; ``bare_bones`` keeps the hip bones without them."""
    model, vertices = subject.model, subject.pelvis_vertices.copy()
    marks = model.landmarks(subject.pelvis_vertices)
    bones, bare = dict(subject.bones), dict(subject.bare_bones)
    for spur in spurs:
        side = Side(spur.landmark.rsplit("_", 1)[1])
        rows = np.flatnonzero(model.pelvis_component == HIP_CODE[side])
        points = vertices[rows]
        tip = points[np.argmin(np.linalg.norm(points - (marks[spur.landmark] + np.array(spur.offset_mm)), axis=1))]
        bell = np.exp(-0.5 * (np.linalg.norm(points - tip, axis=1) / spur.width_mm) ** 2)
        vertices[rows] = points + spur.height_mm * bell[:, None] * np.array([0.0, -1.0, 0.0])
        name = f"{side}_hip_bone"
        bare.setdefault(name, bones[name])
        bones[name] = model.part(vertices, HIP_CODE[side])
    return replace(subject, name=f"{subject.name}-spurs", pelvis_vertices=vertices, bones=bones, bare_bones=bare)
