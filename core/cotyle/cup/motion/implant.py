"""Head, neck, liner and stem as far as motion needs them: generic, no maker's catalogue.

Neck: a round rod through the middle of the head. It meets a ring of the liner of radius p at a height z above the
middle of the head (along the opening axis) when it leans atan2(p, z) - asin(r / sqrt(p^2 + z^2)), r its radius: the
ring's point in the plane of the lean is then r away from the rod's axis. Of a profile of straight pieces a corner is
always met first, so the least of its corners is the angle. With a face level with the middle of the head and no chamfer
that is 90 - asin(d_neck / d_head), half of the oscillation angle of the textbooks, 2 acos(d_neck / d_head).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from cotyle.errors import InputError
from cotyle.space.arrays import Array, read_only

LEAST_NECK_SHAFT_DEG, MOST_NECK_SHAFT_DEG = 100.0, 160.0


@dataclass(frozen=True)
class Liner:
    """The rim of a round liner.

    face_height_mm: how far its face stands out of the mouth beyond the middle of the head; negative where the head sits
    proud of it. chamfer_mm: depth of the bevel at its inner edge. chamfer_deg: angle of the bevel to the opening axis.
    A raised lip isn't round and isn't modelled.
    """

    face_height_mm: float = 0.0
    chamfer_mm: float = 0.0
    chamfer_deg: float = 45.0

    def __post_init__(self) -> None:
        if not (-10.0 <= self.face_height_mm <= 10.0 and 0.0 <= self.chamfer_mm <= 10.0):
            raise InputError(
                "liner", "a liner's face lies within 10 mm of the middle of the head, its chamfer is up to 10 mm deep"
            )
        if not 0.0 <= self.chamfer_deg <= 80.0:
            raise InputError("liner", f"a chamfer of {self.chamfer_deg:g} deg isn't between 0 and 80")


FLUSH = Liner()


@dataclass(frozen=True)
class Stem:
    """What of a stem bears on motion.

    version_deg: of the neck against the back of the condyles, forward positive. neck_diameter_mm: where it meets the
    rim.
    """

    version_deg: float
    neck_shaft_deg: float
    neck_diameter_mm: float

    def __post_init__(self) -> None:
        if not abs(self.version_deg) <= 60.0:
            raise InputError("stem-version", f"a stem version of {self.version_deg:g} deg isn't between -60 and 60")
        if not LEAST_NECK_SHAFT_DEG <= self.neck_shaft_deg <= MOST_NECK_SHAFT_DEG:
            raise InputError("neck-shaft-angle", f"a neck-shaft angle of {self.neck_shaft_deg:g} deg isn't a femur's")
        if not 4.0 <= self.neck_diameter_mm <= 25.0:
            raise InputError("neck-diameter", f"a neck of {self.neck_diameter_mm:g} mm isn't between 4 and 25")

    @property
    def neck(self) -> Array:
        """Unit direction from the head along the neck (lateral, anterior, superior) in neutral, shape (3,)."""
        down, version = np.radians([self.neck_shaft_deg - 90.0, self.version_deg])
        return read_only(np.array([np.cos(down) * np.cos(version), -np.cos(down) * np.sin(version), -np.sin(down)]))


def rim_corners_mm(head_diameter_mm: float, liner: Liner, rim_diameter_mm: float | None) -> Array:
    """Return the corners (n, 2) of the rim's profile: radius and height above the middle of the head.

    ``rim_diameter_mm``: outer diameter of the cup, whose own rim lies level with the middle of the head; left out if
    not given.
    """
    bore, face, depth = 0.5 * head_diameter_mm, liner.face_height_mm, liner.chamfer_mm
    edge = face - depth
    inner = bore if edge >= 0.0 else np.sqrt(max(bore**2 - edge**2, 0.0))
    corners = [[inner, edge], [inner + depth * np.tan(np.radians(liner.chamfer_deg)), face]]
    if rim_diameter_mm is not None:
        corners.append([0.5 * rim_diameter_mm, 0.0])
    return np.array(corners)


def free_lean_deg(
    head_diameter_mm: float, neck_diameter_mm: float, liner: Liner = FLUSH, rim_diameter_mm: float | None = None
) -> float:
    """Return how far the neck leans from the opening axis before it meets the rim: half the oscillation angle.

    Raises
    ------
    InputError
        ``neck-diameter`` if the neck isn't thinner than what it has to pass.
    """
    corners = rim_corners_mm(head_diameter_mm, liner, rim_diameter_mm)
    reach, radius = np.hypot(*corners.T), 0.5 * neck_diameter_mm
    if not (radius > 0.0 and (radius < corners[:, 0]).all()):
        raise InputError(
            "neck-diameter",
            f"a neck of {neck_diameter_mm:g} mm doesn't pass a liner for a {head_diameter_mm:g} mm head",
        )
    return float(np.degrees(np.arctan2(*corners.T) - np.arcsin(radius / reach)).min())
