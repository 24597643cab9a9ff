"""The wide search: every direction within reach of the rough pose, and in each every place of the bone in the picture.

For a rough pose that is far off a cloud may end at the wrong bone. So the C-arm is turned step by step about all three
axes; how the bone then has to be shifted in the picture comes from one correlation of edges for all shifts at once
(by Fourier transform; a shift of the picture stands for a shift of the C-arm, which holds as long as it is small
against the distance from the source).
"""

from __future__ import annotations

from itertools import product

import numpy as np
from scipy import fft

from cotyle.space.arrays import Array
from cotyle.xray.carm import CArm
from cotyle.xray.projector.line_integrals import ReadyVolume
from cotyle.xray.registration.edges import EdgePicture, FloatPicture, evened
from cotyle.xray.registration.motion import Handle
from cotyle.xray.registration.search import pull
from cotyle.xray.registration.simulated_edges import View, simulated_edges

_TURNS_DEG = np.arange(-24.0, 25.0, 6.0)
_MOST_TURN_DEG = 26.0
_IN_PLANE_DEG = np.arange(-21.0, 22.0, 7.0)
_NEAR = np.array([9.0, 9.0, 10.5])
"""Turns within these of a better candidate are the same one."""


def sweep(view: View, bone: ReadyVolume, handle: Handle, sd: Array, width: float, count: int) -> list[Array]:
    """Return the six numbers of the best candidates, best first.

    Parameters
    ----------
    view, bone, handle, sd, width:
        As in :func:`~cotyle.xray.registration.search.search`.
    count:
        Number of candidates.
    """
    margin = max(view.carm.size) // 4
    columns, rows = view.carm.size
    wide = view.carm.cropped((-margin, -margin), (columns + 2 * margin, rows + 2 * margin))
    turns = np.array([each for each in product(_TURNS_DEG, _TURNS_DEG, _IN_PLANE_DEG) if _within(each)])
    motions = np.hstack([turns, np.zeros_like(turns)])
    numbers, best = np.empty_like(motions), np.empty(len(motions))
    shifts = _shift_numbers(view.carm, handle, margin)
    correlation = _Correlation(view.fixed, margin)
    for part in np.array_split(np.arange(len(motions)), max(1, len(motions) // 32)):
        for place, moving in zip(part, simulated_edges(bone, wide, handle, motions[part]), strict=True):
            tried = motions[place] + _turned(shifts, handle, motions[place])
            score = correlation.of(evened(moving)) - pull(sd, tried, width)
            top = int(score.argmax())
            numbers[place], best[place] = tried[top], score[top]
    return _apart(numbers, best, count)


def _within(turn: tuple[float, ...]) -> bool:
    return bool(np.hypot(turn[0], turn[1]) <= _MOST_TURN_DEG)


def _shift_numbers(carm: CArm, handle: Handle, margin: int) -> Array:
    """Shift of the C-arm along columns and rows that moves the bone by each whole pixel, (shifts, 2) in mm."""
    steps = np.arange(-margin, margin + 1, dtype=float)
    scale = np.array(carm.pixel_pitch_mm) / carm.magnification(handle.pivot_lps_mm)
    down, across = np.meshgrid(steps, steps, indexing="ij")
    # the C-arm goes one way, the bone in the picture the other
    return np.asarray(-np.stack([across.ravel(), down.ravel()], axis=1) * scale)


def _turned(shifts: Array, handle: Handle, motion: Array) -> Array:
    """Six numbers of shifts along the detector's axes after a turn."""
    axes = handle.axes_lps[:2] @ handle.motion(motion)[:3, :3].T
    return np.hstack([np.zeros((len(shifts), 3)), shifts @ axes @ handle.axes_lps.T])


class _Correlation:
    """Correlation of a real picture's edges with simulated ones, by a margin larger all round, at every shift."""

    def __init__(self, fixed: EdgePicture, margin: int) -> None:
        self._margin = margin
        rows, columns = fixed.weight.shape
        self._shape = tuple(fft.next_fast_len(n + 4 * margin, real=True) for n in (rows, columns))
        weighted = fixed.weight * fixed.gradient
        self._of_edges = np.conj(fft.rfft2(weighted, self._shape))
        self._of_weight = np.conj(fft.rfft2(fixed.weight, self._shape))
        self._own = float((weighted * fixed.gradient).sum())

    def of(self, moving: FloatPicture) -> Array:
        """Return the correlation at each shift of the simulated picture, rows before columns, flat."""
        edges = fft.rfft2(moving, self._shape)
        square = fft.rfft2((moving**2).sum(axis=0), self._shape)
        common = self._shifts(fft.irfft2((edges * self._of_edges).sum(axis=0), self._shape))
        energy = self._shifts(fft.irfft2(square * self._of_weight, self._shape))
        floor = 1e-3 * float(energy.max()) + 1e-20
        return np.asarray(common / np.sqrt(np.maximum(energy, floor) * max(self._own, 1e-20))).ravel()

    def _shifts(self, field: Array) -> Array:
        # the picture pushed by s is what lies at margin - s of the larger one
        size = 2 * self._margin + 1
        return np.asarray(field[:size, :size][::-1, ::-1])


def _apart(numbers: Array, best: Array, count: int) -> list[Array]:
    kept: list[Array] = []
    for place in np.argsort(-best):
        if all((np.abs(numbers[place] - each)[:3] > _NEAR).any() for each in kept):
            kept.append(numbers[place])
        if len(kept) == count:
            break
    return kept
