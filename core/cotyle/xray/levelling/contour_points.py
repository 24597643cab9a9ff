"""Points of a bone that exist only in a picture: ends of the obturator foramen's outline, and the ilio-ischial line.

Both are where rays graze the surface. When the C-arm moves a little, that place slides along the surface, but the
contour moves at right angles to itself exactly as if the point were fixed to the bone (the slide is along the ray, or
along the contour). So a fit may hold the point for one step and look for it again in the next.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from cotyle.space.arrays import Array, BoolArray, read_only
from cotyle.space.mesh import TriangleMesh
from cotyle.space.shapes import Circle
from cotyle.space.side import Side
from cotyle.xray.carm import CArm
from cotyle.xray.ilioischial import ilioischial_line
from cotyle.xray.outlines import silhouette_segments
from cotyle.xray.screen import Screen

# rays round the middle of the foramen, and the farthest its outline may lie from there (adults: about 50 x 35 mm)
_RAYS = 180
_FARTHEST_MM = 45.0
# where its middle is looked for round the guess
_SEARCH_MM = (0.0, -6.0, 6.0, -12.0, 12.0)


@dataclass(frozen=True, eq=False)
class ContourPoint:
    """A place of a contour: its pixel, the grazing point on the bone, and the direction across the contour.

    ``pixel`` (2,), ``lps_mm`` (3,), ``across`` (2,) a unit vector of (column, row): only along it is the place known.
    """

    pixel: Array
    lps_mm: Array
    across: Array


@dataclass(frozen=True, eq=False)
class ForamenOutline:
    """The free opening of the obturator foramen in a picture, point by point round its middle, (n, 2) and (n, 3)."""

    pixels: Array
    points_lps_mm: Array

    def end(self, which: str, side: Side) -> ContourPoint:
        """Return its ``top``, ``bottom``, ``medial`` or ``lateral`` end, along the rows and columns of the picture."""
        outward = {
            "top": (0.0, -1.0),
            "bottom": (0.0, 1.0),
            "lateral": (side.lateral_sign, 0.0),
            "medial": (-side.lateral_sign, 0.0),
        }[which]
        row = int(np.argmax(self.pixels @ outward))
        return ContourPoint(self.pixels[row], self.points_lps_mm[row], read_only(np.array(outward)))


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
    mm_per_px = np.asarray(carm.pixel_pitch_mm) / carm.magnification(guess)
    segments = silhouette_segments(carm, hip_bone)
    # in mm at the foramen's depth, columns and rows as axes
    flat = carm.project(segments.reshape(-1, 3)).reshape(-1, 2, 2) * mm_per_px
    near = np.linalg.norm(flat[:, 0] - carm.project(guess) * mm_per_px, axis=1) < 2.0 * _FARTHEST_MM
    segments, flat = segments[near], flat[near]
    triangles = (carm.project(hip_bone.vertices_lps_mm) * mm_per_px)[hip_bone.triangles]
    start = carm.project(guess) * mm_per_px
    for down in _SEARCH_MM:
        for across in _SEARCH_MM:
            middle = start + (across, down)
            found = None if covered(triangles, middle) else _first_contours(flat, middle)
            if found is None:
                continue
            middle = _outline(flat, found)[0].mean(axis=0)
            centred = None if covered(triangles, middle) else _first_contours(flat, middle)
            pixels, share = _outline(flat, found if centred is None else centred)
            which = (found if centred is None else centred)[0]
            points = segments[which, 0] * (1.0 - share) + segments[which, 1] * share
            return ForamenOutline(read_only(pixels / mm_per_px), read_only(points))
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


def covered(triangles: Array, point: Array) -> bool:
    """Return whether any of some flat triangles (n, 3, 2) covers a point (2,)."""
    edge = np.roll(triangles, -1, axis=1) - triangles
    offset = point - triangles
    turn = edge[..., 0] * offset[..., 1] - edge[..., 1] * offset[..., 0]
    inside: BoolArray = (turn > 0).all(axis=1) | (turn < 0).all(axis=1)
    return bool(inside.any())


def _first_contours(flat: Array, middle: Array) -> tuple[Array, Array] | None:
    """Return for each ray which segment it meets first and at which share of it; None if one meets none."""
    angles = np.linspace(0.0, 2.0 * np.pi, _RAYS, endpoint=False)
    directions = np.stack([np.cos(angles), np.sin(angles)], axis=1)[:, None]
    start, along = flat[:, 0] - middle, flat[:, 1] - flat[:, 0]
    # middle + t direction = start + s along, solved for all pairs by Cramer's rule
    determinant = directions[..., 1] * along[:, 0] - directions[..., 0] * along[:, 1]
    with np.errstate(divide="ignore", invalid="ignore"):
        distance = (start[:, 1] * along[:, 0] - start[:, 0] * along[:, 1]) / determinant
        share = (directions[..., 0] * start[:, 1] - directions[..., 1] * start[:, 0]) / determinant
    meets = (distance > 0) & (share >= 0) & (share <= 1)
    distance = np.where(meets, distance, np.inf)
    first = distance.argmin(axis=1)
    rows = np.arange(_RAYS)
    if distance[rows, first].max() > _FARTHEST_MM:
        return None
    return first, share[rows, first]


def _outline(flat: Array, found: tuple[Array, Array]) -> tuple[Array, Array]:
    which, share = found[0], found[1][:, None]
    return flat[which, 0] * (1.0 - share) + flat[which, 1] * share, share


def _to_segments(ends: Array, point: Array) -> tuple[Array, Array]:
    """Return the distance of a point from segments (n, 2, 2) and the share of each at which it is nearest."""
    along = ends[:, 1] - ends[:, 0]
    length = np.maximum((along**2).sum(axis=1), 1e-18)
    share = np.clip(((point - ends[:, 0]) * along).sum(axis=1) / length, 0.0, 1.0)
    return np.linalg.norm(ends[:, 0] + share[:, None] * along - point, axis=1), share
