"""Changes of a plan: what was asked for changes, exactly, and nothing else does."""

import numpy as np
import pytest
from cotyle.case import plan_changes as changes
from cotyle.case.plan_file import OrientationChoice, PlanFile, PostureChoice, Targets
from cotyle.case.stages import completed, cup_of, hip_of
from cotyle.case.store import read_case
from cotyle.cup.center import center_shift
from cotyle.cup.orientation import Definition
from cotyle.errors import InputError
from cotyle.space.rotations import angle_between_deg
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

FAST = settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
millimetres = st.floats(-30, 30)
definitions = st.sampled_from(list(Definition))
frames = st.sampled_from(["app", "supine", "standing"])


@pytest.fixture(scope="module")
def hip(planned_case):
    stored = read_case(planned_case.folder)
    return hip_of(stored.anatomy, stored.scan, stored.plan.side)


@pytest.fixture(scope="module")
def plan(hip):
    return completed(hip, PlanFile(side=hip.side, posture=PostureChoice(standing_tilt_change_deg=-7.0)))


@pytest.fixture(scope="module")
def pelvis(hip):
    return hip.pelvis(-7.0)


@FAST
@given(along=millimetres, words=st.tuples(millimetres, millimetres, millimetres))
def test_a_move_is_as_long_as_was_asked_for(hip, plan, pelvis, along, words):
    before, after = cup_of(plan, pelvis), cup_of(changes.moved(plan, pelvis, along, *words), pelvis)
    inwards = before.center_lps_mm - along * before.opening_axis_lps
    shift = center_shift(inwards, after.center_lps_mm, pelvis.supine, plan.side)
    assert (shift.medial, shift.superior, shift.anterior) == pytest.approx(words, abs=1e-8)
    assert np.array_equal(after.opening_axis_lps, before.opening_axis_lps)


@FAST
@given(medial=millimetres, anterior=millimetres)
def test_a_shift_that_is_not_named_keeps_its_value(hip, plan, pelvis, medial, anterior):
    native = hip.socket.center_lps_mm
    before = center_shift(native, cup_of(plan, pelvis).center_lps_mm, pelvis.supine, plan.side)
    changed = changes.shifted_to(plan, pelvis, native, medial_mm=medial, anterior_mm=anterior)
    after = center_shift(native, cup_of(changed, pelvis).center_lps_mm, pelvis.supine, plan.side)
    assert (after.medial, after.superior, after.anterior) == pytest.approx(
        (medial, before.superior, anterior), abs=1e-8
    )


@FAST
@given(definition=definitions, frame=frames)
def test_the_same_axis_in_other_words_is_the_same_axis(plan, pelvis, definition, frame):
    told = changes.orientation_in(plan, pelvis, definition, frame)
    axis = cup_of(changes.with_cup(plan, orientation=told), pelvis).opening_axis_lps
    assert angle_between_deg(axis, cup_of(plan, pelvis).opening_axis_lps) < 1e-6


# relations between the definitions: Murray, J Bone Joint Surg Br 1993;75-B:228-32
def test_the_definitions_agree_with_murray(plan, pelvis):
    plan = changes.with_angles(plan, pelvis, Definition.RADIOGRAPHIC, "supine", 40.0, 20.0)
    operative = changes.orientation_in(plan, pelvis, Definition.OPERATIVE, "supine")
    anatomic = changes.orientation_in(plan, pelvis, Definition.ANATOMIC, "supine")
    ri, ra = np.radians([40.0, 20.0])
    assert operative.inclination_deg == pytest.approx(np.degrees(np.arcsin(np.sin(ri) * np.cos(ra))), abs=1e-8)
    assert operative.anteversion_deg == pytest.approx(np.degrees(np.arctan(np.tan(ra) / np.cos(ri))), abs=1e-8)
    assert anatomic.inclination_deg == pytest.approx(np.degrees(np.arccos(np.cos(ri) * np.cos(ra))), abs=1e-8)
    assert anatomic.anteversion_deg == pytest.approx(np.degrees(np.arctan(np.tan(ra) / np.sin(ri))), abs=1e-8)


def test_the_angle_that_is_not_named_stays(plan, pelvis):
    first = changes.with_angles(plan, pelvis, Definition.OPERATIVE, "standing", inclination_deg=37.0)
    second = changes.with_angles(first, pelvis, Definition.OPERATIVE, "standing", anteversion_deg=31.0)
    told = second.cup.orientation
    assert (told.inclination_deg, told.anteversion_deg) == (37.0, 31.0)


