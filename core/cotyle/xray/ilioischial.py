"""The ilio-ischial line of a picture: where the beam grazes the inner face of the posterior column.

It is looked for among the bone's contours behind the teardrop, at the height of the teardrop's lower end. There it
often ends, where the obturator foramen begins: the lowest place within 15 mm above that end counts. From there it is
followed up the picture, a millimetre at a time. For views from the front.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from cotyle.space.arrays import Array, as_vector, read_only
from cotyle.space.mesh import TriangleMesh
from cotyle.xray.carm import CArm
from cotyle.xray.outlines import silhouette_segments
from cotyle.xray.screen import Screen

# the ischium's outer contour runs 15 to 20 mm lateral of the teardrop; the posterior column lies well behind it
_REACH_MM = (20.0, 10.0)
_ABOVE_MM = 15.0
_BEHIND_MM = 5.0
_FOLLOWED_MM = 60.0
# a line that jumps more than this from one millimetre to the next is another one
_JUMP_MM = 2.5


@dataclass(frozen=True, eq=False)
class IlioischialLine:
    """The line as (lateral, up) from the teardrop, mm on one screen, lowest point first, shape (n, 2)."""

    points_mm: Array

    @property
    def lateral_to_teardrop_mm(self) -> float:
        """How far lateral to the teardrop it runs beside it, or at the next height at which it is seen."""
        return float(self.points_mm[0, 0])

    def clearance_mm(self, outline_mm: npt.ArrayLike) -> float | None:
        """Return the least way from the line to an outline (n, 2), across the picture at the outline's own height.

        Positive while the outline lies lateral to the line, negative where it has crossed it; None if they share no
        height.
        """
        outline = np.asarray(outline_mm, dtype=float)
        low, high = self.points_mm[0, 1], self.points_mm[-1, 1]
        beside = outline[(outline[:, 1] >= low) & (outline[:, 1] <= high)]
        if not len(beside):
            return None
        return float((beside[:, 0] - np.interp(beside[:, 1], self.points_mm[:, 1], self.points_mm[:, 0])).min())


def ilioischial_line(
    carm: CArm, screen: Screen, hip_bone: TriangleMesh, teardrop_lps_mm: npt.ArrayLike, lateral: npt.ArrayLike
) -> IlioischialLine | None:
    """Return the line of a picture, or None where none is seen beside the teardrop.

    ``lateral`` is the unit direction out of the body on the screen, ``screen.left`` with the side's sign.
    """
    teardrop = as_vector(teardrop_lps_mm, "teardrop")
    segments = silhouette_segments(carm, hip_bone)
    # columns to the left and rows to the feet span a picture looked into from the front
    into_picture = np.cross(carm.column_direction_lps, carm.row_direction_lps)
    segments = segments[(segments.mean(axis=1) - teardrop) @ into_picture > _BEHIND_MM]
    on_screen = screen.of(segments.reshape(-1, 3)).reshape(-1, 2, 2) - screen.of(teardrop)
    across, height = on_screen @ np.asarray(lateral, dtype=float), on_screen @ screen.up
    points: list[tuple[float, float]] = []
    for level in np.arange(0.0, _FOLLOWED_MM + 0.5):
        offsets = _crossings(across, height, level)
        if points:
            offsets = offsets[np.abs(offsets - points[-1][0]) <= _JUMP_MM]
            if not len(offsets):
                break
            points.append((float(offsets[np.abs(offsets - points[-1][0]).argmin()]), level))
        elif level <= _ABOVE_MM:
            medial, lateral_reach = _REACH_MM
            offsets = offsets[(offsets > -medial) & (offsets < lateral_reach)]
            if len(offsets):
                points.append((float(offsets[np.abs(offsets).argmin()]), level))
        else:
            break
    return IlioischialLine(read_only(np.array(points))) if points else None


def _crossings(across: Array, height: Array, level: float) -> Array:
    """Return where segments, given by both ends, cut a height."""
    low, high = (height - level).T
    cut = (low > 0) != (high > 0)
    share = low[cut] / (low[cut] - high[cut])
    return np.asarray(across[cut, 0] * (1.0 - share) + across[cut, 1] * share)
