"""The cavity that reamers leave: a union of swept hemispheres.

A hemispherical reamer that moves straight along its own axis leaves a bullet: a half-ball in front, a cylinder behind
it as long as the way. A bullet is convex, so that a line meets it in one stretch, found in closed form.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numba
import numpy as np
import numpy.typing as npt

from cotyle.errors import InputError
from cotyle.space.arrays import Array, BoolArray, as_points, as_vector, unit
from cotyle.space.directions import hemisphere_directions
from cotyle.space.rotations import angle_between_deg

SMALLEST_REAMER_MM = 30.0
LARGEST_REAMER_MM = 82.0
_LEAST_TRAVEL_MM = 0.01
_LARGEST_SKEW_DEG = 0.5


@dataclass(frozen=True, eq=False)
class ReamingStep:
    """One hemispherical reamer, from where its sweep through the bone starts to where it stops.

    Parameters
    ----------
    diameter_mm:
        Diameter of the reamer.
    start_center_lps_mm, end_center_lps_mm:
        Centre of its sphere, shape (3,), LPS mm.
    direction_lps:
        The way it moves and faces, into the bone; stored as a unit vector. For a cup's last reamer it is the
        opening axis turned about.

    Raises
    ------
    InputError
        ``reamer-size``; ``reaming-direction`` if the centre does not move along the direction; errors of vectors.
    """

    diameter_mm: float
    start_center_lps_mm: Array
    end_center_lps_mm: Array
    direction_lps: Array

    def __post_init__(self) -> None:
        diameter = float(self.diameter_mm)
        if not (SMALLEST_REAMER_MM <= diameter <= LARGEST_REAMER_MM):
            raise InputError(
                "reamer-size",
                f"a reamer of {diameter:g} mm is outside {SMALLEST_REAMER_MM:g} to {LARGEST_REAMER_MM:g} mm",
            )
        object.__setattr__(self, "diameter_mm", diameter)
        object.__setattr__(self, "start_center_lps_mm", as_vector(self.start_center_lps_mm, "start of the reamer"))
        object.__setattr__(self, "end_center_lps_mm", as_vector(self.end_center_lps_mm, "end of the reamer"))
        object.__setattr__(self, "direction_lps", unit(self.direction_lps, "direction of reaming"))
        way = self.end_center_lps_mm - self.start_center_lps_mm
        if np.linalg.norm(way) > _LEAST_TRAVEL_MM:
            skew = angle_between_deg(way, self.direction_lps)
            if skew > _LARGEST_SKEW_DEG:
                raise InputError(
                    "reaming-direction",
                    f"the reamer's centre moves {skew:.1f} deg off the direction it faces",
                    "Give start and end along the direction, or split the step",
                )

    @property
    def radius_mm(self) -> float:
        """Radius of the reamer."""
        return self.diameter_mm / 2

    @property
    def travel_mm(self) -> float:
        """Way of the centre."""
        return float(np.linalg.norm(self.end_center_lps_mm - self.start_center_lps_mm))

    @property
    def pole_lps_mm(self) -> Array:
        """Deepest point at the end, shape (3,), LPS mm."""
        return as_vector(self.end_center_lps_mm + self.radius_mm * self.direction_lps)

    @property
    def volume_mm3(self) -> float:
        """Volume swept: half-ball and cylinder."""
        return float(np.pi * self.radius_mm**2 * (2 / 3 * self.radius_mm + self.travel_mm))


def step_along(
    diameter_mm: float, end_center_lps_mm: npt.ArrayLike, direction_lps: npt.ArrayLike, travel_mm: float = 0.0
) -> ReamingStep:
    """Return the step that ends at a centre after ``travel_mm`` along a direction."""
    end, direction = as_vector(end_center_lps_mm, "end of the reamer"), unit(direction_lps)
    return ReamingStep(diameter_mm, end - travel_mm * direction, end, direction)


@dataclass(frozen=True, eq=False)
class Cavity:
    """All that the steps so far have cut; the last of them is the one whose pole and axis count.

    Raises
    ------
    InputError
        ``cavity-empty`` without a step.
    """

    steps: tuple[ReamingStep, ...]

    def __post_init__(self) -> None:
        if not self.steps:
            raise InputError("cavity-empty", "a cavity needs at least one reaming step")
        object.__setattr__(self, "steps", tuple(self.steps))

    @property
    def last(self) -> ReamingStep:
        """The last step."""
        return self.steps[-1]

    @property
    def floors(self) -> tuple[ReamingStep, ...]:
        """Steps whose hemispherical floor is not swallowed whole by another step's bullet, the last one first."""
        others = [s for n, s in enumerate(self.steps[:-1]) if not _swallowed(s, self.steps[n + 1 :])]
        return (self.last, *others)

    def signed_distance_mm(self, points_lps_mm: npt.ArrayLike) -> Array:
        """Return mm to the cavity for points (n, 3), negative inside; exact outside, a bound where bullets overlap."""
        points = as_points(points_lps_mm)
        return np.min([bullet_distance_mm(step, points) for step in self.steps], axis=0)

    def inside(self, points_lps_mm: npt.ArrayLike) -> BoolArray:
        """Return whether points (n, 3) lie in the cavity."""
        return np.asarray(self.signed_distance_mm(points_lps_mm) < 0.0)


