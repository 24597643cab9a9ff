"""Generic hemispherical cup by size: no maker's catalogue stands behind it.

Rules (common practice, no source): a hemispherical shell 4 mm thick (3 mm below 44 mm of outer diameter), a liner
at least 4 mm thick, and the largest of the usual heads (22, 28, 32, 36 mm) that this leaves room for.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from cotyle.errors import InputError
from cotyle.space.arrays import Array, as_vector, unit
from cotyle.space.shapes import Circle, Sphere
from cotyle.space.side import Side

SMALLEST_CUP_MM = 36.0
LARGEST_CUP_MM = 80.0
HEAD_DIAMETERS_MM = (36.0, 32.0, 28.0, 22.0)
LEAST_LINER_MM = 4.0


def checked_cup_diameter_mm(outer_diameter_mm: float) -> float:
    """Return the diameter, or raise ``cup-size`` when no acetabular cup has it."""
    diameter = float(outer_diameter_mm)
    if not (SMALLEST_CUP_MM <= diameter <= LARGEST_CUP_MM):  # NaN fails too
        raise InputError(
            "cup-size",
            f"a cup of {diameter:g} mm is outside {SMALLEST_CUP_MM:g} to {LARGEST_CUP_MM:g} mm",
            "Give the outer diameter in mm",
        )
    return diameter


@dataclass(frozen=True, eq=False)
class Cup:
    """A hemispherical cup in place.

    Parameters
    ----------
    side:
        The operated hip.
    center_lps_mm:
        Centre of the outer sphere, in the rim plane; the hip centre after the operation. Shape (3,), LPS mm.
    opening_axis_lps:
        Direction out of the mouth, LPS; stored as a unit vector.
    outer_diameter_mm:
        Outer diameter, 36 to 80 mm.

    Raises
    ------
    InputError
        ``cup-size``, ``not-finite``, ``vector-shape`` or ``zero-direction``.
    """

    side: Side
    center_lps_mm: Array
    opening_axis_lps: Array
    outer_diameter_mm: float

    def __post_init__(self) -> None:
        object.__setattr__(self, "center_lps_mm", as_vector(self.center_lps_mm, "cup centre"))
        object.__setattr__(self, "opening_axis_lps", unit(self.opening_axis_lps, "opening axis"))
        object.__setattr__(self, "outer_diameter_mm", checked_cup_diameter_mm(self.outer_diameter_mm))

    @property
    def radius_mm(self) -> float:
        """Outer radius."""
        return self.outer_diameter_mm / 2

    @property
    def sphere(self) -> Sphere:
        """Outer sphere."""
        return Sphere(self.center_lps_mm, self.radius_mm)

    @property
    def rim(self) -> Circle:
        """Outer rim; its normal is the opening axis."""
        return Circle(self.center_lps_mm, self.opening_axis_lps, self.radius_mm)

    @property
    def pole_lps_mm(self) -> Array:
        """Deepest point of the outer surface, shape (3,), LPS mm."""
        return as_vector(self.center_lps_mm - self.radius_mm * self.opening_axis_lps)

    @property
    def shell_thickness_mm(self) -> float:
        """Thickness of the generic metal shell."""
        return 3.0 if self.outer_diameter_mm < 44.0 else 4.0

    @property
    def liner_outer_diameter_mm(self) -> float:
        """Outer diameter of the generic liner, equal to the shell's inner diameter."""
        return self.outer_diameter_mm - 2 * self.shell_thickness_mm

    @property
    def head_diameter_mm(self) -> float:
        """Largest usual head that leaves at least 4 mm of liner."""
        room = self.liner_outer_diameter_mm - 2 * LEAST_LINER_MM
        return next(size for size in HEAD_DIAMETERS_MM if size <= room + 1e-9)

    @property
    def liner_thickness_mm(self) -> float:
        """Thickness of the generic liner."""
        return (self.liner_outer_diameter_mm - self.head_diameter_mm) / 2

    def moved(self, shift_lps_mm: npt.ArrayLike) -> Cup:
        """Return the cup shifted in LPS mm."""
        return Cup(
            self.side,
            np.asarray(self.center_lps_mm + as_vector(shift_lps_mm, "shift")),
            self.opening_axis_lps,
            self.outer_diameter_mm,
        )
