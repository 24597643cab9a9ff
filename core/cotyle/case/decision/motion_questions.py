"""What the user may give for motion: stem, liner, leg and motions of their own."""

from __future__ import annotations

from typing import Annotated, Self

from pydantic import Field, model_validator

from cotyle.case.schema import Strict
from cotyle.cup.motion.femur import CUT_ABOVE_MM, CUT_ANGLE_DEG, NeckCut
from cotyle.cup.motion.hip_pose import HipPose, Move
from cotyle.cup.motion.implant import LEAST_NECK_SHAFT_DEG, MOST_NECK_SHAFT_DEG, Liner, Stem
from cotyle.cup.motion.motions import STANDARD_MOTIONS, Motion

Turn = Annotated[float, Field(ge=-170, le=170, allow_inf_nan=False)]
Version = Annotated[float, Field(ge=-60, le=60, allow_inf_nan=False)]
Change = Annotated[float, Field(ge=-50, le=50, allow_inf_nan=False)]


class GivenStem(Strict):
    """The stem. There is no usual one: without it nothing is said of the neck."""

    version_deg: Version
    neck_shaft_deg: Annotated[float, Field(ge=LEAST_NECK_SHAFT_DEG, le=MOST_NECK_SHAFT_DEG, allow_inf_nan=False)]
    neck_diameter_mm: Annotated[float, Field(ge=4, le=25, allow_inf_nan=False)]

    def stem(self) -> Stem:
        """Return it for the core."""
        return Stem(self.version_deg, self.neck_shaft_deg, self.neck_diameter_mm)


class GivenLiner(Strict):
    """The rim of a round liner; the default is level with the middle of the head, without a chamfer."""

    face_height_mm: Annotated[float, Field(ge=-10, le=10, allow_inf_nan=False)] = 0.0
    chamfer_mm: Annotated[float, Field(ge=0, le=10, allow_inf_nan=False)] = 0.0
    chamfer_deg: Annotated[float, Field(ge=0, le=80, allow_inf_nan=False)] = 45.0

    def liner(self) -> Liner:
        """Return it for the core."""
        return Liner(self.face_height_mm, self.chamfer_mm, self.chamfer_deg)


class GivenPose(Strict):
    """A pose of the thigh; extension, adduction and external rotation are negative."""

    flexion_deg: Turn = 0.0
    abduction_deg: Turn = 0.0
    internal_rotation_deg: Turn = 0.0

    def pose(self) -> HipPose:
        """Return it for the core."""
        return HipPose(self.flexion_deg, self.abduction_deg, self.internal_rotation_deg)


class GivenCut(Strict):
    """Where the neck is cut; common practice, no source. ``from_head_mm`` takes the place of the height."""

    angle_deg: Annotated[float, Field(ge=20, le=80, allow_inf_nan=False)] = CUT_ANGLE_DEG
    above_lesser_trochanter_mm: Annotated[float, Field(ge=0, le=40, allow_inf_nan=False)] = CUT_ABOVE_MM
    from_head_mm: Annotated[float, Field(ge=5, le=70, allow_inf_nan=False)] | None = None

    def cut(self) -> NeckCut:
        """Return it for the core."""
        return NeckCut(self.angle_deg, self.above_lesser_trochanter_mm, self.from_head_mm)


class GivenMotion(Strict):
    """A motion of one's own."""

    name: Annotated[str, Field(pattern=r"^[a-z0-9_]{1,60}$")]
    start: GivenPose = GivenPose()
    move: Move
    wanted_deg: Annotated[float, Field(ge=0, le=160, allow_inf_nan=False)] | None = None

    def motion(self) -> Motion:
        """Return it for the core."""
        return Motion(
            self.name, self.start.pose(), self.move, self.wanted_deg, "" if self.wanted_deg is None else "given"
        )


class MotionQuestions(Strict):
    """What bears on motion beside the plan.

    head_diameter_mm: the largest usual head that the cup leaves room for, if not given. leg_on_table: how the leg lay
    in the scan against neutral. native_version_deg: of the native neck against the back of the condyles, from a scan of
    the knee; tells how far the leg was turned. leg_longer_mm, offset_more_mm: what the stem adds to the native femur.
    """

    stem: GivenStem | None = None
    head_diameter_mm: Annotated[float, Field(ge=16, le=70, allow_inf_nan=False)] | None = None
    liner: GivenLiner = GivenLiner()
    leg_on_table: GivenPose | None = None
    native_version_deg: Version | None = None
    leg_longer_mm: Change = 0.0
    offset_more_mm: Change = 0.0
    neck_cut: GivenCut = GivenCut()
    motions: tuple[GivenMotion, ...] = ()

    @model_validator(mode="after")
    def _each_name_once(self) -> Self:
        names = [*(each.name for each in STANDARD_MOTIONS), *(each.name for each in self.motions)]
        twice = [name for name in names if names.count(name) > 1]
        if twice:
            raise ValueError(f"there are two motions called {twice[0]}")
        return self
