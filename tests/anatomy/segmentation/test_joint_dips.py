"""Dips of density along rays across a narrow joint."""

import numpy as np
import pytest
from cotyle.anatomy.segmentation.joint_dips import RAY_STEP_MM, JointDips
from scipy.special import ndtr

RADIUS_MM, BLUR_MM, PLATE_HU = 24.0, 0.7, 1000.0
RADII = np.arange(RADIUS_MM - 5.0, RADIUS_MM + 13.0, RAY_STEP_MM)


def across(middle_mm, space_mm):
    """Density across two dense plates of 2 mm and the space between them, blurred by a Gaussian."""
    half = 0.5 * space_mm

    def layer(low, high):
        return ndtr((RADII - middle_mm - low) / BLUR_MM) - ndtr((RADII - middle_mm - high) / BLUR_MM)

    beneath = 250.0 * (1.0 - layer(-half - 2.0, half + 2.0))
    return PLATE_HU * (layer(-half - 2.0, -half) + layer(half, half + 2.0)) + 70.0 * layer(-half, half) + beneath


@pytest.mark.parametrize("space_mm", [0.4, 0.8, 1.5])
def test_a_dip_lies_in_the_middle_of_the_space_and_tells_its_width(space_mm):
    dips = JointDips.of(across(24.4, space_mm)[None], RADII, RADIUS_MM)
    middle, depth, at = dips.deepest()
    assert middle == pytest.approx([24.4], abs=0.05)
    assert depth[0] > 0.0
    assert dips.width(np.array([0]), at, np.array([BLUR_MM])) == pytest.approx([space_mm], abs=0.1)


def test_of_two_dips_the_one_nearest_to_what_is_expected_can_be_asked_for():
    profile = np.where(RADII < 24.8, across(23.5, 1.2), across(25.9, 0.6))
    dips = JointDips.of(profile[None], RADII, RADIUS_MM)
    assert dips.deepest()[0] == pytest.approx([23.5], abs=0.2)
    assert dips.nearest(np.array([26.0]))[0] == pytest.approx([25.9], abs=0.2)


def test_bone_that_touches_bone_shows_no_dip_but_is_dense_throughout():
    dips = JointDips.of(across(24.4, 0.0)[None], RADII, RADIUS_MM)
    middle, depth, _ = dips.deepest()
    assert np.isnan(middle[0])
    assert depth[0] == 0.0
    assert dips.dense_throughout(np.array([24.4]))[0]
    assert not JointDips.of(across(24.4, 1.5)[None], RADII, RADIUS_MM).dense_throughout(np.array([24.4]))[0]


def test_beyond_a_wide_space_bone_begins_at_half_its_height():
    profile = PLATE_HU * (ndtr((RADIUS_MM - RADII) / BLUR_MM) + ndtr((RADII - 28.0) / BLUR_MM))
    rise = JointDips.of(profile[None], RADII, RADIUS_MM).first_rise(RADIUS_MM)
    assert rise == pytest.approx([28.0], abs=0.1)
    bare = PLATE_HU * ndtr((RADIUS_MM - RADII) / BLUR_MM)
    assert np.isnan(JointDips.of(bare[None], RADII, RADIUS_MM).first_rise(RADIUS_MM)[0])
