"""Plan against real pictures: pose of each C-arm, levelling, the cup in the pictures and how it differs from the plan.

Pure functions; nothing here writes a file.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from cotyle.case.picture_start import PictureOfView, Start, start_of
from cotyle.case.stages import MEASURING_FRAME, PlannedCup, Progress
from cotyle.cup.orientation import Definition
from cotyle.image.volume import Volume
from cotyle.space.arrays import Array
from cotyle.xray.carm import CArm
from cotyle.xray.cup_in_picture.candidate import Candidate
from cotyle.xray.cup_in_picture.measure import CupInPicture
from cotyle.xray.cup_in_picture.orientation_deviation import (
    KnownOrientation,
    KnownShift,
    known_orientations,
    known_shift,
)
from cotyle.xray.cup_in_picture.several_views import PlacedPicture, measure_cup_in_views
from cotyle.xray.levelling.levelling import Levelling, levelling_of
from cotyle.xray.levelling.point_pose import PointPose
from cotyle.xray.registration.bone_model import BoneModel, bone_model
from cotyle.xray.registration.joined import JoinedViews, join_views, register_views
from cotyle.xray.registration.motion import pose_between
from cotyle.xray.registration.register import Registration, register
from cotyle.xray.verdict import Verdict
from cotyle.xray.views import view_angles_deg


@dataclass(frozen=True, eq=False)
class ComparedPicture:
    """A picture, its pose, and how the pelvis lies to its beam.

    ``levelling`` is by the pose, or by clicked points where the pose failed (``leveled_by_points``), else None.
    """

    picture: PictureOfView
    registration: Registration
    by_points: PointPose | None
    levelling: Levelling | None

    @property
    def leveled_by_points(self) -> bool:
        """Whether the levelling rests on clicked points alone."""
        return self.levelling is not None and self.registration.verdict is Verdict.FAILED


@dataclass(frozen=True, eq=False)
class FoundCup:
    """The cup that was found, against the plan.

    Parameters
    ----------
    measured:
        As found in the pictures.
    orientations:
        By frame and definition, with deviations.
    shift:
        From the planned centre to the one found, in the supine frame.
    depth_left_mm, depth_left_sd_mm:
        How far the dome's floor still stands from the planned floor along the planned axis; negative beyond it.
    """

    measured: CupInPicture
    orientations: dict[str, dict[Definition, KnownOrientation]]
    shift: KnownShift
    depth_left_mm: float
    depth_left_sd_mm: float


@dataclass(frozen=True, eq=False)
class Comparison:
    """Everything that was read off the pictures.

    Parameters
    ----------
    pictures:
        In the order given.
    joined:
        How the pictures fit together, where the machine's own motion between them is known.
    cup:
        None where no cup was found; then ``cup_reasons`` says why.
    verdict, doubts:
        Of the whole, and what is said of it.
    """

    pictures: tuple[ComparedPicture, ...]
    joined: JoinedViews | None
    cup: FoundCup | None
    cup_reasons: tuple[str, ...]
    cup_diameter_mm: float
    verdict: Verdict
    doubts: tuple[str, ...]


def compare(
    planned: PlannedCup,
    scan: Volume,
    labels: Volume,
    pictures: Sequence[PictureOfView],
    cup_diameter_mm: float,
    progress: Progress = lambda _: None,
) -> Comparison:
    """Find where each C-arm stood and how the cup in the pictures lies against the plan.

    Parameters
    ----------
    planned, scan, labels:
        The case; the label map on the scan's grid.
    pictures:
        One or more of the same moment. Where each tells its machine's angles, they are matched together.
    cup_diameter_mm:
        Outer diameter of the cup, or of the reamer, that they show.

    Raises
    ------
    InputError
        ``picture-geometry`` where the machine is not known, and those of reading the cup.
    """
    starts = [start_of(planned, each) for each in pictures]
    progress("making the bone ready")
    bone = bone_model(scan, labels)
    progress("matching the pictures" if len(pictures) > 1 else "matching the picture")
    alone = _registered(pictures, starts, bone)
    found = [_allowing_for_scale(each, picture.pitch_sd) for each, picture in zip(alone, pictures, strict=True)]
    joined = _joined(planned, pictures, [start.nominal for start in starts], found)
    registrations = tuple(found) if joined is None else joined.registrations
    compared = tuple(
        ComparedPicture(each, registration, start.by_points, _levelling(planned, each, registration, start.by_points))
        for each, registration, start in zip(pictures, registrations, starts, strict=True)
    )
    progress("measuring the cup")
    # a wrong scale moves cup and bone of one picture alike: what is told of one against the other hardly feels it
    cup, reasons = _found_cup(planned, compared, alone if joined is None else registrations, cup_diameter_mm)
    verdict, doubts = _verdict(compared, cup)
    return Comparison(compared, joined, cup, reasons, cup_diameter_mm, verdict, doubts)


def _allowing_for_scale(found: Registration, pitch_sd: float) -> Registration:
    """Return a pose whose covariance allows for a pixel pitch that is known to a share of it only.

    What tells pixels and distance to the detector apart is their quotient: an error of one is one of the other.
    """
    change = pitch_sd * found.machine.pose_change[:, 0]
    return replace(found, covariance=found.covariance + np.outer(change, change))


def _registered(pictures: Sequence[PictureOfView], starts: Sequence[Start], bone: BoneModel) -> list[Registration]:
    """Register each picture; where the machine's own motion between them is known, as one."""
    roughs = [start.rough for start in starts]
    shown = [each.radiograph for each in pictures]
    if len(pictures) < 2 or any(each.turned_to_deg is None for each in pictures):
        return [register(picture, rough, bone) for picture, rough in zip(shown, roughs, strict=True)]
    # the one with clicked points, if any, says how the patient lies to the machine
    leader = next((place for place, start in enumerate(starts) if start.by_points is not None), 0)
    nominal = starts[leader].nominal
    lie = pose_between(nominal, roughs[leader].carm)
    there = [
        _about_same_isocenter(nominal, start.nominal, pictures[leader], each)
        for start, each in zip(starts, pictures, strict=True)
    ]
    tied = [
        replace(rough, carm=carm.moved(lie), sd=roughs[leader].sd) for rough, carm in zip(roughs, there, strict=True)
    ]
    return register_views(shown, tied, bone)


