"""Cups that were tried: variables in, estimated figures, gains and the room left by each limit out."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from cotyle.cup.center import hip_axes
from cotyle.cup.component import LARGEST_CUP_MM, Cup
from cotyle.cup.coverage import rim_directions
from cotyle.cup.options.limits import (
    ANTERIOR,
    ANTEVERSION,
    INCLINATION,
    MEDIAL,
    SIZE,
    SUPERIOR,
    Limits,
    Pins,
)
from cotyle.cup.options.quick import (
    ABOVE,
    ALONG,
    BACK_WALL,
    COVER,
    FRONT_WALL,
    LEAST,
    REMOVED,
    Ground,
    quick_figures,
)
from cotyle.cup.orientation import Orientation, axis_from_orientation
from cotyle.cup.posture import Zone
from cotyle.space.arrays import Array, BoolArray, IntArray
from cotyle.space.frames import Frame
from cotyle.space.side import Side


class Bound(StrEnum):
    """Limits that a cup can break."""

    LEAST_WALL = "least-wall"
    LARGEST_RISE = "largest-rise"
    LEAST_COVER = "least-cover"
    LARGEST_SIZE = "largest-size"


BOUNDS = tuple(Bound)
# How much of each limit weighs alike when all are broken: mm, mm, share, mm.
BOUND_SCALES = np.array([2.0, 5.0, 0.1, 4.0])


_THROUGH_MM = 0.01


@dataclass(frozen=True, eq=False)
class Question:
    """One hip and what is wanted of it.

    ``ground`` for the estimates; ``frame`` is the one of the words medial, superior, anterior and of the quarters;
    ``zone`` lies in ``zone_frame``; ``wanted_lps_mm`` (3,) is the centre to be restored; ``under_mm``
    how much smaller than the cup first and last reamer are.
    """

    ground: Ground
    side: Side
    frame: Frame
    native_diameter_mm: float
    wanted_lps_mm: Array
    zone: Zone
    zone_frame: Frame
    under_mm: tuple[float, float]
    limits: Limits
    pins: Pins

    @property
    def hip_axes(self) -> Array:
        """Medial, superior and anterior in rows, LPS."""
        return hip_axes(self.frame, self.side)

    @property
    def wanted(self) -> Array:
        """Shift (3,) of the wanted centre from the native one: medial, superior, anterior, mm."""
        return np.asarray(self.hip_axes @ (self.wanted_lps_mm - self.ground.native_center_lps_mm))

    def center_lps_mm(self, variables: Array) -> Array:
        """Return the centres of rows of variables (n, 6), LPS mm."""
        return np.asarray(self.ground.native_center_lps_mm + variables[:, [MEDIAL, SUPERIOR, ANTERIOR]] @ self.hip_axes)

    def opening_axis_lps(self, inclination_deg: float, anteversion_deg: float) -> Array:
        """Return the opening axis (3,) of angles in the zone's definition and frame."""
        orientation = Orientation(float(inclination_deg), float(anteversion_deg))
        return axis_from_orientation(orientation, self.zone.definition, self.zone_frame, self.side)

    def cup(self, variables: Array) -> Cup:
        """Return the cup of variables (6,)."""
        axis = self.opening_axis_lps(variables[INCLINATION], variables[ANTEVERSION])
        return Cup(self.side, self.center_lps_mm(variables[None])[0], axis, float(variables[SIZE]))


@dataclass(frozen=True, eq=False)
class Trials:
    """Cups tried: ``variables`` (n, 6), ``rows`` as estimated (n, 9), ``gains`` (n, 7), ``room`` (n, 4) left by limits.

    ``gains`` of cups that break a limit of cover or wall may hold NaN.
    """

    variables: Array
    rows: Array
    gains: Array
    room: Array

    @property
    def allowed(self) -> BoolArray:
        """Which cups keep all limits."""
        return np.asarray((self.room >= -1e-9).all(axis=1) & np.isfinite(self.gains).all(axis=1))

    def joined(self, other: Trials) -> Trials:
        """Return both."""
        pairs = ((getattr(self, n), getattr(other, n)) for n in ("variables", "rows", "gains", "room"))
        return Trials(*(np.concatenate(pair) for pair in pairs))

    def only(self, chosen: BoolArray) -> Trials:
        """Return a part."""
        return Trials(self.variables[chosen], self.rows[chosen], self.gains[chosen], self.room[chosen])


def tried(question: Question, variables: Array) -> Trials:
    """Estimate cups (n, 6)."""
    limits = question.limits
    variables = np.atleast_2d(np.asarray(variables, dtype=float))
    centers = question.center_lps_mm(variables)
    axes, which = _axes(question, variables)
    least_cover, least_wall = limits.least_cover, limits.least_wall_mm
    rows = quick_figures(
        question.ground,
        centers,
        axes[which],
        variables[:, SIZE] / 2.0,
        question.under_mm,
        least_cover,
        least_wall,
    )
    away = centers - question.wanted_lps_mm
    rise = away @ question.frame.superior
    enough = limits.enough_wall_mm
    gains = np.column_stack(
        [
            rows[:, COVER],
            rows[:, ABOVE],
            np.minimum(rows[:, ALONG], enough),
            np.minimum(rows[:, LEAST], enough),
            np.minimum(rows[:, FRONT_WALL], rows[:, BACK_WALL]),
            -np.linalg.norm(away, axis=1),
            -rows[:, REMOVED],
        ]
    )
    room = room_left(limits, rows[:, LEAST], rise, rows[:, COVER], variables[:, SIZE])
    return Trials(variables, rows, gains, room)


def room_left(limits: Limits, least_mm: Array, rise_mm: Array, cover: Array, size_mm: Array) -> Array:
    """Return by how much cups (n,) keep each limit, in the order of ``BOUNDS``, shape (n, 4); negative: broken."""
    largest = LARGEST_CUP_MM if limits.largest_size_mm is None else limits.largest_size_mm
    wall = least_mm - limits.least_wall_mm
    # a floor that is through breaks the limit also where no wall is asked for
    wall = np.where(least_mm > 0.0, wall, np.minimum(wall, -_THROUGH_MM))
    return np.column_stack([wall, limits.largest_rise_mm - rise_mm, cover - limits.least_cover, largest - size_mm])


def _axes(question: Question, variables: Array) -> tuple[Array, IntArray]:
    """Return the axes (m, 3, 3) of each orientation that occurs, and which of them each cup has (n,)."""
    angles, which = np.unique(variables[:, [INCLINATION, ANTEVERSION]], axis=0, return_inverse=True)
    opening = np.stack([question.opening_axis_lps(*pair) for pair in angles])
    axes = np.stack([*rim_directions(opening, question.frame), -opening], axis=1)
    return axes, which.ravel().astype(np.int32)
