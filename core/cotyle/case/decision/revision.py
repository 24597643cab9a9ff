"""decision/revision.json: the old cup, the bone behind it, and what bone is lost."""

from __future__ import annotations

from typing import Literal

import numpy as np
from pydantic import Field

from cotyle.anatomy.metal.metal_cup import BonyBed, CupKind, MetalCup
from cotyle.anatomy.mirrored_half import MirroredHalf
from cotyle.anatomy.segmentation.edge_confidence import Edge
from cotyle.case.decision.facts import DecisionFacts
from cotyle.case.decision.guide import misshapen, no_native_socket
from cotyle.case.decision.questions import Questions
from cotyle.case.decision.revision_questions import RevisionQuestions
from cotyle.case.measurements import Angles, Doubt, Shift
from cotyle.case.results import orientations, vector_of
from cotyle.case.schema import Finite, Strict, Vector
from cotyle.case.simulated import view_of
from cotyle.case.stages import MEASURING_FRAME, Hip, PlannedCup
from cotyle.cup.bone_loss import Loss, MirroredSocket, bone_loss
from cotyle.cup.cavity import Cavity, step_along
from cotyle.cup.center import center_shift
from cotyle.cup.options.bone_field import BoneField, bone_field
from cotyle.cup.orientation import Definition
from cotyle.cup.wall import Wall, measure_wall
from cotyle.image.labels import hip_bone
from cotyle.space.frames import Frame
from cotyle.space.shapes import Circle
from cotyle.space.side import Side
from cotyle.xray.cues import cues


class OldCupFact(Strict):
    """The old cup as it lies in the scan, one standard deviation each; a definition that leaves an angle open is
    absent.
    """

    kind: CupKind
    outer_diameter_mm: Finite
    diameter_sd_mm: Finite
    center_lps_mm: Vector
    center_sd_mm: Finite
    opening_axis_lps: Vector
    axis_sd_deg: Finite
    orientation: dict[str, dict[Definition, Angles]]


class BedFact(Strict):
    """Bone seen behind the old cup: share of its dome where bone shows, the line between, and the bed's own sphere."""

    seen_share: Finite
    line_mm: Finite
    line_share: Finite
    center_lps_mm: Vector
    center_sd_mm: Finite
    diameter_mm: Finite
    diameter_sd_mm: Finite


class BehindFact(Strict):
    """Bone behind the old cup's outside, as if it were a reamer's floor; deviations widened by edges in streaks.

    ``to_inner_surface_mm``: from the cup's pole along its axis to the inner surface, empty stretches included.
    """

    along_axis_mm: Finite
    to_inner_surface_mm: Finite
    least_mm: Finite
    least_at_lps_mm: Vector
    breached: bool
    along_axis_sd_mm: Finite
    least_sd_mm: Finite


class PlaceFact(Strict):
    """Where the old cup's centre lies.

    ``from_expected_mm``: against the mirrored opposite centre, None where that hip is no guide. ``above_teardrops_mm``:
    above the line of the teardrops, supine. ``past_ilioischial_mm``: how far its medial edge lies medial of the
    ilio-ischial line on the level AP pelvis, negative while it lies lateral.
    """

    from_expected_mm: Shift | None
    above_teardrops_mm: Finite | None
    past_ilioischial_mm: Finite | None


class LossFact(Strict):
    """Bone of a region: ml in the mirrored other hip, and ml of it missing here."""

    of_ml: Finite
    missing_ml: Finite
    share: Finite


class RevisionFacts(DecisionFacts):
    """The whole of decision/revision.json; ``losses`` is None where the other hip is no guide.

    ``halves_differ_mm``: median distance between both hip bones, one mirrored. ``metal_edge_share``: share of the
    bone's surface about the socket whose edge lies in metal or its streaks.
    """

    schema_name: Literal["cotyle/revision"] = Field(default="cotyle/revision", alias="schema")
    version: Literal[1] = 1
    side: Side
    cup: OldCupFact
    bed: BedFact | None
    behind: BehindFact
    place: PlaceFact
    losses: dict[str, LossFact] | None
    no_losses_because: str
    halves_differ_mm: Finite | None
    metal_edge_share: Finite
    limits: RevisionQuestions


def unfit_for_revision(planned: PlannedCup) -> str:
    """Return why there is nothing to revise; empty where there is."""
    if planned.plan.side in planned.anatomy.skeleton.metal_cups:
        return ""
    return f"no old cup was found in the {planned.plan.side} hip"


