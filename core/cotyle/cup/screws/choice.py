"""Where a screw may go: lengths over the whole shell, and for each quadrant the direction that forgives most.

Screws of the map run straight out of the shell, along the line from the cup's centre. The hand that drills is never
exact: a screw is *steady* to the length that stays safe in each of eight directions a few degrees beside its own, from
the same place of the shell. That is what a proposal is judged by; of equal ones the denser bone wins.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from cotyle.cup.component import Cup
from cotyle.cup.inner_surface import InnerSurface
from cotyle.cup.screws.paths import Margins, ScrewPaths, screw_paths
from cotyle.cup.screws.quadrants import Quadrant, Quadrants
from cotyle.image.volume import Volume
from cotyle.space.arrays import Array, any_perpendicular, unit
from cotyle.space.mesh import TriangleMesh

STEP_DEG = 5.0
_TURNS = 8
_AT_ONCE = 16
_FARTHEST_AIM_DEG, _AIM_TURN_DEG = 20.0, 15.0
# Where the generic shell may have holes, from its pole, and how fine they are tried; common practice, no source.
_FIRST_HOLE_DEG, _LAST_HOLE_DEG, _HOLE_STEP_DEG = 10.0, 60.0, 5.0


@dataclass(frozen=True, eq=False)
class Bed:
    """What screws are measured in: a cup, its hip bone with the pelvic surface, the scan."""

    cup: Cup
    hip_bone: TriangleMesh
    inner: InnerSurface
    volume: Volume


@dataclass(frozen=True, eq=False)
class ShellMap:
    """Straight screws over the shell: ``from_pole_deg`` (r,), ``around_deg`` (c,), values of ``paths`` in r times c."""

    from_pole_deg: Array
    around_deg: Array
    paths: ScrewPaths

    def grid(self, values: npt.NDArray[np.generic]) -> npt.NDArray[np.generic]:
        """Return values of the paths as rows from the pole to the rim, columns around."""
        return values.reshape(len(self.from_pole_deg), len(self.around_deg))


def shell_map(bed: Bed, quadrants: Quadrants, margins: Margins) -> ShellMap:
    """Measure straight screws every 5 degrees over the shell."""
    from_pole, around = np.arange(0.0, 90.1, STEP_DEG), np.arange(0.0, 360.0, STEP_DEG)
    polar, turn = np.meshgrid(from_pole, around, indexing="ij")
    directions = quadrants.directions(polar.ravel(), turn.ravel())
    return ShellMap(from_pole, around, measure_screws(bed, directions, directions, margins))


def measure_screws(bed: Bed, places: Array, directions_lps: Array, margins: Margins) -> ScrewPaths:
    """Measure screws at places of the shell (unit directions out of the centre, (n, 3)) along directions (n, 3)."""
    starts = bed.cup.center_lps_mm + bed.cup.radius_mm * places
    return screw_paths(bed.hip_bone, bed.inner, bed.volume, starts, directions_lps, margins)


def steady_mm(
    bed: Bed, quadrants: Quadrants, places: Array, directions_lps: Array, hand_deg: float, margins: Margins
) -> Array:
    """Return the length (n,) that stays safe along each direction and along eight directions ``hand_deg`` beside it."""
    first = quadrants.towards_asis_lps
    beside = np.concatenate([directions_beside(direction, hand_deg, first) for direction in directions_lps])
    tried = measure_screws(bed, np.repeat(places, _TURNS, axis=0), beside, margins).safe_mm.reshape(-1, _TURNS)
    return np.minimum(tried.min(axis=1), measure_screws(bed, places, directions_lps, margins).safe_mm)


def directions_beside(direction_lps: Array, angle_deg: float, first_lps: Array) -> Array:
    """Return eight unit directions an angle beside one, evenly about it, shape (8, 3); the first leans to ``first``.

    So they turn and mirror with the patient.
    """
    across = first_lps - (first_lps @ direction_lps) * direction_lps
    u = any_perpendicular(direction_lps) if np.linalg.norm(across) < 1e-6 else unit(across)
    v = np.cross(direction_lps, u)
    turn = np.arange(_TURNS) * 2 * np.pi / _TURNS
    leaning = np.cos(turn)[:, None] * u + np.sin(turn)[:, None] * v
    angle = np.deg2rad(angle_deg)
    return np.asarray(np.cos(angle) * np.asarray(direction_lps) + np.sin(angle) * leaning)


@dataclass(frozen=True, eq=False)
class AimMap:
    """Screws from one place of the shell: safe lengths (r, c) by ``tilt_deg`` (r,) from straight out of the shell and
    ``turn_deg`` (c,), the way the screw leans: 0 towards the ASIS, 90 to posterior, as places go around.
    """

    tilt_deg: Array
    turn_deg: Array
    safe_mm: Array


def aim_map(bed: Bed, quadrants: Quadrants, place: Array, margins: Margins) -> AimMap:
    """Measure screws from a place, unit direction (3,) out of the centre, up to 20 degrees beside straight."""
    tilt, turn = np.arange(0.0, _FARTHEST_AIM_DEG + 0.1, STEP_DEG), np.arange(0.0, 360.0, _AIM_TURN_DEG)
    leaning, turning = np.meshgrid(tilt, turn, indexing="ij")
    ways = aimed(quadrants, place, leaning.ravel(), turning.ravel())
    safe = measure_screws(bed, np.tile(place, (len(ways), 1)), ways, margins).safe_mm
    return AimMap(tilt, turn, safe.reshape(leaning.shape))


def aimed(quadrants: Quadrants, place: Array, tilt_deg: npt.ArrayLike, turn_deg: npt.ArrayLike) -> Array:
    """Return unit directions (n, 3) that lean so far and that way from straight out of the shell at a place."""
    towards, behind = _aim_axes(quadrants, place)
    tilt, turn = np.deg2rad(np.asarray(tilt_deg))[:, None], np.deg2rad(np.asarray(turn_deg))[:, None]
    return np.asarray(np.cos(tilt) * place + np.sin(tilt) * (np.cos(turn) * towards + np.sin(turn) * behind))


def aim_of(quadrants: Quadrants, place: Array, direction_lps: Array) -> tuple[float, float]:
    """Return tilt and turn, degrees, of a unit direction at a place; inverse of :func:`aimed`."""
    towards, behind = _aim_axes(quadrants, place)
    along, across = float(direction_lps @ towards), float(direction_lps @ behind)
    tilt = np.arctan2(np.hypot(along, across), float(direction_lps @ place))
    return float(np.rad2deg(tilt)), float(np.rad2deg(np.arctan2(across, along)) % 360.0)


def _aim_axes(quadrants: Quadrants, place: Array) -> tuple[Array, Array]:
    """Return the unit directions across a place to the ASIS and to posterior: the lines, carried along a great circle
    from the pole.
    """
    pole = quadrants.pole_lps
    turn = np.cross(pole, place)
    cosine = float(pole @ place)

    def carried(line: Array) -> Array:  # Rodrigues with sine and cosine from the two directions
        return np.asarray(line * cosine + np.cross(turn, line) + turn * (turn @ line) / (1.0 + cosine))

    return carried(quadrants.towards_asis_lps), carried(quadrants.posterior_lps)


def best_place(
    bed: Bed, quadrants: Quadrants, quadrant: Quadrant, longest_mm: float, hand_deg: float, margins: Margins
) -> tuple[float, float] | None:
    """Return the place, ``from_pole_deg`` and ``around_deg``, of a quadrant's steadiest straight screw.

    None where no screw is steady. Lengths beyond ``longest_mm`` count no more than that.
    """
    first = 90.0 * list(Quadrant).index(quadrant)
    polar, around = np.meshgrid(
        np.arange(_FIRST_HOLE_DEG, _LAST_HOLE_DEG + 0.1, _HOLE_STEP_DEG),
        first + np.arange(_HOLE_STEP_DEG, 90.0, _HOLE_STEP_DEG),
        indexing="ij",
    )
    places = quadrants.directions(polar.ravel(), around.ravel())
    straight = measure_screws(bed, places, places, margins)
    reach = np.minimum(straight.safe_mm, longest_mm)
    # no screw is steadier than it is long: once the steadiest so far is longer than all that are left, it is the best
    tried = np.argsort(-reach, kind="stable")
    steady = np.zeros(len(places))
    for first in range(0, len(tried), _AT_ONCE):
        rows = tried[first : first + _AT_ONCE]
        if reach[rows[0]] <= 0.0 or reach[rows[0]] < steady.max():
            break
        steady[rows] = np.minimum(steady_mm(bed, quadrants, places[rows], places[rows], hand_deg, margins), longest_mm)
    if steady.max() <= 0.0:
        return None
    best = int(np.lexsort((np.nan_to_num(straight.mean_hu, nan=-np.inf), np.round(steady, 3)))[-1])
    return float(polar.ravel()[best]), float(around.ravel()[best])
