"""What errs between a plan and the cup in the patient, and how many procedures draw it.

Each thing that errs is a normal deviate of its own, independent of the others, about no error; only the size of the cup
is a step up or down. Things that err for one reason belong to one cause: shares of variance are told by cause.
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from enum import StrEnum

import numpy as np
from scipy.special import ndtr

from cotyle.space.arrays import Array


class Cause(StrEnum):
    """Why a cup does not end up as planned, or is not what the plan says it is."""

    LANDMARKS = "landmarks"
    EDGES = "bone-edges"
    PICTURE = "picture"
    POSTURE = "posture"
    HAND = "hand"
    DEPTH = "depth"
    SIZE = "size"


CAUSES = tuple(Cause)


@dataclass(frozen=True)
class Spreads:
    """One standard deviation of each thing that errs; zero leaves it out.

    plane_*: how well the found pelvic frame is known; ``native_center_mm`` the native hip centre, along each axis.
    wall_mm, least_wall_mm, coverage: of the plan's own figures, from the bone's edges (coverage as a share).
    picture_*: of the pelvis' place in the picture that guides the hand, about and along the axes of the levelled
    pelvis; ``picture_across_mm`` along each of the two directions in the picture. ``standing_tilt_deg``: of the change
    of tilt from the table to standing. hand_*: between what the picture last showed and the cup in the bone;
    ``hand_across_mm`` along each of two directions at right angles to the cup's axis. ``depth_mm``: along that axis.
    one_size_up, one_size_down: chances, 0 to 1, that the cup is one size larger or smaller than planned.
    """

    plane_tilt_deg: float = 0.0
    plane_rotation_deg: float = 0.0
    plane_obliquity_deg: float = 0.0
    native_center_mm: float = 0.0
    wall_mm: float = 0.0
    least_wall_mm: float = 0.0
    coverage: float = 0.0
    picture_tilt_deg: float = 0.0
    picture_rotation_deg: float = 0.0
    picture_turn_deg: float = 0.0
    picture_across_mm: float = 0.0
    picture_depth_mm: float = 0.0
    standing_tilt_deg: float = 0.0
    hand_inclination_deg: float = 0.0
    hand_anteversion_deg: float = 0.0
    hand_across_mm: float = 0.0
    depth_mm: float = 0.0
    one_size_up: float = 0.0
    one_size_down: float = 0.0

    def only(self, *causes: Cause) -> Spreads:
        """Return the spreads of some causes, all others zero."""
        kept = {name for cause in causes for name in _FIELDS[cause]}
        return Spreads(**{each.name: getattr(self, each.name) for each in fields(self) if each.name in kept})

    def without(self, *causes: Cause) -> Spreads:
        """Return the spreads with some causes set to zero."""
        return self.only(*(cause for cause in CAUSES if cause not in causes))


_FIELDS: dict[Cause, tuple[str, ...]] = {
    Cause.LANDMARKS: ("plane_tilt_deg", "plane_rotation_deg", "plane_obliquity_deg", "native_center_mm"),
    Cause.EDGES: ("wall_mm", "least_wall_mm", "coverage"),
    Cause.PICTURE: (
        "picture_tilt_deg",
        "picture_rotation_deg",
        "picture_turn_deg",
        "picture_across_mm",
        "picture_depth_mm",
    ),
    Cause.POSTURE: ("standing_tilt_deg",),
    Cause.HAND: ("hand_inclination_deg", "hand_anteversion_deg", "hand_across_mm"),
    Cause.DEPTH: ("depth_mm",),
    Cause.SIZE: ("one_size_up", "one_size_down"),
}


@dataclass(frozen=True, eq=False)
class Errors:
    """What erred in each of n procedures.

    ``plane_deg``, ``picture_deg`` (n, 3): turns about left, superior and posterior. ``native_mm`` (n, 3).
    ``figures`` (n, 3): of wall along the axis (mm), least wall (mm), coverage. ``picture_mm`` (n, 3): along left,
    superior, posterior. ``standing_deg``, ``depth_mm`` (n,). ``hand_deg`` (n, 2): inclination, anteversion.
    ``hand_mm`` (n, 2). ``sizes`` (n,): steps of size, -1, 0 or 1.
    """

    plane_deg: Array
    native_mm: Array
    figures: Array
    picture_deg: Array
    picture_mm: Array
    standing_deg: Array
    hand_deg: Array
    hand_mm: Array
    depth_mm: Array
    sizes: Array

    def of_cause(self, cause: Cause) -> Array:
        """Return what one cause drew (n, m), as columns."""
        columns = {
            Cause.LANDMARKS: (self.plane_deg, self.native_mm),
            Cause.EDGES: (self.figures,),
            Cause.PICTURE: (self.picture_deg, self.picture_mm),
            Cause.POSTURE: (self.standing_deg[:, None],),
            Cause.HAND: (self.hand_deg, self.hand_mm),
            Cause.DEPTH: (self.depth_mm[:, None],),
            Cause.SIZE: (self.sizes[:, None],),
        }
        return np.hstack(columns[cause])


_DEVIATES = 22


def standard_deviates(count: int, seed: int) -> Array:
    """Return standard normal deviates (count, 22) for :func:`errors_of`; the same seed gives the same ones."""
    return np.random.default_rng(seed).standard_normal((count, _DEVIATES))


def errors_of(spreads: Spreads, deviates: Array) -> Errors:
    """Return the errors that standard deviates (n, 22) stand for; other spreads change no other cause's deviates."""
    s, z = spreads, deviates
    share = ndtr(z[:, 21])
    return Errors(
        plane_deg=z[:, 0:3] * [s.plane_tilt_deg, s.plane_rotation_deg, s.plane_obliquity_deg],
        native_mm=z[:, 3:6] * s.native_center_mm,
        figures=z[:, 6:9] * [s.wall_mm, s.least_wall_mm, s.coverage],
        picture_deg=z[:, 9:12] * [s.picture_tilt_deg, s.picture_rotation_deg, s.picture_turn_deg],
        picture_mm=z[:, 12:15] * [s.picture_across_mm, s.picture_across_mm, s.picture_depth_mm],
        standing_deg=z[:, 15] * s.standing_tilt_deg,
        hand_deg=z[:, 16:18] * [s.hand_inclination_deg, s.hand_anteversion_deg],
        hand_mm=z[:, 18:20] * s.hand_across_mm,
        depth_mm=z[:, 20] * s.depth_mm,
        sizes=(share > 1.0 - s.one_size_up).astype(float) - (share < s.one_size_down),
    )
