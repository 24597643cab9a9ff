"""How far the planned hip moves, worked out from a plan and what the user gave."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from cotyle.anatomy.segmentation.edge_confidence import Edge
from cotyle.case.decision.motion_doubts import bone_doubt, motion_doubts
from cotyle.case.decision.motion_facts import (
    BoneFact,
    CombinedFact,
    FemurFact,
    MapFact,
    MotionFact,
    MotionFacts,
    NeckFact,
    NeckInLinerFact,
    PlaceFact,
    PoseFact,
    PostureMotion,
    ReachFact,
    RotationKnown,
    StemFact,
    WindowFact,
)
from cotyle.case.decision.motion_questions import MotionQuestions
from cotyle.case.decision.postures import STANDING, SUPINE, Known, KnownPosture, known_postures
from cotyle.case.decision.questions import Questions
from cotyle.case.measurements import Doubt
from cotyle.case.stages import Hip, PlannedCup
from cotyle.cup.motion.bone_range import BoneLimit, Ending, PlacedHip, bone_limits, place
from cotyle.cup.motion.combined_version import TARGET_DEG, combined_version, stem_version_for_target_deg
from cotyle.cup.motion.femur import CutFemur, cut_femur
from cotyle.cup.motion.free_motion import FreeMotion, free_motions, free_window_deg, reach
from cotyle.cup.motion.hip_pose import NEUTRAL, HipPose
from cotyle.cup.motion.implant import free_lean_deg
from cotyle.cup.motion.motions import STANDARD_MOTIONS, Motion
from cotyle.cup.motion.neck_range import Neck, motion_map
from cotyle.cup.orientation import Definition, hip_components, orientation_of_axis
from cotyle.cup.posture import frame_at_tilt
from cotyle.errors import InputError
from cotyle.image.labels import femur as femur_name
from cotyle.image.labels import hip_bone
from cotyle.space.arrays import Array
from cotyle.space.frames import Frame
from cotyle.space.side import Side

_SAME_TILT_DEG = 0.05
_DIRECTIONS = 24
MAP_STEP_DEG = 2.5
_INCLINATION_DEG, _ANTEVERSION_DEG = (25.0, 65.0), (-10.0, 45.0)
_MOST_METAL = 0.02


@dataclass(frozen=True, eq=False)
class _Cup:
    """The planned cup in one posture: its frame, its opening axis there, hip-sided, and in LPS."""

    known: KnownPosture
    frame: Frame
    axis: Array
    axis_lps: Array


def motion_of(planned: PlannedCup, hip: Hip, questions: Questions, seed: int) -> MotionFacts:
    """Return how far the planned hip moves, in each posture of the pelvis that differs."""
    del hip, seed
    asked, side = questions.motion, planned.plan.side
    motions = (*STANDARD_MOTIONS, *(each.motion() for each in asked.motions))
    cups = cups_in_postures(planned, questions)
    main = STANDING if STANDING in cups and cups[STANDING].known.how is not Known.ASSUMED else SUPINE
    neck = neck_of(planned, asked)
    femur, doubt = _femur(planned, asked)
    hips = {name: None if femur is None else _placed(planned, femur, cup.frame, asked) for name, cup in cups.items()}
    postures = {name: _posture(cup, side, neck, hips[name], motions) for name, cup in cups.items()}
    return MotionFacts(
        side=side,
        posture=main,
        neck=None if neck is None else _neck_fact(planned, asked, neck),
        femur=None if femur is None else _femur_fact(femur, asked),
        postures=postures,
        reach=_reach(cups[main].axis, neck, hips[main]),
        map=None if neck is None else _map(main, neck, motions),
        assumptions=_ASSUMPTIONS,
        doubts=motion_doubts(postures, main, asked, femur, doubt, planned.socket.displaced is not None),
    )


def cups_in_postures(planned: PlannedCup, questions: Questions) -> dict[str, _Cup]:
    """Return the cup lying, and standing where that is another tilt."""
    pelvis, side = planned.pelvis, planned.plan.side
    known = known_postures(pelvis, planned.plan.posture, questions.posture)
    found = {}
    for name in (SUPINE, STANDING):
        frame = frame_at_tilt(pelvis, name, known[name].anterior_tilt_deg)
        axis = planned.cup.opening_axis_lps
        found[name] = _Cup(known[name], frame, hip_components(axis, frame, side), axis)
    if abs(known[STANDING].anterior_tilt_deg - known[SUPINE].anterior_tilt_deg) < _SAME_TILT_DEG:
        del found[STANDING]
    return found


def neck_of(planned: PlannedCup, asked: MotionQuestions) -> Neck | None:
    """Return the neck in its liner; None where the stem isn't given.

    Raises
    ------
    InputError
        ``head-size`` for a head as large as the cup, ``neck-diameter`` for a neck as thick as what it has to pass.
    """
    cup_mm = planned.cup.outer_diameter_mm
    head = planned.cup.head_diameter_mm if asked.head_diameter_mm is None else asked.head_diameter_mm
    if head >= cup_mm:
        raise InputError("head-size", f"a head of {head:g} mm doesn't go into a cup of {cup_mm:g} mm", "Give another")
    if asked.stem is None:
        return None
    stem = asked.stem.stem()
    lean = free_lean_deg(head, stem.neck_diameter_mm, asked.liner.liner(), cup_mm)
    return Neck(stem, lean)


def _femur(planned: PlannedCup, asked: MotionQuestions) -> tuple[CutFemur | None, Doubt | None]:
    """The cut femur, or why there is none."""
    anatomy, side = planned.anatomy, planned.plan.side
    name = femur_name(side)
    if name not in anatomy.surfaces:
        return None, bone_doubt(f"there is no {side} femur among the bones")
    surface, edges = anatomy.surfaces[name], anatomy.edges[name]
    if side in anatomy.skeleton.metal_cups or (edges.kind == Edge.METAL).mean() > _MOST_METAL:
        return None, bone_doubt(f"the {side} femur lies beside or bears metal: its upper end is a guess")

    def cut(leg: HipPose) -> CutFemur:
        seeds = anatomy.skeleton.seeds.socket(side).head
        frame, socket = planned.pelvis.supine, planned.socket.sphere
        return cut_femur(surface, edges, seeds, socket, frame, side, asked.neck_cut.cut(), leg)

    leg = NEUTRAL if asked.leg_on_table is None else asked.leg_on_table.pose()
    try:
        found = cut(leg)
        if asked.native_version_deg is not None:
            # twice, since the shaft isn't quite upright; what is turned is the leg, so its neck follows one for one
            for _ in range(2):
                outward = found.neck_forward_deg - asked.native_version_deg
                leg = HipPose(leg.flexion_deg, leg.abduction_deg, leg.internal_rotation_deg - outward)
                found = cut(leg)
    except InputError as error:
        return None, bone_doubt(f"{error.what}. {error.remedy}".rstrip(" ."))
    return found, None


def _placed(planned: PlannedCup, femur: CutFemur, frame: Frame, asked: MotionQuestions) -> PlacedHip:
    anatomy = planned.anatomy
    names = [name for name in (hip_bone(Side.LEFT), hip_bone(Side.RIGHT), "sacrum") if name in anatomy.surfaces]
    pelvis = [(anatomy.surfaces[name], anatomy.edges[name]) for name in names]
    return place(femur, pelvis, planned.cup.center_lps_mm, frame, asked.leg_longer_mm, asked.offset_more_mm)


def _posture(
    cup: _Cup, side: Side, neck: Neck | None, hip: PlacedHip | None, motions: Sequence[Motion]
) -> PostureMotion:
    radiographic = orientation_of_axis(cup.axis_lps, cup.frame, side, Definition.RADIOGRAPHIC)
    anatomic = orientation_of_axis(cup.axis_lps, cup.frame, side, Definition.ANATOMIC)
    inclination, anteversion = radiographic.inclination_deg, radiographic.anteversion_deg
    bones = None if hip is None else bone_limits(hip, motions)
    combined = window = None
    if neck is not None:
        sums = combined_version(anteversion, anatomic.anteversion_deg, neck.stem.version_deg)
        combined = CombinedFact(
            radiographic_deg=sums.radiographic_deg,
            anatomic_deg=sums.anatomic_deg,
            target_deg=TARGET_DEG,
            within_target=sums.within_target,
            widmer_excess_deg=sums.widmer_excess_deg,
        )
        window = WindowFact(
            inclination_deg=free_window_deg(inclination, anteversion, neck, motions, "inclination"),
            anteversion_deg=free_window_deg(inclination, anteversion, neck, motions, "anteversion"),
        )
    return PostureMotion(
        anterior_tilt_deg=cup.known.anterior_tilt_deg,
        how=cup.known.how,
        inclination_deg=inclination,
        anteversion_deg=anteversion,
        motions=tuple(_motion(each) for each in free_motions(cup.axis, neck, bones, motions)),
        combined=combined,
        stem_version_for_target_deg=stem_version_for_target_deg(anteversion),
        window=window,
    )


def _motion(free: FreeMotion) -> MotionFact:
    motion, margin = free.motion, free.margin_deg
    start = PoseFact(**vars(motion.start))
    return MotionFact(
        name=motion.name,
        start=start,
        move=motion.move,
        wanted_deg=motion.wanted_deg,
        source=motion.source,
        neck=None if free.neck_deg is None else _neck_ending(free.neck_deg),
        bone=None if free.bone is None else _bone_fact(free.bone),
        can_begin=not np.isnan(free.limit_deg),
        limit_deg=_finite(free.limit_deg),
        first=free.first,
        margin_deg=None if margin is None else _finite(margin),
    )


def _neck_ending(limit_deg: float) -> NeckFact:
    if np.isnan(limit_deg):
        return NeckFact(ending="past the rim where it begins", limit_deg=None)
    met = np.isfinite(limit_deg)
    return NeckFact(ending="meets the rim" if met else "never meets the rim", limit_deg=_finite(limit_deg))


def _bone_fact(bone: BoneLimit) -> BoneFact:
    at = bone.pelvis_mm
    place = None if at is None else PlaceFact(lateral=float(at[0]), anterior=float(at[1]), superior=float(at[2]))
    limit = _finite(bone.limit_deg) if bone.ending is Ending.TOUCH else None
    return BoneFact(
        ending=bone.ending, limit_deg=limit, sd_deg=_finite(bone.sd_deg), meets_at_mm=place, at_cut=bone.at_cut
    )


def _finite(value: float) -> float | None:
    return float(value) if np.isfinite(value) else None


def _neck_fact(planned: PlannedCup, asked: MotionQuestions, neck: Neck) -> NeckInLinerFact:
    stem, liner, given = neck.stem, asked.liner, asked.head_diameter_mm
    return NeckInLinerFact(
        stem=StemFact(**vars(stem)),
        head_diameter_mm=planned.cup.head_diameter_mm if given is None else given,
        head_given=given is not None,
        face_height_mm=liner.face_height_mm,
        chamfer_mm=liner.chamfer_mm,
        chamfer_deg=liner.chamfer_deg,
        free_lean_deg=neck.free_lean_deg,
        oscillation_deg=2.0 * neck.free_lean_deg,
    )


def _femur_fact(femur: CutFemur, asked: MotionQuestions) -> FemurFact:
    known: RotationKnown = "as it lay" if asked.leg_on_table is None else "given"
    if asked.native_version_deg is not None:
        known = "from the native version"
    x, y, z = (float(value) for value in femur.head.center_lps_mm)
    return FemurFact(
        head_center_lps_mm=(x, y, z),
        head_diameter_mm=femur.head.diameter_mm,
        leg_on_table=PoseFact(**vars(femur.leg)),
        rotation_known=known,
        neck_forward_deg=femur.neck_forward_deg,
        shaft_flexion_deg=femur.shaft_flexion_deg,
        shaft_abduction_deg=femur.shaft_abduction_deg,
        head_offset_mm=femur.shaft.head_offset_mm,
        cut_angle_deg=asked.neck_cut.angle_deg,
        cut_from_head_mm=-float(femur.cut_point_mm @ femur.cut_normal),
        lesser_trochanter_below_head_mm=None if femur.tip_mm is None else float(femur.tip_mm @ femur.shaft.down),
        seen_to_mm=femur.shaft.seen_to_mm,
        unclear_share=femur.unclear_share,
        leg_longer_mm=asked.leg_longer_mm,
        offset_more_mm=asked.offset_more_mm,
    )


def _reach(axis: Array, neck: Neck | None, hip: PlacedHip | None) -> ReachFact:
    found = reach(axis, neck, hip, _DIRECTIONS)
    necks = () if found.neck_deg is None else tuple(_finite(each) for each in found.neck_deg)
    bones = () if found.bone_deg is None else tuple(_finite(each) for each in found.bone_deg)
    return ReachFact(direction_deg=tuple(float(each) for each in found.direction_deg), neck_deg=necks, bone_deg=bones)


def map_angles_deg(step_deg: float) -> tuple[Array, Array]:
    """Return the inclinations and anteversions of the map."""
    (left, right), (low, high) = _INCLINATION_DEG, _ANTEVERSION_DEG
    return np.arange(left, right + 1e-9, step_deg), np.arange(low, high + 1e-9, step_deg)


def _map(posture: str, neck: Neck, motions: Sequence[Motion]) -> MapFact:
    found = motion_map(neck, motions, *map_angles_deg(MAP_STEP_DEG))
    return MapFact(
        posture=posture,
        inclination_deg=tuple(float(each) for each in found.inclination_deg),
        anteversion_deg=tuple(float(each) for each in found.anteversion_deg),
        margin_deg=tuple(tuple(_finite(each) for each in row) for row in found.margin_deg),
        tightest=tuple(tuple(motions[number].name for number in row) for row in found.tightest),
    )


_ASSUMPTIONS = (
    "Flexion, abduction and rotation follow Grood and Suntay 1983 (hip: Wu et al. 2002), from zero where the thigh "
    "hangs in the frame of the posture. For the neck the knee then looks straight ahead; for bone the leg hangs as the "
    "line on the leg says.",
    "The head stays in the middle of the cup; the neck is a round rod, the liner round, without a raised lip; of the "
    "cup's rim, stem and screws nothing else is met (cone: derived here; same model as Yoshimine and Ginbayashi 2002).",
    "Capsule, muscle and fat stop many motions before neck or bone; they are not in it, nor is a planned osteotomy, "
    "nor bone that is taken off the rim or a trochanter.",
    "Wanted angles are yardsticks from the sources beside them; those that say 'abstract read' were not read in full.",
)
