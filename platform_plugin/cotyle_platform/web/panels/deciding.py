"""Working out what a plan puts up for decision, in a process of its own; what it needs is loaded there, not here."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from cotyle.case.decision.decided import Decided
from cotyle.case.decision.questions import Questions
from cotyle.case.stages import PlannedCup, hip_of
from cotyle.image.volume import Volume
from cotyle.report.decision.told import SEED, ToldOptions, ToldPart, decided_in, decided_on, told_options, told_parts

from cotyle_platform.session.apart import Say


@dataclass(frozen=True, eq=False)
class Asked:
    """What decisions need; ``questions``: what the user had given before, None: nothing."""

    planned: PlannedCup
    scan: Volume
    questions: Questions | None = None


@dataclass(frozen=True, eq=False)
class Worked:
    """Decisions as they were worked out, or stand in the case (``in_case``), and as they are told."""

    decided: Decided
    parts: tuple[ToldPart, ...]
    options: ToldOptions | None
    in_case: bool


def worked_out(asked: Asked, say: Say) -> Worked:
    """Work out all parts that apply to a plan."""
    say("making the hip ready")
    planned = asked.planned
    hip = hip_of(planned.anatomy, asked.scan, planned.plan.side)
    return told(decided_on(planned, hip, asked.questions or Questions(), SEED, say), in_case=False)


def standing(case: Path, say: Say) -> Worked | None:
    """Return the decisions that stand in a case, None where there are none for its plan."""
    say("reading the decisions of the case")
    decided = decided_in(case)
    return None if decided is None else told(decided, in_case=True)


def told(decided: Decided, in_case: bool) -> Worked:
    """Return decisions with what the page says of them."""
    facts = decided.options
    options = told_options(facts) if facts is not None and facts.options else None
    return Worked(decided, told_parts(decided), options, in_case)
