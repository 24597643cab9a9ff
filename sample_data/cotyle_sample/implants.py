"""A generic total hip (no maker's product): parts as bodies of revolution, and the femur with its neck resected."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from cotyle.cup.orientation import Definition, Orientation, axis_from_orientation
from cotyle.image.labels import LABEL_OF_BONE
from cotyle.space.arrays import Array, any_perpendicular, unit
from cotyle.space.clipping import cut_off
from cotyle.space.frames import SCANNER
from cotyle.space.mesh import TriangleMesh
from cotyle.space.shapes import Plane, Sphere
from cotyle.space.side import Side

TITANIUM_HU, COBALT_CHROME_HU, POLYETHYLENE_HU = 8000.0, 16000.0, -90.0
LUCENT_LINE_MM = 2.0
SHELL_THICKNESS_MM = 4.0
HEAD_RADIUS_MM = 14.0
LOOSE_ORIENTATION = Orientation(58.0, 27.0)
"""Radiographic inclination and anteversion of the loose shell in its pelvis: too steep."""


@dataclass(frozen=True, eq=False)
class Implant:
    """One part: closed surface in the frame of the bone it belongs to, its HU, and whether it counts as metal.

    keeps_labels: cement in the canal or the plug holes of a bone lies within that bone's filled interior.
    """

    name: str
    mesh: TriangleMesh
    hu: float
    is_metal: bool
    moves_with: str
    keeps_labels: bool = False

    def mark(self, labels: npt.NDArray[np.uint8], inside: npt.NDArray[np.bool_]) -> None:
        """Write this part into the labels (k, j, i) of its own window."""
        if not self.keeps_labels:
            labels[inside] = LABEL_OF_BONE["metal"] if self.is_metal else 0


def loose_hip(socket: Sphere, femur: TriangleMesh, head_center: Array, side: Side) -> tuple[Implant, ...]:
    """Parts of a hip whose shell has come loose: a soft line of 2 mm between shell and bone (coordinates: app)."""
    axis = loose_axis(side)
    outer = socket.radius_mm - LUCENT_LINE_MM
    center = socket.center_lps_mm
    inner = outer - SHELL_THICKNESS_MM
    hip_bone, thigh = f"{side}_hip_bone", f"{side}_femur"
    stem_top, stem_axis = shaft_axis(femur, head_center)
    neck = unit(stem_top - head_center)
    length = float(np.linalg.norm(stem_top - head_center))
    neck_profile = np.array([[0.0, 9.0], [6.5, 9.0], [7.5, length], [0.0, length]])
    stem_profile = np.array([[0.0, -8.0], [7.0, -7.0], [8.5, 5.0], [7.0, 60.0], [5.0, 108.0], [0.0, 114.0]])
    liner = revolved(_cap_profile(inner, HEAD_RADIUS_MM + 0.1), center, -axis)
    return (
        Implant("shell", revolved(_cap_profile(outer, inner), center, -axis), TITANIUM_HU, True, hip_bone),
        Implant("liner", liner, POLYETHYLENE_HU, False, hip_bone),
        Implant("head", revolved(ball_profile(HEAD_RADIUS_MM), head_center, -neck), COBALT_CHROME_HU, True, thigh),
        Implant("neck", revolved(neck_profile, head_center, neck), TITANIUM_HU, True, thigh),
        Implant("stem", revolved(stem_profile, stem_top, stem_axis), TITANIUM_HU, True, thigh),
    )


def loose_axis(side: Side) -> Array:
    """Opening axis of the loose shell (app)."""
    return axis_from_orientation(LOOSE_ORIENTATION, Definition.RADIOGRAPHIC, SCANNER, side)


def resected(femur: TriangleMesh, head_center: Array) -> TriangleMesh:
    """The femur cut through its neck, closed by the cut's plane."""
    stem_top, _ = shaft_axis(femur, head_center)
    toward_shaft = unit(stem_top - head_center)
    return cut_off(femur, Plane(head_center + 26.0 * toward_shaft, -toward_shaft))


def shaft_axis(femur: TriangleMesh, head_center: Array) -> tuple[Array, Array]:
    """Point on the shaft's middle line 42 mm below the head's centre, and its direction downwards."""
    points = femur.vertices_lps_mm
    below = head_center[2] - points[:, 2]
    shaft = points[(below > 80.0) & (below < 170.0)]
    x_line, y_line = np.polyfit(shaft[:, 2], shaft[:, 0], 1), np.polyfit(shaft[:, 2], shaft[:, 1], 1)
    z = head_center[2] - 42.0
    top = np.array([np.polyval(x_line, z), np.polyval(y_line, z), z])
    return top, unit([-x_line[0], -y_line[0], -1.0])


def _cap_profile(outer: float, inner: float) -> Array:
    """Profile (radius, height along the axis) of a hemispherical shell, from its pole inside to its pole outside."""
    angle = np.linspace(0.0, 0.5 * np.pi, 24)
    inside = inner * np.column_stack([np.sin(angle), np.cos(angle)])
    outside = outer * np.column_stack([np.sin(angle), np.cos(angle)])
    return np.vstack([inside, outside[::-1]])


def ball_profile(radius: float) -> Array:
    """Profile (radius, height) of a ball."""
    angle = np.linspace(0.0, np.pi, 40)
    return radius * np.column_stack([np.sin(angle), np.cos(angle)])


def revolved(profile: Array, base: Array, axis: Array, segments: int = 72) -> TriangleMesh:
    """Closed surface of a profile (radius, height) turned about an axis; its ends lie on the axis."""
    axis = unit(axis)
    u = any_perpendicular(axis)
    w = np.cross(axis, u)
    angle = 2.0 * np.pi * np.arange(segments) / segments
    ring = np.cos(angle)[:, None] * u + np.sin(angle)[:, None] * w
    middle = profile[1:-1]
    points = base + middle[:, None, 1:2] * axis + middle[:, None, 0:1] * ring[None]
    poles = base + profile[[0, -1], 1:2] * axis
    count = len(middle)
    following = (np.arange(segments) + 1) % segments
    triangles = []
    for row in range(count - 1):
        a, b = row * segments + np.arange(segments), row * segments + following
        triangles += [np.column_stack([a, a + segments, b]), np.column_stack([b, a + segments, b + segments])]
    first, last = count * segments, count * segments + 1
    ends = np.arange(segments), (count - 1) * segments + np.arange(segments)
    triangles.append(np.column_stack([np.full(segments, first), ends[0], following]))
    triangles.append(np.column_stack([ends[1], np.full(segments, last), ends[1][0] + following]))
    mesh = TriangleMesh(np.vstack([points.reshape(-1, 3), poles]), np.vstack(triangles).astype(np.int32))
    return mesh if mesh.volume_mm3 > 0 else TriangleMesh(mesh.vertices_lps_mm, mesh.triangles[:, ::-1])
