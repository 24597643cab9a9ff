"""What an uncertain frame does to the angles, against the exact laws of Murray's definitions (J Bone Joint Surg Br
1993;75-B:228): obliquity changes radiographic inclination one for one and leaves radiographic anteversion; tilt changes
operative anteversion one for one; rotation changes anatomic anteversion one for one.
"""

from dataclasses import replace

import numpy as np
import pytest
from cotyle.anatomy.landmarks import given as given_landmark
from cotyle.anatomy.pelvis import Posture, build_pelvis
from cotyle.case.uncertainty import orientation_uncertainty
from cotyle.cup.orientation import Definition, Orientation, axis_from_orientation
from cotyle.space.side import Side

POINTS = {
    "asis_left": (120, 0, 0),
    "asis_right": (-120, 0, 0),
    "pubic_tubercle_left": (25, 0, -90),
    "pubic_tubercle_right": (-25, 0, -90),
}


def pelvis_with(tilt, rotation, up):
    pelvis = build_pelvis({name: given_landmark(name, np.array(p, dtype=float)) for name, p in POINTS.items()})
    return replace(pelvis, uncertainty=Posture(tilt, rotation, up))


@pytest.mark.parametrize("side", list(Side))
@pytest.mark.parametrize(
    ("spread", "definition", "expected"),
    [
        ((0, 0, 2), Definition.RADIOGRAPHIC, (2, 0)),
        ((3, 0, 0), Definition.OPERATIVE, (0, 3)),
        ((0, 4, 0), Definition.ANATOMIC, (0, 4)),
        ((0, 0, 0), Definition.RADIOGRAPHIC, (0, 0)),
    ],
)
def test_each_posture_angle_moves_its_own_cup_angle_one_for_one(side, spread, definition, expected):
    pelvis = pelvis_with(*spread)
    axis = axis_from_orientation(Orientation(40, 15), definition, pelvis.supine, side)
    found = orientation_uncertainty(axis, pelvis.supine, pelvis, side, definition)
    assert found.inclination_deg == pytest.approx(expected[0], abs=1e-6)
    assert found.anteversion_deg == pytest.approx(expected[1], abs=1e-6)
