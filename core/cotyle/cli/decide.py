"""``cotyle decide``: what a plan puts up for decision."""

from __future__ import annotations

import contextlib
import shutil
import sys
import textwrap
from pathlib import Path

from cotyle.case import folder as names
from cotyle.case.decision.facts import signed
from cotyle.case.decision.questions import Questions, read_questions
from cotyle.case.stages import Hip, PlannedCup, hip_of, plan_on
from cotyle.case.store import read_case
from cotyle.cli.console import Progress, print_json, say
from cotyle.cli.pdf_file import write_pdf
from cotyle.report.decision.parts import Part, chosen_parts, require_fit
from cotyle.report.decision.store import WorkedOut, store_decisions
from cotyle.report.page_places import Place, read_page
from cotyle.report.pdf import Typesetter


def run_decide(case: Path, given: Path | None, only: list[str], seed: int, *, pdf: bool, as_json: bool) -> None:
    """Work out the parts that were asked for on the plan of a case; write files, pictures and the section."""
    progress = Progress(quiet=as_json)
    questions = read_questions(given)
    parts = chosen_parts(only)
    with progress.shown(), names.changed_whole(case) as folder:
        progress("reading the case")
        read_page(folder, Place.DECISIONS)  # before the long work
        stored = read_case(case)
        hip = hip_of(stored.anatomy, stored.scan, stored.plan.side)
        planned = plan_on(hip, stored.plan, with_map=False)
        if only:
            require_fit(parts, planned)
        fit = [part for part in parts if not part.unfit(planned)]
        # the typesetter gets ready meanwhile
        with Typesetter() if pdf else contextlib.nullcontext() as typesetter:
            made = tuple(_worked_out(part, case, planned, hip, questions, seed, progress) for part in fit)
            progress("writing the report")
            html, gone = store_decisions(folder, made)
            if typesetter is not None:
                write_pdf(folder, html, typesetter)
    if as_json:
        timings = {words: round(seconds, 2) for words, seconds in progress.timings}
        decisions = {each.part.name: each.facts.as_dict() for each in made}
        print_json({"decisions": decisions, "taken_away": gone, "timings_s": timings})
        return
    _report(case, made, gone)


def _worked_out(
    part: Part, case: Path, planned: PlannedCup, hip: Hip, questions: Questions, seed: int, progress: Progress
) -> WorkedOut:
    progress(part.words)
    facts = signed(part.work_out(planned, hip, questions, seed), case, questions, seed)
    return WorkedOut(part, facts, part.draw(facts, planned, hip))


def _report(case: Path, made: tuple[WorkedOut, ...], gone: tuple[str, ...]) -> None:
    if gone:
        say(f"! taken away, since the plan is another one by now: {', '.join(gone)}")
    for each in made:
        say(_fitted(f"{each.part.title}: {each.part.tell(each.facts).lead}", "  "))
        for doubt in each.facts.doubts:
            say(_fitted(f"  ! {doubt.text}", "    "))
    count = sum(len(each.facts.doubts) for each in made)
    doubts = "no doubts" if count == 0 else f"{count} {'doubt' if count == 1 else 'doubts'}, marked !"
    say(f"{doubts}. Tables and pictures: {case.name}/{names.REPORT_HTML}, section Decisions.")
    say("Research software, not a medical device: check every number.")


def _fitted(text: str, indent: str) -> str:
    """Return a text in lines that fit the terminal, as it is where nobody looks on."""
    if not sys.stderr.isatty():
        return text
    width = max(shutil.get_terminal_size().columns, _NARROWEST)
    return textwrap.fill(text, width, subsequent_indent=indent, break_long_words=False, break_on_hyphens=False)


_NARROWEST = 40
