"""The pipeline as pure functions: scan, anatomy, plan. Nothing here writes a file."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from cotyle.anatomy.bone_quality import BoneQuality, judge_bones, require_pelvis, require_shown
from cotyle.anatomy.bones import Bones, segment_bones
from cotyle.anatomy.findings import Finding
from cotyle.anatomy.given_bones import bones_from_labels
from cotyle.anatomy.landmark_files import check_inside
from cotyle.anatomy.landmarks import Landmark
from cotyle.anatomy.pelvis import Pelvis
from cotyle.anatomy.seeds import seeds_from
from cotyle.anatomy.socket import Socket
from cotyle.anatomy.survey import Survey, survey_anatomy
from cotyle.case.anatomy_file import Anatomy, ScanSource
from cotyle.case.json_text import DECIMALS
from cotyle.case.plan_file import CupChoice, OrientationChoice, PlanFile
from cotyle.case.schema import validated
from cotyle.cup import proposal
from cotyle.cup.cavity import Cavity, ReamingStep
from cotyle.cup.component import Cup
from cotyle.cup.coverage import Coverage, measure_coverage
from cotyle.cup.depth_track import DepthTrack, depth_track
from cotyle.cup.inner_surface import InnerSurface, inner_surface
from cotyle.cup.orientation import Orientation, axis_from_orientation
from cotyle.cup.reaming import FirstDirection, StepResult, assess_reaming, default_steps, first_direction
from cotyle.cup.wall import Wall, measure_wall
from cotyle.errors import InputError
from cotyle.image.label_files import read_labels
from cotyle.image.labels import hip_bone
from cotyle.image.read import read_volume
from cotyle.image.series_info import SeriesInfo
from cotyle.image.verdict import Severity
from cotyle.image.volume import Volume
from cotyle.space.arrays import Array
from cotyle.space.frames import Frame
from cotyle.space.mesh import TriangleMesh
from cotyle.space.side import Side

Progress = Callable[[str], None]
MEASURING_FRAME = "supine"
"""Frame of the words medial, superior, anterior in shifts, sectors and paths."""


@dataclass(frozen=True, eq=False)
class FoundAnatomy:
    """The anatomy to keep, and the label map on the grid of the scan."""

    anatomy: Anatomy
    labels: Volume


@dataclass(frozen=True, eq=False)
class PlannedCup:
    """A plan and all that was measured on it; the source of measurements.json and of the report."""

    plan: PlanFile
    anatomy: Anatomy
    pelvis: Pelvis
    socket: Socket
    cup: Cup
    steps: tuple[StepResult, ...]
    first: FirstDirection
    wall: Wall
    coverage: Coverage
    coverage_uncertainty: float
    track: DepthTrack

    @property
    def cavity(self) -> Cavity:
        """What the reamers leave."""
        return Cavity(self.reamers)

    @property
    def reamers(self) -> tuple[ReamingStep, ...]:
        """The steps without their results."""
        return tuple(result.step for result in self.steps)

    @property
    def hip_bone(self) -> TriangleMesh:
        """The hip bone that receives the cup."""
        return self.anatomy.surfaces[hip_bone(self.plan.side)]


def read_scan(path: Path, series: str | None, repair: bool) -> tuple[Volume, SeriesInfo]:
    """Read a scan that is to be planned on; errors as in :func:`cotyle.image.read.read_volume`."""
    return read_volume(path, series=series, repair=repair, for_planning=True)


def find_anatomy(
    scan: Volume,
    info: SeriesInfo,
    side: Side,
    given: Mapping[str, Landmark],
    labels: Path | None = None,
    label_names: Path | None = None,
    progress: Progress = lambda _: None,
) -> FoundAnatomy:
    """Find bones, landmarks and sockets.

    Raises
    ------
    InputError
        ``landmark-outside`` for a given point outside the scan, ``no-pelvis``, ``side-not-in-scan``, ``field-of-view``,
        ``socket-missing``, and those of label maps.
    """
    check_inside(given, scan)
    bones = _bones(scan, info, labels, label_names, progress)
    quality = judge_bones(bones)
    require_pelvis(quality)
    require_shown(bones, side)
    progress("finding landmarks and sockets")
    survey = survey_anatomy(bones.surfaces, seeds_from(bones.correspondence), given, in_image=scan.contains)
    survey.socket(side)
    doubts = _doubts(info, quality, survey)
    source = ScanSource(info.voxel_mm, info.size, info.series_hash, info.repairs, is_synthetic(info), bones.origin)
    anatomy = Anatomy(
        source,
        bones.correspondence.blur,
        bones.surfaces,
        survey.landmarks,
        survey.sockets,
        doubts,
        _quality_numbers(quality),
    )
    return FoundAnatomy(anatomy, bones.labels)


def is_synthetic(info: SeriesInfo) -> bool:
    """Return whether the series says of itself that it was made by a program."""
    words = f"{info.description} {info.kernel}".lower()
    return "synthetic" in words or "not a person" in words


def plan_cup(anatomy: Anatomy, scan: Volume, plan: PlanFile, progress: Progress = lambda _: None) -> PlannedCup:
    """Propose what the plan leaves open and measure the cup.

    The result's plan holds the cup in full, with numbers rounded as in its file, and every measurement is made on those
    rounded numbers: planning and measuring a file again give the same.
    """
    pelvis = anatomy.pelvis(plan.posture.standing_tilt_change_deg)
    socket = anatomy.socket(plan.side)
    bone, frame = anatomy.surfaces[hip_bone(plan.side)], pelvis.frames[MEASURING_FRAME]
    inner = inner_surface(bone, socket.center_lps_mm, -plan.side.lateral_sign * frame.left, frame.superior)
    progress("placing the cup")
    full = complete_plan(plan, pelvis, socket, _medial_floor(anatomy, socket, frame), bone, inner)
    cup = cup_of(full, pelvis)
    progress("measuring wall, coverage and reaming")
    steps = default_steps(
        cup,
        socket.center_lps_mm,
        bone,
        first_under_mm=full.reaming.first_under_mm,
        last_under_mm=full.reaming.last_under_mm,
    )
    results = assess_reaming(steps, bone, inner, frame, plan.side, socket.center_lps_mm, scan, anatomy.blur)
    wall = measure_wall(bone, inner, Cavity(steps), scan, blur=anatomy.blur, with_map=True)
    coverage = measure_coverage(bone, cup, frame)
    return PlannedCup(
        plan=full,
        anatomy=anatomy,
        pelvis=pelvis,
        socket=socket,
        cup=cup,
        steps=results,
        first=first_direction(cup, socket.center_lps_mm, frame),
        wall=wall,
        coverage=coverage,
        coverage_uncertainty=_coverage_uncertainty(bone, cup, pelvis, socket),
        track=depth_track(cup, steps, wall, bone, socket.rim_plane, scan),
    )


def complete_plan(
    plan: PlanFile, pelvis: Pelvis, socket: Socket, floor_lps_mm: Array, bone: TriangleMesh, inner: InnerSurface
) -> PlanFile:
    """Return the plan with everything proposed that it left open; the cavity goes no farther in than the floor."""
    targets, chosen = plan.targets, plan.cup
    angles = chosen.orientation or OrientationChoice(
        inclination_deg=targets.inclination_deg,
        anteversion_deg=targets.anteversion_deg,
        definition=targets.definition,
        frame=targets.frame,
    )
    wanted = proposal.Targets(
        outer_diameter_mm=chosen.outer_diameter_mm,
        inclination_deg=angles.inclination_deg,
        anteversion_deg=angles.anteversion_deg,
        definition=angles.definition,
        frame=angles.frame,
        center_lps_mm=chosen.center_lps_mm,
        medial_mm=targets.medial_mm,
        superior_mm=targets.superior_mm,
        anterior_mm=targets.anterior_mm,
        wall_along_axis_mm=targets.wall_along_axis_mm,
        least_wall_mm=targets.least_wall_mm,
        first_reamer_under_mm=plan.reaming.first_under_mm,
        last_reamer_under_mm=plan.reaming.last_under_mm,
    )
    proposed = proposal.propose(
        plan.side,
        socket.center_lps_mm,
        socket.diameter_mm,
        floor_lps_mm,
        bone,
        inner,
        pelvis.frames,
        wanted,
    )
    fields = ("center_lps_mm", "outer_diameter_mm", "orientation")
    content = {
        "center_lps_mm": tuple(round(float(x), DECIMALS) for x in proposed.cup.center_lps_mm),
        "outer_diameter_mm": round(proposed.cup.outer_diameter_mm, DECIMALS),
        "orientation": angles.model_dump(),
        "notes": proposed.notes if chosen.center_lps_mm is None else chosen.notes,
        "limited_by": proposed.limited_by if chosen.center_lps_mm is None else chosen.limited_by,
        "proposed": [name for name in fields if getattr(chosen, name) is None or name in chosen.proposed],
    }
    cup = validated(CupChoice, content, "the cup")
    return plan.model_copy(update={"cup": cup})


def cup_of(plan: PlanFile, pelvis: Pelvis) -> Cup:
    """Return the cup of a complete plan."""
    chosen = plan.cup
    if chosen.center_lps_mm is None or chosen.outer_diameter_mm is None or chosen.orientation is None:
        raise InputError("plan-incomplete", "the plan doesn't say where its cup is", "Plan the case again")
    angles = chosen.orientation
    axis = axis_from_orientation(
        Orientation(angles.inclination_deg, angles.anteversion_deg),
        angles.definition,
        pelvis.frames[angles.frame],
        plan.side,
    )
    return Cup(plan.side, np.array(chosen.center_lps_mm), axis, chosen.outer_diameter_mm)


def _bones(scan: Volume, info: SeriesInfo, labels: Path | None, label_names: Path | None, progress: Progress) -> Bones:
    if labels is None:
        return segment_bones(scan, progress)
    progress("reading the label map")
    return bones_from_labels(scan, read_labels(labels, scan, label_names, info.frame_of_reference_uid), progress)


def _medial_floor(anatomy: Anatomy, socket: Socket, frame: Frame) -> Array:
    """Return the most medial known point of the fossa's floor: its deepest one below the rim, or the teardrop."""
    points = [socket.fossa_floor_lps_mm]
    drop = anatomy.landmarks.get(f"teardrop_{socket.side}")
    if drop is not None:
        points.append(drop.lps_mm)
    return min(points, key=lambda point: socket.side.lateral_sign * float(point @ frame.left))


