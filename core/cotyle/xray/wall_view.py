"""The C-arm angles at which the bone left behind the cavity is seen in its true thickness.

The least wall lies between the floor and the inner (pelvic) surface, straight along the floor's radius. It is seen edge
on, in its true thickness, from each direction at right angles to that radius: there the beam grazes floor and inner
surface at once. Of these directions, those within the machine's reach are tried and the best is taken: the outlines
read the wall that was measured, bone ends there on the screen, little other bone lies in the beam, the machine turns
little, and a few degrees more or less do no harm.

What a picture reads is worked out exactly in the plane of the source, the floor's point and the inner surface's, which
all rays of one line on the screen share. In it, with x along the radius and y along the beam from the inner surface's
point, and the source at y = -L, a point shows at x L / (L + y); the wall reads as the outermost bone within 20 mm along
the beam minus the tangent to the floor's circle. Turned off by an angle a, a bone whose inner surface curves with the
radius R about the cavity's centre line reads too thick by e (1 - cos a), e being the distance of the two centres; that
is checked.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from cotyle.anatomy.sections import near_part, plane_section
from cotyle.cup.cavity import ReamingStep
from cotyle.space.arrays import Array, read_only, unit
from cotyle.space.frames import Frame
from cotyle.space.lines import cross
from cotyle.space.mesh import TriangleMesh
from cotyle.space.rotations import rotation_matrix
from cotyle.space.side import Side
from cotyle.xray.carm import detector_direction
from cotyle.xray.views import C_ARM, Machine, View, free_view

NAME = "wall"
OFF_BY_MM = 1.0
_TRIED_DEG = 3.0
_WINDOW_MM = 20.0
_NEAR_MM = 45.0
_FARTHEST_TURN_DEG = 20
_BEYOND_MM = 1.0
_CLEAR_EDGE_MM = 6.0
_WORTH_WEIGHING = 2.0
_EDGE_JUMP_MM = 2.5


@dataclass(frozen=True)
class Reach:
    """How far a C-arm turns from straight through the patient's front, degrees to either side."""

    primary_deg: float
    secondary_deg: float


C_ARM_REACH = Reach(60.0, 45.0)
"""A mobile C-arm round an operating table (common practice, no source)."""


@dataclass(frozen=True, eq=False)
class WallView:
    """The view that shows the wall, and what it shows.

    Parameters
    ----------
    view:
        The pose, centred on the inner surface's point.
    tangent:
        Whether the beam grazes floor and inner surface; False if no such direction is within reach.
    wall_mm, reading_mm:
        The least wall, and what the outlines on the screen read with the magnification taken out.
    ap_reading_mm:
        What the outlines at the same place read straight through the patient's front.
    bone_mm:
        How much of the wall is bone; the rest is soft tissue of the fossa, or a gap.
    from_lps_mm, at_lps_mm:
        The wall's two points, on the floor and on the inner surface.
    magnification:
        mm on the detector for each mm of wall.
    primary_tolerance_deg, secondary_tolerance_deg:
        Least turn of the angle, either way, at which the reading has changed by 1 mm; None if 20 degrees don't.
    edge_mm:
        Bone that the ray loses where the inner surface ends: of the hip bone along a ray through the wall, less along
        one 1 mm beyond it.
    overlap_mm:
        Other bone in the beam that passes through the wall, mm by name; the hip bone's own farther parts among them.
    """

    view: View
    tangent: bool
    wall_mm: float
    reading_mm: float
    ap_reading_mm: float
    bone_mm: float
    from_lps_mm: Array
    at_lps_mm: Array
    magnification: float
    primary_tolerance_deg: float | None
    secondary_tolerance_deg: float | None
    edge_mm: float
    overlap_mm: Mapping[str, float]

    @property
    def factor(self) -> float:
        """Reading over wall: above 1 it reads too thick."""
        return self.reading_mm / self.wall_mm

    @property
    def hidden(self) -> bool:
        """Whether the end of the bone can't be seen: hardly less bone beyond the inner surface than in the wall."""
        return self.edge_mm < _CLEAR_EDGE_MM / 3.0


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


def wall_place(
    floors: Sequence[ReamingStep], from_lps_mm: Array, wall_mm: float, hip_bone: TriangleMesh
) -> WallPlace | None:
    """Return the place of a least wall measured from a point on one of the floors; None where the floor is through."""
    if wall_mm <= 0.0:
        return None
    step = min(floors, key=lambda each: abs(np.linalg.norm(from_lps_mm - each.end_center_lps_mm) - each.radius_mm))
    outward = unit(from_lps_mm - step.end_center_lps_mm, "radius at the wall")
    return WallPlace(step, from_lps_mm, outward, wall_mm, hip_bone)


