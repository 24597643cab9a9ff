"""Edges of a picture that are too strong for bone, most of them metal: left out where a coarse search may be misled."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from cotyle.xray.registration.edges import FloatPicture, common_energy, gradients_of

_LONGEST_PX = 256
_WINDOW_SHARE = 0.1
_SURE, _LIKELY = 3.0, 2.0
"""Times the common strength about an edge: beyond the first it is put aside, with what hangs on to it down to the
second."""
_MARGIN_PX = 2


def strong_edges(attenuation: FloatPicture, usable: npt.NDArray[np.bool_]) -> npt.NDArray[np.bool_]:
    """Return a mask, 256 pixels long at most, of edges far stronger than those about them, and a small margin."""
    rows, columns = attenuation.shape
    factor = min(1.0, _LONGEST_PX / max(rows, columns))
    size = max(8, round(columns * factor)), max(8, round(rows * factor))
    gradient, weight = gradients_of(attenuation, usable, size)
    square = (gradient**2).sum(axis=0)
    energy = common_energy(square, weight, round(min(size) * _WINDOW_SHARE))
    level = float(np.median(energy[weight > 0.5])) if (weight > 0.5).any() else 0.0
    strength = weight * np.sqrt(square / (energy + 0.3 * level + 1e-20))
    held = ndimage.binary_propagation(strength > _SURE, mask=strength > _LIKELY, structure=np.ones((3, 3)))
    return np.asarray(ndimage.binary_dilation(held, iterations=_MARGIN_PX))
