"""Errors of one trial: what was measured on the scan against the surfaces that the scan was made from."""

from __future__ import annotations

import time
from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
from cotyle.anatomy.anterior_plane import touching_plane_from_surfaces
from cotyle.anatomy.bone_quality import judge_bones
from cotyle.anatomy.findings import Finding
from cotyle.anatomy.landmarks import given as given_landmark
from cotyle.anatomy.pelvis import Pelvis
from cotyle.anatomy.seeds import seeds_from
from cotyle.anatomy.segmentation.bones import Bones, segment_bones
from cotyle.anatomy.survey import Survey, survey_anatomy
from cotyle.cup.cavity import Cavity, ReamingStep
from cotyle.cup.component import Cup
from cotyle.cup.coverage import coverage_spread, measure_coverage
from cotyle.cup.inner_surface import inner_surface
from cotyle.cup.proposal import Targets, propose
from cotyle.cup.reaming import default_steps
from cotyle.cup.removed_bone import removed_bone
from cotyle.cup.soft_bed import find_soft_bed
from cotyle.cup.wall import measure_wall
from cotyle.image.labels import LABEL_OF_BONE
from cotyle.image.volume import Volume
from cotyle.space.frames import Frame
from cotyle.space.mesh import TriangleMesh
from cotyle.space.side import Side
from cotyle_sample.truth import Truth

APP_POINTS = [f"{kind}_{side}" for kind in ("asis", "pubic_tubercle") for side in Side]
BONES = ("left_hip_bone", "right_hip_bone", "sacrum", "left_femur", "right_femur")


# below this a share of the volume says nothing; such steps are judged in ml
LEAST_REMOVED_ML = 1.0


@dataclass(frozen=True)
class Error:
    """One error: its quantity (a row of the table), where it occurred, its size in the quantity's unit, its side."""

    quantity: str
    where: str
    value: float
    side: Side | None = None


@dataclass(frozen=True)
class Stated:
    """An error (with its sign where it has one) and the one standard deviation that was stated for it."""

    quantity: str
    where: str
    error: float
    deviation: float


@dataclass(frozen=True, eq=False)
class GivenCup:
    """A cup and its reaming on the true surfaces; the same are then measured on the surfaces found in the scan."""

    name: str
    cup: Cup
    steps: tuple[ReamingStep, ...]
    frame: Frame


@dataclass(frozen=True, eq=False)
class Measured:
    """Every error of one scan, what was surveyed on the true surfaces, and what the program itself said.

    stated: errors beside the deviation that the program gave for them; findings: the doubts it raised; seconds: of
    segmenting and surveying.
    """

    errors: list[Error]
    stated: list[Stated]
    truth: Survey
    findings: tuple[Finding, ...]
    seconds: float = 0.0


def errors_of_scan(name: str, volume: Volume, truth: Truth) -> Measured:
    """Segment, survey and measure one scan."""
    clock = time.monotonic()
    bones = segment_bones(volume)
    found = survey_bones(bones, volume)
    seconds = time.monotonic() - clock
    return replace(errors_of_survey(name, volume, truth, bones, found), seconds=seconds)


def survey_bones(bones: Bones, volume: Volume) -> Survey:
    """Find landmarks, frames and sockets as the pipeline does."""
    seeds = seeds_from(bones.correspondence, bones.metal_cups)
    return survey_anatomy(bones.surfaces, seeds, in_image=volume.contains, edges=bones.edges)


def errors_of_survey(name: str, volume: Volume, truth: Truth, bones: Bones, found: Survey) -> Measured:
    """Measure what was found on one scan against its truth."""
    true = _true_survey(truth)
    errors = [*_point_errors(found, truth, true), *_frame_errors(found.pelvis, true.pelvis)]
    errors += _label_errors(bones, truth)
    stated = [*_stated_frame(found.pelvis, true.pelvis)]
    for side in found.sockets:
        hip_errors, hip_stated = _hip_errors(side, volume, bones, found, truth, true)
        errors += hip_errors
        stated += [*_stated_sphere(side, found, truth), *hip_stated]
    named = [Error(e.quantity, f"{name} {e.where}", e.value, e.side) for e in errors]
    stated = [Stated(s.quantity, f"{name} {s.where}", s.error, s.deviation) for s in stated]
    return Measured(named, stated, true, (*judge_bones(bones).findings, *found.doubts))


