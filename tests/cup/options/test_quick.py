"""Quick estimates against closed forms, and against the functions of ``measure`` on a hip bone."""

import numpy as np
import pytest
from cotyle.cup.options.limits import Limits
from cotyle.cup.options.quick import (
    ALONG,
    BACK_WALL,
    COVER,
    FRONT_WALL,
    LEAST,
    REMOVED,
)
from cotyle.cup.options.trials import tried
from cotyle.space.side import Side
from cup_solids import box, model_hip, socket_block
from option_problem import measuring, question_of


def test_a_half_space_covers_the_share_that_the_lune_formula_says():
    """Bone medial to the sagittal plane through the centre covers (90 + OI) / 180, sin OI = sin RI cos RA (lune)."""
    bone = box((-70, -70, -70), (0, 70, 70), cell_mm=10.0)
    question = question_of(bone, Side.LEFT, (0, 0, 0), 50.0)
    cups = np.array([[0, 0, 0, 52.0, ri, ra] for ri, ra in ((40, 0), (40, 15), (45, 20), (50, 25))], float)
    operative = np.degrees(np.arcsin(np.sin(np.radians(cups[:, 4])) * np.cos(np.radians(cups[:, 5]))))
    assert tried(question, cups).rows[:, COVER] == pytest.approx((90.0 + operative) / 180.0, abs=0.01)


def test_walls_and_removed_bone_of_a_block_are_its_own():
    """A left socket of 25 mm in a block that ends 45 mm behind its mouth; a cup that looks straight out."""
    bone = socket_block(25.0, 45.0)
    question = question_of(bone, Side.LEFT, (0, 0, 0), 50.0)
    medial = np.array([0.0, 2.0, 5.0])
    cups = np.column_stack([medial, np.zeros((3, 2)), np.full(3, 52.0), np.full(3, 90.0), np.zeros(3)])
    rows = tried(question, cups).rows
    left = 45.0 - medial - 25.5
    assert rows[:, ALONG] == pytest.approx(left, abs=0.1)
    assert rows[:, LEAST] == pytest.approx(left, abs=1e-3)
    # swept: half-ball and cylinder of 25.5 mm, less the half-ball of 25 mm that is empty already
    swept = np.pi * 25.5**2 * (2 / 3 * 25.5 + medial) - 2 / 3 * np.pi * 25.0**3
    assert rows[:, REMOVED] == pytest.approx(swept / 1000.0, abs=0.35)


def test_estimates_of_a_hip_bone_are_near_to_what_measure_says():
    hip = model_hip(Side.RIGHT)
    limits = Limits(least_wall_mm=0.0, least_cover=0.0)
    question = question_of(hip.bone, hip.side, hip.center, hip.diameter, limits, frame=hip.frame)
    exact = measuring(question, hip.bone, 5000)
    rng = np.random.default_rng(8)
    low, high = [-4, -3, -4, 48, 32, 8], [7, 8, 4, 58, 48, 26]
    cups = rng.uniform(low, high, (12, 6))
    cups[:, 3] = 2 * np.round(cups[:, 3] / 2)
    rows = tried(question, cups).rows
    figures = [exact(cup) for cup in cups]
    for column, name, most in (
        (COVER, "cover", 0.02),
        (ALONG, "wall_along_axis_mm", 0.3),
        (LEAST, "wall_least_mm", 0.1),
        (FRONT_WALL, "front_wall_mm", 0.6),
        (BACK_WALL, "back_wall_mm", 0.6),
        (REMOVED, "removed_ml", 0.5),
    ):
        true = np.array([getattr(each, name) for each in figures])
        found = np.maximum(rows[:, column], 0.0)
        known = np.isfinite(found)
        assert known.sum() >= 6
        assert np.abs(found - true)[known].max() < most, name
