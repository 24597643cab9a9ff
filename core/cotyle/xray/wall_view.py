"""The C-arm angles at which the bone left behind the cavity is seen in its true thickness.

The least wall lies between the floor and the inner (pelvic) surface, straight along the floor's radius. It is seen edge
on, in its true thickness, from each direction at right angles to that radius: there the beam grazes floor and inner
surface at once. Up to 6 degrees off it is foreshortened by (wall + r) (1 - cos 6 deg), under 0.2 mm. Of all these
directions those within the machine's reach are tried and the best is taken: the outlines read the wall that was
measured, bone ends there on the screen, little other bone lies in the beam, the machine turns little, and a few degrees
more or less do no harm. What a picture reads: :mod:`cotyle.xray.wall_on_screen`.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from cotyle.space.arrays import Array, read_only, unit
from cotyle.space.frames import Frame
from cotyle.space.mesh import TriangleMesh
from cotyle.space.rotations import rotation_matrix
from cotyle.space.side import Side
from cotyle.xray.carm import detector_direction
from cotyle.xray.views import C_ARM, Machine, View, free_view
from cotyle.xray.wall_on_screen import (
    FARTHEST_TURN_DEG,
    OFF_BY_MM,
    WallPlace,
    bone_in_beam,
    wall_reading_mm,
)

NAME = "wall"
Angles = tuple[float, float]
"""DICOM positioner angles, primary and secondary, degrees."""
_TRIED_DEG = 3.0
_TILTS_DEG = (3.0, -3.0, 6.0, -6.0)
_READ_RIGHT_MM = 0.25
_CLEAR_EDGE_MM = 6.0
_LEAST_BONE_MM = 0.3
_WORTH_WEIGHING = 2.0


@dataclass(frozen=True)
class Reach:
    """How far a C-arm turns from straight through the patient's front, degrees to either side."""

    primary_deg: float
    secondary_deg: float

    def excess_deg(self, angles: Angles) -> float:
        """Return how far angles lie beyond it, 0 within."""
        primary, secondary = angles
        return max(abs(primary) - self.primary_deg, 0.0) + max(abs(secondary) - self.secondary_deg, 0.0)

    def clipped(self, angles: Angles) -> Angles:
        """Return the nearest angles within it."""
        limits = np.array([self.primary_deg, self.secondary_deg])
        primary, secondary = np.clip(angles, -limits, limits)
        return float(primary), float(secondary)


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
        Whether the beam grazes floor and inner surface, within 6 degrees; False if no such direction is within reach.
    tilt_deg:
        How far the beam is off right angles to the wall; positive when it runs outwards, to the inner surface.
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
    tilt_deg: float
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
    def doubtful(self) -> bool:
        """Whether hardly any bone lies between the two points: then the surface may be wrong there, and the wall."""
        return self.bone_mm < _LEAST_BONE_MM

    @property
    def hidden(self) -> bool:
        """Whether the end of the bone can't be seen: hardly less bone beyond the inner surface than in the wall."""
        return self.edge_mm < _CLEAR_EDGE_MM / 3.0


