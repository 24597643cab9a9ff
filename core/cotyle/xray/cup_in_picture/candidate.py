"""One circle that may be the cup, and how well it is known: by the picture alone, and with the pose of the C-arm."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from cotyle.errors import InputError
from cotyle.space.arrays import Array, as_vector, read_only, unit
from cotyle.space.shapes import Circle
from cotyle.xray.carm import CArm
from cotyle.xray.cup_in_picture.circle_poses import circles_behind
from cotyle.xray.cup_in_picture.rim_ellipse import RimEllipse
from cotyle.xray.cup_in_picture.shell_fit import ShellFit
from cotyle.xray.ellipse import Ellipse

# what edges err by together, at the cup: at least, and as a multiple of how far they lie off the outline one by one;
# what that does to the place; set so that stated intervals hold (docs/methods/cup_in_picture.md)
_EDGES_MM, _OF_RESIDUAL, _PLACE = 0.15, 1.5, 0.6


@dataclass(frozen=True, eq=False)
class Candidate:
    """A circle and its covariance.

    Parameters
    ----------
    rim:
        Outer rim, its normal out of the mouth.
    covariance:
        Of the centre (LPS mm) and the opening axis (LPS), with what the pose adds, shape (6, 6).
    picture_covariance:
        The same without what the pose adds.
    """

    rim: Circle
    covariance: Array
    picture_covariance: Array

    @property
    def axis_deviation_deg(self) -> float:
        """Deviation of the axis in its worst direction, by the picture alone."""
        return float(np.rad2deg(np.sqrt(np.linalg.eigvalsh(self.picture_covariance[3:, 3:])[-1])))

    def holding(self, other: Candidate, chance: float) -> Candidate:
        """Return it with the chance that the other one is right in its covariance."""
        off = np.concatenate(
            [other.rim.center_lps_mm - self.rim.center_lps_mm, other.rim.normal_lps - self.rim.normal_lps]
        )
        add = chance * np.outer(off, off)
        return Candidate(self.rim, read_only(self.covariance + add), read_only(self.picture_covariance + add))

    def half_way_to(self, other: Candidate) -> Candidate:
        """Return the circle between it and another answer to the same question, half the way being a deviation."""
        off = np.concatenate(
            [other.rim.center_lps_mm - self.rim.center_lps_mm, other.rim.normal_lps - self.rim.normal_lps]
        )
        rim = Circle(
            self.rim.center_lps_mm + 0.5 * off[:3], unit(self.rim.normal_lps + 0.5 * off[3:]), self.rim.radius_mm
        )
        covariance = 0.5 * (self.picture_covariance + other.picture_covariance) + 0.25 * np.outer(off, off)
        return Candidate(rim, read_only(covariance), read_only(covariance))

    def with_pose(self, pose_covariance: npt.ArrayLike, pivot_lps_mm: npt.ArrayLike) -> Candidate:
        """Return it with the doubt of the C-arm's pose: turns (rad) about LPS axes through the pivot, then shift (mm).

        A cup is seen against the C-arm, so it errs as the C-arm's pose does.

        Raises
        ------
        InputError
            ``pose-covariance`` if it is not a 6x6 covariance.
        """
        given = np.asarray(pose_covariance, dtype=float)
        if given.shape != (6, 6) or not np.isfinite(given).all() or not np.allclose(given, given.T, atol=1e-9):
            raise InputError("pose-covariance", "the covariance of the C-arm's pose must be 6x6, finite and symmetric")
        arm = self.rim.center_lps_mm - as_vector(pivot_lps_mm, "pivot")
        moves = np.zeros((6, 6))
        for index, axis in enumerate(np.eye(3)):
            moves[:3, index] = np.cross(axis, arm)
            moves[3:, index] = np.cross(axis, self.rim.normal_lps)
        moves[:3, 3:] = np.eye(3)
        return replace(self, covariance=read_only(self.picture_covariance + moves @ given @ moves.T))


def candidate_of_fit(carm: CArm, fit: ShellFit, residual_mm: float) -> Candidate:
    """Return the circle of a fitted shell whose edges lie this far off its outline (root mean square)."""
    spread = _spread(fit.axes)
    covariance = spread @ fit.covariance @ spread.T + _common_errors(carm, fit.state.rim, residual_mm)
    return Candidate(fit.state.rim, read_only(covariance), read_only(covariance))


def candidate_of_clicks(carm: CArm, clicked: RimEllipse, expected: Circle) -> tuple[Candidate, Candidate]:
    """Return both circles behind a clicked ellipse; the mouth looks to the side that the expected rim's does."""
    ellipse, pitch = clicked.ellipse_px, carm.pixel_pitch_mm[0]
    numbers = np.array(
        [
            *ellipse.center,
            ellipse.semi_major,
            ellipse.semi_minor,
            np.deg2rad(np.nan_to_num(ellipse.major_axis_angle_deg)),
        ]
    )

    def both(values: Array) -> tuple[Circle, Circle]:
        # an ellipse is as wide with its minor axis taken the other way round
        shape = Ellipse(values[:2], float(values[2]), abs(float(values[3])), float(np.rad2deg(values[4])))
        return circles_behind(carm, shape.scaled(pitch), expected.radius_mm, expected.normal_lps)

    steps = np.minimum(np.sqrt(np.diag(clicked.covariance)), [1.0, 1.0, 1.0, 0.5 * ellipse.semi_minor + 1e-3, 0.02])
    found = []
    for which, rim in enumerate(both(numbers)):
        changes = np.zeros((6, 5))
        for index, step in enumerate(np.diag(steps)):
            high, low = both(numbers + step)[which], both(numbers - step)[which]
            changes[:3, index] = (high.center_lps_mm - low.center_lps_mm) / (2.0 * step[index])
            changes[3:, index] = (high.normal_lps - low.normal_lps) / (2.0 * step[index])
        covariance = changes @ clicked.covariance @ changes.T
        found.append(Candidate(rim, read_only(covariance), read_only(covariance)))
    return found[0], found[1]


def _spread(axes: Array) -> Array:
    """Return the matrix from shifts along three axes and turns about two of them to centre and axis in LPS."""
    spread = np.zeros((6, 5))
    spread[:3, :3] = axes.T
    spread[3:, 3] = np.cross(axes[0], axes[2])
    spread[3:, 4] = np.cross(axes[1], axes[2])
    return spread


def _common_errors(carm: CArm, rim: Circle, residual_mm: float) -> Array:
    """Return the covariance of edges that err together; noise of single pixels doesn't show it.

    All edges further out: the cup is nearer to the source. The rim's against the dome's: the axis turns, the more the
    rounder the ellipse.
    """
    edges_mm = float(np.hypot(_EDGES_MM, _OF_RESIDUAL * residual_mm))
    ray = unit(rim.center_lps_mm - carm.source_lps_mm)
    away = float(np.linalg.norm(rim.center_lps_mm - carm.source_lps_mm))
    across_ray = float(np.linalg.norm(np.cross(ray, rim.normal_lps)))
    turn = edges_mm / rim.radius_mm / max(across_ray, 0.2)
    covariance = np.zeros((6, 6))
    covariance[:3, :3] = (_PLACE * edges_mm) ** 2 * np.eye(3)
    covariance[:3, :3] += (away * edges_mm / rim.radius_mm) ** 2 * np.outer(ray, ray)
    covariance[3:, 3:] = turn**2 * (np.eye(3) - np.outer(rim.normal_lps, rim.normal_lps))
    return covariance
