"""decision/options.json: a few cups for this hip, each the best in one respect, with what each costs."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import asdict
from typing import Any, Literal

import numpy as np
from pydantic import Field

from cotyle.case.decision.facts import DecisionFacts
from cotyle.case.decision.option_figures import MeasuredCup, measured_cup, plan_with
from cotyle.case.decision.option_goal import Bed, Goal, bed_of, goal_of, shows_high_center
from cotyle.case.decision.option_questions import OptionQuestions
from cotyle.case.decision.posture import zone_of
from cotyle.case.decision.questions import Questions
from cotyle.case.measurements import Angles, Doubt
from cotyle.case.plan_file import FrameName, PlanFile
from cotyle.case.results import vector_of
from cotyle.case.schema import Finite, Strict, Vector
from cotyle.case.stages import Hip, PlannedCup
from cotyle.cup.center import CenterShift, center_shift
from cotyle.cup.options.choice import NO_CHOICE, Choice, Favours, choose
from cotyle.cup.options.figures import Figures, dominates, gains
from cotyle.cup.options.latitude import MOVED, Latitude
from cotyle.cup.options.limits import ANTEVERSION, INCLINATION, VARIABLES, Limits, Pins
from cotyle.cup.options.trials import Bound, Question
from cotyle.cup.orientation import Definition
from cotyle.errors import InputError
from cotyle.space.arrays import Array
from cotyle.space.side import Side

SMALL_CUPS_MM = 40.0
"""Smallest cup where the socket is dysplastic or the head has left it: a narrow true socket holds no larger one; common
practice, no source."""


class FigureFacts(Strict):
    """Figures of one cup, each as ``measure`` gives it; see :class:`cotyle.cup.options.figures.Figures`."""

    cover: Finite
    cover_above: Finite
    cover_front: Finite
    cover_back: Finite
    wall_along_axis_mm: Finite
    wall_least_mm: Finite
    front_wall_mm: Finite
    back_wall_mm: Finite
    removed_ml: Finite
    center_away_mm: Finite
    rise_mm: Finite


class CupOption(Strict):
    """One cup. Shifts are of its centre from the native one; ``angles`` in the zone's definition and frame.

    ``head_diameter_mm``: the largest usual head that leaves a liner of 4 mm. ``*_sd``: one standard deviation, of the
    bone's edges in the scan; that of the cover is worked out for the plan alone.
    ``uncovered_arc_deg``: share of the rim more than 1 mm off bone. ``leg_length_change_mm``: from the native centre,
    femur unchanged.
    """

    medial_mm: Finite
    superior_mm: Finite
    anterior_mm: Finite
    center_lps_mm: Vector
    outer_diameter_mm: Finite
    head_diameter_mm: Finite
    angles: Angles
    figures: FigureFacts
    uncovered_arc_deg: Finite
    leg_length_change_mm: Finite
    breached: bool
    wall_along_axis_sd_mm: Finite | None = None
    wall_least_sd_mm: Finite | None = None
    cover_sd: Finite | None = None


class LatitudeFact(Strict):
    """From where to where a cup may lie, each variable moved alone and all others held; shifts from the native centre,
    angles in the zone's definition and frame.
    """

    medial_mm: tuple[Finite, Finite]
    superior_mm: tuple[Finite, Finite]
    anterior_mm: tuple[Finite, Finite]
    inclination_deg: tuple[Finite, Finite]
    anteversion_deg: tuple[Finite, Finite]


class NamedOption(CupOption):
    """An option: what it favours, whether another beats it in all, and the limits that it reaches.

    How far it may be moved within the limits: ``may_lie`` until what it favours gets worse by more than counts as
    equal, ``may_lie_in_all`` until anything does; by estimates, in steps of half a mm or degree.
    """

    favours: tuple[Favours, ...]
    beaten: bool
    reaches: tuple[Bound, ...]
    may_lie: LatitudeFact | None = None
    may_lie_in_all: LatitudeFact | None = None


class CurveFact(Strict):
    """The most cover at one medial shift."""

    medial_mm: Finite
    superior_mm: Finite
    outer_diameter_mm: Finite
    cover: Finite
    wall_least_mm: Finite
    removed_ml: Finite


class GoalFact(Strict):
    """The centre that should be restored, why that one, and where it lies from the native one.

    ``center_sd_mm``: one standard deviation along each axis, known of the native one.
    """

    restores: Literal["native", "opposite"]
    why: str
    center_lps_mm: Vector
    medial_mm: Finite
    superior_mm: Finite
    anterior_mm: Finite
    center_sd_mm: Finite | None = None


class LimitFacts(Strict):
    """Limits as they held; sizes None: 8 mm above and 2 mm below the usual one."""

    least_wall_mm: Finite
    largest_rise_mm: Finite
    largest_size_mm: Finite | None
    smallest_size_mm: Finite | None
    least_cover: Finite
    enough_wall_mm: Finite
    inclination_deg: tuple[Finite, Finite]
    anteversion_deg: tuple[Finite, Finite]
    definition: Definition
    frame: FrameName
    margin_deg: Finite


class BedFact(Strict):
    """The bone bed behind an old cup, from which the options start."""

    kind: str
    seen_share: Finite
    gap_mm: Finite
    center_sd_mm: Finite
    rise_from_wanted_mm: Finite


class OptionsFacts(DecisionFacts):
    """The whole of decision/options.json.

    ``plan`` is the cup as planned, measured alike, and not one of the options. ``curves``: by whether the height of the
    centre is restored (``same-height``) or free (``high-center``). ``tried``: cups that were estimated.
    ``better_than_plan``: which options, by number, are nowhere worse than the plan and somewhere better.
    """

    schema_name: Literal["cotyle/options"] = Field(default="cotyle/options", alias="schema")
    version: Literal[1] = 1
    side: Side
    goal: GoalFact
    limits: LimitFacts
    pins: dict[str, Finite]
    native_diameter_mm: Finite
    bed: BedFact | None
    plan: CupOption
    options: tuple[NamedOption, ...]
    missing: tuple[Favours, ...]
    curves: dict[Favours, tuple[CurveFact, ...]]
    better_than_plan: tuple[int, ...]
    tried: int


def options_of(planned: PlannedCup, hip: Hip, questions: Questions, seed: int) -> OptionsFacts:
    """Return the options for the hip of a plan; nothing is drawn by lot, so that ``seed`` changes nothing.

    Raises
    ------
    InputError
        ``option-pin``, ``option-limits``, ``option-no-room``, ``option-goal``.
    """
    del seed
    asked, plan = questions.options, planned.plan
    goal = goal_of(hip, asked)
    question = _question(hip, plan, asked, goal)
    zone, frame = question.zone, plan.targets.frame
    known: dict[bytes, MeasuredCup] = {}  # several wishes may end in one cup, and it is told again in the end

    def measured(variables: Array) -> MeasuredCup:
        key = np.asarray(variables, dtype=float).tobytes()
        if key not in known:
            known[key] = measured_anew(variables)
        return known[key]

    def measured_anew(variables: Array) -> MeasuredCup:
        angles = (float(variables[INCLINATION]), float(variables[ANTEVERSION]))
        cup = question.cup(variables)
        return measured_cup(hip, plan_with(hip, plan, cup, zone.definition, frame, angles), goal.center_lps_mm)

    choice, refused = _chosen(question, measured, hip, goal, asked)
    options = tuple(
        NamedOption(
            favours=each.favours,
            beaten=each.beaten,
            reaches=each.binding,
            may_lie=_latitude_fact(each.in_favour),
            may_lie_in_all=_latitude_fact(each.in_all),
            **_cup_fields(measured(each.variables), zone.definition, frame),
        )
        for each in choice.options
    )
    bed, as_planned = bed_of(hip, goal), measured_cup(hip, plan, goal.center_lps_mm)
    return OptionsFacts(
        side=plan.side,
        goal=_goal_fact(hip, goal),
        limits=LimitFacts(
            **asdict(question.limits),
            inclination_deg=zone.inclination_deg,
            anteversion_deg=zone.anteversion_deg,
            definition=zone.definition,
            frame=frame,
        ),
        pins=dict(question.pins.values),
        native_diameter_mm=hip.socket.diameter_mm,
        bed=None if bed is None else BedFact(**asdict(bed)),
        plan=CupOption(**_cup_fields(as_planned, zone.definition, frame), cover_sd=planned.coverage_uncertainty),
        options=options,
        missing=choice.missing,
        curves=_curves(choice),
        better_than_plan=_better(choice, as_planned.figures, question.limits.enough_wall_mm),
        tried=choice.estimated,
        assumptions=_ASSUMPTIONS,
        doubts=(*refused, *_doubts(goal, bed, choice, hip)),
    )


def _chosen(
    question: Question, measured: Callable[[Array], MeasuredCup], hip: Hip, goal: Goal, asked: OptionQuestions
) -> tuple[Choice, tuple[Doubt, ...]]:
    """Return the choice; where the usual limits, which nobody set, leave no room, an empty one with the doubt.

    The other parts of the decision must not be lost for limits that nobody set.
    """
    heights = shows_high_center(hip, goal) if asked.high_center is None else asked.high_center
    try:
        return choose(question, lambda variables: measured(variables).figures, with_heights=heights), ()
    except InputError as error:
        if error.code != "option-no-room" or asked.model_fields_set:
            raise
        return NO_CHOICE, (Doubt(code=error.code, text=f"{error.what[0].upper()}{error.what[1:]}."),)


def _question(hip: Hip, plan: PlanFile, asked: OptionQuestions, goal: Goal) -> Question:
    targets, socket = plan.targets, hip.socket
    smallest = asked.smallest_size_mm
    if smallest is None and shows_high_center(hip, goal):
        wished = (SMALL_CUPS_MM, asked.largest_size_mm, asked.pins.outer_diameter_mm)
        smallest = min(size for size in wished if size is not None)
    limits = Limits(
        least_wall_mm=targets.least_wall_mm if asked.least_wall_mm is None else asked.least_wall_mm,
        largest_rise_mm=asked.largest_rise_mm,
        largest_size_mm=asked.largest_size_mm,
        smallest_size_mm=smallest,
        least_cover=asked.least_cover,
        enough_wall_mm=targets.wall_along_axis_mm if asked.enough_wall_mm is None else asked.enough_wall_mm,
        margin_deg=asked.margin_deg,
    )
    pelvis = hip.pelvis(plan.posture.standing_tilt_change_deg)
    return Question(
        ground=hip.ground,
        side=plan.side,
        frame=hip.frame,
        native_diameter_mm=socket.diameter_mm,
        wanted_lps_mm=goal.center_lps_mm,
        zone=zone_of(targets),
        zone_frame=pelvis.frames[targets.frame],
        under_mm=(plan.reaming.first_under_mm, plan.reaming.last_under_mm),
        limits=limits,
        pins=Pins(**asked.pins.model_dump()),
    )


def _cup_fields(measured: MeasuredCup, definition: Definition, frame: FrameName) -> dict[str, Any]:
    numbers = measured.numbers
    shift = numbers.center_shift
    return {
        "medial_mm": shift.medial,
        "superior_mm": shift.superior,
        "anterior_mm": shift.anterior,
        "center_lps_mm": vector_of(numbers.cup.center_lps_mm),
        "outer_diameter_mm": numbers.cup.outer_diameter_mm,
        "head_diameter_mm": numbers.cup.head_diameter_mm,
        "angles": numbers.orientations[frame][definition],
        "figures": FigureFacts(**asdict(measured.figures)),
        "uncovered_arc_deg": numbers.coverage.uncovered_arc_deg,
        "leg_length_change_mm": shift.leg_length_change_mm,
        "breached": numbers.wall.breached,
        "wall_along_axis_sd_mm": numbers.wall.uncertainty_mm,
        "wall_least_sd_mm": numbers.wall.minimum_uncertainty_mm,
    }


def _latitude_fact(latitude: Latitude | None) -> LatitudeFact | None:
    if latitude is None:
        return None
    stretches = {VARIABLES[n]: (float(latitude.low[n]), float(latitude.high[n])) for n in MOVED}
    return LatitudeFact(**stretches)


def _goal_fact(hip: Hip, goal: Goal) -> GoalFact:
    shift: CenterShift = center_shift(hip.socket.center_lps_mm, goal.center_lps_mm, hip.frame, hip.side)
    return GoalFact(
        restores=goal.restores,
        why=goal.why,
        center_lps_mm=vector_of(goal.center_lps_mm),
        medial_mm=shift.medial,
        superior_mm=shift.superior,
        anterior_mm=shift.anterior,
        center_sd_mm=hip.socket.center_uncertainty_mm if goal.restores == "native" else None,
    )


def _curves(choice: Choice) -> dict[Favours, tuple[CurveFact, ...]]:
    return {
        height: tuple(
            CurveFact(
                medial_mm=float(point.variables[0]),
                superior_mm=float(point.variables[1]),
                outer_diameter_mm=float(point.variables[3]),
                cover=point.figures.cover,
                wall_least_mm=point.figures.wall_least_mm,
                removed_ml=point.figures.removed_ml,
            )
            for point in points
        )
        for height, points in choice.curves.items()
    }


def _better(choice: Choice, plan: Figures, enough_mm: float) -> tuple[int, ...]:
    worth = gains([plan, *(each.figures for each in choice.options)], enough_mm)
    return tuple(n for n, row in enumerate(worth[1:]) if dominates(row, worth[0]))


def _doubts(goal: Goal, bed: Bed | None, choice: Choice, hip: Hip) -> tuple[Doubt, ...]:
    found = [Doubt(code="options-goal", text=goal.doubt)] if goal.doubt else []
    if bed is not None and bed.seen_share < LITTLE_SEEN:
        text = (
            f"Only {100 * bed.seen_share:.0f} % of the bone behind the old cup is seen beside the metal: the bed, and "
            "all options that start from it, rest on the shape of the bone found."
        )
        found.append(Doubt(code="options-bed-unseen", text=text))
    elif hip.side in hip.anatomy.skeleton.metal_cups and bed is None:
        text = "No bone was seen behind the old cup: the options start from the old cup's own sphere."
        found.append(Doubt(code="options-bed-unseen", text=text))
    if choice.missing:
        names = ", ".join(str(each).replace("-", " ") for each in choice.missing)
        text = f"No cup that was measured fulfils: {names}. The quick estimate found one that the measurement refused."
        found.append(Doubt(code="options-missing", text=text))
    return tuple(found)


LITTLE_SEEN = 0.3

_ASSUMPTIONS = (
    "Every figure is measured as the plan's own are; only the search for the cups goes by quicker estimates.",
    "Cover is the share of the shell in bone as it is before reaming; no graft, augment or cement is reckoned with.",
    "What counts most is not known here: the options are the best in one respect each, and balance weighs cover, "
    "medial wall, front and back wall, centre and bone alike (our choice).",
    "Cover of at least 60 %: the least in a series of stable cups was 61 % (Ueno et al. 2019, abstract).",
)
