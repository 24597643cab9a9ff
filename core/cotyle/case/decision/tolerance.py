"""decision/tolerance.json: how much of the plan stands when hand, picture, pelvis and bone edge are a little off."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Literal

import numpy as np
from pydantic import Field

from cotyle.case.decision.facts import DecisionFacts
from cotyle.case.decision.posture import zone_of
from cotyle.case.decision.postures import MOST_BACK_DEG, MOST_FORWARD_DEG, STANDING, Known, known_postures
from cotyle.case.decision.questions import Questions
from cotyle.case.decision.tolerance_check import APART, CheckedFact, checked_fact, doubts_of_estimates, measuring
from cotyle.case.decision.tolerance_questions import ToleranceQuestions
from cotyle.case.measurements import Doubt
from cotyle.case.schema import Finite, Strict
from cotyle.case.stages import Hip, PlannedCup
from cotyle.cup.orientation import Definition
from cotyle.cup.posture import frame_at_tilt
from cotyle.cup.tolerance.causes import Cause, Spreads, errors_of, standard_deviates
from cotyle.cup.tolerance.procedures import Outcome, Planned, Procedures, procedures
from cotyle.cup.tolerance.sample import compared, drawn_sample, estimated_again, moved_to_sample
from cotyle.cup.tolerance.shares import variance_shares
from cotyle.cup.tolerance.stop import stop_before
from cotyle.space.arrays import Array

_DEVIATIONS_IN_RANGE = 3.3
_PROCEDURES_FOR_STOP = 2000
_SHOWN = 400
_OFTEN_OUT = 0.9
_GONE_COVERAGE = 0.1

NAMES = {
    Outcome.INCLINATION: "inclination_deg",
    Outcome.ANTEVERSION: "anteversion_deg",
    Outcome.STANDING_INCLINATION: "standing_inclination_deg",
    Outcome.STANDING_ANTEVERSION: "standing_anteversion_deg",
    Outcome.WALL_ALONG: "wall_along_axis_mm",
    Outcome.LEAST_WALL: "least_wall_mm",
    Outcome.COVERAGE: "coverage",
    Outcome.MEDIAL: "center_medial_mm",
    Outcome.SUPERIOR: "center_superior_mm",
    Outcome.ANTERIOR: "center_anterior_mm",
}


class OutcomeFact(Strict):
    """One figure of the cup over all procedures.

    ``interval``: from the 2.5th to the 97.5th percentile. ``shares``: of its variance, 0 to 1, that each cause explains
    alone; ``together``: what none does.
    """

    planned: Finite
    mean: Finite
    sd: Finite
    interval: tuple[Finite, Finite]
    shares: dict[Cause, Finite]
    together: Finite


class ChanceFact(Strict):
    """Chances, 0 to 1. The zone is the plan's target; standing, the same zone is held against the standing pelvis."""

    in_zone: Finite
    standing_in_zone: Finite
    breach: Finite
    below_least_wall: Finite
    least_wall_limit_mm: Finite


class StopFact(Strict):
    """Where to stop reaming for a picture: mm before the seat, None where 12 mm before it is still not sure.

    Chances that the least wall is below the limit: at the seat by feel alone, at the stop, and at the seat once a
    picture at the stop has told depth and direction. ``accepted``: what was asked for at the stop.
    """

    before_seat_mm: Finite | None
    at_seat: Finite
    at_stop: Finite
    after_picture: Finite
    accepted: Finite


class ToleranceFacts(DecisionFacts):
    """The whole of decision/tolerance.json.

    ``spreads``: one standard deviation of everything that errs. Angles are radiographic, in ``supine`` and in
    ``standing``. ``shown``: some of the procedures for the picture: inclination, anteversion, least wall. ``checked``:
    how far the estimates of wall and coverage were off.
    """

    schema_name: Literal["cotyle/tolerance"] = Field(default="cotyle/tolerance", alias="schema")
    version: Literal[1] = 1
    procedures: int
    spreads: dict[str, Finite]
    standing_assumed: bool
    outcomes: dict[str, OutcomeFact]
    chances: ChanceFact
    stop: StopFact
    zone_inclination_deg: tuple[Finite, Finite]
    zone_anteversion_deg: tuple[Finite, Finite]
    zone_definition: Definition
    zone_frame: str
    shown: tuple[tuple[Finite, Finite, Finite], ...]
    checked: CheckedFact | None = None


