"""Judging a series: do its slices make one volume of right millimetres, and if not, why not.

Positions are projected on the slice normal and every gap is looked at, as is the drift of the slices within their
own plane (DICOM PS3.3, C.7.6.2.1.1: the position is the centre of the first pixel).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from cotyle.image.gaps import Gaps, judge_gaps
from cotyle.image.header_doubts import TILT_TOLERANCE_DEG, header_doubts
from cotyle.image.limits import MAX_VOXELS
from cotyle.image.made_up import MadeUp, made_up_stretches
from cotyle.image.series import SAME_POSITION_MM, DicomSeries
from cotyle.image.slice_header import SliceHeader
from cotyle.image.verdict import Finding, SeriesVerdict, doubt, fatal, note, repairable, unplannable
from cotyle.space.arrays import Array

IN_PLANE_TOLERANCE_MM = 0.1
"""How far a slice may lie beside the line through all of them; positions are often rounded to 0.1 mm."""

RIGHT_ANGLE_TOLERANCE = 1e-3
"""Largest cosine between rows and columns, and largest error of their lengths, taken for rounding."""

THICK_SPACING_MM = 3.0
"""Beyond this the wall of the socket cannot be measured. Common practice, no source."""

MINIMUM_EXTENT_MM = (200.0, 100.0, 120.0)
"""Least extent to left-right, front-back and up-down that holds both anterior superior iliac spines, the pubic
tubercles and both sockets of an adult. Common practice, no source."""

FARTHEST_MM = 10_000.0
"""Positions beyond this are no place in a scanner; our choice."""

WIDEST_SLICE_MM = 1000.0
"""Wider than the gantry of any CT. Common practice, no source."""

_EXPORT = "Export the series again"
_STEADY = 0.2  # share of the drift that no straight line explains, beyond which it is no tilt but jumps
_NEARLY_SAME, _NEARLY_SAME_MM = 0.05, 0.05


@dataclass(frozen=True, eq=False)
class SliceStack:
    """Slices in order along their normal, without repetitions.

    Parameters
    ----------
    slices:
        n slices by rising distance along ``normal``.
    row, column, normal:
        Unit LPS directions: along a row (i), along a column (j), and their cross product (k).
    positions_lps_mm:
        (n, 3), the centre of the first pixel of each slice.
    spacing_mm:
        Between neighbours along i, j and k; along k that of the regular grid the slices lie on, or come to lie on.
    gaps:
        What the distances between the slices say.
    tilted:
        Whether the slices drift within their plane, so that they must be shifted to lie square.
    made_up:
        Where slices must be made up to come to lie on the grid.
    """

    slices: tuple[SliceHeader, ...]
    row: Array
    column: Array
    normal: Array
    positions_lps_mm: Array
    spacing_mm: tuple[float, float, float]
    gaps: Gaps
    tilted: bool
    made_up: tuple[MadeUp, ...] = ()

    @property
    def distances_mm(self) -> Array:
        """Distance of each slice along the normal, shape (n,), rising."""
        return np.asarray(self.positions_lps_mm @ self.normal)

    @property
    def heights_mm(self) -> list[float]:
        """Where each slice lies as a user would say it, see :func:`place_word`."""
        return [_height(header, self.normal) for header in self.slices]

    @property
    def extent_mm(self) -> Array:
        """Extent to left-right, front-back and up-down of the box that holds the slices, shape (3,)."""
        first = self.slices[0]
        width = np.abs(self.row) * self.spacing_mm[0] * first.columns
        height = np.abs(self.column) * self.spacing_mm[1] * first.rows
        depth = np.abs(self.positions_lps_mm[-1] - self.positions_lps_mm[0])
        return np.asarray(width + height + depth + np.abs(self.normal) * self.spacing_mm[2])


SamePixels = Callable[[Sequence[tuple[SliceHeader, SliceHeader]]], Sequence[bool]]


def judge_series(series: DicomSeries, same_pixels: SamePixels) -> tuple[SeriesVerdict, SliceStack | None]:
    """Judge a series; without a fatal finding there is a stack to read.

    ``same_pixels`` tells, for each pair of slices at one position, whether they hold the same picture.
    """
    findings = _sibling_notes(series) + _content_findings(series)
    placed, placing = _placed_slices(series)
    findings += placing
    axes, axis_findings = _axes(placed)
    findings += axis_findings
    if axes is None:
        return SeriesVerdict(tuple(findings)), None
    kept, doubles = _without_duplicates(placed, axes[2], same_pixels)
    findings += doubles
    if len(kept) < 2:
        findings.append(fatal("series-single-slice", "the series has a single slice", "Give the folder of a whole CT"))
        return SeriesVerdict(tuple(findings)), None
    stack, geometry = _stack(kept, axes)
    findings += geometry + _size_findings(stack)
    return SeriesVerdict(tuple(findings)), stack


def _sibling_notes(series: DicomSeries) -> list[Finding]:
    text = "split off what the scanner called the same series: "
    return [
        note("series-scout-split" if "scout" in sibling else "series-split", text + sibling)
        for sibling in series.siblings
    ]


def _content_findings(series: DicomSeries) -> list[Finding]:
    """Judge what the pixels stand for."""
    first, found = series.first, []
    if first.modality != "CT":
        kind = first.modality or "an unnamed kind"
        found.append(fatal("series-not-ct", f"the images are {kind}, not CT", "Give a CT of the pelvis"))
    if first.is_scout:
        found.append(fatal("series-scout", "the images are a scout, not slices", "Choose the CT series itself"))
    if first.samples_per_pixel != 1:
        found.append(fatal("series-color", "the pixels are colours, not densities", "Choose the CT series itself"))
    derived_unit = first.rescale_type not in {"", "HU", "US"}
    if derived_unit or first.pixel_presentation in {"COLOR", "MIXED"}:
        what = f"in {first.rescale_type}" if derived_unit else "a coloured map"
        found.append(fatal("series-not-hu", f"the pixels are {what}, not HU", "Choose the CT series itself"))
    found += _pixel_findings(series)
    if len({(s.slope, s.intercept) for s in series.slices}) > 1:
        text = "slope or intercept differ between slices; each has its own applied"
        found.append(note("series-rescale-varies", text))
    if any(s.lossy for s in series.slices):
        found.append(doubt("series-lossy", "the pixels were compressed with loss; fine edges may have moved"))
    if any(s.photometric == "MONOCHROME1" for s in series.slices):
        text = "the header asks to show high values dark; HU are not changed by that"
        found.append(note("series-monochrome1", text))
    return found


def _pixel_findings(series: DicomSeries) -> list[Finding]:
    """Judge, by headers alone, whether the pixels are there and can become HU."""
    first, found = series.first, []
    if first.rows * first.columns * len(series.slices) > MAX_VOXELS:
        return [_too_large(first, len(series.slices))]
    if first.modality == "CT" and not first.is_scout:
        unscaled = [s for s in series.slices if not (math.isfinite(s.slope) and math.isfinite(s.intercept) and s.slope)]
        if unscaled:
            text = f"{_named(unscaled)} {_has(unscaled)} no slope and intercept that lead to HU"
            found.append(fatal("series-rescale", text, _EXPORT, slices=len(unscaled)))
    odd = [s for s in series.slices if not _is_usual_format(s)]
    if odd:
        bits = f"{odd[0].bits_stored} of {odd[0].bits_allocated} bits"
        text = f"{_named(odd)} {_has(odd)} {odd[0].columns} x {odd[0].rows} pixels of {bits}"
        found.append(fatal("series-pixel-format", text, _EXPORT, slices=len(odd)))
    short = [s for s in series.slices if not s.pixels_are_there]
    if short:
        found.append(fatal("series-pixels", f"the pixels of {_named(short)} are cut short", _EXPORT, slices=len(short)))
    return found


def _is_usual_format(header: SliceHeader) -> bool:
    bits = header.bits_allocated
    return min(header.rows, header.columns) > 0 and bits in {1, 8, 16, 32} and 1 <= header.bits_stored <= bits


def _has(headers: Sequence[SliceHeader]) -> str:
    return "has" if len(headers) == 1 else "have"


def _placed_slices(series: DicomSeries) -> tuple[list[SliceHeader], list[Finding]]:
    """Return the slices that have a position, and what is wrong with the others."""
    placed, missing, not_finite = [], [], []
    for header in series.slices:
        if header.position_lps_mm is None:
            missing.append(header)
        elif not np.abs(header.position_lps_mm).max() <= FARTHEST_MM:  # NaN, too
            not_finite.append(header)
        else:
            placed.append(header)
    found = []
    for code, what, lost in (
        ("series-no-position", "no position", missing),
        ("series-position-nan", f"a position that is not a number within {FARTHEST_MM / 1000:g} m", not_finite),
    ):
        if lost:
            text = f"{_named(lost)} {_has(lost)} {what}"
            if placed:
                found.append(repairable(code, text, slices=len(lost)))
            else:
                found.append(fatal(code, text, _EXPORT, slices=len(lost)))
    return placed, found


def _named(headers: Sequence[SliceHeader]) -> str:
    names = ", ".join(header.label for header in headers[:3])
    return names + (f" and {len(headers) - 3} more" if len(headers) > 3 else "")


def _axes(slices: Sequence[SliceHeader]) -> tuple[tuple[Array, Array, Array] | None, list[Finding]]:
    """Return unit row, column and normal, or why there are none."""
    if not slices:
        return None, []
    with_axes = [s for s in slices if s.orientation is not None and np.isfinite(s.orientation).all()]
    if len(with_axes) < len(slices):
        lost = [s for s in slices if s not in with_axes]
        return None, [fatal("series-no-orientation", f"{_named(lost)} {_has(lost)} no orientation", _EXPORT)]
    spacing = slices[0].pixel_spacing_mm
    if spacing is None or not np.isfinite(spacing).all() or min(spacing) <= 0:
        return None, [fatal("series-pixel-spacing", "the headers give no usable pixel spacing", _EXPORT)]
    width, height = spacing[1] * slices[0].columns, spacing[0] * slices[0].rows
    if max(width, height) > WIDEST_SLICE_MM:
        text = f"by their pixel spacing the slices are {width:.0f} x {height:.0f} mm, wider than any CT"
        return None, [fatal("series-pixel-spacing", text, _EXPORT, width_mm=width, height_mm=height)]
    row, column = np.mean([np.reshape(np.array(s.orientation), (2, 3)) for s in slices], axis=0)
    lengths = np.linalg.norm(row), np.linalg.norm(column)
    if max(abs(length - 1) for length in lengths) > RIGHT_ANGLE_TOLERANCE or abs(row @ column) > RIGHT_ANGLE_TOLERANCE:
        text = "the rows and columns of the slices are not unit vectors at right angles"
        return None, [fatal("series-orientation", text, _EXPORT)]
    row = row / lengths[0]
    column = column - (column @ row) * row
    column = column / np.linalg.norm(column)
    return (row, column, np.cross(row, column)), []


def _without_duplicates(
    slices: Sequence[SliceHeader], normal: Array, same_pixels: SamePixels
) -> tuple[list[SliceHeader], list[Finding]]:
    """Order the slices along the normal and drop repetitions of the same picture."""
    ordered = sorted(slices, key=lambda s: float(np.dot(_position(s), normal)))
    same_place_mm = _same_place_mm([float(np.dot(_position(s), normal)) for s in ordered])
    kept: list[SliceHeader] = []
    twins: list[tuple[SliceHeader, SliceHeader]] = []
    for header in ordered:
        if not kept or np.dot(_position(header) - _position(kept[-1]), normal) > same_place_mm:
            kept.append(header)
        else:
            twins.append((kept[-1], header))
    beside = [np.linalg.norm(_position(a) - _position(b)) >= IN_PLANE_TOLERANCE_MM for a, b in twins]
    same = iter(same_pixels([pair for pair, off in zip(twins, beside, strict=True) if not off]))
    alike = [not off and next(same) for off in beside]
    dropped = [_height(b, normal) for (_, b), yes in zip(twins, alike, strict=True) if yes]
    contradicting = [_height(b, normal) for (_, b), yes in zip(twins, alike, strict=True) if not yes]
    found = []
    if dropped:
        where = f"{place_word(normal)} {_list(dropped)} mm"
        text = f"{len(dropped)} repeated slice(s) with the same pixels left out ({where})"
        found.append(note("series-duplicate", text, slices=len(dropped), first_mm=dropped[0]))
    if contradicting:
        text = f"different pictures at the same place ({place_word(normal)} {_list(contradicting)} mm)"
        numbers = {"slices": len(contradicting), "first_mm": contradicting[0]}
        found.append(fatal("series-duplicate-differs", text, "Export one acquisition at a time", **numbers))
    return kept, found


def _same_place_mm(distances: Sequence[float]) -> float:
    """Return how near two slices count as at one place: a twentieth of the usual gap, at most 0.05 mm."""
    if len(distances) < 3:
        return SAME_POSITION_MM
    usual = float(np.percentile(np.diff(distances), 90))
    return max(SAME_POSITION_MM, min(_NEARLY_SAME * usual, _NEARLY_SAME_MM))


def _stack(slices: Sequence[SliceHeader], axes: tuple[Array, Array, Array]) -> tuple[SliceStack, list[Finding]]:
    row, column, normal = axes
    positions = np.array([_position(s) for s in slices])
    distances = positions @ normal
    heights = np.array([_height(s, normal) for s in slices])
    gaps, found = judge_gaps(distances, heights, place_word(normal))
    tilted, drift = _drift_findings(positions, axes, heights)
    between_rows, between_columns = slices[0].pixel_spacing_mm or (np.nan, np.nan)
    spacing = (between_columns, between_rows, gaps.spacing_mm)
    made_up: tuple[MadeUp, ...] = ()
    if gaps.resample:
        made_up = made_up_stretches(distances, heights, normal, gaps.spacing_mm, place_word(normal))
    stack = SliceStack(tuple(slices), row, column, normal, positions, spacing, gaps, tilted, made_up)
    return stack, found + drift


def _drift_findings(positions: Array, axes: tuple[Array, Array, Array], heights: Array) -> tuple[bool, list[Finding]]:
    """Judge how the slices move within their plane: steadily (gantry tilt) or in jumps."""
    row, column, normal = axes
    distances = positions @ normal
    in_plane = positions @ np.stack([row, column], axis=1)
    centered = distances - distances.mean()
    slope = centered @ in_plane / (centered @ centered)
    residual = in_plane - in_plane.mean(axis=0) - np.outer(centered, slope)
    angle = float(np.degrees(np.arctan(np.hypot(*slope))))
    worst = float(np.linalg.norm(residual, axis=1).max())
    found = []
    jumps = worst > IN_PLANE_TOLERANCE_MM and residual.std() > _STEADY * (in_plane - in_plane.mean(axis=0)).std()
    if angle > TILT_TOLERANCE_DEG and not jumps:
        text = (
            f"gantry tilt of {angle:.1f} deg: each slice lies {np.hypot(*slope):.3f} mm beside the one before for "
            "each mm along the normal"
        )
        found.append(repairable("series-tilt", text, tilt_deg=angle))
    if worst > IN_PLANE_TOLERANCE_MM:
        steps = np.linalg.norm(np.diff(in_plane if jumps else residual, axis=0), axis=1)
        at = int(steps.argmax())
        where = f"between {place_word(normal)} {heights[at]:.2f} and {heights[at + 1]:.2f} mm"
        text = f"slices lie beside each other: {where} they shift by {steps[at]:.2f} mm within their plane"
        found.append(repairable("series-slices-shifted", text, shift_mm=float(steps[at])))
    return bool(found), found


def _size_findings(stack: SliceStack) -> list[Finding]:
    """Judge whether the grid can be held, and whether a pelvis can lie in it."""
    first, found = stack.slices[0], []
    count = 1 + round((stack.distances_mm[-1] - stack.distances_mm[0]) / stack.spacing_mm[2])
    if count > len(stack.slices) and count * first.rows * first.columns > MAX_VOXELS:
        found.append(_too_large(first, count))
    found += extent_findings(stack.extent_mm, stack.spacing_mm[2])
    width_height = (first.columns * stack.spacing_mm[0], first.rows * stack.spacing_mm[1])
    found += header_doubts(first, stack.column, width_height, stack.tilted)
    return found


def _too_large(header: SliceHeader, count: int) -> Finding:
    size = f"{header.columns} x {header.rows} x {count}"
    return fatal("image-too-large", f"the image has {size} voxels", "Export only the pelvis")


def extent_findings(extent_mm: Array, slice_spacing_mm: float) -> list[Finding]:
    """Judge whether an adult's pelvis can lie in a box (left-right, front-back, up-down) and be measured."""
    found = []
    names = ("from left to right", "from front to back", "from top to bottom")
    short = [
        f"{extent:.0f} mm {name} (at least {least:.0f} are needed)"
        for extent, least, name in zip(extent_mm, MINIMUM_EXTENT_MM, names, strict=True)
        if extent < least
    ]
    if short:
        text = "too small for a pelvis: " + ", ".join(short)
        found.append(unplannable("series-coverage", text, "Give a CT that holds the whole pelvis"))
    if slice_spacing_mm > THICK_SPACING_MM:
        text = f"slices {slice_spacing_mm:.2f} mm apart; walls cannot be measured beyond {THICK_SPACING_MM:g} mm"
        found.append(unplannable("series-thick", text, "Give a thinner reconstruction", spacing_mm=slice_spacing_mm))
    return found


def place_word(normal: Array) -> str:
    """Return what distances along a normal are called: ``z =`` for axial slices."""
    return "z =" if abs(normal[2]) > 0.9 else "along the normal at"


def _height(header: SliceHeader, normal: Array) -> float:
    """Return where a slice lies as a user would say it: z for axial slices, else the distance along the normal."""
    position = _position(header)
    return float(position[2] if abs(normal[2]) > 0.9 else position @ normal)


def _position(header: SliceHeader) -> Array:
    return np.asarray(header.position_lps_mm, dtype=np.float64)


def _list(values: Sequence[float]) -> str:
    return ", ".join(f"{v:.2f}" for v in values[:3]) + (", ..." if len(values) > 3 else "")
