"""The numbers that are always in view, fast enough to follow a hand: a part of what ``measure`` measures.

Each comes from the function that :func:`cotyle.case.stages.plan_on` calls, on the same plan rounded in the same way, so
that it is the number of measurements.json to the last digit.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from cotyle.anatomy.landmarks import Landmarks
from cotyle.anatomy.pelvis import Pelvis
from cotyle.case.measurements import Angles
from cotyle.case.plan_file import PlanFile
from cotyle.case.results import orientations
from cotyle.case.stages import Hip, coverage_of, cup_of, soft_bed_of, steps_of, wall_of
from cotyle.cup.cavity import Cavity, ReamingStep
from cotyle.cup.center import CenterShift, center_shift
from cotyle.cup.component import Cup
from cotyle.cup.coverage import Coverage
from cotyle.cup.orientation import Definition, Orientation, orientation_of_axis
from cotyle.cup.posture import frame_at_tilt
from cotyle.cup.press_fit import PressFit, press_fit
from cotyle.cup.reaming import FirstDirection, first_direction
from cotyle.cup.wall import Wall
from cotyle.space.frames import Frame
from cotyle.space.mesh import TriangleMesh


@dataclass(frozen=True, eq=False)
class LiveNumbers:
    """A complete plan, where that puts cup and reamers, and the figures that are always in view.

    ``orientations`` by frame and definition; one that leaves an angle open is left out. ``wall`` is without its map.
    ``center_shift`` is from the native centre in the measuring frame.
    """

    plan: PlanFile
    hip: Hip
    pelvis: Pelvis
    cup: Cup
    steps: tuple[ReamingStep, ...]
    orientations: Mapping[str, Mapping[Definition, Angles]]
    wall: Wall
    coverage: Coverage
    center_shift: CenterShift
    press_fit: PressFit
    first: FirstDirection

    @property
    def cavity(self) -> Cavity:
        """What the reamers leave."""
        return Cavity(self.steps)

    @property
    def hip_bone(self) -> TriangleMesh:
        """The hip bone that receives the cup."""
        return self.hip.bone

    @property
    def landmarks(self) -> Landmarks:
        """Landmarks by name."""
        return self.hip.anatomy.landmarks


def live_numbers(hip: Hip, plan: PlanFile, before: LiveNumbers | None = None) -> LiveNumbers:
    """Measure what is always in view on a complete plan.

    ``before``: numbers of another plan; what rests on the cup alone is taken from there if the cup is the same.

    Raises
    ------
    InputError
        ``plan-incomplete``, and those of cup, orientation and reaming for a plan that makes no cup.
    """
    pelvis = hip.pelvis(plan.posture.standing_tilt_change_deg)
    cup = cup_of(plan, pelvis)
    if before is not None and before.hip is hip and _same_cup(plan, cup, before):
        return replace(
            before, plan=plan, pelvis=pelvis, orientations=orientations(cup.opening_axis_lps, pelvis, plan.side)
        )
    steps = steps_of(plan, cup, hip)
    return LiveNumbers(
        plan=plan,
        hip=hip,
        pelvis=pelvis,
        cup=cup,
        steps=steps,
        orientations=orientations(cup.opening_axis_lps, pelvis, plan.side),
        wall=wall_of(steps, hip, with_map=False),
        coverage=coverage_of(cup, soft_bed_of(cup, hip), hip),
        center_shift=center_shift(hip.socket.center_lps_mm, cup.center_lps_mm, hip.frame, plan.side),
        press_fit=press_fit(cup.outer_diameter_mm, steps[-1].diameter_mm),
        first=first_direction(cup, hip.socket.center_lps_mm, hip.frame),
    )


def tilted_frame(pelvis: Pelvis, tilt_change_deg: float) -> Frame:
    """Return the frame of a pelvis whose anterior tilt is another one than lying; rotation and obliquity are none."""
    tilt_deg = pelvis.anterior_tilt_deg + tilt_change_deg
    return frame_at_tilt(pelvis, f"posture {tilt_change_deg:+.0f} deg", tilt_deg)


def orientation_in_posture(numbers: LiveNumbers, tilt_change_deg: float, definition: Definition) -> Orientation:
    """Return the cup's angles where the anterior tilt has changed from lying.

    Raises
    ------
    InputError
        Those of :func:`cotyle.cup.orientation.orientation_of_axis`, as where the definition leaves an angle open.
    """
    frame = tilted_frame(numbers.pelvis, tilt_change_deg)
    return orientation_of_axis(numbers.cup.opening_axis_lps, frame, numbers.plan.side, definition)


def _same_cup(plan: PlanFile, cup: Cup, before: LiveNumbers) -> bool:
    other = before.cup
    return (
        plan.reaming == before.plan.reaming
        and cup.outer_diameter_mm == other.outer_diameter_mm
        and np.array_equal(cup.center_lps_mm, other.center_lps_mm)
        and np.array_equal(cup.opening_axis_lps, other.opening_axis_lps)
    )
