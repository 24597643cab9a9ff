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


def find_marks(shown: npt.NDArray[np.float32], region: Mask) -> tuple[Mask, bool]:
    """Return which pixels (rows, columns) are burnt-in marks, grown by two pixels, and whether they could be told.

    They can't (False) where more than a twentieth of the region would be marks: a picture reduced to black and white.
    """
    if not region.any():
        return np.zeros(shown.shape, dtype=bool), True
    low, high = (float(v) for v in np.percentile(shown[region], [0.1, 99.9]))
    span = max(high - low, 1e-6)
    largest = max(6, round(LARGEST_SHARE * min(shown.shape)))
    found = np.zeros(shown.shape, dtype=bool)
    for sign in (1.0, -1.0):
        end = high if sign > 0 else -low
        found |= _marks_at_end(sign * shown, end, span, largest) & region
    if found.sum() > _MOST_SHARE * region.sum():
        return np.zeros(shown.shape, dtype=bool), False
    return ndimage.binary_dilation(found, iterations=2), True


def _marks_at_end(grey: npt.NDArray[np.float32], end: float, span: float, largest: int) -> Mask:
    """Return small parts at the light end that are sharp along most of their outline."""
    light = grey >= end - 0.05 * span
    labels, count = ndimage.label(light, structure=np.ones((3, 3)))
    if count == 0:
        return np.zeros(grey.shape, dtype=bool)
    boxes = ndimage.find_objects(labels)
    small = np.array([max(s.stop - s.start for s in box) <= largest for box in boxes])
    candidate = np.concatenate([[False], small])[labels]
    around = ndimage.binary_dilation(candidate, iterations=1) & ~light
    # a pixel just outside a part, against the lightest beside it: the whole step within one pixel
    step = ndimage.grey_dilation(np.where(light, grey, grey.min()), size=3) - grey
    sharp = around & (step > _STEP_SHARE * span)
    nearest = ndimage.grey_dilation(np.where(candidate, labels, 0), size=3)
    outline = np.bincount(nearest[around], minlength=count + 1)
    sharply = np.bincount(nearest[sharp], minlength=count + 1)
    keep = (sharply >= 0.5 * np.maximum(outline, 1)) & (outline > 0)
    keep[0] = False
    return np.asarray(keep[labels] & candidate)
