"""measurements.json: everything that was measured on the scan and on the planned cup.

Millimetres, degrees, LPS. Field names carry units; each orientation stands under its frame and its definition.
"""

from __future__ import annotations

from typing import ClassVar, Literal

from pydantic import Field

from cotyle.anatomy.findings import Concern, Grade
from cotyle.case.plan_file import GivenLabels
from cotyle.case.produced_by import ProducedBy
from cotyle.case.schema import FileModel, Finite, Strict, Vector
from cotyle.case.verdict import Verdict
from cotyle.cup.orientation import Definition
from cotyle.space.side import Side


class Doubt(Strict):
    """A doubt that the reader must see first."""

    code: str
    text: str


class FindingFacts(Strict):
    """What is doubtful about the anatomy, for programs: grade, the results it touches, the hip (None: both)."""

    code: str
    text: str
    grade: Grade
    concerns: tuple[Concern, ...]
    side: Side | None
    landmarks: tuple[str, ...]
    places_lps_mm: tuple[Vector, ...]


class ScanFacts(Strict):
    """The scan without its patient: ``series`` is a digest of the series' identity, not the identity."""

    voxel_mm: Vector
    size: tuple[int, int, int]
    series: str
    repairs: tuple[str, ...] = ()


class LandmarkFacts(Strict):
    """One landmark."""

    lps_mm: Vector
    origin: str
    uncertainty_mm: Finite


class PelvisFacts(Strict):
    """Posture of the pelvis on the table, with one standard deviation each."""

    anterior_tilt_deg: Finite
    rotation_to_left_deg: Finite
    left_up_deg: Finite
    standing_tilt_change_deg: Finite
    uncertainty_deg: dict[str, Finite] = Field(default_factory=dict)


class Angles(Strict):
    """Inclination and anteversion."""

    inclination_deg: Finite
    anteversion_deg: Finite


class WayFacts(Strict):
    """One way to know the socket's sphere; ``away_mm`` is how far its centre lies from the one that was taken."""

    name: str
    center_lps_mm: Vector
    diameter_mm: Finite
    away_mm: Finite
    center_uncertainty_mm: Finite
    diameter_uncertainty_mm: Finite


class DisplacementFacts(Strict):
    """Where a head lies that has left its socket, in the anterior pelvic plane; the native socket is the true one."""

    lateral_mm: Finite
    anterior_mm: Finite
    superior_mm: Finite
    in_false_socket: bool


class NativeFacts(Strict):
    """The patient's own socket. A value that could not be read is absent, and a warning says why."""

    center_lps_mm: Vector
    diameter_mm: Finite
    opening_axis_lps: Vector
    orientation: dict[str, dict[Definition, Angles]]
    opposite_center_mirrored_lps_mm: Vector | None = None
    lateral_center_edge_angle_deg: Finite | None = None
    acetabular_index_deg: Finite | None = None
    sharp_angle_deg: Finite | None = None
    extrusion_index: Finite | None = None
    anterior_sector_angle_deg: Finite | None = None
    posterior_sector_angle_deg: Finite | None = None
    crowe_group: str | None = None
    crowe_subluxation: Finite | None = None
    head_displacement: DisplacementFacts | None = None
    ways: list[WayFacts] = Field(default_factory=list)
    uncertainty: dict[str, Finite] = Field(default_factory=dict)


class CupFacts(Strict):
    """The planned cup and the generic parts that fit it."""

    center_lps_mm: Vector
    opening_axis_lps: Vector
    outer_diameter_mm: Finite
    liner_outer_diameter_mm: Finite
    liner_thickness_mm: Finite
    head_diameter_mm: Finite


class FrameFacts(Strict):
    """A frame: origin and axes in LPS."""

    origin_lps_mm: Vector
    left: Vector
    posterior: Vector
    superior: Vector


class WallFacts(Strict):
    """The medial wall behind the finished cavity."""

    along_axis_mm: Finite
    advance_mm: Finite
    minimum_mm: Finite
    minimum_at_lps_mm: Vector
    breached: bool
    uncertainty_mm: Finite
    minimum_uncertainty_mm: Finite | None = None


class SectorFacts(Strict):
    """Share covered in each quarter, 0 to 1."""

    superior: Finite
    anterior: Finite
    posterior: Finite
    inferior: Finite


class CoverageFacts(Strict):
    """Share of the bone-facing surface in host bone, 0 to 1; ``near_fraction`` also counts gaps up to 1 mm."""

    fraction: Finite
    sectors: SectorFacts
    uncertainty: Finite | None = None
    near_fraction: Finite
    uncovered_arc_deg: Finite | None = None
    superolateral_overhang_mm: Finite | None = None


class Shift(Strict):
    """A shift of the hip centre in anatomical words, in the frame named beside it."""

    medial: Finite
    superior: Finite
    anterior: Finite


