"""Landmarks and regions of the shape model's mean pelvis, found by geometric rules when the model is loaded.

The result is a set of vertex numbers, so that every shape the model takes (and every surface deformed from
it) carries the same landmarks. Nothing here is a table of numbers: each rule is stated beside its code.
All directions are those of the mean's own anterior pelvic plane ("app"): rows left, posterior, superior.

``PelvisGeometry`` is the input of every rule.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.spatial import cKDTree

from cotyle.space.arrays import Array, BoolArray
from cotyle.space.fits import fit_sphere
from cotyle.space.shapes import Sphere
from cotyle.space.side import Side

IndexArray = npt.NDArray[np.int64]

LEFT_HIP, RIGHT_HIP, SACRUM = 1, 2, 3
HIP_CODE = {Side.LEFT: LEFT_HIP, Side.RIGHT: RIGHT_HIP}


@dataclass(frozen=True, eq=False)
class PelvisGeometry:
    """The mean pelvis as the rules need it.

    vertices (n, 3) mm, normals (n, 3) outward unit, component (n,) int8 codes (1 left hip bone, 2 right hip
    bone, 3 sacrum), head_center: side -> femoral head centre (3,) mm, used only to find the socket.
    """

    vertices: Array
    normals: Array
    component: npt.NDArray[np.int8]
    head_center: Mapping[Side, Array]


@dataclass(frozen=True, eq=False)
class SocketRegions:
    """Vertex numbers of one socket. ``rim`` runs from behind
    the notch over the roof to its front edge (the notch itself is left open); ``sphere`` is fitted to the lunate.
    """

    lunate: IndexArray
    fossa: IndexArray
    rim: IndexArray
    inner_wall: IndexArray
    sphere: Sphere


def app_axes(asis_left: Array, asis_right: Array, tubercles: Array) -> Array:
    """Rows left, posterior, superior of the anterior pelvic plane (McKibbin 1970) from its points (3,)."""
    left = asis_left - asis_right
    left = left / np.linalg.norm(left)
    up = 0.5 * (asis_left + asis_right) - tubercles
    posterior = np.cross(up, left)
    posterior = posterior / np.linalg.norm(posterior)
    return np.vstack([left, posterior, np.cross(left, posterior)])


def tangent_plane_landmarks(geometry: PelvisGeometry) -> tuple[dict[str, int], Array]:
    """ASIS and pubic tubercles as the points that touch one common plane in front; and that plane's axes.

    Each ASIS is the foremost vertex more than 35 mm above the hip centre of its hip bone, each tubercle the
    foremost one below the hip centre and 12 to 42 mm from the middle, "foremost" along the normal of the
    plane of the four points; repeated until the four vertices stay.
    """
    v, component = geometry.vertices, geometry.component
    axes = np.eye(3)
    found: dict[str, int] = {}
    for _ in range(50):
        q = v @ axes.T
        middle = np.mean([axes @ c for c in geometry.head_center.values()], axis=0)[0]
        now: dict[str, int] = {}
        for side, code in HIP_CODE.items():
            height = q[:, 2] - (axes @ geometry.head_center[side])[2]
            lateral = side.lateral_sign * (q[:, 0] - middle)
            bone = component == code
            iliac = np.flatnonzero(bone & (height > 35.0))
            pubic = np.flatnonzero(bone & (height < 0.0) & (lateral > 12.0) & (lateral < 42.0))
            now[f"asis_{side}"] = int(iliac[np.argmin(q[iliac, 1])])
            now[f"pubic_tubercle_{side}"] = int(pubic[np.argmin(q[pubic, 1])])
        if now == found:
            break
        found = now
        tubercles = 0.5 * (v[found["pubic_tubercle_left"]] + v[found["pubic_tubercle_right"]])
        axes = app_axes(v[found["asis_left"]], v[found["asis_right"]], tubercles)
    return found, axes


def socket_regions(geometry: PelvisGeometry, axes: Array, side: Side) -> SocketRegions:
    """Lunate surface, fossa, rim and inner wall of one socket as vertex numbers.

    axes: rows left, posterior, superior of the app frame. Vertices that look at the centre of the socket
    within its mouth form its inside. The lunate lies on the fitted sphere within 2 mm, the fossa lies deeper.
    """
    lateral_axes = axes * np.array([[side.lateral_sign], [1.0], [1.0]])
    points, normals = geometry.vertices @ lateral_axes.T, geometry.normals @ lateral_axes.T
    bone = geometry.component == HIP_CODE[side]
    center, radius = lateral_axes @ geometry.head_center[side], 24.0
    mouth = np.array([0.68, -0.26, -0.68])  # a start: 45 deg of abduction, 15 deg forward
    rim: list[int] = []
    for round_number in range(15):
        mouth = mouth / np.linalg.norm(mouth)
        offset = points - center
        distance = np.linalg.norm(offset, axis=1)
        facing = -np.einsum("ij,ij->i", offset, normals) / distance
        polar_deg, azimuth_deg = _polar_coordinates(offset, distance, mouth)
        inside = bone & (facing > 0.5) & (distance < radius + 12) & (distance > radius - 8) & (polar_deg < 115)
        rim = _rim(inside, azimuth_deg, offset @ mouth)
        # The fit leaves out the middle (fossa) and the notch below; the first rounds forgive a poor start.
        tolerance_mm = 6.0 if round_number < 4 else 2.5
        articular = inside & (polar_deg > 50) & (np.abs(azimuth_deg) < 140) & (facing > 0.75)
        sphere, _ = fit_sphere(points[articular & (np.abs(distance - radius) < tolerance_mm)])
        center, radius = sphere.center_lps_mm, sphere.radius_mm
        rim_points = points[rim] - points[rim].mean(axis=0)
        normal = np.linalg.svd(rim_points)[2][2]
        mouth = normal * np.sign(normal @ mouth)
    depth = distance - radius
    lunate = inside & (np.abs(depth) < 2.0) & (polar_deg > 25) & (np.abs(azimuth_deg) < 150) & (facing > 0.75)
    fossa = inside & (depth >= 2.0) & (polar_deg < 65) & ~lunate
    medial = -mouth
    inner = bone & ~inside & (normals @ medial > 0.3) & (normals[:, 0] < -0.3)
    inner &= (distance < radius + 20) & (offset @ medial > 0.4 * radius)
    return SocketRegions(
        np.flatnonzero(lunate),
        np.flatnonzero(fossa),
        np.array(rim, dtype=np.int64),
        np.flatnonzero(inner),
        Sphere(center @ lateral_axes, radius),
    )


def _polar_coordinates(offset: Array, distance: Array, mouth: Array) -> tuple[Array, Array]:
    """Degrees from the pole of the socket, and round the mouth: 0 above, +90 in front, +-180 at the notch."""
    upward = np.array([0.0, 0.0, 1.0]) - mouth[2] * mouth
    upward /= np.linalg.norm(upward)
    forward = np.cross(mouth, upward)
    forward *= -np.sign(forward[1])
    polar = np.degrees(np.arccos(np.clip(-(offset @ mouth) / distance, -1.0, 1.0)))
    return polar, np.degrees(np.arctan2(offset @ forward, offset @ upward))


def _rim(inside: BoolArray, azimuth_deg: Array, height: Array) -> list[int]:
    """The vertex farthest towards the mouth in each 10 deg of azimuth, from -135 (behind) to +135 (in front)."""
    rim: list[int] = []
    for azimuth in range(-135, 136, 10):
        sector = np.flatnonzero(inside & (np.abs(azimuth_deg - azimuth) < 6.0))
        if len(sector):
            vertex = int(sector[np.argmax(height[sector])])
            if vertex not in rim:
                rim.append(vertex)
    return rim


def carried_landmarks(
    geometry: PelvisGeometry, axes: Array, regions: Mapping[Side, SocketRegions]
) -> dict[str, tuple[int, ...]]:
    """Landmark name -> vertex numbers whose mean is the landmark (one, or two across a gap).

    - psis: backmost vertex of the hip bone above the hip centre (app frame);
    - ischial_tuberosity: lowest vertex of the hip bone;
    - teardrop: lowest vertex of the floor of the acetabular fossa;
    - superolateral_rim: rim vertex above the centre that lies nearest to the coronal plane through it;
    - si_joint_inferior: lowest vertex of the hip bone within 4 mm of the sacrum;
    - symphysis: middle of the gap, a vertex of each hip bone nearest to the mean of those facing each other;
    - sacrum_midline: highest vertex of the sacrum within 3 mm of its middle plane and in front of its canal
      (the back edge of the S1 endplate, where the slope of the endplate ends).
    """
    v, component = geometry.vertices, geometry.component
    q = v @ axes.T
    found: dict[str, tuple[int, ...]] = {}
    sacrum = np.flatnonzero(component == SACRUM)
    bones = {side: np.flatnonzero(component == code) for side, code in HIP_CODE.items()}
    facing: list[int] = []
    for side, bone in bones.items():
        region = regions[side]
        center = axes @ region.sphere.center_lps_mm
        upper = bone[q[bone, 2] > center[2]]
        found[f"psis_{side}"] = (int(upper[np.argmax(q[upper, 1])]),)
        found[f"ischial_tuberosity_{side}"] = (int(bone[np.argmin(q[bone, 2])]),)
        found[f"teardrop_{side}"] = (int(region.fossa[np.argmin(q[region.fossa, 2])]),)
        roof = region.rim[q[region.rim, 2] > center[2]]
        found[f"superolateral_rim_{side}"] = (int(roof[np.argmin(np.abs(q[roof, 1] - center[1]))]),)
        joint = bone[cKDTree(v[sacrum]).query(v[bone])[0] < 4.0]
        found[f"si_joint_inferior_{side}"] = (int(joint[np.argmin(q[joint, 2])]),)
        other = bones[side.opposite]
        symphysis = bone[cKDTree(v[other]).query(v[bone])[0] < 9.0]
        nearest = np.argmin(np.linalg.norm(v[symphysis] - v[symphysis].mean(axis=0), axis=1))
        facing.append(int(symphysis[nearest]))
    found["symphysis"] = (facing[0], facing[1])
    middle = 0.5 * (q[sacrum, 0].min() + q[sacrum, 0].max())
    midline = sacrum[np.abs(q[sacrum, 0] - middle) < 3.0]
    found["sacrum_midline"] = (int(midline[np.argmax(q[midline, 2])]),)
    return found
