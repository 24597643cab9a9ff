"""Where the reamer is on its way: one number for all steps, in millimetres that its centre has gone.

0 is where the first reamer first touches bone; each next one goes on from the sum of the ways before it. Where one
step ends and the next begins the earlier reamer counts, at its stop.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from cotyle.cup.cavity import ReamingStep
from cotyle.cup.depth_track import ReamingBar
from cotyle.errors import InputError
from cotyle.space.arrays import Array, as_vector
from cotyle.space.shapes import Circle


@dataclass(frozen=True, eq=False)
class ReamerPlace:
    """A reamer on its way.

    Parameters
    ----------
    step:
        Which one, from 0.
    share:
        How much of its own way lies behind it, 0 to 1.
    center_lps_mm:
        Centre of its sphere, shape (3,).
    rim:
        Its rim, the normal out of its mouth.
    """

    step: int
    share: float
    center_lps_mm: Array
    rim: Circle


def way_length_mm(steps: Sequence[ReamingStep]) -> float:
    """Return the whole way of all steps."""
    return sum(each.travel_mm for each in steps)


def way_starts_mm(steps: Sequence[ReamingStep]) -> tuple[float, ...]:
    """Return how much way lies behind each step as it starts; the whole way comes last."""
    return (0.0, *np.cumsum([each.travel_mm for each in steps]).tolist())


def reamer_at(steps: Sequence[ReamingStep], way_mm: float) -> ReamerPlace:
    """Return the reamer after some way; before 0 and beyond the whole way it stands at the ends.

    Raises
    ------
    InputError
        ``cavity-empty`` without a step, ``not-finite`` for a way that is no number.
    """
    if not steps:
        raise InputError("cavity-empty", "there is no reaming step to be on the way of")
    if not np.isfinite(way_mm):
        raise InputError("not-finite", "the way of the reamer must be a finite number of millimetres")
    starts = way_starts_mm(steps)
    way = min(max(float(way_mm), 0.0), starts[-1])
    index = next(number for number in range(len(steps)) if way <= starts[number + 1])
    step = steps[index]
    share = (way - starts[index]) / step.travel_mm if step.travel_mm > 0 else 1.0
    center = as_vector(step.start_center_lps_mm + share * (step.end_center_lps_mm - step.start_center_lps_mm))
    return ReamerPlace(index, share, center, Circle(center, -step.direction_lps, step.radius_mm))


def depth_on_track_mm(bars: Sequence[ReamingBar], place: ReamerPlace) -> float:
    """Return where the pole of a reamer stands on the depth track whose bars are given."""
    bar = bars[place.step]
    return bar.from_mm + place.share * (bar.to_mm - bar.from_mm)


def way_at_depth_mm(steps: Sequence[ReamingStep], bars: Sequence[ReamingBar], step: int, depth_mm: float) -> float:
    """Return the way at which a step's reamer stands at a depth of the track, within that step."""
    bar, start = bars[step], way_starts_mm(steps)[step]
    length = bar.to_mm - bar.from_mm
    share = (depth_mm - bar.from_mm) / length if length > 0 else 1.0
    return start + min(max(share, 0.0), 1.0) * steps[step].travel_mm