def find_wall_view(
    place: WallPlace,
    others: Mapping[str, TriangleMesh],
    frame: Frame,
    side: Side,
    reach: Reach = C_ARM_REACH,
    machine: Machine = C_ARM,
) -> WallView:
    """Return the view that shows a wall best.

    Parameters
    ----------
    place:
        From :func:`wall_place`.
    others:
        Surfaces of the other bones that lie in the beam in theatre, by name.
    frame:
        Frame that the angles count in, level on the table.
    reach:
        How far the machine turns.
    """
    length = machine.source_isocenter_mm
    bone = near_part(place.hip_bone, place.at_lps_mm, _NEAR_MM)
    tried = [_whole(_angles_deg(direction, frame)) for direction in _grazing_directions(place, frame)]
    within = [angles for angles in tried if _excess_deg(angles, reach) == 0.0]
    tangent = bool(within)
    if not tangent:
        within = [_clipped(min(tried, key=lambda angles: _excess_deg(angles, reach)), reach)]
    best = _best(place, bone, others, within, frame, length)
    beam = _beam(best, frame)
    edge, overlap = _bone_in_beam(place, others, beam)
    view = free_view(NAME, frame, place.at_lps_mm, *best, machine, side)
    return WallView(
        view=view,
        tangent=tangent,
        wall_mm=place.wall_mm,
        reading_mm=wall_reading_mm(place, bone, beam, length),
        ap_reading_mm=wall_reading_mm(place, bone, _beam((0.0, 0.0), frame), length),
        bone_mm=_bone_in_wall_mm(place),
        from_lps_mm=read_only(np.array(place.floor_lps_mm)),
        at_lps_mm=read_only(place.at_lps_mm),
        magnification=view.carm.magnification(place.at_lps_mm),
        primary_tolerance_deg=_tolerance_deg(place, bone, best, (1.0, 0.0), frame, length),
        secondary_tolerance_deg=_tolerance_deg(place, bone, best, (0.0, 1.0), frame, length),
        edge_mm=edge,
        overlap_mm=overlap,
    )


def wall_reading_mm(place: WallPlace, bone: TriangleMesh, beam: Array, source_mm: float) -> float:
    """Return the wall that a picture reads, its magnification at the wall taken out.

    Parameters
    ----------
    place, bone:
        The wall, and the hip bone near it.
    beam:
        Unit direction of the central ray, which runs through the wall's point on the inner surface.
    source_mm:
        Distance of the source from that point.
    """
    across = unit(place.outward - (place.outward @ beam) * beam)
    section = plane_section(bone, place.at_lps_mm, across, beam).reshape(-1, 2)
    section = section[np.abs(section[:, 1]) <= _WINDOW_MM]
    # the point itself belongs to the surface, whatever the mesh makes of it
    points = np.vstack([section, np.zeros(2)])
    edge = float((points[:, 0] * source_mm / (source_mm + points[:, 1])).max())
    center = -(place.wall_mm + place.radius_mm) * np.array([place.outward @ across, place.outward @ beam])
    away = np.array([center[0], source_mm + center[1]])
    grazing = np.arctan2(away[0], away[1]) + np.arcsin(place.radius_mm / np.linalg.norm(away))
    return edge - float(source_mm * np.tan(grazing))


def _grazing_directions(place: WallPlace, frame: Frame) -> list[Array]:
    """Return directions at right angles to the wall, from the one nearest to straight through the front outwards."""
    sideways = np.cross(place.outward, frame.anterior)
    first = np.cross(sideways, place.outward) if np.linalg.norm(sideways) > 1e-6 else frame.superior
    turns = np.arange(_TRIED_DEG, 90.0, _TRIED_DEG)
    both = [0.0, *(sign * turn for turn in turns for sign in (1.0, -1.0)), 90.0]
    return [rotation_matrix(place.outward, turn) @ unit(first) for turn in both]


def inner_edge_lps_mm(place: WallPlace, beam: Array, half_mm: float = 14.0) -> Array:
    """Return the edge of the inner surface beside the wall as the picture shows it, LPS points (n, 3).

    For each line on the screen side by side with that through the wall, its outermost bone within 20 mm along the beam,
    as far as that makes one line.
    """
    bone = near_part(place.hip_bone, place.at_lps_mm, _NEAR_MM)
    across = unit(place.outward - (place.outward @ beam) * beam)
    along = np.cross(across, beam)
    halves = []
    for sign in (-1.0, 1.0):
        points, last = [], 0.0
        for offset in np.arange(0.0 if sign > 0 else 1.0, half_mm + 0.5):
            start = place.at_lps_mm + sign * offset * along
            section = plane_section(bone, start, across, beam).reshape(-1, 2)
            section = section[np.abs(section[:, 1]) <= _WINDOW_MM]
            if not len(section) or abs(section[:, 0].max() - last) > _EDGE_JUMP_MM:
                break
            last, depth = section[section[:, 0].argmax()]
            points.append(start + last * across + depth * beam)
        halves.append(np.array(points).reshape(-1, 3))
    return np.concatenate([halves[0][::-1], halves[1]])


