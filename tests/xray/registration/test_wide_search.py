"""The wide search and what it is made of: metal put aside, places found by correlation, several pictures as one."""

import numpy as np
import pytest
from cotyle.space.side import Side
from cotyle.xray.registration.edges import coarse_edge_picture
from cotyle.xray.registration.joined import join_views, register_views
from cotyle.xray.registration.motion import handle_of, pose_between
from cotyle.xray.registration.register import RoughPose
from cotyle.xray.registration.simulated_edges import View
from cotyle.xray.registration.strong_edges import strong_edges
from cotyle.xray.registration.sweep import sweep
from cotyle.xray.verdict import Verdict

from tests.xray.registration.scenes import c_arm, picture_from

SD = np.array(RoughPose(c_arm(np.zeros(3)), np.zeros(3)).sd)
FAR_OFF = np.array([15.0, -9.0, 8.0, 18.0, -20.0, 10.0])


def test_a_bar_of_metal_is_put_aside_and_the_lines_that_are_common_about_it_are_not():
    seen = np.random.default_rng(2).normal(0.0, 0.01, (256, 256))
    seen += 0.1 * (np.arange(256) // 6 % 2)
    seen[100:120, 120:240] += 3.0
    aside = strong_edges(seen.astype(np.float32), np.ones(seen.shape, dtype=bool))
    assert aside[98:102, 140:220].all()
    assert not aside[:, :90].any()


def test_a_start_far_off_is_among_the_places_of_the_sweep(scene, bone):
    far = handle_of(scene.true, scene.pivot).moved(scene.true, FAR_OFF)
    handle = handle_of(far, scene.pivot)
    seen, usable = scene.picture.attenuation, scene.picture.usable
    view = View(coarse_edge_picture(seen, usable, (64, 64)), far.resized((64, 64)))
    places = sweep(view, bone.levels[3.2], handle, SD, 2.5, 12)
    apart = [
        handle_of(scene.true, scene.pivot).numbers_of(pose_between(scene.true, handle.moved(far, each)))
        for each in places
    ]
    # half a step of the turns and a pixel or two; depth is left where it was
    assert any((np.abs(each[:5]) < [6.0, 6.0, 6.0, 8.0, 8.0]).all() for each in apart)


@pytest.fixture(scope="module")
def two(scene, bone, sample_series):
    """Registrations of two pictures of one moment, and where the second C-arm stands if the first is right."""
    _, volume, truth = sample_series
    turned = c_arm(scene.pivot, primary=-35.0)
    true = turned.moved(pose_between(scene.rough, scene.true))
    pictures = [scene.picture, picture_from(volume, truth, Side.RIGHT, true, seed=2)]
    found = register_views(pictures, [RoughPose(each, scene.pivot) for each in (scene.rough, turned)], bone)
    return found, turned.moved(pose_between(scene.rough, found[0].carm))


def test_two_pictures_are_found_as_one_and_a_machine_that_knows_its_motion_settles_the_depth(two, scene):
    found, expected = two
    assert all(each.verdict is Verdict.CONVERGED for each in found)
    joined = join_views(found, [expected], scene.pivot)
    assert joined.agree
    error = handle_of(scene.true, scene.pivot).numbers_of(pose_between(scene.true, joined.registrations[0].carm))
    assert abs(error[5]) < 1.0
    # the machine may be 2 mm off at worst, but is seen not to be
    assert joined.registrations[0].sd[5] < 0.9 * found[0].sd[5]


def test_a_machine_that_is_off_by_what_it_may_be_is_not_taken_for_a_good_one(two, scene):
    found, right = two
    off = handle_of(right, scene.pivot).moved(right, np.array([0.4, -0.4, 0.4, 1.5, 1.5, 1.5]))
    good, poor = (join_views(found, [each], scene.pivot).registrations[0].sd[5] for each in (right, off))
    assert poor > 1.1 * good
