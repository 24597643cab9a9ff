"""What a reader of the part on motion must see first."""

from __future__ import annotations

from collections.abc import Mapping

from cotyle.case.decision.motion_facts import MotionFact, PostureMotion
from cotyle.case.decision.motion_questions import MotionQuestions
from cotyle.case.measurements import Doubt
from cotyle.cup.motion.bone_range import Ending
from cotyle.cup.motion.femur import CutFemur

# Necks of adults look forward by 10 to 20 deg or so; beyond these the leg rather lay turned (from memory, no source).
_USUAL_NECK_DEG = (-5.0, 30.0)
# As far as the front of the ilium lies from the middle of the head, so that a thigh may meet it; our choice, no source.
_LEAST_SEEN_MM = 110.0
_UNSURE_DEG = 5.0


def bone_doubt(problem: str) -> Doubt:
    """Return the doubt that says why bone against bone was not worked out."""
    return Doubt(code="motion-bone-unknown", text=f"Bone against bone is not worked out: {problem}.")


def motion_doubts(
    postures: Mapping[str, PostureMotion],
    main: str,
    asked: MotionQuestions,
    femur: CutFemur | None,
    bone: Doubt | None,
    displaced: bool,
) -> tuple[Doubt, ...]:
    """Return the doubts, the gravest first."""
    found = [*_overlap(postures[main])]
    for name, posture in postures.items():
        short = [each for each in posture.motions if each.short]
        if short:
            words = "; ".join(_short_words(each) for each in short)
            found.append(Doubt(code=f"motion-short-{name}", text=f"Falls short of what is wanted, {name}: {words}."))
    if asked.stem is None:
        low, high = postures[main].stem_version_for_target_deg
        text = (
            "The stem is not given: where its neck meets the liner is not worked out. Cup and stem together come to 25 "
            f"to 50 deg (Dorr et al. 2009) with a stem version of {low:.0f} to {high:.0f} deg, {main}."
        )
        found.append(Doubt(code="motion-stem-unknown", text=text))
    if bone is not None:
        found.append(bone)
    if femur is not None:
        found += _femur_doubts(femur, asked, displaced)
        found += _close(postures[main]) + _at_cut(postures[main]) + _unsure(postures[main])
    return tuple(found)


def _short_words(fact: MotionFact) -> str:
    if not fact.can_begin:
        return f"{fact.words} cannot begin ({fact.first})"
    return f"{fact.words} {fact.limit_deg:.0f} of {fact.wanted_deg:.0f} deg ({fact.first})"


def _overlap(posture: PostureMotion) -> list[Doubt]:
    if not any(each.bone and each.bone.ending is Ending.OVERLAP for each in posture.motions):
        return []
    text = (
        "The femur, carried to the planned centre, overlaps the pelvis as the leg hangs: either bone there has to go, "
        "or centre, leg length, offset or the cut of the neck are not as they will be."
    )
    return [Doubt(code="motion-overlap", text=text)]


def _femur_doubts(femur: CutFemur, asked: MotionQuestions, displaced: bool) -> list[Doubt]:
    found = []
    if asked.leg_on_table is None and asked.native_version_deg is None:
        forward = femur.neck_forward_deg
        low, high = _USUAL_NECK_DEG
        turned = "" if low <= forward <= high else ", which speaks for a leg that lay turned"
        text = (
            "Nothing tells how far the leg lay turned: for bone against bone neutral is how it lay. The native neck "
            f"then looked {forward:.0f} deg forward{turned}. For each degree that it lay turned outward, external "
            "rotation here reads a degree too small and internal rotation one too large: give the native version, or "
            "how the leg lay."
        )
        found.append(Doubt(code="motion-leg-as-it-lay", text=text))
    if displaced:
        text = "The head has left its socket: how the leg lay is no neutral of the new hip."
        found.append(Doubt(code="motion-displaced", text=text))
    if femur.shaft.seen_to_mm < _LEAST_SEEN_MM:
        text = (
            f"The scan shows the femur to {femur.shaft.seen_to_mm:.0f} mm below its head only: what lies farther down "
            "meets nothing here, and the way of its shaft is uncertain."
        )
        found.append(Doubt(code="motion-femur-short", text=text))
    return found


def _close(posture: PostureMotion) -> list[Doubt]:
    """Wanted motions that bone lets go by less than two of its deviations."""
    close = [
        f"{each.words} ({each.bone.limit_deg:.0f} ± {2 * each.bone.sd_deg:.0f}, wanted {each.wanted_deg:.0f})"
        for each in posture.motions
        if each.bone and each.bone.limit_deg is not None and each.bone.sd_deg is not None
        if each.wanted_deg is not None and 0.0 <= each.bone.limit_deg - each.wanted_deg < 2 * each.bone.sd_deg
    ]
    if not close:
        return []
    return [
        Doubt(code="motion-bone-close", text=f"Bone may well stop these short of what is wanted: {'; '.join(close)}.")
    ]


def _at_cut(posture: PostureMotion) -> list[Doubt]:
    cut = [each.words for each in posture.motions if each.bone and each.bone.at_cut and each.wanted_deg is not None]
    if not cut:
        return []
    text = (
        "In these the edge of the femur's cut is what meets the pelvis, so that bone against bone hangs on how the "
        f"neck is cut: {', '.join(cut)}."
    )
    return [Doubt(code="motion-at-the-cut", text=text)]


def _unsure(posture: PostureMotion) -> list[Doubt]:
    unsure = [
        each.words
        for each in posture.motions
        if each.bone is not None
        and each.bone.ending is Ending.TOUCH
        and not each.bone.at_cut
        and (each.bone.sd_deg is None or each.bone.sd_deg > _UNSURE_DEG)
    ]
    if not unsure:
        return []
    text = (
        f"Where bone meets bone is unsure by more than {_UNSURE_DEG:.0f} deg or not known how far: {', '.join(unsure)}."
    )
    return [Doubt(code="motion-bone-unsure", text=text)]
