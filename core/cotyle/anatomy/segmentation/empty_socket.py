"""The surface of a socket that its head has left: the first bone met by rays from the socket's middle and the head's.

A shallow socket has a thick floor, up to 15 mm nearer to the mouth than the model has it: farther than a surface
searches along its normals, and the next edge it meets is the wrong side of the wall. But nothing but soft tissue lies
within a socket whose head has left it, and so the first bone on a ray is its surface. Rays that begin in a head that
has moved only a little begin where they leave it; rays that meet the head on their way tell nothing.

The places found this way only lead the surface near; the last rounds see the scan itself.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from scipy.ndimage import uniform_filter1d
from scipy.spatial import cKDTree

from cotyle.anatomy.shapes.surface_fit import Guide
from cotyle.image.sampling import sample
from cotyle.image.volume import Volume
from cotyle.space.arrays import Array, BoolArray, unit
from cotyle.space.directions import even_directions
from cotyle.space.shapes import Sphere

# A head so far from the middle of the fitted socket has left it.
LEFT_FROM_MM = 7.0
_MEDIAL_SHARE = 0.5
_LEAST_MEDIAL = -0.35
_RAYS = 3000
_STEP_MM, _FARTHEST_MM = 0.4, 48.0
# Space kept beyond the head's sphere, and how far its cortex shows beyond that when a ray begins beside it.
_LEAST_SPACE_MM, _CORTEX_MM = 1.0, 2.0
_SOFT_HU, _CEILING_HU = 60.0, 1200.0
# Bone begins halfway between soft tissue and what the median ray shows at most; but not below this share of it.
_BONE_SHARE = 0.4
_DRAWN_FROM_MM, _LEAST_FACING = 16.0, 0.3
_NEIGHBOURS, _ASTRAY_MM = 12, 2.5


@dataclass(frozen=True, eq=False)
class EmptySocket:
    """Where rays (n, 3) from a place in an empty socket meet its surface, mm (n,)."""

    middle_lps_mm: Array
    directions: Array
    reach_mm: Array

    def way(self, vertices: Array, normals: Array) -> tuple[Array, Array]:
        """Way along each outward normal to the socket's surface, and how sure; 0 where no ray tells."""
        way, sure = np.zeros(len(vertices)), np.zeros(len(vertices))
        offset = vertices - self.middle_lps_mm
        away = np.maximum(np.linalg.norm(offset, axis=1), 1e-9)
        facing = -np.einsum("ij,ij->i", offset, normals) / away
        near = np.flatnonzero((away < _FARTHEST_MM) & (facing > _LEAST_FACING))
        if not len(near) or len(self.reach_mm) < 4:
            return way, sure
        apart, rays = cKDTree(self.directions).query(offset[near] / away[near, None], k=3)
        reach = self.reach_mm[rays].mean(axis=1)
        told = (apart[:, 2] < 3.0 * np.sqrt(4.0 * np.pi / _RAYS)) & (np.abs(away[near] - reach) < _DRAWN_FROM_MM)
        way[near[told]] = ((away[near] - reach) * facing[near])[told]
        sure[near[told]] = 1.0
        return way, sure


def find_empty_socket(volume: Volume, socket: Sphere, head: Sphere, medial_lps: Array) -> list[EmptySocket]:
    """Return the surface of a socket as seen from its middle and from its head's; none if the head lies in it.

    Parameters
    ----------
    volume:
        CT in HU.
    socket:
        Of the fitted pelvis.
    head:
        Sphere of the femoral head.
    medial_lps:
        Into the pelvis; rays the other way leave through the mouth.
    """
    medial = unit(medial_lps, "medial")
    way = head.center_lps_mm - socket.center_lps_mm
    # a head that has gone inwards has taken its socket along (protrusio)
    if float(np.linalg.norm(way)) < LEFT_FROM_MM or way @ medial > _MEDIAL_SHARE * np.linalg.norm(way):
        return []
    return [_seen_from(volume, middle, head, medial) for middle in (socket.center_lps_mm, head.center_lps_mm)]


def _seen_from(volume: Volume, middle: Array, head: Sphere, medial: Array) -> EmptySocket:
    directions = even_directions(_RAYS)
    directions = directions[directions @ medial > _LEAST_MEDIAL]
    radii = np.arange(_STEP_MM, _FARTHEST_MM, _STEP_MM)
    first, last = _free_of_head(middle, directions, head)
    profile = sample(volume, middle + radii[:, None] * directions[:, None]).astype(np.float64)
    profile = uniform_filter1d(np.clip(profile, -_CEILING_HU, _CEILING_HU), 2, axis=1)
    free = (radii > first[:, None]) & (radii < last[:, None])
    usual = float(np.median(np.where(free, profile, -_CEILING_HU).max(axis=1)))
    bone = free & (profile > _SOFT_HU + _BONE_SHARE * (usual - _SOFT_HU))
    met = bone.any(axis=1)
    at = np.argmax(bone, axis=1)
    # a ray that begins in bone began in the wrong place
    met &= radii[at] > first + 2.0 * _STEP_MM
    return _without_strays(EmptySocket(middle, directions[met], radii[at[met]]))


def empty_socket_guide(sockets: Iterable[EmptySocket]) -> Guide:
    """Return a guide that draws the pelvis to the surfaces of empty sockets."""
    known = list(sockets)

    def guide(vertices: Array, normals: Array) -> tuple[Array, Array]:
        way, sure = np.zeros(len(vertices)), np.zeros(len(vertices))
        for socket in known:
            own_way, own_sure = socket.way(vertices, normals)
            told = own_sure > sure
            way[told], sure[told] = own_way[told], own_sure[told]
        return way, sure

    return guide


def near_empty(vertices: Array, sockets: Iterable[EmptySocket]) -> BoolArray:
    """Return the mask (n,) of vertices (n, 3) near an empty socket: those that its guide may have moved far."""
    near = np.zeros(len(vertices), dtype=bool)
    for socket in sockets:
        near |= np.linalg.norm(vertices - socket.middle_lps_mm, axis=1) < _FARTHEST_MM
    return near


def _free_of_head(middle: Array, directions: Array, head: Sphere) -> tuple[Array, Array]:
    """Stretch of each ray that is clear of the head: it begins where the ray leaves it, or ends where it meets it."""
    kept = head.radius_mm + _LEAST_SPACE_MM
    along = directions @ (head.center_lps_mm - middle)
    squared = float(((head.center_lps_mm - middle) ** 2).sum())
    root = along**2 - squared + kept**2
    meets = root > 0.0
    half = np.sqrt(np.maximum(root, 0.0))
    inside = squared < (kept + _CORTEX_MM) ** 2
    first = np.where(inside, np.maximum(np.where(meets, along + half, 0.0), _CORTEX_MM), 0.0)
    last = np.where(meets & (along > 0.0) & ~inside, along - half, np.inf)
    return first, last


def _without_strays(found: EmptySocket) -> EmptySocket:
    """Leave out rays that reach much farther or less far than their neighbours: blood vessels, the notch, canals."""
    if len(found.reach_mm) <= _NEIGHBOURS:
        return found
    around = cKDTree(found.directions).query(found.directions, k=_NEIGHBOURS + 1)[1][:, 1:]
    like = np.abs(np.median(found.reach_mm[around], axis=1) - found.reach_mm) < _ASTRAY_MM
    return EmptySocket(found.middle_lps_mm, found.directions[like], found.reach_mm[like])
