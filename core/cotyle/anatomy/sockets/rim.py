"""The rim of the native socket: its edge as the centre of the sphere sees it.

In each half-plane that contains the opening axis, the surface of the hip bone is followed from the mouth
inwards; the rim is the first bone within 6 mm of the sphere. That is the ridge where the surface turns away
from the sphere, and it is the same edge that a centre-edge angle measures. Between the ends of the lunate, at
the notch, there is no rim: those points lie on the floor or the ramus and are marked.

The rim plane is the total-least-squares plane of the rim without the notch; its normal out of the mouth is the
native opening axis. The half-planes are turned about that axis and the search repeated until it stays.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from cotyle.anatomy.sections import horizon, near_part, plane_section
from cotyle.errors import InputError
from cotyle.space.arrays import Array, BoolArray, unit
from cotyle.space.fits import fit_plane
from cotyle.space.mesh import TriangleMesh
from cotyle.space.rotations import angle_between_deg
from cotyle.space.shapes import Plane, Sphere
from cotyle.space.side import Side

RIM_REACH_MM = 6.0
STEP_DEG = 5.0
# Direction out of a generic mouth (lateral, posterior, superior): 45 deg of abduction, 15 deg forward; only a
# start
GENERIC_MOUTH = np.array([0.68, -0.26, -0.68])
_NOTCH_EXCESS_MM = 4.5
_LOWER_DEG = 100.0
_OUTLIER_MM = 6.0


@dataclass(frozen=True, eq=False)
class Rim:
    """Rim of one socket.

    ``azimuth_deg`` (n,): place round the opening axis, 0 above, +90 in front, -90 behind, +-180 below.
    ``points_lps_mm`` (n, 3) in that order; ``notch`` (n,) true where the lunate is interrupted.
    ``axis_uncertainty_deg``: one SD of the plane's normal, from the scatter of the rim about its plane (a rim
    is not flat: about 2 mm) over eight independent points.
    """

    azimuth_deg: Array
    points_lps_mm: Array
    notch: BoolArray
    plane: Plane
    opening_axis_lps: Array
    scatter_mm: float
    axis_uncertainty_deg: float

    @property
    def edge_lps_mm(self) -> Array:
        """Rim points without the notch, shape (m, 3)."""
        return self.points_lps_mm[~self.notch]


@dataclass(frozen=True, eq=False)
class MouthView:
    """Unit directions round a socket: out of its mouth, and in the plane of the mouth upward and forward,
    LPS.
    """

    mouth: Array
    upward: Array
    forward: Array


def mouth_view(axes: Array, side: Side, mouth: Array | None = None) -> MouthView:
    """Return the view along a mouth (the generic one if None) for pelvic axes (3, 3): rows left, posterior,
    superior.
    """
    left, posterior, superior = axes
    out = unit(GENERIC_MOUTH @ np.stack([side.lateral_sign * left, posterior, superior]) if mouth is None else mouth)
    upward = unit(superior - (superior @ out) * out)
    across = np.cross(out, upward)
    return MouthView(out, upward, across if across @ posterior < 0 else -across)


def find_rim(hip_bone: TriangleMesh, sphere: Sphere, axes: Array, side: Side) -> Rim:
    """Find the rim of one socket.

    Parameters
    ----------
    hip_bone:
        Closed surface, LPS mm.
    sphere:
        Of the lunate surface.
    axes:
        Shape (3, 3), rows left, posterior, superior of the anterior pelvic plane in LPS.
    side:
        Which hip.

    Raises
    ------
    InputError
        ``rim-not-found`` if less than half of a circle of rim is there.
    """
    bone = near_part(hip_bone, sphere.center_lps_mm, sphere.radius_mm + 3 * RIM_REACH_MM)
    view = mouth_view(axes, side)
    for _ in range(6):
        azimuth, points = _trace(bone, sphere, view)
        if len(points) * STEP_DEG < 180.0:
            raise InputError("rim-not-found", f"no rim round the {side} socket", "Check the bones and the side")
        excess = np.linalg.norm(points - sphere.center_lps_mm, axis=1) - sphere.radius_mm
        notch = (np.abs(azimuth) > _LOWER_DEG) & (excess > _NOTCH_EXCESS_MM)
        plane, notch = _plane(points, notch, np.abs(azimuth) > _LOWER_DEG)
        axis = plane.normal_lps if plane.normal_lps @ view.mouth > 0 else -plane.normal_lps
        turned = angle_between_deg(axis, view.mouth)
        view = mouth_view(axes, side, axis)
        if turned < 0.05:
            break
    edge = points[~notch]
    scatter = float(np.sqrt(np.mean(plane.signed_distance_mm(edge) ** 2)))
    # the slope of a plane through eight points on a circle of radius r: var = 2 s^2 / (8 r^2)
    tilt = float(np.rad2deg(scatter * np.sqrt(2.0 / 8.0) / sphere.radius_mm))
    return Rim(azimuth, points, notch, Plane(plane.point_lps_mm, axis), axis, scatter, tilt)


def _trace(bone: TriangleMesh, sphere: Sphere, view: MouthView) -> tuple[Array, Array]:
    azimuths, points = [], []
    for azimuth in np.arange(-180.0, 180.0, STEP_DEG):
        out = np.cos(np.deg2rad(azimuth)) * view.upward + np.sin(np.deg2rad(azimuth)) * view.forward
        segments = plane_section(bone, sphere.center_lps_mm, view.mouth, out)
        edge = horizon(segments, sphere.radius_mm + RIM_REACH_MM, sphere.radius_mm - RIM_REACH_MM)
        if edge is not None:
            azimuths.append(azimuth)
            points.append(sphere.center_lps_mm + edge[1] @ np.stack([view.mouth, out]))
    return np.array(azimuths), np.array(points).reshape(-1, 3)


def _plane(points: Array, notch: BoolArray, lower: BoolArray) -> tuple[Plane, BoolArray]:
    """Plane of the rim; below, points far from it are notch too."""
    for _ in range(4):
        plane = fit_plane(points[~notch])
        again = notch | (lower & (np.abs(plane.signed_distance_mm(points)) > _OUTLIER_MM))
        if (again == notch).all() or (~again).sum() < 12:
            break
        notch = again
    return plane, notch
