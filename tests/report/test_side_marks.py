"""R and L stand where the patient's right and left are; from the side it is front and back."""

import numpy as np
import pytest
from cotyle.report.side_marks import side_letters
from cotyle.space.frames import SCANNER
from cotyle.space.side import Side
from cotyle.xray.views import C_ARM, FILM, ViewName, free_view, view_angles_deg


def seen(name, side, machine=C_ARM):
    return free_view(name, SCANNER, (0.0, 0.0, 0.0), *view_angles_deg(name, side), machine, side).carm


@pytest.mark.parametrize("machine", [C_ARM, FILM])
@pytest.mark.parametrize("side", list(Side))
@pytest.mark.parametrize("name", [each for each in ViewName if each is not ViewName.CROSS_TABLE_LATERAL])
def test_views_from_the_front_have_the_patients_right_on_the_left(name, side, machine):
    assert side_letters(seen(name, side, machine)) == ("R", "L")


@pytest.mark.parametrize("side", list(Side))
def test_from_the_side_the_letters_say_where_front_and_back_are(side):
    carm = seen(ViewName.CROSS_TABLE_LATERAL, side)
    # a point 40 mm in front of the middle (LPS: towards -y) falls on the half that bears A
    front = carm.project(np.array([0.0, -40.0, 0.0]))[0]
    letters = side_letters(carm)
    assert letters[int(front > carm.center_px[0])] == "A"
    assert set(letters) == {"A", "P"}
