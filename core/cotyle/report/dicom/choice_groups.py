"""The measurement groups of options and tolerance: what decision/*.json say, before any encoding as DICOM."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from cotyle.case.decision.options import CupOption, OptionsFacts
from cotyle.case.decision.tolerance import ToleranceFacts
from cotyle.report.dicom import choice_codes as own
from cotyle.report.dicom import choice_numbers as numbers
from cotyle.report.dicom import codes
from cotyle.report.dicom.codes import Code
from cotyle.report.dicom.group import Group, present
from cotyle.space.side import Side


def option_groups(facts: OptionsFacts) -> Iterator[Group]:
    """Yield the goal, the limits, the cup as planned and each option."""
    content = facts.as_dict()
    kind = facts.limits.definition, facts.limits.frame
    goal = facts.goal
    yield Group(
        "hip center to restore",
        own.GOAL,
        codes.HIP_JOINT,
        facts.side,
        present(numbers.GOAL_NUMBERS, content),
        points=((own.OPTION_CENTER_WANTED, goal.center_lps_mm),),
        answers=((own.RESTORES, own.RESTORED[goal.restores]),),
        texts=((own.REASON, goal.why),),
    )
    yield Group(
        "limits of the options",
        own.LIMITS,
        codes.ACETABULUM,
        facts.side,
        present((*numbers.LIMIT_NUMBERS, *numbers.LIMIT_ANGLES[kind]), content),
        texts=tuple((own.PINNED, f"{name}: {value:g}") for name, value in facts.pins.items()),
    )
    if facts.bed is not None:
        bed = present(numbers.BED_NUMBERS, content)
        words = ((codes.COMMENT, facts.bed.kind.replace("_", " ")),)
        yield Group("bone bed of the options", own.BED, codes.ACETABULUM, facts.side, bed, texts=words)
    rows = (*numbers.OPTION_NUMBERS, *numbers.OPTION_ANGLES[kind])

    def cup(name: str, finding: Code, item: str, option: CupOption, answers: tuple[tuple[Code, Code], ...]) -> Group:
        return Group(
            name,
            finding,
            codes.ACETABULUM,
            facts.side,
            present(rows, content, item),
            points=((own.OPTION_CENTER, option.center_lps_mm),),
            answers=((codes.BREACHED, _yes(option.breached)), *answers),
        )

    yield cup("cup as planned, beside the options", own.AS_PLANNED, "plan", facts.plan, ())
    for place, option in enumerate(facts.options):
        answers = (
            *((own.FAVOURS, own.FAVOURED[each]) for each in option.favours),
            (own.BEATEN, _yes(option.beaten)),
            *((own.REACHES, own.BOUNDS[each]) for each in option.reaches),
            (own.BETTER_THAN_PLAN, _yes(place in facts.better_than_plan)),
        )
        yield cup(f"option {place + 1}", own.OPTION, f"options.{place}", option, answers)


def tolerance_groups(facts: ToleranceFacts, side: Side) -> Iterator[Group]:
    """Yield the chances, where to stop, each outcome, and what errs."""
    content: Mapping[str, Any] = facts.as_dict()
    at = codes.ACETABULUM
    zone = (
        f"Target zone: inclination {_range(facts.zone_inclination_deg)}, anteversion "
        f"{_range(facts.zone_anteversion_deg)} deg, {facts.zone_definition}, {_frame_words(facts.zone_frame)}."
    )
    yield Group(
        "tolerance: chances", own.CHANCES, at, side, present(numbers.CHANCE_NUMBERS, content), texts=((own.ZONE, zone),)
    )
    no_stop = ((own.NO_STOP, codes.YES),) if facts.stop.before_seat_mm is None else ()
    yield Group("tolerance: where to stop", own.STOP, at, side, present(numbers.STOP_NUMBERS, content), answers=no_stop)
    for name, rows in numbers.OUTCOME_NUMBERS.items():
        words = numbers.OUTCOME_WORDS[name]
        yield Group(f"tolerance: {words}", own.OUTCOME, at, side, present(rows, content))
    errs = present(numbers.SPREAD_NUMBERS, content)
    assumed = ((own.STANDING_ASSUMED, _yes(facts.standing_assumed)),)
    yield Group("tolerance: what errs", own.SPREADS, at, side, errs, answers=assumed)


def _yes(true: bool) -> Code:
    return codes.YES if true else codes.NO


def _range(ends: tuple[float, float]) -> str:
    return f"{ends[0]:g} to {ends[1]:g}"


def _frame_words(name: str) -> str:
    return codes.FRAMES[name][1] if name in codes.FRAMES else name
