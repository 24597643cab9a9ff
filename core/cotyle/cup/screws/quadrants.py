"""The four quadrants of the socket, drawn on a cup.

Wasielewski RC, Cooperstein LA, Kruger MP, Rubash HE. Acetabular anatomy and the transacetabular fixation of screws in
total hip arthroplasty. J Bone Joint Surg Am 1990;72:501-8: one line runs from the anterior superior iliac spine (ASIS)
through the centre of the socket, a second one crosses it there at right angles. Posterior of the first line and on the
side of the ASIS lies the posterior-superior quadrant, and so on.

Drawn on the cup: the ASIS is seen along the cup's axis in the plane of its rim, where both lines lie. A place on the
shell is told by two angles, the same for left and right hips: ``from_pole_deg`` (0 at the pole, 90 at the rim) and
``around_deg``, counted from the line to the ASIS over posterior: 0 to 90 is posterior-superior, to 180
posterior-inferior, to 270 anterior-inferior, to 360 anterior-superior.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

import numpy as np
import numpy.typing as npt

from cotyle.cup.component import Cup
from cotyle.errors import InputError
from cotyle.space.arrays import Array, as_vector, read_only, unit

_LEAST_LINE_MM = 1.0


class Quadrant(StrEnum):
    """The quadrants in the order of ``around_deg``."""

    POSTERIOR_SUPERIOR = "posterior-superior"
    POSTERIOR_INFERIOR = "posterior-inferior"
    ANTERIOR_INFERIOR = "anterior-inferior"
    ANTERIOR_SUPERIOR = "anterior-superior"


ALL = tuple(Quadrant)
AT_RISK: dict[Quadrant, str] = {
    Quadrant.POSTERIOR_SUPERIOR: "sciatic nerve, superior gluteal nerve and vessels",
    Quadrant.POSTERIOR_INFERIOR: "sciatic nerve, inferior gluteal and internal pudendal nerves and vessels",
    Quadrant.ANTERIOR_INFERIOR: "obturator nerve, artery and vein",
    Quadrant.ANTERIOR_SUPERIOR: "external iliac artery and vein",
}
"""What lies behind each quadrant (Wasielewski et al. 1990, after teaching pages; the paper itself was not read). None
of it shows in the bones."""


@dataclass(frozen=True, eq=False)
class Quadrants:
    """Both lines on a cup: unit directions in the plane of its rim, LPS, and the unit direction to its pole."""

    towards_asis_lps: Array
    posterior_lps: Array
    pole_lps: Array

    def directions(self, from_pole_deg: npt.ArrayLike, around_deg: npt.ArrayLike) -> Array:
        """Return unit directions (n, 3) out of the cup's centre to places on the shell."""
        polar, around = np.broadcast_arrays(np.deg2rad(from_pole_deg), np.deg2rad(around_deg))
        across = np.cos(around)[..., None] * self.towards_asis_lps + np.sin(around)[..., None] * self.posterior_lps
        return np.asarray(np.sin(polar)[..., None] * across + np.cos(polar)[..., None] * self.pole_lps)

    def places_deg(self, directions_lps: npt.ArrayLike) -> tuple[Array, Array]:
        """Return ``from_pole_deg`` and ``around_deg`` (0 to 360) of unit directions (n, 3); inverse of the above."""
        directions = np.asarray(directions_lps, dtype=float)
        along, across = directions @ self.towards_asis_lps, directions @ self.posterior_lps
        from_pole = np.rad2deg(np.arctan2(np.hypot(along, across), directions @ self.pole_lps))
        return np.asarray(from_pole), np.asarray(np.rad2deg(np.arctan2(across, along)) % 360.0)


def quadrant_at(around_deg: float) -> Quadrant:
    """Return the quadrant of a place; one on a line belongs to the quadrant that begins there."""
    return ALL[int(around_deg % 360.0 // 90.0)]


def quadrants_of(cup: Cup, asis_lps_mm: npt.ArrayLike, posterior_lps: npt.ArrayLike) -> Quadrants:
    """Return the quadrants on a cup.

    Parameters
    ----------
    asis_lps_mm:
        The anterior superior iliac spine of the same side, shape (3,), LPS mm.
    posterior_lps:
        The patient's posterior direction; tells the two sides of the first line apart.

    Raises
    ------
    InputError
        ``quadrant-line`` if the ASIS lies on the cup's axis.
    """
    axis = cup.opening_axis_lps
    to_asis = as_vector(asis_lps_mm, "ASIS") - cup.center_lps_mm
    across_axis = to_asis - (to_asis @ axis) * axis
    if np.linalg.norm(across_axis) < _LEAST_LINE_MM:
        raise InputError("quadrant-line", "the ASIS lies on the cup's axis: no line runs to it", "Check ASIS and cup")
    along = unit(across_axis)
    across = np.cross(axis, along)
    sign = 1.0 if across @ np.asarray(posterior_lps, dtype=float) > 0 else -1.0
    return Quadrants(along, unit(sign * across), read_only(-axis))
