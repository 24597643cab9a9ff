"""The facts on posture: what was given wins, what is assumed says so, and what a level picture hides is told."""

from math import cos, hypot, radians

import pytest
from cotyle.case.decision.posture import PostureFacts, posture_of
from cotyle.case.decision.postures import Known
from cotyle.case.decision.questions import Questions
from cotyle.case.schema import validated
from cotyle.cup.orientation import Definition
from cotyle.cup.posture import Mobility
from cotyle.space.side import Side

from tests.case.decision.stand_ins import planned_cup


def facts(planned=None, **posture):
    questions = validated(
        Questions, {"schema": "cotyle/questions", "version": 1, "posture": posture}, "questions of this test"
    )
    return posture_of(planned or planned_cup(), None, questions, 1)


def codes(found):
    return {doubt.code for doubt in found.doubts}


def test_nothing_given_is_said_to_be_assumed():
    found = facts()
    assert [found.postures[name].how for name in ("supine", "standing", "seated")] == [
        Known.CT,
        Known.ASSUMED,
        Known.ASSUMED,
    ]
    assert {"posture-standing-assumed", "posture-seated-assumed"} <= codes(found)
    assert not any(code.startswith("posture-hidden") for code in codes(found))
    assert found.mobility.mobility is None
    assert found.mobility.unfavourable is None
    # mean of standing to sitting: 22.2 deg back (Ochi et al., Eur Spine J 2016)
    tilts = {name: each.anterior_tilt_deg for name, each in found.postures.items()}
    assert tilts["standing"] - tilts["seated"] == pytest.approx(22.2)


# pelvic incidence = pelvic tilt + sacral slope: in one pelvis slopes change as tilts do (Legaye et al. 1998)
def test_two_sacral_slopes_tell_a_change_of_tilt():
    found = facts(
        supine={"sacral_slope_deg": 40.0}, standing={"sacral_slope_deg": 31.0}, seated={"sacral_slope_deg": 9.5}
    )
    assert found.postures["standing"].change_from_supine_deg == pytest.approx(-9.0)
    assert found.postures["seated"].change_from_supine_deg == pytest.approx(-30.5)
    assert found.postures["standing"].how is Known.SLOPES
    assert found.mobility.sits_back_deg == pytest.approx(21.5)
    assert found.mobility.mobility is Mobility.NORMAL
    operative = {name: each.orientation[Definition.OPERATIVE] for name, each in found.postures.items()}
    assert operative["standing"].anteversion_deg - operative["supine"].anteversion_deg == pytest.approx(9.0)
    assert operative["standing"].inclination_deg == pytest.approx(operative["supine"].inclination_deg)
    assert found.postures["seated"].ante_inclination_deg == pytest.approx(operative["seated"].anteversion_deg)


def test_the_pelvis_as_it_lay_leaves_no_doubt_of_anteversion():
    found = facts(supine={"sacral_slope_deg": 40.0, "sd_deg": 0.0}, standing={"sacral_slope_deg": 31.0, "sd_deg": 2.0})
    assert found.postures["supine"].sd_deg == planned_cup().pelvis.uncertainty.anterior_tilt_deg > 0.2
    assert found.postures["supine"].anteversion_sd_deg == 0.0
    assert found.postures["standing"].anteversion_sd_deg == pytest.approx(2.0 * per_deg(found, "standing"), abs=0.01)


def test_a_tilt_that_was_given_is_told_against_the_plane_which_errs_too():
    found = facts(standing={"anterior_tilt_deg": 0.0, "sd_deg": 1.0})
    spread = hypot(1.0, planned_cup().pelvis.uncertainty.anterior_tilt_deg)
    assert found.postures["standing"].anteversion_sd_deg == pytest.approx(spread * per_deg(found, "standing"), abs=0.01)


def per_deg(found, posture):
    """d RA / d tilt = cos RI (derived from Murray 1993)."""
    return cos(radians(found.postures[posture].orientation[Definition.RADIOGRAPHIC].inclination_deg))


def test_a_tilt_that_was_given_wins_over_slopes_and_plan():
    planned = planned_cup(change=-5.0, measured=True)
    assert facts(planned).postures["standing"].how is Known.PLAN
    found = facts(planned, standing={"anterior_tilt_deg": -8.0, "sacral_slope_deg": 20.0})
    assert found.postures["standing"].anterior_tilt_deg == -8.0
    assert found.postures["standing"].how is Known.GIVEN


def test_how_the_plan_says_the_pelvis_sits_is_taken_unless_something_was_given():
    planned = planned_cup(change=-9.0, measured=True, seated=-30.0)
    found = facts(planned)
    assert found.postures["seated"].how is Known.IN_PLAN
    assert found.postures["seated"].change_from_supine_deg == pytest.approx(-30.0)
    assert found.mobility.sits_back_deg == pytest.approx(21.0)
    assert "posture-seated-assumed" not in codes(found)
    # 30 deg of tilt back are 30 deg of operative anteversion (Murray DW, J Bone Joint Surg Br 1993;75-B:228-32)
    operative = {name: each.orientation[Definition.OPERATIVE] for name, each in found.postures.items()}
    assert operative["seated"].anteversion_deg - operative["supine"].anteversion_deg == pytest.approx(30.0)
    given = facts(planned, supine={"sacral_slope_deg": 40.0}, seated={"sacral_slope_deg": 18.0})
    assert given.postures["seated"].how is Known.SLOPES
    assert given.postures["seated"].change_from_supine_deg == pytest.approx(-22.0)
    assert "posture-seated-differs" in codes(given)
    assert "posture-seated-differs" not in codes(found)
    assert "posture-slope-alone" in codes(facts(planned, seated={"sacral_slope_deg": 18.0}))


