"""Directions spread over the sphere."""

from __future__ import annotations

import numpy as np

from cotyle.space.arrays import Array


def even_directions(count: int) -> Array:
    """Return unit vectors spread evenly over the sphere (Fibonacci lattice), shape (count, 3)."""
    height = 1.0 - 2.0 * (np.arange(count) + 0.5) / count
    angle = np.pi * (3.0 - np.sqrt(5.0)) * np.arange(count)
    ring = np.sqrt(1.0 - height**2)
    return np.stack([ring * np.cos(angle), ring * np.sin(angle), height], axis=1)
