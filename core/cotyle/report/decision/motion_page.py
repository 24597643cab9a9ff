"""The page on motion, from its file alone."""

from __future__ import annotations

from cotyle.case.decision.motion_facts import (
    BoneFact,
    FemurFact,
    MotionFact,
    MotionFacts,
    NeckFact,
    NeckInLinerFact,
    PlaceFact,
    PostureMotion,
)
from cotyle.case.decision.postures import STANDING, SUPINE
from cotyle.cup.motion.bone_range import FARTHEST_DEG, Ending
from cotyle.cup.motion.free_motion import First
from cotyle.report.decision.part_page import PartPage, Shown, Table
from cotyle.report.tiles import Tile, minus

_IN_TILES = {
    "flexion": "Flexion",
    "extension": "Extension",
    "internal_rotation_at_90_flexion": "Internal rotation at 90 flexion",
    "external_rotation": "External rotation",
    "adduction": "Adduction",
}
_MEETS = {First.NECK: "the neck meets the rim", First.BONE: "bone meets bone", First.NEITHER: "nothing is met"}


def motion_page(facts: MotionFacts) -> PartPage:
    """Return the page on motion."""
    here = facts.postures[facts.posture]
    if facts.neck is None and facts.femur is None:
        # a motion that nothing was held against must not look free
        return PartPage(lead=_lead(facts, here), tiles=(_version_tile(here),))
    return PartPage(
        lead=_lead(facts, here),
        tiles=(
            *(_tile(_named(here, name), title, facts) for name, title in _IN_TILES.items()),
            _version_tile(here),
        ),
        advice=_advice(facts, here),
        body=(
            _limits(facts.posture, here, facts),
            *_pictures(facts),
            *(
                _limits(name, facts.postures[name], facts)
                for name in (SUPINE, STANDING)
                if name in facts.postures and name != facts.posture
            ),
            _sources(here),
            _taken(facts),
        ),
    )


def _named(posture: PostureMotion, name: str) -> MotionFact:
    return next(each for each in posture.motions if each.name == name)


def _lead(facts: MotionFacts, here: PostureMotion) -> str:
    if facts.neck is None and facts.femur is None:
        return "Neither the stem is given nor can the femur be moved: nothing is said of motion."
    wanted = [each for each in here.motions if each.wanted_deg is not None]
    tight = min(wanted, key=lambda each: (each.can_begin, _spare(each)))
    known = "neck and bone" if facts.neck and facts.femur else "the neck alone" if facts.neck else "bone alone"
    short = sum(each.short for each in wanted)
    fall = "falls" if short == 1 else "fall"
    held = f"{short} of {len(wanted)} wanted motions {fall} short" if short else "Every wanted motion is free"
    if not tight.can_begin:
        end = f"{tight.words} cannot even begin ({tight.first})"
    elif tight.limit_deg is None:
        end = "nothing is met within the motions looked at"
    else:
        end = (
            f"the tightest is {tight.words}, {tight.limit_deg:.0f} deg until {_MEETS[tight.first]} where "
            f"{tight.wanted_deg:.0f} are wanted"
        )
    turned = "" if facts.femur is None or not _turn_unknown(facts) else " How far the leg lay turned is not known."
    return f"{held}, {facts.posture}, by {known}; {end}.{turned}"


def _spare(each: MotionFact) -> float:
    return FARTHEST_DEG if each.margin_deg is None else each.margin_deg


def _turn_unknown(facts: MotionFacts) -> bool:
    return facts.femur is not None and facts.femur.rotation_known == "as it lay"


def _tile(fact: MotionFact, title: str, facts: MotionFacts) -> Tile:
    if not fact.can_begin:
        return Tile(title, "none", "", "", str(fact.first), True)
    wanted = "" if fact.wanted_deg is None else f"; wanted {fact.wanted_deg:.0f}"
    if fact.limit_deg is None:
        alone = "" if facts.neck and facts.femur else " by the neck alone" if facts.neck else " by bone alone"
        return Tile(title, "free", "", "", f"nothing met within {FARTHEST_DEG:.0f} deg{alone}{wanted}")
    bone_first = fact.first is First.BONE and fact.bone is not None and fact.bone.sd_deg is not None
    spread = f"{2 * fact.bone.sd_deg:.1f}" if bone_first and fact.bone and fact.bone.sd_deg is not None else ""
    turn = (
        "; hangs on how the leg lay turned, not known"
        if bone_first and _turn_unknown(facts) and "rotation" in fact.name
        else ""
    )
    return Tile(title, f"{fact.limit_deg:.0f}", "deg", spread, f"{fact.first}{wanted}{turn}", fact.short)