def test_one_slope_alone_tells_no_tilt_but_two_tell_how_the_pelvis_moves():
    found = facts(standing={"sacral_slope_deg": 31.0}, seated={"sacral_slope_deg": 25.0})
    assert found.postures["standing"].how is Known.ASSUMED
    assert "posture-slope-alone" in codes(found)
    assert found.mobility.sits_back_deg == pytest.approx(6.0)
    assert found.mobility.mobility is Mobility.STIFF


@pytest.mark.parametrize("side", list(Side))
def test_a_level_picture_that_hides_an_unsafe_standing_cup_is_warned_of(side):
    """40 / 17.5 tilted back by 20 deg: anteversion 31 to 32, above the zone's 27.5."""
    found = facts(planned_cup(side=side, change=-20.0, measured=True))
    assert found.postures["supine"].in_zone
    assert found.postures["standing"].in_zone is False
    assert "posture-hidden-standing" in codes(found)
    assert found.mobility.unfavourable
    assert found.beam.cranial_deg == pytest.approx(-20.0)
    assert found.beam.towards == "outlet"


def test_a_seated_cup_that_hardly_opens_is_warned_of():
    """Usual are 34 to 75 deg of ante-inclination (Kanawade et al. 2014); this pelvis hardly moves."""
    found = facts(standing={"anterior_tilt_deg": 0.0}, seated={"anterior_tilt_deg": 0.0})
    low, high = found.usual_seated_ante_inclination_deg
    assert (low, high) == pytest.approx((54.6 - 2 * 10.2, 54.6 + 2 * 10.2))
    assert found.postures["seated"].ante_inclination_deg < low
    assert "posture-hidden-seated" in codes(found)


def test_a_cup_that_is_off_target_on_the_table_hides_nothing():
    found = facts(planned_cup(anteversion=35.0, change=-20.0, measured=True))
    assert found.postures["supine"].in_zone is False
    assert found.tilt_window_deg is None
    assert "posture-hidden-standing" not in codes(found)


def test_a_supine_tilt_that_differs_from_the_ct_is_pointed_out():
    lay = planned_cup().pelvis.anterior_tilt_deg
    assert "posture-supine-differs" in codes(facts(supine={"anterior_tilt_deg": lay + 9.0}))
    assert "posture-supine-differs" not in codes(facts(supine={"anterior_tilt_deg": lay + 4.0}))


# pelvic incidence = pelvic tilt + sacral slope: in one pelvis slopes change as tilts do (Legaye et al. 1998)
def test_tilts_and_slopes_that_contradict_each_other_are_pointed_out():
    standing = {"anterior_tilt_deg": 0.0, "sacral_slope_deg": 40.0}
    agree = facts(standing=standing, seated={"anterior_tilt_deg": -20.0, "sacral_slope_deg": 18.0})
    assert "posture-slopes-differ" not in codes(agree)
    differ = facts(standing=standing, seated={"anterior_tilt_deg": -20.0, "sacral_slope_deg": 35.0})
    assert "posture-slopes-differ" in codes(differ)
    assert "15 deg" in next(each.text for each in differ.doubts if each.code == "posture-slopes-differ")
    unsure = {"anterior_tilt_deg": -20.0, "sacral_slope_deg": 35.0, "sd_deg": 10.0}
    assert "posture-slopes-differ" not in codes(facts(standing=standing, seated=unsure))


def test_a_standing_tilt_other_than_the_plans_is_pointed_out():
    lay = planned_cup().pelvis.anterior_tilt_deg
    assert "posture-standing-differs" in codes(facts(standing={"anterior_tilt_deg": lay - 9.0}))
    planned = planned_cup(change=-9.0, measured=True)
    assert "posture-standing-differs" not in codes(facts(planned, standing={"anterior_tilt_deg": lay - 9.0}))


def test_incidence_and_lordosis_tell_the_balance():
    assert facts(pelvic_incidence_deg=58.0, lumbar_lordosis_deg=40.0).mobility.balanced is False
    assert facts(pelvic_incidence_deg=50.0, lumbar_lordosis_deg=60.0).mobility.balanced is True
    assert facts(pelvic_incidence_deg=50.0).mobility.balanced is None


def test_the_file_is_read_back_as_it_was_written(tmp_path):
    found = facts(planned_cup(change=-6.0, measured=True))
    found.write(tmp_path / "posture.json")
    again = PostureFacts.read(tmp_path / "posture.json")
    assert again.to_json() == found.to_json()
