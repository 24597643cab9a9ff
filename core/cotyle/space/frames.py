"""Right-handed frames whose axes are named like DICOM's: left, posterior, superior."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from cotyle.errors import InputError
from cotyle.space.arrays import Array, as_vector, unit
from cotyle.space.rotations import rotation_matrix

_ORTHONORMAL_TOLERANCE = 1e-9


@dataclass(frozen=True, eq=False)
class Frame:
    """A rigid frame in LPS.

    Because each frame names its axes left, posterior and superior, one set of formulas serves the scanner,
    the anterior pelvic plane and every posture.

    Parameters
    ----------
    name:
        What the frame is called beside each number given in it.
    origin_lps_mm:
        Origin, shape (3,), LPS mm.
    left, posterior, superior:
        Orthonormal right-handed axes as LPS unit vectors.

    Raises
    ------
    InputError
        ``frame-axes`` if the axes are not orthonormal and right-handed.
    """

    name: str
    origin_lps_mm: Array
    left: Array
    posterior: Array
    superior: Array

    def __post_init__(self) -> None:
        object.__setattr__(self, "origin_lps_mm", as_vector(self.origin_lps_mm, f"origin of {self.name}"))
        for axis in ("left", "posterior", "superior"):
            object.__setattr__(self, axis, as_vector(getattr(self, axis), f"{axis} axis of {self.name}"))
        gram = self.axes @ self.axes.T
        if (
            np.abs(gram - np.eye(3)).max() > _ORTHONORMAL_TOLERANCE
            or np.linalg.det(self.axes) < 1 - _ORTHONORMAL_TOLERANCE
        ):
            raise InputError("frame-axes", f"the axes of {self.name} are not orthonormal and right-handed")

    @property
    def axes(self) -> Array:
        """Rotation from LPS to the frame, shape (3, 3): rows left, posterior, superior."""
        return np.stack([self.left, self.posterior, self.superior])

    @property
    def anterior(self) -> Array:
        """Unit vector to the front, LPS."""
        return -self.posterior

    def to_frame(self, points_lps_mm: npt.ArrayLike) -> Array:
        """Return coordinates (left, posterior, superior) in mm of LPS points (3,) or (n, 3)."""
        return np.asarray((np.asarray(points_lps_mm, dtype=float) - self.origin_lps_mm) @ self.axes.T)

    def to_lps(self, coordinates_mm: npt.ArrayLike) -> Array:
        """Return LPS mm of frame coordinates (3,) or (n, 3)."""
        return np.asarray(np.asarray(coordinates_mm, dtype=float) @ self.axes + self.origin_lps_mm)

    def direction_to_frame(self, directions_lps: npt.ArrayLike) -> Array:
        """Rotate LPS directions into the frame; lengths stay."""
        return np.asarray(np.asarray(directions_lps, dtype=float) @ self.axes.T)

    def direction_to_lps(self, directions: npt.ArrayLike) -> Array:
        """Rotate frame directions into LPS; lengths stay."""
        return np.asarray(np.asarray(directions, dtype=float) @ self.axes)


SCANNER = Frame("scanner", np.zeros(3), np.eye(3)[0], np.eye(3)[1], np.eye(3)[2])


def frame_from_left_and_superior(
    name: str, origin_lps_mm: npt.ArrayLike, left: npt.ArrayLike, superior: npt.ArrayLike
) -> Frame:
    """Build a frame that keeps ``left`` exactly and takes the part of ``superior`` at right angles to it.

    Raises
    ------
    InputError
        ``zero-direction`` if the two directions are parallel.
    """
    left_axis = unit(left, "left axis")
    upward = np.asarray(superior, dtype=float)
    superior_axis = unit(upward - (upward @ left_axis) * left_axis, "superior axis")
    posterior_axis = np.cross(superior_axis, left_axis)
    return Frame(name, as_vector(origin_lps_mm), left_axis, unit(posterior_axis), superior_axis)


def rotated_about_left(frame: Frame, name: str, anterior_tilt_deg: float) -> Frame:
    """Return the frame whose pelvis, seen in it, is tilted forward by a further ``anterior_tilt_deg``.

    A frame stands for the room in which the pelvis is looked at. A forward tilt of the pelvis in that room is a
    backward turn of the room about the pelvis: the frame turns about its own left axis so that the superior
    axis leans to the back of the pelvis.
    """
    # right-hand rotation about left (+x) takes superior towards anterior (z -> -y), so the room turns by minus
    rotation = rotation_matrix(frame.left, -anterior_tilt_deg)
    return Frame(
        name, frame.origin_lps_mm, frame.left, unit(rotation @ frame.posterior), unit(rotation @ frame.superior)
    )
