"""What is drawn over a picture: outline of cup and reamer, landmarks, lines and the edges of bones.

All results are (column, row) pixels and exact projections, so they fit a real picture as well as a simulated one.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from cotyle.errors import InputError
from cotyle.space.arrays import Array, any_perpendicular, as_vector, unit
from cotyle.space.mesh import TriangleMesh
from cotyle.space.shapes import Circle
from cotyle.xray.carm import CArm


@dataclass(frozen=True, eq=False)
class HemisphereOutline:
    """The picture of a solid hemisphere, as open or closed lines of (column, row), shape (n, 2) each.

    Parameters
    ----------
    rim_px:
        The whole rim, closed.
    dome_px:
        The part of the sphere's outline that the dome makes, from rim to rim; empty if the rim hides all of it.
    silhouette_px:
        The outer border of the whole solid, closed: the dome and the half of the rim that stands out.
    """

    rim_px: Array
    dome_px: Array
    silhouette_px: Array


def hemisphere_outline(carm: CArm, rim: Circle, count: int = 181) -> HemisphereOutline:
    """Return the outline of the half ball behind a rim whose normal points out of the mouth.

    The dome's border is where rays graze the sphere: the circle around c + r^2/d^2 (s - c) of radius
    r sqrt(1 - r^2/d^2), at right angles to s - c, for a source s at the distance d (pole and polar of a sphere).
    Its arc on the dome's side and the arc of the rim at which dome and mouth face the source differently close the
    border. Lines have up to ``count`` points each.
    """
    to_source = carm.source_lps_mm - rim.center_lps_mm
    distance = float(np.linalg.norm(to_source))
    if distance <= rim.radius_mm or float(carm.depth_mm(rim.center_lps_mm)) <= rim.radius_mm:
        raise InputError("behind-source", "the cup is not wholly in front of the X-ray source")
    toward = to_source / distance
    shrink = rim.radius_mm / distance
    axis = rim.normal_lps
    grazing_center = rim.center_lps_mm + rim.radius_mm * shrink * toward
    grazing = Circle(grazing_center, toward, rim.radius_mm * np.sqrt(1.0 - shrink**2))
    rim_points = circle_points(rim, count)
    # height of the grazing circle over the rim's plane is h0 + h1 cos(angle), lowest opposite ``uphill``
    lift = rim.radius_mm * shrink * float(toward @ axis)
    swing = grazing.radius_mm * float(np.sqrt(max(1.0 - float(toward @ axis) ** 2, 0.0)))
    if lift >= swing:
        rim_px = carm.project(rim_points)
        return HemisphereOutline(rim_px, np.empty((0, 2)), rim_px)
    if lift <= -swing:
        dome_px = carm.project(circle_points(grazing, count))
        return HemisphereOutline(carm.project(rim_points), dome_px, dome_px)
    uphill = unit(axis - (axis @ toward) * toward)
    limit = float(np.arccos(np.clip(-lift / swing, -1.0, 1.0)))
    turns = np.linspace(limit, 2.0 * np.pi - limit, count)
    dome = _on_circle(grazing, uphill, turns)
    rim_half = _outer_rim_arc(rim, to_source, start=dome[-1], end=dome[0], count=count)
    return HemisphereOutline(
        carm.project(rim_points),
        carm.project(dome),
        carm.project(np.concatenate([dome, rim_half[1:]])),
    )


def circle_points(circle: Circle, count: int = 181) -> Array:
    """Return LPS points once round a circle, first and last the same, shape (count, 3)."""
    return _on_circle(circle, any_perpendicular(circle.normal_lps), np.linspace(0.0, 2.0 * np.pi, count))


def axis_line_px(carm: CArm, rim: Circle, length_mm: float = 150.0) -> Array:
    """Return the reaming axis from the mouth's centre inwards, two pixels, shape (2, 2)."""
    return carm.project(np.stack([rim.center_lps_mm, rim.center_lps_mm - length_mm * rim.normal_lps]))


def landmarks_px(carm: CArm, landmarks_lps_mm: Mapping[str, npt.ArrayLike]) -> dict[str, Array]:
    """Return the pixel of each named LPS point, also where it falls beside the detector."""
    return {name: carm.project(as_vector(point, name)) for name, point in landmarks_lps_mm.items()}


