"""Rim ellipses and sphere outlines against closed forms and plain ray projection."""

import numpy as np
import pytest
from cotyle.cup.orientation import Definition, Orientation, axis_from_orientation
from cotyle.errors import InputError
from cotyle.space.frames import SCANNER
from cotyle.space.rotations import rotation_matrix
from cotyle.space.shapes import Circle, Sphere
from cotyle.space.side import Side
from cotyle.xray.carm import Tube, from_positioner
from cotyle.xray.ellipse import apparent_inclination_deg, project_circle, project_sphere, to_pixels
from hypothesis import given
from hypothesis import strategies as st

R = 26.0


def frontal(tube, source_detector=1150.0, source_object=1000.0, pitch=(0.25, 0.25)):
    return from_positioner(
        (0, 0, 0),
        180.0 if tube is Tube.OVER_TABLE else 0.0,
        0.0,
        frame=SCANNER,
        source_detector_mm=source_detector,
        source_isocenter_mm=source_object,
        pixel_pitch_mm=pitch,
        size=(1720, 1720),
    )


def opening_axis(inclination, anteversion, side):
    return axis_from_orientation(Orientation(inclination, anteversion), Definition.RADIOGRAPHIC, SCANNER, side)


def cup_rim(inclination, anteversion, side, lateral=0.0, inferior=0.0):
    center = np.array([side.lateral_sign * lateral, 0.0, -inferior])
    return Circle(center, opening_axis(inclination, anteversion, side), R)


# true radiographic inclination / anteversion, then what the picture shows: hip-centred, and with the hip 90 mm lateral
# and 0 or 40 mm inferior of the beam, film (AP) and tube under the table (PA); r 26, source-detector 1150, source-hip
# 1000 mm. Projective geometry, worked by projecting the rim point by point; independent of this code.
DIVERGENCE = [
    ((40, 15), (40.000, 15.005), (40.804, 11.658), (40.427, 9.967), (38.674, 18.256), (39.067, 20.104)),
    ((45, 20), (45.000, 20.006), (46.047, 16.332), (45.520, 14.798), (43.366, 23.593), (44.002, 25.337)),
    ((45, 5), (45.000, 5.002), (45.086, 1.356), (44.991, 0.253), (44.442, 8.626), (44.628, 10.286)),
    ((50, 25), (50.000, 25.007), (51.239, 21.045), (50.537, 19.676), (48.102, 28.914), (49.032, 30.539)),
]


@pytest.mark.parametrize("side", Side)
@pytest.mark.parametrize("row", DIVERGENCE, ids=lambda row: f"{row[0][0]}-{row[0][1]}")
def test_a_diverging_beam_changes_the_apparent_angles_as_worked_out(row, side):
    (inclination, anteversion), centered, *off_center = row
    places = [
        (Tube.OVER_TABLE, 0, 0, centered),
        (Tube.UNDER_TABLE, 0, 0, centered),
        (Tube.OVER_TABLE, 90, 0, off_center[0]),
        (Tube.OVER_TABLE, 90, 40, off_center[1]),
        (Tube.UNDER_TABLE, 90, 0, off_center[2]),
        (Tube.UNDER_TABLE, 90, 40, off_center[3]),
    ]
    for tube, lateral, inferior, expected in places:
        ellipse = project_circle(frontal(tube), cup_rim(inclination, anteversion, side, lateral, inferior))
        found = apparent_inclination_deg(ellipse, side), ellipse.apparent_anteversion_deg
        np.testing.assert_allclose(found, expected, atol=0.001)


@pytest.mark.parametrize(
    ("source_detector", "shown"), [(900, 8.307), (1000, 9.087), (1150, 9.967), (1200, 10.205), (1500, 11.265)]
)
def test_a_longer_distance_shows_more_of_the_anteversion(source_detector, shown):
    # film, hip 90 lateral and 40 inferior, 150 mm before the detector; same projective geometry
    carm = frontal(Tube.OVER_TABLE, source_detector, source_detector - 150)
    ellipse = project_circle(carm, cup_rim(40, 15, Side.LEFT, 90, 40))
    assert ellipse.apparent_anteversion_deg == pytest.approx(shown, abs=0.001)


@pytest.mark.parametrize(
    ("lateral", "film", "c_arm"), [(20, 13.872, 16.139), (40, 12.726, 17.252), (60, 11.577, 18.345)]
)
def test_a_c_arm_and_a_film_err_to_opposite_sides(lateral, film, c_arm):
    for tube, shown in ((Tube.OVER_TABLE, film), (Tube.UNDER_TABLE, c_arm)):
        ellipse = project_circle(frontal(tube, 1000, 650), cup_rim(40, 15, Side.RIGHT, lateral))
        assert ellipse.apparent_anteversion_deg == pytest.approx(shown, abs=0.001)


