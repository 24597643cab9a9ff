"""Decisions as the page on the screen tells them: what each part says, and each option with gain and price."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from cotyle.case import folder as names
from cotyle.case.decision.decided import Decided, questions_given
from cotyle.case.decision.options import CupOption, FigureFacts, NamedOption, OptionsFacts
from cotyle.case.decision.questions import Questions
from cotyle.case.plan_file import PlanFile
from cotyle.case.stages import Hip, PlannedCup, Progress
from cotyle.cup.options.figures import OBJECTIVES
from cotyle.report.decision.options_page import LEG_MM, LIMIT_WORDS, letter, stretch_words, words_of
from cotyle.report.decision.parts import PARTS
from cotyle.report.decision.store import stored_decisions
from cotyle.report.screen_words import number
from cotyle.report.tiles import minus

SEED = 1
"""Of everything that is drawn by lot, unless another one is asked for."""
MAY_BE_OFF = ("medial, mm", "up, mm", "forward, mm", "inclination, deg", "anteversion, deg")


@dataclass(frozen=True)
class ToldPart:
    """What a part says: its name and title, the answer in one or two sentences, and what is doubtful about it."""

    name: str
    title: str
    lead: str
    doubts: tuple[str, ...]


@dataclass(frozen=True)
class Column:
    """A figure of the options: its name, unit, and what it is."""

    name: str
    unit: str
    note: str


@dataclass(frozen=True)
class Cell:
    """A figure of one cup and by how much it differs from the plan's; ``worth`` 1: better, -1: worse, 0: as good."""

    value: str
    change: str = ""
    worth: int = 0


@dataclass(frozen=True)
class OptionRow:
    """One cup: its letter, what it favours, where and how it lies, its figures, and what must be said about it.

    ``beats``: it is nowhere worse than the plan and somewhere better. ``may_lie``: for each of :data:`MAY_BE_OFF`
    from where to where it is as good in what it favours; empty where that was not worked out.
    """

    letter: str
    favours: str
    cup: str
    cells: tuple[Cell, ...]
    remarks: tuple[str, ...] = ()
    beats: bool = False
    may_lie: tuple[str, ...] = ()


@dataclass(frozen=True)
class ToldOptions:
    """The options beside the plan that they were worked out on.

    ``about`` says how the cups are told; ``may_be_off`` names what ``may_lie`` of the rows is told of.
    """

    columns: tuple[Column, ...]
    plan: OptionRow
    rows: tuple[OptionRow, ...]
    about: str
    may_be_off: tuple[str, ...] = MAY_BE_OFF


@dataclass(frozen=True)
class _Figure:
    """A column with the number it reads and the objective that says which way is better, and from when on.

    ``is_wall``: of the wall behind the cavity, which counts up to what is enough. ``text`` tells more than the number.
    """

    column: Column
    read: Callable[[FigureFacts], float]
    objective: str
    is_wall: bool = False
    text: Callable[[FigureFacts], str] | None = None


_FIGURES = (
    _Figure(Column("cover", "%", "share of the shell in bone"), lambda f: f.cover, "cover"),
    _Figure(Column("cover above", "%", "share of its upper quarter in bone"), lambda f: f.cover_above, "cover_above"),
    _Figure(
        Column("wall, axis", "mm", "bone left along the reaming axis"),
        lambda f: f.wall_along_axis_mm,
        "wall_along_axis_mm",
        is_wall=True,
    ),
    _Figure(
        Column("least wall", "mm", "least distance to the inner surface"),
        lambda f: f.wall_least_mm,
        "wall_least_mm",
        is_wall=True,
    ),
    _Figure(
        Column("front / back wall", "mm", "bone in front and behind, near the rim; the thinner one counts"),
        lambda f: min(f.front_wall_mm, f.back_wall_mm),
        "rim_wall_mm",
        text=lambda f: f"{f.front_wall_mm:.1f} / {f.back_wall_mm:.1f}",
    ),
    _Figure(Column("centre off", "mm", "from the centre to restore"), lambda f: f.center_away_mm, "center_away_mm"),
    _Figure(Column("bone taken", "ml", "by all reamers"), lambda f: f.removed_ml, "removed_ml"),
)
_OBJECTIVES = {each.name: each for each in OBJECTIVES}
_THROUGH = "through"


def decided_on(planned: PlannedCup, hip: Hip, questions: Questions, seed: int, say: Progress) -> Decided:
    """Work out every part that applies to a planned cup; errors of the parts."""
    fit = [part for part in PARTS if not part.unfit(planned)]
    facts = {}
    for count, part in enumerate(fit, start=1):
        say(f"{part.words} ({count} of {len(fit)})")
        facts[part.name] = part.work_out(planned, hip, questions, seed)
    return Decided(planned.plan, facts, questions)


