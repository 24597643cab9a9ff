"""The distances between neighbouring slices: regular, with slices missing, or uneven."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.optimize import minimize_scalar

from cotyle.image.made_up import unsure_mm
from cotyle.image.verdict import Finding, fatal, note, repairable
from cotyle.space.arrays import Array

SAME_GAP_FRACTION = 0.1
"""Gaps that differ by less than this share of the spacing count as one when the usual gap is looked for; and the
largest share of it by which a slice may lie off the regular grid."""

MAX_POSITION_ERROR_MM = 0.1
"""How far a slice may lie off the regular grid and still be read as part of it: some headers round positions to
0.1 mm."""

NOTEWORTHY_GAP_FRACTION = 0.01
"""Unevenness up to this share of the spacing is not worth a word."""

BLOCK_GAPS = 3
"""So many equal gaps in a row that are not the usual one are a block of another spacing, not missing slices."""

BLOCKS_COVER = 0.8
"""Share of all gaps that must lie in such blocks for them to be called blocks, not chance."""

_UNITS_MM = (1.0, 0.5, 0.25)  # positions rounded more finely stay within what is read as even
_IS_ROUND = 1e-6
_WIDE_GAPS = 3

_SPOTS = 6  # named one by one

MAX_FILLED_GAP_MM = 8.0
"""Widest gap that a repair fills; the hip's shape between slices further apart is anybody's guess. No source."""


@dataclass(frozen=True)
class Gaps:
    """What the gaps say: the spacing of the regular grid, and whether slices must be resampled to lie on it."""

    spacing_mm: float
    resample: bool


def judge_gaps(distances_mm: Array, heights: Array, place: str) -> tuple[Gaps, list[Finding]]:
    """Judge every gap between slices in order.

    Parameters
    ----------
    distances_mm:
        (n,), n >= 2, rising: distance of each slice along the normal.
    heights:
        (n,) the same as a user would name it, in mm (z for axial slices).
    place:
        Words before such a height, as ``z =``.
    """
    gaps = np.diff(distances_mm)
    rounded_to = _rounded_to_mm(distances_mm, heights)
    if rounded_to is not None:
        return Gaps(float(np.mean(gaps)), False), [_rounded_finding(gaps, rounded_to)]
    usual = _usual_gap(gaps)
    steps = np.maximum(np.round(gaps / usual), 1)
    spacing = float((distances_mm[-1] - distances_mm[0]) / steps.sum())
    blocks = _blocks(gaps, 2 * _allowed_mm(usual))
    if len(blocks) == 1 and _grid_error_mm(distances_mm, steps, spacing) <= _allowed_mm(spacing):
        missing = np.flatnonzero(steps > 1)
        if len(missing):
            return Gaps(spacing, True), [_missing_finding(gaps, heights, steps, missing, spacing, place)]
        return Gaps(spacing, False), _jitter_note(gaps, heights, spacing, place)
    finest = min(float(np.mean(gaps[a:b])) for a, b in blocks)
    return Gaps(finest, True), [_uneven_finding(gaps, heights, blocks, finest, place)]


def _rounded_to_mm(distances: Array, heights: Array) -> float | None:
    """Return what the positions were rounded to, if that alone explains why their gaps differ; else None.

    Slices with an even, odd spacing (1.25 mm) whose positions were rounded to whole millimetres lie up to half of one
    off, and look as if slices were missing (1, 1, 2, 1, ... mm). One missing slice looks like that, too; so at least
    three gaps must be wide.
    """
    gaps = np.diff(distances)
    for unit in _UNITS_MM:
        if np.abs(heights / unit - np.round(heights / unit)).max() > _IS_ROUND:
            continue
        wide = np.round((gaps - gaps.min()) / unit)
        if wide.max() != 1 or np.count_nonzero(wide) < _WIDE_GAPS:
            continue
        if _line_error_mm(distances, float(gaps.min()), float(gaps.max())) <= unit:
            return unit
    return None


def _line_error_mm(distances: Array, least: float, most: float) -> float:
    """Return the least range of the deviations from an even grid, over all spacings between two."""
    number = np.arange(len(distances))

    def spread(spacing: float) -> float:
        return float(np.ptp(distances - spacing * number))

    return float(minimize_scalar(spread, bounds=(least, most), method="bounded", options={"xatol": 1e-7}).fun)


def _usual_gap(gaps: Array) -> float:
    """Return the gap that most gaps equal; of equally common ones, the smaller."""
    ordered = np.sort(gaps)
    low = np.searchsorted(ordered, ordered * (1 - SAME_GAP_FRACTION))
    high = np.searchsorted(ordered, ordered * (1 + SAME_GAP_FRACTION), side="right")
    best = int(np.argmax(high - low))
    return float(np.mean(ordered[low[best] : high[best]]))


def _blocks(gaps: Array, tolerance_mm: float) -> list[tuple[int, int]]:
    """Return (first, end) of the runs of at least ``BLOCK_GAPS`` equal gaps, joined across what lies between.

    One block means one spacing throughout, however many slices are missing from it.
    """
    blocks: list[tuple[int, int]] = []
    first = 0
    for n in range(1, len(gaps) + 1):
        if n < len(gaps) and abs(gaps[n] - gaps[first]) <= tolerance_mm:
            continue
        same_as_last = blocks and abs(gaps[blocks[-1][0]] - gaps[first]) <= tolerance_mm
        if same_as_last:
            blocks[-1] = (blocks[-1][0], n)
        elif n - first >= BLOCK_GAPS:
            blocks.append((first, n))
        first = n
    return blocks or [(0, len(gaps))]


def _grid_error_mm(distances: Array, steps: Array, spacing: float) -> float:
    """Return the largest distance of a slice from the regular grid through the first and the last."""
    grid = distances[0] + spacing * np.concatenate([[0], np.cumsum(steps)])
    return float(np.abs(distances - grid).max())


def _allowed_mm(spacing: float) -> float:
    return min(MAX_POSITION_ERROR_MM, SAME_GAP_FRACTION * spacing)


def _missing_finding(
    gaps: Array, heights: Array, steps: Array, missing: npt.NDArray[np.intp], spacing: float, place: str
) -> Finding:
    count = int((steps[missing] - 1).sum())
    spots = [f"between {place} {heights[n]:.2f} and {heights[n + 1]:.2f} mm (gap {gaps[n]:.2f} mm)" for n in missing]
    more = f" and {len(spots) - _SPOTS} more places" if len(spots) > _SPOTS else ""
    words = f"{count} slice{'s are' if count > 1 else ' is'} missing"
    text = f"{words} {', '.join(spots[:_SPOTS])}{more}; elsewhere the gap is {spacing:.2f} mm"
    n = int(missing[0])
    widest = float(gaps.max())
    numbers = {"low_mm": float(heights[n]), "high_mm": float(heights[n + 1]), "gap_mm": float(gaps[n])}
    if widest > MAX_FILLED_GAP_MM:
        remedy = f"Export the series again; gaps over {MAX_FILLED_GAP_MM:g} mm are not filled"
        return fatal("series-gap", text, remedy, slices=count, spacing_mm=spacing, **numbers)
    text += _guess(widest, spacing)
    return repairable("series-gap", text, slices=count, spacing_mm=spacing, **numbers)


def _rounded_finding(gaps: Array, unit_mm: float) -> Finding:
    text = (
        f"the positions are rounded to {unit_mm:g} mm: the gaps are {gaps.min():.2f} and {gaps.max():.2f} mm by turns, "
        f"about {np.mean(gaps):.3f} mm, and each slice may lie {unit_mm / 2:g} mm off"
    )
    numbers = {"rounded_to_mm": unit_mm, "spacing_mm": float(np.mean(gaps))}
    return fatal("series-positions-rounded", text, "Export the series again with positions to 0.1 mm", **numbers)


def _guess(widest_mm: float, usual_mm: float) -> str:
    unsure = unsure_mm(widest_mm, usual_mm)
    return f"; a repair makes slices up there, and edges in them are known to ± {unsure:.1f} mm only"


def _uneven_finding(
    gaps: Array, heights: Array, blocks: list[tuple[int, int]], finest_mm: float, place: str
) -> Finding:
    if len(blocks) > 1 and sum(b - a for a, b in blocks) >= BLOCKS_COVER * len(gaps):
        parts = [
            f"{np.mean(gaps[a:b]):.2f} mm from {place} {heights[a]:.2f} to {heights[b]:.2f} mm" for a, b in blocks[:4]
        ]
        text = "the slices are unevenly spaced: " + ", then ".join(parts) + (", ..." if len(blocks) > 4 else "")
    else:
        n = int(np.abs(gaps - np.median(gaps)).argmax())
        text = (
            f"the slices are unevenly spaced: gaps of {gaps.min():.2f} to {gaps.max():.2f} mm, the oddest between "
            f"{place} {heights[n]:.2f} and {heights[n + 1]:.2f} mm"
        )
    numbers = {"smallest_mm": float(gaps.min()), "largest_mm": float(gaps.max())}
    if gaps.max() > MAX_FILLED_GAP_MM:
        return fatal("series-uneven", text, "Give a series of even and finer spacing", **numbers)
    text += _guess(float(gaps.max()), finest_mm)
    return repairable("series-uneven", text, **numbers)


def _jitter_note(gaps: Array, heights: Array, spacing: float, place: str) -> list[Finding]:
    n = int(np.abs(gaps - spacing).argmax())
    off = float(abs(gaps[n] - spacing))
    if off <= NOTEWORTHY_GAP_FRACTION * spacing:
        return []
    text = (
        f"the gaps vary by up to {off:.3f} mm about {spacing:.3f} mm, most between {place} {heights[n]:.2f} and "
        f"{heights[n + 1]:.2f} mm; read as even"
    )
    return [note("series-jitter", text, worst_mm=off, spacing_mm=spacing)]