@pytest.mark.parametrize("anteversion", [5.0, 15.0, 30.0, 60.0])
def test_a_centered_circle_has_the_closed_form(anteversion):
    # a = SID r / sqrt(q), b = SID r s sin RA / q, q = s^2 - r^2 cos^2 RA; the centre moves by SID r^2 sin cos / q
    sine, cosine, s = np.sin(np.deg2rad(anteversion)), np.cos(np.deg2rad(anteversion)), 1000.0
    q = s**2 - R**2 * cosine**2
    carm = frontal(Tube.OVER_TABLE)
    ellipse = project_circle(carm, cup_rim(40, anteversion, Side.LEFT))
    assert ellipse.semi_major == pytest.approx(1150 * R / np.sqrt(q), rel=1e-12)
    assert ellipse.semi_minor == pytest.approx(1150 * R * s * sine / q, rel=1e-12)
    shift = np.linalg.norm(ellipse.center - carm.project((0, 0, 0)) * carm.pixel_pitch_mm)
    assert shift == pytest.approx(1150 * R**2 * sine * cosine / q, abs=1e-9)
    if anteversion == 15.0:
        assert shift == pytest.approx(0.1945, abs=5e-5)


def test_a_sphere_off_the_axis_has_the_closed_form():
    # th off axis, al = asin(r / distance): SID/2 (tan(th+al) - tan(th-al)),
    # SID sin(al) / sqrt(cos(th+al) cos(th-al))
    ellipse = project_sphere(frontal(Tube.OVER_TABLE), Sphere(np.array([90.0, 0, 0]), R))
    th, al = np.arctan2(90, 1000), np.arcsin(R / np.hypot(90, 1000))
    assert ellipse.semi_major == pytest.approx(575 * (np.tan(th + al) - np.tan(th - al)), rel=1e-12)
    assert ellipse.semi_minor == pytest.approx(
        1150 * np.sin(al) / np.sqrt(np.cos(th + al) * np.cos(th - al)), rel=1e-12
    )
    assert (ellipse.semi_major, ellipse.semi_minor) == pytest.approx((30.0311, 29.9101), abs=5e-5)


def test_a_sphere_on_the_axis_is_larger_than_its_magnified_radius():
    # SID tan(asin(r / s)) = 29.9101, not SID r / s = 29.9000
    ellipse = project_sphere(frontal(Tube.UNDER_TABLE), Sphere(np.zeros(3), R))
    assert ellipse.semi_major == pytest.approx(29.9101, abs=5e-5)
    assert ellipse.axis_ratio == pytest.approx(1.0, abs=1e-9)
    assert np.isnan(ellipse.major_axis_angle_deg)


@given(
    inclination=st.floats(0, 90),
    anteversion=st.floats(-60, 60),
    center=st.tuples(*[st.floats(-100, 100)] * 3),
    pitch=st.floats(0.1, 1.0),
    angles=st.tuples(st.floats(-60, 60), st.floats(-45, 45)),
)
def test_the_conic_runs_through_720_projected_points_of_the_circle(inclination, anteversion, center, pitch, angles):
    carm = from_positioner(
        (0, 0, 0),
        *angles,
        frame=SCANNER,
        source_detector_mm=1000,
        source_isocenter_mm=650,
        pixel_pitch_mm=(pitch, pitch * 1.3),
        size=(100, 100),
    )
    normal = opening_axis(inclination, anteversion, Side.LEFT)
    first = np.cross(normal, (0.3, -0.8, 0.52))
    first /= np.linalg.norm(first)
    turn = np.deg2rad(np.arange(0, 360, 0.5))
    second = np.cross(normal, first)
    points = np.array(center) + R * (np.outer(np.cos(turn), first) + np.outer(np.sin(turn), second))
    ellipse = project_circle(carm, Circle(np.array(center), normal, R))
    on_detector = carm.project(points) * carm.pixel_pitch_mm - ellipse.center
    along = on_detector @ ellipse.major_direction
    across = on_detector @ np.array([ellipse.major_direction[1], -ellipse.major_direction[0]])
    # b^2 u^2 + a^2 v^2 = a^2 b^2, written so that a flat ellipse is no division by zero
    a, b = ellipse.semi_major, ellipse.semi_minor
    np.testing.assert_allclose((b * along) ** 2 + (a * across) ** 2, (a * b) ** 2, rtol=1e-6, atol=1e-5 * a**2)
    np.testing.assert_allclose(abs(along).max(), a, rtol=1e-4)


