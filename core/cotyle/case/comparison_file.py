"""comparison-<n>.json: what was read off real pictures, against the plan. Millimetres, degrees, LPS."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, ClassVar, Literal

from pydantic import Field

from cotyle.case.measurements import Angles, Shift
from cotyle.case.produced_by import ProducedBy, produced_by
from cotyle.case.schema import FileModel, Finite, Strict, Vector
from cotyle.cup.orientation import Definition
from cotyle.xray.carm import CArm, Tube
from cotyle.xray.registration.motion import NAMES as MOTION_NAMES
from cotyle.xray.verdict import Verdict

if TYPE_CHECKING:  # reading such a file needs nothing of what made it
    from cotyle.case.comparison import ComparedPicture, Comparison, FoundCup

Pixel = tuple[Finite, Finite]


class PictureFacts(Strict):
    """The picture itself, without its patient.

    ``digest``: of its SOP Instance UID, empty where the file was no DICOM object; ``frame``: its number, where the file
    holds several; ``size``: columns and rows of the usual view; ``tube``: where it stood as stated.
    """

    digest: str
    frame: int | None
    size: tuple[int, int]
    tube: Tube


class PoseFacts(Strict):
    """Where source and detector of one picture stood, and how sure that is.

    Pixels are those of the usual view, columns to the patient's left; ``to_file_px`` takes (column, row, 1) to those
    of the file.
    ``standard_deviations`` are those of the C-arm against the bone, about the point that the view is centred on;
    ``residual_mm`` is the shift, at the bone, that would still improve single parts of the picture.
    Where the match failed nothing is known of the place: its fields are null, and no deviation is given.
    """

    view: str
    picture: PictureFacts | None = None
    verdict: Verdict
    reasons: tuple[str, ...]
    source_lps_mm: Vector | None
    detector_origin_lps_mm: Vector | None
    column_direction_lps: Vector | None
    row_direction_lps: Vector | None
    pixel_pitch_mm: Pixel
    to_file_px: tuple[tuple[Finite, Finite, Finite], tuple[Finite, Finite, Finite]]
    residual_mm: Finite | None
    explained: Finite
    standard_deviations: dict[str, Finite]
    depth_mm_per_percent_of_distance: Finite | None


class RimEllipseFacts(Strict):
    """The rim in the first picture in which the cup was found, in its usual view."""

    center_px: Pixel
    semi_major_px: Finite
    semi_minor_px: Finite
    major_axis_angle_deg: Finite | None


class CupFoundFacts(Strict):
    """The cup as found."""

    center_lps_mm: Vector
    opening_axis_lps: Vector
    outer_diameter_mm: Finite
    verdict: Verdict
    support: Finite


class TwinFacts(Strict):
    """Which of the two circles behind one ellipse was taken, how sure that is, and the other one."""

    chosen_by: str
    probability: Finite
    text: str
    other_center_lps_mm: Vector | None
    other_opening_axis_lps: Vector | None


class ComparisonUncertainty(Strict):
    """One standard deviation each; ``orientation`` in the order of ``orientation``."""

    orientation: dict[str, dict[Definition, Angles]]
    center_shift_mm: Shift
    depth_left_mm: Finite


class PlanDifference(Strict):
    """Found minus planned, by frame and definition."""

    orientation: dict[str, dict[Definition, Angles]]


class ComparisonFile(FileModel):
    """The whole of comparison-<n>.json; ``registration`` is that of the first picture, ``views`` holds all."""

    remedy: ClassVar[str] = "Compare the pictures again"
    schema_name: Literal["cotyle/comparison"] = Field(default="cotyle/comparison", alias="schema")
    version: Literal[1] = 1
    software: str
    produced_by: ProducedBy | None = None
    caution: str
    verdict: Verdict
    registration: PoseFacts
    views: tuple[PoseFacts, ...]
    views_agree: bool | None
    cup: CupFoundFacts | None
    orientation: dict[str, dict[Definition, Angles]]
    difference: PlanDifference | None
    center_shift: Shift | None
    depth_left_mm: Finite | None
    rim_ellipse: RimEllipseFacts | None
    levelling: dict[str, Any] | None
    twin_choice: TwinFacts | None
    uncertainty: ComparisonUncertainty | None
    warnings: tuple[str, ...]


def comparison_file(
    comparison: Comparison,
    planned_angles: dict[str, dict[Definition, Angles]],
    software: str,
    caution: str,
    doubts: tuple[str, ...] = (),
) -> ComparisonFile:
    """Return the file of a comparison.

    ``planned_angles`` are those of the plan, by frame and definition; ``doubts`` come before those of the comparison.
    """
    views = tuple(_pose(each) for each in comparison.pictures)
    first = comparison.pictures[0]
    cup = comparison.cup
    return ComparisonFile(
        software=software,
        produced_by=produced_by(registration=0),
        caution=caution,
        verdict=comparison.verdict,
        registration=views[0],
        views=views,
        views_agree=None if comparison.joined is None else comparison.joined.agree,
        cup=None if cup is None else _cup(cup, comparison.cup_diameter_mm),
        orientation={} if cup is None else _angles(cup),
        difference=None if cup is None else _difference(cup, planned_angles),
        center_shift=None if cup is None else _shift(cup),
        depth_left_mm=None if cup is None else cup.depth_left_mm,
        rim_ellipse=None if cup is None else _ellipse(cup),
        levelling=None if first.levelling is None else first.levelling.as_fields(),
        twin_choice=None if cup is None else _twin(cup),
        uncertainty=None if cup is None else _uncertainty(cup),
        warnings=(*doubts, *comparison.doubts, *comparison.cup_reasons),
    )


def carm_fields(carm: CArm) -> dict[str, Any]:
    """Return the fields that place a picture."""
    return {
        "source_lps_mm": _vector(carm.source_lps_mm),
        "detector_origin_lps_mm": _vector(carm.detector_origin_lps_mm),
        "column_direction_lps": _vector(carm.column_direction_lps),
        "row_direction_lps": _vector(carm.row_direction_lps),
        "pixel_pitch_mm": carm.pixel_pitch_mm,
    }


def _pose(picture: ComparedPicture) -> PoseFacts:
    registration, shown = picture.registration, picture.picture.radiograph
    residual = registration.quality.local_shift_mm
    known = registration.verdict is not Verdict.FAILED
    place: dict[str, Any] = carm_fields(registration.carm)
    if not known:
        place.update(dict.fromkeys(place.keys() - {"pixel_pitch_mm"}))
    return PoseFacts(
        view=str(picture.picture.view),
        picture=PictureFacts(digest=shown.digest, frame=shown.frame, size=shown.size, tube=registration.carm.tube),
        to_file_px=tuple(_vector(row) for row in picture.picture.to_file),  # type: ignore[arg-type]
        verdict=registration.verdict,
        reasons=registration.reasons,
        residual_mm=residual if residual < 1e6 else None,
        explained=registration.quality.explained,
        standard_deviations=dict(zip(MOTION_NAMES, map(float, registration.sd), strict=True)) if known else {},
        depth_mm_per_percent_of_distance=float(registration.machine.pose_change[5, 0]) / 100.0 if known else None,
        **place,
    )


def _cup(cup: FoundCup, diameter_mm: float) -> CupFoundFacts:
    rim = cup.measured.rim
    assert rim is not None
    return CupFoundFacts(
        center_lps_mm=_vector(rim.center_lps_mm),
        opening_axis_lps=_vector(rim.normal_lps),
        outer_diameter_mm=diameter_mm,
        verdict=cup.measured.verdict,
        support=cup.measured.support,
    )


def _angles(cup: FoundCup) -> dict[str, dict[Definition, Angles]]:
    return {
        frame: {
            each: Angles(
                inclination_deg=known.orientation.inclination_deg, anteversion_deg=known.orientation.anteversion_deg
            )
            for each, known in by_definition.items()
        }
        for frame, by_definition in cup.orientations.items()
    }


def _difference(cup: FoundCup, planned: dict[str, dict[Definition, Angles]]) -> PlanDifference:
    return PlanDifference(
        orientation={
            frame: {
                each: Angles(
                    inclination_deg=found.inclination_deg - planned[frame][each].inclination_deg,
                    anteversion_deg=found.anteversion_deg - planned[frame][each].anteversion_deg,
                )
                for each, found in by_definition.items()
                if each in planned.get(frame, {})
            }
            for frame, by_definition in _angles(cup).items()
        }
    )


def _shift(cup: FoundCup) -> Shift:
    shift = cup.shift.shift
    return Shift(medial=shift.medial, superior=shift.superior, anterior=shift.anterior)


def _ellipse(cup: FoundCup) -> RimEllipseFacts | None:
    ellipse = cup.measured.ellipse_px
    if ellipse is None:
        return None
    angle = ellipse.major_axis_angle_deg
    return RimEllipseFacts(
        center_px=(float(ellipse.center[0]), float(ellipse.center[1])),
        semi_major_px=ellipse.semi_major,
        semi_minor_px=ellipse.semi_minor,
        major_axis_angle_deg=None if angle != angle else angle,
    )


def _twin(cup: FoundCup) -> TwinFacts | None:
    choice, other = cup.measured.twin_choice, cup.measured.other_rim
    if choice is None:
        return None
    return TwinFacts(
        chosen_by=str(choice.chosen_by),
        probability=choice.probability,
        text=choice.text,
        other_center_lps_mm=None if other is None else _vector(other.center_lps_mm),
        other_opening_axis_lps=None if other is None else _vector(other.normal_lps),
    )


def _uncertainty(cup: FoundCup) -> ComparisonUncertainty:
    return ComparisonUncertainty(
        orientation={
            frame: {
                each: Angles(inclination_deg=known.inclination_sd_deg, anteversion_deg=known.anteversion_sd_deg)
                for each, known in by_definition.items()
            }
            for frame, by_definition in cup.orientations.items()
        },
        center_shift_mm=Shift(
            medial=cup.shift.medial_sd_mm, superior=cup.shift.superior_sd_mm, anterior=cup.shift.anterior_sd_mm
        ),
        depth_left_mm=cup.depth_left_sd_mm,
    )


def _vector(values: Any) -> tuple[float, float, float]:
    x, y, z = (float(value) for value in values)
    return x, y, z
