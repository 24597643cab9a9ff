"""Dips of density along rays across a narrow joint: which lowest places lie between dense flanks, and how wide a space
each of them shows.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.ndimage import maximum_filter1d
from scipy.special import ndtr

from cotyle.space.arrays import Array, BoolArray, IntArray

RAY_STEP_MM = 0.2
# Where the middle of the space may lie, from the sphere of the head; how far off the dense flanks may be.
_WINDOW_MM = (-1.5, 2.5)
_FLANK_MM = 3.0
# How dense a flank is at least, against the densest place of the median ray; so deep a dip is no noise.
_DENSE_SHARE = 0.5
_LEAST_DIP_HU = 12.0
# The drawn joint: thickness of both plates, density of the bone beneath and of the space, as shares of the plate's.
_PLATE_MM, _BENEATH, _SPACE = 2.0, 0.25, 0.07
_PLATE_HU = 1000.0
# Beyond a wider space bone begins again from the second of these densities after one below the first (shares of the
# dense ones).
_CLEAR_SHARE, _BONE_SHARE = 0.35, 0.45


@dataclass(frozen=True, eq=False)
class JointDips:
    """Density along rays (n, m) at ``radii`` (m,), and which of its lowest places (n, m) lie between dense flanks."""

    profile: Array
    radii: Array
    usual_hu: float
    depth: Array
    lowest: BoolArray

    @classmethod
    def of(cls, profile: Array, radii: Array, radius_mm: float) -> JointDips:
        """Find the dips of profiles (n, m) in HU, ``RAY_STEP_MM`` apart, near a head of this radius."""
        count = round(_FLANK_MM / RAY_STEP_MM)
        before = maximum_filter1d(profile, count + 1, axis=1, origin=count // 2)
        after = maximum_filter1d(profile, count + 1, axis=1, origin=-(count // 2))
        flank = np.minimum(before, after)
        usual = float(np.median(profile[:, np.abs(radii - radius_mm) < 2.0].max(axis=1)))
        depth = flank - profile
        low, high = _WINDOW_MM
        lowest = (flank > _DENSE_SHARE * usual) & (depth > _LEAST_DIP_HU)
        lowest &= (radii > radius_mm + low) & (radii < radius_mm + high)
        lowest[:, 1:-1] &= (profile[:, 1:-1] <= profile[:, :-2]) & (profile[:, 1:-1] < profile[:, 2:])
        lowest[:, [0, -1]] = False
        return cls(profile, radii, usual, depth, lowest)

    def deepest(self) -> tuple[Array, Array, IntArray]:
        """Place (mm), depth (HU) and index of each ray's deepest dip; NaN, 0 and 0 where there is none."""
        return self._at(np.argmax(np.where(self.lowest, self.depth, -np.inf), axis=1))

    def nearest(self, expected: Array) -> tuple[Array, Array, IntArray]:
        """The same of the dip nearest to a place expected (n,)."""
        away = np.abs(self.radii - np.nan_to_num(expected, nan=-1e3)[:, None])
        return self._at(np.argmin(np.where(self.lowest, away, np.inf), axis=1))

    def _at(self, at: IntArray) -> tuple[Array, Array, IntArray]:
        rows = np.arange(len(at))
        found = self.lowest[rows, at]
        inner = np.clip(at, 1, len(self.radii) - 2)
        left, middle, right = (self.profile[rows, inner + step] for step in (-1, 0, 1))
        bend = np.maximum(left - 2.0 * middle + right, 1e-6)
        between = np.clip(0.5 * (left - right) / bend, -0.5, 0.5)
        place = self.radii[at] + RAY_STEP_MM * between
        return np.where(found, place, np.nan), np.where(found, self.depth[rows, at], 0.0), at

    def dense_throughout(self, middle: Array) -> BoolArray:
        """Whether the density stays that of dense bone across a place (n,)."""
        across = np.abs(self.radii - np.nan_to_num(middle, nan=-1e3)[:, None]) < 0.8
        least = np.where(across, self.profile, np.inf).min(axis=1)
        return np.isfinite(least) & (least > _DENSE_SHARE * self.usual_hu)

    def first_rise(self, radius_mm: float) -> Array:
        """Where bone begins again beyond the head and a space (n,), by its half height; NaN where it does not."""
        beyond = self.radii > radius_mm - 0.5
        clear = np.maximum.accumulate(beyond & (self.profile < _CLEAR_SHARE * self.usual_hu), axis=1)
        bone = clear & (self.profile > _BONE_SHARE * self.usual_hu)
        first = np.argmax(bone, axis=1)
        found = bone.any(axis=1) & (first < len(self.radii) - 10)
        edge = np.full(len(first), np.nan)
        for row in np.flatnonzero(found):
            at = first[row]
            low, high = self.profile[row, at - 8 : at].min(), self.profile[row, at : at + 10].max()
            part = self.profile[row, at - 8 : at + 10]
            over = 1 + int(np.argmax(part[1:] >= 0.5 * (low + high)))
            share = (0.5 * (low + high) - part[over - 1]) / max(part[over] - part[over - 1], 1e-6)
            edge[row] = self.radii[at - 8 + over - 1] + RAY_STEP_MM * np.clip(share, 0.0, 1.0)
        return edge

    def width(self, rows: IntArray, at: IntArray, blur_mm: Array) -> Array:
        """Width of the space (mm) at dips ``at`` of rays ``rows``, from the density that is missing in them."""
        count = round(_FLANK_MM / RAY_STEP_MM)
        drawn = np.arange(0.0, 4.01, 0.1)
        found = np.empty(len(rows))
        for number, (row, middle) in enumerate(zip(rows, at, strict=True)):
            first, last = max(middle - count, 0), min(middle + count + 1, len(self.radii))
            piece = self.profile[row, first:last]
            found[number] = _missing(piece, middle - first, _SPACE * self.usual_hu)
        width = np.empty(len(rows))
        blurs = np.round(blur_mm / 0.05) * 0.05
        for each in np.unique(blurs):
            read = np.maximum.accumulate(
                [_missing(*_drawn_joint(space, max(each, 0.1)), _SPACE * _PLATE_HU) for space in drawn]
            )
            width[blurs == each] = np.interp(found[blurs == each], read, drawn)
        return width


def _missing(profile: Array, at: int, space_hu: float) -> float:
    """Density that is missing between the flanks of a dip, as the width (mm) of an empty space between them."""
    left = int(np.argmax(profile[: at + 1]))
    right = at + int(np.argmax(profile[at:]))
    line = np.interp(np.arange(left, right + 1), [left, right], [profile[left], profile[right]])
    plate = 0.5 * (profile[left] + profile[right])
    missing = np.maximum(line - profile[left : right + 1], 0.0).sum()
    return float(missing * RAY_STEP_MM / max(plate - space_hu, 1.0))


def _drawn_joint(space_mm: float, blur_mm: float) -> tuple[Array, int]:
    """Density (HU) across a drawn joint, and the index of its middle."""
    place = np.arange(-_FLANK_MM - 0.5 * space_mm, _FLANK_MM + 0.5 * space_mm + 1e-6, RAY_STEP_MM)
    half = 0.5 * space_mm

    def layer(low: float, high: float) -> Array:
        return np.asarray(ndtr((place - low) / blur_mm) - ndtr((place - high) / blur_mm))

    plates = layer(-half - _PLATE_MM, -half) + layer(half, half + _PLATE_MM)
    density = plates + _SPACE * layer(-half, half) + _BENEATH * (1.0 - layer(-half - _PLATE_MM, half + _PLATE_MM))
    return _PLATE_HU * density, len(place) // 2
