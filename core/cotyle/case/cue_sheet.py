"""The cue sheet of a plan: what the screen will show at each reaming step, when it goes wrong, and of the wall.

Each view's scan is projected once, with the femur out of the way; bone that is reamed and metal are added to that.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from cotyle.case.simulated import CUE_VIEWS, view_of
from cotyle.case.stages import MEASURING_FRAME, PlannedCup
from cotyle.cup.cavity import ReamingStep, step_along
from cotyle.errors import InputError
from cotyle.image.volume import Volume
from cotyle.space.arrays import Array
from cotyle.space.frames import Frame
from cotyle.space.shapes import Circle
from cotyle.xray.carm import CArm
from cotyle.xray.display import Display, render
from cotyle.xray.misplaced import Misplaced, Mistake, misplaced
from cotyle.xray.operated import (
    REAMER_SHELL_MM,
    Integrals,
    ReamedBone,
    metal_compressed,
    with_shell,
    without_bone,
    without_implant,
)
from cotyle.xray.projector.line_integrals import ReadyVolume, line_integrals_of, prepare
from cotyle.xray.reading_spread import landmark_spread
from cotyle.xray.reaming_cues import ScreenReading, Sight, Stage, read_screen, sight, stage_rim
from cotyle.xray.views import View, ViewName
from cotyle.xray.wall_on_screen import WallPlace, wall_place
from cotyle.xray.wall_view import WallView, find_wall_view

MISTAKES_SHOWN_IN = "ap_hip"
PICTURED = tuple(each for each in Mistake if each not in (Mistake.FACING_BACK, Mistake.FORWARD))
"""Mistakes that a picture from the front can show."""
COLUMNS = 300
_HALF_MM = (62.0, 70.0)
_MEDIAL_MM, _UP_MM = 14.0, 18.0
_WALL_HALF_MM = (44.0, 36.0)
_OTHER_VIEWS = (
    ViewName.INLET,
    ViewName.OBTURATOR_OBLIQUE,
    ViewName.ILIAC_OBLIQUE,
    ViewName.CROSS_TABLE_LATERAL,
    ViewName.OUTLET,
)
"""From the one that turns the machine least."""

_DENSEST_BONE = 1.6
_BEYOND_ANY_CUP = ("axis-inwards", "orientation-range", "orientation-undefined")
"""Codes of a turn that would leave no cup: 5 degrees less inclined than 3, say. Such a mistake is left out."""

Pixels = npt.NDArray[np.uint8]


@dataclass(frozen=True, eq=False)
class StageShown:
    """One reamer at one stage, or the seated cup (``step`` None): rim, what is read, and 8-bit grey (rows, columns)."""

    step: int | None
    diameter_mm: float
    stage: Stage
    rim: Circle
    reading: ScreenReading
    pixels: Pixels


@dataclass(frozen=True, eq=False)
class MistakeShown:
    """A wrong cup: how it shows, and its picture where this view has one."""

    found: Misplaced
    pixels: Pixels | None


@dataclass(frozen=True, eq=False)
class ViewShown:
    """All pictures of one view; ``carm`` is the part of the detector round the hip that they show.

    ``spread`` is one standard deviation of each cue of the seated cup, as far as landmarks leave it open.
    """

    view: View
    carm: CArm
    sight: Sight
    stages: tuple[StageShown, ...]
    cup: StageShown
    mistakes: tuple[MistakeShown, ...]
    spread: Mapping[str, float]


@dataclass(frozen=True, eq=False)
class WallShown:
    """The view that shows the wall, its part of the detector, and the picture with the finished cavity."""

    found: WallView
    place: WallPlace
    carm: CArm
    pixels: Pixels


@dataclass(frozen=True, eq=False)
class CueSheet:
    """The pictures and cues of a plan; ``wall`` is None where the floor is through and no wall is left to be seen.

    ``femur_taken_out`` is False where the femur isn't known as a bone of its own and therefore stands in the pictures.
    """

    views: Mapping[str, ViewShown]
    wall: WallShown | None
    femur_taken_out: bool


def cue_sheet(planned: PlannedCup, scan: Volume) -> CueSheet:
    """Return the cue sheet of a plan, level in the supine frame, the tube under the table."""
    frame = planned.pelvis.frames[MEASURING_FRAME]
    femur = planned.anatomy.surfaces.get(f"{planned.plan.side}_femur")
    opened = without_implant(scan, planned.cup.center_lps_mm)
    if femur is not None:
        opened = without_bone(opened, femur, planned.hip_bone)
    views = {name: view_of(planned, name, MEASURING_FRAME) for name in CUE_VIEWS}
    wall = _wall_view(planned, frame)
    bone = _Bone(planned, opened)
    others = [view_of(planned, name, MEASURING_FRAME) for name in _OTHER_VIEWS]
    shown = {
        name: _view_shown(planned, view, bone.seen_from(_detail(planned, view, frame)), frame, others)
        for name, view in views.items()
    }
    return CueSheet(shown, None if wall is None else _wall_shown(*wall, planned, bone), femur is not None)


class _Bone:
    """The bone at each state, and line integrals of a view of it."""

    def __init__(self, planned: PlannedCup, scan: Volume) -> None:
        self._whole = prepare(scan)
        self._socket = ReamedBone(scan, [*planned.reamers, *_own_beds(planned)])
        self._states: dict[tuple[bytes, ...], ReadyVolume] = {}

    def seen_from(self, carm: CArm) -> _BoneSeen:
        """Return it as one view shows it."""
        return _BoneSeen(self, carm, line_integrals_of(self._whole, carm), line_integrals_of(self.state(()), carm))

    def state(self, cut: Sequence[ReamingStep]) -> ReadyVolume:
        """Return the voxels round the socket once these steps have cut."""
        key = tuple(np.array([*s.start_center_lps_mm, *s.end_center_lps_mm, s.diameter_mm]).tobytes() for s in cut)
        if key not in self._states:
            self._states[key] = prepare(self._socket.after(cut))
        return self._states[key]


@dataclass(frozen=True, eq=False)
class _BoneSeen:
    """Line integrals of a view: of the whole scan, and of the voxels round the socket before anything is cut."""

    bone: _Bone
    carm: CArm
    whole: Integrals
    socket: Integrals

    def reamed(self, cut: Sequence[ReamingStep]) -> Integrals:
        """Return the line integrals of the whole scan once these steps have cut."""
        return self.whole + line_integrals_of(self.bone.state(cut), self.carm) - self.socket


def _view_shown(planned: PlannedCup, view: View, bone: _BoneSeen, frame: Frame, others: Sequence[View]) -> ViewShown:
    cup, steps, carm = planned.cup, planned.reamers, bone.carm
    points = {mark: each.lps_mm for mark, each in planned.anatomy.landmarks.items()}
    seen = sight(carm, planned.plan.side, points, planned.hip_bone, cup.rim)
    grey = _Grey(bone.whole)
    stages = []
    for index, step in enumerate(steps):
        for stage in Stage:
            rim = stage_rim(step, stage)
            so_far = step_along(step.diameter_mm, rim.center_lps_mm, step.direction_lps, stage.share * step.travel_mm)
            earlier = steps[:index]
            left = bone.reamed((*earlier, *([] if stage is Stage.START else [so_far])))
            pixels = grey(with_shell(left, carm, rim, REAMER_SHELL_MM, "iron"))
            stages.append(StageShown(index + 1, step.diameter_mm, stage, rim, read_screen(seen, rim, earlier), pixels))

    def cup_picture(rim: Circle) -> Pixels:
        bed = step_along(cup.outer_diameter_mm, rim.center_lps_mm, -rim.normal_lps)
        left = bone.reamed((*steps, bed))
        return grey(with_shell(left, carm, rim, cup.shell_thickness_mm, "titanium"))

    seated = StageShown(
        None, cup.outer_diameter_mm, Stage.SEATED, cup.rim, read_screen(seen, cup.rim, steps), cup_picture(cup.rim)
    )
    mistakes = []
    for mistake in Mistake:
        try:
            found = misplaced(mistake, cup.rim, seen, frame, steps, others)
        except InputError as error:
            if error.code not in _BEYOND_ANY_CUP:
                raise
            continue
        pictured = view.name == MISTAKES_SHOWN_IN and mistake in PICTURED
        mistakes.append(MistakeShown(found, cup_picture(found.rim) if pictured else None))
    uncertainty = {mark: each.uncertainty_mm for mark, each in planned.anatomy.landmarks.items()}
    spread = landmark_spread(seen, cup.rim, uncertainty, steps)
    return ViewShown(view, carm, seen, tuple(stages), seated, tuple(mistakes), spread)


def _own_beds(planned: PlannedCup) -> list[ReamingStep]:
    """The cup's own bed where it is planned, and a little deeper and outside: all that pictures may take away."""
    cup = planned.cup
    inward = -cup.opening_axis_lps
    return [step_along(cup.outer_diameter_mm, cup.center_lps_mm + way * inward, inward) for way in (-4.0, 4.0)]