def test_a_rim_seen_edge_on_is_a_line_and_says_so():
    # hip straight above the beam's centre, no anteversion: the source lies in the plane of the rim
    ellipse = project_circle(frontal(Tube.OVER_TABLE), cup_rim(40, 0, Side.LEFT))
    assert ellipse.edge_on
    assert ellipse.semi_minor == 0.0
    assert ellipse.apparent_anteversion_deg == 0.0
    assert apparent_inclination_deg(ellipse, Side.LEFT) == pytest.approx(40.0, abs=1e-6)
    assert not project_circle(frontal(Tube.OVER_TABLE), cup_rim(40, 1, Side.LEFT)).edge_on


def test_the_ellipse_does_not_tell_ante_from_retroversion():
    ante, retro = (project_circle(frontal(Tube.UNDER_TABLE), cup_rim(40, a, Side.LEFT)) for a in (12, -12))
    assert ante.apparent_anteversion_deg == pytest.approx(retro.apparent_anteversion_deg, abs=1e-9)
    # 0.5 deg of anteversion off centre on a film shows as 2.8 deg, of retroversion in truth (same geometry as above)
    shown = project_circle(frontal(Tube.OVER_TABLE), cup_rim(40, 0.5, Side.LEFT, 90)).apparent_anteversion_deg
    assert shown == pytest.approx(2.8, abs=0.1)


@pytest.mark.parametrize("side", Side)
def test_the_reference_line_turns_with_the_picture(side):
    carm = frontal(Tube.UNDER_TABLE)
    rim = cup_rim(40, 15, side)
    roll = rotation_matrix((0, 1, 0), 8.0)
    rolled = Circle(rim.center_lps_mm, roll @ rim.normal_lps, R)
    left, right = (roll @ np.array([x, 0.0, -30.0]) for x in (25.0, -25.0))
    leftward = carm.project(left) - carm.project(right)
    ellipse = project_circle(carm, rolled)
    assert apparent_inclination_deg(ellipse, side, leftward) == pytest.approx(40.0, abs=1e-6)
    assert abs(apparent_inclination_deg(ellipse, side) - 40.0) == pytest.approx(8.0, abs=1e-6)


def test_pixels_scale_a_picture_of_square_pixels_only():
    carm = frontal(Tube.UNDER_TABLE)
    ellipse = project_circle(carm, cup_rim(40, 15, Side.LEFT, 60))
    pixels = to_pixels(ellipse, carm)
    assert pixels.semi_major == pytest.approx(4 * ellipse.semi_major)
    assert pixels.apparent_anteversion_deg == ellipse.apparent_anteversion_deg
    with pytest.raises(InputError) as caught:
        to_pixels(ellipse, frontal(Tube.UNDER_TABLE, pitch=(0.25, 0.3)))
    assert caught.value.code == "pixels-not-square"


def test_points_of_the_ellipse_are_closed_and_lie_at_its_axes():
    ellipse = project_circle(frontal(Tube.UNDER_TABLE), cup_rim(40, 15, Side.LEFT, 60))
    points = ellipse.points(361)
    np.testing.assert_allclose(points[0], points[-1], atol=1e-9)
    far = np.linalg.norm(points - ellipse.center, axis=1)
    assert far.max() == pytest.approx(ellipse.semi_major)
    assert far.min() == pytest.approx(ellipse.semi_minor)
    np.testing.assert_allclose(ellipse.major_ends[1], points[0], atol=1e-9)


def test_a_circle_behind_or_around_the_source_is_refused():
    carm = frontal(Tube.UNDER_TABLE)
    for center in ((0.0, 1200.0, 0.0), (0.0, 990.0, 0.0)):
        with pytest.raises(InputError) as caught:
            project_circle(carm, Circle(np.array(center), np.array([0.0, 1.0, 1.0]), R))
        assert caught.value.code == "behind-source"


def test_a_reference_line_without_direction_is_refused():
    ellipse = project_circle(frontal(Tube.UNDER_TABLE), cup_rim(40, 15, Side.LEFT))
    for line in ((0.0, 0.0), (np.nan, 1.0)):
        with pytest.raises(InputError) as caught:
            apparent_inclination_deg(ellipse, Side.LEFT, line)
        assert caught.value.code == "reference-line"