def _version_tile(here: PostureMotion) -> Tile:
    title = "Cup and stem version"
    if here.combined is None:
        low, high = here.stem_version_for_target_deg
        note = minus(f"25 to 50 together needs a stem of {low:.0f} to {high:.0f} deg")
        return Tile(title, "not known", "", "", f"stem not given; {note}")
    found = here.combined
    note = f"sum with radiographic anteversion; {found.anatomic_deg:.0f} with anatomic; 25 to 50 after Dorr 2009"
    return Tile(title, minus(f"{found.radiographic_deg:.0f}"), "deg", "", note, not found.within_target)


def _pictures(facts: MotionFacts) -> tuple[Shown, ...]:
    neck = "the stem is not given" if facts.neck is None else _neck_words(facts.neck)
    bone = "bone not worked out" if facts.femur is None else _leg_words(facts.femur)
    found = [
        Shown(
            "limits",
            f"How far each motion goes, {facts.posture}: {_bars(facts)}. Mark: how far it should go.",
            f"{neck}; {bone}; no soft tissue.",
            width="most",
        ),
        Shown(
            "reach",
            f"How far the thigh leans from neutral in each direction, {facts.posture}, rings in degrees; it does not "
            "turn about itself.",
            f"as above; bone is followed to {FARTHEST_DEG:.0f} deg, in {len(facts.reach.direction_deg)} directions.",
            width="rest",
        ),
    ]
    if facts.neck is not None:
        found.append(
            Shown(
                "map",
                "Cups that would let the neck do what is wanted: degrees to spare in the tightest motion, named in "
                "each part; dark falls short. Within the dashed line bone is tighter than the neck: turning the cup "
                "gains nothing there.",
                f"angles in the frame of the posture ({facts.posture}); centre and femur as planned; stem and liner as "
                "above.",
                width="half",
            )
        )
    return tuple(found)


def _bars(facts: MotionFacts) -> str:
    neck, bone = "solid until the neck meets the rim", "hatched until bone meets bone"
    return ", ".join(words for words, known in ((neck, facts.neck), (bone, facts.femur)) if known is not None)


def _neck_words(neck: NeckInLinerFact) -> str:
    stem = neck.stem
    how = "given" if neck.head_given else "the largest usual one for this cup"
    chamfer = "" if neck.chamfer_mm == 0 else f", chamfer {neck.chamfer_mm:g} mm at {neck.chamfer_deg:g} deg"
    height = neck.face_height_mm
    face = f"{abs(height):g} mm {'beyond' if height > 0 else 'short of'}" if height else "level with"
    return (
        f"stem version {minus(f'{stem.version_deg:g}')} deg, neck-shaft angle {stem.neck_shaft_deg:g} deg, neck "
        f"{stem.neck_diameter_mm:g} mm in a head of {neck.head_diameter_mm:g} mm ({how}), face of the liner {face} "
        f"the middle of the head{chamfer}"
    )


def _leg_words(femur: FemurFact) -> str:
    if femur.rotation_known == "as it lay":
        return "the leg hangs as it lay in the scan, its rotation unknown"
    leg = femur.leg_on_table
    return minus(
        f"the leg's pose in the scan taken off ({femur.rotation_known}: flexion {leg.flexion_deg:.0f}, abduction "
        f"{leg.abduction_deg:.0f}, internal rotation {leg.internal_rotation_deg:.0f} deg)"
    )


def _limits(name: str, posture: PostureMotion, facts: MotionFacts) -> Table:
    unsure = _turn_unknown(facts)
    neck = () if facts.neck is None else ("neck meets rim, deg",)
    bone = () if facts.femur is None else ("bone meets bone, deg", "bone met, mm from the new centre")
    told = "" if facts.neck is None else " Neck: exact for the parts named."
    if facts.femur is not None:
        told += (
            " Bone: ± two standard deviations, from the edges of both bones in the scan; where the femur touches with "
            "the edge of its cut (at the cut), from a cut that is 2 mm off."
        )
    if unsure:
        told += " ?: hangs on how the leg lay turned, which is not known."
    return Table(
        (f"motion, {name}", *neck, *bone, "wanted, deg", "to spare, deg"),
        tuple(_row(each, facts) for each in posture.motions),
        minus(
            f"Pelvis tilted {posture.anterior_tilt_deg:+.1f} deg forward ({posture.how}); cup "
            f"{posture.inclination_deg:.1f} / {posture.anteversion_deg:.1f} deg, inclination / anteversion, "
            "radiographic, in that frame."
        )
        + f"{told} Bold: falls short.",
        frozenset(number for number, each in enumerate(posture.motions) if each.short),
        frozenset({2 + len(neck)} if bone else ()),
    )


