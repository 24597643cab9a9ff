"""What the validation must show: bars for the median and the worst error of each quantity."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from tests.validation.errors_of import Error


@dataclass(frozen=True)
class Bar:
    """One row of the table. Errors must not exceed the bars; for a Dice coefficient they must reach them."""

    quantity: str
    title: str
    unit: str
    median: float
    worst: float
    higher_is_better: bool = False

    def result(self, errors: Sequence[Error]) -> Result:
        """Summarise the errors of this quantity."""
        own = [error for error in errors if error.quantity == self.quantity]
        if not own:
            raise ValueError(f"nothing was measured for {self.title}")
        pick = min if self.higher_is_better else max
        return Result(self, len(own), float(np.median([e.value for e in own])), pick(own, key=lambda e: e.value))


@dataclass(frozen=True)
class Result:
    """Median and worst of one quantity, and whether each keeps its bar (NaN counts as broken)."""

    bar: Bar
    count: int
    median: float
    worst: Error

    @property
    def median_kept(self) -> bool:
        """Whether the median keeps its bar."""
        return _kept(self.median, self.bar.median, self.bar.higher_is_better)

    @property
    def worst_kept(self) -> bool:
        """Whether the worst keeps its bar."""
        return _kept(self.worst.value, self.bar.worst, self.bar.higher_is_better)


def _kept(value: float, bar: float, higher_is_better: bool) -> bool:
    return value >= bar if higher_is_better else value <= bar


BARS = (
    Bar("landmark", "ASIS, pubic tubercle", "mm", 2.0, 4.0),
    Bar("tilt", "app frame: tilt", "deg", 0.7, 1.8),
    Bar("rotation", "app frame: rotation", "deg", 0.3, 0.8),
    Bar("obliquity", "app frame: obliquity", "deg", 0.3, 0.8),
    Bar("center", "hip centre", "mm", 0.5, 1.2),
    Bar("diameter", "socket diameter", "mm", 0.7, 1.5),
    Bar("dice", "bone labels, Dice", "", 0.98, 0.96, higher_is_better=True),
    Bar("wall_along_axis", "wall along the axis, given cup", "mm", 0.25, 0.7),
    Bar("wall_minimum", "wall minimum, given cup", "mm", 0.3, 0.8),
    Bar("coverage", "coverage, given cup", "points", 1.0, 2.5),
    Bar("removed", "removed volume per step of 1 ml or more", "%", 2.0, 4.0),
    Bar("orientation", "orientation of a given axis", "deg", 1e-6, 1e-6),
)
# measured and printed, but nothing is demanded of them
REPORTED = (
    Bar("removed_ml", "removed volume per step, every step", "ml", np.inf, np.inf),
    Bar("landmark_vertex", "ASIS, pubic tubercle against the generator's own vertices", "mm", np.inf, np.inf),
    Bar("wall_surface_only", "wall along the axis without reading the scan's density", "mm", np.inf, np.inf),
)
