"""The cone in which a neck is free, and how far one may turn before it leaves it, in closed form.

A neck that may lean up to an angle h from the cup's opening axis n, pointing along u from the head to the shaft, is
turned about an axis k by phi. With C = (n.k)(u.k), A = n.u - C and B = n.(k x u)

    n . R(phi) u = A cos phi + B sin phi + C

and the neck is free while this is at least cos h: from phi = 0 to the limits atan2(B, A) -+ acos((cos h - C) /
sqrt(A^2 + B^2)). The same model as Yoshimine and Ginbayashi, J Biomech 2002;35:989-93 (their printed equations not
read; derived from Rodrigues' rotation formula). No chamfer, lip or skirt turns with the neck: all is round.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from cotyle.space.arrays import Array

# A direction that turns along a smaller circle than this doesn't move.
_STILL = 1e-12


def turn_limit_deg(axis: npt.ArrayLike, neck: npt.ArrayLike, turning: npt.ArrayLike, half_angle_deg: float) -> Array:
    """Return how far the neck turns forward about an axis before it meets the rim, degrees.

    Parameters
    ----------
    axis:
        Unit opening axes, shape (..., 3).
    neck:
        Unit direction from the head along the neck, shape (3,), in the same components.
    turning:
        Unit axis of the turn, shape (3,); turn back about its opposite.
    half_angle_deg:
        How far the neck may lean from the opening axis.

    Returns
    -------
    Shape (...): 0 to 360; infinite where a whole turn meets nothing; NaN where the neck is past the rim to begin with.
    """
    n, u, k = (np.asarray(each, dtype=float) for each in (axis, neck, turning))
    least = np.cos(np.radians(half_angle_deg))
    constant = (n @ k) * float(u @ k)
    a, b = n @ u - constant, n @ np.cross(k, u)
    amplitude = np.hypot(a, b)
    share = (least - constant) / np.maximum(amplitude, _STILL)
    limit = np.arctan2(b, a) + np.arccos(np.clip(share, -1.0, 1.0))
    found = np.where(share <= -1.0, np.inf, np.degrees(np.maximum(limit, 0.0)))
    return np.asarray(np.where(n @ u < least - _STILL, np.nan, found))


def lean_deg(axis: npt.ArrayLike, neck: npt.ArrayLike) -> Array:
    """Return the angle between opening axes (..., 3) and a neck's direction (3,), degrees."""
    n, u = np.asarray(axis, dtype=float), np.asarray(neck, dtype=float)
    away = np.linalg.norm(n - u, axis=-1)
    toward = np.linalg.norm(n + u, axis=-1)
    return np.asarray(np.degrees(2.0 * np.arctan2(away, toward)))
