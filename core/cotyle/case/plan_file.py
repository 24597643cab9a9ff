"""plan.json: what the surgeon chose. All else follows from it and from the scan."""

from __future__ import annotations

from typing import Annotated, Any, Literal, Self

from pydantic import Field, SerializerFunctionWrapHandler, model_serializer, model_validator

from cotyle.anatomy.findings import Grade
from cotyle.case.schema import FileModel, Strict, Vector
from cotyle.cup.component import LARGEST_CUP_MM, SMALLEST_CUP_MM
from cotyle.cup.orientation import Definition
from cotyle.cup.proposal import Limit
from cotyle.cup.reaming import FIRST_UNDER_MM, LAST_UNDER_MM
from cotyle.space.side import Side

FrameName = Literal["app", "supine", "standing"]
Degrees = Annotated[float, Field(ge=-180, le=180, allow_inf_nan=False)]
TiltChange = Annotated[float, Field(ge=-60, le=60, allow_inf_nan=False)]
WallLeft = Annotated[float, Field(ge=0, le=30, allow_inf_nan=False)]
ShiftLength = Annotated[float, Field(ge=-60, le=60, allow_inf_nan=False)]
CupDiameter = Annotated[float, Field(ge=SMALLEST_CUP_MM, le=LARGEST_CUP_MM, allow_inf_nan=False)]


class OrientationChoice(Strict):
    """Two angles with the definition and the frame without which they mean nothing."""

    inclination_deg: Degrees
    anteversion_deg: Degrees
    definition: Definition
    frame: FrameName


class Targets(Strict):
    """What the plan aims at, and how far off still counts as met.

    Angles: 40 deg of radiographic inclination and 17.5 deg of anteversion (the middle of the usual 15 to 20; common
    practice, no source) in the supine frame; within 10 deg, the half width of Lewinnek et al., J Bone Joint Surg Am
    1978;60:217-20. The zone is a habit of the trade, not a promise against dislocation. Shifts are of the hip centre
    from the native one in the same frame; without a medial one, the centre goes in until a wanted wall is reached.
    """

    inclination_deg: Degrees = 40.0
    anteversion_deg: Degrees = 17.5
    inclination_tolerance_deg: Annotated[float, Field(gt=0, le=45, allow_inf_nan=False)] = 10.0
    anteversion_tolerance_deg: Annotated[float, Field(gt=0, le=45, allow_inf_nan=False)] = 10.0
    definition: Definition = Definition.RADIOGRAPHIC
    frame: FrameName = "supine"
    wall_along_axis_mm: WallLeft = 5.0
    """Way that should stay along the axis from the pole of the cavity to the inner surface."""
    least_wall_mm: WallLeft = 2.0
    """Distance that should stay everywhere between cavity and inner surface."""
    medial_mm: ShiftLength | None = None
    superior_mm: ShiftLength = 0.0
    anterior_mm: ShiftLength = 0.0


class CupChoice(Strict):
    """The cup. Of a plan that is begun, any field may be absent and is then proposed; ``proposed`` names those."""

    center_lps_mm: Vector | None = None
    outer_diameter_mm: CupDiameter | None = None
    orientation: OrientationChoice | None = None
    proposed: tuple[Literal["center_lps_mm", "outer_diameter_mm", "orientation"], ...] = ()
    notes: tuple[str, ...] = ()
    """What the reader must know about the proposed centre."""
    limited_by: Limit | None = None
    """What stopped the proposed cup on its way in."""


class PostureChoice(Strict):
    """How the pelvis stands and sits compared with how it lies."""

    standing_tilt_change_deg: TiltChange = 0.0
    """Change of anterior tilt from lying to standing; negative where the pelvis tilts back."""
    measured: bool = False
    """Whether the change on standing was measured in this patient, or merely assumed."""
    seated_tilt_change_deg: TiltChange | None = None
    """Change of anterior tilt from lying to sitting; None where nobody gave it. No cup is placed by it."""

    @model_serializer(mode="wrap")
    def _without_what_nobody_gave(self, fields: SerializerFunctionWrapHandler) -> dict[str, Any]:
        """Leave the seated change out where there is none: such a plan stays as it was written before, byte for byte,
        and so do the digests that tell plans apart."""
        content: dict[str, Any] = fields(self)
        if self.seated_tilt_change_deg is None:
            content.pop("seated_tilt_change_deg", None)
        return content


class ReamingChoice(Strict):
    """How much smaller than the cup the first and the last reamer are."""

    first_under_mm: Annotated[float, Field(gt=0, le=10, allow_inf_nan=False)] = FIRST_UNDER_MM
    last_under_mm: Annotated[float, Field(ge=0, le=10, allow_inf_nan=False)] = LAST_UNDER_MM

    @model_validator(mode="after")
    def _grow(self) -> Self:
        if self.last_under_mm >= self.first_under_mm:
            raise ValueError("the last reamer must be larger than the first")
        return self


class GivenPoint(Strict):
    """A landmark as it was given."""

    lps_mm: Vector
    uncertainty_mm: Annotated[float, Field(ge=0, allow_inf_nan=False)]


class GivenLabels(Strict):
    """Labels that were given: the bones they drew, how much of each changed (of a correction), and their digest."""

    bones: tuple[str, ...]
    changed_ml: dict[str, Annotated[float, Field(ge=0, allow_inf_nan=False)]] = Field(default_factory=dict)
    digest: str


class Corrections(Strict):
    """What the user gave in place of what was found: points by name, and label maps in the order they were given."""

    landmarks: dict[str, GivenPoint] = Field(default_factory=dict)
    labels: tuple[GivenLabels, ...] = ()


class PlanVerdict(Strict):
    """How far the plan may be used; measurements.json says why and where to look."""

    grade: Grade
    text: str
    hips: dict[Side, Grade]


class PlanFile(FileModel):
    """The whole of plan.json. ``verdict`` and ``given`` are written by the program, not chosen."""

    schema_name: Literal["cotyle/plan"] = Field(default="cotyle/plan", alias="schema")
    version: Literal[1] = 1
    side: Side
    cup: CupChoice = CupChoice()
    targets: Targets = Targets()
    posture: PostureChoice = PostureChoice()
    reaming: ReamingChoice = ReamingChoice()
    given: Corrections = Corrections()
    verdict: PlanVerdict | None = None
