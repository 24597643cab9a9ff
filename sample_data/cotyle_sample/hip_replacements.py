"""Hips replaced before: a fixed shell with screws, a loose shell, a plastic cup in cement; no maker's product.

Parts are bodies of revolution in the subject's app frame. Sizes are what the trade calls usual (from memory): screws of
4 to 6 mm, a cement mantle of 2 to 4 mm, marker wire of about 1 mm, heads of 28 to 36 mm; bone cement with barium shows
500 to 1500 HU.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from cotyle.cup.orientation import Definition, Orientation, axis_from_orientation
from cotyle.space.arrays import Array, any_perpendicular, unit
from cotyle.space.frames import SCANNER
from cotyle.space.mesh import TriangleMesh
from cotyle.space.shapes import Sphere
from cotyle.space.side import Side

from cotyle_sample.distances import signed_distance
from cotyle_sample.implants import (
    COBALT_CHROME_HU,
    POLYETHYLENE_HU,
    TITANIUM_HU,
    Implant,
    ball_profile,
    revolved,
    shaft_axis,
)

STEEL_HU = 9000.0
PLUG_RADIUS_MM, PLUG_DEPTH_MM = 4.0, 9.0
WIRE_INSIDE_MM, WIRE_RADIUS_MM = 1.2, 0.7
_SCREW_REACH = np.arange(0.0, 46.0, 1.0)
_SCREWS_APART_DEG = 22.0
_LEAST_SCREW_MM = 18.0


USUAL_ORIENTATION = Orientation(42.0, 17.0)


class Fixation(StrEnum):
    """How the cup is held; the values are names of variants."""

    FIXED = "fixed_cup"
    LOOSE = "loose_cup"
    CEMENTED = "cemented_cup"


@dataclass(frozen=True)
class Replacement:
    """One replaced hip.

    orientation: radiographic, in the pelvis's own app frame. line_mm: between the cup's sphere and the bed's, filled
    with soft tissue (loose) or cement. moved_mm: of the cup's centre from the bed's along lateral, posterior, superior.
    screws: wished for; fewer where bone is short. rim_short_mm: by how much the shell is less than a hemisphere.
    """

    fixation: Fixation
    orientation: Orientation = USUAL_ORIENTATION
    line_mm: float = 0.0
    moved_mm: tuple[float, float, float] = (0.0, 0.0, 0.0)
    screws: int = 0
    screw_diameter_mm: float = 5.0
    screw_length_mm: float = 35.0
    shell_thickness_mm: float = 4.0
    head_radius_mm: float = 14.0
    rim_short_mm: float = 0.0
    cement_hu: float = 1000.0
    stem_cement_mm: float = 0.0


USUAL = {
    Fixation.FIXED: Replacement(Fixation.FIXED, screws=2),
    Fixation.LOOSE: Replacement(Fixation.LOOSE, Orientation(56.0, 25.0), line_mm=2.0),
    Fixation.CEMENTED: Replacement(Fixation.CEMENTED, line_mm=3.0, stem_cement_mm=2.5),
}


@dataclass(frozen=True, eq=False)
class TrueCup:
    """The cup that was put in: sphere of its outside, unit vector out of its mouth, how it is held."""

    sphere: Sphere
    opening_axis: Array
    fixation: Fixation

    @property
    def loose(self) -> bool:
        """Whether it is loose in its bed."""
        return self.fixation is Fixation.LOOSE


def true_cup(replacement: Replacement, bed: Sphere, side: Side) -> TrueCup:
    """Where the cup of a replacement lies in its bed."""
    shift = np.asarray(replacement.moved_mm) * [side.lateral_sign, 1.0, 1.0]
    axis = axis_from_orientation(replacement.orientation, Definition.RADIOGRAPHIC, SCANNER, side)
    sphere = Sphere(bed.center_lps_mm + shift, bed.radius_mm - replacement.line_mm)
    return TrueCup(sphere, axis, replacement.fixation)


def replaced_hip(
    replacement: Replacement, bed: Sphere, hip_bone: TriangleMesh, femur: TriangleMesh, side: Side
) -> tuple[Implant, ...]:
    """Parts of a replaced hip; ``femur`` sits with its head's centre at the cup's (coordinates: app)."""
    cup = true_cup(replacement, bed, side)
    if replacement.fixation is Fixation.CEMENTED:
        parts = _cemented_cup(replacement, cup, bed, side)
    else:
        parts = _shell(replacement, cup, side)
    name = f"{side}_hip_bone"
    screws = _screws(replacement, cup, hip_bone, side)
    return (
        *parts,
        *(Implant("screw", mesh, TITANIUM_HU, True, name) for mesh in screws),
        *_stem(replacement, femur, cup.sphere.center_lps_mm, side),
    )


def _shell(replacement: Replacement, cup: TrueCup, side: Side) -> tuple[Implant, ...]:
    center, outer, axis = cup.sphere.center_lps_mm, cup.sphere.radius_mm, cup.opening_axis
    inner, short = outer - replacement.shell_thickness_mm, replacement.rim_short_mm
    name = f"{side}_hip_bone"
    shell = revolved(_cap(outer, inner, short), center, -axis)
    liner = revolved(_cap(inner, replacement.head_radius_mm + 0.1, short), center, -axis)
    # what is laid later wins the voxels on the border: metal has its full edge
    return Implant("liner", liner, POLYETHYLENE_HU, False, name), Implant("shell", shell, TITANIUM_HU, True, name)


def _cemented_cup(replacement: Replacement, cup: TrueCup, bed: Sphere, side: Side) -> tuple[Implant, ...]:
    center, outer, axis = cup.sphere.center_lps_mm, cup.sphere.radius_mm, cup.opening_axis
    name = f"{side}_hip_bone"
    mantle = revolved(_cap(bed.radius_mm + 0.3, 1.0, 1.5), bed.center_lps_mm, -axis)
    plastic = revolved(_cap(outer, replacement.head_radius_mm + 0.1, 0.0), center, -axis)
    wire = torus(center - 1.0 * axis, axis, outer - WIRE_INSIDE_MM, WIRE_RADIUS_MM)
    plugs = [
        Implant("plug", _rod(bed.center_lps_mm, way, bed.radius_mm - 2.0, PLUG_DEPTH_MM + 2.0, PLUG_RADIUS_MM),
                replacement.cement_hu, False, name, keeps_labels=True)
        for way in (_up(side, 0.25, 0.1), _up(side, -0.15, 0.6))
    ]  # fmt: skip
    return (
        Implant("cement", mantle, replacement.cement_hu, False, name, keeps_labels=True),
        *plugs,
        Implant("plastic", plastic, POLYETHYLENE_HU, False, name),
        Implant("wire", wire, STEEL_HU, True, name),
    )


def _stem(replacement: Replacement, femur: TriangleMesh, head_center: Array, side: Side) -> tuple[Implant, ...]:
    """Head, neck and stem, with a mantle of cement where one is asked for."""
    stem_top, stem_axis = shaft_axis(femur, head_center)
    neck = unit(stem_top - head_center)
    length = float(np.linalg.norm(stem_top - head_center))
    thinner = 0.75 if replacement.stem_cement_mm > 0.0 else 1.0
    neck_profile = np.array([[0.0, 9.0], [6.0, 9.0], [6.5, length], [0.0, length]])
    profile = np.array([[0.0, -8.0], [7.0, -7.0], [8.5, 5.0], [7.0, 60.0], [5.0, 108.0], [0.0, 114.0]])
    profile = profile * [thinner, 1.0]
    thigh = f"{side}_femur"
    parts = []
    if replacement.stem_cement_mm > 0.0:
        mantle = np.array([[0.0, 0.0], [9.0, 0.5], [8.5, 5.0], [7.0, 60.0], [5.0, 112.0], [0.0, 126.0]])
        mantle[1:5, 0] = mantle[1:5, 0] * thinner + replacement.stem_cement_mm
        cement = revolved(mantle, stem_top, stem_axis)
        parts.append(Implant("stem cement", cement, replacement.cement_hu, False, thigh, keeps_labels=True))
    ball = revolved(ball_profile(replacement.head_radius_mm), head_center, -neck)
    return (
        *parts,
        Implant("head", ball, COBALT_CHROME_HU, True, thigh),
        Implant("neck", revolved(neck_profile, head_center, neck), TITANIUM_HU, True, thigh),
        Implant("stem", revolved(profile, stem_top, stem_axis), TITANIUM_HU, True, thigh),
    )


def _screws(replacement: Replacement, cup: TrueCup, hip_bone: TriangleMesh, side: Side) -> list[TriangleMesh]:
    """Screws through the dome into the roof and the back, where the bone is long enough to hold them."""
    if replacement.screws == 0:
        return []
    center, outer = cup.sphere.center_lps_mm, cup.sphere.radius_mm
    ways = np.array([_up(side, lateral, back) for lateral in np.arange(-0.7, 0.5, 0.1) for back in
                     np.arange(-0.2, 1.2, 0.1)])  # fmt: skip
    ways = ways[ways @ cup.opening_axis < -0.25]
    inner = outer - replacement.shell_thickness_mm
    points = center + (outer + 1.0 + _SCREW_REACH)[None, :, None] * ways[:, None, :]
    outside = signed_distance(hip_bone, points.reshape(-1, 3)).reshape(points.shape[:2]) > -2.5
    outside[:, :6] = False
    length = np.where(outside.any(axis=1), np.argmax(outside, axis=1), len(_SCREW_REACH)).astype(float)
    length = np.minimum(length, replacement.screw_length_mm)
    chosen: list[int] = []
    for row in np.argsort(-length, kind="stable"):
        apart = all(ways[row] @ ways[other] < np.cos(np.deg2rad(_SCREWS_APART_DEG)) for other in chosen)
        if apart and length[row] >= _LEAST_SCREW_MM and len(chosen) < replacement.screws:
            chosen.append(int(row))
    radius = 0.5 * replacement.screw_diameter_mm
    return [_rod(center, ways[row], inner, outer - inner + length[row], radius) for row in chosen]


def _up(side: Side, lateral: float, back: float) -> Array:
    return unit(np.array([lateral * side.lateral_sign, back, 1.0]))


def _rod(center: Array, way: Array, start_mm: float, length_mm: float, radius_mm: float) -> TriangleMesh:
    """A rod with a blunt tip along a ray from a centre."""
    end = start_mm + length_mm
    steps = np.linspace(start_mm, end - radius_mm, max(int(length_mm / 2.0), 2))
    body = np.column_stack([np.full(len(steps), radius_mm), steps])
    tip = np.array([[0.8 * radius_mm, end - 0.4 * radius_mm], [0.0, end]])
    return revolved(np.vstack([[0.0, start_mm], body, tip]), center, way, segments=24)


def _cap(outer: float, inner: float, short_mm: float) -> Array:
    """Profile (radius, height) of a shell whose mouth lies ``short_mm`` above the centre."""

    def arc(radius: float) -> Array:
        angle = np.linspace(0.0, np.arccos(min(short_mm / radius, 0.9)), 28)
        return radius * np.column_stack([np.sin(angle), np.cos(angle)])

    return np.vstack([arc(inner), arc(outer)[::-1]])


def torus(center: Array, axis: Array, radius_mm: float, wire_radius_mm: float) -> TriangleMesh:
    """A closed ring of wire about an axis."""
    around, across = 120, 12
    axis = unit(axis)
    u = any_perpendicular(axis)
    w = np.cross(axis, u)
    angle = 2.0 * np.pi * np.arange(around) / around
    turn = 2.0 * np.pi * np.arange(across) / across
    outward = np.cos(angle)[:, None] * u + np.sin(angle)[:, None] * w
    distance = radius_mm + wire_radius_mm * np.cos(turn)
    points = center + distance[None, :, None] * outward[:, None] + (wire_radius_mm * np.sin(turn))[None, :, None] * axis
    a, b = np.meshgrid(np.arange(around), np.arange(across), indexing="ij")
    near, far = (a % around) * across, ((a + 1) % around) * across
    next_b = (b + 1) % across
    triangles = np.concatenate(
        [
            np.stack([near + b, far + b, far + next_b], axis=-1).reshape(-1, 3),
            np.stack([near + b, far + next_b, near + next_b], axis=-1).reshape(-1, 3),
        ]
    )
    mesh = TriangleMesh(points.reshape(-1, 3), triangles.astype(np.int32))
    return mesh if mesh.volume_mm3 > 0 else TriangleMesh(mesh.vertices_lps_mm, mesh.triangles[:, ::-1])