def bullet_distance_mm(step: ReamingStep, points_lps_mm: Array) -> Array:
    """Return mm from points (n, 3) to one step's bullet, negative inside."""
    relative = points_lps_mm - step.end_center_lps_mm
    along = relative @ step.direction_lps
    across = np.sqrt(np.maximum(np.einsum("ij,ij->i", relative, relative) - along**2, 0.0))
    beyond_wall, behind = across - step.radius_mm, -step.travel_mm - along
    in_front = np.hypot(across, np.maximum(along, 0.0)) - step.radius_mm
    outside = np.hypot(np.maximum(beyond_wall, 0.0), np.maximum(behind, 0.0))
    at_cylinder = np.where((beyond_wall > 0) | (behind > 0), outside, np.maximum(beyond_wall, behind))
    return np.where(along > 0, np.maximum(in_front, behind), at_cylinder)


def packed(steps: Sequence[ReamingStep]) -> Array:
    """Return steps as rows (end centre, direction, radius, travel), shape (n, 8), for compiled loops."""
    rows = [[*s.end_center_lps_mm, *s.direction_lps, s.radius_mm, s.travel_mm] for s in steps]
    return np.array(rows, dtype=float).reshape(-1, 8)


def line_through_step_mm(
    step: ReamingStep, point_lps_mm: npt.ArrayLike, direction_lps: npt.ArrayLike
) -> tuple[float, float] | None:
    """Return the stretch (from, to) in mm of a line within a step's bullet, or None where it misses."""
    point, direction = as_vector(point_lps_mm), unit(direction_lps)
    low, high = line_bullet(packed([step])[0], point, direction)
    return (float(low), float(high)) if low < high else None


@numba.njit(cache=True)
def line_bullet(bullet, point, direction):  # type: ignore[no-untyped-def]
    """Stretch of a line in a bullet (a row of :func:`packed`); low > high where it misses."""
    z0 = z1 = p_p = p_d = 0.0
    for axis in range(3):
        offset = point[axis] - bullet[axis]
        z0 += offset * bullet[3 + axis]
        z1 += direction[axis] * bullet[3 + axis]
        p_p += offset * offset
        p_d += offset * direction[axis]
    radius, travel = bullet[6], bullet[7]
    # half-ball: |p + t d| <= r, z >= 0
    ball_low, ball_high = _quadratic(1.0, p_d, p_p - radius * radius)
    ball_low, ball_high = _slab(ball_low, ball_high, z0, z1, 0.0, np.inf)
    # cylinder: distance from the axis <= r, -travel <= z <= 0
    tube_low, tube_high = _quadratic(1.0 - z1 * z1, p_d - z0 * z1, p_p - z0 * z0 - radius * radius)
    tube_low, tube_high = _slab(tube_low, tube_high, z0, z1, -travel, 0.0)
    if ball_low > ball_high:
        return tube_low, tube_high
    if tube_low > tube_high:
        return ball_low, ball_high
    return min(ball_low, tube_low), max(ball_high, tube_high)


@numba.njit(cache=True)
def _quadratic(a, half_b, c):  # type: ignore[no-untyped-def]
    """Range of t with a t^2 + 2 half_b t + c <= 0, a >= 0."""
    if a < 1e-14:
        return (-np.inf, np.inf) if c <= 0.0 else (1.0, -1.0)
    inner = half_b * half_b - a * c
    if inner < 0.0:
        return 1.0, -1.0
    root = np.sqrt(inner)
    return (-half_b - root) / a, (-half_b + root) / a


@numba.njit(cache=True)
def _slab(low, high, z0, z1, least, most):  # type: ignore[no-untyped-def]
    """Clip a range of t to least <= z0 + z1 t <= most."""
    if low > high:
        return low, high
    if abs(z1) < 1e-14:
        return (low, high) if least <= z0 <= most else (1.0, -1.0)
    first, second = (least - z0) / z1, (most - z0) / z1
    return max(low, min(first, second)), min(high, max(first, second))


def _swallowed(step: ReamingStep, others: Sequence[ReamingStep]) -> bool:
    """Whether one other bullet, drawn out backwards along its way in, holds the whole floor of a step.

    A reamer came in along its direction, so nothing stands behind the place where its sweep starts.
    """
    center, direction, radius = step.end_center_lps_mm, step.direction_lps, step.radius_mm
    floor = center + radius * hemisphere_directions(direction, 300)
    for other in others:
        reach = other.radius_mm + radius + float(np.linalg.norm(center - other.end_center_lps_mm))
        drawn_out = step_along(other.diameter_mm, other.end_center_lps_mm, other.direction_lps, reach)
        if (bullet_distance_mm(drawn_out, floor) < 1e-6).all():
            return True
    return False
