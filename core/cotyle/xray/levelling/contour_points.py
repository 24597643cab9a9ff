"""Points of a bone that exist only in a picture: ends of the obturator foramen's outline, and the ilio-ischial line.

Both are where rays graze the surface. When the C-arm moves a little, that place slides along the surface, but the
contour moves at right angles to itself exactly as if the point were fixed to the bone (the slide is along the ray, or
along the contour). So a fit may hold the point for one step and look for it again in the next.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from cotyle.space.arrays import Array, IntArray, read_only
from cotyle.space.mesh import TriangleMesh
from cotyle.space.rotations import angle_between_deg
from cotyle.space.shapes import Circle
from cotyle.space.side import Side
from cotyle.xray.carm import CArm
from cotyle.xray.ilioischial import ilioischial_line
from cotyle.xray.outlines import silhouette_segments
from cotyle.xray.screen import Screen

# rays round the middle of the foramen, and the farthest its outline may lie from there (adults: about 50 x 35 mm)
_RAYS = 120
_ANGLES = np.linspace(0.0, 2.0 * np.pi, _RAYS, endpoint=False)
_DIRECTIONS = np.stack([np.cos(_ANGLES), np.sin(_ANGLES)], axis=1)
_FARTHEST_MM = 45.0
# an outline that turns so much from ray to ray has a corner; such an end moves up to 1 mm per degree otherwise than a
# point fixed to the bone (smooth ends: below 0.1; measured on draws from the shape model)
_CORNER_DEG, _CORNER_SD_MM = 60.0, 3.0
# where its middle is looked for round the guess
_SEARCH_MM = (0.0, -6.0, 6.0, -12.0, 12.0)


@dataclass(frozen=True, eq=False)
class ContourPoint:
    """A place of a contour: its pixel, the grazing point on the bone, and the direction across the contour.

    ``pixel`` (2,), ``lps_mm`` (3,), ``across`` (2,) a unit vector of (column, row): only along it is the place known.
    ``sd_mm``: what is not known of it beside the surface's own uncertainty.
    """

    pixel: Array
    lps_mm: Array
    across: Array
    sd_mm: float = 0.0


@dataclass(frozen=True, eq=False)
class ForamenOutline:
    """The free opening of the obturator foramen in a picture, point by point round its middle, (n, 2) and (n, 3)."""

    pixels: Array
    points_lps_mm: Array

    def end(self, which: str, side: Side) -> ContourPoint:
        """Return its ``top``, ``bottom``, ``medial`` or ``lateral`` end, along the rows and columns of the picture.

        Where two contours cross, the end is a corner that does not move with either of them; it counts little.
        """
        outward = {
            "top": (0.0, -1.0),
            "bottom": (0.0, 1.0),
            "lateral": (side.lateral_sign, 0.0),
            "medial": (-side.lateral_sign, 0.0),
        }[which]
        row = int(np.argmax(self.pixels @ outward))
        before, here, after = self.pixels[[row - 1, row, (row + 1) % len(self.pixels)]]
        corner = angle_between_deg([*(here - before), 0.0], [*(after - here), 0.0]) > _CORNER_DEG
        sd_mm = _CORNER_SD_MM if corner else 0.0
        return ContourPoint(here, self.points_lps_mm[row], read_only(np.array(outward)), sd_mm)


def foramen_outline(
    carm: CArm, hip_bone: TriangleMesh, landmarks_lps_mm: Mapping[str, Array], side: Side
) -> ForamenOutline | None:
    """Return the outline of the hole that a hip bone's picture shows below the socket, None where it shows none.

    Rays in the picture from the middle of the hole end at the first contour they meet. The middle is first guessed
    from teardrop, ischial tuberosity and symphysis, then taken from the outline. Parts of the hole that can't be seen
    from its middle (a notch behind a corner) are left out.
    """
    corners = [f"teardrop_{side}", f"ischial_tuberosity_{side}", "symphysis"]
    if any(name not in landmarks_lps_mm for name in corners):
        return None
    guess = np.mean([landmarks_lps_mm[name] for name in corners], axis=0)
    matrix = np.diag([*_mm_per_px(carm, guess), 1.0]) @ carm.projection_matrix
    start = _shown(matrix, guess[None])[0]
    segments = silhouette_segments(carm, hip_bone)
    flat = _shown(matrix, segments.reshape(-1, 3)).reshape(-1, 2, 2)
    near = np.linalg.norm(flat[:, 0] - start, axis=1) < _FARTHEST_MM + 2.0 * max(_SEARCH_MM)
    segments, flat = segments[near], flat[near]
    triangles = _shown(matrix, hip_bone.vertices_lps_mm)[hip_bone.triangles]
    triangles = triangles[np.linalg.norm(triangles[:, 0] - start, axis=1) < _FARTHEST_MM]
    for down in _SEARCH_MM:
        for across in _SEARCH_MM:
            found = _hole_round(start + (across, down), flat, triangles)
            if found is not None:
                again = _hole_round(_on(flat, *found).mean(axis=0), flat, triangles)
                which, share = found if again is None else again
                points = _on(segments, which, share)
                return ForamenOutline(read_only(_on(flat, which, share) / _mm_per_px(carm, guess)), read_only(points))
    return None


def ilioischial_point(
    carm: CArm, hip_bone: TriangleMesh, teardrop_lps_mm: Array, side: Side, row_px: float
) -> ContourPoint | None:
    """Return the ilio-ischial line's point at a row of the picture, None where the line is not seen there.

    The line is that of :mod:`cotyle.xray.ilioischial`; at most 3 mm below its lower end that end counts.
    """
    screen = Screen(carm, Circle(teardrop_lps_mm, carm.normal_lps, 1.0), {})
    lateral = side.lateral_sign * screen.left
    line = ilioischial_line(carm, screen, hip_bone, teardrop_lps_mm, lateral)
    if line is None or len(line.points_mm) < 3:
        return None
    origin = screen.of(teardrop_lps_mm)
    height = float(origin[1] - row_px * screen.mm_per_px[1])
    low, high = float(line.points_mm[0, 1]), float(line.points_mm[-1, 1])
    if not low - 3.0 <= height <= high:
        return None
    height = max(height, low)
    offset = float(np.interp(height, line.points_mm[:, 1], line.points_mm[:, 0]))
    place = origin + offset * lateral + height * screen.up
    segments = silhouette_segments(carm, hip_bone)
    ends = screen.of(segments.reshape(-1, 3)).reshape(-1, 2, 2)
    away, share = _to_segments(ends, place)
    nearest = int(np.argmin(away))
    along = ends[nearest, 1] - ends[nearest, 0]
    across = np.array([along[1], -along[0]]) / max(float(np.linalg.norm(along)), 1e-12)
    point = segments[nearest, 0] * (1.0 - share[nearest]) + segments[nearest, 1] * share[nearest]
    # the contour on screen is that of the surface's triangles; the pixel is its own picture, so that they agree
    return ContourPoint(carm.project(point), point, across * np.sign(across @ lateral or 1.0))


def nearest_on_curve(carm: CArm, curve_lps_mm: Array, pixel: Array) -> ContourPoint:
    """Return the point of a curve in space, (n, 3), whose picture lies nearest to a pixel."""
    shown = carm.project(curve_lps_mm)
    ends = np.stack([shown[:-1], shown[1:]], axis=1)
    away, share = _to_segments(ends, pixel)
    nearest = int(np.argmin(away))
    along = ends[nearest, 1] - ends[nearest, 0]
    across = np.array([-along[1], along[0]]) / max(float(np.linalg.norm(along)), 1e-12)
    segment = np.stack([curve_lps_mm[nearest], curve_lps_mm[nearest + 1]])
    point = segment[0] * (1.0 - share[nearest]) + segment[1] * share[nearest]
    return ContourPoint(carm.project(point), point, across)


def covered(triangles: Array, point: Array) -> bool:
    """Return whether any of some flat triangles (n, 3, 2) covers a point (2,)."""
    edge = np.roll(triangles, -1, axis=1) - triangles
    offset = point - triangles
    turn = edge[..., 0] * offset[..., 1] - edge[..., 1] * offset[..., 0]
    return bool(((turn > 0).all(axis=1) | (turn < 0).all(axis=1)).any())


def _hole_round(middle: Array, flat: Array, triangles: Array) -> tuple[IntArray, Array] | None:
    """Return for each ray from a point which segment it meets first, and at which share of it.

    None if the point lies on the bone, or a ray gets out.
    """
    if covered(triangles, middle):
        return None
    start, along = flat[:, 0] - middle, flat[:, 1] - flat[:, 0]
    # middle + t direction = start + s along, solved for all pairs by Cramer's rule
    turn = start[:, 1] * along[:, 0] - start[:, 0] * along[:, 1]
    with np.errstate(divide="ignore", invalid="ignore"):
        determinant = _DIRECTIONS[:, 1:] * along[:, 0] - _DIRECTIONS[:, :1] * along[:, 1]
        distance = turn / determinant
        share = (_DIRECTIONS[:, :1] * start[:, 1] - _DIRECTIONS[:, 1:] * start[:, 0]) / determinant
        distance[~((distance > 0) & (share >= 0) & (share <= 1))] = np.inf
    if not distance.shape[1]:
        return None
    first = distance.argmin(axis=1)
    rows = np.arange(len(first))
    if distance[rows, first].max() > _FARTHEST_MM:
        return None
    return first.astype(np.int32), share[rows, first]


def _on(segments: Array, which: IntArray, share: Array) -> Array:
    """Return the points of some segments (n, 2, d) at shares of their length."""
    return np.asarray(segments[which, 0] * (1.0 - share[:, None]) + segments[which, 1] * share[:, None])


def _mm_per_px(carm: CArm, point_lps_mm: Array) -> Array:
    return np.asarray(carm.pixel_pitch_mm) / carm.magnification(point_lps_mm)


def _shown(matrix: Array, points_lps_mm: Array) -> Array:
    homogeneous = points_lps_mm @ matrix[:, :3].T + matrix[:, 3]
    return np.asarray(homogeneous[:, :2] / homogeneous[:, 2:])


def _to_segments(ends: Array, point: Array) -> tuple[Array, Array]:
    """Return the distance of a point from segments (n, 2, 2) and the share of each at which it is nearest."""
    along = ends[:, 1] - ends[:, 0]
    length = np.maximum((along**2).sum(axis=1), 1e-18)
    share = np.clip(((point - ends[:, 0]) * along).sum(axis=1) / length, 0.0, 1.0)
    return np.linalg.norm(ends[:, 0] + share[:, None] * along - point, axis=1), share
