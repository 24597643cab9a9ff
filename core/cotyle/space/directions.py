"""Directions spread evenly over the sphere, or over half of it."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from cotyle.space.arrays import Array, unit


def even_directions(count: int) -> Array:
    """Return unit vectors (count, 3) of equal area each over the sphere (Fibonacci lattice)."""
    return _golden_spiral(1.0 - 2.0 * (np.arange(count) + 0.5) / count)


def hemisphere_directions(direction_lps: npt.ArrayLike, count: int) -> Array:
    """Return unit vectors (count, 3) of equal area each over the hemisphere about a direction."""
    axis = unit(direction_lps)
    across = unit(np.cross(axis, np.eye(3)[int(np.argmin(np.abs(axis)))]))
    spiral = _golden_spiral((np.arange(count) + 0.5) / count)
    return np.asarray(spiral @ np.stack([across, np.cross(axis, across), axis]))


def _golden_spiral(height: Array) -> Array:
    """Unit vectors at these heights above the equator, azimuth by the golden angle.

    Between even heights lies the same area (Archimedes).
    """
    angle = np.pi * (3.0 - np.sqrt(5.0)) * np.arange(len(height))
    ring = np.sqrt(1.0 - height**2)
    return np.stack([ring * np.cos(angle), ring * np.sin(angle), height], axis=1)
