"""What theatre changes in a simulated picture: the femur is out of the way, bone is reamed, metal stands in the hip.

The scan is projected once for each view, with the femur of that side taken out: in theatre its head is gone and its
shaft lies aside, nobody knows where. An old implant goes with it. What a reamer has taken away by then is a difference
of two projections of the few voxels round the socket; metal is added by the exact length of each ray in it
(:mod:`cotyle.xray.solids`). In the place of bone stand blood and saline, as dense as blood (common practice, no
source); metal displaces the same.

A reamer is a thin hemispherical shell here. The holes and teeth of a real one, its handle, and retractors are left out.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from cotyle.cup.cavity import ReamingStep, bullet_distance_mm
from cotyle.image.metal import METAL_FROM_HU
from cotyle.image.rasterize import inside_mask
from cotyle.image.volume import Volume
from cotyle.space.mesh import TriangleMesh
from cotyle.space.shapes import Circle
from cotyle.xray.attenuation import AttenuationCurve, attenuation_curve, linear_attenuation_per_mm
from cotyle.xray.carm import CArm
from cotyle.xray.outlines import hemisphere_outline
from cotyle.xray.solids import shell_chords_mm

FLUID_HU = 50.0
"""Blood and saline in the wound (common practice, no source)."""
REAMER_SHELL_MM = 1.0
"""Thickness of the steel dome that stands for a reamer (our choice)."""
_MARGIN_MM = 3.0
_IN_SOCKET_MM, _IMPLANT_REACH_MM, _SHINE_VOXELS = 40.0, 150.0, 2
_EDGE_PX = 2

Integrals = npt.NDArray[np.float32]


def without_bone(scan: Volume, bone: TriangleMesh, kept: TriangleMesh) -> Volume:
    """Return the scan with fluid in the place of one bone, a copy.

    One voxel more is taken all round, which is partly bone, but none whose centre lies in the bone that is kept.
    """
    voxels = scan.voxels.copy()
    grown = scan.around(bone.vertices_lps_mm, _MARGIN_MM)
    inside, window = inside_mask(bone, grown)
    taken = np.zeros(grown.voxels.shape, dtype=bool)
    taken[window] = inside
    taken = ndimage.binary_dilation(taken, iterations=1)
    held, window = inside_mask(kept, grown)
    taken[window] &= ~held
    _fill(voxels, scan, grown, taken)
    return Volume(voxels, scan.ijk_to_lps)


def _fill(voxels: npt.NDArray[Any], scan: Volume, part: Volume, taken: npt.NDArray[np.bool_]) -> None:
    """Put fluid, in place, where a mask over a part of the scan says so and what is there is denser."""
    window = voxels[_place_of(part, scan)]
    window[taken & (window > FLUID_HU)] = FLUID_HU


def _place_of(part: Volume, whole: Volume) -> tuple[slice, slice, slice]:
    """Return where in a volume's voxels a part of it lies."""
    low = np.rint(whole.to_ijk(part.to_lps((0, 0, 0)))).astype(int)
    i, j, k = (slice(first, first + count) for first, count in zip(low, part.size, strict=True))
    return k, j, i


def without_implant(scan: Volume, center_lps_mm: npt.ArrayLike) -> Volume:
    """Return the scan with fluid in the place of metal that reaches within 40 mm of a hip's centre.

    Each piece goes as a whole, with two voxels round it where metal shines out: cup, head and stem of an old hip, which
    are out before bone is reamed. Other metal stays. The scan itself is returned where there is none.
    """
    center = np.asarray(center_lps_mm, dtype=float)
    part = scan.around(center[None], _IMPLANT_REACH_MM)
    if part.voxels.max() <= METAL_FROM_HU:
        return scan
    pieces, count = ndimage.label(part.voxels > METAL_FROM_HU)
    k, j, i = np.nonzero(pieces)
    near = np.linalg.norm(part.to_lps(np.column_stack([i, j, k])) - center, axis=1) < _IN_SOCKET_MM
    kept = np.ones(count + 1, dtype=bool)
    kept[pieces[k[near], j[near], i[near]]] = False
    all_round = ndimage.generate_binary_structure(3, 3)
    taken = ndimage.binary_dilation(~kept[pieces], all_round, iterations=_SHINE_VOXELS)
    voxels = scan.voxels.copy()
    _fill(voxels, scan, part, taken)
    return Volume(voxels, scan.ijk_to_lps)


