"""Bone that one reamer removes, column by column along its direction.

Each column of the bundle is cut exactly: bone within the reamer's bullet, less what earlier bullets took (a bullet is
convex, so each takes one stretch). Only the cross-section of the bundle is sampled.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numba
import numpy as np

from cotyle.cup.cavity import ReamingStep, line_bullet, packed
from cotyle.space.arrays import Array, read_only
from cotyle.space.columns import bundle_through
from cotyle.space.mesh import TriangleMesh

PITCH_MM = 0.5
# Thinner slivers don't count as touching bone.
_SLIVER_MM = 0.2
_MOST_PIECES = 64
BEARING_SHARE = 0.05


@dataclass(frozen=True, eq=False)
class RemovedBone:
    """What one step removes.

    ``depths_mm`` (n,) is the bone removed in each column, ``offsets_mm`` (n, 2) where the columns run about the axis.
    ``first_touch_mm`` is how far before its end, along its direction, the reamer first touches bone that is still
    there, at most as far as was looked; 0 if it touches none. ``bears_mm`` is the same for where it bears on at least
    5 % of its cross-section: a reamer passes a spur of the rim and rests there.
    """

    volume_mm3: float
    depths_mm: Array
    offsets_mm: Array
    first_touch_mm: float
    bears_mm: float


def removed_bone(
    hip_bone: TriangleMesh,
    step: ReamingStep,
    earlier: Sequence[ReamingStep] = (),
    look_back_mm: float = 30.0,
    pitch_mm: float = PITCH_MM,
) -> RemovedBone:
    """Return what a step takes from a closed hip bone in which earlier steps have cut already.

    ``look_back_mm`` limits the search for the first touch: how far before the end, towards the mouth.
    """
    columns = bundle_through(hip_bone, step.end_center_lps_mm, step.direction_lps, step.radius_mm, pitch_mm)
    depths, touch = _cut(
        columns.offsets_mm,
        columns.starts,
        columns.depths_mm,
        columns.enters,
        np.stack([columns.u_lps, columns.v_lps, columns.direction_lps]),
        columns.origin_lps_mm,
        packed([step])[0],
        packed(earlier),
        look_back_mm,
    )
    bearing = round((1.0 - BEARING_SHARE) * (columns.count - 1))
    return RemovedBone(
        float(depths.sum() * pitch_mm**2),
        read_only(depths),
        read_only(columns.offsets_mm),
        float(touch.max()),
        float(np.partition(touch, bearing)[bearing]),
    )


def shares_by_zone(removed: RemovedBone, columns_radius_mm: float, depth_mm: float = _SLIVER_MM) -> tuple[float, float]:
    """Return the shares of the reamer's floor (polar angle below 45 deg) and rim (above 60 deg) that cut bone."""
    across = np.hypot(removed.offsets_mm[:, 0], removed.offsets_mm[:, 1]) / columns_radius_mm
    cuts = removed.depths_mm > depth_mm
    floor, rim = across < np.sin(np.radians(45.0)), across > np.sin(np.radians(60.0))
    return float(cuts[floor].mean()), float(cuts[rim].mean())


@numba.njit(cache=True)
def _subtract(pieces, count, low, high):  # type: ignore[no-untyped-def]
    """Take low..high out of the pieces, in place; return how many are left."""
    kept = 0
    extra = np.empty((_MOST_PIECES, 2))
    for n in range(count):
        a, b = pieces[n, 0], pieces[n, 1]
        if high <= a or low >= b:
            extra[kept, 0], extra[kept, 1] = a, b
            kept += 1
            continue
        if low > a and kept < _MOST_PIECES:
            extra[kept, 0], extra[kept, 1] = a, low
            kept += 1
        if high < b and kept < _MOST_PIECES:
            extra[kept, 0], extra[kept, 1] = high, b
            kept += 1
    pieces[:kept] = extra[:kept]
    return kept


@numba.njit(cache=True)
def _bone_pieces(pieces, depths, enters, first, end, low, high):  # type: ignore[no-untyped-def]
    """Bone of a column between two depths; return how many pieces."""
    count, level, begin = 0, 0, 0.0
    for index in range(first, end):
        if enters[index]:
            if level == 0:
                begin = depths[index]
            level += 1
        elif level > 0:
            level -= 1
            if level == 0 and min(depths[index], high) > max(begin, low) and count < _MOST_PIECES:
                pieces[count, 0], pieces[count, 1] = max(begin, low), min(depths[index], high)
                count += 1
    return count


@numba.njit(cache=True, nogil=True)
def _cut(offsets, starts, depths, enters, axes, origin, bullet, earlier, look_back):  # type: ignore[no-untyped-def]
    removed = np.zeros(len(offsets))
    touch = np.zeros(len(offsets))
    pieces = np.empty((_MOST_PIECES, 2))
    radius, travel = bullet[6], bullet[7]
    for column in range(len(offsets)):
        across = offsets[column, 0] ** 2 + offsets[column, 1] ** 2
        if across >= radius * radius:
            continue
        front = np.sqrt(radius * radius - across)
        count = _bone_pieces(pieces, depths, enters, starts[column], starts[column + 1], -look_back, front)
        point = origin + offsets[column, 0] * axes[0] + offsets[column, 1] * axes[1]
        for other in range(len(earlier)):
            low, high = line_bullet(earlier[other], point, axes[2])
            if low < high:
                count = _subtract(pieces, count, low, high)
        for n in range(count):
            taken = pieces[n, 1] - max(pieces[n, 0], -travel)
            removed[column] += max(taken, 0.0)
            if pieces[n, 1] - pieces[n, 0] > _SLIVER_MM:
                touch[column] = max(touch[column], min(front - pieces[n, 0], look_back))
    return removed, touch