def tolerance_of(planned: PlannedCup, hip: Hip, questions: Questions, seed: int) -> ToleranceFacts:
    """Return how the planned cup fares over thousands of procedures; the same seed gives the same ones."""
    asked = questions.tolerance
    spreads, assumed = spreads_of(planned, questions)
    plan = planned_of(planned, hip, questions)
    deviates = standard_deviates(asked.procedures, seed)
    errors = errors_of(spreads, deviates)
    found = procedures(plan, errors)
    # what the plan itself is, whatever its procedures are moved to
    exact = procedures(plan, errors_of(Spreads(), deviates[:1])).outcomes[0]
    sample, measure = drawn_sample(found, seed), measuring(planned, hip)
    held = compared(plan, errors, sample, measure)
    plan, shift = moved_to_sample(plan, errors, held, APART)
    if shift.any():
        held = estimated_again(plan, errors, held)
        found = procedures(plan, errors)
    checked = checked_fact(held, shift)
    limit = planned.plan.targets.least_wall_mm if asked.least_wall_mm is None else asked.least_wall_mm
    stop = stop_before(plan, spreads, deviates[:_PROCEDURES_FOR_STOP], limit, asked.accepted_chance)
    outcomes = {
        name: _outcome(float(exact[each]), found.of(each), variance_shares(errors, found.of(each)))
        for each, name in NAMES.items()
    }
    chances = _chances(found, limit)
    stop_fact = StopFact(
        before_seat_mm=stop.before_mm,
        at_seat=stop.at_seat,
        at_stop=stop.at_stop,
        after_picture=stop.after_picture,
        accepted=asked.accepted_chance,
    )
    return ToleranceFacts(
        procedures=asked.procedures,
        spreads={name: float(value) for name, value in vars(spreads).items()},
        standing_assumed=assumed,
        outcomes=outcomes,
        chances=chances,
        stop=stop_fact,
        zone_inclination_deg=plan.zone.inclination_deg,
        zone_anteversion_deg=plan.zone.anteversion_deg,
        zone_definition=plan.zone.definition,
        zone_frame=plan.zone_frame.name,
        shown=_some(found),
        checked=checked,
        assumptions=_ASSUMPTIONS,
        doubts=(*_doubts(outcomes, chances, stop_fact, assumed, asked), *doubts_of_estimates(checked)),
    )


def spreads_of(planned: PlannedCup, questions: Questions) -> tuple[Spreads, bool]:
    """Return one standard deviation of everything that errs, and whether the standing tilt's is assumed."""
    asked, plane = questions.tolerance, planned.pelvis.uncertainty
    standing = known_postures(planned.pelvis, planned.plan.posture, questions.posture)[STANDING]
    tilt, assumed = asked.standing_tilt_deg, False
    if tilt is None:
        tilt, assumed = standing.turn_sd_deg, standing.how is Known.ASSUMED
    if tilt is None:
        tilt = (MOST_FORWARD_DEG - MOST_BACK_DEG) / 2 / _DEVIATIONS_IN_RANGE
    wall = planned.wall
    spreads = Spreads(
        plane_tilt_deg=plane.anterior_tilt_deg,
        plane_rotation_deg=plane.rotation_to_left_deg,
        plane_obliquity_deg=plane.left_up_deg,
        native_center_mm=planned.socket.center_uncertainty_mm,
        wall_mm=wall.uncertainty_mm,
        least_wall_mm=wall.minimum_uncertainty_mm,
        coverage=planned.coverage_uncertainty,
        picture_tilt_deg=asked.picture_tilt_deg,
        picture_rotation_deg=asked.picture_rotation_deg,
        picture_turn_deg=asked.picture_turn_deg,
        picture_across_mm=asked.picture_across_mm,
        picture_depth_mm=asked.picture_depth_mm,
        standing_tilt_deg=tilt,
        hand_inclination_deg=asked.hand_inclination_deg,
        hand_anteversion_deg=asked.hand_anteversion_deg,
        hand_across_mm=asked.hand_across_mm,
        depth_mm=asked.depth_mm,
        one_size_up=asked.one_size_up,
        one_size_down=asked.one_size_down,
    )
    return spreads, assumed


