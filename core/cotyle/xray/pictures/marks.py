"""Text, arrows and pointers burnt into a picture: small, at an end of the grey scale, with edges of one pixel.

What X-rays draw is blurred by focal spot and detector over two pixels or more, what a computer draws is not. Large
things (a cup, a rod, a wire longer than a letter) are no marks whatever their grey.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy import ndimage

Mask = npt.NDArray[np.bool_]

LARGEST_SHARE = 0.06
"""Longest side of a letter or pointer, as a share of the picture's shorter side; our choice."""

_STEP_SHARE = 0.15
_MOST_SHARE = 0.05
_LEAST_PX = 8
_NOISES = 2.5
# pixels of an end of the scale in parts too small for a letter, within a letter's length: more of them are grains
_MOST_GRAINS = 12


def find_marks(shown: npt.NDArray[np.float32], region: Mask) -> tuple[Mask, bool]:
    """Return which pixels (rows, columns) are burnt-in marks, grown by two pixels, and whether they could be told.

    They can't (False) where more than a twentieth of the region would be marks: a picture reduced to black and white.
    """
    if not region.any():
        return np.zeros(shown.shape, dtype=bool), True
    low, high = (float(v) for v in np.percentile(shown[region], [0.1, 99.9]))
    span = max(high - low, 1e-6)
    largest = max(6, round(LARGEST_SHARE * min(shown.shape)))
    sure, likely, sharp = (np.zeros(shown.shape, dtype=bool) for _ in range(3))
    for sign in (1.0, -1.0):
        of_end = _marks_at_end(sign * shown, high if sign > 0 else -low, span, largest)
        sure |= of_end[0] & region
        likely |= of_end[1] & region
        sharp |= of_end[2] & region
    # the other letters of a line of text
    found = sure | (likely & (ndimage.distance_transform_edt(~sure) <= largest / 2)) if sure.any() else sure
    if (found | sharp).sum() > _MOST_SHARE * region.sum():
        return np.zeros(shown.shape, dtype=bool), False
    return ndimage.binary_dilation(found, iterations=2), True


def _marks_at_end(grey: npt.NDArray[np.float32], end: float, span: float, largest: int) -> tuple[Mask, Mask, Mask]:
    """Return small parts at the light end that are sharp along most of their outline: surely, and at all; and the sure
    ones with those among grains.
    """
    light = grey >= end - 0.05 * span
    labels, count = ndimage.label(light, structure=np.ones((3, 3)))
    if count == 0:
        return light, light, light
    boxes = ndimage.find_objects(labels)
    small = np.array([False] + [max(s.stop - s.start for s in box) <= largest for box in boxes])
    candidate = small[labels]
    around = ndimage.binary_dilation(candidate, iterations=1) & ~light
    # a pixel just outside a part, against the lightest beside it: the whole step within one pixel
    step = ndimage.grey_dilation(np.where(light, grey, grey.min()), size=3) - grey
    noise = _noise_beside(grey, light, grey <= end - 0.95 * span)
    nearest = ndimage.grey_dilation(np.where(candidate, labels, 0), size=3)
    outline = np.bincount(nearest[around], minlength=count + 1)

    def sharp(least: npt.ArrayLike) -> npt.NDArray[np.bool_]:
        along = np.bincount(nearest[around & (step > least)], minlength=count + 1)
        return np.asarray(small & (outline > 0) & (along >= 0.5 * outline))

    likely = sharp(_STEP_SHARE * span)
    sizes = np.bincount(labels.ravel(), minlength=count + 1)
    tiny = sizes < _LEAST_PX
    stands_out = likely & ~tiny & sharp(np.maximum(_STEP_SHARE * span, _NOISES * noise))
    sure = stands_out & ~_among_grains(labels, light & tiny[labels], largest)
    return sure[labels], likely[labels], stands_out[labels]


def _among_grains(labels: npt.NDArray[np.integer], grains: Mask, largest: int) -> npt.NDArray[np.bool_]:
    """Return which parts lie among grains: where hardly a photon passes metal, grains run together into small parts."""
    side = 2 * largest + 1
    near = ndimage.uniform_filter(grains.astype(np.float32), side, mode="constant") * side**2
    among = np.zeros(int(labels.max()) + 1, dtype=bool)
    among[np.unique(labels[near > _MOST_GRAINS])] = True
    return among


def _noise_beside(grey: npt.NDArray[np.float32], light: Mask, dark: Mask) -> npt.NDArray[np.float64]:
    """Return the deviation of grey around each pixel, both ends of the scale and their neighbours left out.

    Metal that hardly any photon passes is black and white grains: each is sharp, none stands out from the rest. Where
    all is at an end of the scale there is no such noise: 0.
    """
    free = ~ndimage.binary_dilation(light) & ~dark
    share, mean, square = (
        ndimage.uniform_filter(np.where(free, values, 0.0), 11) for values in (1.0, grey, grey.astype(float) ** 2)
    )
    with np.errstate(divide="ignore", invalid="ignore"):
        spread = np.sqrt(np.maximum(square / share - (mean / share) ** 2, 0.0))
    return np.asarray(np.where(share > 0.03, spread, 0.0))
