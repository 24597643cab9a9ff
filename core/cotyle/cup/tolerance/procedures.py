"""What the plan becomes in procedures in which things err.

The hand follows the picture. Where the picture misjudges the pelvis by a turn, the cup that looks as planned is turned
by it about its own centre, and it is moved by what the pelvis is misplaced. Then the hand adds its own angles, and its
own way across and along the axis. What the cup then is, is told in the true pelvis: the found frame turned by its
error, the native centre moved by its own. The error of the anterior pelvic plane's tilt turns only frames whose tilt is
told against that plane: ``supine`` takes its tilt from the table (:mod:`cotyle.anatomy.pelvis`).

Wall and cover come from :mod:`cotyle.cup.options.quick`, moved so that the planned cup has the figures that
``measure`` gives it; the deviations of those figures, from the bone's edges, come on top. A turn about one axis of the
pelvis changes the angles as in Murray DW, J Bone Joint Surg Br 1993;75-B:228-32; nothing is linearised.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum

import numpy as np

from cotyle.cup.center import hip_axes
from cotyle.cup.component import LARGEST_CUP_MM, SMALLEST_CUP_MM, Cup
from cotyle.cup.coverage import rim_directions
from cotyle.cup.options.quick import ALONG, COVER, LEAST, Ground, quick_figures
from cotyle.cup.orientation import Definition, angles_of_axes, axes_of_radiographic
from cotyle.cup.posture import Zone
from cotyle.cup.tolerance.causes import Errors
from cotyle.space.arrays import Array, BoolArray, any_perpendicular
from cotyle.space.frames import Frame

SIZE_STEP_MM = 2.0
"""From one cup to the next: even sizes, common practice, no source."""


class Outcome(IntEnum):
    """Columns of :attr:`Procedures.outcomes`: radiographic angles in degrees, mm, and coverage as a share."""

    INCLINATION = 0
    ANTEVERSION = 1
    STANDING_INCLINATION = 2
    STANDING_ANTEVERSION = 3
    WALL_ALONG = 4
    LEAST_WALL = 5
    COVERAGE = 6
    MEDIAL = 7
    SUPERIOR = 8
    ANTERIOR = 9


@dataclass(frozen=True, eq=False)
class Planned:
    """A cup as planned, with what is known of the hip.

    ``last_under_mm``: how much smaller than the cup the last reamer is. ``along_mm``, ``least_mm``, ``coverage``: the
    plan's figures as measured. ``supine``, ``standing``: frames; ``zone`` lies in ``zone_frame``. ``*_from_plane``:
    whether the tilt of that frame is told against the anterior pelvic plane, so that the plane's error turns it.
    """

    cup: Cup
    ground: Ground
    last_under_mm: float
    along_mm: float
    least_mm: float
    coverage: float
    supine: Frame
    standing: Frame
    zone: Zone
    zone_frame: Frame
    standing_from_plane: bool = False
    zone_from_plane: bool = False


@dataclass(frozen=True, eq=False)
class Procedures:
    """Cups in n patients: ``outcomes`` (n, 10) by :class:`Outcome`; whether it lies in the zone, lying, standing."""

    outcomes: Array
    in_zone: BoolArray
    standing_in_zone: BoolArray

    def of(self, outcome: Outcome) -> Array:
        """Return one outcome (n,)."""
        return np.asarray(self.outcomes[:, outcome])


def procedures(planned: Planned, errors: Errors, *, short_mm: float = 0.0) -> Procedures:
    """Return what becomes of a plan in as many procedures as there are errors.

    ``short_mm``: the reamer still stands this far from its seat, along the cup's axis.
    """
    side, frame = planned.cup.side, planned.supine
    centers, axes, radii = placed(planned, errors, short_mm)
    walls = wall_figures(planned, centers, axes, radii, errors.figures)
    lying = _in_true_frame(axes, errors, frame, False)
    upright = _in_true_frame(axes, errors, planned.standing, planned.standing_from_plane)
    upright = _turned(upright, errors.standing_deg[:, None] * planned.standing.left)
    in_zone_frame = _in_true_frame(axes, errors, planned.zone_frame, planned.zone_from_plane)
    native = planned.ground.native_center_lps_mm + errors.native_mm
    shift = (centers - native) @ hip_axes(frame, side).T
    outcomes = np.hstack(
        [
            angles_of_axes(lying, frame, side, Definition.RADIOGRAPHIC),
            angles_of_axes(upright, planned.standing, side, Definition.RADIOGRAPHIC),
            walls,
            shift,
        ]
    )
    kind = planned.zone.definition
    return Procedures(
        outcomes,
        _within(planned.zone, angles_of_axes(in_zone_frame, planned.zone_frame, side, kind)),
        _within(planned.zone, angles_of_axes(upright, planned.standing, side, kind)),
    )


def placed(planned: Planned, errors: Errors, short_mm: float = 0.0) -> tuple[Array, Array, Array]:
    """Return centres (n, 3), opening axes (n, 3) and outer radii (n,) of the cups as they really stand, LPS mm."""
    cup, frame = planned.cup, planned.supine
    picture = _turned(np.tile(cup.opening_axis_lps, (len(errors.depth_mm), 1)), _turns(errors.picture_deg, frame))
    angles = angles_of_axes(picture, frame, cup.side, Definition.RADIOGRAPHIC)
    axes = axes_of_radiographic(angles + errors.hand_deg, frame, cup.side)
    first = any_perpendicular(cup.opening_axis_lps)
    across = errors.hand_mm @ np.stack([first, np.cross(cup.opening_axis_lps, first)])
    centers = (
        cup.center_lps_mm
        + errors.picture_mm @ np.stack([frame.left, frame.superior, frame.posterior])
        + across
        + (short_mm - errors.depth_mm)[:, None] * axes
    )
    sizes = np.clip(cup.outer_diameter_mm + SIZE_STEP_MM * errors.sizes, SMALLEST_CUP_MM, LARGEST_CUP_MM)
    return centers, axes, sizes / 2.0


def wall_figures(planned: Planned, centers: Array, axes: Array, radii: Array, figures: float | Array = 0.0) -> Array:
    """Return estimates (n, 3) of wall along the axis, least wall and coverage, none below zero.

    ``figures`` (n, 3): by what the bone's edges move them.
    """
    rows = unmoved_figures(planned, centers, axes, radii)
    moved = rows + plan_difference(planned) + figures
    moved[:, :2][rows[:, :2] <= 0.0] = 0.0  # through is through, whatever a figure of another cup was off by
    return np.clip(moved, 0.0, [np.inf, np.inf, 1.0])


def plan_difference(planned: Planned) -> Array:
    """Return by how much the plan's figures (3,) as measured exceed its estimates."""
    cup = planned.cup
    own = unmoved_figures(planned, cup.center_lps_mm[None], cup.opening_axis_lps[None], np.array([cup.radius_mm]))
    return np.asarray(np.array([planned.along_mm, planned.least_mm, planned.coverage]) - own[0])


