"""Spheres, planes and circles as values."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from cotyle.errors import InputError
from cotyle.space.arrays import Array, as_vector, unit


@dataclass(frozen=True, eq=False)
class Sphere:
    """A sphere: centre in LPS mm and radius in mm (positive, else InputError ``radius``)."""

    center_lps_mm: Array
    radius_mm: float

    def __post_init__(self) -> None:
        object.__setattr__(self, "center_lps_mm", as_vector(self.center_lps_mm, "center of the sphere"))
        _positive(self.radius_mm, "sphere")

    @property
    def diameter_mm(self) -> float:
        """Twice the radius."""
        return 2.0 * self.radius_mm


@dataclass(frozen=True, eq=False)
class Plane:
    """A plane through a point with a unit normal, both LPS."""

    point_lps_mm: Array
    normal_lps: Array

    def __post_init__(self) -> None:
        object.__setattr__(self, "point_lps_mm", as_vector(self.point_lps_mm, "point of the plane"))
        object.__setattr__(self, "normal_lps", unit(self.normal_lps, "normal of the plane"))

    def signed_distance_mm(self, points_lps_mm: npt.ArrayLike) -> Array:
        """Return the distance along the normal of points (3,) or (n, 3)."""
        return np.asarray((np.asarray(points_lps_mm, dtype=float) - self.point_lps_mm) @ self.normal_lps)

    def mirrored(self, points_lps_mm: npt.ArrayLike) -> Array:
        """Mirror points (3,) or (n, 3) across the plane."""
        points = np.asarray(points_lps_mm, dtype=float)
        return points - 2.0 * self.signed_distance_mm(points)[..., None] * self.normal_lps


@dataclass(frozen=True, eq=False)
class Circle:
    """A circle in space: centre in LPS mm, unit normal, radius in mm."""

    center_lps_mm: Array
    normal_lps: Array
    radius_mm: float

    def __post_init__(self) -> None:
        object.__setattr__(self, "center_lps_mm", as_vector(self.center_lps_mm, "center of the circle"))
        object.__setattr__(self, "normal_lps", unit(self.normal_lps, "normal of the circle"))
        _positive(self.radius_mm, "circle")


def _positive(radius_mm: float, what: str) -> None:
    if not np.isfinite(radius_mm) or radius_mm <= 0:
        raise InputError("radius", f"the radius of a {what} must be positive, got {radius_mm} mm")