def _coverage_uncertainty(bone: TriangleMesh, cup: Cup, pelvis: Pelvis, socket: Socket) -> float:
    """Return how far coverage changes when the bone lies one standard deviation of the native centre elsewhere."""
    lateral = cup.side.lateral_sign * pelvis.supine.left
    frame = pelvis.frames[MEASURING_FRAME]
    both = [
        measure_coverage(bone, cup.moved(sign * socket.center_uncertainty_mm * lateral), frame, points=5000).fraction
        for sign in (-1.0, 1.0)
    ]
    return abs(both[1] - both[0]) / 2


def _doubts(info: SeriesInfo, quality: BoneQuality, survey: Survey) -> tuple[Finding, ...]:
    found = [Finding("scan-repaired", f"the scan was repaired: {text}") for text in info.repairs]
    found += [Finding(f.code, f.text) for f in info.findings if f.severity is not Severity.NOTE]
    return (*found, *quality.findings, *survey.doubts)


def _quality_numbers(quality: BoneQuality) -> dict[str, float]:
    numbers = {
        "left_right_volume_ratio": quality.left_right_ratio,
        "movement_mm": quality.movement_mm,
        "match": quality.correlation,
    }
    for side, joint in quality.joints.items():
        numbers[f"joint_gap_{side}_mm"] = joint.gap_mm
        numbers[f"head_misfit_{side}_mm"] = joint.head_misfit_mm
    for name, share in quality.weak_edge_share.items():
        numbers[f"weak_edge_share_{name}"] = share
    for name, volume in quality.volume_ml.items():
        numbers[f"volume_{name}_ml"] = volume
    return {name: float(value) for name, value in numbers.items() if np.isfinite(value)}
