"""The starting plan: what to do when nobody has said otherwise.

Size: the smallest even outer diameter at least 1 mm above the diameter of the native bony socket, so that the last
reamer, 1 mm under the cup, reaches bone all round. Orientation: 40 deg of radiographic inclination and 17.5 deg of
anteversion (the middle of the usual 15 to 20) in the supine frame. Centre: on the native one's height and depth from
front to back, moved medially until the first of three limits: the stated way to the inner surface along the axis, the
least wall, or the fossa floor, past which the floor of the cavity does not go. All are common practice (no source);
each number can be overridden by :class:`Targets`.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
import numpy.typing as npt

from cotyle.cup.cavity import Cavity, step_along
from cotyle.cup.center import shifted
from cotyle.cup.component import LARGEST_CUP_MM, SMALLEST_CUP_MM, Cup, checked_cup_diameter_mm
from cotyle.cup.inner_surface import InnerSurface, least_wall
from cotyle.cup.orientation import Definition, Orientation, axis_from_orientation
from cotyle.cup.reaming import FIRST_UNDER_MM, LAST_UNDER_MM
from cotyle.cup.wall import wall_along_axis
from cotyle.errors import InputError
from cotyle.space.arrays import Array, as_vector
from cotyle.space.frames import Frame
from cotyle.space.mesh import TriangleMesh
from cotyle.space.side import Side

LEAST_OVERSIZE_MM = 1.0
FARTHEST_LATERAL_MM = 15.0
FARTHEST_MEDIAL_MM = 20.0
FARTHEST_MM = 100.0
"""A cup farther from the native centre is a slip of coordinates: a sign, an order, the other side (our choice)."""

_SCAN_STEP_MM = 0.5
_CLOSE_MM = 0.01


@dataclass(frozen=True)
class Targets:
    """What the surgeon wants; None means: propose it.

    ``inclination_deg`` and ``anteversion_deg`` follow ``definition`` in the frame named ``frame``. Shifts are of the
    hip centre from the native one in the same frame, mm; ``center_lps_mm`` overrides all three. The medial shift is
    proposed from ``wall_along_axis_mm`` (way left from pole to inner surface) and ``least_wall_mm``.
    """

    outer_diameter_mm: float | None = None
    inclination_deg: float = 40.0
    anteversion_deg: float = 17.5
    definition: Definition = Definition.RADIOGRAPHIC
    frame: str = "supine"
    center_lps_mm: tuple[float, float, float] | None = None
    medial_mm: float | None = None
    superior_mm: float = 0.0
    anterior_mm: float = 0.0
    wall_along_axis_mm: float = 5.0
    least_wall_mm: float = 2.0
    first_reamer_under_mm: float = FIRST_UNDER_MM
    last_reamer_under_mm: float = LAST_UNDER_MM


class Limit(StrEnum):
    """What stopped the cup on its way in."""

    GIVEN = "given"
    WALL_ALONG_AXIS = "wall-along-axis"
    LEAST_WALL = "least-wall"
    FOSSA_FLOOR = "fossa-floor"
    NO_ROOM = "no-room"


@dataclass(frozen=True, eq=False)
class Proposal:
    """A cup, how far it was medialised, what limited it, and sentences for the reader."""

    cup: Cup
    medial_mm: float
    limited_by: Limit
    notes: tuple[str, ...] = ()


def proposed_diameter_mm(native_diameter_mm: float) -> float:
    """Return the cup size for a native bony socket: the smallest even size at least 1 mm larger, 36 to 80.

    Raises
    ------
    InputError
        ``socket-size`` if the native diameter is no human socket's (below 30 or above 80 mm).
    """
    native = float(native_diameter_mm)
    if not 30.0 <= native <= LARGEST_CUP_MM:
        raise InputError("socket-size", f"a native socket of {native:g} mm is not one that a cup can be planned in")
    even = 2.0 * np.ceil((native + LEAST_OVERSIZE_MM) / 2.0 - 1e-9)
    return float(np.clip(even, SMALLEST_CUP_MM, LARGEST_CUP_MM))


def propose(
    side: Side,
    native_center_lps_mm: npt.ArrayLike,
    native_diameter_mm: float,
    fossa_floor_lps_mm: npt.ArrayLike,
    hip_bone: TriangleMesh,
    surface: InnerSurface,
    frames: Mapping[str, Frame],
    targets: Targets | None = None,
) -> Proposal:
    """Return the starting plan for one hip; the same input gives the same plan.

    Parameters
    ----------
    native_center_lps_mm, native_diameter_mm, fossa_floor_lps_mm:
        Sphere of the native lunate surface, and the deepest point of the fossa or the teardrop, LPS mm.
    hip_bone, surface:
        Closed surface of the hip bone and its inner surface.
    frames:
        By name; must hold the one that the targets name.

    Raises
    ------
    InputError
        ``frame-unknown``, ``cup-size``, ``orientation-range``, ``axis-inwards``, ``socket-size``, ``targets-range``,
        ``center-far``.
    """
    wanted = targets or Targets()
    _check(wanted)
    if wanted.frame not in frames:
        raise InputError("frame-unknown", f"there is no frame {wanted.frame!r}", f"Known are {', '.join(frames)}")
    frame = frames[wanted.frame]
    axis = axis_from_orientation(
        Orientation(wanted.inclination_deg, wanted.anteversion_deg), wanted.definition, frame, side
    )
    if wanted.outer_diameter_mm is None:
        diameter = proposed_diameter_mm(native_diameter_mm)
    else:
        diameter = checked_cup_diameter_mm(wanted.outer_diameter_mm)
    native = as_vector(native_center_lps_mm, "native centre")
    if wanted.center_lps_mm is not None:
        center = as_vector(wanted.center_lps_mm, "cup centre")
        _require_near(center, native)
        medial = float((center - native) @ frame.left) * -side.lateral_sign
        return Proposal(Cup(side, center, axis, diameter), medial, Limit.GIVEN)
    level = shifted(native, frame, side, superior=wanted.superior_mm, anterior=wanted.anterior_mm)
    cup = Cup(side, level, axis, diameter)
    if wanted.medial_mm is not None:
        return Proposal(_at(cup, frame, wanted.medial_mm), wanted.medial_mm, Limit.GIVEN)
    floor_medial = float((as_vector(fossa_floor_lps_mm) - level) @ frame.left) * -side.lateral_sign
    to_floor = floor_medial - (diameter - wanted.last_reamer_under_mm) / 2
    medial, limit = _medialise(cup, frame, hip_bone, surface, wanted, to_floor)
    return Proposal(_at(cup, frame, medial), medial, limit, _notes(limit, medial, wanted))


def _require_near(center: Array, native: Array) -> None:
    away = math.dist(center, native)
    if not away <= FARTHEST_MM:
        raise InputError(
            "center-far",
            f"the cup's centre lies {away:.0f} mm from the native one",
            f"Give it in LPS millimetres, within {FARTHEST_MM:g} mm; check signs and side",
        )


def _at(cup: Cup, frame: Frame, medial_mm: float) -> Cup:
    return Cup(
        cup.side,
        shifted(cup.center_lps_mm, frame, cup.side, medial=medial_mm),
        cup.opening_axis_lps,
        cup.outer_diameter_mm,
    )


def _medialise(
    cup: Cup, frame: Frame, hip_bone: TriangleMesh, surface: InnerSurface, wanted: Targets, to_floor_mm: float
) -> tuple[float, Limit]:
    """Return the largest medial shift that keeps all limits, and the one that bounds it.

    Coarse steps inwards find the first place where a limit fails; bisection then finds it to 0.01 mm.
    """

    def room(medial_mm: float) -> tuple[float, float]:
        """How far the two wall limits are kept, mm; negative when broken."""
        placed = _at(cup, frame, medial_mm)
        diameter = cup.outer_diameter_mm - wanted.last_reamer_under_mm
        step = step_along(diameter, placed.center_lps_mm, -cup.opening_axis_lps)
        axis = wall_along_axis(hip_bone, step)
        least = min(least_wall(surface, floor).distance_mm for floor in Cavity((step,)).floors)
        on_axis = -wanted.wall_along_axis_mm if axis.breached else axis.exit_mm - wanted.wall_along_axis_mm
        return on_axis, min(least, axis.exit_mm) - wanted.least_wall_mm

    most = float(np.clip(to_floor_mm, 0.0, FARTHEST_MEDIAL_MM))
    kept = -FARTHEST_LATERAL_MM
    if min(room(kept)) < 0:
        return 0.0, Limit.NO_ROOM
    for trial in np.append(np.arange(kept + _SCAN_STEP_MM, most, _SCAN_STEP_MM), most):
        if min(room(float(trial))) < 0:
            break
        kept = float(trial)
    else:
        return kept, Limit.FOSSA_FLOOR
    broken = float(trial)
    while broken - kept > _CLOSE_MM:
        middle = (kept + broken) / 2
        kept, broken = (middle, broken) if min(room(middle)) >= 0 else (kept, middle)
    on_axis, least = room(broken)
    return kept, Limit.WALL_ALONG_AXIS if on_axis <= least else Limit.LEAST_WALL


def _notes(limit: Limit, medial_mm: float, wanted: Targets) -> tuple[str, ...]:
    if limit is Limit.NO_ROOM:
        return (
            f"even {FARTHEST_LATERAL_MM:g} mm lateral of the native centre the wall is thinner than wanted "
            f"({wanted.least_wall_mm:g} mm at the thinnest): the native centre was kept",
        )
    if medial_mm < 0:
        return (f"the centre was moved {-medial_mm:.1f} mm laterally to keep the wanted wall",)
    return ()


def _check(wanted: Targets) -> None:
    """Raise ``targets-range`` for numbers that no plan can have."""
    numbers: dict[str, float | None] = {
        "superior_mm": wanted.superior_mm,
        "anterior_mm": wanted.anterior_mm,
        "medial_mm": wanted.medial_mm,
    }
    for name, value in numbers.items():
        if value is not None and not abs(value) <= 60.0:
            raise InputError("targets-range", f"{name} must lie within 60 mm, got {value:g}")
    walls = (wanted.wall_along_axis_mm, wanted.least_wall_mm)
    if not all(0.0 <= value <= 30.0 for value in walls):
        got = f"{walls[0]:g} and {walls[1]:g}"
        raise InputError("targets-range", f"the wanted walls must lie between 0 and 30 mm, got {got}")
    if not 0.0 <= wanted.last_reamer_under_mm < wanted.first_reamer_under_mm <= 10.0:
        raise InputError(
            "targets-range",
            f"reamers {wanted.first_reamer_under_mm:g} and {wanted.last_reamer_under_mm:g} mm under the cup do not fit",
            "Give the first as the larger difference, both from 0 to 10 mm",
        )
