"""Checked, read-only arrays of points and vectors in DICOM LPS."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from cotyle.errors import InputError

Array = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int32]
BoolArray = npt.NDArray[np.bool_]


def as_vector(values: npt.ArrayLike, name: str = "point") -> Array:
    """Return a read-only float64 copy of shape (3,).

    Raises
    ------
    InputError
        ``vector-shape`` if it does not hold three numbers, ``not-finite`` if one is NaN or infinite.
    """
    array = np.array(values, dtype=np.float64)
    if array.shape != (3,):
        raise InputError("vector-shape", f"{name} must hold three numbers, got shape {array.shape}")
    return _finite(array, name)


def as_points(values: npt.ArrayLike, name: str = "points") -> Array:
    """Return a read-only float64 copy of shape (n, 3); errors as in :func:`as_vector`."""
    array = np.array(values, dtype=np.float64)
    if array.ndim != 2 or array.shape[1] != 3:
        raise InputError("vector-shape", f"{name} must have shape (n, 3), got {array.shape}")
    return _finite(array, name)


def unit(values: npt.ArrayLike, name: str = "direction") -> Array:
    """Return the vector scaled to length one, read-only.

    Raises
    ------
    InputError
        ``zero-direction`` if its length is zero.
    """
    vector = as_vector(values, name)
    length = float(np.linalg.norm(vector))
    if length == 0.0:
        raise InputError("zero-direction", f"{name} has no length")
    return read_only(vector / length)


def read_only(array: Array) -> Array:
    """Lock an array against writing, so that a frozen dataclass that holds it stays a value."""
    array.setflags(write=False)
    return array


def for_compiled(values: npt.ArrayLike) -> Array:
    """Return values as an array of float64 in C order that cannot be written through.

    Compiled functions are compiled once for each type of array they meet, and locked and open arrays are two: what
    comes through here is one, whoever made it. The caller's own array stays as it is.
    """
    view = np.ascontiguousarray(values, dtype=np.float64).view()
    return read_only(view)


def any_perpendicular(direction: npt.ArrayLike) -> Array:
    """Return one unit vector at right angles to a direction; the same one for the same input."""
    axis = unit(direction)
    helper = np.eye(3)[int(np.argmin(np.abs(axis)))]
    return unit(np.cross(axis, helper))


def _finite(array: Array, name: str) -> Array:
    if not np.isfinite(array).all():
        raise InputError("not-finite", f"{name} holds a value that is not a finite number")
    return read_only(array)
