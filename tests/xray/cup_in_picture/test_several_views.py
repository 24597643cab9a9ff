"""One cup in two pictures: the twin and the depth are settled, and a cup that moved is not averaged away."""

from dataclasses import replace

import numpy as np
import pytest
from cotyle.errors import InputError
from cotyle.space.arrays import unit
from cotyle.space.rotations import angle_between_deg, rotation_matrix
from cotyle.space.shapes import Circle
from cotyle.xray.cup_in_picture.candidate import Candidate
from cotyle.xray.cup_in_picture.several_views import PlacedPicture, join, measure_cup_in_views
from cotyle.xray.cup_in_picture.twin_choice import ChosenBy
from cotyle.xray.verdict import Verdict

from tests.xray.cup_in_picture.simulated import a_c_arm, picture_of, scene

WINDOW = 260
POSE_COVARIANCE = np.diag([0.003**2] * 3 + [0.3**2] * 3)


@pytest.fixture(scope="module")
def two_views():
    rng = np.random.default_rng(21)
    # seen nearly edge-on in the first view, so that one picture alone leaves the twin open
    first = scene(rng, inclination=42.0, anteversion=8.0, window=WINDOW, off_mm=2.0, off_deg=3.0)
    second = replace(first, carm=a_c_arm(first.cup.center_lps_mm, np.zeros(3), 35.0, 0.0, 512, WINDOW, rng))
    return first, second


def placed(place, seed):
    return PlacedPicture(picture_of(place, seed), place.carm, POSE_COVARIANCE)


def test_a_second_view_settles_twin_and_depth(two_views):
    first, second = two_views
    pictures = [placed(first, 31), placed(second, 32)]
    single = measure_cup_in_views(pictures[:1], first.cup.outer_diameter_mm, first.planned)
    both = measure_cup_in_views(pictures, first.cup.outer_diameter_mm, first.planned)
    assert both.twin_choice.chosen_by is ChosenBy.SECOND_VIEW
    assert both.twin_choice.sure
    assert angle_between_deg(both.rim.normal_lps, first.cup.opening_axis_lps) < 1.0
    assert np.linalg.norm(both.rim.center_lps_mm - first.cup.center_lps_mm) < 0.8
    ray = unit(first.cup.center_lps_mm - first.carm.source_lps_mm)
    depth = [float(ray @ each.covariance[:3, :3] @ ray) ** 0.5 for each in (single, both)]
    assert depth[1] < 0.4 * depth[0]


def test_a_cup_seen_by_a_doubtful_pose_is_doubtful_and_one_without_a_pose_is_not_measured(two_views):
    second = two_views[1]
    picture = placed(second, 32)
    diameter = second.cup.outer_diameter_mm
    found = measure_cup_in_views([replace(picture, pose_verdict=Verdict.DOUBTFUL)], diameter, second.planned)
    assert found.rim is not None
    assert found.verdict is Verdict.DOUBTFUL
    assert any("pose is doubtful" in note for note in found.notes)
    without = measure_cup_in_views([replace(picture, pose_verdict=Verdict.FAILED)], diameter, second.planned)
    assert without.verdict is Verdict.FAILED
    assert without.rim is None
    assert "no cup is measured" in without.notes[0]


def test_no_picture_is_refused(two_views):
    with pytest.raises(InputError) as caught:
        measure_cup_in_views([], 52.0, two_views[0].planned)
    assert caught.value.code == "no-picture"


def known(center, axis, center_mm, axis_rad):
    axis = unit(axis)
    covariance = np.zeros((6, 6))
    covariance[:3, :3] = np.diag(np.square(center_mm))
    covariance[3:, 3:] = axis_rad**2 * (np.eye(3) - np.outer(axis, axis))
    return Candidate(Circle(np.asarray(center, dtype=float), axis, 26.0), covariance, covariance)


def test_circles_are_joined_by_their_weights():
    # weights 1 / sd^2: along y the first is known to 3 mm, the second to 1 mm: 0.9 of the way to the second
    axis = unit((0.6, -0.2, -0.77))
    first = known((0.0, 0.0, 0.0), axis, (0.1, 3.0, 0.1), 0.01)
    second = known((0.0, 2.0, 0.0), rotation_matrix((0, 1, 0), 1.0) @ axis, (0.1, 1.0, 0.1), 0.01)
    joined, misfit = join([first, second])
    assert joined.rim.center_lps_mm[1] == pytest.approx(1.8, abs=1e-6)
    assert joined.covariance[1, 1] == pytest.approx(0.9, abs=1e-6)
    # the turn of 1 deg about y moves this axis by less, split evenly
    apart = angle_between_deg(first.rim.normal_lps, second.rim.normal_lps)
    assert angle_between_deg(joined.rim.normal_lps, axis) == pytest.approx(apart / 2, rel=1e-3)
    expected = 2.0**2 / (9 + 1) + np.deg2rad(apart) ** 2 / (2 * 0.01**2)
    assert misfit == pytest.approx(expected, rel=1e-3)


def test_a_cup_that_moved_between_the_pictures_is_doubted(two_views):
    first, second = two_views
    turned = rotation_matrix((1, 0, 0), 8.0) @ second.cup.opening_axis_lps
    moved = replace(second, cup=replace(second.cup.moved((0.0, 0.0, 4.0)), opening_axis_lps=turned))
    found = measure_cup_in_views([placed(first, 31), placed(moved, 33)], first.cup.outer_diameter_mm, first.planned)
    assert found.verdict is Verdict.DOUBTFUL
    assert any("disagree" in note for note in found.notes)
