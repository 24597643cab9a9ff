"""Bone left between the cavity and the inside of the pelvis.

``along_axis_mm`` is the bone met along the reaming axis from the pole, away from the mouth, to the first exit from
the hip bone; ``advance_mm`` the whole way to that exit; ``minimum_mm`` the least distance from the floor of the cavity
to the inner surface. The rules, stretch by stretch along the axis:

* gaps under 2 mm inside the bone are bridged: they neither end nor shorten it; a wider gap ends it, and what lies
  behind is reported as ``bone_behind_mm`` but not counted;
* a gap that only the scan shows (the space behind a double floor: :mod:`cotyle.cup.wall_gaps`) counts like one that the
  surface has, and is named;
* an empty stretch between pole and bone (the pole over the fossa) counts in ``advance_mm`` only;
* the floor has broken through when the bone that the axis met last ends before the pole and no bone follows within
  15 mm of that end (deeper than any fossa): what follows farther on is the far side of the pelvis.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from cotyle.anatomy.segmentation.edge_confidence import EdgeConfidence
from cotyle.anatomy.shapes.cortex_model import Blur
from cotyle.cup.cavity import Cavity, ReamingStep
from cotyle.cup.inner_surface import InnerSurface, NearestPair, distances_from_points, least_wall
from cotyle.cup.scan_edges import edge_shift_mm, resolution_along_mm
from cotyle.cup.wall_gaps import WallGaps, find_gaps, gap_notes, without_gaps
from cotyle.cup.wall_spread import SURFACE_UNCERTAINTY_MM, EdgeReader, crossing_spread_mm, least_spread_mm
from cotyle.image.volume import Volume
from cotyle.space.arrays import Array, read_only
from cotyle.space.lines import cross
from cotyle.space.mesh import TriangleMesh

BRIDGED_GAP_MM = 2.0
DEEPEST_FOSSA_MM = 15.0
FARTHEST_FLOOR_MM = 40.0
# Two edges of a gap, each read to 0.25 mm: so near to the limit it may belong on its other side (two deviations).
_GAP_SPREAD_MM = 0.7
_NORMAL_95 = 1.96
# A half-maximum reading is off by 0.3 mm at a wall of 1.4 mm in voxels of 0.8 x 0.8 x 1.0 mm (same trials).
THIN_WALL_VOXELS = 1.75


@dataclass(frozen=True, eq=False)
class WallMap:
    """Distance to the inner surface over the floor of the cavity.

    ``mesh`` is an open hemisphere; ``thickness_mm`` (n,) belongs to its vertices and is 0 where the floor is through.
    """

    mesh: TriangleMesh
    thickness_mm: Array


@dataclass(frozen=True, eq=False)
class Wall:
    """The medial wall left behind a cavity; see the module for what each figure means.

    ``minimum_at_lps_mm`` lies on the inner surface, ``minimum_from_lps_mm`` on the floor. ``exit_lps_mm`` is where the
    axis leaves the bone, None where there is none. ``breached`` is true wherever the floor is through,
    ``breached_on_axis`` where it is so at the pole. ``scan_shift_mm`` tells how far the scan's density moved the exit,
    None if the surface alone decided. ``notes`` are sentences for the reader. ``uncertainty_mm`` is one standard
    deviation of the wall along the axis, ``minimum_uncertainty_mm`` of the least (:mod:`cotyle.cup.wall_spread`).
    """

    along_axis_mm: float
    advance_mm: float
    minimum_mm: float
    minimum_at_lps_mm: Array
    minimum_from_lps_mm: Array
    breached: bool
    breached_on_axis: bool
    thin: bool
    uncertainty_mm: float
    minimum_uncertainty_mm: float
    pole_lps_mm: Array
    exit_lps_mm: Array | None
    bone_behind_mm: float
    scan_shift_mm: float | None
    notes: tuple[str, ...] = ()
    map: WallMap | None = None


@dataclass(frozen=True)
class AxisWall:
    """Bone along the axis: from ``entry_mm`` (0 if the pole is in bone) to ``exit_mm``, mm beyond the pole."""

    entry_mm: float
    exit_mm: float
    breached: bool
    bone_behind_mm: float
    note: str = ""

    @property
    def along_mm(self) -> float:
        """Bone met."""
        return self.exit_mm - self.entry_mm


def measure_wall(
    hip_bone: TriangleMesh,
    surface: InnerSurface,
    cavity: Cavity,
    volume: Volume | None = None,
    *,
    blur: Blur | None = None,
    edges: EdgeConfidence | None = None,
    with_map: bool = False,
    surface_uncertainty_mm: float = SURFACE_UNCERTAINTY_MM,
) -> Wall:
    """Measure the wall behind the last reamer of a cavity.

    Parameters
    ----------
    hip_bone:
        Closed surface of the hip bone before reaming, LPS mm.
    surface:
        Its inner surface, from :func:`cotyle.cup.inner_surface.inner_surface`.
    cavity:
        The axis, pole and map are those of its last step; the minimum is over all its floors.
    volume:
        CT in HU; given, the crossings along the axis are read from the density.
    blur:
        What the scan does to an edge; given, a thin cortex is read without bias (:mod:`cotyle.cup.scan_edges`).
    edges:
        How sure each vertex of ``hip_bone`` is; clear edges everywhere if not given.
    surface_uncertainty_mm:
        One standard deviation of a surface that the axis crosses at a clear edge.
    """
    step = cavity.last
    gaps = WallGaps() if volume is None else find_gaps(hip_bone, step, volume, blur)
    axis = wall_along_axis(hip_bone, step, gaps.soft_mm)
    hinges_mm, on_gap = (0.0, "") if volume is None else _hinges_on_gap(axis, hip_bone, step, gaps)
    axis, shift, note = _refined(axis, step, hip_bone, volume, blur)
    notes = tuple(text for text in (axis.note, note, on_gap, *gap_notes(gaps, axis.exit_mm)) if text)
    pair, breached = _least(surface, cavity, axis, step)
    thin, limit = _is_thin(axis, step, volume)
    if thin:
        notes += (f"the wall is thinner than {limit:.1f} mm, which is what the scan resolves: it may read too thick",)
    if breached and not axis.breached:
        notes += ("the floor of the cavity is through the inner surface beside the axis",)
    reader = EdgeReader(hip_bone, edges)
    return Wall(
        along_axis_mm=axis.along_mm,
        advance_mm=axis.exit_mm,
        minimum_mm=0.0 if breached else pair.distance_mm,
        minimum_at_lps_mm=pair.on_surface_lps_mm,
        minimum_from_lps_mm=pair.on_floor_lps_mm,
        breached=breached,
        breached_on_axis=axis.breached,
        thin=thin,
        uncertainty_mm=float(
            np.hypot(_spread_mm(reader, axis, step, shift or 0.0, surface_uncertainty_mm), hinges_mm / _NORMAL_95)
        ),
        minimum_uncertainty_mm=least_spread_mm(reader, surface, cavity.floors, pair),
        pole_lps_mm=step.pole_lps_mm,
        exit_lps_mm=None if axis.breached else _beyond_pole(step, axis.exit_mm),
        bone_behind_mm=axis.bone_behind_mm,
        scan_shift_mm=shift,
        notes=notes,
        map=wall_map(surface, step) if with_map else None,
    )


def wall_along_axis(
    hip_bone: TriangleMesh,
    step: ReamingStep,
    gaps_mm: tuple[tuple[float, float], ...] = (),
    bridged_mm: float = BRIDGED_GAP_MM,
) -> AxisWall:
    """Return the bone along a step's own axis beyond its pole, by the rules of this module.

    ``gaps_mm`` are those that the surface does not show, from and to, mm beyond the pole.
    """
    pole = step.pole_lps_mm
    pieces = without_gaps(cross(hip_bone, pole[None], step.direction_lps).intervals_mm(0), gaps_mm, bridged_mm)
    behind_the_mouth = -(2 * step.radius_mm + step.travel_mm)
    met = [piece for piece in pieces if piece[0] <= 0 and piece[1] > behind_the_mouth]
    ahead = [piece for piece in pieces if piece[0] > 0]
    if met and met[-1][1] > 0:
        return _ended(0.0, float(met[-1][1]), ahead)
    if ahead:
        entry, leave = (float(value) for value in ahead[0])
        nearest_allowed = float(met[-1][1]) + DEEPEST_FOSSA_MM if met else FARTHEST_FLOOR_MM
        if entry <= nearest_allowed:
            return _ended(entry, leave, ahead[1:])
    if met:
        return AxisWall(0.0, 0.0, True, 0.0, "the pole is through the inner surface of the pelvis")
    return AxisWall(0.0, 0.0, True, 0.0, f"no bone lies within {FARTHEST_FLOOR_MM:g} mm behind the pole")


def wall_map(surface: InnerSurface, step: ReamingStep, rings: int = 24, per_ring: int = 96) -> WallMap:
    """Return the distance to the inner surface over the hemispherical floor of a step."""
    mesh = hemisphere_mesh(step.end_center_lps_mm, step.direction_lps, step.radius_mm, rings, per_ring)
    distance, in_front = distances_from_points(surface, mesh.vertices_lps_mm)
    return WallMap(mesh, read_only(np.where(in_front, 0.0, distance)))


def hemisphere_mesh(
    center_lps_mm: npt.ArrayLike, direction_lps: npt.ArrayLike, radius_mm: float, rings: int, per_ring: int
) -> TriangleMesh:
    """Return an open hemisphere about a direction, normals away from the centre; vertex 0 is the pole."""
    axis = np.asarray(direction_lps, dtype=float)
    u = np.cross(axis, np.eye(3)[int(np.argmin(np.abs(axis)))])
    u /= np.linalg.norm(u)
    v = np.cross(axis, u)
    polar = np.repeat(np.linspace(0.0, np.pi / 2, rings + 1)[1:], per_ring)
    around = np.tile(np.arange(per_ring) * 2 * np.pi / per_ring, rings)
    ring = np.sin(polar)[:, None] * (np.cos(around)[:, None] * u + np.sin(around)[:, None] * v)
    directions = np.vstack([axis, ring + np.cos(polar)[:, None] * axis])
    here = np.arange(per_ring)
    beside = (here + 1) % per_ring
    triangles = [np.stack([np.zeros(per_ring, dtype=int), 1 + here, 1 + beside], axis=1)]
    for row in range(rings - 1):
        upper, lower = 1 + row * per_ring, 1 + (row + 1) * per_ring
        triangles.append(np.stack([upper + here, lower + here, lower + beside], axis=1))
        triangles.append(np.stack([upper + here, lower + beside, upper + beside], axis=1))
    vertices = np.asarray(center_lps_mm, dtype=float) + radius_mm * directions
    return TriangleMesh(vertices, np.concatenate(triangles).astype(np.int32))


def _ended(entry_mm: float, exit_mm: float, behind: list[Array]) -> AxisWall:
    """Close the bone at its exit; say so when the same bone follows within the depth of a fossa."""
    near = [piece for piece in behind if piece[0] - exit_mm <= DEEPEST_FOSSA_MM]
    if not near:
        return AxisWall(entry_mm, exit_mm, False, 0.0)
    gap, more = float(near[0][0] - exit_mm), float(near[0][1] - near[0][0])
    note = (
        f"the bone on the axis ends at a gap of {gap:.1f} mm; behind it lie another {more:.1f} mm of the same bone, "
        "not counted"
    )
    return AxisWall(entry_mm, exit_mm, False, more, note)


def _beyond_pole(step: ReamingStep, depth_mm: float) -> Array:
    return read_only(np.asarray(step.pole_lps_mm + depth_mm * step.direction_lps))


def _refined(
    axis: AxisWall, step: ReamingStep, bone: TriangleMesh, volume: Volume | None, blur: Blur | None
) -> tuple[AxisWall, float | None, str]:
    """Move entry and exit to the edges of the density where the scan shows clear ones."""
    if volume is None or axis.breached:
        return axis, None, ""
    direction = step.direction_lps
    out = edge_shift_mm(volume, blur, bone, _beyond_pole(step, axis.exit_mm), direction)
    back: float | None = 0.0
    if axis.entry_mm > 0:
        back = edge_shift_mm(volume, blur, bone, _beyond_pole(step, axis.entry_mm), -direction)
    note = ""
    if out is None or back is None:
        note = "the scan shows no clear edge on the axis; the bone surface alone gives the wall"
    leave = axis.exit_mm + (out or 0.0)
    entry = max(axis.entry_mm - (back or 0.0), 0.0)
    if leave <= entry:
        return axis, None, "the scan shows no clear edge on the axis; the bone surface alone gives the wall"
    return replace(axis, entry_mm=entry, exit_mm=leave), out, note


def _least(surface: InnerSurface, cavity: Cavity, axis: AxisWall, step: ReamingStep) -> tuple[NearestPair, bool]:
    """Return the nearest pair over all floors, never longer than the way along the axis, and whether it is through."""
    pairs = [least_wall(surface, floor) for floor in cavity.floors]
    pair = min(pairs, key=lambda each: each.distance_mm)
    if axis.breached:
        if pair.distance_mm > 0:
            pair = NearestPair(0.0, step.pole_lps_mm, step.pole_lps_mm)
        return pair, True
    if pair.distance_mm > axis.exit_mm:
        pair = NearestPair(axis.exit_mm, _beyond_pole(step, axis.exit_mm), step.pole_lps_mm)
    return pair, pair.distance_mm <= 0.0


def _hinges_on_gap(axis: AxisWall, bone: TriangleMesh, step: ReamingStep, gaps: WallGaps) -> tuple[float, str]:
    """Return by how much the wall would change were a gap read a little wider or narrower, and a sentence on it."""
    limits = (BRIDGED_GAP_MM - _GAP_SPREAD_MM, BRIDGED_GAP_MM + _GAP_SPREAD_MM)
    others = [wall_along_axis(bone, step, gaps.soft_mm, limit).along_mm for limit in limits]
    other = max(others, key=lambda along: abs(along - axis.along_mm))
    change = abs(other - axis.along_mm)
    if change < _GAP_SPREAD_MM:
        return 0.0, ""
    return change, (
        f"a gap on the axis is about as wide as the {BRIDGED_GAP_MM:g} mm that are bridged: counted the other way, the "
        f"wall is {other:.1f} mm"
    )


def _spread_mm(reader: EdgeReader, axis: AxisWall, step: ReamingStep, shift_mm: float, surface_mm: float) -> float:
    """Exit, and entry where there is one; the scan's shift is known of the exit."""
    along = step.direction_lps
    spread = crossing_spread_mm(reader, _beyond_pole(step, axis.exit_mm), along, shift_mm, surface_mm)
    if axis.entry_mm > 0:
        entry = crossing_spread_mm(reader, _beyond_pole(step, axis.entry_mm), -along, 0.0, surface_mm)
        spread = float(np.hypot(spread, entry))
    return spread


def _is_thin(axis: AxisWall, step: ReamingStep, volume: Volume | None) -> tuple[bool, float]:
    if volume is None or axis.breached:
        return False, 0.0
    limit = THIN_WALL_VOXELS * resolution_along_mm(volume, step.direction_lps)
    return axis.along_mm < limit, limit
