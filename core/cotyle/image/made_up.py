"""Where a repair made slices up: what lies there is a guess between its neighbours, and is said to be one.

A flat edge of bone that leans by an angle t from the slices' normal lies, between real slices a way g apart, anywhere
in a strip of g sin(t) across it: the slices on both sides show where it ends, not how it runs. Taken as evenly likely
that is one standard deviation of g sin(t) / sqrt(12); n, the part of the edge's unit normal along that of the slices,
is sin(t). A curved edge (radius ``ROUND_MM``) adds the height of its arc, g^2 / 8 R. Both are counted beyond what the
usual spacing s costs anyway: sd^2 = n^2 (g^2 - s^2) / 12 + ((g^2 - s^2) / 8 R)^2. Closed forms of our own, tried on
balls and planes in tests/image/test_made_up.py. What is smaller than the gap can be missing altogether.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from cotyle.space.arrays import Array, BoolArray

WIDER = 1.1
"""A way between real slices that is wider than the usual one by this factor is a gap."""

ROUND_MM = 20.0
"""Radius of the most curved edge that is reckoned with: a small socket. Our choice."""

COPIED_MM = 0.02
"""A real slice this close to the grid is taken as it is."""

_HALF_WIDTH = math.sqrt(3.0)  # of what is evenly likely, in standard deviations
_SHOWN = 6


@dataclass(frozen=True)
class MadeUp:
    """A stretch between real slices in which a repair makes slices up.

    Parameters
    ----------
    normal_lps:
        Unit normal of the slices.
    low_mm, high_mm:
        Distance along it, from the origin, of the real slices at both ends.
    gap_mm, usual_mm:
        Widest way between two real slices in it, and the usual one elsewhere.
    slices:
        How many are made up.
    where:
        Both ends as a user finds them in the headers: ``z = -27.50 and -25.50 mm``.
    """

    normal_lps: tuple[float, float, float]
    low_mm: float
    high_mm: float
    gap_mm: float
    usual_mm: float
    slices: int
    where: str

    def holds(self, points_lps_mm: Array) -> BoolArray:
        """Return whether points (n, 3) lie between its ends."""
        along = points_lps_mm @ np.array(self.normal_lps)
        return np.asarray((along > self.low_mm) & (along < self.high_mm))

    def sd_mm(self, normals: Array) -> Array:
        """Return one standard deviation that it adds to edges with the unit normals (n, 3); formula at the top."""
        return sd_of_gap(np.abs(normals @ np.array(self.normal_lps)), self.gap_mm, self.usual_mm)

    @property
    def words(self) -> str:
        """Where and how wide, in words."""
        return f"between {self.where} ({self._gaps} of {self.gap_mm:.2f} mm)"

    @property
    def _gaps(self) -> str:
        return "gaps" if self.high_mm - self.low_mm > WIDER * self.gap_mm else "gap"


def sd_of_gap(along: npt.ArrayLike, gap_mm: float, usual_mm: float) -> Array:
    """Return one standard deviation by the part (n,) of an edge's normal along the slices'; formula at the top."""
    excess = max(gap_mm**2 - usual_mm**2, 0.0)
    flat = np.square(np.asarray(along, dtype=np.float64)) * excess / 12
    return np.asarray(np.sqrt(flat + (excess / (8 * ROUND_MM)) ** 2))


def unsure_mm(gap_mm: float, usual_mm: float) -> float:
    """Return how far off an edge in a gap may be that faces along the slices' normal."""
    return float(_HALF_WIDTH * sd_of_gap(1.0, gap_mm, usual_mm))


def made_up_stretches(
    distances_mm: Array, heights: Array, normal_lps: Array, usual_mm: float, place: str
) -> tuple[MadeUp, ...]:
    """Return the stretches in which slices must be made up to lie on an even grid.

    Parameters
    ----------
    distances_mm, heights, place:
        As for :func:`cotyle.image.gaps.judge_gaps`.
    normal_lps:
        Unit normal of the slices, (3,).
    usual_mm:
        Spacing of the grid, which begins at the first slice.
    """
    gaps = np.diff(distances_mm)
    wide = gaps > WIDER * usual_mm
    x, y, z = (float(v) for v in normal_lps)
    found = []
    for first, end in _runs(wide):
        low, high = float(distances_mm[first]), float(distances_mm[end])
        count = _new_slices(distances_mm[first : end + 1], float(distances_mm[0]), usual_mm)
        where = f"{place} {heights[first]:.2f} and {heights[end]:.2f} mm"
        found.append(MadeUp((x, y, z), low, high, float(gaps[first:end].max()), usual_mm, count, where))
    return tuple(found)


def listed(stretches: Sequence[MadeUp]) -> str:
    """Return all stretches in words; of many, the first ones and how many more there are."""
    words = ", ".join(each.words for each in stretches[:_SHOWN])
    more = len(stretches) - _SHOWN
    return words + (f" and in {more} more gap{'s' if more > 1 else ''}" if more > 0 else "")


def widest_unsure_mm(stretches: Sequence[MadeUp]) -> float:
    """Return :func:`unsure_mm` of the widest gap."""
    return max(unsure_mm(each.gap_mm, each.usual_mm) for each in stretches)


def _new_slices(real_mm: Array, origin_mm: float, step_mm: float) -> int:
    """Return how many slices of the grid lie between real ones and are none of them."""
    first = math.ceil((real_mm[0] - origin_mm) / step_mm - 1e-9)
    last = math.floor((real_mm[-1] - origin_mm) / step_mm + 1e-9)
    grid = origin_mm + step_mm * np.arange(first, last + 1)
    return int(np.count_nonzero(np.abs(grid[:, None] - real_mm).min(axis=1) > COPIED_MM)) if len(grid) else 0


def _runs(chosen: BoolArray) -> list[tuple[int, int]]:
    """Return (first, end) of each run of True."""
    edges = np.diff(np.concatenate([[0], chosen.astype(int), [0]]))
    return list(zip(np.flatnonzero(edges == 1).tolist(), np.flatnonzero(edges == -1).tolist(), strict=True))