def _wall_view(planned: PlannedCup, frame: Frame) -> tuple[WallView, WallPlace, CArm] | None:
    wall = planned.wall
    if wall.breached:
        return None
    place = wall_place(planned.cavity.floors, wall.minimum_from_lps_mm, wall.minimum_mm, planned.hip_bone)
    if place is None:
        return None
    side = planned.plan.side
    own = {f"{side}_hip_bone", f"{side}_femur"}
    others = {name: mesh for name, mesh in planned.anatomy.surfaces.items() if name not in own}
    found = find_wall_view(place, others, frame, side)
    middle = 0.5 * (place.at_lps_mm + planned.cup.center_lps_mm)
    return found, place, found.view.carm.detail(middle, _WALL_HALF_MM, COLUMNS)


def _wall_shown(found: WallView, place: WallPlace, carm: CArm, planned: PlannedCup, bone: _Bone) -> WallShown:
    seen = bone.seen_from(carm)
    pixels = _Grey(seen.whole)(seen.reamed(planned.reamers))
    return WallShown(found, place, carm, pixels)


def _detail(planned: PlannedCup, view: View, frame: Frame) -> CArm:
    medial = -planned.plan.side.lateral_sign * frame.left
    middle: Array = np.asarray(planned.cup.center_lps_mm + _MEDIAL_MM * medial + _UP_MM * frame.superior)
    return view.carm.detail(middle, _HALF_MM, COLUMNS)


class _Grey:
    """One grey scale for all pictures of a view: three quarters of it for bone, the rest for metal."""

    def __init__(self, integrals: Integrals) -> None:
        body = integrals[integrals > 0.05 * integrals.max()]
        low, dense, most = (float(v) for v in np.percentile(body, [8.0, 95.0, 99.7])) if body.size else (0.0, 1.0, 1.0)
        # metal elsewhere in the picture must not take the grey scale
        width = max(min(most - low, _DENSEST_BONE * (dense - low)), 1e-3)
        self._bone_most, self._softness = low + width, 0.1 * width
        self._display = Display(window=(low, low + 1.33 * width))

    def __call__(self, integrals: Integrals) -> Pixels:
        return render(metal_compressed(integrals, self._bone_most, self._softness), self._display)
