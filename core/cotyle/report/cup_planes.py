"""The planes a cup is looked at in: two that hold its axis, where depths are true lengths, and that of its rim."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from cotyle.cup.component import Cup
from cotyle.space.arrays import Array, as_vector, read_only, unit
from cotyle.space.frames import Frame
from cotyle.space.side import Side


@dataclass(frozen=True, eq=False)
class CutPlane:
    """A plane of view.

    ``right_lps`` and ``up_lps`` are unit directions of the picture, ``center_lps_mm`` its middle. The four letters
    stand at right, left, top and bottom.
    """

    name: str
    title: str
    center_lps_mm: Array
    right_lps: Array
    up_lps: Array
    letters: tuple[str, str, str, str]

    @property
    def normal_lps(self) -> Array:
        """Unit normal, towards the viewer."""
        return unit(np.cross(self.right_lps, self.up_lps))

    @property
    def plane_to_lps(self) -> Array:
        """4x4, rigid: takes (right, up, towards the viewer) in mm from the middle to LPS mm."""
        matrix = np.eye(4)
        matrix[:3, :3] = np.stack([self.right_lps, self.up_lps, self.normal_lps], axis=1)
        matrix[:3, 3] = self.center_lps_mm
        return read_only(matrix)

    def through(self, point_lps_mm: Array) -> CutPlane:
        """Return the parallel plane whose middle is a point."""
        return replace(self, center_lps_mm=as_vector(point_lps_mm))

    def coordinates_mm(self, points_lps_mm: Array) -> Array:
        """Return (right, up) in mm of points (..., 3)."""
        offset = np.asarray(points_lps_mm) - self.center_lps_mm
        return np.stack([offset @ self.right_lps, offset @ self.up_lps], axis=-1)

    def height_mm(self, points_lps_mm: Array) -> Array:
        """Return mm in front of the plane of points (..., 3)."""
        return np.asarray((np.asarray(points_lps_mm) - self.center_lps_mm) @ self.normal_lps)

    def grid_lps_mm(self, half_width_mm: float, half_height_mm: float, pitch_mm: float) -> Array:
        """Return the points of a raster, shape (rows, columns, 3), first row on top."""
        across = np.arange(-half_width_mm + pitch_mm / 2, half_width_mm, pitch_mm)
        up = np.arange(half_height_mm - pitch_mm / 2, -half_height_mm, -pitch_mm)
        return np.asarray(self.center_lps_mm + across[None, :, None] * self.right_lps + up[:, None, None] * self.up_lps)


def cup_planes(cup: Cup, frame: Frame) -> tuple[CutPlane, CutPlane, CutPlane]:
    """Return the planes along the axis seen from in front, along the axis seen from below, and of the rim from outside.

    Left and right in the picture are as on a film: the patient's left hip lies on the right of the picture.
    """
    axis = cup.opening_axis_lps
    left_sign = 1.0 if cup.side is Side.LEFT else -1.0
    # the axis runs to the outside: its part across the picture keeps the film's left and right
    up = unit(frame.superior - (frame.superior @ axis) * axis)
    upright = _upright(axis, up, frame.left, frame.superior)
    front = unit(frame.anterior - (frame.anterior @ axis) * axis)
    level = _upright(axis, front, frame.left, frame.anterior)
    middle = cup.center_lps_mm - 0.35 * cup.radius_mm * axis
    outside = "L" if cup.side is Side.LEFT else "R"
    ends = (outside, "medial") if left_sign > 0 else ("medial", outside)
    rim_right = unit(np.cross(up, axis))
    back_is_right = rim_right @ frame.posterior > 0
    return (
        CutPlane("axis-upright", "Along the cup axis, upright, from in front", middle, *upright, (*ends, "S", "I")),
        CutPlane("axis-level", "Along the cup axis, level, from below", middle, *level, (*ends, "A", "P")),
        CutPlane(
            "rim",
            "In the plane of the rim, from outside",
            cup.center_lps_mm,
            rim_right,
            up,
            ("P", "A", "S", "I") if back_is_right else ("A", "P", "S", "I"),
        ),
    )


def _upright(axis: Array, across: Array, left: Array, top: Array) -> tuple[Array, Array]:
    """Return picture directions (right, up) in the plane of two orthonormal directions, ``top`` as high as it goes."""
    up = unit((top @ axis) * axis + (top @ across) * across)
    right = (left @ axis) * axis + (left @ across) * across
    right = unit(right - (right @ up) * up)
    return right, up