def unmoved_figures(planned: Planned, centers: Array, axes: Array, radii: Array) -> Array:
    """Return the estimates (n, 3) of wall along, least wall and coverage as they are."""
    directions = np.stack([*rim_directions(axes, planned.supine), -axes], axis=1)
    under = (planned.last_under_mm, planned.last_under_mm)
    # a share of cover that no cup has: the dearer figures are left out
    rows = quick_figures(planned.ground, centers, directions, radii, under, least_cover=2.0)
    return np.asarray(rows[:, [ALONG, LEAST, COVER]])


def _in_true_frame(axes: Array, errors: Errors, frame: Frame, from_plane: bool) -> Array:
    """Return axes (n, 3) as they stand to a frame that was found, once its error is taken off."""
    return _turned(axes, _turns(errors.plane_deg * [float(from_plane), 1.0, 1.0], frame))


def _turns(angles_deg: Array, frame: Frame) -> Array:
    """Return rotation vectors (n, 3), degrees, LPS, of turns about left, superior and posterior of a frame."""
    return np.asarray(angles_deg @ np.stack([frame.left, frame.superior, frame.posterior]))


def _turned(vectors: Array, turns_deg: Array) -> Array:
    """Turn each vector (n, 3) by its rotation vector (n, 3); Rodrigues' formula."""
    size = np.radians(np.linalg.norm(turns_deg, axis=1))[:, None]
    axis = np.divide(np.radians(turns_deg), size, out=np.zeros_like(turns_deg), where=size > 0.0)
    along = np.sum(axis * vectors, axis=1)[:, None] * axis
    return np.asarray(vectors * np.cos(size) + np.cross(axis, vectors) * np.sin(size) + along * (1.0 - np.cos(size)))


def _within(zone: Zone, angles_deg: Array) -> BoolArray:
    low = np.array([zone.inclination_deg[0], zone.anteversion_deg[0]])
    high = np.array([zone.inclination_deg[1], zone.anteversion_deg[1]])
    return np.asarray(((angles_deg >= low) & (angles_deg <= high)).all(axis=1))
