"""decision/posture.json: the cup in each posture of the pelvis, and the beam that shows them on the table."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Literal

import numpy as np
from pydantic import Field

from cotyle.anatomy.pelvis import Pelvis
from cotyle.case.decision.facts import DecisionFacts
from cotyle.case.decision.posture_questions import PostureQuestions
from cotyle.case.decision.postures import (
    MEAN_CHANGE_DEG,
    MOST_BACK_DEG,
    MOST_FORWARD_DEG,
    SEATED,
    STANDING,
    SUPINE,
    Known,
    KnownPosture,
    known_postures,
    sits_back_deg,
    slopes_against_tilts,
)
from cotyle.case.decision.questions import Questions
from cotyle.case.measurements import Angles, Doubt
from cotyle.case.plan_file import FrameName, PostureChoice, Targets
from cotyle.case.schema import Finite, Strict
from cotyle.case.stages import Hip, PlannedCup
from cotyle.cup.orientation import Definition, Orientation, orientation_of_axis, tilted
from cotyle.cup.posture import (
    UNBALANCED_ABOVE_DEG,
    Mobility,
    Zone,
    beam_for_posture,
    frame_at_tilt,
    mobility_of,
    tilt_window_deg,
    tilts_unfavourably,
)
from cotyle.errors import InputError
from cotyle.space.arrays import Array
from cotyle.space.frames import Frame
from cotyle.space.side import Side
from cotyle.xray.levelling.moves import setting_of_axes

_FILM_DIFFERS_DEG = 5.0


class PostureFact(Strict):
    """The pelvis and the cup in one posture; a definition that leaves an angle open is absent.

    ``anteversion_sd_deg``: of the radiographic anteversion, from the spread of the pelvis' turn alone; as it lay in the
    CT there is none. ``ante_inclination_deg`` is the operative anteversion, which a lateral film shows. ``in_zone`` is
    None where the zone says nothing of this posture.
    """

    anterior_tilt_deg: Finite
    change_from_supine_deg: Finite
    sd_deg: Finite | None
    how: Known
    orientation: dict[Definition, Angles]
    anteversion_sd_deg: Finite | None
    ante_inclination_deg: Finite | None
    in_zone: bool | None


class ZoneFact(Strict):
    """The plan's target zone, and the frame it was stated for; each posture is held against it."""

    frame: FrameName
    inclination_deg: tuple[Finite, Finite]
    anteversion_deg: tuple[Finite, Finite]
    definition: Definition


class SettingFact(Strict):
    """A C-arm against a patient who lies as in the CT: DICOM's positioner angles and the turn of the picture."""

    primary_deg: Finite
    secondary_deg: Finite
    picture_turned_deg: Finite


class BeamFact(Strict):
    """The beam that shows the standing pelvis on the table.

    ``cranial_deg`` is the tilt of the C-arm from the levelled picture; positive with the end in front of the patient
    towards the head. ``as_he_lay``: settings for the levelled picture and for the standing one.
    """

    cranial_deg: Finite
    towards: Literal["inlet", "outlet", "neither"]
    as_he_lay: dict[str, SettingFact]


class MobilityFact(Strict):
    """How the pelvis moves; None where it is not known."""

    supine_to_standing_deg: Finite | None
    unfavourable: bool | None
    sits_back_deg: Finite | None
    mobility: Mobility | None
    incidence_less_lordosis_deg: Finite | None
    balanced: bool | None


class PostureFacts(DecisionFacts):
    """The whole of decision/posture.json; ``tilt_window_deg`` is the change of anterior tilt from supine, from and to,
    in which the cup stays in the target zone.
    """

    schema_name: Literal["cotyle/posture"] = Field(default="cotyle/posture", alias="schema")
    version: Literal[1] = 1
    side: Side
    zone: ZoneFact
    usual_seated_ante_inclination_deg: tuple[Finite, Finite]
    postures: dict[str, PostureFact]
    tilt_window_deg: tuple[Finite, Finite] | None
    most_back: Angles | None
    """Radiographic angles of the cup if this pelvis tilted back as far as any of those published."""
    beam: BeamFact
    mobility: MobilityFact


