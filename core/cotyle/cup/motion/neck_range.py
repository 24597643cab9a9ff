"""How far the hip moves before the neck meets the rim: of one cup, and over a field of orientations."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from cotyle.cup.motion.cone import lean_deg, turn_limit_deg
from cotyle.cup.motion.hip_pose import HipPose, rotation_of, turning_axis
from cotyle.cup.motion.implant import Stem
from cotyle.cup.motion.motions import Motion
from cotyle.space.arrays import Array


@dataclass(frozen=True)
class Neck:
    """The neck in its liner: its stem, and how far it leans from the opening axis before it meets the rim."""

    stem: Stem
    free_lean_deg: float


def neck_limit_deg(axes: npt.ArrayLike, neck: Neck, motion: Motion) -> Array:
    """Return how far a motion goes, shape (...), for unit opening axes (..., 3) in a posture's hip-sided components.

    NaN where the neck is past the rim where the motion begins, infinite where it never meets it.
    """
    turned = rotation_of(motion.start) @ neck.stem.neck
    return turn_limit_deg(axes, turned, turning_axis(motion.start, motion.move), neck.free_lean_deg)


def pose_margin_deg(axes: npt.ArrayLike, neck: Neck, pose: HipPose) -> Array:
    """Return how much farther the neck may lean in a pose, shape (...); below zero it is past the rim."""
    return np.asarray(neck.free_lean_deg - lean_deg(axes, rotation_of(pose) @ neck.stem.neck))


def radiographic_axes(inclination_deg: npt.ArrayLike, anteversion_deg: npt.ArrayLike) -> Array:
    """Return opening axes (..., 3) of radiographic angles that broadcast together (Murray 1993)."""
    inclination, anteversion = np.broadcast_arrays(np.radians(inclination_deg), np.radians(anteversion_deg))
    si, ci, sa, ca = np.sin(inclination), np.cos(inclination), np.sin(anteversion), np.cos(anteversion)
    return np.stack([si * ca, sa, -ci * ca], axis=-1)


@dataclass(frozen=True, eq=False)
class MotionMap:
    """Limits over a field of radiographic orientations.

    inclination_deg (n,), anteversion_deg (m,). limits_deg: by motion, (m, n), as of :func:`neck_limit_deg`.
    margin_deg (m, n): least of limit less wanted angle over the motions that have one; -inf where one can't begin.
    tightest (m, n): number of that motion.
    """

    inclination_deg: Array
    anteversion_deg: Array
    motions: tuple[Motion, ...]
    limits_deg: Array
    margin_deg: Array
    tightest: npt.NDArray[np.int64]


def motion_map(
    neck: Neck, motions: Sequence[Motion], inclination_deg: npt.ArrayLike, anteversion_deg: npt.ArrayLike
) -> MotionMap:
    """Return the limits of every motion over a field; those that nobody wants anything of bear on no margin."""
    inclinations, anteversions = (np.asarray(each, dtype=float) for each in (inclination_deg, anteversion_deg))
    axes = radiographic_axes(inclinations[None, :], anteversions[:, None])
    limits = np.stack([neck_limit_deg(axes, neck, motion) for motion in motions])
    wanted = np.array([np.nan if motion.wanted_deg is None else motion.wanted_deg for motion in motions])
    asked = np.flatnonzero(np.isfinite(wanted))
    spare = np.nan_to_num(limits[asked], nan=-np.inf, posinf=np.inf) - wanted[asked, None, None]
    tightest = asked[np.argmin(spare, axis=0)]
    return MotionMap(inclinations, anteversions, tuple(motions), limits, spare.min(axis=0), tightest)
