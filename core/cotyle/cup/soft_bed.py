"""Where the shell lies in what counts as bone but is soft in the scan: the space behind a double floor, or a cyst.

The surface of a bone runs over the plate of a double floor. Along lines straight out of the shell gaps are looked for
as they are on the cup's axis (:mod:`cotyle.cup.wall_gaps`): between two dense layers, softer than the bone's own
marrow. A line whose gap holds the shell stands for its part of the shell, if half of the lines around say the same.
Where marrow is as soft as fat (osteopenia) gaps can't be told from it, and nothing is found.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.spatial import cKDTree

from cotyle.anatomy.shapes.cortex_model import Blur
from cotyle.cup.component import Cup
from cotyle.cup.density_dips import dips_on_lines
from cotyle.cup.wall_gaps import SOFTER_HU, USUAL_BLUR, deep_density_hu, marrow_hu
from cotyle.image.volume import Volume
from cotyle.space.arrays import Array, BoolArray
from cotyle.space.directions import hemisphere_directions
from cotyle.space.lines import inside
from cotyle.space.mesh import TriangleMesh

_LINES, _AROUND = 400, 6


@dataclass(frozen=True, eq=False)
class SoftBed:
    """Unit directions (n, 3) of equal area out of a shell's centre, and whether the shell is in soft tissue there."""

    directions: Array
    soft: BoolArray

    @property
    def share(self) -> float:
        """Share of the shell in soft tissue, 0 to 1."""
        return float(self.soft.mean())

    def at(self, directions: npt.ArrayLike) -> BoolArray:
        """Return whether the shell is in soft tissue along unit directions (m, 3)."""
        if not self.soft.any():
            return np.zeros(len(np.asarray(directions)), dtype=bool)
        return np.asarray(self.soft[cKDTree(self.directions).query(directions)[1]])


def find_soft_bed(
    hip_bone: TriangleMesh, cup: Cup, volume: Volume, blur: Blur | None = None, deep_hu: Array | None = None
) -> SoftBed:
    """Find where the shell of a cup lies in soft gaps within the hip bone.

    Parameters
    ----------
    hip_bone:
        Closed surface before reaming, LPS mm.
    volume:
        CT in HU.
    blur:
        What the scan does to an edge; a usual one if not given.
    deep_hu:
        Density well inside the bone (:func:`cotyle.cup.wall_gaps.deep_density_hu`), where it is known already.
    """
    inward = -cup.opening_axis_lps
    directions = hemisphere_directions(inward, _LINES)
    shell = cup.center_lps_mm + cup.radius_mm * directions
    deep = deep_density_hu(hip_bone, volume) if deep_hu is None else deep_hu
    marrow = marrow_hu(hip_bone, cup.center_lps_mm + cup.radius_mm * inward, deep)
    if marrow is None:
        return SoftBed(directions, np.zeros(_LINES, dtype=bool))
    soft = inside(hip_bone, shell, inward)
    rows = np.flatnonzero(soft)
    for row, dips in zip(rows, dips_on_lines(volume, shell[rows], directions[rows], blur or USUAL_BLUR), strict=True):
        soft[row] = any(dip.start_mm < 0.0 < dip.end_mm and dip.content_hu < marrow - SOFTER_HU for dip in dips)
    around = cKDTree(directions).query(directions, k=_AROUND + 1)[1][:, 1:]
    return SoftBed(directions, soft & (soft[around].mean(axis=1) >= 0.5))
