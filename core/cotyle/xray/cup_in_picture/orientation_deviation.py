"""Angles and shift of a cup found in a picture, each with the deviation that the covariance of the cup gives it."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass

import numpy as np

from cotyle.cup.center import CenterShift, center_shift
from cotyle.cup.component import Cup
from cotyle.cup.orientation import Definition, Orientation, orientation_of_axis
from cotyle.space.arrays import Array, unit
from cotyle.space.frames import Frame
from cotyle.space.side import Side
from cotyle.xray.cup_in_picture.candidate import Candidate

_STEP = 1e-5


@dataclass(frozen=True)
class KnownOrientation:
    """Two angles and their standard deviations, degrees."""

    orientation: Orientation
    inclination_sd_deg: float
    anteversion_sd_deg: float


@dataclass(frozen=True)
class KnownShift:
    """A shift and the standard deviations of its three parts, mm."""

    shift: CenterShift
    medial_sd_mm: float
    superior_sd_mm: float
    anterior_sd_mm: float


def known_orientations(
    found: Candidate, frames: Iterable[Frame], side: Side
) -> dict[str, dict[Definition, KnownOrientation]]:
    """Return the angles in every frame and definition, with deviations (first order in the axis' covariance).

    Raises
    ------
    InputError
        As :func:`~cotyle.cup.orientation.orientation_of_axis` does.
    """
    return {frame.name: {each: _known(found, frame, side, each) for each in Definition} for frame in frames}


def known_shift(found: Candidate, planned: Cup, frame: Frame) -> KnownShift:
    """Return the way from the planned centre to the one found, in a frame, hip-sided."""
    shift = center_shift(planned.center_lps_mm, found.rim.center_lps_mm, frame, planned.side)
    spread = frame.axes @ found.covariance[:3, :3] @ frame.axes.T
    left, posterior, superior = (float(value) for value in np.sqrt(np.diag(spread)))
    return KnownShift(shift, left, superior, posterior)


def _known(found: Candidate, frame: Frame, side: Side, definition: Definition) -> KnownOrientation:
    axis = found.rim.normal_lps

    def angles(direction: Array) -> Array:
        orientation = orientation_of_axis(direction, frame, side, definition)
        return np.array([orientation.inclination_deg, orientation.anteversion_deg])

    slopes = _slopes(angles, axis)
    spread = slopes @ found.covariance[3:, 3:] @ slopes.T
    inclination, anteversion = (float(value) for value in np.sqrt(np.maximum(np.diag(spread), 0.0)))
    return KnownOrientation(orientation_of_axis(axis, frame, side, definition), inclination, anteversion)


def _slopes(angles: Callable[[Array], Array], axis: Array) -> Array:
    """Return the change of both angles with each component of the axis, shape (2, 3)."""
    columns = []
    for step in _STEP * np.eye(3):
        change = angles(unit(axis + step)) - angles(unit(axis - step))
        # an angle that runs through 180 goes on at -180
        columns.append(((change + 180.0) % 360.0 - 180.0) / (2.0 * _STEP))
    return np.column_stack(columns)