def _best(
    place: WallPlace,
    bone: TriangleMesh,
    others: Mapping[str, TriangleMesh],
    tried: Sequence[tuple[float, float]],
    frame: Frame,
    length: float,
) -> tuple[float, float]:
    """Return the angles that weigh least (our choice): 1 mm read wrong counts as much as 30 mm of bone in the beam, 60
    degrees of turn, or a tolerance of 2.5 degrees.
    """

    def turn_and_reading(angles: tuple[float, float]) -> float:
        wrong = abs(wall_reading_mm(place, bone, _beam(angles, frame), length) - place.wall_mm)
        return float(2.0 * wrong + np.hypot(*angles) / 30.0)

    weighed: list[tuple[float, tuple[float, float]]] = []
    for weight, angles in sorted((turn_and_reading(angles), angles) for angles in tried):
        if weighed and weight > min(weighed)[0] + _WORTH_WEIGHING:
            break
        edge, overlap = _bone_in_beam(place, others, _beam(angles, frame))
        weighed.append((weight + max(_CLEAR_EDGE_MM - edge, 0.0) + sum(overlap.values()) / 15.0, angles))
    near = [each for each in weighed if each[0] <= min(weighed)[0] + _WORTH_WEIGHING]
    return min(near, key=lambda each: each[0] + _touchiness(place, bone, each[1], frame, length))[1]


def _bone_in_beam(place: WallPlace, others: Mapping[str, TriangleMesh], beam: Array) -> tuple[float, dict[str, float]]:
    """Return how much bone the ray loses beyond the wall, and what other bone lies in the beam through the wall."""
    across = unit(place.outward - (place.outward @ beam) * beam)
    at = place.at_lps_mm
    points = np.stack([at - 0.5 * place.wall_mm * across, at + _BEYOND_MM * across])
    met = cross(place.hip_bone, points, beam)
    through, beyond = (met.intervals_mm(line) for line in range(2))
    local = (through[:, 0] < _WINDOW_MM) & (through[:, 1] > -_WINDOW_MM)
    overlap = {"same hip bone": float(np.diff(through[~local], axis=1).sum())}
    for name, mesh in others.items():
        overlap[name.replace("_", " ")] = float(np.diff(cross(mesh, points[:1], beam).intervals_mm(0), axis=1).sum())
    lost = float(np.diff(through, axis=1).sum() - np.diff(beyond, axis=1).sum())
    return lost, {name: mm for name, mm in overlap.items() if mm >= 0.5}


def _bone_in_wall_mm(place: WallPlace) -> float:
    stretches = cross(place.hip_bone, place.floor_lps_mm[None], place.outward).intervals_mm(0)
    return float(np.diff(np.clip(stretches, 0.0, place.wall_mm), axis=1).sum())


def _touchiness(
    place: WallPlace, bone: TriangleMesh, angles: tuple[float, float], frame: Frame, length: float
) -> float:
    """Weigh how exactly a direction must be met."""
    both = [_tolerance_deg(place, bone, angles, turn, frame, length) for turn in ((1.0, 0.0), (0.0, 1.0))]
    return 5.0 / min(float(_FARTHEST_TURN_DEG) if each is None else max(each, 1.0) for each in both)


def _tolerance_deg(
    place: WallPlace,
    bone: TriangleMesh,
    angles: tuple[float, float],
    turn: tuple[float, float],
    frame: Frame,
    length: float,
) -> float | None:
    """Return the least turn, to one side or the other, at which the reading is off by 1 mm; None if none up to 20."""
    at = np.asarray(angles)
    planned = wall_reading_mm(place, bone, _beam(angles, frame), length)
    found = []
    for sign in (1.0, -1.0):
        last = 0.0
        for degrees in range(1, _FARTHEST_TURN_DEG + 1):
            turned = at + sign * degrees * np.asarray(turn)
            off = abs(wall_reading_mm(place, bone, _beam((turned[0], turned[1]), frame), length) - planned)
            if off >= OFF_BY_MM:
                found.append(degrees - (off - OFF_BY_MM) / (off - last))
                break
            last = off
    return float(min(found)) if found else None


def _beam(angles_deg: tuple[float, float], frame: Frame) -> Array:
    """Unit LPS direction from source to detector."""
    return unit(frame.direction_to_lps(detector_direction(*angles_deg)))


def _angles_deg(direction_lps: Array, frame: Frame) -> tuple[float, float]:
    """Return the positioner angles of a line of sight, the detector in front of the patient."""
    left, posterior, superior = frame.direction_to_frame(direction_lps)
    if posterior > 0:
        left, posterior, superior = -left, -posterior, -superior
    return float(np.rad2deg(np.arctan2(left, -posterior))), float(np.rad2deg(np.arcsin(np.clip(superior, -1.0, 1.0))))


def _whole(angles_deg: tuple[float, float]) -> tuple[float, float]:
    """Return whole degrees: what the machine's scale shows and a hand sets."""
    return float(round(angles_deg[0])), float(round(angles_deg[1]))


def _excess_deg(angles: tuple[float, float], reach: Reach) -> float:
    primary, secondary = angles
    return max(abs(primary) - reach.primary_deg, 0.0) + max(abs(secondary) - reach.secondary_deg, 0.0)


def _clipped(angles: tuple[float, float], reach: Reach) -> tuple[float, float]:
    primary, secondary = angles
    return (
        float(np.clip(primary, -reach.primary_deg, reach.primary_deg)),
        float(np.clip(secondary, -reach.secondary_deg, reach.secondary_deg)),
    )
