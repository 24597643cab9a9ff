"""The space behind a double floor, which the scan shows and the surface of the bone does not."""

from __future__ import annotations

import numpy as np
import pytest
from cotyle.anatomy.shapes.cortex_model import Blur
from cotyle.cup.cavity import Cavity, step_along
from cotyle.cup.inner_surface import inner_surface
from cotyle.cup.wall import measure_wall
from cotyle.cup.wall_gaps import find_gaps, without_gaps
from cotyle.image.volume import Volume
from cup_solids import box
from scipy.special import ndtr

MEDIAL = np.array([-1.0, 0.0, 0.0])
BLUR = Blur(0.75, 1200.0)
BONE = box([-26.0, -60, -60], [0.0, 60, 60])
PLATE_MM = 2.0


def double_floor(gap_mm, content_hu=-20.0, marrow_hu=250.0, reach_mm=14.0) -> Volume:
    """A slab 26 mm deep: plate, gap as far as ``reach_mm`` from the axis, floor, marrow, inner cortex; blurred."""
    spacing = np.array([0.8, 0.8, 1.0])
    size = np.array([60, 70, 60])
    affine = np.diag([*spacing, 1.0])
    affine[:3, 3] = [-36.0, -28.0, -30.0]
    k, j, i = np.meshgrid(*(np.arange(n) for n in size[::-1]), indexing="ij")
    points = np.stack([i, j, k], axis=-1) * spacing + affine[:3, 3]
    depth, aside = -points[..., 0], np.hypot(points[..., 1], points[..., 2])

    def layer(low, high):
        return ndtr((depth - low) / BLUR.sigma_mm) - ndtr((depth - high) / BLUR.sigma_mm)

    floor = PLATE_MM + gap_mm
    whole = 50.0 + (marrow_hu - 50.0) * layer(0, 26) + (1200 - marrow_hu) * (layer(0, 2) + layer(24, 26))
    split = 50.0 + (marrow_hu - 50.0) * layer(0, 26) + (content_hu - marrow_hu) * layer(PLATE_MM, floor)
    split += (1200 - marrow_hu) * (layer(0, PLATE_MM) + layer(floor, floor + 2) + layer(24, 26))
    return Volume(np.where(aside < reach_mm, split, whole).astype(np.float32), affine)


def reamed_to(pole_depth):
    pole = np.array([-pole_depth, 0.3, 0.4])
    return step_along(50.0, pole - 25.0 * MEDIAL, MEDIAL)


def wall_at(pole_depth, volume):
    surface = inner_surface(BONE, [40, 0, 0], MEDIAL)
    return measure_wall(BONE, surface, Cavity((reamed_to(pole_depth),)), volume, blur=BLUR)


@pytest.mark.parametrize("gap_mm", [2.0, 2.5, 3.0])
def test_the_gap_is_found_where_it_is(gap_mm):
    gaps = find_gaps(BONE, reamed_to(0.5), double_floor(gap_mm), BLUR)
    ((start, end),) = gaps.soft_mm
    assert start == pytest.approx(PLATE_MM - 0.5, abs=0.3)
    assert end - start == pytest.approx(gap_mm, abs=0.35)


def test_a_wide_gap_ends_the_wall_at_the_plate_and_is_named():
    wall = wall_at(0.5, double_floor(3.0))
    assert wall.along_axis_mm == pytest.approx(1.5, abs=0.3)
    assert wall.bone_behind_mm == pytest.approx(21.0, abs=0.4)
    assert any("double floor" in note for note in wall.notes)


def test_a_pole_in_the_gap_has_the_bone_behind_it():
    wall = wall_at(3.0, double_floor(3.0))
    assert wall.along_axis_mm == pytest.approx(21.0, abs=0.3)
    assert wall.advance_mm == pytest.approx(23.0, abs=0.2)


def test_a_narrow_gap_is_bridged():
    assert wall_at(0.5, double_floor(1.0)).along_axis_mm == pytest.approx(25.5, abs=0.2)


def test_a_gap_as_wide_as_those_that_are_bridged_leaves_the_wall_unsure_and_says_so():
    wall = wall_at(0.5, double_floor(2.0))
    assert any("counted the other way" in note for note in wall.notes)
    assert wall.uncertainty_mm > 5.0
    assert wall_at(0.5, double_floor(1.0)).uncertainty_mm < 0.5


def test_marrow_between_two_cortices_is_no_gap():
    assert find_gaps(BONE, reamed_to(0.5), double_floor(3.0, content_hu=250.0), BLUR).soft_mm == ()


def test_a_cyst_is_no_gap():
    gaps = find_gaps(BONE, reamed_to(0.5), double_floor(3.0, reach_mm=2.5), BLUR)
    assert gaps.soft_mm == gaps.unsure_mm == ()


def test_where_marrow_is_as_soft_the_gap_is_counted_as_bone_and_it_is_said():
    wall = wall_at(0.5, double_floor(3.0, content_hu=0.0, marrow_hu=20.0))
    assert wall.along_axis_mm > 20.0
    assert any("may be" in note for note in wall.notes)


def test_cutting_gaps_out_joins_what_lies_close():
    pieces = without_gaps(np.array([[0.0, 10.0], [11.0, 12.0]]), ((2.0, 5.0),), bridged_mm=2.0)
    np.testing.assert_allclose(pieces, [[0.0, 2.0], [5.0, 12.0]])