def _true_survey(truth: Truth) -> Survey:
    """What the pipeline's rules find on the true surfaces.

    Points of the pelvic plane are those of the bone without the spurs beside them, and nothing is taken for a spur; the
    centres of the hips are the generator's own.
    """
    bare = {**truth.surfaces, **truth.bare_surfaces}
    points = dict(touching_plane_from_surfaces(bare).points_lps_mm)
    points |= {f"hip_center_{side}": sphere.center_lps_mm for side, sphere in truth.sockets.items()}
    return survey_anatomy(bare, given={name: given_landmark(name, point) for name, point in points.items()})


def _point_errors(found: Survey, truth: Truth, true: Survey) -> Iterator[Error]:
    """Points by the same rule on the true surface; and against the generator's own vertices, by its own rule."""
    for name in APP_POINTS:
        point = found.landmarks[name].lps_mm
        yield Error("landmark", name, _distance(point, true.landmarks[name].lps_mm))
        yield Error("landmark_vertex", name, _distance(point, truth.landmarks[name]))
    for side, socket in found.sockets.items():
        sphere, own = socket.sphere, truth.sockets[side]
        yield Error("center", str(side), _distance(sphere.center_lps_mm, own.center_lps_mm), side)
        yield Error("diameter", str(side), abs(sphere.diameter_mm - own.diameter_mm), side)


def _frame_errors(pelvis: Pelvis, true: Pelvis) -> Iterator[Error]:
    yield Error("tilt", "pelvis", abs(pelvis.anterior_tilt_deg - true.anterior_tilt_deg))
    yield Error("rotation", "pelvis", abs(pelvis.rotation_to_left_deg - true.rotation_to_left_deg))
    yield Error("obliquity", "pelvis", abs(pelvis.left_up_deg - true.left_up_deg))


def _stated_frame(pelvis: Pelvis, true: Pelvis) -> Iterator[Stated]:
    """Angles of the pelvis beside their stated deviations."""
    spread = pelvis.uncertainty
    for name, angle, true_angle, deviation in (
        ("tilt", pelvis.anterior_tilt_deg, true.anterior_tilt_deg, spread.anterior_tilt_deg),
        ("rotation", pelvis.rotation_to_left_deg, true.rotation_to_left_deg, spread.rotation_to_left_deg),
        ("obliquity", pelvis.left_up_deg, true.left_up_deg, spread.left_up_deg),
    ):
        yield Stated(name, "pelvis", angle - true_angle, deviation)


def _stated_sphere(side: Side, found: Survey, truth: Truth) -> Iterator[Stated]:
    """Centre, axis by axis as the report states its shifts, and diameter beside their stated deviations."""
    socket, own = found.sockets[side], truth.sockets[side]
    shift = found.pelvis.supine.axes @ (socket.center_lps_mm - own.center_lps_mm)
    for value in shift:
        yield Stated("center", str(side), float(value), socket.center_uncertainty_mm)
    deviation = socket.fit.diameter_uncertainty_mm
    yield Stated("diameter", str(side), socket.diameter_mm - own.diameter_mm, deviation)


def _label_errors(bones: Bones, truth: Truth) -> Iterator[Error]:
    for bone in BONES:
        found, true = (labels.voxels == LABEL_OF_BONE[bone] for labels in (bones.labels, truth.labels))
        if true.any():
            side = next((each for each in Side if bone.startswith(str(each))), None)
            yield Error("dice", bone, float(2.0 * (found & true).sum() / (found.sum() + true.sum())), side)


