"""How thick the front and the back wall of the socket are left.

Thirty degrees inside the rim, where the walls stand before they taper off, straight out of the floor of the last
reamer: the bone met on seven lines within 30 degrees of the middle of the anterior and of the posterior quarter of the
cup (azimuths as in :mod:`cotyle.cup.coverage`), the median of each seven. On a line, gaps under 2 mm are bridged as in
the medial wall, and bone that begins up to 5 mm off the floor counts (a reamer that went in deep leaves the wall
standing beside it); where none does it is 0. The definition is ours; we know of no published one for a reamed socket.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from cotyle.cup.cavity import ReamingStep
from cotyle.cup.component import Cup
from cotyle.cup.coverage import rim_directions
from cotyle.cup.wall import BRIDGED_GAP_MM
from cotyle.space.arrays import Array, read_only
from cotyle.space.frames import Frame
from cotyle.space.lines import cross
from cotyle.space.mesh import TriangleMesh

INSIDE_RIM_DEG = 30.0
LINES_DEG = (-30.0, -20.0, -10.0, 0.0, 10.0, 20.0, 30.0)
BESIDE_FLOOR_MM = 5.0
FRONT_AZIMUTH_DEG, BACK_AZIMUTH_DEG = 90.0, 270.0


@dataclass(frozen=True)
class RimWalls:
    """Median thickness left of the front and the back wall, mm."""

    front_mm: float
    back_mm: float


def wall_lines(middle_azimuth_deg: float) -> Array:
    """Return the unit directions (7, 3) of one wall as parts along the superior, anterior and inward axes of a cup."""
    azimuth = np.radians(middle_azimuth_deg + np.array(LINES_DEG))
    inside = np.radians(INSIDE_RIM_DEG)
    along_rim = np.cos(inside) * np.stack([np.cos(azimuth), np.sin(azimuth)], axis=1)
    return read_only(np.column_stack([along_rim, np.full(len(azimuth), np.sin(inside))]))


def rim_walls(hip_bone: TriangleMesh, cup: Cup, last: ReamingStep, frame: Frame) -> RimWalls:
    """Measure both walls on the closed surface of the hip bone before reaming; ``last`` is the cup's last reamer."""
    superior, anterior = rim_directions(cup.opening_axis_lps, frame)
    axes = np.stack([superior, anterior, last.direction_lps])
    front, back = (
        float(np.median([_bone_on(hip_bone, last, way) for way in wall_lines(azimuth) @ axes]))
        for azimuth in (FRONT_AZIMUTH_DEG, BACK_AZIMUTH_DEG)
    )
    return RimWalls(front, back)


def _bone_on(hip_bone: TriangleMesh, last: ReamingStep, way_lps: Array) -> float:
    """Return the bone met on a line out of the reamer's floor, mm."""
    start = last.end_center_lps_mm + last.radius_mm * way_lps
    for begin, end in cross(hip_bone, start[None], way_lps).intervals_mm(0, BRIDGED_GAP_MM):
        if end > 0.0:
            return float(end - max(begin, 0.0)) if begin <= BESIDE_FLOOR_MM else 0.0
    return 0.0
