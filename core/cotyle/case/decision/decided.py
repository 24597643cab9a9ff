"""Decisions with the plan that they were worked out on, and an option as the plan's cup."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from cotyle.case.decision.facts import DecisionFacts
from cotyle.case.decision.options import CupOption, OptionsFacts
from cotyle.case.decision.questions import Questions
from cotyle.case.decision.tolerance import ToleranceFacts
from cotyle.case.plan_changes import with_cup
from cotyle.case.plan_file import CupChoice, PlanFile
from cotyle.case.schema import validated


@dataclass(frozen=True, eq=False)
class Decided:
    """Facts by name of their part, in the order of the report, the complete plan they belong to, and what was asked."""

    plan: PlanFile
    facts: Mapping[str, DecisionFacts]
    questions: Questions = field(default_factory=Questions)

    def stands_for(self, plan: PlanFile) -> bool:
        """Whether they belong to a plan; its verdict, which follows from it, is not asked."""
        return _chosen(plan) == _chosen(self.plan)

    def options_stand_for(self, plan: PlanFile) -> bool:
        """Whether the options do: they rest on all of a plan but its cup, as :func:`.options.options_of` has it."""
        return _chosen(plan, cup=CupChoice()) == _chosen(self.plan, cup=CupChoice())

    @property
    def options(self) -> OptionsFacts | None:
        """The options, None where they were not worked out."""
        found = self.facts.get("options")
        return found if isinstance(found, OptionsFacts) else None

    @property
    def tolerance(self) -> ToleranceFacts | None:
        """The tolerance, None where it was not worked out."""
        found = self.facts.get("tolerance")
        return found if isinstance(found, ToleranceFacts) else None


def questions_given(facts: Mapping[str, DecisionFacts]) -> Questions:
    """Return what the user had given for parts, each as its own file says."""
    given: dict[str, Any] = {}
    for name, each in facts.items():
        if each.made is not None and name in each.made.given:
            given[name] = each.made.given[name]
    return validated(Questions, {"schema": "cotyle/questions", "version": 1, **given}, "what was given")


def cup_choice(facts: OptionsFacts, option: CupOption) -> dict[str, Any]:
    """Return centre, size and orientation of an option, as :func:`cotyle.case.plan_changes.with_cup` takes them."""
    return {
        "center_lps_mm": option.center_lps_mm,
        "outer_diameter_mm": option.outer_diameter_mm,
        "orientation": {
            **option.angles.model_dump(),
            "definition": facts.limits.definition,
            "frame": facts.limits.frame,
        },
    }


def plan_of_option(plan: PlanFile, facts: OptionsFacts, option: CupOption) -> PlanFile:
    """Return a plan with the cup of an option in place of its own; errors of ``with_cup``."""
    return with_cup(plan, **cup_choice(facts, option))


def same_cup(one: PlanFile, other: PlanFile) -> bool:
    """Whether two plans choose the same cup, whoever proposed it."""
    fields = ("center_lps_mm", "outer_diameter_mm", "orientation")
    return all(getattr(one.cup, name) == getattr(other.cup, name) for name in fields)


def _chosen(plan: PlanFile, **changed: Any) -> PlanFile:
    return plan.model_copy(update={"verdict": None, **changed})
