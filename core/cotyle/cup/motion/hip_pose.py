"""Poses of the thigh against the pelvis, and the six ways to move it on.

Components are hip-sided: x lateral, y anterior, z superior in a posture's frame, for left and right hips alike. A pose
is flexion about the pelvis' own transverse axis, then abduction about the axis between, then rotation about the femur's
long axis: the joint coordinate system of Grood and Suntay (J Biomech Eng 1983;105:136) as recommended for the hip by Wu
et al., J Biomech 2002;35:543-8. In neutral the femur's axes are the frame's.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import StrEnum

import numpy as np

from cotyle.space.arrays import Array
from cotyle.space.rotations import rotation_matrix

_LATERAL, _ANTERIOR, _SUPERIOR = np.eye(3)


@dataclass(frozen=True)
class HipPose:
    """Flexion, abduction and internal rotation in degrees; extension, adduction and external rotation are negative."""

    flexion_deg: float = 0.0
    abduction_deg: float = 0.0
    internal_rotation_deg: float = 0.0


NEUTRAL = HipPose()


class Move(StrEnum):
    """One way to move the thigh on from a pose."""

    FLEXION = "flexion"
    EXTENSION = "extension"
    ABDUCTION = "abduction"
    ADDUCTION = "adduction"
    INTERNAL_ROTATION = "internal rotation"
    EXTERNAL_ROTATION = "external rotation"


_BACKWARD = {Move.EXTENSION, Move.ADDUCTION, Move.EXTERNAL_ROTATION}


def rotation_of(pose: HipPose) -> Array:
    """Return the matrix (3, 3) that takes the femur's components in neutral to those in a pose."""
    return np.asarray(
        rotation_matrix(_LATERAL, pose.flexion_deg)
        @ rotation_matrix(-_ANTERIOR, pose.abduction_deg)
        @ rotation_matrix(_SUPERIOR, pose.internal_rotation_deg)
    )


def turning_axis(pose: HipPose, move: Move) -> Array:
    """Return the axis (3,) about which a move turns the whole thigh by the right-hand rule of the components."""
    sign = -1.0 if move in _BACKWARD else 1.0
    flexed = rotation_matrix(_LATERAL, pose.flexion_deg)
    if move in (Move.FLEXION, Move.EXTENSION):
        return sign * _LATERAL
    if move in (Move.ABDUCTION, Move.ADDUCTION):
        return np.asarray(flexed @ (-sign * _ANTERIOR))
    return np.asarray(flexed @ rotation_matrix(-_ANTERIOR, pose.abduction_deg) @ (sign * _SUPERIOR))


def moved_on(pose: HipPose, move: Move, by_deg: float) -> HipPose:
    """Return the pose after a move."""
    by = -by_deg if move in _BACKWARD else by_deg
    if move in (Move.FLEXION, Move.EXTENSION):
        return replace(pose, flexion_deg=pose.flexion_deg + by)
    if move in (Move.ABDUCTION, Move.ADDUCTION):
        return replace(pose, abduction_deg=pose.abduction_deg + by)
    return replace(pose, internal_rotation_deg=pose.internal_rotation_deg + by)


def way_to(pose: HipPose) -> list[tuple[HipPose, Move, float]]:
    """Return the moves that lead from neutral to a pose, each with where it begins and its degrees: flexion first."""
    steps: list[tuple[HipPose, Move, float]] = []
    here = NEUTRAL
    for value, forward, backward in (
        (pose.flexion_deg, Move.FLEXION, Move.EXTENSION),
        (pose.abduction_deg, Move.ABDUCTION, Move.ADDUCTION),
        (pose.internal_rotation_deg, Move.INTERNAL_ROTATION, Move.EXTERNAL_ROTATION),
    ):
        if value != 0.0:
            move = forward if value > 0 else backward
            steps.append((here, move, abs(value)))
            here = moved_on(here, move, abs(value))
    return steps
