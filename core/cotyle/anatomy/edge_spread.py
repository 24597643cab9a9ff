"""What doubtful edges do to the socket's sphere and to the landmarks.

*Sphere.* The fit counts the lunate as 30 independent points (:mod:`cotyle.anatomy.sockets.socket_sphere`): a vertex
stands for its share s of them by area. A point that errs by sd along its normal moves the least-squares sphere
p = (centre, radius) by the fit's own gain, and independent points add in squares:
cov p = A^-1 (sum s sd^2 g g') A^-1, A = sum s g g', g = (unit vector from the centre, 1).

*Landmarks.* A point that was found on a surface errs by that surface's standard deviation besides its rule's own, along
the surface as across it: where the model drew the edge, the ridge's place is the model's, too.

Both only add what exceeds a clear edge of a usual scan, with which the rules' own deviations were set.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np
from scipy.spatial import cKDTree

from cotyle.anatomy.landmarks import Landmark, Landmarks, Origin, SocketSeeds
from cotyle.anatomy.segmentation.edge_confidence import EdgeConfidence, excess_mm
from cotyle.anatomy.sockets.rim import mouth_view
from cotyle.anatomy.sockets.socket_sphere import SocketSphere, articular, vertex_areas
from cotyle.space.arrays import Array
from cotyle.space.mesh import TriangleMesh
from cotyle.space.shapes import Sphere
from cotyle.space.side import Side

INDEPENDENT_POINTS = 30.0
"""As how many points the lunate counts in the fit of its sphere."""
ON_SURFACE_MM = 3.0
"""A landmark farther from every vertex lies on no surface (middle points, centres)."""


def sphere_spread_mm(points_lps_mm: Array, areas_mm2: Array, sd_mm: Array, sphere: Sphere) -> tuple[float, float]:
    """Return one standard deviation of a fitted sphere's centre (of one coordinate, root mean square) and diameter.

    Parameters
    ----------
    points_lps_mm, areas_mm2, sd_mm:
        Points of the articular surface (n, 3), the area that each stands for and its deviation along its normal, (n,).
    sphere:
        What was fitted to them.
    """
    offset = points_lps_mm - sphere.center_lps_mm
    gain = np.hstack([offset / np.linalg.norm(offset, axis=1)[:, None], np.ones((len(offset), 1))])
    shares = INDEPENDENT_POINTS * areas_mm2 / areas_mm2.sum()
    inverse = np.linalg.inv(gain.T @ (shares[:, None] * gain) + 1e-9 * np.eye(4))
    covariance = inverse @ (gain.T @ ((shares * sd_mm**2)[:, None] * gain)) @ inverse
    return float(np.sqrt(np.trace(covariance[:3, :3]) / 3.0)), float(2.0 * np.sqrt(covariance[3, 3]))


def widened_sphere(
    fit: SocketSphere, bone: TriangleMesh, side: Side, axes: Array, seeds: SocketSeeds, edges: EdgeConfidence
) -> SocketSphere:
    """Return the fit with the deviations that the edges of the lunate surface add; arguments as for the fit itself."""
    chosen = articular(bone, mouth_view(axes, side), seeds, fit.sphere)
    if not chosen.any():
        return fit
    center_mm, diameter_mm = sphere_spread_mm(
        bone.vertices_lps_mm[chosen], vertex_areas(bone)[chosen], excess_mm(edges.sd_mm[chosen]), fit.sphere
    )
    return replace(
        fit,
        # a given centre is where it was put; its size still is what the surface says
        uncertainty_mm=fit.uncertainty_mm if fit.method == "given" else float(np.hypot(fit.uncertainty_mm, center_mm)),
        diameter_uncertainty_mm=float(np.hypot(fit.diameter_uncertainty_mm, diameter_mm)),
    )


def widened_landmarks(
    landmarks: Landmarks, surfaces: Mapping[str, TriangleMesh], edges: Mapping[str, EdgeConfidence]
) -> dict[str, Landmark]:
    """Return the landmarks with the deviations of the surfaces they lie on; given ones stay as they are."""
    names = [name for name in surfaces if name in edges]
    if not names or not landmarks:
        return dict(landmarks)
    tree = cKDTree(np.concatenate([surfaces[name].vertices_lps_mm for name in names]))
    added = excess_mm(np.concatenate([edges[name].sd_mm for name in names]))
    away, rows = tree.query(np.stack([mark.lps_mm for mark in landmarks.values()]))
    wider = {}
    for (name, mark), way, row in zip(landmarks.items(), away, rows, strict=True):
        held = mark.origin is not Origin.DETECTED or way > ON_SURFACE_MM
        wider[name] = mark if held else _wider(mark, float(added[row]))
    return wider


def _wider(mark: Landmark, added_mm: float) -> Landmark:
    return replace(
        mark,
        uncertainty_mm=float(np.hypot(mark.uncertainty_mm, added_mm)),
        across_uncertainty_mm=float(np.hypot(mark.across_uncertainty_mm, added_mm)),
    )