def decided_in(case: Path) -> Decided | None:
    """Return the decisions that stand in a case for the plan in it, None where there are none.

    Raises
    ------
    InputError
        Those of reading a plan, and ``case-busy``.
    """

    def read() -> Decided | None:
        facts = stored_decisions(case)
        return Decided(PlanFile.read(case / names.PLAN), facts, questions_given(facts)) if facts else None

    return names.read_undisturbed(case, read)


def told_parts(decided: Decided) -> tuple[ToldPart, ...]:
    """Return what each part says, in the order of the report."""
    found = []
    for part in PARTS:
        facts = decided.facts.get(part.name)
        if facts is not None:
            doubts = tuple(each.text for each in facts.doubts)
            found.append(ToldPart(part.name, part.title, part.tell(facts).lead, doubts))
    return tuple(found)


def told_options(facts: OptionsFacts) -> ToldOptions:
    """Return the options with what each gains over the plan and what it costs."""
    limits = facts.limits
    rows = tuple(_row(facts, at, option) for at, option in enumerate(facts.options))
    return ToldOptions(
        columns=tuple(each.column for each in _FIGURES),
        plan=OptionRow("P", "as planned", _cup_words(facts.plan), _cells(facts, facts.plan), _through(facts.plan)),
        rows=rows,
        about=(
            "Size of the cup / largest usual head in it; inclination / anteversion, "
            f"{limits.definition}, {limits.frame} frame; shifts from the native centre, mm. Walls count up to "
            f"{limits.enough_wall_mm:g} mm: beyond that more or less is no gain and no price."
        ),
    )


def _row(facts: OptionsFacts, at: int, option: NamedOption) -> OptionRow:
    beats = at in facts.better_than_plan
    remarks = [*_through(option)]
    if beats:
        remarks.append("nowhere worse than the plan, somewhere better")
    if option.beaten:
        remarks.append("another option beats it in all; shown to compare")
    if option.reaches:
        remarks.append(f"reaches the {' and the '.join(LIMIT_WORDS[each] for each in option.reaches)}")
    shorter = facts.plan.leg_length_change_mm - option.leg_length_change_mm
    if abs(shorter) >= LEG_MM:
        remarks.append(f"leg {abs(shorter):.0f} mm {'shorter' if shorter > 0 else 'longer'}")
    words = words_of(option, facts)
    cells, stretch = _cells(facts, option), _stretch(option)
    return OptionRow(letter(at), words, _cup_words(option), cells, tuple(remarks), beats, stretch)


def _stretch(option: NamedOption) -> tuple[str, ...]:
    may = option.may_lie
    if may is None:
        return ()
    ends = (may.medial_mm, may.superior_mm, may.anterior_mm, may.inclination_deg, may.anteversion_deg)
    return tuple(minus(stretch_words(each)) for each in ends)


def _through(cup: CupOption) -> tuple[str, ...]:
    return ("goes through the inner wall",) if cup.breached else ()


def _cup_words(cup: CupOption) -> str:
    """Size, head, angles and shift of the centre, the ways that it was not moved left out."""
    ways = (
        (cup.medial_mm, "medial", "lateral"),
        (cup.superior_mm, "up", "down"),
        (cup.anterior_mm, "forward", "back"),
    )
    centre = ", ".join(f"{abs(way):.1f} {there if way > 0 else back}" for way, there, back in ways if round(way, 1))
    angles = f"{cup.angles.inclination_deg:.0f} / {cup.angles.anteversion_deg:.0f} deg"
    size = f"{cup.outer_diameter_mm:.0f} / {cup.head_diameter_mm:.0f} mm"
    return minus(f"{size}; {angles}; {centre or 'native centre'}")


def _cells(facts: OptionsFacts, cup: CupOption) -> tuple[Cell, ...]:
    return tuple(_cell(facts, cup, each) for each in _FIGURES)


def _cell(facts: OptionsFacts, cup: CupOption, figure: _Figure) -> Cell:
    percent = figure.column.unit == "%"
    scale, decimals = (100.0, 0) if percent else (1.0, 1)
    own, planned = figure.read(cup.figures), figure.read(facts.plan.figures)
    broken = figure.is_wall and cup.breached
    text = number(scale * own, "", decimals) if figure.text is None else figure.text(cup.figures)
    text = _THROUGH if broken else text
    if cup is facts.plan:
        return Cell(text)
    known = not broken and not (figure.is_wall and facts.plan.breached)
    change = number(scale * (own - planned), "", decimals, signed=True) if known else ""
    wanted = _OBJECTIVES[figure.objective]
    enough = facts.limits.enough_wall_mm if figure.is_wall else float("inf")
    gain = wanted.sign * (min(own, enough) - min(planned, enough))
    return Cell(text, change, 0 if abs(gain) <= wanted.equal_within else 1 if gain > 0 else -1)
