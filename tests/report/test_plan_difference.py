from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest
from cotyle.case.measurements import Angles
from cotyle.cup.orientation import Definition
from cotyle.report.plan_difference import plan_differences
from cotyle.space.rotations import rotation_matrix

RADIOGRAPHIC = Definition.RADIOGRAPHIC
AXIS = np.array([0.6, -0.3, -0.7])


def plan(inclination=40.0, wall=5.0, breached=False, center=(0.0, 0.0, 0.0), turn=0.0, shift=0.0):
    """As much of live numbers as is compared."""
    return SimpleNamespace(
        orientations={"supine": {RADIOGRAPHIC: Angles(inclination_deg=inclination, anteversion_deg=20.0)}},
        wall=SimpleNamespace(breached_on_axis=breached, breached=breached, along_axis_mm=wall, minimum_mm=wall - 1),
        coverage=SimpleNamespace(fraction=0.812),
        center_shift=SimpleNamespace(medial=shift, superior=0.0, anterior=-1.0),
        press_fit=SimpleNamespace(proud_mm=2.1),
        cup=SimpleNamespace(
            opening_axis_lps=rotation_matrix([0, 0, 1], turn) @ AXIS,
            center_lps_mm=np.array(center),
            outer_diameter_mm=54.0,
        ),
        steps=(SimpleNamespace(diameter_mm=53.0),),
    )


def rows(first, second):
    return {row.words: row for row in plan_differences(first, second, RADIOGRAPHIC, "supine")}


def test_differences_are_the_second_minus_the_first():
    found = rows(plan(40.0, wall=5.0, shift=1.0), plan(43.2, wall=4.4, shift=2.5))
    angle = found["inclination, radiographic, supine frame"]
    assert (angle.first, angle.second, angle.difference) == ("40.0", "43.2", "+3.2")
    assert found["wall along the axis"].difference == "−0.6"
    assert found["centre from the native one, medial, supine frame"].difference == "+1.5"
    assert found["coverage"].first == "81"


def test_a_breach_has_no_difference():
    row = rows(plan(), plan(breached=True))["least wall"]
    assert (row.first, row.second, row.difference) == ("4.0", "breached", "–")


def test_angles_that_are_open_are_dashes():
    found = plan_differences(plan(), plan(), Definition.OPERATIVE, "supine")
    assert (found[0].first, found[0].difference) == ("–", "–")


def test_axes_and_centres_are_compared_in_space():
    # turning about z by t moves an axis with a part a across z by 2 asin(a sin(t/2)); closed form
    across = np.hypot(*AXIS[:2]) / np.linalg.norm(AXIS)
    expected = np.rad2deg(2 * np.arcsin(across * np.sin(np.deg2rad(10) / 2)))
    found = rows(plan(), plan(turn=10.0, center=(3.0, 4.0, 0.0)))
    assert float(found["angle between both axes"].difference) == pytest.approx(expected, abs=0.05)
    assert found["way between both centres"].difference == "5.0"


def test_a_plan_beside_itself_differs_in_nothing():
    changed = [row.difference for row in plan_differences(plan(), plan(), RADIOGRAPHIC, "supine")]
    assert set(changed) == {"0.0", "0"}
