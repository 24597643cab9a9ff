"""Where the hip centre goes, and what that does to leg length and offset.

Signs: medial, superior and anterior are positive. With the femur unchanged, a centre that moves up shortens the leg
by as much, and one that moves medially takes as much from the acetabular part of the offset (plain geometry; common
practice). The global offset is the sum of the acetabular and the femoral part.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from cotyle.cup.orientation import hip_components
from cotyle.space.arrays import Array, as_vector, read_only
from cotyle.space.frames import Frame
from cotyle.space.side import Side


@dataclass(frozen=True)
class CenterShift:
    """A shift in mm in a named frame, hip-sided."""

    medial: float
    superior: float
    anterior: float
    frame: str

    @property
    def length_mm(self) -> float:
        """Length of the shift."""
        return float(np.sqrt(self.medial**2 + self.superior**2 + self.anterior**2))

    @property
    def leg_length_change_mm(self) -> float:
        """Change of leg length with the femur unchanged; negative is shorter."""
        return -self.superior

    @property
    def acetabular_offset_change_mm(self) -> float:
        """Change of the acetabular part of the offset; negative is less."""
        return -self.medial


def center_shift(from_lps_mm: npt.ArrayLike, to_lps_mm: npt.ArrayLike, frame: Frame, side: Side) -> CenterShift:
    """Return the shift between two points (3,) in LPS mm, as seen in a frame on a side."""
    way = as_vector(to_lps_mm, "centre") - as_vector(from_lps_mm, "centre")
    lateral, anterior, superior = (float(value) for value in hip_components(way, frame, side))
    return CenterShift(-lateral, superior, anterior, frame.name)


def hip_axes(frame: Frame, side: Side) -> Array:
    """Return the unit directions medial, superior and anterior of a frame on a side, in rows (3, 3), LPS."""
    return read_only(np.stack([-side.lateral_sign * frame.left, frame.superior, frame.anterior]))


def shifted(
    point_lps_mm: npt.ArrayLike, frame: Frame, side: Side, medial: float = 0, superior: float = 0, anterior: float = 0
) -> Array:
    """Return the point (3,) moved by mm in a frame; inverse of :func:`center_shift`."""
    way = (-medial * side.lateral_sign, -anterior, superior)
    return read_only(as_vector(point_lps_mm, "point") + frame.direction_to_lps(np.array(way)))


def depth_mm(native_lps_mm: npt.ArrayLike, center_lps_mm: npt.ArrayLike, opening_axis_lps: npt.ArrayLike) -> float:
    """Return how far a cup's centre lies inwards of the native one along the cup's own axis, mm; all (3,), LPS."""
    way = as_vector(native_lps_mm, "centre") - as_vector(center_lps_mm, "centre")
    return float(way @ as_vector(opening_axis_lps, "axis"))


def mirrored_about_midline(point_lps_mm: npt.ArrayLike, frame: Frame) -> Array:
    """Return the point (3,) mirrored in the frame's own sagittal plane through its origin."""
    left, posterior, superior = frame.to_frame(as_vector(point_lps_mm, "point"))
    return read_only(frame.to_lps(np.array([-left, posterior, superior])))


@dataclass(frozen=True)
class FemoralChange:
    """What a longer neck does on the femur's side, mm."""

    leg_length_mm: float
    femoral_offset_mm: float


def neck_length_change(longer_by_mm: float, neck_shaft_angle_deg: float) -> FemoralChange:
    """Return the effect of a neck longer by some mm at a neck-shaft angle, in the plane of the neck (geometry)."""
    angle = np.radians(neck_shaft_angle_deg)
    return FemoralChange(float(longer_by_mm * abs(np.cos(angle))), float(longer_by_mm * np.sin(angle)))
