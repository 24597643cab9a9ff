"""Rotations about an axis, by the right-hand rule, and the angle between directions."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from cotyle.space.arrays import Array, as_vector, unit


def rotation_matrix(axis: npt.ArrayLike, angle_deg: float) -> Array:
    """Return the 3x3 matrix that turns column vectors about an axis through the origin.

    Rodrigues' formula; the angle is positive by the right-hand rule.
    """
    x, y, z = unit(axis, "axis of rotation")
    angle = np.deg2rad(angle_deg)
    cross = np.array([[0.0, -z, y], [z, 0.0, -x], [-y, x, 0.0]])
    return np.asarray(np.eye(3) + np.sin(angle) * cross + (1.0 - np.cos(angle)) * (cross @ cross))


def rotate(
    points: npt.ArrayLike, axis: npt.ArrayLike, angle_deg: float, about: npt.ArrayLike = (0.0, 0.0, 0.0)
) -> Array:
    """Turn points of shape (3,) or (n, 3) about an axis through ``about``."""
    pivot = as_vector(about, "pivot")
    return np.asarray((np.asarray(points, dtype=float) - pivot) @ rotation_matrix(axis, angle_deg).T + pivot)


def angle_between_deg(a: npt.ArrayLike, b: npt.ArrayLike) -> float:
    """Return the angle between two directions, 0 to 180 degrees.

    Kahan's form with atan2, exact near 0 and 180 where the arc cosine loses half of its digits.
    """
    u, v = unit(a), unit(b)
    return float(np.rad2deg(2.0 * np.arctan2(np.linalg.norm(u - v), np.linalg.norm(u + v))))


def rigid_matrix(rotation: npt.ArrayLike, translation_mm: npt.ArrayLike = (0.0, 0.0, 0.0)) -> Array:
    """Return the 4x4 matrix ``x -> rotation @ x + translation``."""
    matrix = np.eye(4)
    matrix[:3, :3] = np.asarray(rotation, dtype=float)
    matrix[:3, 3] = as_vector(translation_mm, "translation")
    return matrix


def transform_points(matrix: npt.ArrayLike, points: npt.ArrayLike) -> Array:
    """Apply a 4x4 affine to points of shape (3,) or (n, 3)."""
    affine = np.asarray(matrix, dtype=float)
    return np.asarray(np.asarray(points, dtype=float) @ affine[:3, :3].T + affine[:3, 3])
