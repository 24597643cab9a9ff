"""Two simple lumbar vertebrae above the sacrum: neighbours that a reader of the pelvis must leave out.

The shape model ends at the sacrum. L5 and L4 here are waisted elliptical bodies with a spinous process apiece, not
anatomy: they carry no label and no landmark.
"""

from __future__ import annotations

import numpy as np
from cotyle.anatomy.shapes.shape_landmarks import SACRUM
from cotyle.anatomy.shapes.shape_model import ShapeModel
from cotyle.space.arrays import Array, unit
from cotyle.space.fits import fit_plane
from cotyle.space.mesh import TriangleMesh

from cotyle_sample.bone_matter import BoneMatter
from cotyle_sample.implants import revolved
from cotyle_sample.subject import Subject

BODY_RADII_MM = (25.0, 17.5)
BODY_HEIGHT_MM = 27.0
DISC_MM = 8.0
SETBACK_MM = 5.0
"""The back third of the endplate is rounded in the model and escapes the plane fit: the middle lies farther back."""


def lumbar_vertebrae(subject: Subject) -> tuple[TriangleMesh, ...]:
    """Closed surfaces of the bodies and spinous processes of L5 and L4, in the subject's app frame."""
    adult = _adult_vertebrae(subject.model, subject.pelvis_vertices / subject.size)
    return tuple(mesh.with_vertices(subject.size * mesh.vertices_lps_mm) for mesh in adult)


def _adult_vertebrae(model: ShapeModel, pelvis_vertices: Array) -> list[TriangleMesh]:
    center, normal = _endplate(model, pelvis_vertices)
    upward = np.array([0.0, 0.0, 1.0])
    first_axis, second_axis = unit(0.6 * normal + 0.4 * upward), unit(0.25 * normal + 0.75 * upward)
    center = center + np.array([0.0, SETBACK_MM, 0.0])
    first = center + (DISC_MM + 0.5 * BODY_HEIGHT_MM) * unit(0.8 * normal + 0.2 * upward)
    second = first + (DISC_MM + BODY_HEIGHT_MM) * unit(first_axis + second_axis)
    parts: list[TriangleMesh] = []
    for middle, axis in ((first, first_axis), (second, second_axis)):
        posterior = unit(np.cross(axis, [1.0, 0.0, 0.0]))
        parts.append(_stretched(_body_profile(), middle, axis, posterior, *BODY_RADII_MM))
        angle = np.linspace(0.0, np.pi, 24)
        ball = np.column_stack([np.sin(angle), 9.0 * np.cos(angle)])
        parts.append(_stretched(ball, middle + 52.0 * posterior + 2.0 * axis, axis, posterior, 4.0, 15.0))
    return parts


def vertebral_matter(mesh: TriangleMesh) -> BoneMatter:
    """Thin cortex over trabecular bone."""
    count = len(mesh.vertices_lps_mm)
    return BoneMatter(np.full(count, 1.2), np.full(count, 1180.0), np.full(count, 170.0))


def _endplate(model: ShapeModel, pelvis_vertices: Array) -> tuple[Array, Array]:
    """Middle and upward normal of the S1 endplate: vertices in front of its back edge that face up and forwards."""
    mesh = model.part(pelvis_vertices, SACRUM)
    edge = model.landmarks(pelvis_vertices)["sacrum_midline"]
    points, normals = mesh.vertices_lps_mm, mesh.vertex_normals
    offset = points - edge
    on_plate = (np.abs(offset[:, 0]) < 14) & (offset[:, 1] > -26) & (offset[:, 1] < -1) & (offset[:, 2] > -34)
    plane = fit_plane(points[on_plate & (normals[:, 2] > 0.45)])
    return plane.point_lps_mm, plane.normal_lps * np.sign(plane.normal_lps[2])


def _body_profile() -> Array:
    """Half profile (radius as a share, height mm) of a vertebral body with rounded edges and a waist."""
    height = np.linspace(-1.0, 1.0, 25)
    share = (0.86 + 0.14 * height**2) * np.sqrt(np.clip(1.0 - np.abs(height) ** 9, 0.0, 1.0))
    return np.column_stack([share, 0.5 * BODY_HEIGHT_MM * height])


def _stretched(
    profile: Array, middle: Array, axis: Array, posterior: Array, lateral_mm: float, posterior_mm: float
) -> TriangleMesh:
    """A unit-radius body of revolution stretched to an ellipse across its axis."""
    unit_body = revolved(profile, np.zeros(3), np.array([0.0, 0.0, 1.0]), segments=48)
    x, y, z = unit_body.vertices_lps_mm.T
    lateral = np.cross(posterior, axis)
    points = middle + np.outer(x * lateral_mm, lateral) + np.outer(y * posterior_mm, posterior) + np.outer(z, axis)
    mesh = unit_body.with_vertices(points)
    return mesh if mesh.volume_mm3 > 0 else TriangleMesh(points, mesh.triangles[:, ::-1])