def _row(fact: MotionFact, facts: MotionFacts) -> tuple[str, ...]:
    cells = [fact.words]
    if facts.neck is not None:
        cells.append(_neck_limit(fact.neck))
    if facts.femur is not None:
        at = None if fact.bone is None else fact.bone.meets_at_mm
        turns = _turn_unknown(facts) and "rotation" in fact.name
        cells += [_bone_limit(fact.bone) + (" ?" if turns else ""), "" if at is None else _place_words(at)]
    return (
        *cells,
        "" if fact.wanted_deg is None else f"{fact.wanted_deg:g}",
        "" if fact.margin_deg is None else minus(f"{fact.margin_deg:+.0f}"),
    )


def _sources(here: PostureMotion) -> Table:
    """Who wants what: each source once."""
    by_source: dict[str, list[str]] = {}
    for each in here.motions:
        if each.wanted_deg is not None:
            by_source.setdefault(each.source, []).append(f"{each.words} {each.wanted_deg:g}")
    rows = tuple((", ".join(words), source) for source, words in by_source.items())
    return Table(("wanted, deg", "source"), rows, words=frozenset({1}))


def _neck_limit(neck: NeckFact | None) -> str:
    if neck is None:
        return "not worked out"
    return neck.ending if neck.limit_deg is None else f"{neck.limit_deg:.1f}"


def _bone_limit(bone: BoneFact | None) -> str:
    if bone is None:
        return "not worked out"
    if bone.limit_deg is None:
        return f"none within {FARTHEST_DEG:.0f}" if bone.ending is Ending.FREE else str(bone.ending)
    spread = "?" if bone.sd_deg is None else f"{2 * bone.sd_deg:.1f}"
    return f"{bone.limit_deg:.1f} ± {spread}" + (", at the cut" if bone.at_cut else "")


def _place_words(at: PlaceFact) -> str:
    pairs = (
        (at.anterior, "in front", "behind"),
        (at.superior, "above", "below"),
        (at.lateral, "lateral", "medial"),
    )
    return ", ".join(f"{abs(value):.0f} {plus if value > 0 else other}" for value, plus, other in pairs)


def _taken(facts: MotionFacts) -> Table:
    rows = []
    if facts.neck is not None:
        rows.append(("neck in the liner", _neck_words(facts.neck)))
        rows.append(
            ("oscillation angle", f"{facts.neck.oscillation_deg:.2f} deg (neck free to {facts.neck.free_lean_deg:.2f})")
        )
    if facts.femur is not None:
        rows += _femur_rows(facts.femur)
    here = facts.postures[facts.posture]
    if here.window is not None:
        for words, span in (("inclination", here.window.inclination_deg), ("anteversion", here.window.anteversion_deg)):
            text = "none with the other angle as planned" if span is None else f"{span[0]:.1f} to {span[1]:.1f} deg"
            rows.append((f"{words} at which the neck lets every wanted motion", minus(text)))
    if here.combined is not None:
        text = f"{here.combined.widmer_excess_deg:+.1f} deg off 37.3 (Widmer and Zurfluh 2004, from memory)"
        rows.append(("radiographic cup anteversion + 0.7 x stem version", minus(text)))
    return Table(("what went in", ""), tuple(rows), words=frozenset({1}))


def _femur_rows(femur: FemurFact) -> list[tuple[str, str]]:
    tip = femur.lesser_trochanter_below_head_mm
    trochanter = "" if tip is None else f"; tip of the lesser trochanter {tip:.0f} mm below the head along the shaft"
    return [
        ("leg", _leg_words(femur)),
        (
            "femur in neutral",
            minus(
                f"native neck {femur.neck_forward_deg:.0f} deg forward, shaft {femur.shaft_flexion_deg:.0f} deg flexed "
                f"and {femur.shaft_abduction_deg:.0f} abducted; seen to {femur.seen_to_mm:.0f} mm below the head"
            ),
        ),
        (
            "cut of the neck",
            f"{femur.cut_angle_deg:g} deg to the shaft, {femur.cut_from_head_mm:.0f} mm from the middle of the native "
            f"head{trochanter}; the greater trochanter stays (common practice, no source)",
        ),
        (
            "stem against the native femur",
            minus(f"leg {femur.leg_longer_mm:+g} mm, offset {femur.offset_more_mm:+g} mm"),
        ),
    ]


def _advice(facts: MotionFacts, here: PostureMotion) -> tuple[str, ...]:
    found = []
    bone_short = [
        each.words
        for each in here.motions
        if each.wanted_deg is not None and each.bone and each.bone.limit_deg is not None
        if each.bone.limit_deg < each.wanted_deg
    ]
    if bone_short:
        found.append(
            f"Bone stops {', '.join(bone_short)} too early: no turn of the cup helps. More offset or length, a centre "
            "farther out, or less bone where they meet would."
            + (" How far the leg lay turned is not known, so this is unsure." if _turn_unknown(facts) else "")
        )
    if facts.neck is not None and here.window is not None and here.window.anteversion_deg is None:
        found.append("The neck does not let this cup do all that is wanted: see the map for cups that would.")
    return tuple(found)
