"""Small motions of a C-arm against the bone, in the axes of its detector, and what their errors are in the patient."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from cotyle.space.arrays import Array, as_vector, read_only
from cotyle.space.rotations import rigid_matrix, rotation_matrix, transform_points
from cotyle.xray.carm import CArm

NAMES = ("about_columns_deg", "about_rows_deg", "in_plane_deg", "along_columns_mm", "along_rows_mm", "depth_mm")
"""The six numbers of a motion: turns about the detector's column direction (tilt on an AP picture), its row direction
(axial rotation) and its normal, then shifts along the three."""


@dataclass(frozen=True, eq=False)
class Handle:
    """The point and axes that a motion's six numbers refer to.

    Parameters
    ----------
    pivot_lps_mm:
        Point that turns leave where it is.
    axes_lps:
        Rows: column direction, row direction and normal of the detector, shape (3, 3).
    """

    pivot_lps_mm: Array
    axes_lps: Array

    def motion(self, numbers: npt.ArrayLike) -> Array:
        """Return the rigid 4x4 LPS motion of six numbers (see :data:`NAMES`)."""
        values = np.asarray(numbers, dtype=float)
        turn = values[:3] @ self.axes_lps
        angle = float(np.linalg.norm(turn))
        rotation = np.eye(3) if angle < 1e-12 else rotation_matrix(turn / angle, angle)
        shift = self.pivot_lps_mm - rotation @ self.pivot_lps_mm + values[3:] @ self.axes_lps
        return rigid_matrix(rotation, shift)

    def moved(self, carm: CArm, numbers: npt.ArrayLike) -> CArm:
        """Return the C-arm after the motion."""
        return carm.moved(self.motion(numbers))

    def numbers_of(self, motion: npt.ArrayLike) -> Array:
        """Return the six numbers of a rigid 4x4 LPS motion; turns below 180 degrees."""
        matrix = np.asarray(motion, dtype=float)
        rotation = matrix[:3, :3]
        skew = np.array(
            [rotation[2, 1] - rotation[1, 2], rotation[0, 2] - rotation[2, 0], rotation[1, 0] - rotation[0, 1]]
        )
        sine, cosine = 0.5 * float(np.linalg.norm(skew)), 0.5 * (float(np.trace(rotation)) - 1.0)
        angle = float(np.rad2deg(np.arctan2(sine, cosine)))
        turn = np.zeros(3) if sine < 1e-12 else skew / (2.0 * sine) * angle
        shift = transform_points(matrix, self.pivot_lps_mm) - self.pivot_lps_mm
        return np.concatenate([self.axes_lps @ turn, self.axes_lps @ shift])

    def to(self, other: Handle) -> Array:
        """Return the 6x6 matrix that takes the numbers of a small motion to those of another handle."""
        arm = other.pivot_lps_mm - self.pivot_lps_mm
        turned = other.axes_lps @ self.axes_lps.T
        # a small turn w (in radians) about the old pivot moves the new one by w x arm
        carried = np.cross(self.axes_lps, arm) * np.deg2rad(1.0)
        return np.block([[turned, np.zeros((3, 3))], [other.axes_lps @ carried.T, turned]])


def in_radians(covariance: npt.ArrayLike) -> Array:
    """Return a 6x6 covariance of three turns and three shifts with its turns in radians instead of degrees."""
    return _turns_scaled(covariance, np.deg2rad(1.0))


def in_degrees(covariance: npt.ArrayLike) -> Array:
    """Return a 6x6 covariance of three turns and three shifts with its turns in degrees instead of radians."""
    return _turns_scaled(covariance, np.rad2deg(1.0))


def _turns_scaled(covariance: npt.ArrayLike, factor: float) -> Array:
    scale = np.array([factor] * 3 + [1.0] * 3)
    return np.asarray(np.asarray(covariance, dtype=float) * np.outer(scale, scale))


def handle_of(carm: CArm, pivot_lps_mm: npt.ArrayLike) -> Handle:
    """Return the handle of a C-arm's detector about a point."""
    axes = np.stack([carm.column_direction_lps, carm.row_direction_lps, carm.normal_lps])
    return Handle(as_vector(pivot_lps_mm, "pivot"), read_only(axes))


def pose_between(start: CArm, end: CArm) -> Array:
    """Return the rigid 4x4 motion that takes one C-arm to another of the same build."""

    def placed(carm: CArm) -> Array:
        axes = np.stack([carm.column_direction_lps, carm.row_direction_lps, carm.normal_lps], axis=1)
        return rigid_matrix(axes, carm.source_lps_mm)

    return np.asarray(placed(end) @ np.linalg.inv(placed(start)))
