"""The page on posture, from its file alone."""

from __future__ import annotations

from cotyle.case.decision.posture import PostureFact, PostureFacts
from cotyle.case.decision.postures import SEATED, STANDING, SUPINE, Known
from cotyle.cup.orientation import Definition
from cotyle.cup.posture import Mobility
from cotyle.report.decision.part_page import PartPage, Shown, Table
from cotyle.report.tiles import Tile, minus

_TITLES = {SUPINE: "on the table (supine)", STANDING: "standing", SEATED: "seated, relaxed"}


def posture_page(facts: PostureFacts) -> PartPage:
    """Return the page on posture."""
    return PartPage(
        lead=_lead(facts),
        tiles=tuple(_tile(facts, name) for name in (SUPINE, STANDING, SEATED)),
        advice=_advice(facts),
        body=(
            Shown(
                "tilt",
                f"Angles of the planned cup ({facts.zone.definition}) against the tilt of the pelvis. Band: target "
                "zone. Dashed: tilts at which the cup leaves it. Hollow: assumed. Bars: two standard deviations of the "
                "tilt.",
                "the pelvis turns about its transverse axis alone; exact. Grey bar: smallest to largest change from "
                "lying to standing in 1517 patients (Pierrepont et al., Bone Joint J 2017;99-B:184).",
                width="most",
            ),
            _angles(facts),
            _movement(facts),
            Shown(
                "side",
                "The hip bone from the side with the cup's rim and axis; front to the right, on the table front up and "
                "head to the left. Grey line: anterior pelvic plane.",
                "bones as in the CT, turned by the tilts above; beams run through the middle of the cup.",
            ),
        ),
    )


def _lead(facts: PostureFacts) -> str:
    beam, window = facts.beam, facts.tilt_window_deg
    if window is None:
        held = "Lying on the table the planned cup is outside the target zone."
    else:
        back, forward = -window[0], window[1]
        held = (
            f"The planned cup stays in the target zone while the pelvis tilts up to {back:.1f} deg back or "
            f"{forward:.1f} deg forward from how it lies."
        )
    if beam.towards == "neither":
        return (
            f"{held} The levelled picture shows the standing pelvis as it is taken to be: no tilt of the C-arm needed."
        )
    size, end = abs(beam.cranial_deg), "head" if beam.cranial_deg > 0 else "feet"
    return (
        f"{held} To see on the table what the pelvis does standing, tilt the C-arm {size:.0f} deg towards "
        f"{beam.towards} from the levelled picture (detector, tube under the table, towards the {end})."
    )


def _tile(facts: PostureFacts, name: str) -> Tile:
    fact = facts.postures[name]
    angles = fact.orientation.get(Definition.RADIOGRAPHIC)
    if angles is None:
        return Tile(_TITLES[name].capitalize(), "undefined", "", "", str(fact.how), True)
    value = minus(f"{angles.inclination_deg:.0f} / {angles.anteversion_deg:.0f}")
    spread = f"{2 * fact.anteversion_sd_deg:.1f}" if fact.anteversion_sd_deg else ""
    known = "± of the anteversion, from the tilt" if spread else _without_spread(fact)
    note = (
        "inclination / anteversion, radiographic; pelvis tilted "
        f"{tilt_words(fact.anterior_tilt_deg)}, {fact.how}; {known}"
    )
    return Tile(_TITLES[name].capitalize(), value, "deg", spread, note, _is_out(fact))


def _without_spread(fact: PostureFact) -> str:
    return "± not known" if fact.anteversion_sd_deg is None else "no ± from posture"


def _is_out(fact: PostureFact) -> bool:
    """Whether a cup lies outside its zone in a posture that is known."""
    return fact.in_zone is False and fact.how is not Known.ASSUMED


