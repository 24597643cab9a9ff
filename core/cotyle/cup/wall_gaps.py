"""Gaps within the bone on the axis: the space behind a double floor, which no surface of the bone shows.

In a worn hip a plate of bone may grow over the acetabular fossa, with soft tissue left behind it. The surface of the
bone runs over the plate, and what lies on the axis behind it is bone, gap, bone. The scan tells the gap by its density:

1. between two dense layers, each at least half as dense as cortex and no more than 4 mm from the lowest place, density
   falls by a quarter of that of cortex or more; the gap reaches from half height to half height;
2. what is in it, with the blur of both layers taken off, is softer than the bone's own marrow by 60 HU or more: else it
   is trabecular bone;
3. it is a sheet: of eight parallel lines 3 to 5 mm aside at least half cross one at about that depth. A cyst is not.

On an axis that meets metal nothing is looked for: a socket that holds an artificial cup was reamed, and the dark
streaks of metal look like gaps.

Where the marrow of the bone is itself as soft as fat (osteopenia), gap and marrow can't be told apart by density; then
nothing is cut out, and the reader is told where a gap may be. Rules and numbers are ours, set on synthetic scans.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from cotyle.anatomy.shapes.cortex_model import Blur
from cotyle.cup.cavity import ReamingStep
from cotyle.cup.density_dips import BEYOND_MM, STEP_MM, Dip, dips_on_line, dips_on_lines
from cotyle.image.metal import METAL_FROM_HU
from cotyle.image.sampling import sample
from cotyle.image.volume import Volume
from cotyle.space.arrays import Array, BoolArray, any_perpendicular
from cotyle.space.lines import cross, inside
from cotyle.space.mesh import TriangleMesh

_METAL_BEFORE_MM = 60.0
SOFTER_HU = 60.0
_ASIDE_MM, _SHEET_DEPTH_MM = (3.0, 5.0), 3.0
_LEAST_SHEET_SHARE = 0.5
# Marrow is read this far from any surface of the bone, within so much of the pole.
_MARROW_DEEP_MM, _MARROW_NEAR_MM, _LEAST_MARROW = 4.0, 45.0, 30
USUAL_BLUR = Blur(0.75, 1250.0)


@dataclass(frozen=True)
class WallGaps:
    """Gaps along the axis.

    soft_mm: from and to, mm beyond the pole, of those that hold soft tissue; unsure_mm: of those that may.
    """

    soft_mm: tuple[tuple[float, float], ...] = ()
    unsure_mm: tuple[tuple[float, float], ...] = ()


def find_gaps(hip_bone: TriangleMesh, step: ReamingStep, volume: Volume, blur: Blur | None = None) -> WallGaps:
    """Return the gaps within the bone on the axis of a reaming step (rules of this module).

    Parameters
    ----------
    hip_bone:
        Closed surface of the hip bone, LPS mm.
    step:
        Its axis and pole.
    volume:
        CT in HU.
    blur:
        What the scan does to an edge; a usual one if not given.
    """
    known = blur or USUAL_BLUR
    pole, direction = step.pole_lps_mm, step.direction_lps
    if _meets_metal(volume, pole, direction):
        return WallGaps()
    pieces = cross(hip_bone, pole[None], direction).intervals_mm(0)
    on_axis = [dip for dip in dips_on_line(volume, pole, direction, known) if _within(dip, pieces)]
    if not on_axis:
        return WallGaps()
    aside = _points_aside(pole, direction)
    beside = dips_on_lines(volume, aside, np.tile(direction, (len(aside), 1)), known)
    sheets = [dip for dip in on_axis if _is_sheet(dip, beside)]
    if not sheets:
        return WallGaps()
    marrow = marrow_hu(hip_bone, pole, deep_density_hu(hip_bone, volume, _near(hip_bone, pole)))
    soft, unsure = [], []
    for dip in sheets:
        middle = 0.5 * (dip.start_mm + dip.end_mm)
        contents = [dip.content_hu, *(near.content_hu for line in beside for near in line if _beside(near, middle))]
        content_hu = float(np.median(contents))
        if marrow is not None and content_hu < marrow - SOFTER_HU:
            soft.append((dip.start_mm, dip.end_mm))
        elif content_hu < SOFTER_HU:
            unsure.append((dip.start_mm, dip.end_mm))
    return WallGaps(tuple(soft), tuple(unsure))


def gap_notes(gaps: WallGaps, exit_mm: float) -> tuple[str, ...]:
    """Return a sentence for the reader on each gap up to the exit from the bone."""
    notes = [
        f"double floor: {end - start:.1f} mm of soft tissue within the bone on the axis, from {start:.1f} to "
        f"{end:.1f} mm beyond the pole"
        for start, end in gaps.soft_mm
        if end > 0.0 and start <= exit_mm + 0.5
    ]
    notes += [
        f"from {start:.1f} to {end:.1f} mm beyond the pole the bone on the axis is as soft as its marrow: this may be "
        "the space behind a double floor; it is counted as bone"
        for start, end in gaps.unsure_mm
        if end > 0.0 and start <= exit_mm + 0.5
    ]
    return tuple(notes)


def without_gaps(pieces_mm: Array, gaps_mm: tuple[tuple[float, float], ...], bridged_mm: float) -> list[Array]:
    """Return stretches of bone (n, 2) with gaps cut out and what is left by less than ``bridged_mm`` joined again."""
    left = [(float(start), float(end)) for start, end in pieces_mm]
    for low, high in gaps_mm:
        left = [
            part
            for start, end in left
            for part in ((start, min(end, low)), (max(start, high), end))
            if part[1] > part[0]
        ]
    joined: list[Array] = []
    for start, end in sorted(left):
        if joined and start - joined[-1][1] < bridged_mm:
            joined[-1] = np.array([joined[-1][0], end])
        else:
            joined.append(np.array([start, end]))
    return joined


def _meets_metal(volume: Volume, pole: Array, direction: Array) -> bool:
    """Whether the axis meets metal before or behind the pole."""
    depth = np.arange(-_METAL_BEFORE_MM, BEYOND_MM, STEP_MM)
    return bool((sample(volume, pole + depth[:, None] * direction) > METAL_FROM_HU).any())


def _within(dip: Dip, pieces_mm: Array) -> bool:
    middle = 0.5 * (dip.start_mm + dip.end_mm)
    return any(start < middle < end for start, end in pieces_mm)


def _points_aside(pole: Array, direction: Array) -> Array:
    """Four points about the pole at each distance aside, (8, 3)."""
    u = any_perpendicular(direction)
    v = np.cross(direction, u)
    turns = np.deg2rad(np.arange(0.0, 360.0, 90.0))
    ways = np.cos(turns)[:, None] * u + np.sin(turns)[:, None] * v
    return np.concatenate([pole + aside * ways for aside in _ASIDE_MM])


def _beside(dip: Dip, middle_mm: float) -> bool:
    return abs(0.5 * (dip.start_mm + dip.end_mm) - middle_mm) < _SHEET_DEPTH_MM


def _is_sheet(dip: Dip, beside: list[list[Dip]]) -> bool:
    middle = 0.5 * (dip.start_mm + dip.end_mm)
    return float(np.mean([any(_beside(near, middle) for near in line) for line in beside])) >= _LEAST_SHEET_SHARE


def marrow_hu(hip_bone: TriangleMesh, pole: Array, deep_hu: Array) -> float | None:
    """Return the median density well inside the bone near a pole (3,), None where too little of it is.

    ``deep_hu`` is what :func:`deep_density_hu` says.
    """
    values = deep_hu[_near(hip_bone, pole)]
    values = values[np.isfinite(values)]
    return float(np.median(values)) if len(values) >= _LEAST_MARROW else None


def deep_density_hu(hip_bone: TriangleMesh, volume: Volume, wanted: BoolArray | None = None) -> Array:
    """Return the density under each vertex of a bone, well inside it, (n,); NaN where the far surface is near, and for
    vertices that are not ``wanted``.
    """
    rows = np.arange(len(hip_bone.vertices_lps_mm)) if wanted is None else np.flatnonzero(wanted)
    vertices, normals = hip_bone.vertices_lps_mm[rows], hip_bone.vertex_normals[rows]
    deep = vertices - _MARROW_DEEP_MM * normals
    # as deep again it must still be bone
    beyond = vertices - 2.0 * _MARROW_DEEP_MM * normals
    found = np.full(len(hip_bone.vertices_lps_mm), np.nan)
    if len(rows):
        within = inside(hip_bone, deep) & inside(hip_bone, beyond)
        found[rows[within]] = sample(volume, deep[within], outside=np.nan)
    return found


def _near(hip_bone: TriangleMesh, pole: Array) -> BoolArray:
    return np.asarray(np.linalg.norm(hip_bone.vertices_lps_mm - pole, axis=1) < _MARROW_NEAR_MM)
