"""How far a cup may be moved and stay as good: each variable alone, all others held.

Along each variable cups are tried outwards from the option in steps of 0.5 mm or 0.5 deg to the end of the room that
was searched; the stretch ends with the last one that still keeps every limit and is nowhere worse, in the things
asked, than what counts as equal (:data:`cotyle.cup.options.figures.OBJECTIVES`). The size is held. Things are compared
as estimated, here and there; the room that limits leave is moved to what the measurement of the option found.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from cotyle.cup.options.figures import OBJECTIVES
from cotyle.cup.options.limits import SIZE, VARIABLES, Room
from cotyle.cup.options.trials import Question, Trials, tried
from cotyle.space.arrays import Array, BoolArray

STEP = 0.5
MOVED = tuple(n for n in range(len(VARIABLES)) if n != SIZE)
_EQUAL = np.array([each.equal_within for each in OBJECTIVES])
_ROUNDING = 1e-9

Kept = Callable[[Trials], BoolArray]
"""Says which cups count at all, beside the limits."""


@dataclass(frozen=True, eq=False)
class Latitude:
    """From where to where each variable may go alone: ``low`` and ``high`` (6,), equal for the size."""

    low: Array
    high: Array


@dataclass(frozen=True, eq=False)
class Lines:
    """Cups tried along each variable: ``trials``, the variable (n,) and how many steps from the option (n,)."""

    trials: Trials
    variable: Array
    step: Array

    def within(self, option: Array, good: BoolArray) -> Latitude:
        """Return the stretch about an option (6,) in which all cups are good (n,)."""
        low, high = option.copy(), option.copy()
        for number in MOVED:
            for sign, end in ((-1, low), (1, high)):
                on_way = np.flatnonzero((self.variable == number) & (np.sign(self.step) == sign))
                on_way = on_way[np.argsort(np.abs(self.step[on_way]), kind="stable")]
                bad = np.flatnonzero(~good[on_way])
                last = bad[0] if len(bad) else len(on_way)
                if last > 0:
                    end[number] = self.trials.variables[on_way[last - 1], number]
        return Latitude(low, high)


def latitudes(
    question: Question, where: Room, option: Array, room_measured: Array, *asked: tuple[tuple[int, ...], Kept]
) -> tuple[Latitude, ...]:
    """Return how far an option may be moved.

    Parameters
    ----------
    where:
        The room that was searched.
    option:
        Its variables (6,).
    room_measured:
        What its limits leave by measured figures (4,), as :func:`cotyle.cup.options.trials.room_left`.
    asked:
        For each latitude: numbers of the objectives that may not get worse, and which cups count.
    """
    lines = _lines(question, where, option)
    own = tried(question, option[None])
    room = lines.trials.room + np.asarray(room_measured - own.room[0])
    allowed = (room >= -_ROUNDING).all(axis=1)
    no_worse = lines.trials.gains >= own.gains[0] - _EQUAL - _ROUNDING
    return tuple(
        lines.within(option, np.asarray(allowed & no_worse[:, list(wanted)].all(axis=1) & kept(lines.trials)))
        for wanted, kept in asked
    )


def _lines(question: Question, where: Room, option: Array) -> Lines:
    rows, variables, steps = [], [], []
    for number in MOVED:
        for sign, end in ((-1, where.low[number]), (1, where.high[number])):
            way = max(sign * (end - option[number]), 0.0)
            count = int(np.ceil(way / STEP - _ROUNDING))
            for step in range(1, count + 1):
                moved = option.copy()
                moved[number] += sign * min(step * STEP, way)
                rows.append(moved)
                variables.append(number)
                steps.append(sign * step)
    trials = tried(question, np.array(rows).reshape(-1, len(VARIABLES)))
    return Lines(trials, np.array(variables), np.array(steps))
