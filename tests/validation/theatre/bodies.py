"""A patient taken apart for the projector: the body without femora, and each femur as what it adds to soft tissue.

Line integrals add up, so a turned femur is the femur's own excess over soft tissue seen by a camera that was turned the
other way; nothing is interpolated into voxels again. The scan's couch is left out, and both ends go on as the outermost
slices do, since a real patient does not end where his scan does.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from cotyle.image.labels import LABEL_OF_BONE, femur
from cotyle.image.volume import Volume
from cotyle.space.arrays import Array
from cotyle.space.side import Side
from scipy import ndimage

from tests.validation.theatre.matter import mu_of_hu
from tests.validation.theatre.outside_projector import OutsideProjector

SOFT_TISSUE_HU = 50
"""What takes the place of a femur that was taken out."""
BELOW_SCAN_MM = 180.0
"""An outlet looks far down the thighs."""
FEMUR_BELOW_SCAN_MM = 330.0
"""A bent femur is seen nearly endways by an outlet."""
ABOVE_SCAN_MM = 110.0
_LEAST_BODY_HU = -400
_MARGIN_MM = 4.0


@dataclass(frozen=True, eq=False)
class BodyParts:
    """CT numbers of the body without femora, and by side those of the femur with soft tissue around it, int16.

    go_on_below: femora that go on below the scan.
    """

    rest: Volume
    femora: Mapping[Side, Volume]
    go_on_below: Mapping[Side, bool]


@dataclass(frozen=True, eq=False)
class ProjectedBody:
    """The parts at one energy, ready for the projector; ``rest_mu`` is kept to put metal into."""

    kev: float
    rest_mu: Volume
    rest: OutsideProjector
    femora: Mapping[Side, OutsideProjector]
    headless_femora: Mapping[Side, OutsideProjector]


def parts_of(volume: Volume, labels: Volume, body: npt.NDArray[np.bool_]) -> BodyParts:
    """Return the parts of a body whose bones are labelled; axes along LPS. What is not ``body`` becomes air."""
    hu = np.where(body, volume.voxels, np.int16(-1000)).astype(np.int16)
    rest = hu.copy()
    femora = {}
    for side in Side:
        own = labels.voxels == LABEL_OF_BONE[femur(side)]
        if not own.any():
            continue
        window = _window(own, round(_MARGIN_MM / float(volume.spacing_mm.min())))
        ball = ndimage.generate_binary_structure(3, 1)
        # the edge of a bone is softened over a voxel or two; cartilage and flesh beside it go with it
        taken = ndimage.binary_dilation(own[window], ball, 2)
        others = (labels.voxels[window] > 0) & ~own[window]
        taken &= ~ndimage.binary_dilation(others, ball, 1)
        femora[side] = _cropped(volume, np.where(taken, hu[window], np.int16(SOFT_TISSUE_HU)), window)
        rest[window][taken] = SOFT_TISSUE_HU
    window = _window(rest > -950, 2)
    whole = _cropped(volume, rest[window], window)
    bottom = float(whole.ijk_to_lps[2, 3])
    cut = {side: bool(part.ijk_to_lps[2, 3] - bottom < 2.0) for side, part in femora.items()}
    return BodyParts(whole, femora, cut)


def projected(parts: BodyParts, kev: float, heads: Mapping[Side, tuple[Array, float]]) -> ProjectedBody:
    """Return the parts at an energy; ``heads``: centre and radius of the femoral heads, to cut them off."""
    rest = lengthened(parts.rest.with_voxels(mu_of_hu(parts.rest.voxels, kev)), BELOW_SCAN_MM, ABOVE_SCAN_MM)
    soft = mu_of_hu(np.array([SOFT_TISSUE_HU], dtype=np.int16), kev)[0]
    excess = {side: part.with_voxels(mu_of_hu(part.voxels, kev) - soft) for side, part in parts.femora.items()}
    headless = {side: without_head(part, *heads[side]) for side, part in excess.items()}
    whole, cut = (
        {
            side: OutsideProjector(lengthened(part, FEMUR_BELOW_SCAN_MM * parts.go_on_below[side], 0.0))
            for side, part in each.items()
        }
        for each in (excess, headless)
    )
    return ProjectedBody(kev, rest, OutsideProjector(rest), whole, cut)


def without_head(excess: Volume, center_lps_mm: Array, radius_mm: float) -> Volume:
    """Return a femur cut across its neck, just beyond the head, as before a cup is put in.

    The neck runs from the head's centre to the middle of the bone that lies 1.2 to 2 radii away from it.
    """
    k, j, i = np.ogrid[tuple(slice(0, n) for n in excess.voxels.shape)]
    origin, step = excess.ijk_to_lps[:3, 3] - center_lps_mm, excess.spacing_mm
    x, y, z = (origin[axis] + step[axis] * index for axis, index in enumerate((i, j, k)))
    apart = np.sqrt(x * x + y * y + z * z)
    bone = np.where((apart > 1.2 * radius_mm) & (apart < 2.0 * radius_mm), np.maximum(excess.voxels, 0.0), 0.0)
    neck = np.array([float((bone * each).sum()) for each in (x, y, z)])
    neck /= np.linalg.norm(neck)
    beyond = x * neck[0] + y * neck[1] + z * neck[2] - 1.25 * radius_mm
    keep = np.clip(0.5 + beyond / float(step.mean()), 0.0, 1.0)
    # the greater trochanter may reach up beside the plane; it is no part of the head
    keep = np.where(apart < 1.7 * radius_mm, keep, 1.0)
    return excess.with_voxels((excess.voxels * keep).astype(np.float32))


def body_mask(scan: Volume) -> npt.NDArray[np.bool_]:
    """Return the voxels of the patient, gas within him included, without couch and air."""
    coarse = scan.voxels[::2, ::2, ::2] > _LEAST_BODY_HU
    numbered, count = ndimage.label(coarse)
    if count == 0:
        raise ValueError("there is no body in the scan")
    sizes = np.bincount(numbered.ravel())
    sizes[0] = 0
    body = numbered == sizes.argmax()
    for plane in body:
        plane[:] = ndimage.binary_fill_holes(plane)
    body = ndimage.binary_dilation(body, ndimage.generate_binary_structure(3, 1), 1)
    fine = body.repeat(2, axis=0).repeat(2, axis=1).repeat(2, axis=2)
    k, j, i = scan.voxels.shape
    return np.asarray(fine[:k, :j, :i])


def _window(mask: npt.NDArray[np.bool_], margin: int) -> tuple[slice, ...]:
    (box,) = ndimage.find_objects(mask.astype(np.uint8))
    return tuple(
        slice(max(part.start - margin, 0), min(part.stop + margin, n)) for part, n in zip(box, mask.shape, strict=True)
    )


def _cropped(scan: Volume, voxels: npt.NDArray[np.int16], window: tuple[slice, ...]) -> Volume:
    affine = np.array(scan.ijk_to_lps)
    affine[:3, 3] = scan.to_lps([part.start for part in window[::-1]])
    return Volume(voxels, affine)


def lengthened(part: Volume, below_mm: float, above_mm: float) -> Volume:
    """Return a part of mu that goes on beyond the scan as the mean of its three outermost slices."""
    under, over = (round(beyond / float(part.spacing_mm[2])) for beyond in (below_mm, above_mm))
    pieces = [part.voxels]
    affine = np.array(part.ijk_to_lps)
    if under:
        pieces.insert(0, np.repeat(part.voxels[:3].mean(axis=0, keepdims=True), under, axis=0))
        affine[:3, 3] = part.to_lps((0, 0, -under))
    if over:
        pieces.append(np.repeat(part.voxels[-3:].mean(axis=0, keepdims=True), over, axis=0))
    return Volume(np.concatenate(pieces), affine)