def posture_of(planned: PlannedCup, hip: Hip, questions: Questions, seed: int) -> PostureFacts:
    """Return what posture does to the planned cup."""
    del hip, seed
    asked, pelvis, side = questions.posture, planned.pelvis, planned.plan.side
    axis = planned.cup.opening_axis_lps
    known = known_postures(pelvis, planned.plan.posture, asked)
    plane_sd = pelvis.uncertainty.anterior_tilt_deg
    zone = zone_of(planned.plan.targets)
    frames = {name: frame_at_tilt(pelvis, name, each.anterior_tilt_deg) for name, each in known.items()}
    facts = {name: _posture(known, name, frames[name], axis, side, zone, asked, plane_sd) for name in known}
    supine = orientation_of_axis(axis, frames[SUPINE], side, Definition.OPERATIVE)
    window = tilt_window_deg(supine, Definition.OPERATIVE, zone)
    change = known[STANDING].anterior_tilt_deg - known[SUPINE].anterior_tilt_deg
    beam = beam_for_posture(change)
    settings = {name: setting_of_axes(frames[name].axes) for name in (SUPINE, STANDING)}
    return PostureFacts(
        side=side,
        zone=ZoneFact(
            frame=planned.plan.targets.frame,
            inclination_deg=zone.inclination_deg,
            anteversion_deg=zone.anteversion_deg,
            definition=zone.definition,
        ),
        usual_seated_ante_inclination_deg=asked.seated_ante_inclination_deg,
        postures=facts,
        tilt_window_deg=window,
        most_back=_angles(axis, frame_at_tilt(pelvis, "back", known[SUPINE].anterior_tilt_deg + MOST_BACK_DEG), side),
        beam=BeamFact(
            cranial_deg=beam.cranial_deg,
            towards=beam.towards,
            as_he_lay={
                name: SettingFact(
                    primary_deg=each.primary_deg,
                    secondary_deg=each.secondary_deg,
                    picture_turned_deg=each.picture_turned_deg,
                )
                for name, each in settings.items()
            },
        ),
        mobility=_mobility(known, asked, change),
        assumptions=_ASSUMPTIONS,
        doubts=_doubts(facts, known, pelvis, asked, window, change, planned.plan.posture),
    )


def zone_of(targets: Targets) -> Zone:
    """Return the target zone of a plan."""
    inclination, anteversion = targets.inclination_deg, targets.anteversion_deg
    across, along = targets.inclination_tolerance_deg, targets.anteversion_tolerance_deg
    return Zone(
        (inclination - across, inclination + across),
        (anteversion - along, anteversion + along),
        Definition(targets.definition),
    )


def _posture(
    known: Mapping[str, KnownPosture],
    name: str,
    frame: Frame,
    axis: Array,
    side: Side,
    zone: Zone,
    asked: PostureQuestions,
    plane_sd_deg: float,
) -> PostureFact:
    orientation, here = _orientations(axis, frame, side), known[name]
    turn_sd_deg = here.turn_sd_deg
    if turn_sd_deg is not None and here.from_plane:
        turn_sd_deg = float(np.hypot(turn_sd_deg, plane_sd_deg))
    operative = orientation.get(Definition.OPERATIVE)
    ante_inclination = None if operative is None else operative.anteversion_deg
    in_zone: bool | None = None
    if name == SEATED:
        low, high = asked.seated_ante_inclination_deg
        in_zone = None if ante_inclination is None else low <= ante_inclination <= high
    elif zone.definition in orientation:
        in_zone = zone.contains(orientation[zone.definition])
    return PostureFact(
        anterior_tilt_deg=here.anterior_tilt_deg,
        change_from_supine_deg=here.anterior_tilt_deg - known[SUPINE].anterior_tilt_deg,
        sd_deg=here.sd_deg,
        how=here.how,
        orientation={
            each: Angles(inclination_deg=found.inclination_deg, anteversion_deg=found.anteversion_deg)
            for each, found in orientation.items()
        },
        anteversion_sd_deg=_anteversion_sd(orientation.get(Definition.RADIOGRAPHIC), turn_sd_deg),
        ante_inclination_deg=ante_inclination,
        in_zone=in_zone,
    )


def _orientations(axis: Array, frame: Frame, side: Side) -> dict[Definition, Orientation]:
    found = {}
    for each in Definition:
        try:
            found[each] = orientation_of_axis(axis, frame, side, each)
        except InputError:
            continue
    return found


def _angles(axis: Array, frame: Frame, side: Side) -> Angles | None:
    found = _orientations(axis, frame, side).get(Definition.RADIOGRAPHIC)
    return (
        None if found is None else Angles(inclination_deg=found.inclination_deg, anteversion_deg=found.anteversion_deg)
    )


def _anteversion_sd(radiographic: Orientation | None, turn_sd_deg: float | None) -> float | None:
    """Half the change of radiographic anteversion between one deviation of turn back and forward."""
    if radiographic is None or turn_sd_deg is None:
        return None
    back, forward = (tilted(radiographic, Definition.RADIOGRAPHIC, sign * turn_sd_deg) for sign in (-1.0, 1.0))
    return 0.5 * abs(back.anteversion_deg - forward.anteversion_deg)


def _mobility(known: dict[str, KnownPosture], asked: PostureQuestions, change: float) -> MobilityFact:
    stands = known[STANDING].how is not Known.ASSUMED
    back = sits_back_deg(known, asked)
    mismatch = None
    if asked.pelvic_incidence_deg is not None and asked.lumbar_lordosis_deg is not None:
        mismatch = asked.pelvic_incidence_deg - asked.lumbar_lordosis_deg
    return MobilityFact(
        supine_to_standing_deg=change if stands else None,
        unfavourable=tilts_unfavourably(change) if stands else None,
        sits_back_deg=back,
        mobility=None if back is None else mobility_of(back),
        incidence_less_lordosis_deg=mismatch,
        balanced=None if mismatch is None else bool(np.abs(mismatch) <= UNBALANCED_ABOVE_DEG),
    )


