import numpy as np
import pytest
from cotyle.cup.component import Cup
from cotyle.report.cup_planes import cup_planes
from cotyle.space.frames import SCANNER
from cotyle.space.side import Side

AXIS = {Side.LEFT: (0.61, -0.26, -0.75), Side.RIGHT: (-0.61, -0.26, -0.75)}
DIRECTION = {
    "L": (1, 0, 0),
    "R": (-1, 0, 0),
    "P": (0, 1, 0),
    "A": (0, -1, 0),
    "S": (0, 0, 1),
    "I": (0, 0, -1),
}


@pytest.fixture(params=list(Side))
def planes(request):
    cup = Cup(request.param, np.array([80.0, 5, -20]), np.array(AXIS[request.param]), 52)
    return request.param, cup, cup_planes(cup, SCANNER)


def test_letters_stand_where_the_patient_is(planes):
    side, _, cuts = planes
    directions = {**DIRECTION, "medial": DIRECTION["R" if side is Side.LEFT else "L"]}
    for plane in cuts:
        right, left, top, bottom = (np.array(directions[letter]) for letter in plane.letters)
        assert right @ plane.right_lps > 0.3
        assert left @ plane.right_lps < -0.3
        assert top @ plane.up_lps > 0.3
        assert bottom @ plane.up_lps < -0.3


def test_two_planes_hold_the_axis_and_the_third_is_that_of_the_rim(planes):
    _, cup, (upright, level, rim) = planes
    for plane in (upright, level):
        assert plane.normal_lps @ cup.opening_axis_lps == pytest.approx(0, abs=1e-12)
        assert plane.height_mm(cup.center_lps_mm) == pytest.approx(0, abs=1e-9)
        assert plane.height_mm(cup.pole_lps_mm) == pytest.approx(0, abs=1e-9)
    np.testing.assert_allclose(rim.normal_lps, cup.opening_axis_lps, atol=1e-12)


def test_pictures_are_seen_as_a_radiologist_sees_them(planes):
    """Patient's left on the right of the picture; from in front, and from the feet (convention of the trade)."""
    _, _, (upright, level, _) = planes
    assert upright.right_lps @ np.array([1, 0, 0]) > 0
    assert upright.normal_lps @ np.array([0, -1, 0]) > 0
    assert level.right_lps @ np.array([1, 0, 0]) > 0
    assert level.normal_lps @ np.array([0, 0, -1]) > 0


def test_the_raster_runs_right_and_down_in_steps_of_the_pitch(planes):
    _, _, (upright, _, _) = planes
    grid = upright.grid_lps_mm(10, 6, 0.5)
    assert grid.shape == (24, 40, 3)
    np.testing.assert_allclose(grid[0, 1] - grid[0, 0], 0.5 * upright.right_lps, atol=1e-9)
    np.testing.assert_allclose(grid[1, 0] - grid[0, 0], -0.5 * upright.up_lps, atol=1e-9)
    np.testing.assert_allclose(grid.reshape(-1, 3).mean(axis=0), upright.center_lps_mm, atol=1e-9)
