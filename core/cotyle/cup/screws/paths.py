"""The bone that screws meet: from the shell to where they leave the hip bone, and how near they come to the pelvis.

A screw starts at a place of the shell's outer surface. Bone begins where the line enters the hip bone, up to 12 mm
beyond the shell (farther is no bone that holds this screw), and ends at the first exit; gaps under 2 mm are bridged. At
the exit lies the far cortex: a screw that goes through it holds in both (bicortical), and its tip stands among what
lies behind.

How far a screw may go: its tip stays ``end_mm`` short of the exit, and its whole flank ``clearance_mm`` away from the
inner (pelvic) surface, read every millimetre and in between by a straight line. Bone only is seen; vessels and nerves
are not in these surfaces.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from cotyle.cup.inner_surface import InnerSurface, distances_from_points
from cotyle.image.sampling import sample
from cotyle.image.volume import Volume
from cotyle.space.arrays import Array, BoolArray, as_points
from cotyle.space.lines import cross_each
from cotyle.space.mesh import TriangleMesh

BRIDGED_GAP_MM = 2.0
FARTHEST_BONE_MM = 12.0
LONGEST_MM = 170.0
_STEP_MM = 1.0
# An exit this near the inner surface is one through it.
_THROUGH_MM = 0.5


@dataclass(frozen=True)
class Margins:
    """What a screw keeps; diameter 6.5 mm (common practice, no source), both distances our choice."""

    diameter_mm: float = 6.5
    clearance_mm: float = 2.0
    end_mm: float = 2.0


@dataclass(frozen=True, eq=False)
class ScrewPaths:
    """Lines out of a shell; all arrays (n,), mm from the shell's outer surface along each line.

    bone_from, exit: the stretch of bone; both 0 where there is none. into_pelvis: whether the exit is through the inner
    surface. safe: how long a screw may be, 0 where none may. nearest: least distance from the line to the inner surface
    on its way to the exit; at_exit: that of the exit itself. mean_hu: over the bone, NaN where there is none.
    """

    bone_from_mm: Array
    exit_mm: Array
    into_pelvis: BoolArray
    safe_mm: Array
    nearest_mm: Array
    at_exit_mm: Array
    mean_hu: Array

    @property
    def bone_mm(self) -> Array:
        """Bone met up to the exit."""
        return self.exit_mm - self.bone_from_mm


def screw_paths(
    hip_bone: TriangleMesh,
    inner: InnerSurface,
    volume: Volume,
    starts_lps_mm: npt.ArrayLike,
    directions_lps: npt.ArrayLike,
    margins: Margins | None = None,
) -> ScrewPaths:
    """Measure lines from places on a shell.

    Parameters
    ----------
    hip_bone:
        Closed surface before reaming, LPS mm.
    inner:
        Its pelvic surface: :func:`cotyle.cup.screws.pelvic_surface.pelvic_surface`.
    volume:
        CT in HU.
    starts_lps_mm, directions_lps:
        Shape (n, 3): on the shell's outer surface; unit, out of the shell.
    """
    keep = margins or Margins()
    starts, directions = as_points(starts_lps_mm), as_points(directions_lps)
    bone_from, leave = _bone(hip_bone, starts, directions)
    count = len(starts)
    safe, nearest, at_exit = np.zeros(count), np.full(count, np.inf), np.full(count, np.inf)
    mean_hu = np.full(count, np.nan)
    for n in np.flatnonzero(leave > 0):
        depth = depths_to(leave[n])
        points = starts[n] + depth[:, None] * directions[n]
        distance, in_front = distances_from_points(inner, points)
        # past the surface there is no distance to keep; at the exit itself rounding may tell it to be past
        distance = np.where(in_front & (depth < leave[n] - _STEP_MM), 0.0, distance)
        nearest[n], at_exit[n] = distance.min(), distance[-1]
        safe[n] = _safe_mm(depth, distance, float(bone_from[n]), float(leave[n]), keep)
        values = sample(volume, points[depth >= bone_from[n]], outside=np.nan)
        mean_hu[n] = np.nan if np.isnan(values).all() else float(np.nanmean(values))
    return ScrewPaths(bone_from, leave, at_exit < _THROUGH_MM, safe, nearest, at_exit, mean_hu)


def depths_to(exit_mm: float) -> Array:
    """Return depths from the shell to an exit, a millimetre apart at most, shape (n,)."""
    return np.linspace(0.0, exit_mm, max(int(np.ceil(exit_mm / _STEP_MM)) + 1, 2))


def _bone(hip_bone: TriangleMesh, starts: Array, directions: Array) -> tuple[Array, Array]:
    crossings = cross_each(hip_bone, starts, directions)
    bone_from, leave = np.zeros(len(starts)), np.zeros(len(starts))
    for n in range(len(starts)):
        pieces = crossings.intervals_mm(n, BRIDGED_GAP_MM)
        ahead = [piece for piece in pieces if piece[1] > 0]
        if ahead and ahead[0][0] <= FARTHEST_BONE_MM:
            bone_from[n], leave[n] = max(float(ahead[0][0]), 0.0), min(float(ahead[0][1]), LONGEST_MM)
    return bone_from, leave


def _safe_mm(depth: Array, distance: Array, bone_from: float, leave: float, keep: Margins) -> float:
    """Return the longest screw within the margins, 0 if it would not reach bone."""
    least = 0.5 * keep.diameter_mm + keep.clearance_mm
    end = leave - keep.end_mm
    near = np.flatnonzero(distance < least)
    if len(near):
        first = int(near[0])
        if first == 0:
            return 0.0
        before, after = distance[first - 1], distance[first]
        share = (before - least) / (before - after)
        end = min(end, float(depth[first - 1] + share * (depth[first] - depth[first - 1])))
    return end if end > bone_from else 0.0
