"""decision/motion.json: how far the new hip moves, what stops it, and the field of cups that would let it."""

from __future__ import annotations

from typing import Literal

from pydantic import Field

from cotyle.case.decision.facts import DecisionFacts
from cotyle.case.decision.postures import Known
from cotyle.case.schema import Finite, Strict
from cotyle.cup.motion.bone_range import Ending
from cotyle.cup.motion.free_motion import First
from cotyle.cup.motion.hip_pose import Move
from cotyle.space.side import Side

RotationKnown = Literal["as it lay", "given", "from the native version"]
NeckEnding = Literal["meets the rim", "never meets the rim", "past the rim where it begins"]


class PoseFact(Strict):
    """A pose of the thigh; extension, adduction and external rotation are negative."""

    flexion_deg: Finite
    abduction_deg: Finite
    internal_rotation_deg: Finite


class PlaceFact(Strict):
    """A place from the new hip centre, in the posture's frame, hip-sided, mm."""

    lateral: Finite
    anterior: Finite
    superior: Finite


class NeckFact(Strict):
    """How far the neck lets a motion go; ``limit_deg`` is None unless it meets the rim."""

    ending: NeckEnding
    limit_deg: Finite | None


class BoneFact(Strict):
    """How far bone lets a motion go; ``limit_deg`` is None unless bone meets bone on the motion itself.

    sd_deg: one standard deviation, from that of both surfaces or of the cut; None where it isn't known. meets_at_mm: on
    the pelvis. at_cut: the femur touches with the edge of its cut.
    """

    ending: Ending
    limit_deg: Finite | None
    sd_deg: Finite | None
    meets_at_mm: PlaceFact | None
    at_cut: bool


class MotionFact(Strict):
    """One motion: where it begins, how far it goes, how far it should (``wanted_deg``) and who says so.

    limit_deg: None where nothing stops it, or where it can't begin. first: what stops it. margin_deg: limit less
    wanted; None where none is wanted or nothing stops it. can_begin: False where it is stopped before.
    """

    name: str
    start: PoseFact
    move: Move
    wanted_deg: Finite | None
    source: str
    neck: NeckFact | None
    bone: BoneFact | None
    can_begin: bool
    limit_deg: Finite | None
    first: First
    margin_deg: Finite | None

    @property
    def words(self) -> str:
        """Name for a reader."""
        return self.name.replace("_", " ")

    @property
    def short(self) -> bool:
        """Whether it falls short of what is wanted."""
        return self.wanted_deg is not None and (not self.can_begin or (self.margin_deg or 0.0) < 0.0)


class CombinedFact(Strict):
    """Sums of cup and stem version."""

    radiographic_deg: Finite
    anatomic_deg: Finite
    target_deg: tuple[Finite, Finite]
    within_target: bool
    widmer_excess_deg: Finite


class WindowFact(Strict):
    """Between which radiographic angles the neck allows every wanted motion, the other angle held; None: not here."""

    inclination_deg: tuple[Finite, Finite] | None
    anteversion_deg: tuple[Finite, Finite] | None


class ReachFact(Strict):
    """How far the thigh leans from neutral, by direction: 0 forward, 90 outward, 180 back, 270 inward.

    None where nothing is met; a list is empty where that wasn't looked at.
    """

    direction_deg: tuple[Finite, ...]
    neck_deg: tuple[Finite | None, ...]
    bone_deg: tuple[Finite | None, ...]


class PostureMotion(Strict):
    """All motions in one posture of the pelvis; the cup's angles are radiographic, in its frame.

    stem_version_for_target_deg: the stem versions that would bring the sum into the target.
    """

    anterior_tilt_deg: Finite
    how: Known
    inclination_deg: Finite
    anteversion_deg: Finite
    motions: tuple[MotionFact, ...]
    combined: CombinedFact | None
    stem_version_for_target_deg: tuple[Finite, Finite]
    window: WindowFact | None


class StemFact(Strict):
    """The stem as given."""

    version_deg: Finite
    neck_shaft_deg: Finite
    neck_diameter_mm: Finite


class NeckInLinerFact(Strict):
    """Head, liner and how far the neck leans from the opening axis before it meets the rim."""

    stem: StemFact
    head_diameter_mm: Finite
    head_given: bool
    face_height_mm: Finite
    chamfer_mm: Finite
    chamfer_deg: Finite
    free_lean_deg: Finite
    oscillation_deg: Finite


class FemurFact(Strict):
    """The femur of the CT, in neutral as it is taken.

    leg_on_table: pose that was taken off. rotation_known: how. neck_forward_deg: how far the native neck looks forward
    in neutral. cut_from_head_mm: of the neck's cut from the middle of the native head. seen_to_mm: how far below that
    the scan shows the femur. unclear_share: of its surface without a clear edge in the scan.
    """

    head_center_lps_mm: tuple[Finite, Finite, Finite]
    head_diameter_mm: Finite
    leg_on_table: PoseFact
    rotation_known: RotationKnown
    neck_forward_deg: Finite
    shaft_flexion_deg: Finite
    shaft_abduction_deg: Finite
    head_offset_mm: Finite
    cut_angle_deg: Finite
    cut_from_head_mm: Finite
    lesser_trochanter_below_head_mm: Finite | None
    seen_to_mm: Finite
    unclear_share: Finite
    leg_longer_mm: Finite
    offset_more_mm: Finite


class MapFact(Strict):
    """Least of limit less wanted angle over a field of radiographic orientations, the neck alone.

    margin_deg: a row for each anteversion; None where a wanted motion can't begin. tightest: that motion's name.
    """

    posture: str
    inclination_deg: tuple[Finite, ...]
    anteversion_deg: tuple[Finite, ...]
    margin_deg: tuple[tuple[Finite | None, ...], ...]
    tightest: tuple[tuple[str, ...], ...]


class MotionFacts(DecisionFacts):
    """The whole of decision/motion.json; ``posture`` names the one that map and reach are in."""

    schema_name: Literal["cotyle/motion"] = Field(default="cotyle/motion", alias="schema")
    version: Literal[1] = 1
    side: Side
    posture: str
    neck: NeckInLinerFact | None
    femur: FemurFact | None
    postures: dict[str, PostureMotion]
    reach: ReachFact
    map: MapFact | None
