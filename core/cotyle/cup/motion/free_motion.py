"""Neck and bone together: what stops each motion first, and how much is to spare."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from cotyle.cup.motion.bone_range import FARTHEST_DEG, BoneLimit, PlacedHip
from cotyle.cup.motion.cone import turn_limit_deg
from cotyle.cup.motion.contact import turn_until
from cotyle.cup.motion.motions import Motion
from cotyle.cup.motion.neck_range import Neck, neck_limit_deg, radiographic_axes
from cotyle.space.arrays import Array

_WINDOW_STEP_DEG, _WINDOW_MOST_DEG = 0.1, 60.0


class First(StrEnum):
    """What stops a motion first."""

    NECK = "neck on the rim"
    BONE = "bone on bone"
    NEITHER = "neither"


@dataclass(frozen=True, eq=False)
class FreeMotion:
    """One motion. ``neck_deg`` and ``bone``: None where they weren't looked at.

    neck_deg: as of :func:`cotyle.cup.motion.neck_range.neck_limit_deg`. limit_deg: the lesser of what is known, NaN
    where it can't begin.
    """

    motion: Motion
    neck_deg: float | None
    bone: BoneLimit | None
    limit_deg: float
    first: First

    @property
    def margin_deg(self) -> float | None:
        """Limit less wanted angle; minus infinity where the motion can't begin."""
        if self.motion.wanted_deg is None:
            return None
        return -np.inf if np.isnan(self.limit_deg) else self.limit_deg - self.motion.wanted_deg


def free_motions(
    axis: Array, neck: Neck | None, bones: Sequence[BoneLimit] | None, motions: Sequence[Motion]
) -> tuple[FreeMotion, ...]:
    """Return the motions of one cup.

    Parameters
    ----------
    axis:
        Unit opening axis (3,), hip-sided components of the posture's frame.
    neck, bones:
        None for what isn't known; ``bones`` in the order of the motions.
    """
    found = []
    for number, motion in enumerate(motions):
        neck_deg = None if neck is None else float(neck_limit_deg(axis, neck, motion))
        bone = None if bones is None else bones[number]
        known = [value for value in (neck_deg, bone.limit_deg if bone else None) if value is not None]
        limit = float(np.min(known)) if known else np.inf  # NaN wins
        found.append(FreeMotion(motion, neck_deg, bone, limit, _first(neck_deg, bone)))
    return tuple(found)


def _first(neck_deg: float | None, bone: BoneLimit | None) -> First:
    bone_deg = np.inf if bone is None else 0.0 if np.isnan(bone.limit_deg) else bone.limit_deg
    neck = np.inf if neck_deg is None else 0.0 if np.isnan(neck_deg) else neck_deg
    if np.isinf(bone_deg) and np.isinf(neck):
        return First.NEITHER
    return First.NECK if neck <= bone_deg else First.BONE


def free_window_deg(
    inclination_deg: float, anteversion_deg: float, neck: Neck, motions: Sequence[Motion], vary: str
) -> tuple[float, float] | None:
    """Return between which radiographic angles the neck allows every wanted motion, the other angle held.

    vary: ``inclination`` or ``anteversion``. None where the cup itself doesn't allow them all. In steps of 0.1 deg, 60
    deg to either side at most.
    """
    asked = [motion for motion in motions if motion.wanted_deg is not None]
    wanted = np.array([motion.wanted_deg for motion in asked])
    steps = np.arange(0.0, _WINDOW_MOST_DEG + 1e-9, _WINDOW_STEP_DEG)

    def last_free(sign: float) -> float | None:
        moved = sign * steps
        axes = radiographic_axes(
            inclination_deg + (moved if vary == "inclination" else 0.0),
            anteversion_deg + (moved if vary == "anteversion" else 0.0),
        )
        limits = np.stack([np.nan_to_num(neck_limit_deg(axes, neck, each), nan=-np.inf) for each in asked])
        barred = np.flatnonzero((limits < wanted[:, None]).any(axis=0))
        if len(barred) == 0:
            return _WINDOW_MOST_DEG
        return None if barred[0] == 0 else float(steps[barred[0] - 1])

    back, on = last_free(-1.0), last_free(1.0)
    start = inclination_deg if vary == "inclination" else anteversion_deg
    return None if back is None or on is None else (start - back, start + on)


@dataclass(frozen=True, eq=False)
class Reach:
    """How far the thigh leans from neutral in directions round about: 0 forward, 90 outward, 180 back, 270 inward.

    Limits (n,) in degrees, infinite where nothing is met; None where it wasn't looked at.
    """

    direction_deg: Array
    neck_deg: Array | None
    bone_deg: Array | None


def reach(axis: Array, neck: Neck | None, hip: PlacedHip | None, count: int) -> Reach:
    """Return the reach in ``count`` directions; the thigh turns about the level axis across each, without rotation."""
    directions = np.arange(count) * 360.0 / count
    turning = [np.array([np.cos(turn), -np.sin(turn), 0.0]) for turn in np.radians(directions)]
    necks = bones = None
    if neck is not None:
        u = neck.stem.neck
        necks = np.array([float(turn_limit_deg(axis, u, k, neck.free_lean_deg)) for k in turning])
    if hip is not None and not hip.overlap:
        bones = np.full(count, np.inf)
        for number, k in enumerate(turning):
            touch = turn_until(hip.body, hip.obstacle, k, np.zeros(3), FARTHEST_DEG)[1]
            bones[number] = np.inf if touch is None else touch.angle_deg
    return Reach(directions, necks, bones)
