"""Is the program as sure as it may be? Errors without a warning, and stated deviations against true errors."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from cotyle.anatomy.findings import Concern, Finding, concerning

from tests.validation.bars import Bar
from tests.validation.errors_of import Error, Stated

CONCERN_OF = {
    "dice": Concern.BONES,
    "center": Concern.CENTER,
    "diameter": Concern.DIAMETER,
    "tilt": Concern.FRAME,
    "rotation": Concern.FRAME,
    "obliquity": Concern.FRAME,
    "wall_along_axis": Concern.WALL,
    "wall_minimum": Concern.WALL,
    "metal_cup_center": Concern.METAL_CUP,
    "metal_cup_axis": Concern.METAL_CUP,
}
FALSE_CONFIDENCE = 2.0
"""An error beyond this many times the bar for the worst one needs a warning that names it."""
_NORMAL_95 = 1.96


def is_grave(error: Error, bars: Iterable[Bar]) -> bool:
    """Return whether an error lies beyond twice the bar for the worst one (a Dice: falls twice as short)."""
    for bar in bars:
        if bar.quantity != error.quantity:
            continue
        if bar.higher_is_better:
            return not (1.0 - error.value) <= FALSE_CONFIDENCE * (1.0 - bar.worst)
        return not error.value <= FALSE_CONFIDENCE * bar.worst
    return False


def falsely_confident(errors: Iterable[Error], findings: Sequence[Finding], bars: Sequence[Bar]) -> list[Error]:
    """Return the grave errors that no finding of their side names."""
    return [
        error
        for error in errors
        if error.quantity in CONCERN_OF
        and is_grave(error, bars)
        and not concerning(findings, CONCERN_OF[error.quantity], error.side)
    ]


@dataclass(frozen=True)
class Calibration:
    """How often the stated 95 % interval of a quantity holds the truth."""

    quantity: str
    count: int
    share: float
    median_deviation: float
    median_error: float


def calibration(stated: Sequence[Stated]) -> list[Calibration]:
    """Return, by quantity, the share of errors within 1.96 of their stated deviations."""
    found = []
    for quantity in dict.fromkeys(each.quantity for each in stated):
        own = [each for each in stated if each.quantity == quantity]
        errors = np.abs([each.error for each in own])
        deviations = np.array([each.deviation for each in own])
        share = float((errors <= _NORMAL_95 * deviations).mean())
        found.append(Calibration(quantity, len(own), share, float(np.median(deviations)), float(np.median(errors))))
    return found
