"""What a picture of a shell over soft structures should look like, with what is not known of it left open.

``S(T(b + g m))``: m the metal's line integral from the exact chords of a shell, mixed over a pixel as transmitted
intensity is; g the contrast of the metal in the picture's own unit; b what lies under it, smooth; T how the picture's
grey bends on its way up, ``(exp(k x) - 1) / k``; S the level at which the picture goes black, softly reached.

The bend is not there for looks. Metal that grows slowly from its edge (a rim seen from within) shows its edge where the
grey has risen far enough, metal that grows at once (the dome) shows it where it is: a wrong T turns the cup. ``k``
below 0 is exact for a picture of intensities and for hardening that levels off, near for scatter; above 0 it is a
display that spreads its upper end.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
from scipy.interpolate import BSpline
from scipy.ndimage import gaussian_filter

from cotyle.errors import InputError
from cotyle.space.arrays import Array, any_perpendicular, unit
from cotyle.space.shapes import Circle
from cotyle.xray.attenuation import linear_attenuation_per_mm
from cotyle.xray.cup_in_picture.patch import Patch
from cotyle.xray.solids import chords_in_half_ball_mm

TITANIUM_PER_MM = linear_attenuation_per_mm("titanium", 60.0)
BLUR_PX = 0.5
"""Deviation of the mixing of neighbouring rays to begin with: the square of a pixel (0.29), detector and focus."""

NUMBERS = 11
"""How many numbers a step has: 5 of the pose, then wall, blur, contrast, black, softness, bend."""

# to begin with: softness as a part of the span from background to black (fits a logarithm of counted photons), how
# far black lies above the darkest, and how much titanium reaches it
_SOFTNESS, _ABOVE_DARKEST, _WALL_THAT_BLACKENS_MM = 0.12, 0.05, 10.0
# bends beyond which nothing changes but the loss of digits, the one that is as good as none, and exponents kept finite
_MOST_BEND, _STRAIGHT, _GROWTH = 6.0, 1e-4, (-40.0, 15.0)


@dataclass(frozen=True, eq=False)
class ShellState:
    """A shell in place and how it shows.

    Parameters
    ----------
    rim:
        Outer rim, its normal out of the mouth.
    thickness_mm:
        Wall of the shell.
    contrast:
        Picture units for each unit of the metal's line integral (1 where the picture is the line integral).
    black:
        Level that no pixel exceeds.
    softness:
        Over how many picture units it is reached.
    blur_px:
        Deviation of the mixing of neighbouring rays.
    bend:
        k of T, for ``x`` counted from ``level`` in units of ``span``; 0 is straight.
    level, span:
        Grey beside the metal and how far black lies above it, to begin with; they only scale ``bend``.
    """

    rim: Circle
    thickness_mm: float
    contrast: float
    black: float
    softness: float
    blur_px: float = BLUR_PX
    bend: float = 0.0
    level: float = 0.0
    span: float = 1.0

    def stepped(self, step: Array, axes: Array) -> ShellState:
        """Return the state after a step: shift along three axes (mm), turns about the first two (rad), the logarithms
        of wall, blur and contrast, the black level, the logarithm of its softness, and the bend.
        """
        center = self.rim.center_lps_mm + step[:3] @ axes
        turn = step[3] * axes[0] + step[4] * axes[1]
        size = float(np.linalg.norm(turn))
        normal = self.rim.normal_lps
        if size > 0:
            about = turn / size
            normal = (
                np.cos(size) * normal
                + np.sin(size) * np.cross(about, normal)
                + (1.0 - np.cos(size)) * float(about @ normal) * about
            )
        thickness = min(self.thickness_mm * float(np.exp(step[5])), 0.97 * self.rim.radius_mm)
        return replace(
            self,
            rim=Circle(center, unit(normal), self.rim.radius_mm),
            thickness_mm=max(thickness, 0.5),
            contrast=self.contrast * float(np.exp(step[7])),
            black=self.black + float(step[8]),
            softness=self.softness * float(np.exp(step[9])),
            blur_px=float(np.clip(self.blur_px * np.exp(step[6]), 0.2, 3.0)),
            bend=float(np.clip(self.bend + step[10], -_MOST_BEND, _MOST_BEND)),
        )

    def with_rim(self, rim: Circle) -> ShellState:
        """Return the same shell elsewhere."""
        return replace(self, rim=rim)


def step_axes(rim: Circle, source_lps_mm: Array) -> Array:
    """Return the axes that steps are counted along, rows: two across the rim's axis, one of them across the ray too,
    and the axis itself.
    """
    ray = rim.center_lps_mm - source_lps_mm
    across = np.cross(rim.normal_lps, ray)
    first = any_perpendicular(rim.normal_lps) if np.linalg.norm(across) < 1e-6 else unit(across)
    return np.stack([first, np.cross(rim.normal_lps, first), rim.normal_lps])


def metal(patch: Patch, state: ShellState) -> Array:
    """Return the line integral of the shell, shape of the patch, mixed over neighbouring rays as intensities are."""
    source, rim = patch.carm.source_lps_mm, state.rim
    inner = Circle(rim.center_lps_mm, rim.normal_lps, rim.radius_mm - state.thickness_mm)
    chords = chords_in_half_ball_mm(source, patch.rays, rim) - chords_in_half_ball_mm(source, patch.rays, inner)
    passed = np.exp(-TITANIUM_PER_MM * chords).reshape(patch.attenuation.shape)
    return np.asarray(-np.log(np.maximum(gaussian_filter(passed, state.blur_px, truncate=4.0), 1e-12)))


class Shown(NamedTuple):
    """A picture and how it changes: with what lies under it (background plus contrast times metal), with the black
    level, with the logarithm of its softness and with the bend. All have the picture's shape.
    """

    picture: Array
    slope: Array
    by_black: Array
    by_softness: Array
    by_bend: Array


def shown(state: ShellState, background: Array, metal_integral: Array) -> Shown:
    """Return the picture of what lies under it."""
    above = (background + state.contrast * metal_integral - state.level) / state.span
    bend = state.bend if abs(state.bend) > _STRAIGHT else _STRAIGHT
    grown = np.exp(np.clip(bend * above, *_GROWTH))
    raised = np.expm1(np.clip(bend * above, *_GROWTH)) / bend
    below = (state.black - state.level - state.span * raised) / state.softness
    softened = np.logaddexp(0.0, below)
    passed = 1.0 / (1.0 + np.exp(-np.clip(below, -50.0, 50.0)))
    return Shown(
        np.asarray(state.black - state.softness * softened),
        np.asarray(passed * grown),
        np.asarray(1.0 - passed),
        np.asarray(state.softness * (below * passed - softened)),
        np.asarray(passed * state.span * (above * grown - raised) / bend),
    )


def background_basis(patch: Patch, knot_px: float) -> tuple[Array, Array]:
    """Return cubic B-splines along rows and along columns, shapes (rows, n) and (columns, m)."""
    rows, columns = patch.attenuation.shape
    return _splines(rows, knot_px), _splines(columns, knot_px)


def _splines(count: int, knot_px: float) -> Array:
    pieces = max(round(count / knot_px), 1)
    inner = np.linspace(-0.5, count - 0.5, pieces + 1)
    knots = np.concatenate([[inner[0]] * 3, inner, [inner[-1]] * 3])
    return np.asarray(BSpline.design_matrix(np.arange(count, dtype=float), knots, 3).toarray())


def first_state(patch: Patch, rim: Circle, wall_mm: float) -> ShellState:
    """Return a state to start from, its contrast and black level read off the picture under the rim's shell.

    Raises
    ------
    InputError
        ``cup-outside`` if the patch shows either no metal or nothing else.
    """
    state = ShellState(rim, wall_mm, 1.0, 1.0, 1.0)
    under = metal(patch, state) > TITANIUM_PER_MM
    if (patch.usable & under).sum() < 20 or (patch.usable & ~under).sum() < 20:
        raise InputError("cup-outside", "the cup lies outside the picture, or most of it")
    level = float(np.median(patch.attenuation[patch.usable & ~under]))
    black = float(np.quantile(patch.attenuation[patch.usable & under], 0.95))
    span = max(black - level, 1e-6)
    black += _ABOVE_DARKEST * span
    return ShellState(
        rim,
        wall_mm,
        span / (_WALL_THAT_BLACKENS_MM * TITANIUM_PER_MM),
        black,
        max(_SOFTNESS * (black - level), 1e-9),
        level=level,
        span=black - level,
    )
