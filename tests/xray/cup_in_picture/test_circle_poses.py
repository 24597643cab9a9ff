"""Two circles behind each ellipse: the worked twins of the check values, and the projection as the judge."""

import numpy as np
import pytest
from cotyle.cup.orientation import Definition, Orientation, axis_from_orientation, orientation_of_axis
from cotyle.errors import InputError
from cotyle.space.frames import SCANNER
from cotyle.space.rotations import angle_between_deg
from cotyle.space.shapes import Circle
from cotyle.space.side import Side
from cotyle.xray.carm import Tube, from_positioner
from cotyle.xray.cup_in_picture.circle_poses import circles_behind, faces_source, twin_of
from cotyle.xray.ellipse import project_circle
from hypothesis import assume, given
from hypothesis import strategies as st

R = 26.0


def frontal(tube, source_detector=1150.0, source_object=1000.0):
    return from_positioner(
        (0, 0, 0),
        180.0 if tube is Tube.OVER_TABLE else 0.0,
        0.0,
        frame=SCANNER,
        source_detector_mm=source_detector,
        source_isocenter_mm=source_object,
        pixel_pitch_mm=(0.25, 0.25),
        size=(1720, 1720),
    )


def rim(inclination, anteversion, side, lateral=0.0, inferior=0.0):
    axis = axis_from_orientation(Orientation(inclination, anteversion), Definition.RADIOGRAPHIC, SCANNER, side)
    return Circle(np.array([side.lateral_sign * lateral, 0.0, -inferior]), axis, R)


def angles(circle, side):
    found = orientation_of_axis(circle.normal_lps, SCANNER, side, Definition.RADIOGRAPHIC)
    return found.inclination_deg, found.anteversion_deg


# true inclination / anteversion and place, then the false twin: projective geometry worked out beforehand,
# r 26, source-detector 1150, source-hip 1000 mm; the last pair is anteverted both ways
TWINS = [
    (Tube.OVER_TABLE, 40, 15, 0, 0, (40.0, -15.02)),
    (Tube.OVER_TABLE, 40, 15, 90, 40, (40.854, -4.862)),
    (Tube.UNDER_TABLE, 40, 15, 90, 40, (38.134, -25.059)),
    (Tube.OVER_TABLE, 40, 5, 90, 0, (40.232, 1.636)),
]


@pytest.mark.parametrize("side", Side)
@pytest.mark.parametrize("row", TWINS)
def test_the_false_twin_lies_where_projective_geometry_puts_it(row, side):
    tube, inclination, anteversion, lateral, inferior, expected = row
    carm, true = frontal(tube), rim(inclination, anteversion, side, lateral, inferior)
    twin = twin_of(carm, true)
    np.testing.assert_allclose(angles(twin, side), expected, atol=0.01)
    pair = circles_behind(carm, project_circle(carm, true), R, true.normal_lps)
    nearest = min(pair, key=lambda circle: angle_between_deg(circle.normal_lps, true.normal_lps))
    np.testing.assert_allclose(angles(nearest, side), (inclination, anteversion), atol=1e-6)


@given(
    inclination=st.floats(5, 85),
    anteversion=st.floats(-60, 60),
    center=st.tuples(*[st.floats(-100, 100)] * 3),
    turn=st.tuples(st.floats(-60, 60), st.floats(-40, 40)),
)
def test_both_circles_have_the_ellipse_as_their_picture_and_one_is_the_cup(inclination, anteversion, center, turn):
    carm = from_positioner(
        (0, 0, 0),
        *turn,
        frame=SCANNER,
        source_detector_mm=1000,
        source_isocenter_mm=650,
        pixel_pitch_mm=(0.4, 0.4),
        size=(700, 700),
    )
    true = Circle(np.array(center), rim(inclination, anteversion, Side.LEFT).normal_lps, R)
    assume(0.01 < abs(faces_source(carm, true)) < 0.999)
    ellipse = project_circle(carm, true)
    pair = circles_behind(carm, ellipse, R, true.normal_lps)
    for circle in pair:
        again = project_circle(carm, circle)
        np.testing.assert_allclose(again.center, ellipse.center, atol=1e-6)
        assert again.semi_major == pytest.approx(ellipse.semi_major, abs=1e-6)
        assert again.semi_minor == pytest.approx(ellipse.semi_minor, abs=1e-6)
    errors = [np.linalg.norm(circle.center_lps_mm - true.center_lps_mm) for circle in pair]
    nearest = pair[int(np.argmin(errors))]
    np.testing.assert_allclose(nearest.center_lps_mm, true.center_lps_mm, atol=1e-5)
    np.testing.assert_allclose(nearest.normal_lps, true.normal_lps, atol=1e-6)
    assert faces_source(carm, pair[0]) >= faces_source(carm, pair[1])


def test_a_rim_seen_edge_on_is_one_circle():
    carm = frontal(Tube.OVER_TABLE)
    true = rim(40, 0, Side.LEFT)
    ellipse = project_circle(carm, true)
    assert ellipse.edge_on
    for circle in circles_behind(carm, ellipse, R, true.normal_lps):
        np.testing.assert_allclose(circle.center_lps_mm, true.center_lps_mm, atol=1e-6)
        np.testing.assert_allclose(circle.normal_lps, true.normal_lps, atol=1e-9)
    # 0.005 deg beside it, nothing is lost in rounding
    near = rim(40, 0.005, Side.LEFT)
    pair = circles_behind(carm, project_circle(carm, near), R, near.normal_lps)
    assert min(angle_between_deg(circle.normal_lps, near.normal_lps) for circle in pair) < 1e-4


def test_a_larger_cup_of_the_same_picture_lies_nearer_to_the_detector_in_proportion():
    carm, true = frontal(Tube.UNDER_TABLE), rim(40, 15, Side.RIGHT, 60, 20)
    ellipse = project_circle(carm, true)
    for small, large in zip(
        circles_behind(carm, ellipse, R, true.normal_lps),
        circles_behind(carm, ellipse, 1.02 * R, true.normal_lps),
        strict=True,
    ):
        np.testing.assert_allclose(
            large.center_lps_mm - carm.source_lps_mm, 1.02 * (small.center_lps_mm - carm.source_lps_mm), atol=1e-9
        )
        np.testing.assert_allclose(large.normal_lps, small.normal_lps, atol=1e-12)


def test_a_direction_along_the_ray_does_not_tell_the_mouths_side():
    carm, true = frontal(Tube.OVER_TABLE), rim(40, 15, Side.LEFT)
    with pytest.raises(InputError) as caught:
        circles_behind(carm, project_circle(carm, true), R, (0.0, 1.0, 0.0))
    assert caught.value.code == "mouth-unknown"
