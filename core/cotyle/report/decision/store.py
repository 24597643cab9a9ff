"""Decisions kept in their case: files, pictures, and the section of the report.

A decision belongs to the plan it was worked out on. Where the plan is measured again, the whole folder is written anew
and holds none; where somebody changed plan.json by hand, files of the other plan are taken away by the next ``decide``.
So no file of a case speaks of a plan that is no longer there.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from cotyle.case import folder as names
from cotyle.case.decision.facts import DecisionFacts, decision_path, plan_digest
from cotyle.errors import InputError
from cotyle.files import write_bytes_atomically, write_text_atomically
from cotyle.report.decision.parts import PARTS, Part, Pictures, figure_name
from cotyle.report.decision.section import page_with_decisions
from cotyle.report.page_places import Place, read_page


@dataclass(frozen=True)
class WorkedOut:
    """A part of a decision with its pictures."""

    part: Part
    facts: DecisionFacts
    pictures: Pictures


def store_decisions(case: Path, made: tuple[WorkedOut, ...]) -> tuple[str, tuple[str, ...]]:
    """Write files, pictures and the report's section; return the page and the names of parts that were taken away.

    Parts that were not worked out this time stay if they belong to the plan in the case.

    Raises
    ------
    InputError
        ``report-missing`` or ``report-outdated`` if there is no place for them; nothing is written then.
    """
    page = read_page(case, Place.DECISIONS)
    kept, gone = _of_this_plan(case, {each.part.name for each in made})
    for part in (*gone, *(each.part for each in made)):
        _take_away(case, part)
    for each in made:
        for short, content in each.pictures.items():
            write_bytes_atomically(case / names.FIGURES / f"{figure_name(each.part, short)}.png", content)
        each.facts.write(decision_path(case, each.part.name))
    facts = {**kept, **{each.part.name: each.facts for each in made}}
    html = page_with_decisions(page, case, facts)
    write_text_atomically(case / names.REPORT_HTML, html)
    return html, tuple(part.name for part in gone)


def stored_decisions(case: Path) -> dict[str, DecisionFacts]:
    """Return the decisions in a case that belong to its plan, by name of the part."""
    return dict(_of_this_plan(case, set())[0])


def _of_this_plan(case: Path, anew: set[str]) -> tuple[Mapping[str, DecisionFacts], tuple[Part, ...]]:
    """Return what belongs to the plan in a case, and the parts that don't; those worked out anew are not asked."""
    digest = plan_digest(case)
    kept, gone = {}, []
    for part in PARTS:
        path = decision_path(case, part.name)
        if part.name in anew or not path.is_file():
            continue
        try:
            facts = part.facts.read(path)
        except InputError:  # of another version, or changed by hand
            gone.append(part)
            continue
        if facts.made is not None and facts.made.plan_digest == digest:
            kept[part.name] = facts
        else:
            gone.append(part)
    return kept, tuple(gone)


def _take_away(case: Path, part: Part) -> None:
    decision_path(case, part.name).unlink(missing_ok=True)
    for path in (case / names.FIGURES).glob(f"{figure_name(part, '*')}.png"):
        path.unlink()
