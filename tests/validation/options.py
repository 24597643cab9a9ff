"""Options for a cup held against brute force, on synthetic hips that are hard to decide about.

    python -m tests.validation.options [--page docs/validation-decisions.md] [--step 3]

Bones are the generator's own surfaces, so that nothing but the choice is judged. For each hip every cup of a grid over
depth, height and size that keeps the limits is measured by the functions of ``measure``. Asked of the options:

* none is beaten by another by measured figures (high centre and kept height, shown for comparison, are marked);
* no cup of the grid beats an option: nowhere worse and by more than what counts as equal better in one thing;
* no cup of the grid is better, by more than twice what counts as equal, in what an option favours;
* with nothing pinned, the options are as good in what they favour as the pinned ones, and none of the cups that were
  drawn at random from the whole room, kept the limits and were measured beats one.

It ends with 1 where one fails. The errors of the quick estimates over the same cups are printed as well.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import product
from pathlib import Path

import numpy as np
from cotyle.cup.options.choice import Choice, Favours, Option, choose
from cotyle.cup.options.figures import NAMES, OBJECTIVES, Figures, gains
from cotyle.cup.options.limits import Limits, Pins, search_room
from cotyle.cup.options.trials import Question, tried
from cotyle.space.arrays import Array
from cotyle.space.side import Side
from cotyle_sample.displaced import drawn_displacement
from cotyle_sample.subject import Subject, Variant, make_subject

from tests.cup.options.option_problem import measuring, question_of
from tests.validation.page_parts import write_part

SIDE = Side.RIGHT
MARK = "options"
_WISHES = {
    Favours.COVER: "cover",
    Favours.COVER_ABOVE: "cover_above",
    Favours.WALL: "wall_least_mm",
    Favours.RIM_WALLS: "rim_wall_mm",
    Favours.CENTER: "center_away_mm",
    Favours.BONE: "removed_ml",
}
_EQUAL = np.array([each.equal_within for each in OBJECTIVES])
_ESTIMATED = (
    ("cover", 0, "points", 100.0),
    ("cover_above", 1, "points", 100.0),
    ("wall_along_axis_mm", 4, "mm", 1.0),
    ("wall_least_mm", 5, "mm", 1.0),
    ("front_wall_mm", 6, "mm", 1.0),
    ("back_wall_mm", 7, "mm", 1.0),
    ("removed_ml", 8, "ml", 1.0),
)


@dataclass(frozen=True, eq=False)
class Hard:
    """A hip, its question with depth from front to back and angles pinned, and what it takes to measure on it."""

    name: str
    question: Question
    subject: Subject


@dataclass(frozen=True, eq=False)
class Judged:
    """What came out of one hip."""

    name: str
    choice: Choice
    kept: int
    choice_s: float
    brute_s: float
    beaten_by_option: int
    beaten_by_grid: int
    shortfall: dict[Favours, float]
    apart_mm: dict[Favours, float]
    free: Choice
    free_worse: int
    drawn: int
    beaten_by_drawn: int
    errors: Array

    @property
    def passed(self) -> bool:
        """Whether all that was asked holds."""
        short = all(
            value <= 2.0 * OBJECTIVES[NAMES.index(_WISHES[wish])].equal_within for wish, value in self.shortfall.items()
        )
        beaten = self.beaten_by_option or self.beaten_by_grid or self.beaten_by_drawn
        return short and not beaten and not self.free_worse


def hard_hips() -> list[Hard]:
    """Return the hips: dysplasia, protrusio, a head 15 mm out of its socket, the bed of a loose cup."""
    subjects = {
        "dysplastic": make_subject(seed=601, variant=Variant.DYSPLASTIC, affected_side=SIDE),
        "protrusio": make_subject(seed=702, variant=Variant.PROTRUSION, affected_side=SIDE),
        "head 15 mm out": make_subject(seed=612, displaced={SIDE: drawn_displacement(612, 15.0, False)}),
        "bed of a loose cup": make_subject(seed=303, variant=Variant.LOOSE_CUP, affected_side=SIDE),
    }
    hips = []
    for name, subject in subjects.items():
        socket = subject.sockets[SIDE]
        wanted = subject.sockets[SIDE.opposite].center_lps_mm * [-1.0, 1.0, 1.0]
        small = 40.0 if name in ("dysplastic", "head 15 mm out") else None
        limits = Limits(smallest_size_mm=small)
        pins = Pins(anterior_mm=0.0, inclination_deg=40.0, anteversion_deg=17.5)
        bone = subject.bones[f"{SIDE}_hip_bone"]
        question = question_of(bone, SIDE, socket.center_lps_mm, socket.diameter_mm, limits, pins, wanted=wanted)
        hips.append(Hard(name, question, subject))
    return hips


def judged(hip: Hard, step_mm: float, count: int) -> Judged:
    """Choose, measure the whole grid, and compare."""
    question = hip.question
    exact = measuring(question, hip.subject.bones[f"{SIDE}_hip_bone"])
    begun = time.process_time()
    choice = choose(question, exact, with_heights=True)
    choice_s = time.process_time() - begun
    begun = time.process_time()
    cups, figures, errors = brute_force(question, exact, step_mm)
    brute_s = time.process_time() - begun
    enough = question.limits.enough_wall_mm
    grid, own = gains(figures, enough), gains([each.figures for each in choice.options], enough)
    between = [(own[m] >= own[n]).all() and (own[m] > own[n]).any() for n, m in _pairs(choice)]
    shortfall, apart = {}, {}
    for wish, name in _WISHES.items():
        number, option = NAMES.index(name), _of_wish(choice, wish)
        if option is None:
            continue
        mine = gains([option.figures], enough)[0, number]
        shortfall[wish] = max(float(grid[:, number].max() - mine), 0.0)
        as_good = cups[grid[:, number] >= grid[:, number].max() - _EQUAL[number]]
        apart[wish] = float(np.abs(as_good[:, :2] - option.variables[:2]).max(axis=1).min())
    unpinned = replace(question, pins=Pins())
    free = choose(unpinned, exact, with_heights=True, with_curves=False)
    drawn = gains([exact(cup) for cup in drawn_cups(unpinned, count)], enough)
    return Judged(
        hip.name,
        choice,
        len(cups),
        choice_s,
        brute_s,
        sum(between),
        _beaten_by(grid, choice, enough),
        shortfall,
        apart,
        free,
        sum(_worse(free, choice, wish, enough) for wish in _WISHES),
        len(drawn),
        _beaten_by(drawn, free, enough),
        errors,
    )


def _of_wish(choice: Choice, wish: Favours) -> Option | None:
    return next((each for each in choice.options if wish in each.favours), None)


def _beaten_by(cups: Array, choice: Choice, enough_mm: float) -> int:
    """How many options cups with such gains (n, 7) beat by more than what counts as equal."""
    own = gains([each.figures for each in choice.options if not each.beaten], enough_mm)
    return sum(bool(((cups >= row).all(axis=1) & (cups > row + _EQUAL).any(axis=1)).any()) for row in own)


def _worse(free: Choice, pinned: Choice, wish: Favours, enough_mm: float) -> bool:
    """Whether more freedom made an option worse, by more than twice what counts as equal, in what it favours."""
    one, other = _of_wish(free, wish), _of_wish(pinned, wish)
    if one is None or other is None:
        return one is None and other is not None
    number = NAMES.index(_WISHES[wish])
    mine, its = gains([one.figures, other.figures], enough_mm)[:, number]
    return bool(mine < its - 2.0 * _EQUAL[number])


def drawn_cups(question: Question, count: int) -> Array:
    """Draw cups at random from the whole room, of those that keep the limits by estimate, shape (count, 6)."""
    where = search_room(question.native_diameter_mm, question.wanted, question.zone, question.limits, question.pins)
    cups = np.random.default_rng(11).uniform(where.low, where.high, (40 * count, 6))
    cups[:, 3] = 2.0 * np.round(cups[:, 3] / 2.0)
    found = tried(question, cups)
    return found.only(found.allowed).variables[:count]


def _pairs(choice: Choice) -> list[tuple[int, int]]:
    """Options that claim not to be beaten, with every other."""
    count = range(len(choice.options))
    return [(n, m) for n in count for m in count if n != m and not choice.options[n].beaten]


def brute_force(question: Question, exact: object, step_mm: float) -> tuple[Array, list[Figures], Array]:
    """Return the cups that keep the limits with their figures, and the errors of the estimates on all (n, 7)."""
    limits, wanted = question.limits, question.wanted
    usual = 2.0 * np.ceil((question.native_diameter_mm + 1.0) / 2.0)
    sizes = [usual - 8.0, usual - 4.0, usual, usual + 4.0] if limits.smallest_size_mm else [usual, usual + 4.0]
    medial = np.arange(np.floor(min(wanted[0], 0.0)) - 3.0, max(wanted[0], 0.0) + 13.0, step_mm)
    rise = np.arange(np.floor(min(wanted[1], 0.0)) - 3.0, wanted[1] + limits.largest_rise_mm, step_mm)
    cups = np.array([[m, s, 0.0, d, 40.0, 17.5] for m, s, d in product(medial, rise, sizes)])
    rows = tried(question, cups).rows
    kept, figures, errors = [], [], []
    for cup, row in zip(cups, rows, strict=True):
        found = exact(cup)  # type: ignore[operator]
        if np.isfinite(row).all():
            errors.append([factor * (row[n] - getattr(found, name)) for name, n, _, factor in _ESTIMATED])
        if found.cover >= limits.least_cover and found.wall_least_mm >= limits.least_wall_mm:
            kept.append(cup)
            figures.append(found)
    return np.array(kept), figures, np.array(errors)


def page(results: Sequence[Judged], step_mm: float) -> str:
    """Return the part of the validation page."""
    lines = [
        "## Options",
        "",
        "Made by `python -m tests.validation.options`. Bones are the generator's own surfaces; depth from front to "
        "back, inclination and anteversion are pinned, so that every cup of a grid over depth, height and size "
        f"({step_mm:g} mm, 4 mm) can be measured. Limits as by default.",
        "",
        "| hip | options | cups of the grid that keep the limits | options beaten by an option | by a cup of the "
        "grid | nothing pinned: options | worse than pinned | cups drawn | options beaten by them | choice, s | "
        "brute force, s |",
        "|---|---|---|---|---|---|---|---|---|---|---|",
    ]
    lines += [
        f"| {each.name} | {len(each.choice.options)} | {each.kept} | {each.beaten_by_option} | {each.beaten_by_grid} | "
        f"{len(each.free.options)} | {each.free_worse} | {each.drawn} | {each.beaten_by_drawn} | "
        f"{each.choice_s:.1f} | {each.brute_s:.1f} |"
        for each in results
    ]
    lines += [
        "",
        "CPU seconds of one core, with the angles pinned; 3 to 5 s with nothing pinned. Beaten: nowhere better, and "
        "worse by more than counts as equal somewhere.",
        "",
        "By how much the best cup of the grid is better in what an option favours (shares, mm, ml; 0: nowhere), "
        "and how far its centre lies, of those as good, from the option's (the larger of depth and height, mm; where "
        "it is far and not better, the option is as good elsewhere):",
        "",
        "| hip | " + " | ".join(str(wish) for wish in _WISHES) + " |",
        "|---|" + "---|" * len(_WISHES),
    ]
    for each in results:
        cells = [
            f"{each.shortfall[wish]:.2f}; {each.apart_mm[wish]:.1f}" if wish in each.shortfall else "-"
            for wish in _WISHES
        ]
        lines.append(f"| {each.name} | {' | '.join(cells)} |")
    errors = np.concatenate([each.errors for each in results if len(each.errors)])
    lines += [
        "",
        f"Errors of the quick estimates against the measurement, {len(errors)} cups:",
        "",
        "| figure | median | standard deviation | 99 % within | worst |",
        "|---|---|---|---|---|",
    ]
    for (name, _, unit, _), column in zip(_ESTIMATED, errors.T, strict=True):
        size = np.abs(column)
        lines.append(
            f"| {name} ({unit}) | {np.median(column):.2f} | {column.std():.2f} | {np.percentile(size, 99):.2f} | "
            f"{size.max():.2f} |"
        )
    return "\n".join(lines)


def main() -> int:
    """Return the exit code."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--page", type=Path)
    parser.add_argument("--step", type=float, default=3.0)
    parser.add_argument("--drawn", type=int, default=150)
    options = parser.parse_args()
    results = []
    for hip in hard_hips():
        found = judged(hip, options.step, options.drawn)
        results.append(found)
        print(
            f"{found.name}: {len(found.choice.options)} options, {found.kept} cups of the grid keep the limits",
            flush=True,
        )
        for each in found.choice.options:
            print(f"  {', '.join(each.favours)}: {np.round(each.variables, 1).tolist()}{' (beaten)' * each.beaten}")
        print(f"  beaten: {found.beaten_by_option} by options, {found.beaten_by_grid} by the grid; {found.passed}")
    part = page(results, options.step)
    print(part)
    if options.page is not None:
        write_part(options.page, "Validation of decisions", MARK, part)
    return 0 if all(each.passed for each in results) else 1


if __name__ == "__main__":
    raise SystemExit(main())
