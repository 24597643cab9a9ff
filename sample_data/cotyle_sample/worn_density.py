"""What wear does to density: sclerosis under the contact on both sides, cysts near it. Laid in after the bones.

Densities are common practice, no source: sclerotic bone 900 to 1300 HU, fluid in cysts 20 to 60 HU.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt
from cotyle.image.labels import LABEL_OF_BONE
from cotyle.image.volume import Volume
from cotyle.space.arrays import Array, unit
from cotyle.space.shapes import Sphere
from cotyle.space.side import Side
from scipy import ndimage

from cotyle_sample.wear import WornHip

if TYPE_CHECKING:
    from cotyle_sample.scanner import PlacedSubject

CYST_RADIUS_MM = (1.5, 5.0)
_CYST_RIM_MM = 1.2
_CYST_COVER_MM = 1.4
_FADE_DEG = 14.0
_TRIES = 60


@dataclass(frozen=True, eq=False)
class Contact:
    """Where a worn joint bears, in scanner LPS: spheres of socket and head, and the way of the head."""

    hip: WornHip
    socket: Sphere
    head: Sphere
    toward: Array


@dataclass(frozen=True)
class Cyst:
    """A cyst: the bone it lies in, its sphere (mm LPS), its density."""

    bone: str
    center_lps_mm: tuple[float, float, float]
    radius_mm: float
    hu: float


def worn_contacts(placed: PlacedSubject) -> dict[Side, Contact]:
    """Contacts of the worn hips of a subject that lies in the scanner."""
    pelvis, sockets = placed.pelvis_to_lps, placed.joints()
    contacts = {}
    for side, hip in placed.subject.worn.items():
        moved = pelvis[:3, :3] @ hip.moved_mm
        middle = sockets[side].center_lps_mm + moved
        head = Sphere(middle, sockets[side].radius_mm - hip.wear.gap_mm)
        contacts[side] = Contact(hip, sockets[side], head, unit(moved))
    return contacts


def lay_wear(
    hu: npt.NDArray[np.float32], grid: Volume, labels: npt.NDArray[np.uint8], contacts: Mapping[Side, Contact]
) -> tuple[Cyst, ...]:
    """Write sclerosis and cysts of worn joints into HU values in place; the voxels at a bone's surface stay."""
    cysts: list[Cyst] = []
    for side, contact in contacts.items():
        cysts += _lay_joint(hu, grid, labels, side, contact)
    return tuple(cysts)


def _lay_joint(
    hu: npt.NDArray[np.float32], grid: Volume, labels: npt.NDArray[np.uint8], side: Side, contact: Contact
) -> list[Cyst]:
    part = grid.around(contact.socket.center_lps_mm[None, :], contact.socket.radius_mm + 22.0)
    first = np.round(grid.to_ijk(part.ijk_to_lps[:3, 3])).astype(int)
    i, j, k = part.size
    window = tuple(slice(start, start + size) for start, size in zip(first[::-1], (k, j, i), strict=True))
    axes = [part.ijk_to_lps[a, 3] + np.arange(n) * grid.spacing_mm[a] for a, n in enumerate((i, j, k))]
    z, y, x = np.meshgrid(axes[2], axes[1], axes[0], indexing="ij", sparse=True)
    box = hu[window]
    rng = np.random.default_rng([contact.hip.wear.seed, 14])
    cysts: list[Cyst] = []
    for bone in (f"{side}_hip_bone", f"{side}_femur"):
        own = labels[window] == LABEL_OF_BONE[bone]
        depth_in_bone = ndimage.distance_transform_edt(own, sampling=grid.spacing_mm[::-1])
        _lay_sclerosis(box, (x, y, z), depth_in_bone, bone, contact)
        cysts += _lay_cysts(box, axes, depth_in_bone, bone, contact, rng, float(grid.spacing_mm.mean()))
    return cysts


def _lay_sclerosis(
    box: npt.NDArray[np.float32], xyz: tuple[Array, Array, Array], depth_in_bone: Array, bone: str, contact: Contact
) -> None:
    wear = contact.hip.wear
    sphere = contact.head if bone.endswith("femur") else contact.socket
    offsets = [values - middle for values, middle in zip(xyz, sphere.center_lps_mm, strict=True)]
    distance = np.sqrt(sum(each**2 for each in offsets))
    along = sum(each * way for each, way in zip(offsets, contact.toward, strict=True)) / np.maximum(distance, 1e-6)
    angle = np.rad2deg(np.arccos(np.clip(along, -1.0, 1.0)))
    depth = sphere.radius_mm - distance if bone.endswith("femur") else distance - sphere.radius_mm
    share = np.clip(1.0 - (angle - contact.hip.contact_deg) / _FADE_DEG, 0.0, 1.0)
    # full for the first half of its depth, gone at the end of it
    share = share * np.clip(2.0 - 2.0 * depth / wear.sclerosis_mm, 0.0, 1.0)
    share = share * (depth > -2.0) * np.clip(depth_in_bone - 0.8, 0.0, 1.0)
    grain = np.sin(0.9 * xyz[0]) * np.sin(1.1 * xyz[1] + 1.0) * np.sin(0.8 * xyz[2] + 2.0)
    dense = np.maximum(wear.sclerosis_hu + 60.0 * grain, box)
    box += (share * (dense - box)).astype(np.float32)


def _lay_cysts(
    box: npt.NDArray[np.float32],
    axes: list[Array],
    depth_in_bone: Array,
    bone: str,
    contact: Contact,
    rng: np.random.Generator,
    edge_mm: float,
) -> list[Cyst]:
    """Lay the wished number of cysts where they have room within the bone; fewer where there is none."""
    wear = contact.hip.wear
    sphere = contact.head if bone.endswith("femur") else contact.socket
    inward = -1.0 if bone.endswith("femur") else 1.0
    found: list[Cyst] = []
    for _ in range(_TRIES):
        if len(found) == wear.cysts:
            break
        spread = np.tan(np.deg2rad(min(contact.hip.contact_deg, 60.0)))
        way = unit(contact.toward + 0.6 * spread * rng.standard_normal(3))
        radius = rng.uniform(*CYST_RADIUS_MM)
        depth = radius + _CYST_COVER_MM + rng.uniform(0.2, 3.0)
        center = sphere.center_lps_mm + (sphere.radius_mm + inward * depth) * way
        hu = rng.uniform(20.0, 60.0)
        index = tuple(int(np.argmin(np.abs(axes[a] - center[a]))) for a in (2, 1, 0))
        room = float(depth_in_bone[index]) - _CYST_COVER_MM
        radius = min(radius, room)
        apart = [np.linalg.norm(center - other.center_lps_mm) - other.radius_mm - radius for other in found]
        if radius < CYST_RADIUS_MM[0] or any(gap < 2.0 for gap in apart):
            continue
        squared = (
            (axes[2][:, None, None] - center[2]) ** 2
            + (axes[1][None, :, None] - center[1]) ** 2
            + (axes[0][None, None, :] - center[0]) ** 2
        )
        outside = np.sqrt(squared) - radius
        rim = np.clip(0.5 - (outside - _CYST_RIM_MM) / edge_mm, 0.0, 1.0) * (depth_in_bone > 0.8)
        box += (rim * np.maximum(950.0 - box, 0.0)).astype(np.float32)
        box += (np.clip(0.5 - outside / edge_mm, 0.0, 1.0) * (hu - box)).astype(np.float32)
        found.append(Cyst(bone, (float(center[0]), float(center[1]), float(center[2])), float(radius), float(hu)))
    return found
