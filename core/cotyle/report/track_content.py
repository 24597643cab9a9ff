"""What stands on the depth track, as plain numbers and words: for the report's figure and for the page on the screen.

Depths are mm along the reaming axis from the plane of the native rim, growing as the reamer goes in.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from cotyle.case.live import LiveNumbers
from cotyle.cup.cavity import ReamingStep
from cotyle.cup.depth_track import DepthTrack, depth_track
from cotyle.cup.reaming_way import ReamerPlace

if TYPE_CHECKING:
    from cotyle.case.comparison_file import ComparisonFile

AXIS_WORDS = "depth along the reaming axis, mm from the plane of the native rim; lateral left, medial right"
DENSITY_HU = (-100.0, 1300.0)
"""Density at the foot and at the top of its strip."""
DENSITY_WORDS = f"−{-DENSITY_HU[0]:.0f} to {DENSITY_HU[1]:.0f} HU"

_BEFORE_MM, _BEHIND_MM = 3.0, 9.0
_SOFT_WORTH_SAYING_MM = 0.3


@dataclass(frozen=True)
class Stretch:
    """A part of the way with its words."""

    from_mm: float
    to_mm: float
    words: str


@dataclass(frozen=True)
class Mark:
    """A depth with two standard deviations to either side (None where none is known) and its words."""

    at_mm: float
    within_mm: float | None
    words: str


@dataclass(frozen=True)
class TrackContent:
    """Everything on the track.

    Parameters
    ----------
    extent_mm:
        First and last depth that must be shown.
    density:
        (depth mm, share of the strip's height 0 to 1) of each sample that the scan holds, see :data:`DENSITY_HU`.
    bone:
        Stretches of bone before reaming.
    soft:
        The soft fossa between the pole and the floor, None where there is none to speak of.
    reamers:
        For each step the way of its pole, ``names`` beside them.
    cup:
        From the centre to the seat of the planned cup.
    inner:
        The inner surface, None at a breach.
    left:
        Bone that is left; of no length at a breach, and then ``breached``.
    found:
        The seat of a cup that was found in pictures.
    """

    extent_mm: tuple[float, float]
    density: tuple[tuple[float, float], ...]
    bone: tuple[Stretch, ...]
    soft: Stretch | None
    reamers: tuple[Stretch, ...]
    names: tuple[str, ...]
    cup: Stretch
    cup_name: str
    inner: Mark | None
    left: Stretch
    breached: bool
    found: Mark | None = None

    @property
    def ticks_mm(self) -> tuple[int, ...]:
        """Depths to write on the axis: each multiple of 5 mm within the extent."""
        first, last = self.extent_mm
        return tuple(range(5 * math.ceil(first / 5), math.floor(last / 5) * 5 + 1, 5))


def live_track(numbers: LiveNumbers) -> DepthTrack:
    """Return the depth track of a plan that is being changed."""
    hip = numbers.hip
    return depth_track(numbers.cup, numbers.steps, numbers.wall, hip.bone, hip.socket.rim_plane, hip.scan)


def place_words(steps: Sequence[ReamingStep], place: ReamerPlace, depth_mm: float) -> str:
    """Return where a reamer is: its size, the depth of its pole, and how far it still has to go."""
    step = steps[place.step]
    left = (1.0 - place.share) * step.travel_mm
    going = "at its stop" if left < 0.05 else f"{left:.1f} mm before its stop"
    return f"{step.diameter_mm:g} mm reamer, pole at {depth_mm:.1f} mm, {going}"


def track_content(track: DepthTrack, cup_diameter_mm: float, found: ComparisonFile | None = None) -> TrackContent:
    """Return what stands on a plan's depth track, with the cup that a comparison found if there is one."""
    first, last = _extent(track)
    mark = None if found is None else _found(track, found)
    if mark is not None:
        first, last = min(first, mark.at_mm - _BEFORE_MM), max(last, mark.at_mm + _BEFORE_MM)
    return TrackContent(
        extent_mm=(first, last),
        density=_density(track),
        bone=tuple(Stretch(float(start), float(end), "bone before reaming") for start, end in track.bone_mm),
        soft=_soft(track),
        reamers=tuple(
            Stretch(
                bar.from_mm,
                bar.to_mm,
                f"stops at {bar.to_mm:.1f}, {bar.to_mm - bar.from_mm:.1f} mm after first touch",
            )
            for bar in track.bars
        ),
        names=tuple(f"{bar.diameter_mm:g} mm reamer" for bar in track.bars),
        cup=Stretch(max(first, track.center_mm), track.seat_mm, f"seat at {track.seat_mm:.1f} mm"),
        cup_name=f"{cup_diameter_mm:g} mm cup",
        inner=_inner(track),
        left=_left(track),
        breached=track.inner_surface_mm is None or track.floor_mm is None,
        found=mark,
    )


def _extent(track: DepthTrack) -> tuple[float, float]:
    leave = track.inner_surface_mm if track.inner_surface_mm is not None else track.pole_mm
    first = min(-2.0, *(bar.from_mm for bar in track.bars)) - 1.0
    return first, max(leave, track.pole_mm) + _BEHIND_MM


def _density(track: DepthTrack) -> tuple[tuple[float, float], ...]:
    low, high = DENSITY_HU
    known = np.isfinite(track.density_hu)
    share = np.clip((track.density_hu[known] - low) / (high - low), 0.0, 1.0)
    return tuple((float(depth), float(value)) for depth, value in zip(track.depth_mm[known], share, strict=True))


def _soft(track: DepthTrack) -> Stretch | None:
    if track.floor_mm is None or track.floor_mm - track.pole_mm <= _SOFT_WORTH_SAYING_MM:
        return None
    return Stretch(track.pole_mm, track.floor_mm, f"{track.floor_mm - track.pole_mm:.1f} mm of soft fossa")


def _inner(track: DepthTrack) -> Mark | None:
    if track.inner_surface_mm is None:
        return None
    within = 2 * track.inner_uncertainty_mm
    return Mark(track.inner_surface_mm, within, f"inner surface at {track.inner_surface_mm:.1f} ± {within:.1f} mm")


def _left(track: DepthTrack) -> Stretch:
    if track.inner_surface_mm is None or track.floor_mm is None:
        return Stretch(track.pole_mm, track.pole_mm, "BREACHED: no bone is left behind the pole")
    start = max(track.floor_mm, track.pole_mm)
    return Stretch(start, track.inner_surface_mm, f"{track.inner_surface_mm - start:.1f} mm of bone left")


def _found(track: DepthTrack, found: ComparisonFile) -> Mark | None:
    """Its floor is measured from that of the finished cavity, along the same axis."""
    if found.depth_left_mm is None or found.uncertainty is None:
        return None
    within = 2 * found.uncertainty.depth_left_mm
    at = track.pole_mm - found.depth_left_mm
    return Mark(at, within, f"cup found at {at:.1f} ± {within:.1f} mm")
