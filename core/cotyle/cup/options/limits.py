"""What the user sets: limits that no option may break, variables that are pinned, and what follows for the search.

A cup is told by six variables: the shift of its centre from the native one (medial, superior, anterior, mm, in the
measuring frame), its size, and its inclination and anteversion in the target's definition and frame.

Defaults and where they are from: least wall 2 mm (the plan's own); rise at most 15 mm, above which cups loosened more
often (Pagnano MW et al., J Bone Joint Surg Am 1996;78:1004, from memory); cover at least 60 % (the least in a series of
stable cups was 61 %: Ueno et al. 2019, abstract); walls count up to the plan's way along the axis, 5 mm; a cup stays 5
deg within the target zone, so that a hand that errs by as much stays in it (common practice, no source).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields

import numpy as np

from cotyle.cup.component import LARGEST_CUP_MM, SMALLEST_CUP_MM
from cotyle.cup.posture import Zone
from cotyle.cup.proposal import proposed_diameter_mm
from cotyle.errors import InputError
from cotyle.space.arrays import Array

VARIABLES = ("medial_mm", "superior_mm", "anterior_mm", "outer_diameter_mm", "inclination_deg", "anteversion_deg")
MEDIAL, SUPERIOR, ANTERIOR, SIZE, INCLINATION, ANTEVERSION = range(6)
WORDS = ("medial shift", "rise", "anterior shift", "size", "inclination", "anteversion")
SIZE_STEP_MM = 2.0
# How far about native and wanted centre is looked, mm: lateral and medial, below, front and back.
_LATERAL_MM, _MEDIAL_MM, _BELOW_MM, _AP_MM = 6.0, 15.0, 3.0, 6.0
_SMALLER_MM, _LARGER_MM = 2.0, 8.0


@dataclass(frozen=True)
class Limits:
    """What no option may break.

    ``largest_rise_mm``: of the hip centre above the one to be restored. ``largest_size_mm``, ``smallest_size_mm``: None
    for 8 mm above and 2 mm below the usual size (our choice; in a narrow dysplastic or a wide old bed ask for smaller
    ones). ``enough_wall_mm``: bone beyond it counts no more. ``margin_deg``: how far within the target zone.
    """

    least_wall_mm: float = 2.0
    largest_rise_mm: float = 15.0
    largest_size_mm: float | None = None
    smallest_size_mm: float | None = None
    least_cover: float = 0.60
    enough_wall_mm: float = 5.0
    margin_deg: float = 5.0

    def __post_init__(self) -> None:
        bounds = {
            "least_wall_mm": (0.0, 30.0),
            "largest_rise_mm": (0.0, 60.0),
            "least_cover": (0.0, 1.0),
            "enough_wall_mm": (0.0, 30.0),
            "margin_deg": (0.0, 45.0),
        }
        for name, (low, high) in bounds.items():
            if not low <= getattr(self, name) <= high:
                raise InputError("option-limits", f"{name} must lie between {low:g} and {high:g}")
        sizes = [size for size in (self.smallest_size_mm, self.largest_size_mm) if size is not None]
        if not all(SMALLEST_CUP_MM <= size <= LARGEST_CUP_MM for size in sizes) or sizes != sorted(sizes):
            text = f"{SMALLEST_CUP_MM:g} to {LARGEST_CUP_MM:g} mm, the smallest first"
            raise InputError("option-limits", f"sizes must lie within {text}")


@dataclass(frozen=True)
class Pins:
    """Variables that the user has settled; None leaves one open."""

    medial_mm: float | None = None
    superior_mm: float | None = None
    anterior_mm: float | None = None
    outer_diameter_mm: float | None = None
    inclination_deg: float | None = None
    anteversion_deg: float | None = None

    def __post_init__(self) -> None:
        for name, value in self.values.items():
            if not np.isfinite(value):
                raise InputError("option-pin", f"the pinned {name} is no number")

    @property
    def values(self) -> Mapping[str, float]:
        """What is pinned."""
        return {each.name: getattr(self, each.name) for each in fields(self) if getattr(self, each.name) is not None}


@dataclass(frozen=True, eq=False)
class Room:
    """Where is looked: for each variable the lowest and highest value, both (6,), equal where it is pinned."""

    low: Array
    high: Array

    def values(self, variable: int, step: float) -> Array:
        """Return values from low to high, evenly spaced by about a step and through both ends."""
        low, high = self.low[variable], self.high[variable]
        return np.linspace(low, high, max(round((high - low) / step), int(high > low)) + 1)


def search_room(
    native_diameter_mm: float, wanted: Array, zone: Zone, limits: Limits, pins: Pins, farther_mm: float = 0.0
) -> Room:
    """Return where to look for cups.

    Parameters
    ----------
    wanted:
        The centre to be restored: its shift (medial, superior, anterior) from the native one, mm.
    farther_mm:
        Look so much higher, and 8 mm larger, than the limits allow: to find out which of them leaves no room.

    Raises
    ------
    InputError
        ``option-pin`` for a pin outside the limits or the target zone, ``option-limits`` if no even size lies within
        the limits.
    """
    usual = proposed_diameter_mm(native_diameter_mm)
    smallest, largest = limits.smallest_size_mm, limits.largest_size_mm
    if largest is None:
        largest = min(max(usual + _LARGER_MM, smallest or 0.0), LARGEST_CUP_MM)
    even = SIZE_STEP_MM * np.floor(largest / SIZE_STEP_MM)
    if smallest is None:
        smallest = max(min(SIZE_STEP_MM * np.ceil((usual - _SMALLER_MM) / SIZE_STEP_MM), even), SMALLEST_CUP_MM)
    elif pins.outer_diameter_mm is None:
        smallest = SIZE_STEP_MM * np.ceil(smallest / SIZE_STEP_MM)
        if smallest > even:
            text = f"no even size lies within {limits.smallest_size_mm:g} to {largest:g} mm"
            raise InputError("option-limits", text, "Widen them, or pin the size")
    low = np.minimum(wanted, 0.0) - (_LATERAL_MM, _BELOW_MM, _AP_MM)
    high = np.maximum(wanted, 0.0) + (_MEDIAL_MM, 0.0, _AP_MM)
    high[SUPERIOR] = wanted[SUPERIOR] + limits.largest_rise_mm + farther_mm
    low[SUPERIOR] = min(low[SUPERIOR], high[SUPERIOR])
    top = min(even + (8.0 if farther_mm else 0.0), LARGEST_CUP_MM)
    angles = [_less(bounds, limits.margin_deg) for bounds in (zone.inclination_deg, zone.anteversion_deg)]
    lows = np.array([*low, smallest, *(each[0] for each in angles)])
    highs = np.array([*high, top, *(each[1] for each in angles)])
    _check_pins(pins, limits, wanted, zone, largest)
    for name, value in pins.values.items():
        lows[VARIABLES.index(name)] = highs[VARIABLES.index(name)] = value
    return Room(lows, highs)


def _check_pins(pins: Pins, limits: Limits, wanted: Array, zone: Zone, largest_mm: float) -> None:
    bounds = {
        "medial_mm": (-60.0, 60.0, "what a plan can hold"),
        "superior_mm": (-60.0, wanted[SUPERIOR] + limits.largest_rise_mm, "the largest rise of the centre"),
        "anterior_mm": (-60.0, 60.0, "what a plan can hold"),
        "outer_diameter_mm": (limits.smallest_size_mm or SMALLEST_CUP_MM, largest_mm, "the sizes"),
        "inclination_deg": (*zone.inclination_deg, "the target zone"),
        "anteversion_deg": (*zone.anteversion_deg, "the target zone"),
    }
    for name, value in pins.values.items():
        low, high, what = bounds[name]
        if not low - 1e-9 <= value <= high + 1e-9:
            words = WORDS[VARIABLES.index(name)]
            raise InputError(
                "option-pin",
                f"the pinned {words} of {value:g} lies outside {low:g} to {high:g} ({what})",
                "Change the pin or the limit",
            )


def _less(bounds: tuple[float, float], margin: float) -> tuple[float, float]:
    """Return bounds less a margin on both sides; their middle where that leaves nothing."""
    low, high = bounds[0] + margin, bounds[1] - margin
    return (low, high) if low <= high else ((low + high) / 2, (low + high) / 2)