def silhouette_segments(carm: CArm, mesh: TriangleMesh) -> Array:
    """Return the LPS segments along which rays graze a surface, shape (n, 2, 3): each contour an X-ray shows.

    Contours lie where the normal is at right angles to the ray, also those hidden from the eye. Within a triangle
    the normal is interpolated from its vertices, which gives smooth lines instead of the zigzag of mesh edges
    (Hertzmann A, Introduction to 3D non-photorealistic rendering: silhouettes and outlines, SIGGRAPH 1999 course).
    """
    facing = np.einsum("ij,ij->i", mesh.vertex_normals, carm.source_lps_mm - mesh.vertices_lps_mm)
    corner_facing = facing[mesh.triangles]
    positive = corner_facing > 0
    mixed = positive.any(axis=1) & ~positive.all(axis=1)
    corner_facing, positive = corner_facing[mixed], positive[mixed]
    corners = mesh.corners_lps_mm[mixed]
    # the corner that differs from the two others; the contour cuts the two edges that meet in it
    lonely = np.where(positive.sum(axis=1) == 1, positive.argmax(axis=1), (~positive).argmax(axis=1))
    which = np.arange(len(corners))
    ends = []
    for step in (1, 2):
        other = (lonely + step) % 3
        here, there = corner_facing[which, lonely], corner_facing[which, other]
        share = (here / (here - there))[:, None]
        ends.append(corners[which, lonely] * (1.0 - share) + corners[which, other] * share)
    return np.stack(ends, axis=1) if ends else np.empty((0, 2, 3))


def silhouette_px(carm: CArm, mesh: TriangleMesh) -> Array:
    """Return :func:`silhouette_segments` in pixels, shape (n, 2, 2)."""
    segments = silhouette_segments(carm, mesh)
    return carm.project(segments.reshape(-1, 3)).reshape(-1, 2, 2)


def joined(segments: Array, tolerance: float = 1e-6) -> list[Array]:
    """Join segments (n, 2, d) that share ends into lines, each (m, d); a closed one repeats its start."""
    keys = [[tuple(np.rint(end / tolerance).astype(np.int64)) for end in pair] for pair in segments]
    at: dict[tuple[np.int64, ...], list[int]] = {}
    for index, pair in enumerate(keys):
        for key in pair:
            at.setdefault(key, []).append(index)
    used = np.zeros(len(segments), dtype=bool)

    def follow(index: int, side: int) -> list[Array]:
        found: list[Array] = []
        while True:
            onward = [n for n in at[keys[index][side]] if not used[n]]
            if not onward:
                return found
            side = 1 - keys[onward[0]].index(keys[index][side])
            index = onward[0]
            used[index] = True
            found.append(segments[index][side])

    lines = []
    for index in range(len(segments)):
        if not used[index]:
            used[index] = True
            forward, backward = follow(index, 1), follow(index, 0)
            lines.append(np.array([*reversed(backward), segments[index][0], segments[index][1], *forward]))
    return lines


def _on_circle(circle: Circle, first: Array, turns: Array) -> Array:
    second = np.cross(circle.normal_lps, first)
    around = np.outer(np.cos(turns), first) + np.outer(np.sin(turns), second)
    return np.asarray(circle.center_lps_mm + circle.radius_mm * around)


def _outer_rim_arc(rim: Circle, to_source: Array, start: Array, end: Array, count: int) -> Array:
    """Return the arc of the rim from start to end on which dome and mouth do not face the source alike."""
    first = unit(start - rim.center_lps_mm)
    second = np.cross(rim.normal_lps, first)
    offset = end - rim.center_lps_mm
    turn = float(np.arctan2(offset @ second, offset @ first)) % (2.0 * np.pi)
    middle = rim.radius_mm * (np.cos(turn / 2) * first + np.sin(turn / 2) * second)
    dome_faces = float((to_source - middle) @ middle) > 0
    mouth_faces = float(to_source @ rim.normal_lps) > 0
    if dome_faces == mouth_faces:
        turn -= 2.0 * np.pi
    return _on_circle(rim, first, np.linspace(0.0, turn, count))
