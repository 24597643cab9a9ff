"""How much bone a hip has lost, region by region, against its mirrored opposite.

Bone counts as lost where the mirrored other hip bone holds it, ``SPARED_MM`` or more beneath its surface, and this one
does not: two hip bones of one person differ by a millimetre or so, and what lies near the surface says nothing. Regions
are about the mirrored socket: behind its floor, and its roof, front and back wall by quarters of the rim; the teardrop;
and the ischium below it. Their sizes are our choice, no source; which regions count in a revision is after Telleria
JJM, Gee AO, Clin Orthop Relat Res 2013;471:3725-30 (superior migration, teardrop, ischium, medial wall).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from cotyle.cup.coverage import rim_directions
from cotyle.cup.options.bone_field import SPACING_MM, BoneField
from cotyle.space.arrays import Array, BoolArray
from cotyle.space.frames import Frame

SPARED_MM = 1.5
DEEP_MM = 15.0
FLOOR_WITHIN_DEG = 45.0
TEARDROP_WITHIN_MM = 10.0
ISCHIUM_BELOW_MM = 30.0
_BEHIND_TEARDROP_MM = 5.0
REGIONS = ("floor", "roof", "front", "back", "teardrop", "ischium")


@dataclass(frozen=True)
class Loss:
    """Bone of one region: what the mirrored other hip has there, and how much of it is missing here, ml."""

    of_ml: float
    missing_ml: float

    @property
    def share(self) -> float:
        """Missing share, 0 to 1; 0 where the other hip has no bone there."""
        return self.missing_ml / self.of_ml if self.of_ml > 0.0 else 0.0


@dataclass(frozen=True, eq=False)
class MirroredSocket:
    """The other hip's socket where it lies mirrored on this side: centre, radius, opening axis, teardrop (or None)."""

    center_lps_mm: Array
    radius_mm: float
    opening_axis_lps: Array
    teardrop_lps_mm: Array | None


def bone_loss(own: BoneField, mirrored: BoneField, socket: MirroredSocket, frame: Frame) -> Mapping[str, Loss]:
    """Return the loss of each region that can be told; both fields must have the same nodes.

    Parameters
    ----------
    own, mirrored:
        Fields of this hip bone and of the mirrored other one.
    frame:
        Of the words superior and anterior.
    """
    if own.distance_mm.shape != mirrored.distance_mm.shape or not np.array_equal(own.low_lps_mm, mirrored.low_lps_mm):
        raise ValueError("the two fields have other nodes")
    k, j, i = np.nonzero(mirrored.distance_mm <= -SPARED_MM)
    points = own.low_lps_mm + SPACING_MM * np.stack([i, j, k], axis=1)
    missing = own.distance_mm[k, j, i] > 0.0
    node_ml = SPACING_MM**3 / 1000.0
    losses = {}
    for name, inside in _regions(points, socket, frame).items():
        losses[name] = Loss(float(inside.sum()) * node_ml, float((inside & missing).sum()) * node_ml)
    return losses


def lost_points(own: BoneField, mirrored: BoneField, socket: MirroredSocket, frame: Frame) -> Array:
    """Return the nodes (n, 3) that are lost in any region, LPS mm."""
    k, j, i = np.nonzero((mirrored.distance_mm <= -SPARED_MM) & (own.distance_mm > 0.0))
    points = own.low_lps_mm + SPACING_MM * np.stack([i, j, k], axis=1)
    within = np.zeros(len(points), dtype=bool)
    for inside in _regions(points, socket, frame).values():
        within |= inside
    return np.asarray(points[within])


def _regions(points: Array, socket: MirroredSocket, frame: Frame) -> dict[str, BoolArray]:
    axis = socket.opening_axis_lps
    offset = points - socket.center_lps_mm
    distance = np.linalg.norm(offset, axis=1)
    inward = -(offset @ axis)
    behind = (distance >= socket.radius_mm) & (distance <= socket.radius_mm + DEEP_MM) & (inward >= 0.0)
    polar = np.degrees(np.arccos(np.clip(inward / np.maximum(distance, 1e-9), -1.0, 1.0)))
    up, front = rim_directions(axis, frame)
    around = np.degrees(np.arctan2(offset @ front, offset @ up))
    wall = behind & (polar > FLOOR_WITHIN_DEG)
    found = {
        "floor": behind & (polar <= FLOOR_WITHIN_DEG),
        "roof": wall & (np.abs(around) <= 45.0),
        "front": wall & (np.abs(around - 90.0) <= 45.0),
        "back": wall & (np.abs(around + 90.0) <= 45.0),
    }
    if socket.teardrop_lps_mm is not None:
        below = (points - socket.teardrop_lps_mm) @ -frame.superior
        rear = (points - socket.teardrop_lps_mm) @ frame.posterior
        found["teardrop"] = np.linalg.norm(points - socket.teardrop_lps_mm, axis=1) <= TEARDROP_WITHIN_MM
        found["ischium"] = (below >= 0.0) & (below <= ISCHIUM_BELOW_MM) & (rear >= _BEHIND_TEARDROP_MM)
    return {name: np.asarray(inside) for name, inside in found.items()}