def _angles(facts: PostureFacts) -> Table:
    rows = [_row(_TITLES[name], facts.postures[name], name) for name in (SUPINE, STANDING, SEATED)]
    low, high = facts.usual_seated_ante_inclination_deg
    return Table(
        (
            "posture",
            "anterior tilt, deg",
            "radiographic, deg",
            "operative, deg",
            "anatomic, deg",
            "± 2 SD of anteversion, deg",
            "ante-inclination, deg",
            "in its zone",
        ),
        tuple(rows),
        "Inclination / anteversion, definitions after Murray 1993, in the frame of the posture. ± from the "
        "tilt alone. Ante-inclination is the operative anteversion. Zone: the plan's target, "
        f"stated for the {facts.zone.frame} frame, lying and standing; seated "
        f"{low:.0f} to {high:.0f} deg of ante-inclination, what was seen in 85 hips (Kanawade et al., J Bone Joint "
        "Surg Am 2014;96:978), not what is safe.",
    )


def _row(words: str, fact: PostureFact, name: str) -> tuple[str, ...]:
    def pair(definition: Definition) -> str:
        angles = fact.orientation.get(definition)
        return "undefined" if angles is None else minus(f"{angles.inclination_deg:.1f} / {angles.anteversion_deg:.1f}")

    zone = {True: "yes", False: "no", None: "not known"}[fact.in_zone]
    if fact.how is Known.ASSUMED:
        zone += ", if so"
    return (
        words,
        f"{_signed(fact.anterior_tilt_deg)}, {fact.how}",
        *(pair(each) for each in Definition),
        f"{2 * fact.anteversion_sd_deg:.1f}" if fact.anteversion_sd_deg else _without_spread(fact),
        "undefined" if fact.ante_inclination_deg is None else minus(f"{fact.ante_inclination_deg:.1f}"),
        zone,
    )


def _movement(facts: PostureFacts) -> Table:
    found = facts.mobility
    unfavourable = {None: "", True: "unfavourable: 13 deg or more back", False: "less than 13 deg back"}
    balanced = {None: "", True: "balanced: within 10 deg", False: "unbalanced: more than 10 deg"}
    classes = {
        None: "",
        Mobility.STIFF: "stiff: below 10 deg",
        Mobility.NORMAL: "normal: 10 to 30 deg",
        Mobility.HYPERMOBILE: "hypermobile: above 30 deg",
    }
    return Table(
        ("how the pelvis moves", "deg", "class", "source"),
        (
            (
                "forward from lying to standing",
                _known(found.supine_to_standing_deg),
                unfavourable[found.unfavourable],
                "Langston et al., Bone Joint J 2018;100-B:845",
            ),
            (
                "back from standing to sitting",
                _known(found.sits_back_deg),
                classes[found.mobility],
                "Innmann et al., Bone Joint J 2019;101-B:902; Haffer et al., J Clin Med 2020;9:2569",
            ),
            (
                "pelvic incidence less lumbar lordosis",
                _known(found.incidence_less_lordosis_deg),
                balanced[found.balanced],
                "Haffer et al., J Clin Med 2020;9:2569",
            ),
        ),
        "From standing to relaxed sitting many spines look stiff that are not (Sharma et al., J Arthroplasty "
        "2023;38:713).",
        words=frozenset({2, 3}),
    )


def _advice(facts: PostureFacts) -> tuple[str, ...]:
    settings = facts.beam.as_he_lay
    words = []
    for name, goal in ((SUPINE, "levelled"), (STANDING, "standing")):
        each = settings[name]
        side = "left" if each.primary_deg >= 0 else "right"
        end = "head" if each.secondary_deg >= 0 else "feet"
        turn = "clockwise" if each.picture_turned_deg >= 0 else "counter-clockwise"
        words.append(
            f"{goal}: {abs(each.primary_deg):.1f} deg to the patient's {side}, {abs(each.secondary_deg):.1f} deg to "
            f"the {end}, picture turned {abs(each.picture_turned_deg):.1f} deg {turn}"
        )
    return (
        "Nobody lies on the table as in the CT: level the picture first, then tilt. For a patient who did lie so, the "
        f"end of the C-arm in front of the patient stands, {words[0]}; {words[1]}.",
    )


def _known(value: float | None) -> str:
    return "not known" if value is None else _signed(value)


def tilt_words(tilt_deg: float) -> str:
    """Which way and how far the pelvis is tilted, in whole degrees."""
    return f"{abs(tilt_deg):.0f} deg {'forward' if tilt_deg >= 0 else 'back'}"


def _signed(value: float) -> str:
    text = f"{value:+.1f}"
    return "0.0" if text in ("+0.0", "-0.0") else minus(text)
