"""The search: an even grid over all that is open, then a descent from the best cups of each wish.

The grid (3 mm, 2 mm of size, 5 deg) cannot miss a separate region wider than its step. From its best cup for each wish
a pattern search (Hooke R, Jeeves TA, J ACM 1961;8:212-29) tries neighbours at 1 mm, 1 deg and then 0.5 mm, 0.5 deg, all
directions of the centre and its pairings with size and angles, until none is better. No draw of lots anywhere: the same
hip and wishes give the same cups.

Balance: the weighted distance to having the best of everything at once (compromise programming, Yu PL, Manage Sci
1973;19:936-46), each objective measured by its range over the undominated cups of the grid. It grows with every
objective, so that the cup of best balance among those that are good enough in one respect is dominated by none that was
tried.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from itertools import product

import numpy as np

from cotyle.cup.options.figures import NAMES, OBJECTIVES, undominated
from cotyle.cup.options.limits import (
    ANTEVERSION,
    INCLINATION,
    MEDIAL,
    SIZE,
    SIZE_STEP_MM,
    SUPERIOR,
    Room,
    search_room,
)
from cotyle.cup.options.trials import BOUND_SCALES, BOUNDS, Bound, Question, Trials, tried
from cotyle.errors import InputError
from cotyle.space.arrays import Array

GRID_STEPS = (3.0, 3.0, 3.0, SIZE_STEP_MM, 5.0, 5.0)
DESCENT_STEPS = ((1.0, 1.0), (0.5, 0.5))
"""Of centre (mm) and angles (deg)."""
# Cover, walls, front and back wall, centre and bone each count once.
WEIGHTS = np.array([0.5, 0.5, 0.5, 0.5, 1.0, 1.0, 1.0])
_MOST_MOVES = 40
# How much higher is looked to find out whether the largest rise leaves no room.
_FARTHER_MM = 15.0
# A descent may find thicker walls than the grid did.
_BEYOND_BEST = 0.1

Score = Callable[[Trials], Array]
"""Says of each cup how good it is, larger is better, minus infinity for one that is out of the question."""


@dataclass(frozen=True, eq=False)
class Scale:
    """How balance is measured: the best of everything (7,) and the range of each objective (7,)."""

    best: Array
    range: Array

    def balance(self, gains: Array) -> Array:
        """Return the balance of cups (n, 7), 0 at best, NaN counted as minus infinity."""
        missed = (self.best - gains) / self.range * WEIGHTS
        return np.nan_to_num(-np.sqrt((missed**2).sum(axis=1)), nan=-np.inf)


def grid(question: Question, where: Room, steps: tuple[float, ...] = GRID_STEPS) -> Array:
    """Return the cups of the grid (n, 6)."""
    values = [where.values(variable, step) for variable, step in enumerate(steps)]
    return np.stack([each.ravel() for each in np.meshgrid(*values, indexing="ij")], axis=1)


def surveyed(question: Question) -> tuple[Room, Trials]:
    """Try the grid.

    Raises
    ------
    InputError
        ``option-pin`` and ``option-limits`` of the limits; ``option-no-room`` if no cup keeps them, with the limit that
        leaves none.
    """
    where = search_room(question.native_diameter_mm, question.wanted, question.zone, question.limits, question.pins)
    found = tried(question, grid(question, where))
    if not found.allowed.any():
        # the grid is coarse: the room may lie between its cups
        found = found.joined(_descended(question, where, found, _least_broken, starts=3))
    if not found.allowed.any():
        raise _no_room(question)
    return where, found


def scale_of(found: Trials, enough_mm: float) -> Scale:
    """Return how balance is measured, from the cups that keep all limits."""
    gains = found.gains[found.allowed]
    front = gains[undominated(gains)]
    span = np.maximum(front.max(axis=0) - front.min(axis=0), [each.equal_within for each in OBJECTIVES])
    best = np.array([1.0, 1.0, enough_mm, enough_mm, front.max(axis=0)[NAMES.index("rim_wall_mm")], 0.0, 0.0])
    best[NAMES.index("rim_wall_mm")] += _BEYOND_BEST * span[NAMES.index("rim_wall_mm")]
    return Scale(best, span)


def improved(question: Question, where: Room, found: Trials, score: Score, starts: int = 2) -> Trials:
    """Return all cups tried so far and those of a descent by a score from the best of them."""
    return found.joined(_descended(question, where, found, score, starts))


def best_of(found: Trials, score: Score) -> int | None:
    """Return the best cup, the first of several that are equal; None where all are out of the question."""
    scores = score(found)
    place = int(np.argmax(scores))
    return place if np.isfinite(scores[place]) else None


def _descended(question: Question, where: Room, found: Trials, score: Score, starts: int) -> Trials:
    trials = None
    for start in _starts(found, score, starts):
        here = found.only(np.arange(len(found.variables)) == start)
        for step_mm, step_deg in DESCENT_STEPS:
            for _ in range(_MOST_MOVES):
                around = tried(question, _neighbours(here.variables[0], where, step_mm, step_deg))
                trials = around if trials is None else trials.joined(around)
                scores = score(around)
                place = int(np.argmax(scores))
                if not scores[place] > score(here)[0] + 1e-9:
                    break
                here = around.only(np.arange(len(around.variables)) == place)
    return found.only(np.zeros(len(found.variables), dtype=bool)) if trials is None else trials


def _starts(found: Trials, score: Score, count: int) -> list[int]:
    """Return the best cups that lie at least two steps of the grid apart."""
    scores = score(found).copy()
    chosen: list[int] = []
    while len(chosen) < count and np.isfinite(scores.max()):
        best = int(np.argmax(scores))
        chosen.append(best)
        apart = np.linalg.norm(found.variables[:, :3] - found.variables[best, :3], axis=1)
        scores[apart < 2.0 * GRID_STEPS[0]] = -np.inf
    return chosen


def _neighbours(variables: Array, where: Room, step_mm: float, step_deg: float) -> Array:
    """Return the neighbours of a cup within the room: centre in 26 directions, size and angles, some of them paired."""
    moves = [np.array([*way, 0, 0, 0], dtype=float) * step_mm for way in product((-1, 0, 1), repeat=3) if any(way)]
    for larger, inward, up in product((-SIZE_STEP_MM, SIZE_STEP_MM), (-1, 0, 1), (-1, 0, 1)):
        move = np.zeros(6)
        move[[SIZE, MEDIAL, SUPERIOR]] = larger, inward * step_mm, up * step_mm
        moves.append(move)
    for steeper, turned in product((-1, 0, 1), repeat=2):
        if steeper or turned:
            for inward in (-1, 0, 1):
                move = np.zeros(6)
                move[[INCLINATION, ANTEVERSION, MEDIAL]] = steeper * step_deg, turned * step_deg, inward * step_mm
                moves.append(move)
    around = np.clip(variables + np.stack(moves), where.low, where.high)
    around = np.unique(around, axis=0)
    return np.asarray(around[(around != variables).any(axis=1)]) if len(around) > 1 else variables[None]


def _least_broken(found: Trials) -> Array:
    """Score of a cup by the limit that it breaks most."""
    return np.asarray((np.minimum(found.room, 0.0) / BOUND_SCALES).min(axis=1))


def _no_room(question: Question) -> InputError:
    """Say which limit leaves no room: the one that alone would have to give way, and how far."""
    limits = question.limits
    where = search_room(
        question.native_diameter_mm, question.wanted, question.zone, limits, question.pins, farther_mm=_FARTHER_MM
    )
    found = tried(question, grid(question, where))
    ways = []
    for number, bound in enumerate(BOUNDS):
        others = np.asarray((np.delete(found.room, number, axis=1) >= -1e-9).all(axis=1))
        if others.any():
            needed = float(-found.room[others, number].max())
            ways.append((needed / BOUND_SCALES[number], _gives_way(bound, needed, question)))
    if not ways:
        worst = found.room[int(np.argmax(_least_broken(found)))]
        broken = [_WORDS[bound] for bound, left in zip(BOUNDS, worst, strict=True) if left < -1e-9]
        together = " and ".join(broken)
        text = f"no cup keeps all limits, nor all but one of them: {together} would have to give way together"
        return InputError("option-no-room", text, "Ease the limits or take back a pin")
    pinned = f" with {_listed(question)} pinned" if question.pins.values else ""
    text = f"no cup keeps all limits{pinned}: {min(ways)[1]}"
    return InputError("option-no-room", text, "Ease it or take back a pin")


_WORDS = {
    Bound.LEAST_WALL: "the least wall",
    Bound.LARGEST_RISE: "the largest rise",
    Bound.LEAST_COVER: "the least cover",
    Bound.LARGEST_SIZE: "the largest size",
}


def _gives_way(bound: Bound, needed: float, question: Question) -> str:
    limits = question.limits
    if bound is Bound.LEAST_COVER:
        kept = 100 * (limits.least_cover - needed)
        return f"the least cover of {100 * limits.least_cover:.0f} % binds, {kept:.0f} % can be had"
    if bound is Bound.LEAST_WALL:
        kept = max(limits.least_wall_mm - needed, 0.0)
        return f"the least wall of {limits.least_wall_mm:g} mm binds, {kept:.1f} mm can be had"
    if bound is Bound.LARGEST_RISE:
        rise = limits.largest_rise_mm
        return f"the largest rise of {rise:g} mm binds, {rise + needed:.0f} mm would do"
    size = limits.largest_size_mm or 0.0
    return f"the largest size of {size:g} mm binds, {size + needed:.0f} mm would do"


def _listed(question: Question) -> str:
    return ", ".join(name.rsplit("_", 1)[0].replace("_", " ") for name in question.pins.values)