def given_cups(side: Side, truth: Truth, survey: Survey) -> Iterator[GivenCup]:
    """Plan cups on the true surfaces: the very same ones are then measured on the surfaces found in the scan.

    The first is the proposed one, which stops at the floor of the fossa; the second is a size larger and goes 3 mm
    deeper, so that its reamers take bone everywhere and its wall is thin.
    """
    bone, sphere, frame = truth.surfaces[f"{side}_hip_bone"], truth.sockets[side], survey.pelvis.supine
    inner = inner_surface(bone, sphere.center_lps_mm, -side.lateral_sign * frame.left, frame.superior)
    floor = survey.sockets[side].fossa_floor_lps_mm
    frames = survey.pelvis.frames
    first = propose(side, sphere.center_lps_mm, sphere.diameter_mm, floor, bone, inner, frames)
    deeper = Targets(outer_diameter_mm=first.cup.outer_diameter_mm + 2.0, medial_mm=max(first.medial_mm, 0.0) + 3.0)
    second = propose(side, sphere.center_lps_mm, sphere.diameter_mm, floor, bone, inner, frames, deeper)
    for name, cup in (("proposed", first.cup), ("deeper", second.cup)):
        yield GivenCup(name, cup, default_steps(cup, sphere.center_lps_mm, bone), frame)


def _hip_errors(
    side: Side, volume: Volume, bones: Bones, found: Survey, truth: Truth, true_survey: Survey
) -> tuple[list[Error], list[Stated]]:
    bone, true_bone = bones.surfaces[f"{side}_hip_bone"], truth.surfaces[f"{side}_hip_bone"]
    frame, true_frame = found.pelvis.supine, true_survey.pelvis.supine
    inner = inner_surface(bone, found.sockets[side].center_lps_mm, -side.lateral_sign * frame.left, frame.superior)
    true_inner = inner_surface(
        true_bone, truth.sockets[side].center_lps_mm, -side.lateral_sign * true_frame.left, true_frame.superior
    )
    errors: list[Error] = []
    stated: list[Stated] = []
    for given in given_cups(side, truth, true_survey):
        where = f"{side} {given.name}"
        true_wall = measure_wall(true_bone, true_inner, Cavity(given.steps))
        edges = bones.edges.get(f"{side}_hip_bone")
        wall = measure_wall(bone, inner, Cavity(given.steps), volume, blur=bones.correspondence.blur, edges=edges)
        surface_only = measure_wall(bone, inner, Cavity(given.steps))
        along, least = true_wall.along_axis_mm, true_wall.minimum_mm
        of_mm = f"{where} of {along:.1f} mm"
        errors.append(Error("wall_along_axis", of_mm, abs(wall.along_axis_mm - along), side))
        errors.append(Error("wall_surface_only", of_mm, abs(surface_only.along_axis_mm - along), side))
        stated.append(Stated("wall_along_axis", of_mm, wall.along_axis_mm - along, wall.uncertainty_mm))
        of_mm = f"{where} of {least:.1f} mm"
        errors.append(Error("wall_minimum", of_mm, abs(wall.minimum_mm - least), side))
        stated.append(Stated("wall_minimum", of_mm, wall.minimum_mm - least, wall.minimum_uncertainty_mm))
        true_share = measure_coverage(true_bone, given.cup, true_frame).fraction
        soft_bed = find_soft_bed(bone, given.cup, volume, bones.correspondence.blur)
        share = measure_coverage(bone, given.cup, frame, soft_bed=soft_bed).fraction
        if edges is not None:
            spread = coverage_spread(bone, edges, given.cup, frame, soft_bed)
            stated.append(Stated("coverage", where, share - true_share, spread))
        errors.append(Error("coverage", f"{where} of {100 * true_share:.0f} %", 100.0 * abs(share - true_share), side))
        errors += _removed_errors(where, given, bone, true_bone)
    return errors, stated


def _removed_errors(where: str, given: GivenCup, bone: TriangleMesh, true_bone: TriangleMesh) -> Iterator[Error]:
    for number, step in enumerate(given.steps):
        true_ml, ml = (removed_bone(b, step, given.steps[:number]).volume_mm3 / 1000 for b in (true_bone, bone))
        place = f"{where} step {number + 1} of {true_ml:.2f} ml"
        yield Error("removed_ml", place, abs(ml - true_ml))
        if true_ml >= LEAST_REMOVED_ML:
            yield Error("removed", place, 100.0 * abs(ml - true_ml) / true_ml)


def _distance(a: np.ndarray, b: np.ndarray) -> float:
    return float(np.linalg.norm(np.asarray(a) - np.asarray(b)))