def metal_compressed(integrals: Integrals, bone_most: float, softness: float) -> Integrals:
    """Return line integrals with all above bone's largest drawn together, so that a rim still stands out on a shell.

    Above ``bone_most`` the excess e becomes s log(1 + e / s), s being the softness: a display's shoulder (our choice).
    """
    excess = np.maximum(integrals - np.float32(bone_most), 0.0)
    shoulder = np.float32(softness) * np.log1p(excess / np.float32(softness))
    return np.asarray(np.minimum(integrals, np.float32(bone_most)) + shoulder, dtype=np.float32)


class ReamedBone:
    """The voxels round a socket, to be taken away as reamers go in."""

    def __init__(self, scan: Volume, steps: Sequence[ReamingStep]) -> None:
        ends = np.concatenate([[s.start_center_lps_mm, s.end_center_lps_mm] for s in steps])
        reach = max(step.radius_mm for step in steps) + _MARGIN_MM
        self.before = scan.around(ends, reach)
        k, j, i = np.meshgrid(*(np.arange(n) for n in self.before.voxels.shape), indexing="ij")
        centers = self.before.to_lps(np.column_stack([i.ravel(), j.ravel(), k.ravel()]))
        self._centers = centers.reshape(*self.before.voxels.shape, 3)
        self._voxel_mm = float(self.before.spacing_mm.mean())
        # by step: what it takes of each voxel; most steps are asked for again with the next one on top
        self._shares: dict[ReamingStep, npt.NDArray[np.float32]] = {}

    def after(self, cut: Sequence[ReamingStep]) -> Volume:
        """Return the same voxels once ``cut`` is reamed and filled with fluid."""
        if not cut:
            return self.before
        share = np.maximum.reduce([self._share(step) for step in cut])
        hu = self.before.voxels + share * (FLUID_HU - self.before.voxels)
        return self.before.with_voxels(np.rint(hu).astype(np.int16))

    def _share(self, step: ReamingStep) -> npt.NDArray[np.float32]:
        """Return how much of each voxel a step takes: a voxel that its surface runs through is cut in part."""
        if step not in self._shares:
            share = np.zeros(self.before.voxels.shape, dtype=np.float32)
            near = self.before.around([step.start_center_lps_mm, step.end_center_lps_mm], step.radius_mm + _MARGIN_MM)
            place = _place_of(near, self.before)
            depth = bullet_distance_mm(step, self._centers[place].reshape(-1, 3))
            share[place] = np.clip(0.5 - depth / self._voxel_mm, 0.0, 1.0).reshape(near.voxels.shape)
            self._shares[step] = share
        return self._shares[step]


def with_shell(
    integrals: Integrals,
    carm: CArm,
    rim: Circle,
    thickness_mm: float,
    material: str,
    curve: AttenuationCurve | None = None,
) -> Integrals:
    """Return line integrals with a hemispherical shell of metal in the place of fluid.

    Raises
    ------
    InputError
        ``shell`` for a thickness that doesn't fit, ``attenuation-material``.
    """
    used = attenuation_curve() if curve is None else curve
    per_mm = linear_attenuation_per_mm(material, used.xray_kev) - float(used(FLUID_HU))
    columns, rows = carm.size
    around = hemisphere_outline(carm, rim).silhouette_px
    low = np.clip(np.floor(around.min(axis=0)).astype(int) - _EDGE_PX, 0, (columns - 1, rows - 1))
    high = np.clip(np.ceil(around.max(axis=0)).astype(int) + _EDGE_PX, low + 1, (columns, rows))
    part = carm.cropped((int(low[0]), int(low[1])), (int(high[0] - low[0]), int(high[1] - low[1])))
    made = integrals.copy()
    made[low[1] : high[1], low[0] : high[0]] += np.float32(per_mm) * shell_chords_mm(part, rim, thickness_mm)
    return made