def revision_of(planned: PlannedCup, hip: Hip, questions: Questions, seed: int) -> RevisionFacts:
    """Return what is known of the old cup and of the bone about it."""
    del seed
    side, asked = planned.plan.side, questions.revision
    cup = planned.anatomy.skeleton.metal_cups[side]
    behind = wall_behind(cup, hip)
    other = side.opposite
    why_not = no_native_socket(hip, other)
    losses, differ = (None, None) if why_not else _losses(hip)
    facts = RevisionFacts(
        side=side,
        cup=_cup(cup, planned),
        bed=None if cup.bed is None else _bed(cup.bed),
        behind=BehindFact(
            along_axis_mm=behind.along_axis_mm,
            to_inner_surface_mm=behind.advance_mm,
            least_mm=behind.minimum_mm,
            least_at_lps_mm=vector_of(behind.minimum_at_lps_mm),
            breached=behind.breached,
            along_axis_sd_mm=behind.uncertainty_mm,
            least_sd_mm=behind.minimum_uncertainty_mm,
        ),
        place=_place(cup, planned, guide=not why_not),
        losses=losses,
        no_losses_because=why_not and f"the {other} hip {why_not}",
        halves_differ_mm=differ,
        metal_edge_share=_metal_share(hip),
        limits=asked,
        assumptions=_ASSUMPTIONS,
    )
    shape = "" if why_not else misshapen(hip, other)
    return facts.model_copy(update={"doubts": (*_doubts(facts), *_against_misshapen(other, shape))})


def wall_behind(cup: MetalCup, hip: Hip) -> Wall:
    """Measure the bone behind an old cup as behind a reamer of its size."""
    floor = step_along(cup.outer_diameter_mm, cup.center_lps_mm, -cup.opening_axis_lps)
    edges = hip.anatomy.edges[hip_bone(hip.side)]
    return measure_wall(hip.bone, hip.inner, Cavity((floor,)), hip.scan, blur=hip.anatomy.blur, edges=edges)


def fields_and_socket(hip: Hip) -> tuple[BoneField, BoneField, MirroredSocket, float]:
    """Return the fields of this hip bone and the mirrored other one, its socket, and how unlike the bones are, mm."""
    anatomy, other, halves = hip.anatomy, hip.side.opposite, hip.halves
    native, bone = anatomy.sockets[other], anatomy.surfaces[hip_bone(other)]
    corners = np.stack([native.center_lps_mm, native.center_lps_mm + native.opening_axis_lps])
    center, along = halves.onto(hip.side, corners)
    drop = anatomy.landmarks.get(f"teardrop_{other}")
    socket = MirroredSocket(
        center,
        native.diameter_mm / 2.0,
        along - center,
        None if drop is None else halves.onto(hip.side, drop.lps_mm),
    )
    matrix = _matrix(halves, hip.side)
    own = bone_field(hip.bone, center)
    return own, bone_field(bone.transformed(matrix), center), socket, halves.misfit_mm


def _matrix(halves: MirroredHalf, side: Side) -> np.ndarray:
    """Return the 4x4 that takes the other half onto this side."""
    origin, *ends = halves.onto(side, np.vstack([np.zeros(3), np.eye(3)]))
    matrix = np.eye(4)
    matrix[:3, :3] = np.stack([end - origin for end in ends], axis=1)
    matrix[:3, 3] = origin
    return matrix


def _losses(hip: Hip) -> tuple[dict[str, LossFact], float]:
    own, mirrored, socket, differ = fields_and_socket(hip)
    found = bone_loss(own, mirrored, socket, hip.frame)
    return {name: _loss(each) for name, each in found.items()}, differ


def _loss(loss: Loss) -> LossFact:
    return LossFact(of_ml=loss.of_ml, missing_ml=loss.missing_ml, share=loss.share)


def _cup(cup: MetalCup, planned: PlannedCup) -> OldCupFact:
    return OldCupFact(
        kind=cup.kind,
        outer_diameter_mm=cup.outer_diameter_mm,
        diameter_sd_mm=cup.diameter_sd_mm,
        center_lps_mm=vector_of(cup.center_lps_mm),
        center_sd_mm=cup.center_sd_mm,
        opening_axis_lps=vector_of(cup.opening_axis_lps),
        axis_sd_deg=cup.axis_sd_deg,
        orientation=orientations(cup.opening_axis_lps, planned.pelvis, planned.plan.side),
    )


def _bed(bed: BonyBed) -> BedFact:
    return BedFact(
        seen_share=bed.seen_share,
        line_mm=bed.gap_mm,
        line_share=bed.gap_share,
        center_lps_mm=vector_of(bed.sphere.center_lps_mm),
        center_sd_mm=bed.center_sd_mm,
        diameter_mm=bed.sphere.diameter_mm,
        diameter_sd_mm=bed.diameter_sd_mm,
    )


