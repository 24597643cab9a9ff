"""From a scan to its anatomy, in two stages: the bones, and all that landmarks and sockets rest on."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from cotyle.anatomy.bone_quality import BoneQuality, judge_bones, require_pelvis, require_shown
from cotyle.anatomy.findings import Concern, Finding, Grade, touching
from cotyle.anatomy.landmark_files import check_inside
from cotyle.anatomy.landmarks import APP_NAMES, Landmark, Origin
from cotyle.anatomy.made_up_slices import less_sure, made_up_findings
from cotyle.anatomy.seeds import seeds_from
from cotyle.anatomy.segmentation.bones import Bones, segment_bones
from cotyle.anatomy.segmentation.given_bones import bones_from_labels
from cotyle.anatomy.survey import Survey, survey_anatomy
from cotyle.case.anatomy_file import Anatomy, DrawnLabels, ScanSource, Skeleton
from cotyle.errors import InputError
from cotyle.image.label_files import read_labels
from cotyle.image.labels import LABEL_OF_BONE, hip_bone
from cotyle.image.series_info import SeriesInfo
from cotyle.image.verdict import Severity
from cotyle.image.volume import Volume
from cotyle.space.side import Side

Progress = Callable[[str], None]

# One standard deviation beyond which no plan is made: twice the bars for the worst error, 2.5 mm and 2 deg.
MOST_CENTER_SD_MM = 5.0
MOST_FRAME_SD_DEG = 4.0


@dataclass(frozen=True, eq=False)
class FoundBones:
    """The bones to keep, and the label map on the grid of the scan."""

    skeleton: Skeleton
    labels: Volume


def find_bones(
    scan: Volume,
    info: SeriesInfo,
    side: Side,
    labels: Path | None = None,
    label_names: Path | None = None,
    progress: Progress = lambda _: None,
) -> FoundBones:
    """Find the bones of a scan, or take those of a label map.

    Raises
    ------
    InputError
        ``no-pelvis``, ``side-not-in-scan``, ``field-of-view``, and those of label maps.
    """
    bones = _bones(scan, info, labels, label_names, progress)
    quality = judge_bones(bones)
    require_pelvis(quality)
    require_shown(bones, side)
    drawn = _drawn(bones) if labels is not None else ()
    source = ScanSource(
        info.voxel_mm,
        info.size,
        scan.ijk_to_lps,
        info.series_hash,
        info.repairs,
        is_synthetic(info),
        bones.origin,
        info.made_up,
    )
    skeleton = Skeleton(
        source,
        bones.correspondence.blur,
        bones.surfaces,
        less_sure(bones.edges, bones.surfaces, info.made_up),
        seeds_from(bones.correspondence, bones.metal_cups),
        bones.metal_cups,
        drawn,
        (*_scan_doubts(info), *quality.findings),
        quality_numbers(quality),
    )
    return FoundBones(skeleton, bones.labels)


def complete_anatomy(skeleton: Skeleton, given: Mapping[str, Landmark]) -> Anatomy:
    """Find landmarks and sockets on the bones; given points win.

    Raises
    ------
    InputError
        ``landmark-outside`` for a given point outside the scan; those of
        :func:`cotyle.anatomy.survey.survey_anatomy`.
    """
    check_inside(given, skeleton.source.grid)
    survey = survey_anatomy(
        skeleton.surfaces, skeleton.seeds, given, in_image=skeleton.source.contains, edges=skeleton.edges
    )
    guessed = made_up_findings(survey.landmarks, survey.sockets, skeleton.source.made_up)
    found = (*skeleton.doubts, *survey.doubts, *guessed, *unknowns(survey))
    doubts = (answered(each, set(given), skeleton.drawn) for each in found)
    return Anatomy(skeleton, survey.landmarks, survey.sockets, tuple(each for each in doubts if each is not None))


def unknowns(survey: Survey) -> Iterator[Finding]:
    """Yield what is known so poorly that no plan can stand on it: a hip's centre, the pelvis' frame."""
    spread = survey.pelvis.uncertainty
    worst_deg = max(spread.anterior_tilt_deg, spread.rotation_to_left_deg, spread.left_up_deg)
    if worst_deg > MOST_FRAME_SD_DEG:
        text = f"the frame of the pelvis is known to ± {2 * worst_deg:.0f} deg only"
        yield Finding("frame-unknown", text, Grade.CANNOT_PLAN, (Concern.FRAME,), None, APP_NAMES)
    for side, socket in survey.sockets.items():
        if socket.center_uncertainty_mm > MOST_CENTER_SD_MM:
            text = f"the centre of the {side} hip is known to ± {2 * socket.center_uncertainty_mm:.0f} mm only"
            concerns = (Concern.CENTER, Concern.DIAMETER)
            yield Finding("center-unknown", text, Grade.CANNOT_PLAN, concerns, side, (f"hip_center_{side}",))


def answered(finding: Finding, given: set[str], drawn: frozenset[str]) -> Finding | None:
    """Return what is left of a finding once the user gave landmarks (names) and bones.

    A doubt about points is gone when all of them were given. What stood in the way of a plan becomes a point to check
    when what it rests on was given: the hip's centre, or its bone.
    """
    if finding.landmarks and set(finding.landmarks) <= given:
        return None
    if finding.grade is not Grade.CANNOT_PLAN:
        return finding
    sides = list(Side) if finding.side is None else [finding.side]
    centers = Concern.CENTER in finding.concerns and all(f"hip_center_{side}" in given for side in sides)
    bones = Concern.BONES in finding.concerns and all(hip_bone(side) in drawn for side in sides)
    return replace(finding, grade=Grade.CHECK) if centers or bones else finding


def require_plannable(anatomy: Anatomy, side: Side) -> None:
    """Refuse a hip that cannot be planned on automatically.

    Raises
    ------
    InputError
        With the code and sentence of the finding that says so, or ``socket-missing``.
    """
    for finding in touching(anatomy.doubts, side):
        if finding.grade is Grade.CANNOT_PLAN:
            raise InputError(finding.code, finding.text, "Give labels or points that settle it")
    anatomy.socket(side)


def given_of(landmarks: Mapping[str, Landmark]) -> dict[str, Landmark]:
    """Return those landmarks that the user gave."""
    return {name: mark for name, mark in landmarks.items() if mark.origin is Origin.GIVEN}


def is_synthetic(info: SeriesInfo) -> bool:
    """Return whether the series says of itself that it was made by a program."""
    words = f"{info.description} {info.kernel}".lower()
    return "synthetic" in words or "not a person" in words


def quality_numbers(quality: BoneQuality) -> dict[str, float]:
    """Return the signals about the bones by name, those that are finite."""
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


def _bones(scan: Volume, info: SeriesInfo, labels: Path | None, label_names: Path | None, progress: Progress) -> Bones:
    if labels is None:
        return segment_bones(scan, progress)
    progress("reading the label map")
    return bones_from_labels(scan, read_labels(labels, scan, label_names, info.frame_of_reference_uid), progress)


def _drawn(bones: Bones) -> tuple[DrawnLabels, ...]:
    present = set(np.unique(bones.labels.voxels))
    names = tuple(name for name in bones.surfaces if LABEL_OF_BONE[name] in present)
    return (DrawnLabels(names, {}, label_digest(bones.labels)),)


def label_digest(labels: Volume) -> str:
    """Return the start of the SHA-256 of a label map's voxels: it tells maps apart."""
    return hashlib.sha256(np.ascontiguousarray(labels.voxels).tobytes()).hexdigest()[:16]


def _scan_doubts(info: SeriesInfo) -> tuple[Finding, ...]:
    repaired = (Finding("scan-repaired", f"the scan was repaired: {text}") for text in info.repairs)
    # a gap that was filled is told with its repair
    said = ("series-gap", "series-uneven") if info.made_up else ()
    found = (f for f in info.findings if f.severity is not Severity.NOTE and f.code not in said)
    return (*repaired, *(Finding(f.code, f.text) for f in found))
