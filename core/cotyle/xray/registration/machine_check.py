"""What an error in the stated machine does to a pose, and whether the picture itself speaks for another machine.

A wrong source-detector distance moves the pose in depth, a detector that is shifted sideways moves it sideways and
turns it. What a change of the pose cannot imitate shows in the residuals; there the machine's errors are estimated.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from cotyle.space.arrays import Array
from cotyle.xray.carm import CArm
from cotyle.xray.projector.line_integrals import ReadyVolume, line_integrals_of
from cotyle.xray.registration.edges import gradients
from cotyle.xray.registration.linear import Linear, in_blocks
from cotyle.xray.registration.motion import Handle

_STEPS = np.array([0.001, 0.3, 0.3])
_LARGE_STEPS = np.array([0.01, 3.0, 3.0])
# Evidence of distance and columns together, in squared standard deviations, beyond which the picture speaks against the
# machine: chance once in 200. The rows are left out, as flesh shades along the body.
_EVIDENCE = 10.5
_TO_EXCLUDE = np.array([0.01, 3.0, 3.0])
"""Errors that would have to be seen: where they can't be excluded with 95 %, it is said what they would change."""


@dataclass(frozen=True, eq=False)
class MachineCheck:
    """Errors of the machine: share of the source-detector distance, detector along columns and along rows in mm.

    Parameters
    ----------
    estimate, sd:
        What the picture says of each, and one standard deviation.
    pose_change:
        6x3: change of the six numbers of the pose for each error of the machine (a share of 1, 1 mm, 1 mm).
    doubts:
        Sentences, where the picture speaks for another machine than the stated one, or can't tell.
    """

    estimate: Array
    sd: Array
    pose_change: Array
    doubts: tuple[str, ...]


def check_machine(linear: Linear, bone: ReadyVolume, carm: CArm, handle: Handle) -> MachineCheck:
    """Return what the picture says of the machine at the pose of a match.

    Parameters
    ----------
    linear, bone:
        The match to first order at its optimum, and the bone of that match.
    carm, handle:
        Pose of that match, of the size of the edge picture, and what its six numbers refer to.
    """
    slopes = _slopes(linear, bone, carm, handle, _STEPS, np.zeros((6, 3)))
    pose_change = _imitated(linear, slopes)
    # what no change of the pose can imitate is small beside either: it is looked at along both at once, in large steps
    own = _slopes(linear, bone, carm, handle, _LARGE_STEPS, pose_change)
    own = own + np.tensordot(_imitated(linear, own).T, linear.slopes, axes=1)
    own_weighted = linear.weight * own
    inverse = np.linalg.inv(_flat(own_weighted) @ _flat(own).T + 1e-9 * np.eye(3))
    pulls = in_blocks((own_weighted * linear.residual).sum(axis=1))
    estimate = inverse @ pulls.sum(axis=1)
    sd = np.sqrt(np.diag(inverse @ (pulls @ pulls.T) @ inverse))
    return MachineCheck(estimate, sd, pose_change, _doubts(estimate, sd, pose_change))


def _slopes(
    linear: Linear, bone: ReadyVolume, carm: CArm, handle: Handle, steps: Array, pose_change: Array
) -> npt.NDArray[Any]:
    """Change of the simulated edges for each error of the machine, the pose changing with it, (3, 2, rows, columns).

    Steps go both ways: a picture that is blurred otherwise than the simulated one would pass for another machine by the
    second order of a step one way.
    """
    changed = [
        other_machine(handle.moved(carm, way * step * change), *(way * step * unit))
        for way in (1.0, -1.0)
        for step, unit, change in zip(steps, np.eye(3), pose_change.T, strict=True)
    ]
    pictures = [gradients(each) for each in line_integrals_of(bone, changed)]
    return np.stack(
        [
            linear.gain * (up - down) / (2.0 * step)
            for up, down, step in zip(pictures[:3], pictures[3:], steps, strict=True)
        ]
    )


def _imitated(linear: Linear, slopes: npt.NDArray[Any]) -> Array:
    """6x3: the change of the pose that undoes each of some changes of the edges best."""
    weighted = linear.weight * linear.slopes
    return np.asarray(-np.linalg.solve(linear.invertible, _flat(weighted) @ _flat(slopes).T), dtype=float)


def other_machine(carm: CArm, distance_share: float, along_columns_mm: float, along_rows_mm: float) -> CArm:
    """Return the C-arm with a longer source-detector distance (by a share) and a detector shifted in its plane."""
    away = distance_share * carm.source_detector_mm * carm.normal_lps
    aside = along_columns_mm * carm.column_direction_lps + along_rows_mm * carm.row_direction_lps
    return replace(carm, detector_origin_lps_mm=carm.detector_origin_lps_mm + away + aside)


def _flat(pictures: npt.NDArray[Any]) -> Array:
    return np.asarray(pictures.reshape(len(pictures), -1), dtype=float)


def _doubts(estimate: Array, sd: Array, pose_change: Array) -> tuple[str, ...]:
    share, away = 100.0 * estimate[0], float(np.hypot(*estimate[1:]))
    if float(((estimate / np.maximum(sd, 1e-9))[:2] ** 2).sum()) > _EVIDENCE:
        return (
            f"the picture does not fit the stated machine (distance from source to detector {share:+.1f} %, detector "
            f"{away:.0f} mm beside its place): depth and sideways shifts are doubtful",
        )
    if (np.abs(estimate) + 1.96 * sd <= _TO_EXCLUDE).all():
        return ()
    moved = np.abs(pose_change * _TO_EXCLUDE).sum(axis=1)
    return (
        "the picture alone can't tell whether the machine is as stated: were its distance from source to detector 1 % "
        f"and the place of its detector 3 mm wrong, depth would be up to {moved[5]:.0f} mm, the place across the beam "
        f"{moved[3:5].max():.1f} mm and turns {moved[:3].max():.1f} deg off",
    )