def _joined(
    planned: PlannedCup, pictures: Sequence[PictureOfView], nominal: Sequence[CArm], found: Sequence[Registration]
) -> JoinedViews | None:
    known = all(each.turned_to_deg is not None for each in pictures)
    if len(pictures) < 2 or not known or any(each.verdict is Verdict.FAILED for each in found):
        return None
    # the machine turned about its isocentre; all that lies between the rough and the found pose of the first picture is
    # how the patient lies to the machine, and holds for the others, too
    lie = pose_between(nominal[0], found[0].carm)
    expected = [
        _about_same_isocenter(nominal[0], each, pictures[0], picture).moved(lie)
        for each, picture in zip(nominal[1:], pictures[1:], strict=True)
    ]
    return join_views(found, expected, planned.cup.center_lps_mm)


def _about_same_isocenter(first: CArm, other: CArm, of_first: PictureOfView, of_other: PictureOfView) -> CArm:
    """Return the other pose with its isocentre put where the first one's lies."""

    def isocenter(carm: CArm, picture: PictureOfView) -> Array:
        distance = picture.radiograph.geometry.source_isocenter_mm
        assert distance is not None
        return np.asarray(carm.source_lps_mm + distance * carm.normal_lps)

    shift = isocenter(first, of_first) - isocenter(other, of_other)
    return replace(
        other,
        source_lps_mm=other.source_lps_mm + shift,
        detector_origin_lps_mm=other.detector_origin_lps_mm + shift,
    )


def _levelling(
    planned: PlannedCup, picture: PictureOfView, registration: Registration, by_points: PointPose | None
) -> Levelling | None:
    if registration.verdict is not Verdict.FAILED:
        carm, covariance = registration.carm, registration.lps_covariance_at(planned.cup.center_lps_mm)
    elif by_points is not None:
        carm, covariance = by_points.carm, by_points.covariance
    else:
        return None
    angles = view_angles_deg(picture.view, planned.plan.side)
    return levelling_of(carm, planned.pelvis.frames, angles, covariance=covariance)


def _found_cup(
    planned: PlannedCup, compared: Sequence[ComparedPicture], poses: Sequence[Registration], diameter_mm: float
) -> tuple[FoundCup | None, tuple[str, ...]]:
    usable = [
        (each.picture, pose)
        for each, pose in zip(compared, poses, strict=True)
        if each.registration.verdict is not Verdict.FAILED
    ]
    if not usable:
        return None, ("without a pose of the C-arm no cup is measured",)
    center = planned.cup.center_lps_mm
    placed = [
        PlacedPicture(
            picture.radiograph,
            pose.carm,
            pose.lps_covariance_at(center),
            picture.rim_px,
            pose.verdict,
        )
        for picture, pose in usable
    ]
    measured = measure_cup_in_views(placed, diameter_mm, planned.cup, center)
    if measured.taken is None or measured.verdict is Verdict.FAILED:
        return None, measured.notes
    frames = planned.pelvis.frames
    depth, sd = _depth_left(planned, measured.taken)
    orientations = known_orientations(measured.taken, frames.values(), planned.plan.side)
    shift = known_shift(measured.taken, planned.cup, frames[MEASURING_FRAME])
    return FoundCup(measured, orientations, shift, depth, sd), measured.notes


def _depth_left(planned: PlannedCup, found: Candidate) -> tuple[float, float]:
    """Return the way from the dome's floor to the planned floor along the planned axis, and its deviation."""
    axis, last = planned.cup.opening_axis_lps, planned.reamers[-1]
    floor = float(last.end_center_lps_mm @ axis) - 0.5 * last.diameter_mm
    here = float(found.rim.center_lps_mm @ axis) - found.rim.radius_mm
    return here - floor, float(np.sqrt(axis @ found.covariance[:3, :3] @ axis))


def _verdict(compared: Sequence[ComparedPicture], cup: FoundCup | None) -> tuple[Verdict, tuple[str, ...]]:
    doubts = []
    for number, each in enumerate(compared, start=1):
        where = f"picture {number}: " if len(compared) > 1 else ""
        doubts += [where + reason for reason in (*each.registration.reasons, *each.picture.radiograph.doubts)]
        if each.by_points is not None:
            doubts += [f"{where}clicked points: {doubt.text}" for doubt in each.by_points.doubts]
        if each.leveled_by_points:
            doubts.append(f"{where}levelled by the clicked points alone")
    verdicts = [each.registration.verdict for each in compared]
    if all(verdict is Verdict.FAILED for verdict in verdicts):
        return Verdict.FAILED, tuple(doubts)
    cup_sure = cup is not None and cup.measured.verdict is Verdict.CONVERGED
    sure = cup_sure and all(verdict is Verdict.CONVERGED for verdict in verdicts)
    return (Verdict.CONVERGED if sure else Verdict.DOUBTFUL), tuple(doubts)
