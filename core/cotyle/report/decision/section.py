"""The section "Decisions" of the report: made anew from the files and pictures that stand in a case."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from cotyle.case import folder as names
from cotyle.case.decision.facts import DecisionFacts
from cotyle.report.decision.part_page import PartPage
from cotyle.report.decision.parts import PARTS, Part, figure_name
from cotyle.report.page import rendered
from cotyle.report.page_places import Place, with_place


@dataclass(frozen=True)
class TitledPart:
    """One part on the page; ``pictures`` by short name to their name in the case."""

    title: str
    facts: DecisionFacts
    page: PartPage
    pictures: Mapping[str, str]


def page_with_decisions(html: str, case: Path, facts: Mapping[str, DecisionFacts]) -> str:
    """Return the report's page with the section for these facts, by name of their part, in place of the one before.

    Raises
    ------
    InputError
        ``report-outdated`` if the page has no place for it.
    """
    shown = [_titled(part, facts[part.name]) for part in PARTS if part.name in facts]
    figures = {}
    for part in shown:
        for name in part.pictures.values():
            path = case / names.FIGURES / f"{name}.png"
            if path.is_file():
                figures[name] = path.read_bytes()
    content = rendered("decisions.html.j2", figures, parts=shown) if shown else ""
    return with_place(html, Place.DECISIONS, content)


def _titled(part: Part, facts: DecisionFacts) -> TitledPart:
    page = part.tell(facts)
    return TitledPart(part.title, facts, page, {each.name: figure_name(part, each.name) for each in page.pictures})