@dataclass(frozen=True, eq=False)
class _Search:
    """One wall, looked at from any angles of a machine in a frame."""

    place: WallPlace
    others: Mapping[str, TriangleMesh]
    frame: Frame
    source_mm: float

    def beam(self, angles: Angles) -> Array:
        """Unit LPS direction from source to detector."""
        return unit(self.frame.direction_to_lps(detector_direction(*angles)))

    def reading_mm(self, angles: Angles) -> float:
        return wall_reading_mm(self.place, self.beam(angles), self.source_mm)

    def wrong_mm(self, angles: Angles) -> float:
        return abs(self.reading_mm(angles) - self.place.wall_mm)

    def grazing(self, tilt_deg: float = 0.0) -> list[Angles]:
        """Angles of directions at right angles to the wall, or so far off; what turns least from the front first."""
        outward = self.place.outward
        sideways = np.cross(outward, self.frame.anterior)
        first = unit(np.cross(sideways, outward)) if np.linalg.norm(sideways) > 1e-6 else self.frame.superior
        turns = np.arange(_TRIED_DEG, 90.0, _TRIED_DEG)
        both = [0.0, *(sign * turn for turn in turns for sign in (1.0, -1.0)), 90.0]
        tilt = np.deg2rad(tilt_deg)
        found = [
            self._angles(np.cos(tilt) * (rotation_matrix(outward, turn) @ first) + np.sin(tilt) * outward)
            for turn in both
        ]
        return list(dict.fromkeys(found))

    def _angles(self, direction_lps: Array) -> Angles:
        """Angles of a line of sight, the detector in front; whole degrees, which a scale shows and a hand sets."""
        left, posterior, superior = self.frame.direction_to_frame(direction_lps)
        if posterior > 0:
            left, posterior, superior = -left, -posterior, -superior
        primary, secondary = np.arctan2(left, -posterior), np.arcsin(np.clip(superior, -1.0, 1.0))
        return float(np.rint(np.rad2deg(primary))), float(np.rint(np.rad2deg(secondary)))

    def tolerance_deg(self, angles: Angles, turn: Angles) -> float | None:
        """Least turn, to one side or the other, at which the reading is off by 1 mm; None if none up to 20."""
        planned = self.reading_mm(angles)
        found = []
        for sign in (1.0, -1.0):
            last = 0.0
            for degrees in range(1, FARTHEST_TURN_DEG + 1):
                turned = angles[0] + sign * degrees * turn[0], angles[1] + sign * degrees * turn[1]
                off = abs(self.reading_mm(turned) - planned)
                if off >= OFF_BY_MM:
                    found.append(degrees - (off - OFF_BY_MM) / (off - last))
                    break
                last = off
        return float(min(found)) if found else None

    def best(self, tried: Sequence[Angles]) -> Angles:
        """Angles that weigh least (our choice): 1 mm read wrong counts as much as 30 mm of bone in the beam, 60 degrees
        of turn, 20 degrees of tilt, or a tolerance of 2.5 degrees.
        """

        def reading_and_turn(angles: Angles) -> float:
            tilt = abs(self.place.tilt_deg(self.beam(angles)))
            return float(2.0 * self.wrong_mm(angles) + np.hypot(*angles) / 30.0 + tilt / 10.0)

        weighed: list[tuple[float, Angles]] = []
        for weight, angles in sorted((reading_and_turn(angles), angles) for angles in tried):
            if weighed and weight > min(weighed)[0] + _WORTH_WEIGHING:
                break
            edge, overlap = bone_in_beam(self.place, self.others, self.beam(angles))
            weighed.append((weight + max(_CLEAR_EDGE_MM - edge, 0.0) + sum(overlap.values()) / 15.0, angles))
        near = [each for each in weighed if each[0] <= min(weighed)[0] + _WORTH_WEIGHING]
        return min(near, key=lambda each: each[0] + self._touchiness(each[1]))[1]

    def _touchiness(self, angles: Angles) -> float:
        both = [self.tolerance_deg(angles, turn) for turn in ((1.0, 0.0), (0.0, 1.0))]
        return 5.0 / min(float(FARTHEST_TURN_DEG) if each is None else max(each, 1.0) for each in both)


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
        From :func:`cotyle.xray.wall_on_screen.wall_place`.
    others:
        Surfaces of the other bones that lie in the beam in theatre, by name.
    frame:
        Frame that the angles count in, level on the table.
    reach:
        How far the machine turns.
    """
    search = _Search(place, others, frame, machine.source_isocenter_mm)
    square = search.grazing()
    tried = [angles for angles in square if reach.excess_deg(angles) == 0.0]
    if not tried or min(search.wrong_mm(angles) for angles in tried) > _READ_RIGHT_MM:
        # a little tilt costs next to nothing, since the floor is a ball, and can take a ridge out of the way
        tilted = [angles for tilt in _TILTS_DEG for angles in search.grazing(tilt)]
        tried += [angles for angles in tilted if reach.excess_deg(angles) == 0.0]
    tangent = bool(tried)
    best = search.best(tried) if tangent else reach.clipped(min(square, key=reach.excess_deg))
    beam = search.beam(best)
    edge, overlap = bone_in_beam(place, others, beam)
    view = free_view(NAME, frame, place.at_lps_mm, *best, machine, side)
    return WallView(
        view=view,
        tangent=tangent,
        tilt_deg=place.tilt_deg(beam),
        wall_mm=place.wall_mm,
        reading_mm=search.reading_mm(best),
        ap_reading_mm=search.reading_mm((0.0, 0.0)),
        bone_mm=place.bone_mm,
        from_lps_mm=read_only(np.array(place.floor_lps_mm)),
        at_lps_mm=read_only(place.at_lps_mm),
        magnification=view.carm.magnification(place.at_lps_mm),
        primary_tolerance_deg=search.tolerance_deg(best, (1.0, 0.0)),
        secondary_tolerance_deg=search.tolerance_deg(best, (0.0, 1.0)),
        edge_mm=edge,
        overlap_mm=overlap,
    )