class CenterShiftFacts(Strict):
    """Shift of the hip centre; lengthening and offset are what it does to the leg, all else unchanged."""

    frame: str
    from_native_mm: Shift
    from_opposite_mm: Shift | None = None
    leg_length_change_mm: Finite | None = None
    offset_change_mm: Finite | None = None
    uncertainty_mm: Finite | None = None


class ReamingStepFacts(Strict):
    """One reamer: where it starts, where it stops, what it takes and what it leaves."""

    diameter_mm: Finite
    start_center_lps_mm: Vector
    end_center_lps_mm: Vector
    direction_lps: Vector
    removed_ml: Finite
    wall_along_axis_mm: Finite
    wall_minimum_mm: Finite
    breached: bool
    engages: str
    path_mm: Shift
    from_native_mm: Shift
    crescent_mm: Finite
    crescent_at_end_mm: Finite


class ReamingAdvice(Strict):
    """What the first reamer should do so that the centre doesn't rise; inclination is radiographic."""

    raises: bool
    text: str
    straight_rise_mm: Finite
    excess_rise_mm: Finite
    first_direction_inclination_deg: Finite | None
    frame: str


class PressFitFacts(Strict):
    """Cup minus last reamer, and how far it stands proud before it is seated."""

    interference_mm: Finite
    proud_mm: Finite


class ScreenStageFacts(Strict):
    """One reamer at one stage on one view, or the seated cup (``step`` None), with its cues."""

    step: int | None
    diameter_mm: Finite
    stage: str
    center_lps_mm: Vector
    cues: dict[str, Finite | str | None]


class MistakeFacts(Strict):
    """A wrong cup on one view: change of each cue from the plan, and the one that tells it best.

    ``best_telling`` is that change over the reading error; where it is below 1 no cue tells (``told`` False), and
    ``other_view`` is the view that shows it best.
    """

    mistake: str
    told: bool
    best_cue: str
    best_telling: Finite
    changes: dict[str, Finite]
    other_view: str | None = None
    other_view_telling: Finite | None = None


class WallViewFacts(Strict):
    """The C-arm view that shows the least wall; angles are DICOM positioner angles, level in ``frame``.

    ``bone_mm``: how much of the wall is bone, not soft tissue of the fossa. ``reading_mm`` is what the outlines read
    with the magnification taken out, ``ap_reading_mm`` what they read straight through the front. Tolerances: the turn
    that changes the reading by 1 mm, None where 20 degrees don't. ``edge_mm``: bone a ray loses at the inner surface.
    """

    frame: str
    tube: str
    primary_deg: Finite
    secondary_deg: Finite
    within_reach: bool
    off_grazing_deg: Finite
    wall_minimum_mm: Finite
    bone_mm: Finite
    reading_mm: Finite
    reading_over_wall: Finite
    ap_reading_mm: Finite
    detector_mm_per_mm: Finite
    primary_tolerance_deg: Finite | None
    secondary_tolerance_deg: Finite | None
    edge_mm: Finite
    hidden: bool
    doubtful: bool
    overlap_mm: dict[str, Finite]


class Measurements(FileModel):
    """The whole of measurements.json."""

    remedy: ClassVar[str] = "Measure the case again"
    schema_name: Literal["cotyle/measurements"] = Field(default="cotyle/measurements", alias="schema")
    version: Literal[1] = 1
    software: str
    produced_by: ProducedBy | None = None
    synthetic: bool = False
    side: Side
    ct: ScanFacts
    landmarks: dict[str, LandmarkFacts]
    pelvis: PelvisFacts
    native: NativeFacts
    cup: CupFacts
    orientation: dict[str, dict[Definition, Angles]]
    orientation_uncertainty_deg: dict[str, Angles] = Field(default_factory=dict)
    frames: dict[str, FrameFacts]
    wall: WallFacts
    coverage: CoverageFacts
    center_shift: CenterShiftFacts
    reaming: tuple[ReamingStepFacts, ...]
    reaming_advice: ReamingAdvice
    press_fit: PressFitFacts
    cues: dict[str, dict[str, Finite | str | bool | None]] = Field(default_factory=dict)
    reaming_cues: dict[str, tuple[ScreenStageFacts, ...]] = Field(default_factory=dict)
    cup_mistakes: dict[str, tuple[MistakeFacts, ...]] = Field(default_factory=dict)
    cue_uncertainty: dict[str, dict[str, Finite]] = Field(default_factory=dict)
    """By view, one standard deviation of the seated cup's cues, as far as landmarks leave it open."""
    reading_errors: dict[str, Finite] = Field(default_factory=dict)
    """How finely a surgeon is taken to read each cue, one standard deviation: our choice."""
    wall_view: WallViewFacts | None = None
    bone_quality: dict[str, Finite | str | bool] = Field(default_factory=dict)
    edge_shares: dict[str, dict[str, Finite]] = Field(default_factory=dict)
    """By bone, the share of its vertices by what put them where they are: clear, prior, metal, outside, drawn."""
    given_labels: tuple[GivenLabels, ...] = ()
    verdict: Verdict
    findings: tuple[FindingFacts, ...] = ()
    warnings: tuple[Doubt, ...] = ()
