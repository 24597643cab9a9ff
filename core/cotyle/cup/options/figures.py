"""What a cup is judged by, and which of two cups is the better.

Each objective is a number of :class:`Figures`, the same whether it comes from the quick estimate or from the functions
that ``measure`` calls. Walls count only up to ``enough_mm``: bone beyond it is no reason to give up cover.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numba
import numpy as np

from cotyle.space.arrays import Array, BoolArray


@dataclass(frozen=True)
class Figures:
    """What is known of one cup.

    Shares 0 to 1 (``cover``: of the whole shell, the others of its quarters); mm; ``removed_ml`` by all reamers.
    ``rise_mm`` and ``center_away_mm``: of the hip centre from the one that should be restored, upwards and in all.
    """

    cover: float
    cover_above: float
    cover_front: float
    cover_back: float
    wall_along_axis_mm: float
    wall_least_mm: float
    front_wall_mm: float
    back_wall_mm: float
    removed_ml: float
    center_away_mm: float
    rise_mm: float


@dataclass(frozen=True)
class Objective:
    """One thing that is wanted: its name, the sign that makes more of it better, and what is as good as equal."""

    name: str
    sign: float
    equal_within: float
    unit: str


OBJECTIVES = (
    Objective("cover", 1.0, 0.01, "share"),
    Objective("cover_above", 1.0, 0.02, "share"),
    Objective("wall_along_axis_mm", 1.0, 0.5, "mm"),
    Objective("wall_least_mm", 1.0, 0.5, "mm"),
    Objective("rim_wall_mm", 1.0, 0.5, "mm"),
    Objective("center_away_mm", -1.0, 0.5, "mm"),
    Objective("removed_ml", -1.0, 0.5, "ml"),
)
"""What the choice is made by; ``rim_wall_mm`` is the thinner of the front and the back wall."""
NAMES = tuple(each.name for each in OBJECTIVES)


def gains(figures: Sequence[Figures], enough_mm: float) -> Array:
    """Return the objectives (n, 7) of cups, each turned so that more is better."""
    rows = [
        (
            f.cover,
            f.cover_above,
            min(f.wall_along_axis_mm, enough_mm),
            min(f.wall_least_mm, enough_mm),
            min(f.front_wall_mm, f.back_wall_mm),
            -f.center_away_mm,
            -f.removed_ml,
        )
        for f in figures
    ]
    return np.array(rows, dtype=float).reshape(-1, len(OBJECTIVES))


def dominates(one: Array, other: Array) -> bool:
    """Whether gains (7,) are nowhere worse and somewhere better than another cup's."""
    return bool((one >= other).all() and (one > other).any())


def undominated(all_gains: Array) -> BoolArray:
    """Return which rows of gains (n, m) no other row dominates; of equal rows all stay."""
    # a row is never dominated by one with a smaller sum: those that may dominate it come first
    order = np.argsort(-all_gains.sum(axis=1), kind="stable")
    kept = np.empty(len(all_gains), dtype=bool)
    kept[order] = _first_undominated(np.ascontiguousarray(all_gains[order]))
    return kept


@numba.njit(cache=True, nogil=True)
def _first_undominated(ranked):  # type: ignore[no-untyped-def]
    """Whether no row before dominates each row."""
    kept = np.ones(len(ranked), dtype=np.bool_)
    front = np.empty(len(ranked), dtype=np.int64)
    count = 0
    for n in range(len(ranked)):
        for place in range(count):
            other = ranked[front[place]]
            nowhere_worse, better = True, False
            for m in range(ranked.shape[1]):
                if other[m] < ranked[n, m]:
                    nowhere_worse = False
                    break
                better = better or other[m] > ranked[n, m]
            if nowhere_worse and better:
                kept[n] = False
                break
        if kept[n]:
            front[count] = n
            count += 1
    return kept