def _place(cup: MetalCup, planned: PlannedCup, guide: bool) -> PlaceFact:
    side, frame = planned.plan.side, planned.pelvis.frames[MEASURING_FRAME]
    expected = planned.socket.mirrored_opposite_center_lps_mm
    shift = None
    if guide and expected is not None:
        found = center_shift(expected, cup.center_lps_mm, frame, side)
        shift = Shift(medial=found.medial, superior=found.superior, anterior=found.anterior)
    return PlaceFact(
        from_expected_mm=shift,
        above_teardrops_mm=_above_teardrops(cup, planned, frame),
        past_ilioischial_mm=_past_ilioischial(cup, planned),
    )


def _above_teardrops(cup: MetalCup, planned: PlannedCup, frame: Frame) -> float | None:
    drops = [planned.landmarks.get(f"teardrop_{side}") for side in Side]
    if any(drop is None for drop in drops):
        return None
    own, other = (frame.to_frame(drop.lps_mm) for drop in drops if drop is not None)
    center = frame.to_frame(cup.center_lps_mm)
    share = (center[0] - own[0]) / (other[0] - own[0])
    return float(center[2] - (own[2] + share * (other[2] - own[2])))


def _past_ilioischial(cup: MetalCup, planned: PlannedCup) -> float | None:
    view = view_of(planned, "ap_pelvis", MEASURING_FRAME)
    rim = Circle(cup.center_lps_mm, cup.opening_axis_lps, cup.outer_diameter_mm / 2.0)
    points = {mark: each.lps_mm for mark, each in planned.landmarks.items()}
    found = cues(view.carm, rim, planned.plan.side, points, planned.hip_bone)
    if found.medial_edge_to_teardrop_mm is None or found.teardrop_to_ilioischial_mm is None:
        return None
    return found.teardrop_to_ilioischial_mm - found.medial_edge_to_teardrop_mm


def _metal_share(hip: Hip) -> float:
    edges = hip.anatomy.edges[hip_bone(hip.side)]
    near = np.linalg.norm(hip.bone.vertices_lps_mm - hip.socket.center_lps_mm, axis=1) < hip.socket.diameter_mm
    return float(np.mean(edges.kind[near] == Edge.METAL)) if near.any() else 0.0


def _doubts(facts: RevisionFacts) -> tuple[Doubt, ...]:
    found, limits = [], facts.limits
    bed, behind = facts.bed, facts.behind
    if bed is None or bed.seen_share < 0.5:
        text = "The bone behind the old cup is hardly seen: what is said of it is a guess of the shape model."
        found.append(Doubt(code="revision-bed-unseen", text=text))
    if bed is not None and (bed.line_mm >= limits.line_mm or bed.line_share >= limits.line_share):
        text = f"A dark line of {bed.line_mm:.1f} mm (median) lies behind the old cup: it looks loose."
        found.append(Doubt(code="revision-loose", text=text))
    if behind.breached:
        found.append(Doubt(code="revision-breach", text="The old cup reaches through the inner surface of the pelvis."))
    elif behind.least_mm < limits.thin_wall_mm:
        text = (
            f"Only {behind.least_mm:.1f} mm of bone (± {2 * behind.least_sd_mm:.1f}) lie behind the old cup at the "
            "thinnest: taking it out may break through."
        )
        found.append(Doubt(code="revision-thin-wall", text=text))
    shift = facts.place.from_expected_mm
    if shift is not None and shift.superior >= limits.migration_mm:
        text = f"The old cup's centre lies {shift.superior:.0f} mm above the mirrored opposite one."
        found.append(Doubt(code="revision-high", text=text))
    past = facts.place.past_ilioischial_mm
    if past is not None and past > 0.0:
        text = f"The old cup's edge lies {past:.0f} mm medial of the ilio-ischial line on the level AP pelvis."
        found.append(Doubt(code="revision-medial", text=text))
    for name, loss in (facts.losses or {}).items():
        if loss.share >= limits.loss_share:
            text = f"{100 * loss.share:.0f} % of the bone is missing at the {WORDS[name]} ({loss.missing_ml:.1f} ml)."
            found.append(Doubt(code=f"revision-loss-{name}", text=text))
    return tuple(found)


def _against_misshapen(other: Side, shape: str) -> tuple[Doubt, ...]:
    if not shape:
        return ()
    text = f"The {other} hip {shape}: what is missing against it, and a centre off it, need not have been lost here."
    return (Doubt(code="revision-other-misshapen", text=text),)


WORDS = {
    "floor": "floor",
    "roof": "roof",
    "front": "front wall",
    "back": "back wall",
    "teardrop": "teardrop",
    "ischium": "ischium",
}

_ASSUMPTIONS = (
    "The old cup is part of a sphere; cages, augments and cups in cups are not.",
    "Bone in streaks is a guess of the shape model; its edges' deviations are in those of the walls.",
    "Bone is lost where the mirrored other hip bone has it 1.5 mm or deeper and this one does not.",
)
