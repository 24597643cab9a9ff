"""How far a found pose of the C-arm is from the true one, in the words of the table of what registration must show.

Both poses map the scan into a camera's own axes. Differences are found minus true:

- **in plane**: where the operated hip's centre falls on the detector, in mm at the hip (pixels times the true pitch
  over the true magnification): column and row, and their length;
- **turns**: the rotation vector that takes the scan as the true camera sees it to how the found one sees it, in
  degrees about the direction of columns (tilt: head towards or away), that of rows (axial rotation of a patient whose
  length runs along them) and the beam (in-plane rotation), by the right-hand rule about columns, rows, columns x rows;
- **depth**: distance of the hip's centre from the source along the detector's normal.

A wrong pitch or distance shifts depth and leaves the rest: where the stated geometry is wrong, depth is not judged.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from cotyle.cup.component import Cup
from cotyle.cup.orientation import Definition, orientation_of_axis
from cotyle.space.arrays import Array
from cotyle.space.frames import Frame
from cotyle.xray.carm import CArm
from scipy.spatial.transform import Rotation

QUANTITIES = ("column_mm", "row_mm", "turn_deg", "tilt_deg", "axial_deg", "depth_mm")
"""Names under which a registration states its 95 % intervals."""

CUP_QUANTITIES = ("inclination_deg", "anteversion_deg", "column_mm", "row_mm")
"""Names under which those of a cup are stated: angles, and its centre along the detector's columns and rows."""


@dataclass(frozen=True)
class PoseError:
    """Signed errors, see the module; ``column_mm`` and ``row_mm`` at the hip."""

    column_mm: float
    row_mm: float
    turn_deg: float
    tilt_deg: float
    axial_deg: float
    depth_mm: float

    @property
    def in_plane_mm(self) -> float:
        """Length of the error in the plane of the detector, at the hip."""
        return float(np.hypot(self.column_mm, self.row_mm))


@dataclass(frozen=True, eq=False)
class Found:
    """What a registration gave: the pose, its verdict and half the width of its 95 % interval for each quantity.

    verdict: ``converged``, ``doubtful`` or ``failed``. carm is None where it gave no pose. half_width_95 uses the names
    of :data:`QUANTITIES`; what is not stated counts as not covered. doubts: what was said about it in words. cup: the
    cup that was found in the picture, cup_verdict and cup_half_width_95 what was said of it, by :data:`CUP_QUANTITIES`.
    seconds: CPU time of all threads for the pose alone; wall_seconds: by the clock on the wall.
    """

    carm: CArm | None
    verdict: str
    half_width_95: Mapping[str, float] = field(default_factory=dict)
    seconds: float = float("nan")
    doubts: tuple[str, ...] = ()
    cup: Cup | None = None
    cup_verdict: str = ""
    cup_half_width_95: Mapping[str, float] = field(default_factory=dict)
    wall_seconds: float = float("nan")


def pose_error(found: CArm, true: CArm, hip_lps_mm: Array) -> PoseError:
    """Return the errors of a pose at a hip; both cameras have the same number of pixels."""
    if found.size != true.size:
        raise ValueError(f"poses of pictures of {found.size} and {true.size} pixels can't be compared")
    apart_px = found.project(hip_lps_mm) - true.project(hip_lps_mm)
    column, row = apart_px * np.asarray(true.pixel_pitch_mm) / true.magnification(hip_lps_mm)
    tilt, axial, turn = turns_deg(found, true)
    depth = float(found.depth_mm(hip_lps_mm) - true.depth_mm(hip_lps_mm))
    return PoseError(float(column), float(row), turn, tilt, axial, depth)


def turns_deg(found: CArm, true: CArm) -> tuple[float, float, float]:
    """Return the turn of the scan in the camera's axes about columns, rows and beam."""
    found_axes, true_axes = (_right_handed_axes(each) for each in (found, true))
    about_columns, about_rows, about_beam = np.rad2deg(Rotation.from_matrix(found_axes @ true_axes.T).as_rotvec())
    return float(about_columns), float(about_rows), float(about_beam)


def _right_handed_axes(carm: CArm) -> Array:
    columns, rows = carm.column_direction_lps, carm.row_direction_lps
    return np.stack([columns, rows, np.cross(columns, rows)])


@dataclass(frozen=True)
class Limits:
    """Median and 95th percentile that each quantity must keep."""

    in_plane_mm: tuple[float, float] = (0.15, 0.6)
    turn_deg: tuple[float, float] = (0.1, 0.4)
    tilt_deg: tuple[float, float] = (0.3, 1.0)
    axial_deg: tuple[float, float] = (0.3, 1.0)
    depth_mm: tuple[float, float] = (1.0, 3.0)


ONE_VIEW = Limits()
TWO_VIEWS = Limits(tilt_deg=(0.2, 0.6), axial_deg=(0.2, 0.6), depth_mm=(0.5, 1.5))


def is_success(error: PoseError, limits: Limits = ONE_VIEW, with_depth: bool = True) -> bool:
    """Return whether every quantity lies within the limit of its 95th percentile; a NaN does not."""
    judged = ["in_plane_mm", "turn_deg", "tilt_deg", "axial_deg", *(["depth_mm"] if with_depth else [])]
    return all(abs(getattr(error, name)) <= getattr(limits, name)[1] for name in judged)


def covered(error: PoseError, half_width_95: Mapping[str, float], with_depth: bool = True) -> dict[str, bool]:
    """Return for each quantity whether the stated interval holds the truth."""
    names = [name for name in QUANTITIES if with_depth or name != "depth_mm"]
    return {name: abs(getattr(error, name)) <= half_width_95.get(name, -1.0) for name in names}


def coverage_share(all_covered: Sequence[Mapping[str, bool]]) -> dict[str, float]:
    """Return the share of trials whose interval held the truth, by quantity."""
    return {
        name: float(np.mean([each[name] for each in all_covered if name in each]))
        for name in dict.fromkeys((*QUANTITIES, *CUP_QUANTITIES))
        if any(name in each for each in all_covered)
    }


@dataclass(frozen=True)
class CupError:
    """Errors of a found cup: radiographic angles to a frame, and its centre along columns and rows, in mm."""

    inclination_deg: float
    anteversion_deg: float
    column_mm: float
    row_mm: float

    @property
    def center_in_plane_mm(self) -> float:
        """Length of the centre's error parallel to the detector."""
        return float(np.hypot(self.column_mm, self.row_mm))


def cup_error(found: Cup, true: Cup, carm: CArm, frame: Frame) -> CupError:
    """Return the errors of a cup, found minus true, seen in the picture of the true pose ``carm``.

    The frame is the same for both: how well it is known itself is the CT's affair.
    """
    angles = [
        orientation_of_axis(cup.opening_axis_lps, frame, true.side, Definition.RADIOGRAPHIC) for cup in (found, true)
    ]
    shift = found.center_lps_mm - true.center_lps_mm
    return CupError(
        angles[0].inclination_deg - angles[1].inclination_deg,
        angles[0].anteversion_deg - angles[1].anteversion_deg,
        float(shift @ carm.column_direction_lps),
        float(shift @ carm.row_direction_lps),
    )


def cup_covered(error: CupError, half_width_95: Mapping[str, float]) -> dict[str, bool]:
    """Return for each of :data:`CUP_QUANTITIES` whether the stated interval holds the truth."""
    return {name: abs(getattr(error, name)) <= half_width_95.get(name, -1.0) for name in CUP_QUANTITIES}
