"""What all files of decisions have in common: decision/<part>.json."""

from __future__ import annotations

import hashlib
from pathlib import Path
from typing import Any, TypeVar

from pydantic import Field

from cotyle import CAUTION, __version__
from cotyle.case import folder as names
from cotyle.case.decision.questions import Questions
from cotyle.case.measurements import Doubt
from cotyle.case.produced_by import ProducedBy, produced_by
from cotyle.case.schema import FileModel, Strict


class Made(Strict):
    """How a file came about. ``plan_digest`` tells the plan it belongs to; ``given`` is what the user asked."""

    software: str
    produced_by: ProducedBy | None = None
    caution: str
    seed: int
    plan_digest: str
    given: dict[str, Any] = Field(default_factory=dict)


class DecisionFacts(FileModel):
    """The whole of one file; each part adds its schema and its fields.

    ``assumptions``: sentences that hold for the whole part, each with its source. ``doubts``: what a reader must see
    first. ``made`` is put in when the file is written.
    """

    made: Made | None = None
    assumptions: tuple[str, ...] = ()
    doubts: tuple[Doubt, ...] = ()


FactsT = TypeVar("FactsT", bound=DecisionFacts)


def signed(facts: FactsT, case: Path, questions: Questions, seed: int) -> FactsT:
    """Return the facts with how they came about, for the plan that stands in a case."""
    made = Made(
        software=f"cotyle {__version__}",
        produced_by=produced_by(),
        caution=CAUTION,
        seed=seed,
        plan_digest=plan_digest(case),
        given=questions.given(),
    )
    return facts.model_copy(update={"made": made})


def plan_digest(case: Path) -> str:
    """Return sixteen digits that tell the plan in a case from any other; its corrections of bones and points count."""
    return hashlib.sha256((case / names.PLAN).read_bytes()).hexdigest()[:16]


def decision_path(case: Path, part: str) -> Path:
    """Return where the file of a part stands in a case."""
    return case / names.DECISION / f"{part}.json"


def has_decisions(case: Path) -> bool:
    """Return whether any decision stands in a case; a plan that is measured again leaves none of them."""
    return any((case / names.DECISION).glob("*.json"))
