"""Do neighbouring slices look like neighbours? What headers can't tell: pictures in a wrong place or on another scale.

A slice of a body looks most like the slices next to it. Slices are compared by the mean difference of their densities
(cut off at -1000 and 1000 HU, on every so many-th pixel). Two slices apart the difference is larger than between
neighbours, in noise about as large; it is much smaller only where the slice between belongs elsewhere. Rules and limits
are ours.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from cotyle.errors import InputError
from cotyle.image.slice_header import SliceHeader

SAMPLED = 96
"""So many pixels of a row and of a column are looked at."""

ALIKE = 0.6
"""The slices on both sides of one are alike if they differ by less than this share of what either differs from it."""

LEAST_DIFFERENCE_HU = 5.0
"""Mean difference below which nothing is said: pictures without noise, and air."""

LEVEL_JUMP_HU = 300.0
"""A jump of all densities between neighbours, air too, that no anatomy makes."""

OPPOSITE = -0.5
"""Correlation of neighbours below which one is the other's negative."""

SAME_SCALE = 0.5
"""Neighbours of different slopes or intercepts contradict them if on one scale they differ by less than this share."""

_DENSITIES_HU = (-1000.0, 1000.0)
_DARK_PERCENT = 1.0
_USUAL_PERCENT, _WITHOUT_NOISE = 10.0, 0.8  # share of pixels that stay the same from slice to slice
_EXPORT = "Export the series again"

Thin = npt.NDArray[np.float32]


def require_neighbours(
    voxels: npt.NDArray[np.generic], slices: Sequence[SliceHeader], heights_mm: Sequence[float], place: str
) -> None:
    """Refuse a stack (slices, rows, columns) of HU, square, whose slices don't follow one another.

    ``heights_mm`` say where each slice lies, ``place`` what such a height is called (``z =``).

    Raises
    ------
    InputError
        ``series-level-jumps``, ``series-inverted``, ``series-rescale``, ``series-mixed``, ``series-odd-slice``,
        ``series-picture-repeated``.
    """
    if len(voxels) < 3:
        return
    step = [max(1, size // SAMPLED) for size in voxels.shape[1:]]
    thin = voxels[:, :: step[0], :: step[1]].astype(np.float32)
    words = _Words(heights_mm, place)
    _refuse_jumps(thin, words)
    _refuse_inversions(thin, words)
    _refuse_contradicted_scales(thin, slices, words)
    unchanged = (thin[1:] == thin[:-1]).mean(axis=(1, 2))
    if np.percentile(unchanged, _USUAL_PERCENT) > _WITHOUT_NOISE:
        return  # a drawn shape: it may repeat itself, or be its own mirror image
    _refuse_odd(thin, words)
    _refuse_repeated(unchanged, words)


class _Words:
    """Where slices lie, in words."""

    def __init__(self, heights_mm: Sequence[float], place: str) -> None:
        self._heights, self._place = heights_mm, place

    def at(self, rows: Sequence[int]) -> str:
        shown = ", ".join(f"{self._heights[n]:.2f}" for n in rows[:3]) + (", ..." if len(rows) > 3 else "")
        return f"at {self._place} {shown} mm"

    def between(self, row: int) -> str:
        return f"between {self._place} {self._heights[row]:.2f} and {self._heights[row + 1]:.2f} mm"


def _refuse_jumps(thin: Thin, words: _Words) -> None:
    flat = thin.reshape(len(thin), -1)
    middle = np.median(np.diff(flat, axis=0), axis=1)
    dark = np.diff(np.percentile(flat, _DARK_PERCENT, axis=1))
    jumps = (np.abs(middle) > LEVEL_JUMP_HU) & (np.abs(dark) > LEVEL_JUMP_HU) & (np.sign(middle) == np.sign(dark))
    rows = np.flatnonzero(jumps)
    if len(rows):
        n = int(rows[0])
        more = f", and at {len(rows) - 1} more places" if len(rows) > 1 else ""
        jump = f"{words.between(n)} all densities jump by {middle[n]:.0f} HU, air too"
        text = f"{jump}{more}: slope or intercept is wrong"
        raise InputError("series-level-jumps", text, _EXPORT)


def _refuse_inversions(thin: Thin, words: _Words) -> None:
    """Refuse neighbours that are each other's negative."""
    centered = thin - thin.mean(axis=(1, 2), keepdims=True)
    together = np.einsum("kji,kji->k", centered[1:], centered[:-1])
    power = np.sqrt(np.einsum("kji,kji->k", centered, centered))
    rows = np.flatnonzero(together < OPPOSITE * power[1:] * power[:-1])
    if len(rows):
        text = f"{words.between(int(rows[0]))} light and dark change places: some slices are stored inverted"
        raise InputError("series-inverted", text, _EXPORT)


def _refuse_contradicted_scales(thin: Thin, slices: Sequence[SliceHeader], words: _Words) -> None:
    """Refuse slopes and intercepts that differ between neighbours whose stored values do not."""
    for n, (a, b) in enumerate(pairwise(slices)):
        if (a.slope, a.intercept) == (b.slope, b.intercept):
            continue
        rescaled = (thin[n + 1] - b.intercept) / b.slope * a.slope + a.intercept
        own, same = (float(np.abs(thin[n] - other).mean()) for other in (thin[n + 1], rescaled))
        if own > LEAST_DIFFERENCE_HU and same < SAME_SCALE * own:
            text = (
                f"slope or intercept change {words.between(n)} (from {a.slope:g} and {a.intercept:g} to {b.slope:g} "
                f"and {b.intercept:g}), the stored values do not"
            )
            raise InputError("series-rescale", text, _EXPORT)


def _refuse_odd(thin: Thin, words: _Words) -> None:
    cut = np.clip(thin, *_DENSITIES_HU)
    near = np.abs(np.diff(cut, axis=0)).mean(axis=(1, 2))
    across = np.abs(cut[2:] - cut[:-2]).mean(axis=(1, 2))
    least = np.minimum(near[:-1], near[1:])
    seen = least > LEAST_DIFFERENCE_HU
    rows = [int(n) + 1 for n in np.flatnonzero(seen & (across < ALIKE * least))]
    if not rows:
        return
    if len(rows) > np.count_nonzero(seen) / 2:
        text = f"neighbours do not look alike, every other slice does (first {words.at(rows)}): two series are mixed"
        raise InputError("series-mixed", text, "Export one series at a time")
    what = "1 slice looks" if len(rows) == 1 else f"{len(rows)} slices look"
    text = f"{what} like neither neighbour, which look alike ({words.at(rows)}): another picture, or damaged"
    raise InputError("series-odd-slice", text, _EXPORT)


def _refuse_repeated(unchanged: npt.NDArray[np.floating], words: _Words) -> None:
    """Refuse the same picture at two places: no scanner repeats its noise."""
    rows = np.flatnonzero(unchanged == 1.0)
    if len(rows):
        text = f"neighbouring slices hold the same picture ({words.between(int(rows[0]))}, {len(rows)} in all)"
        raise InputError("series-picture-repeated", text, "Export the series as the scanner reconstructed it")
