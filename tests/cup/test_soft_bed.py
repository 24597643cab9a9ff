"""Soft tissue within the bone that a shell comes to lie in."""

import numpy as np
import pytest
from cotyle.anatomy.segmentation.edge_confidence import Edge, EdgeConfidence
from cotyle.cup.component import Cup
from cotyle.cup.coverage import coverage_spread, measure_coverage
from cotyle.cup.soft_bed import find_soft_bed
from cotyle.space.frames import SCANNER
from cotyle.space.side import Side

from tests.cup.test_wall_gaps import BLUR, BONE, double_floor


def cup_to(depth_mm):
    """A cup of 50 mm that looks straight into the slab, its pole so deep in it."""
    return Cup(Side.LEFT, np.array([25.0 - depth_mm, 0.3, 0.4]), np.array([1.0, 0.0, 0.0]), 50.0)


def test_the_share_of_the_shell_in_a_gap_is_that_of_its_depth():
    """Between two depths the area of a hemisphere goes with the way between them (Archimedes).

    The gap goes from 2 to 5 mm; a pole at 4 mm has 2 mm of its 25 mm in it.
    """
    bed = find_soft_bed(BONE, cup_to(4.0), double_floor(3.0), BLUR)
    assert bed.share == pytest.approx(2.0 / 25.0, abs=0.02)
    assert bed.at(np.array([[-1.0, 0.0, 0.0]]))[0]
    assert not bed.at(np.array([[0.0, 1.0, 0.0]]))[0]


@pytest.mark.parametrize(
    "volume",
    [double_floor(3.0, reach_mm=0.0), double_floor(3.0, content_hu=0.0, marrow_hu=20.0)],
    ids=["no gap", "marrow as soft as the gap"],
)
def test_nothing_is_found_where_there_is_no_gap_or_none_to_be_told(volume):
    assert find_soft_bed(BONE, cup_to(4.0), volume, BLUR).share == 0.0


def test_what_is_soft_is_not_covered_and_makes_coverage_less_sure():
    cup = cup_to(4.0)
    bed = find_soft_bed(BONE, cup, double_floor(3.0), BLUR)
    hard, soft = measure_coverage(BONE, cup, SCANNER), measure_coverage(BONE, cup, SCANNER, soft_bed=bed)
    assert hard.fraction - soft.fraction == pytest.approx(bed.share, abs=0.005)
    assert soft.near_fraction < hard.near_fraction
    assert soft.uncovered_arc_deg == hard.uncovered_arc_deg
    clear = EdgeConfidence(np.full(len(BONE.vertices_lps_mm), Edge.CLEAR), np.full(len(BONE.vertices_lps_mm), 0.1))
    without, with_bed = (coverage_spread(BONE, clear, cup, SCANNER, each) for each in (None, bed))
    assert with_bed == pytest.approx(np.hypot(without, bed.share / 2.0), rel=1e-6)


def test_where_the_scan_ends_nothing_is_found():
    """The scan ends within the flanks of the gap: on one side, then on the other."""
    whole = double_floor(3.0)
    for low, high in (((0, 0, 0), (42, 70, 60)), ((38, 0, 0), (60, 70, 60))):
        assert find_soft_bed(BONE, cup_to(4.0), whole.cropped(low, high), BLUR).share == 0.0
