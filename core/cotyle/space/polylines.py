"""Joining the loose segments of a section into lines."""

from __future__ import annotations

from collections import defaultdict

import numpy as np

from cotyle.space.arrays import Array

_DECIMALS = 6


def chained(segments: Array) -> list[Array]:
    """Return segments (m, 2 ends, 2) joined end to end: lines (n, 2), a closed one ending where it begins.

    Ends that agree to a nanometre are one point. Where more than two segments meet, the line goes on along one of them.
    """
    ends = [tuple(map(tuple, np.round(segment, _DECIMALS))) for segment in segments]
    at: dict[tuple[float, ...], list[int]] = defaultdict(list)
    for row, (first, second) in enumerate(ends):
        at[first].append(row)
        at[second].append(row)
    free = [first != second for first, second in ends]
    # lines that end somewhere begin at an end; what is left are loops
    begins = sorted(range(len(ends)), key=lambda row: min(len(at[end]) for end in ends[row]) != 1)
    lines = []
    for row in begins:
        if not free[row]:
            continue
        first, second = ends[row]
        if len(at[second]) == 1 and len(at[first]) != 1:
            first, second = second, first
        free[row] = False
        points = [first, second]
        while (following := next((r for r in at[points[-1]] if free[r]), None)) is not None:
            free[following] = False
            a, b = ends[following]
            points.append(b if a == points[-1] else a)
        lines.append(np.array(points))
    return lines
