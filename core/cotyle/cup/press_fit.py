"""Press-fit: how far a cup larger than its cavity stands proud before it is driven home.

A sphere of radius R that rests on the rim of a hemispherical cavity of radius r, the rim at the cavity's equator, has
its centre sqrt(R^2 - r^2) in front of the rim plane (Pythagoras); that is how far the cup stands proud of its seat.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from cotyle.errors import InputError

# Common practice, no source: a stance that signals a good press-fit of 1 mm.
USUAL_PROUD_MM = (4.0, 5.5)


@dataclass(frozen=True)
class PressFit:
    """Cup minus last reamer, and the stance of the cup before seating (0 without interference)."""

    interference_mm: float
    proud_mm: float

    @property
    def is_usual(self) -> bool:
        """Whether the stance is the one that common practice takes for a good press-fit."""
        return USUAL_PROUD_MM[0] <= self.proud_mm <= USUAL_PROUD_MM[1]


def press_fit(cup_diameter_mm: float, last_reamer_diameter_mm: float) -> PressFit:
    """Return the press-fit of a cup in the cavity of the last reamer, diameters in mm.

    Raises
    ------
    InputError
        ``press-fit`` if a diameter is not a positive number.
    """
    sizes = np.array([cup_diameter_mm, last_reamer_diameter_mm], dtype=float)
    if not np.isfinite(sizes).all() or (sizes <= 0).any():
        raise InputError("press-fit", "cup and reamer need positive diameters in mm")
    interference = float(sizes[0] - sizes[1])
    squared = float(sizes[0] ** 2 - sizes[1] ** 2) / 4
    return PressFit(interference, float(np.sqrt(max(squared, 0.0))))
