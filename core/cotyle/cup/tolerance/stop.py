"""Where to stop reaming and take a picture.

On the way in the depth is known by feel alone until the next picture. The place to stop is the nearest to the seat at
which the wall is still kept with the wanted certainty; from there on a picture tells the depth, and only what picture
and bone edge err by is left.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from cotyle.cup.tolerance.causes import Cause, Spreads, errors_of
from cotyle.cup.tolerance.procedures import Outcome, Planned, procedures
from cotyle.space.arrays import Array

FARTHEST_MM = 12.0
_CLOSE_MM = 0.1


@dataclass(frozen=True)
class Stop:
    """Where to stop, mm before the seat (None: not even 12 mm before it is sure), and the chances that go with it.

    Chances, 0 to 1, that the least wall is below the limit: ``at_seat`` if the reamer goes there by feel; ``at_stop``;
    ``after_picture`` at the seat, when a picture at the stop has told depth and direction.
    """

    before_mm: float | None
    at_seat: float
    at_stop: float
    after_picture: float


def stop_before(planned: Planned, spreads: Spreads, deviates: Array, limit_mm: float, accepted: float) -> Stop:
    """Return where to stop so that the least wall falls below a limit with at most an accepted chance.

    Found to 0.1 mm on the procedures of these deviates; the chance falls steadily towards the outside.
    """
    errors = errors_of(spreads, deviates)

    def chance(short_mm: float) -> float:
        least = procedures(planned, errors, short_mm=short_mm).of(Outcome.LEAST_WALL)
        return float(np.mean((least < limit_mm) | (least <= 0.0)))

    told = errors_of(spreads.without(Cause.HAND, Cause.DEPTH), deviates)
    least = procedures(planned, told).of(Outcome.LEAST_WALL)
    after = float(np.mean((least < limit_mm) | (least <= 0.0)))
    at_seat = chance(0.0)
    if at_seat <= accepted:
        return Stop(0.0, at_seat, at_seat, after)
    at_stop = chance(FARTHEST_MM)
    if at_stop > accepted:
        return Stop(None, at_seat, at_stop, after)
    unsure, sure = 0.0, FARTHEST_MM
    while sure - unsure > _CLOSE_MM:
        middle = (unsure + sure) / 2
        here = chance(middle)
        if here > accepted:
            unsure = middle
        else:
            sure, at_stop = middle, here
    return Stop(sure, at_seat, at_stop, after)