def planned_of(planned: PlannedCup, hip: Hip, questions: Questions) -> Planned:
    """Return what the procedures need of a planned cup."""
    pelvis, targets = planned.pelvis, planned.plan.targets
    stands = known_postures(pelvis, planned.plan.posture, questions.posture)[STANDING]
    return Planned(
        cup=planned.cup,
        ground=hip.ground,
        last_under_mm=planned.plan.reaming.last_under_mm,
        along_mm=planned.wall.along_axis_mm,
        least_mm=planned.wall.minimum_mm,
        coverage=planned.coverage.fraction,
        supine=pelvis.supine,
        standing=frame_at_tilt(pelvis, STANDING, stands.anterior_tilt_deg),
        zone=zone_of(targets),
        zone_frame=pelvis.frames[targets.frame],
        standing_from_plane=stands.from_plane,
        zone_from_plane=targets.frame == "app",
    )


def _outcome(exact: float, found: Array, shares: Mapping[Cause, float]) -> OutcomeFact:
    low, high = np.quantile(found, (0.025, 0.975))
    return OutcomeFact(
        planned=exact,
        mean=float(found.mean()),
        sd=float(found.std(ddof=1)),
        interval=(float(low), float(high)),
        shares=dict(shares),
        together=max(1.0 - sum(shares.values()), 0.0) if any(shares.values()) else 0.0,
    )


def _chances(found: Procedures, limit_mm: float) -> ChanceFact:
    along, least = found.of(Outcome.WALL_ALONG), found.of(Outcome.LEAST_WALL)
    breached = (along <= 0.0) | (least <= 0.0)
    return ChanceFact(
        in_zone=float(found.in_zone.mean()),
        standing_in_zone=float(found.standing_in_zone.mean()),
        breach=float(breached.mean()),
        below_least_wall=float((breached | (least < limit_mm)).mean()),
        least_wall_limit_mm=limit_mm,
    )


def _some(found: Procedures) -> tuple[tuple[float, float, float], ...]:
    columns = [Outcome.INCLINATION, Outcome.ANTEVERSION, Outcome.LEAST_WALL]
    rows = np.round(found.outcomes[:_SHOWN][:, columns], 2)
    return tuple((float(a), float(b), float(c)) for a, b, c in rows)


def _doubts(
    outcomes: dict[str, OutcomeFact],
    chances: ChanceFact,
    stop: StopFact,
    assumed: bool,
    asked: ToleranceQuestions,
) -> tuple[Doubt, ...]:
    found = []
    if chances.breach > asked.accepted_chance:
        text = f"In {100 * chances.breach:.0f} of 100 procedures the cavity goes through the inner wall."
        found.append(Doubt(code="tolerance-breach", text=text))
    if stop.before_seat_mm is None:
        text = (
            f"Even 12 mm before the seat the wall is below {chances.least_wall_limit_mm:g} mm in "
            f"{100 * stop.at_stop:.0f} of 100 procedures: there is no depth at which a picture comes early enough."
        )
        found.append(Doubt(code="tolerance-no-stop", text=text))
    elif stop.after_picture > stop.accepted:
        text = (
            f"Also with a picture on the way the wall ends below {chances.least_wall_limit_mm:g} mm in "
            f"{100 * stop.after_picture:.0f} of 100 procedures: plan less depth."
        )
        found.append(Doubt(code="tolerance-picture-too-coarse", text=text))
    for chance, where in ((chances.in_zone, "lying"), (chances.standing_in_zone, "standing")):
        if chance < _OFTEN_OUT:
            text = f"In {100 * (1 - chance):.0f} of 100 procedures the cup ends outside the target zone, {where}."
            found.append(Doubt(code=f"tolerance-out-{where}", text=text))
    coverage = outcomes[NAMES[Outcome.COVERAGE]]
    if coverage.planned - coverage.interval[0] > _GONE_COVERAGE:
        text = (
            f"Coverage stands at {100 * coverage.planned:.0f} % as planned and falls to "
            f"{100 * coverage.interval[0]:.0f} % in the worst of 40 procedures."
        )
        found.append(Doubt(code="tolerance-coverage", text=text))
    if assumed:
        text = "Nobody measured how this pelvis stands: its tilt was given the spread of all pelves."
        found.append(Doubt(code="tolerance-standing-assumed", text=text))
    return tuple(found)


_ASSUMPTIONS = (
    "Everything errs on its own, normally and about no error; hand and picture as given or by the defaults of the "
    "table, landmarks and bone edges as stated in this report.",
    "The hand follows one picture; a picture that misjudges the pelvis turns the cup by as much.",
    "Wall and coverage of each procedure are quick estimates moved to the plan's measured figures; some procedures are "
    "measured in full, and the table says how far the estimates were off (docs/methods/tolerance.md).",
)
