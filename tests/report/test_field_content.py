from __future__ import annotations

import numpy as np
import pytest
from cotyle.anatomy.landmarks import Landmark, Origin
from cotyle.anatomy.pelvis import Posture, app_axes_from_angles, build_pelvis
from cotyle.case.plan_file import Targets
from cotyle.cup.orientation import Definition, Orientation, axis_from_orientation
from cotyle.report.field_content import (
    FieldMark,
    Kind,
    field_ranges_deg,
    plan_marks,
    single_mark,
    target_zone,
)
from cotyle.space.side import Side

RADIOGRAPHIC = Definition.RADIOGRAPHIC
UPRIGHT = {
    "asis_left": (120.0, 0.0, 0.0),
    "asis_right": (-120.0, 0.0, 0.0),
    "pubic_tubercle_left": (25.0, 0.0, -90.0),
    "pubic_tubercle_right": (-25.0, 0.0, -90.0),
}


def pelvis_of_tilt(tilt, standing_change=0.0):
    turn = app_axes_from_angles(Posture(tilt, 0.0, 0.0)).T
    marks = {name: Landmark(name, turn @ np.array(p), Origin.GIVEN, 1.0) for name, p in UPRIGHT.items()}
    return build_pelvis(marks, standing_change)


def supine_axis(pelvis, inclination=40.0, anteversion=20.0):
    return axis_from_orientation(
        Orientation(inclination, anteversion), RADIOGRAPHIC, pelvis.frames["supine"], Side.LEFT
    )


def test_postures_that_agree_share_a_mark_and_others_have_their_own():
    level = pelvis_of_tilt(0.0)
    assert [mark.words for mark in plan_marks(supine_axis(level), level, Side.LEFT, RADIOGRAPHIC)] == [
        "plan, supine and app and standing"
    ]
    tilted = pelvis_of_tilt(8.0, standing_change=-10.0)
    marks = plan_marks(supine_axis(tilted), tilted, Side.LEFT, RADIOGRAPHIC)
    assert [mark.kind for mark in marks] == [Kind.PLAN_SUPINE, Kind.PLAN_APP, Kind.PLAN_STANDING]
    assert (marks[0].inclination_deg, marks[0].anteversion_deg) == (pytest.approx(40), pytest.approx(20))
    # standing, the pelvis tilts back and the cup opens forward: Murray 1993, and common knowledge of the trade
    assert marks[2].anteversion_deg > marks[0].anteversion_deg + 5


def test_only_radiographic_marks_carry_a_spread():
    pelvis = pelvis_of_tilt(5.0)
    assert plan_marks(supine_axis(pelvis), pelvis, Side.LEFT, RADIOGRAPHIC)[0].sd_deg is not None
    assert plan_marks(supine_axis(pelvis), pelvis, Side.LEFT, Definition.OPERATIVE)[0].sd_deg is None


def test_an_axis_whose_angles_are_open_has_no_mark():
    pelvis = pelvis_of_tilt(0.0)
    straight_forward = -pelvis.frames["supine"].posterior
    made = single_mark(Kind.NATIVE, "native", straight_forward, pelvis, Side.LEFT, "supine", RADIOGRAPHIC)
    assert made is None
    assert plan_marks(straight_forward, pelvis, Side.LEFT, RADIOGRAPHIC) == []


def test_the_ranges_hold_every_mark_and_the_zone():
    zone = target_zone(Targets(inclination_deg=40, anteversion_deg=17.5))
    assert zone.inclination_range_deg == (30, 50)
    assert field_ranges_deg([], zone) == ((20, 65), (-5, 40))
    far = FieldMark(Kind.FOUND, "found", 72.0, -31.0)
    assert field_ranges_deg([far], zone) == ((20, 76), (-35, 40))
    assert np.ptp(field_ranges_deg([far], zone)[1]) == 75
