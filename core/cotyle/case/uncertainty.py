"""What the uncertainty of the pelvic frame does to the angles of a cup."""

from __future__ import annotations

import numpy as np

from cotyle.anatomy.pelvis import Pelvis
from cotyle.cup.orientation import Definition, Orientation, orientation_of_axis
from cotyle.space.arrays import Array, unit
from cotyle.space.frames import Frame
from cotyle.space.rotations import rotation_matrix
from cotyle.space.side import Side


def orientation_uncertainty(
    axis_lps: Array, frame: Frame, pelvis: Pelvis, side: Side, definition: Definition
) -> Orientation:
    """Return one standard deviation of both angles, first order, from those of tilt, rotation and obliquity.

    Each turns the frame about one of its own axes; their errors are taken as independent. In ``supine`` and
    ``standing`` the tilt on the table counts as known only as well as the plane's own tilt.
    """
    spread = pelvis.uncertainty
    variance = np.zeros(2)
    for axis, deviation in (
        (frame.left, spread.anterior_tilt_deg),
        (frame.superior, spread.rotation_to_left_deg),
        (frame.posterior, spread.left_up_deg),
    ):
        plus, minus = (
            _angles(axis_lps, _turned(frame, axis, sign * 0.5 * deviation), side, definition) for sign in (1.0, -1.0)
        )
        variance += (plus - minus) ** 2
    inclination, anteversion = np.sqrt(variance)
    return Orientation(float(inclination), float(anteversion))


def _angles(axis_lps: Array, frame: Frame, side: Side, definition: Definition) -> Array:
    found = orientation_of_axis(axis_lps, frame, side, definition)
    return np.array([found.inclination_deg, found.anteversion_deg])


def _turned(frame: Frame, axis: Array, deg: float) -> Frame:
    turn = rotation_matrix(axis, deg)
    return Frame(
        frame.name,
        frame.origin_lps_mm,
        unit(turn @ frame.left),
        unit(turn @ frame.posterior),
        unit(turn @ frame.superior),
    )
