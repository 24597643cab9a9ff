"""What a picture reads of the wall behind the cavity.

The reading is exact in the plane of the source, the floor's point and the inner surface's, which all rays of one line
on the screen share. In it, with x along the radius and y along the beam from the inner surface's point, and the source
at y = -L, a point shows at x L / (L + y); the wall reads as the outermost bone within 20 mm along the beam minus the
tangent to the floor's circle. Turned off right angles by an angle a, a bone whose inner surface curves with a radius
about another axis than the floor's reads too thick by e (1 - cos a), e being the distance of the two axes (plane
geometry; checked).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from cotyle.anatomy.sections import near_part, plane_section
from cotyle.cup.cavity import ReamingStep
from cotyle.space.arrays import Array, unit
from cotyle.space.lines import cross
from cotyle.space.mesh import TriangleMesh

OFF_BY_MM = 1.0
FARTHEST_TURN_DEG = 20
_WINDOW_MM = 20.0
_NEAR_MM = 45.0
_BEYOND_MM = 1.0
_EDGE_JUMP_MM = 2.5


@dataclass(frozen=True, eq=False)
class WallPlace:
    """Where the least wall is: its point on the floor of a step, the way outwards there, the wall, and the bone."""

    step: ReamingStep
    floor_lps_mm: Array
    outward: Array
    wall_mm: float
    hip_bone: TriangleMesh

    @property
    def radius_mm(self) -> float:
        """Radius of the cavity there."""
        return self.step.radius_mm

    @property
    def at_lps_mm(self) -> Array:
        """The point on the inner surface."""
        return np.asarray(self.floor_lps_mm + self.wall_mm * self.outward)

    @cached_property
    def near_bone(self) -> TriangleMesh:
        """The hip bone near the wall."""
        return near_part(self.hip_bone, self.at_lps_mm, _NEAR_MM)

    @property
    def bone_mm(self) -> float:
        """How much of the wall is bone."""
        stretches = cross(self.hip_bone, self.floor_lps_mm[None], self.outward).intervals_mm(0)
        return float(np.diff(np.clip(stretches, 0.0, self.wall_mm), axis=1).sum())

    def across(self, beam: Array) -> Array:
        """Return the direction outwards as the screen shows it: at right angles to the beam."""
        return unit(self.outward - (self.outward @ beam) * beam)

    def tilt_deg(self, beam: Array) -> float:
        """Return how far a beam is off right angles to the wall, positive when it runs outwards."""
        return float(np.rad2deg(np.arcsin(np.clip(self.outward @ beam, -1.0, 1.0))))


def wall_place(
    floors: Sequence[ReamingStep], from_lps_mm: Array, wall_mm: float, hip_bone: TriangleMesh
) -> WallPlace | None:
    """Return the place of a least wall measured from a point on one of the floors; None where the floor is through."""
    if wall_mm <= 0.0:
        return None
    step = min(floors, key=lambda each: abs(np.linalg.norm(from_lps_mm - each.end_center_lps_mm) - each.radius_mm))
    outward = unit(from_lps_mm - step.end_center_lps_mm, "radius at the wall")
    return WallPlace(step, from_lps_mm, outward, wall_mm, hip_bone)


def wall_reading_mm(place: WallPlace, beam: Array, source_mm: float) -> float:
    """Return the wall that a picture reads, its magnification at the wall taken out.

    Parameters
    ----------
    beam:
        Unit direction of the central ray, which runs through the wall's point on the inner surface.
    source_mm:
        Distance of the source from that point.
    """
    across = place.across(beam)
    section = plane_section(place.near_bone, place.at_lps_mm, across, beam).reshape(-1, 2)
    section = section[np.abs(section[:, 1]) <= _WINDOW_MM]
    # the point itself belongs to the surface, whatever the mesh makes of it
    points = np.vstack([section, np.zeros(2)])
    edge = float((points[:, 0] * source_mm / (source_mm + points[:, 1])).max())
    center = -(place.wall_mm + place.radius_mm) * np.array([place.outward @ across, place.outward @ beam])
    away = np.array([center[0], source_mm + center[1]])
    grazing = np.arctan2(away[0], away[1]) + np.arcsin(place.radius_mm / np.linalg.norm(away))
    return edge - float(source_mm * np.tan(grazing))


def inner_edge_lps_mm(place: WallPlace, beam: Array, half_mm: float = 14.0) -> Array:
    """Return the edge of the inner surface beside the wall as the picture shows it, LPS points (n, 3).

    For each line on the screen side by side with that through the wall, its outermost bone within 20 mm along the beam,
    as far as that makes one line.
    """
    across = place.across(beam)
    along = np.cross(across, beam)
    halves = []
    for sign in (-1.0, 1.0):
        points, last = [], 0.0
        for offset in np.arange(0.0 if sign > 0 else 1.0, half_mm + 0.5):
            start = place.at_lps_mm + sign * offset * along
            section = plane_section(place.near_bone, start, across, beam).reshape(-1, 2)
            section = section[np.abs(section[:, 1]) <= _WINDOW_MM]
            if not len(section) or abs(section[:, 0].max() - last) > _EDGE_JUMP_MM:
                break
            last, depth = section[section[:, 0].argmax()]
            points.append(start + last * across + depth * beam)
        halves.append(np.array(points).reshape(-1, 3))
    return np.concatenate([halves[0][::-1], halves[1]])


def bone_in_beam(place: WallPlace, others: Mapping[str, TriangleMesh], beam: Array) -> tuple[float, dict[str, float]]:
    """Return how much bone the ray loses beyond the wall, and what other bone lies in the beam through the wall.

    The first: mm of the hip bone along a ray through the middle of the wall, less along one 1 mm beyond it. The second:
    mm by name, the hip bone's own parts farther than 20 mm along the beam among them.
    """
    across, at = place.across(beam), place.at_lps_mm
    points = np.stack([at - 0.5 * place.wall_mm * across, at + _BEYOND_MM * across])
    met = cross(place.hip_bone, points, beam)
    through, beyond = (met.intervals_mm(line) for line in range(2))
    local = (through[:, 0] < _WINDOW_MM) & (through[:, 1] > -_WINDOW_MM)
    overlap = {"same hip bone": float(np.diff(through[~local], axis=1).sum())}
    for name, mesh in others.items():
        overlap[name.replace("_", " ")] = float(np.diff(cross(mesh, points[:1], beam).intervals_mm(0), axis=1).sum())
    lost = float(np.diff(through, axis=1).sum() - np.diff(beyond, axis=1).sum())
    return lost, {name: mm for name, mm in overlap.items() if mm >= 0.5}
