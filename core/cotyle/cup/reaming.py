"""The reaming plan: which reamers, from where to where, and what each does.

The default follows common practice (no source): a first reamer about 3 mm under the cup takes the centre to its depth,
a last one 1 mm under engages the rim and gives a press-fit of 1 mm. Both end with their centre at the cup's.

Advice on the first direction. Along the cup's own axis, with radiographic inclination RI and anteversion RA, a reamer
gains sin RI cos RA medially and cos RI cos RA upwards per mm. To gain m medially it rises by m / tan RI. A first
direction whose inclination is atan2(m, u), u being the rise that is wanted, leads straight to the planned height
(plane trigonometry in the coronal plane).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
import numpy.typing as npt

from cotyle.anatomy.shapes.cortex_model import Blur
from cotyle.cup.cavity import Cavity, ReamingStep, line_through_step_mm, step_along
from cotyle.cup.center import CenterShift, center_shift
from cotyle.cup.component import Cup
from cotyle.cup.inner_surface import InnerSurface
from cotyle.cup.orientation import Definition, direction_from_hip_components, orientation_of_axis
from cotyle.cup.removed_bone import removed_bone, shares_by_zone
from cotyle.cup.wall import Wall, measure_wall
from cotyle.errors import InputError
from cotyle.image.volume import Volume
from cotyle.space.arrays import Array, as_vector, unit
from cotyle.space.frames import Frame
from cotyle.space.mesh import TriangleMesh
from cotyle.space.rotations import angle_between_deg
from cotyle.space.side import Side

FIRST_UNDER_MM = 3.0
LAST_UNDER_MM = 1.0
# A rise below this is not worth another direction.
_WORTH_MM = 1.0
_LEAST_MOVE_MM = 0.5
# Farther than this from the cup's axis a reamer's handle cannot go in through the wound; common practice, no source.
_LARGEST_LEAN_DEG = 60.0
_ENGAGED_SHARE = 0.05


class Engagement(StrEnum):
    """Where a reamer cuts."""

    FLOOR = "floor"
    RIM = "rim"
    BOTH = "both"
    NONE = "none"


@dataclass(frozen=True, eq=False)
class FirstDirection:
    """What reaming straight along the cup's axis would do to the height of the centre, and what would not.

    ``straight_rise_mm`` is the rise of the centre when the planned medial shift is made along the cup's axis, beyond
    the planned rise (``excess_rise_mm``). ``inclination_deg`` is the radiographic inclination of the first direction
    that meets the planned height, None where the plan does not medialise; ``direction_lps`` points into the bone.
    """

    raises: bool
    straight_rise_mm: float
    excess_rise_mm: float
    inclination_deg: float | None
    direction_lps: Array
    advice: str


@dataclass(frozen=True, eq=False)
class StepResult:
    """What one step does; ``path`` is the way of its centre from start to end, ``from_native`` from the native centre.

    ``bearing_travel_mm`` is the last part of the way, from where the reamer bears on 5 % of its cross-section.
    ``crescent_mm`` is the gap, along the step's axis, between the reamer where it bears and the floor of the earlier
    cavity: the dark crescent on the screen; ``crescent_at_end_mm`` what is left of it (0: it is gone).
    """

    step: ReamingStep
    removed_ml: float
    wall: Wall
    engages: Engagement
    path: CenterShift
    from_native: CenterShift
    bearing_travel_mm: float
    crescent_mm: float
    crescent_at_end_mm: float


def default_steps(
    cup: Cup,
    native_center_lps_mm: npt.ArrayLike,
    hip_bone: TriangleMesh,
    *,
    first_under_mm: float = FIRST_UNDER_MM,
    last_under_mm: float = LAST_UNDER_MM,
) -> tuple[ReamingStep, ReamingStep]:
    """Return the default two steps of a cup.

    The first goes straight from the native centre to the cup's, so that the centre is not raised on the way; where it
    hardly moves, moves outwards, or that way leans more than 60 degrees from the cup's axis, it goes along the cup's
    axis. Each starts where it first touches bone.

    Raises
    ------
    InputError
        ``reaming-sizes`` unless the first reamer is smaller than the last and the last no larger than the cup;
        ``reamer-size``.
    """
    if not 0 <= last_under_mm < first_under_mm:
        raise InputError(
            "reaming-sizes",
            f"reamers {first_under_mm:g} and {last_under_mm:g} mm under the cup do not grow up to it",
            "Give the first reamer as the smaller one and the last no larger than the cup",
        )
    inward = -cup.opening_axis_lps
    way = cup.center_lps_mm - as_vector(native_center_lps_mm, "native centre")
    length = float(np.linalg.norm(way))
    aimed = length > _LEAST_MOVE_MM and angle_between_deg(way, inward) <= _LARGEST_LEAN_DEG
    toward = unit(way) if aimed else inward
    first = _from_first_touch(
        hip_bone, cup.outer_diameter_mm - first_under_mm, cup.center_lps_mm, toward, (), length if aimed else 30.0
    )
    last = _from_first_touch(hip_bone, cup.outer_diameter_mm - last_under_mm, cup.center_lps_mm, inward, (first,), 30.0)
    return first, last


def assess_reaming(
    steps: Sequence[ReamingStep],
    hip_bone: TriangleMesh,
    surface: InnerSurface,
    frame: Frame,
    side: Side,
    native_center_lps_mm: npt.ArrayLike,
    volume: Volume | None = None,
    blur: Blur | None = None,
) -> tuple[StepResult, ...]:
    """Return what each step removes, leaves and engages, in order; the wall is along each step's own direction.

    Parameters
    ----------
    hip_bone, surface, volume, blur:
        As in :func:`cotyle.cup.wall.measure_wall`.
    frame, side:
        What medial, superior and anterior mean in the paths.
    """
    results = []
    for number, step in enumerate(steps):
        earlier = steps[:number]
        removed = removed_bone(hip_bone, step, earlier)
        bearing = min(removed.bears_mm, step.travel_mm)
        gap, end_gap = _crescent(step, earlier, bearing)
        results.append(
            StepResult(
                step=step,
                removed_ml=removed.volume_mm3 / 1000.0,
                wall=measure_wall(hip_bone, surface, Cavity((*earlier, step)), volume, blur=blur),
                engages=_engagement(*shares_by_zone(removed, step.radius_mm)),
                path=center_shift(step.start_center_lps_mm, step.end_center_lps_mm, frame, side),
                from_native=center_shift(native_center_lps_mm, step.end_center_lps_mm, frame, side),
                bearing_travel_mm=bearing,
                crescent_mm=gap,
                crescent_at_end_mm=end_gap,
            )
        )
    return tuple(results)


def first_direction(cup: Cup, native_center_lps_mm: npt.ArrayLike, frame: Frame) -> FirstDirection:
    """Return whether reaming straight along the cup's axis raises the centre, and the direction that would not.

    Angles are radiographic in the frame. Raises ``axis-inwards`` or ``orientation-undefined`` as orientation does.
    """
    side, inward = cup.side, -cup.opening_axis_lps
    shift = center_shift(native_center_lps_mm, cup.center_lps_mm, frame, side)
    cup_inclination = orientation_of_axis(cup.opening_axis_lps, frame, side, Definition.RADIOGRAPHIC).inclination_deg
    if shift.medial < _LEAST_MOVE_MM:
        text = "The plan does not medialise: the first reamer can follow the cup's axis."
        return FirstDirection(False, 0.0, 0.0, None, inward, text)
    rise = float(shift.medial / np.tan(np.radians(cup_inclination)))
    excess = rise - shift.superior
    inclination = float(np.degrees(np.arctan2(shift.medial, shift.superior)))
    components = np.array([-shift.medial, shift.anterior, shift.superior])
    direction = unit(direction_from_hip_components(components, frame, side))
    if excess < _WORTH_MM:
        text = "Reaming along the cup's axis meets the planned height within 1 mm."
        return FirstDirection(False, rise, excess, inclination, direction, text)
    text = (
        f"Reaming straight along the cup's axis would raise the centre {excess:.1f} mm above the plan. Start more "
        f"abducted: a first direction at {inclination:.0f} deg of radiographic inclination ({frame.name} frame) "
        "reaches the planned centre without raising it."
    )
    return FirstDirection(True, rise, excess, inclination, direction, text)


def _from_first_touch(
    hip_bone: TriangleMesh,
    diameter_mm: float,
    end_center_lps_mm: Array,
    direction_lps: Array,
    earlier: Sequence[ReamingStep],
    look_back_mm: float,
) -> ReamingStep:
    """Return the step that ends at a centre and starts where it first touches bone that is still there."""
    at_end = step_along(diameter_mm, end_center_lps_mm, direction_lps)
    touch = removed_bone(hip_bone, at_end, earlier, look_back_mm).first_touch_mm
    return step_along(diameter_mm, end_center_lps_mm, direction_lps, touch)


def _engagement(floor_share: float, rim_share: float) -> Engagement:
    on_floor, on_rim = floor_share > _ENGAGED_SHARE, rim_share > _ENGAGED_SHARE
    if on_floor and on_rim:
        return Engagement.BOTH
    if on_floor:
        return Engagement.FLOOR
    return Engagement.RIM if on_rim else Engagement.NONE


def _crescent(step: ReamingStep, earlier: Sequence[ReamingStep], before_end_mm: float) -> tuple[float, float]:
    """Return the gap on the axis between reamer and earlier floor, some way before the end and at the end."""
    stretches = [line_through_step_mm(each, step.end_center_lps_mm, step.direction_lps) for each in earlier]
    floors = [stretch[1] for stretch in stretches if stretch is not None]
    if not floors:
        return 0.0, 0.0
    at_end = max(floors) - step.radius_mm
    return max(at_end + before_end_mm, 0.0), max(at_end, 0.0)
