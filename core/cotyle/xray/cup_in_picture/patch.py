"""The part of a picture round the cup, ready to be fitted: cut out, brought to a sensible pixel, its noise known."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from itertools import pairwise

import numpy as np
import numpy.typing as npt
from scipy.ndimage import gaussian_filter

from cotyle.errors import InputError
from cotyle.space.arrays import Array, BoolArray
from cotyle.xray.carm import CArm
from cotyle.xray.pictures.radiograph import Radiograph

_LEVELS_OF_NOISE = 8
_LEVEL_BLUR_PX = 1.5


@dataclass(frozen=True, eq=False)
class Patch:
    """A rectangle of a picture.

    Parameters
    ----------
    attenuation:
        Shape (rows, columns); what :class:`Radiograph` holds, averaged over whole numbers of pixels.
    usable:
        Where it shows the body.
    noise:
        Standard deviation of each pixel, from the picture itself: it grows with what the ray met.
    carm:
        The beam onto just these pixels.
    """

    attenuation: Array
    usable: BoolArray
    noise: Array
    carm: CArm

    @cached_property
    def rays(self) -> Array:
        """Unit directions from the source to each pixel, shape (rows * columns, 3)."""
        columns, rows = self.carm.size
        across, down = np.meshgrid(np.arange(columns), np.arange(rows))
        return self.carm.ray(np.column_stack([across.ravel(), down.ravel()]))


def cut_out(radiograph: Radiograph, carm: CArm, center_px: npt.ArrayLike, half_px: float, bin_px: int) -> Patch:
    """Return the square of half width ``half_px`` about a pixel (column, row), ``bin_px`` pixels made one.

    Raises
    ------
    InputError
        ``picture-pose`` for a pose of another size of picture, ``cup-outside`` if less than a third of the square
        shows the body.
    """
    if carm.size != radiograph.size:
        raise InputError("picture-pose", f"the pose is for {carm.size} pixels, the picture has {radiograph.size}")
    center = np.asarray(center_px, dtype=float)
    if not np.isfinite(center).all():
        raise InputError("cup-outside", "the planned cup isn't in front of the X-ray source")
    low = np.maximum(np.floor(center - half_px).astype(int), 0)
    high = np.minimum(np.ceil(center + half_px).astype(int) + 1, radiograph.size)
    size = (high - low) // bin_px
    whole = (2 * half_px / bin_px) ** 2
    if (size < 8).any():
        raise InputError("cup-outside", "the cup lies outside the picture")
    high = low + size * bin_px
    values = radiograph.attenuation[low[1] : high[1], low[0] : high[0]].astype(float)
    usable = radiograph.usable[low[1] : high[1], low[0] : high[0]] & np.isfinite(values)
    values = np.where(usable, values, 0.0)
    parts = _binned(usable.astype(float), bin_px)
    attenuation = _binned(values, bin_px) / np.maximum(parts, 1e-9)
    shown = parts > 0.99
    if shown.sum() < whole / 3.0:
        raise InputError("cup-outside", "the cup lies outside the picture, or most of it")
    pose = carm.cropped((int(low[0]), int(low[1])), (int(high[0] - low[0]), int(high[1] - low[1])))
    pose = pose.resized((int(size[0]), int(size[1])))
    return Patch(attenuation, shown, _noise(attenuation, shown), pose)


def _binned(values: Array, bin_px: int) -> Array:
    rows, columns = values.shape
    return np.asarray(values.reshape(rows // bin_px, bin_px, columns // bin_px, bin_px).mean(axis=(1, 3)))


def _noise(attenuation: Array, usable: BoolArray) -> Array:
    """Return the noise of each pixel from differences of neighbours, as a function of the level about it alone.

    Differences count with their squares up to their 90th percentile, which keeps edges out but not the few pixels that
    differ where a picture is black. A floor of 1 % of the picture's range keeps a noiseless picture from being believed
    to the last digit.
    """
    share = np.maximum(gaussian_filter(usable.astype(float), _LEVEL_BLUR_PX), 1e-6)
    level = gaussian_filter(attenuation * usable, _LEVEL_BLUR_PX) / share
    pairs = usable[:, 1:] & usable[:, :-1]
    steps = np.abs(attenuation[:, 1:] - attenuation[:, :-1])[pairs]
    middles = ((level[:, 1:] + level[:, :-1]) / 2.0)[pairs]
    edges = np.quantile(middles, np.linspace(0.0, 1.0, _LEVELS_OF_NOISE + 1))
    spread = float(np.subtract(*np.quantile(attenuation[usable], [0.98, 0.02])))
    levels, noises = [], []
    for low, high in pairwise(edges):
        inside = (middles >= low) & (middles <= high)
        clipped = np.minimum(steps[inside], np.quantile(steps[inside], 0.9))
        levels.append(float(np.median(middles[inside])))
        noises.append(float(np.sqrt(np.mean(clipped**2) / 2.0)))
    smooth = np.interp(level, levels, noises)
    return np.asarray(np.maximum(smooth, max(0.01 * spread, 1e-12)))
