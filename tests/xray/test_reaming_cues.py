"""Cues of a reamer on its way in, worked by hand on a picture that is nearly a parallel projection."""

import numpy as np
import pytest
from cotyle.cup.cavity import ReamingStep, step_along
from cotyle.space.frames import SCANNER
from cotyle.space.shapes import Circle
from cotyle.space.side import Side
from cotyle.xray.carm import from_positioner
from cotyle.xray.ilioischial import IlioischialLine
from cotyle.xray.reaming_cues import Sight, Stage, read_screen, stage_rim

LANDMARKS = {"teardrop_left": (60.0, 0.0, -20.0), "teardrop_right": (-60.0, 0.0, -20.0)}


def flat():
    return from_positioner(
        (0, 0, 0), 0, 0, frame=SCANNER, source_detector_mm=1e6 + 1e-3, source_isocenter_mm=1e6,
        pixel_pitch_mm=(0.5, 0.5), size=(600, 600),
    )  # fmt: skip


def seen(line_lateral_mm=-5.0, side=Side.LEFT):
    """A view with an ilio-ischial line straight up and down, so far lateral to the teardrop."""
    x = side.lateral_sign * (60.0 + line_lateral_mm)
    points = np.column_stack([np.full(61, x), np.zeros(61), -20.0 + np.arange(61.0)])
    return Sight(flat(), side, LANDMARKS, flat().project(points))


def test_a_step_goes_from_its_start_over_the_middle_to_its_end():
    step = ReamingStep(50.0, np.array([10.0, 0, 0]), np.array([0.0, 0, 0]), np.array([-1.0, 0, 0]))
    assert [stage_rim(step, stage).center_lps_mm[0] for stage in Stage] == [10.0, 5.0, 0.0]
    rim = stage_rim(step, Stage.MIDWAY)
    np.testing.assert_allclose(rim.normal_lps, [1, 0, 0])
    assert rim.radius_mm == 25.0


@pytest.mark.parametrize("side", Side)
def test_the_medial_edge_is_held_against_the_ilioischial_line_at_its_own_height(side):
    # a mouth straight to the side: the dome's most medial point lies one radius medial of the centre
    normal = np.array([side.lateral_sign, 0.0, 0.0])
    rim = Circle(np.array([side.lateral_sign * 85.0, 0.0, 0.0]), normal, 26.0)
    found = read_screen(seen(side=side), rim)
    assert found.cues.medial_edge_to_teardrop_mm == pytest.approx(85 - 26 - 60, abs=0.01)
    assert found.medial_edge_to_ilioischial_mm == pytest.approx(85 - 26 - 55, abs=0.01)
    assert found.cues.teardrop_to_ilioischial_mm == pytest.approx(-5.0, abs=0.01)
    deeper = Circle(rim.center_lps_mm - 6.0 * normal, normal, 26.0)
    assert read_screen(seen(side=side), deeper).medial_edge_to_ilioischial_mm == pytest.approx(-2.0, abs=0.01)


def test_the_lower_end_of_the_rim_is_measured_from_the_line_of_the_teardrops():
    # rim at 40 deg of inclination without anteversion: its lower end lies r sin 40 below the centre
    i = np.deg2rad(40.0)
    rim = Circle(np.array([85.0, 0.0, 0.0]), np.array([np.sin(i), 0.0, -np.cos(i)]), 26.0)
    assert read_screen(seen(), rim).lower_rim_above_teardrops_mm == pytest.approx(20 - 26 * np.sin(i), abs=0.01)


def test_the_gap_behind_a_reamer_closes_as_it_goes_in():
    # the earlier floor: 49 mm about the end; a 51 mm reamer 8 mm before its end leaves 8 + 24.5 - 25.5 = 7 mm
    way = np.array([-1.0, 0.0, 0.0])
    first = step_along(49.0, (0.0, 0, 0), way, 10.0)
    last = step_along(51.0, (0.0, 0, 0), way, 8.0)
    gaps = [read_screen(seen(), stage_rim(last, stage), (first,)).gap_behind_mm for stage in Stage]
    assert gaps == pytest.approx([7.0, 3.0, 0.0], abs=0.01)
    assert read_screen(seen(), stage_rim(first, Stage.SEATED)).gap_behind_mm is None


def test_an_edge_that_shares_no_height_with_the_line_has_no_distance_to_it():
    line = IlioischialLine(np.array([[0.0, 0.0], [1.0, 10.0]]))
    assert line.clearance_mm(np.array([[5.0, 20.0], [6.0, -4.0]])) is None
    # at height 5 the line lies at 0.5
    assert line.clearance_mm(np.array([[2.0, 5.0], [9.0, 5.0]])) == pytest.approx(1.5)


def test_without_a_teardrop_only_what_needs_none_is_read():
    found = read_screen(Sight(flat(), Side.LEFT, {}, None), Circle(np.array([85.0, 0, 0]), np.array([1.0, 0, 0]), 26.0))
    assert found.medial_edge_to_ilioischial_mm is None
    assert found.lower_rim_above_teardrops_mm is None
    assert "teardrop_left" in found.cues.missing
    assert found.cues.rim_axis_ratio == pytest.approx(0.0, abs=1e-3)