def _doubts(
    facts: Mapping[str, PostureFact],
    known: Mapping[str, KnownPosture],
    pelvis: Pelvis,
    asked: PostureQuestions,
    window: tuple[float, float] | None,
    change: float,
    plan: PostureChoice,
) -> tuple[Doubt, ...]:
    found = [
        Doubt(code=f"posture-hidden-{name}", text=_hidden_words(facts[name], name, asked))
        for name in (STANDING, SEATED)
        if _hidden(facts, known, name)
    ]
    if known[STANDING].how is Known.ASSUMED:
        taken = "it as it lies" if abs(change) < 0.5 else f"{change:+.0f} deg"
        text = (
            f"Nobody measured how this pelvis stands; the plan takes {taken}. Pelves tilt back by "
            f"{-MEAN_CHANGE_DEG:.1f} deg on average, from {-MOST_BACK_DEG:.1f} back to {MOST_FORWARD_DEG:.1f} forward"
        )
        out = window is not None and (window[0] > MOST_BACK_DEG or window[1] < MOST_FORWARD_DEG)
        text += (
            ": some of these would take this cup out of its zone, and a level picture on the table would not show it."
            if out
            else "."
        )
        found.append(Doubt(code="posture-standing-assumed", text=text))
    if known[SEATED].how is Known.ASSUMED:
        text = "Nobody measured how this pelvis sits: the seated cup is that of an average spine."
        found.append(Doubt(code="posture-seated-assumed", text=text))
    for name, film in ((STANDING, asked.standing), (SEATED, asked.seated)):
        if film.sacral_slope_deg is not None and known[name].how in (Known.ASSUMED, Known.PLAN, Known.IN_PLAN):
            text = f"The {name} sacral slope alone tells no tilt: give the supine one, or the {name} tilt, too."
            found.append(Doubt(code="posture-slope-alone", text=text))
    for first, second, differ in slopes_against_tilts(known, asked):
        text = (
            f"From {first} to {second}, tilts and sacral slopes differ by {abs(differ):.0f} deg, but the sacrum does "
            "not move in the pelvis: one of these numbers is wrong. Angles here go by the tilts, the class of mobility "
            "by slopes."
        )
        found.append(Doubt(code="posture-slopes-differ", text=text))
    stands, planned = known[STANDING].anterior_tilt_deg - pelvis.anterior_tilt_deg, pelvis.standing_tilt_change_deg
    if abs(stands - planned) > _FILM_DIFFERS_DEG:
        text = (
            f"Standing, the pelvis tilts by {stands:+.0f} deg here, by {planned:+.0f} deg in the plan, and the rest of "
            "this report goes by the plan: give the plan the same, as the change of tilt on standing."
        )
        found.append(Doubt(code="posture-standing-differs", text=text))
    sits, planned_seat = known[SEATED].anterior_tilt_deg - pelvis.anterior_tilt_deg, plan.seated_tilt_change_deg
    if planned_seat is not None and abs(sits - planned_seat) > _FILM_DIFFERS_DEG:
        text = (
            f"Seated, the pelvis tilts by {sits:+.0f} deg here, by {planned_seat:+.0f} deg in the plan: what was given "
            "here is followed."
        )
        found.append(Doubt(code="posture-seated-differs", text=text))
    lying = known[SUPINE].anterior_tilt_deg - pelvis.anterior_tilt_deg
    if abs(lying) > _FILM_DIFFERS_DEG:
        text = (
            f"The supine tilt that was given differs by {lying:+.0f} deg from how the pelvis lay in the CT: the rest "
            "of this report goes by the CT."
        )
        found.append(Doubt(code="posture-supine-differs", text=text))
    return tuple(found)


def _hidden(facts: Mapping[str, PostureFact], known: Mapping[str, KnownPosture], name: str) -> bool:
    """Whether the levelled picture looks right while the cup in a known posture is not."""
    return bool(facts[SUPINE].in_zone) and known[name].how is not Known.ASSUMED and facts[name].in_zone is False


def _hidden_words(fact: PostureFact, name: str, asked: PostureQuestions) -> str:
    radiographic = fact.orientation.get(Definition.RADIOGRAPHIC)
    angles = (
        ""
        if radiographic is None
        else f": inclination {radiographic.inclination_deg:.0f}, anteversion {radiographic.anteversion_deg:.0f} deg "
        "(radiographic)"
    )
    if name == SEATED:
        low, high = asked.seated_ante_inclination_deg
        return (
            f"A level picture on the table shows this cup on target, but seated its ante-inclination is "
            f"{fact.ante_inclination_deg:.0f} deg, outside the usual {low:.0f} to {high:.0f}{angles}."
        )
    return f"A level picture on the table shows this cup on target, but {name} it lies outside the zone{angles}."


_ASSUMPTIONS = (
    "A posture turns the pelvis about its transverse axis alone: no rotation, no obliquity, both hips loaded alike.",
    "The sacrum does not move in the pelvis, so a sacral slope changes as much as the tilt (Legaye et al. 1998).",
    "The target zone is the plan's, held against each posture: a habit of the trade, no promise against dislocation.",
)