def test_an_axis_that_was_dragged_is_the_plans(plan, pelvis):
    axis = cup_of(plan, pelvis).opening_axis_lps + [0.1, -0.05, 0.02]
    turned = cup_of(changes.with_axis(plan, pelvis, axis), pelvis)
    assert angle_between_deg(turned.opening_axis_lps, axis) < 1e-6


@pytest.mark.parametrize("frame", ["app", "supine", "standing"])
def test_another_posture_leaves_the_cup_in_the_pelvis(hip, plan, pelvis, frame):
    plan = changes.with_angles(plan, pelvis, Definition.RADIOGRAPHIC, frame)
    after = hip.pelvis(12.0)
    changed = changes.in_posture(plan, pelvis, after, {"standing_tilt_change_deg": 12.0, "measured": True})
    assert changed.posture == PostureChoice(standing_tilt_change_deg=12.0, measured=True)
    moved, stayed = cup_of(changed, after), cup_of(plan, pelvis)
    assert angle_between_deg(moved.opening_axis_lps, stayed.opening_axis_lps) < 1e-6
    assert changed.cup.orientation.frame == frame


def test_how_the_pelvis_sits_changes_no_angle_not_even_in_its_last_digit(plan, pelvis):
    plan = changes.with_angles(plan, pelvis, Definition.RADIOGRAPHIC, "standing")
    changed = changes.in_posture(plan, pelvis, pelvis, {"seated_tilt_change_deg": -30.0})
    assert changed.posture.seated_tilt_change_deg == -30.0
    assert changed.cup == plan.cup
    assert changes.in_posture(changed, pelvis, pelvis, {"seated_tilt_change_deg": None}) == plan
    assert changes.in_posture(changed, pelvis, pelvis, plan.posture) == plan  # given whole, it says that there is none


def test_what_was_chosen_is_no_longer_proposed(plan, pelvis):
    assert set(plan.cup.proposed) == {"center_lps_mm", "outer_diameter_mm", "orientation"}
    assert set(changes.with_cup(plan, outer_diameter_mm=60).cup.proposed) == {"center_lps_mm", "orientation"}
    moved = changes.moved(plan, pelvis, along_axis_mm=1.0)
    assert set(moved.cup.proposed) == {"outer_diameter_mm", "orientation"}
    assert moved.cup.limited_by is None
    assert plan.cup.limited_by is not None


def test_what_is_open_again_is_proposed_again(hip, plan, pelvis):
    moved = changes.with_cup(plan, outer_diameter_mm=60.0)
    opened = changes.with_open_proposals(moved)
    assert opened.cup.outer_diameter_mm == 60.0
    assert opened.cup.center_lps_mm is None
    assert opened.cup.orientation is None
    assert changes.with_open_proposals(plan).cup == PlanFile(side=plan.side).cup
    assert completed(hip, changes.with_open_proposals(plan)).cup == plan.cup


def test_numbers_are_rounded_as_in_files(plan, tmp_path):
    choice = OrientationChoice(
        inclination_deg=41.12345678912345, anteversion_deg=15.0, definition=Definition.ANATOMIC, frame="app"
    )
    changed = changes.with_cup(plan, orientation=choice, center_lps_mm=np.array([1.23456789123, 2.0, 3.0]))
    changed.write(tmp_path / "plan.json")
    assert PlanFile.read(tmp_path / "plan.json") == changed


def test_targets_change_field_by_field_or_whole(plan):
    assert changes.with_section(plan, "targets", {"least_wall_mm": 3.0}).targets == Targets(least_wall_mm=3.0)
    assert changes.with_section(plan, "targets", Targets(medial_mm=2.0)).targets == Targets(medial_mm=2.0)


@pytest.mark.parametrize(
    ("wrong", "code"),
    [
        ({"outer_diameter_mm": 20.0}, "cup-size"),
        ({"center_lps_mm": (1.0, float("nan"), 2.0)}, "not-finite"),
        ({"center_lps_mm": (1.0, 2.0)}, "field-invalid"),
        ({"colour": "red"}, "field-invalid"),
    ],
)
def test_what_no_plan_holds_is_refused(plan, wrong, code):
    with pytest.raises(InputError) as caught:
        changes.with_cup(plan, **wrong)
    assert caught.value.code == code
    assert "file" not in caught.value.remedy.lower()
