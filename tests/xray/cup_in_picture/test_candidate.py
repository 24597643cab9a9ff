"""Deviations of a cup found in a picture, checked by moving things and by drawing them at random."""

import numpy as np
import pytest
from cotyle.cup.component import Cup
from cotyle.cup.orientation import Definition, Orientation, axis_from_orientation, tilt_slopes
from cotyle.errors import InputError
from cotyle.space.arrays import unit
from cotyle.space.frames import SCANNER
from cotyle.space.rotations import angle_between_deg, rotate, rotation_matrix
from cotyle.space.shapes import Circle
from cotyle.space.side import Side
from cotyle.xray.carm import from_positioner
from cotyle.xray.cup_in_picture.candidate import Candidate, candidate_of_clicks
from cotyle.xray.cup_in_picture.orientation_deviation import known_orientations, known_shift
from cotyle.xray.cup_in_picture.rim_ellipse import fit_rim_ellipse
from cotyle.xray.ellipse import project_circle, to_pixels

AXIS = axis_from_orientation(Orientation(40, 15), Definition.RADIOGRAPHIC, SCANNER, Side.LEFT)
RIM = Circle(np.array([85.0, 5.0, -20.0]), AXIS, 26.0)


def exactly_known(rim=RIM):
    return Candidate(rim, np.zeros((6, 6)), np.zeros((6, 6)))


def test_a_pose_that_errs_moves_the_cup_with_it():
    # the covariance of cups moved about the pivot as drawn, first order
    rng = np.random.default_rng(3)
    turns, shifts = np.array([0.004, 0.002, 0.003]), np.array([0.3, 2.0, 0.2])
    pivot = np.array([80.0, 0.0, -10.0])
    drawn = []
    for _ in range(4000):
        turn, shift = turns * rng.normal(size=3), shifts * rng.normal(size=3)
        angle = np.rad2deg(np.linalg.norm(turn))
        center = rotate(RIM.center_lps_mm, turn, angle, about=pivot) + shift
        drawn.append(np.concatenate([center, rotation_matrix(turn, angle) @ AXIS]))
    stated = exactly_known().with_pose(np.diag(np.concatenate([turns, shifts]) ** 2), pivot).covariance
    np.testing.assert_allclose(np.sqrt(np.diag(stated)), np.std(drawn, axis=0), rtol=0.06)


def test_a_turn_of_the_pose_about_the_transverse_axis_is_a_tilt_of_the_pelvis():
    # slopes of inclination and anteversion with tilt: sin RI tan RA and cos RI (Murray's definitions, derived)
    sd = np.deg2rad(0.5)
    known = exactly_known().with_pose(np.diag([sd**2, 0, 0, 0, 0, 0]), RIM.center_lps_mm)
    table = known_orientations(known, [SCANNER], Side.LEFT)["scanner"]
    slopes = tilt_slopes(Orientation(40, 15))
    radiographic = table[Definition.RADIOGRAPHIC]
    assert radiographic.orientation.inclination_deg == pytest.approx(40.0)
    assert radiographic.inclination_sd_deg == pytest.approx(0.5 * abs(slopes[0]), rel=1e-4)
    assert radiographic.anteversion_sd_deg == pytest.approx(0.5 * abs(slopes[1]), rel=1e-4)
    # exact law: tilt takes operative anteversion one for one and leaves operative inclination
    operative = table[Definition.OPERATIVE]
    assert operative.inclination_sd_deg == pytest.approx(0.0, abs=1e-6)
    assert operative.anteversion_sd_deg == pytest.approx(0.5, rel=1e-4)


def test_the_shift_from_the_plan_has_the_deviations_of_the_centre():
    covariance = np.zeros((6, 6))
    covariance[:3, :3] = np.diag([0.04, 4.0, 0.09])
    plan = Cup(Side.LEFT, RIM.center_lps_mm + (1.0, 2.0, -3.0), AXIS, 52.0)
    known = known_shift(Candidate(RIM, covariance, covariance), plan, SCANNER)
    assert (known.shift.medial, known.shift.superior, known.shift.anterior) == pytest.approx((1.0, 3.0, 2.0))
    assert (known.medial_sd_mm, known.superior_sd_mm, known.anterior_sd_mm) == pytest.approx((0.2, 0.3, 2.0))


@pytest.mark.parametrize("bad", [np.eye(5), np.full((6, 6), np.nan), np.triu(np.ones((6, 6)))])
def test_what_is_no_covariance_is_refused(bad):
    with pytest.raises(InputError) as caught:
        exactly_known().with_pose(bad, RIM.center_lps_mm)
    assert caught.value.code == "pose-covariance"


def test_deviations_of_clicks_are_those_of_many_rounds_of_clicking():
    carm = from_positioner(
        RIM.center_lps_mm,
        0,
        0,
        frame=SCANNER,
        source_detector_mm=1000,
        source_isocenter_mm=650,
        pixel_pitch_mm=(0.5, 0.5),
        size=(600, 600),
    )
    rim = to_pixels(project_circle(carm, RIM), carm)
    rng = np.random.default_rng(5)
    off, stated = [], []
    for _ in range(25):
        fit = fit_rim_ellipse(rim.points(10)[:-1] + rng.normal(0, 1.0, (9, 2)))
        pair = candidate_of_clicks(carm, fit, RIM)
        nearest = min(pair, key=lambda each: angle_between_deg(each.rim.normal_lps, AXIS))
        table = known_orientations(nearest, [SCANNER], Side.LEFT)["scanner"][Definition.RADIOGRAPHIC]
        off.append((table.orientation.inclination_deg - 40, table.orientation.anteversion_deg - 15))
        stated.append((table.inclination_sd_deg, table.anteversion_sd_deg))
    deviates = np.array(off) / np.array(stated)
    assert (np.abs(deviates) < 2.5).mean() > 0.9
    assert 0.5 < np.std(deviates) < 1.5


def test_the_axis_keeps_its_length_to_first_order():
    known = exactly_known().with_pose(np.diag([1e-4] * 3 + [1.0] * 3), (0.0, 0.0, 0.0))
    assert unit(AXIS) @ known.covariance[3:, 3:] @ unit(AXIS) == pytest.approx(0.0, abs=1e-12)
