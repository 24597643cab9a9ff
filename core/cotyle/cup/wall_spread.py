"""How sure the wall behind a cavity is.

The cavity is planned and therefore exact; what errs are the surfaces of the bone.

*Along the axis.* The wall ends at the exit, and begins at an entry where the pole lies over the soft fossa. Each of the
two errs by ``SURFACE_UNCERTAINTY_MM``, by what the edge there is worse than a clear one, divided by the cosine between
axis and surface (a line that grazes a surface meets it elsewhere), and by half of what the scan moved the crossing. The
two surfaces are read off different profiles: their errors are independent and add in squares.

*Least distance.* It errs by ``LEAST_UNCERTAINTY_MM`` and by what the inner surface at its place is worse than clear.
But a doubtful place that lies little farther off may hold the true least distance: the deviation is widened until its
95 % interval reaches down to the lowest end of any place's own.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from cotyle.anatomy.segmentation.edge_confidence import EdgeConfidence, excess_mm
from cotyle.cup.cavity import ReamingStep
from cotyle.cup.inner_surface import InnerSurface, NearestPair, squarely_behind
from cotyle.space.arrays import Array
from cotyle.space.mesh import TriangleMesh

# One standard deviation at clear edges of a scan of 0.8 x 0.8 x 1.0 mm, from trials on synthetic scans: of one surface
# that the axis crosses (the density is read there), and of the least distance (the surface alone).
SURFACE_UNCERTAINTY_MM = 0.08
LEAST_UNCERTAINTY_MM = 0.13
# An edge speaks for a crossing within this way, on the same side of the bone.
NEAR_MM = 3.0
# A line that grazes a surface more than this says nothing more exact of where it crosses it.
LEAST_COSINE = 0.35
_NORMAL_95 = 1.96


class EdgeReader:
    """Reads off how unsure one bone's surface is at a place; ``edges`` None stands for clear ones everywhere."""

    def __init__(self, bone: TriangleMesh, edges: EdgeConfidence | None) -> None:
        self._bone, self._edges = bone, edges
        self._tree = bone.vertex_tree if edges is not None else None

    @property
    def knows_edges(self) -> bool:
        """Whether edges were given."""
        return self._edges is not None

    def added_mm(self, point_lps_mm: Array, outward_lps: Array) -> tuple[float, float]:
        """Return by how much the surface is worse than a clear edge where a line leaves the bone, and its cosine.

        Over the vertices within ``NEAR_MM`` whose normals run with the line; the nearest one where there is none.
        """
        if self._tree is None or self._edges is None:
            return 0.0, 1.0
        normals = self._bone.vertex_normals
        near = np.array(self._tree.query_ball_point(point_lps_mm, NEAR_MM), dtype=int)
        near = near[normals[near] @ outward_lps > 0.0] if len(near) else near
        if not len(near):
            near = np.array([self._tree.query(point_lps_mm)[1]])
        added = excess_mm(self._edges.sd_mm[near])
        cosine = float(np.mean(normals[near] @ outward_lps))
        return float(np.sqrt(np.mean(added**2))), max(cosine, LEAST_COSINE)

    def nearest_added_mm(self, points_lps_mm: Array) -> Array:
        """Return by how much the surface is worse than a clear edge at the vertices nearest to points (n, 3)."""
        if self._tree is None or self._edges is None:
            return np.zeros(len(points_lps_mm))
        return excess_mm(self._edges.sd_mm[self._tree.query(points_lps_mm)[1]])


def crossing_spread_mm(
    reader: EdgeReader, point_lps_mm: Array, outward_lps: Array, shift_mm: float, surface_uncertainty_mm: float
) -> float:
    """Return one standard deviation, along the line, of where a line leaves the bone."""
    added, cosine = reader.added_mm(point_lps_mm, outward_lps)
    return float(np.sqrt(surface_uncertainty_mm**2 + (added / cosine) ** 2 + (0.5 * shift_mm) ** 2))


def least_spread_mm(
    reader: EdgeReader,
    surface: InnerSurface,
    floors: Sequence[ReamingStep],
    pair: NearestPair,
) -> float:
    """Return one standard deviation of the least distance between floors and inner surface."""
    own = float(np.hypot(LEAST_UNCERTAINTY_MM, reader.nearest_added_mm(pair.on_surface_lps_mm[None])[0]))
    reach = _NORMAL_95 * own
    for step in floors if reader.knows_edges else ():
        places = squarely_behind(surface, step).centroids_lps_mm
        offset = places - step.end_center_lps_mm
        behind = offset @ step.direction_lps >= 0.0
        if not behind.any():
            continue
        distance = np.linalg.norm(offset[behind], axis=1) - step.radius_mm
        lowest = distance - _NORMAL_95 * np.hypot(LEAST_UNCERTAINTY_MM, reader.nearest_added_mm(places[behind]))
        reach = max(reach, pair.distance_mm - float(lowest.min()))
    return reach / _NORMAL_95
