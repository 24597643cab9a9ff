"""Poses from clicked points on random pelves: how near, how sure, and what is said when something is wrong."""

from dataclasses import replace

import numpy as np
import pytest
from cotyle.errors import InputError
from cotyle.space.frames import Frame
from cotyle.space.rotations import rigid_matrix, transform_points
from cotyle.space.side import Side
from cotyle.xray.levelling.levelling import levelling_of
from cotyle.xray.levelling.moves import MOVE_NAMES
from cotyle.xray.levelling.point_pose import Trust, pose_from_points, pose_near
from cotyle.xray.levelling.point_task import Known
from cotyle.xray.registration.motion import Handle, pose_between
from cotyle.xray.views import C_ARM, WIDE_C_ARM, Machine, ViewName, view_angles_deg

from tests.xray.levelling.clicked_pelves import (
    FORAMINA,
    LINES,
    POINTS,
    TEARDROPS,
    TUBEROSITIES,
    Errors,
    clicks_of,
    displaced,
    nominal,
    pelvis,
)

LANDMARKS = (*POINTS, *TUBEROSITIES)
EVERYTHING = (*TEARDROPS, "symphysis", "sacral_crest", *FORAMINA, *LINES)
STRAIGHT = (0.0, 0.0)


def moves_of(carm, known, covariance=None, view=ViewName.AP_PELVIS):
    found = levelling_of(carm, {"supine": known.frame}, view_angles_deg(view), covariance=covariance)["supine"]
    return found.moves.values_deg, None if found.moves_sd is None else found.moves_sd.values_deg


def trial(names, count, errors, seeds=(1, 2, 3), first_seed=100):
    """Errors of the moves in deg and in their SDs, (n, 3) each, over pelves and poses up to 12 deg and 25 mm off."""
    off, in_sds = [], []
    for seed in seeds:
        known, rng = pelvis(seed), np.random.default_rng(first_seed + seed)
        for _ in range(count):
            true = displaced(nominal(known), known, rng)
            clicked = clicks_of(true, known, names, rng, errors)
            pose = pose_near(clicked, known, nominal(known), STRAIGHT)
            moves, sds = moves_of(pose.carm, known, pose.covariance)
            off.append(moves - moves_of(true, known)[0])
            in_sds.append(off[-1] / sds)
    return np.array(off), np.array(in_sds)


def answer(clicked, known):
    """The pose, or the code of its refusal."""
    try:
        return pose_near(clicked, known, nominal(known), STRAIGHT), None
    except InputError as error:
        return None, error.code


def test_landmarks_clicked_to_a_millimetre_level_within_two_and_four_degrees():
    # the bar for clicked points with 1 mm noise: median 2 deg, 95th percentile 4 deg
    off, _ = trial(LANDMARKS, 12, Errors(1.0, places=False))
    assert (np.median(np.abs(off), axis=0) <= 2.0).all()
    assert (np.percentile(np.abs(off), 95, axis=0) <= 4.0).all()


def test_contours_clicked_to_a_millimetre_level_within_two_and_four_degrees():
    off, _ = trial(EVERYTHING, 2, Errors(1.0, places=False))
    assert (np.median(np.abs(off), axis=0) <= 2.0).all()
    assert (np.abs(off) <= 4.0).all()


def test_the_stated_intervals_hold_the_truth_as_often_as_they_say():
    _, in_sds = trial(LANDMARKS, 25, Errors(), first_seed=200)
    share = float((np.abs(in_sds) < 1.96).mean())
    assert 0.90 <= share <= 0.99


def test_clicks_without_error_give_the_pose_but_for_the_prior():
    off, _ = trial(EVERYTHING, 1, Errors(0.0, places=False), seeds=(2,))
    assert np.abs(off).max() < 1.5
    off, _ = trial(LANDMARKS, 5, Errors(0.0, places=False))
    assert np.abs(off).max() < 1.5


def test_the_covariance_is_that_of_the_c_arms_motion_against_the_bone():
    known, rng = pelvis(1), np.random.default_rng(8)
    distances = []
    for _ in range(40):
        true = displaced(nominal(known), known, rng)
        pose = pose_near(clicks_of(true, known, LANDMARKS, rng), known, nominal(known), STRAIGHT)
        numbers = Handle(pose.about_lps_mm, np.eye(3)).numbers_of(pose_between(pose.carm, true))
        numbers[:3] = np.deg2rad(numbers[:3])
        distances.append(numbers @ np.linalg.solve(pose.covariance, numbers))
    # chi-square with 6 degrees of freedom: mean 6, the mean of 40 draws within 3 of its SDs, 0.55 each
    assert 4.0 < np.mean(distances) < 7.7


def test_two_teardrops_settle_the_turn_of_the_picture_only():
    known, rng = pelvis(1), np.random.default_rng(4)
    true = displaced(nominal(known), known, rng, most_deg=6.0)
    pose = pose_near(clicks_of(true, known, TEARDROPS, rng), known, nominal(known), STRAIGHT)
    assert pose.unsettled == ("table_roll_deg", "cranial_deg")
    assert pose.trust is Trust.DOUBTFUL
    fields = levelling_of(pose.carm, {"supine": known.frame}, covariance=pose.covariance)["supine"].as_fields()
    assert [fields["moves"][name] is None for name in MOVE_NAMES] == [False, True, True]
    assert any("roll of the table is not settled" in line for line in pose.words)
    assert "teardrops, left against right" in " ".join(pose.words)


def test_one_click_is_too_few():
    known = pelvis(1)
    clicked = clicks_of(nominal(known), known, ("teardrop_left",), np.random.default_rng(1))
    with pytest.raises(InputError) as caught:
        pose_near(clicked, known, nominal(known), STRAIGHT)
    assert caught.value.code == "clicks-few"


def test_a_click_that_the_ct_does_not_know_is_left_aside_and_said():
    known = pelvis(1)
    clicked = clicks_of(nominal(known), known, POINTS, np.random.default_rng(1)) | {"coccyx_tip": (500.0, 600.0)}
    pose = pose_near(clicked, known, nominal(known), STRAIGHT)
    assert "coccyx_tip" not in pose.used
    assert any(doubt.code == "click-unused" and "coccyx_tip" in doubt.text for doubt in pose.doubts)


@pytest.mark.parametrize("names", [LANDMARKS, (*TEARDROPS, "symphysis", "sacral_crest")])
def test_a_click_ten_millimetres_off_is_never_passed_over_in_silence(names):
    known, rng = pelvis(2), np.random.default_rng(31)
    for wrong in names:
        true = displaced(nominal(known), known, rng)
        clicked = clicks_of(true, known, names, rng)
        turn = rng.uniform(0.0, 2.0 * np.pi)
        px_per_mm = nominal(known).magnification(known.landmarks["hip_center_left"].lps_mm) / true.pixel_pitch_mm[0]
        clicked[wrong] = clicked[wrong] + 10.0 * px_per_mm * np.array([np.cos(turn), np.sin(turn)])
        pose, refusal = answer(clicked, known)
        if pose is None:
            assert refusal in ("clicks-disagree", "clicks-swapped")
            continue
        moves, sds = moves_of(pose.carm, known, pose.covariance)
        harm = np.abs((moves - moves_of(true, known)[0]) / sds).max()
        warned = any(doubt.code == "click-unchecked" and wrong in doubt.text for doubt in pose.doubts)
        assert pose.left_out == (wrong,) or harm < 3.5 or (warned and pose.trust is Trust.DOUBTFUL), wrong


def test_the_one_click_that_does_not_fit_is_left_out_with_its_distance():
    known, rng = pelvis(1), np.random.default_rng(12)
    clicked = clicks_of(nominal(known), known, LANDMARKS, rng, Errors(0.3, places=False))
    clicked["hip_center_left"] = clicked["hip_center_left"] + (0.0, 60.0)
    pose = pose_near(clicked, known, nominal(known), STRAIGHT)
    assert pose.left_out == ("hip_center_left",)
    assert pose.trust is Trust.DOUBTFUL
    off = next(doubt for doubt in pose.doubts if doubt.code == "click-off")
    assert "hip_center_left" in off.text
    # 60 px are 18 mm at the hip
    assert any(f"{mm} mm" in off.text for mm in (16, 17, 18, 19))


@pytest.mark.parametrize("view", [ViewName.AP_PELVIS, ViewName.OUTLET])
def test_a_symphysis_that_the_ct_puts_eight_millimetres_off_is_never_passed_over_in_silence(view):
    # a theatre picture of one subject was once levelled 12 deg wrong so, without a doubt
    known, rng, silent = pelvis(2), np.random.default_rng(31), 0
    mark = known.landmarks["symphysis"]
    for _ in range(20):
        true = displaced(nominal(known, view), known, rng)
        clicked = clicks_of(true, known, (*LANDMARKS, "sacrum_midline"), rng, Errors(places=False))
        way = rng.standard_normal(3)
        wrong = replace(mark, lps_mm=mark.lps_mm + 8.0 * way / np.linalg.norm(way))
        believed = replace(known, landmarks={**known.landmarks, "symphysis": wrong})
        try:
            pose = pose_near(clicked, believed, nominal(known, view), view_angles_deg(view))
        except InputError:
            continue
        moves, sds = moves_of(pose.carm, known, pose.covariance, view)
        harm = np.abs(moves - moves_of(true, known, view=view)[0]) > 3.0 * sds
        silent += bool(harm.any()) and pose.trust is Trust.CONVERGED
    assert silent == 0


def test_with_an_asymmetric_ring_teardrops_and_lines_lead():
    # symphysis and sacrum have moved 8 mm aside since the CT; the hip bone that is looked at has not
    known, rng = pelvis(1), np.random.default_rng(32)
    true = displaced(nominal(known), known, rng, most_deg=4.0, most_mm=10.0)
    clicked = clicks_of(true, known, (*POINTS, *LINES), rng, Errors(0.0, places=False))
    aside = 8.0 * true.magnification(known.landmarks["symphysis"].lps_mm) / true.pixel_pitch_mm[0]
    clicked["symphysis"] = clicked["symphysis"] + (aside, 0.0)
    wanted = moves_of(true, known)[0]
    off, leading = {}, {}
    for asymmetric in (False, True):
        pose, code = answer(clicked, replace(known, asymmetric_ring=asymmetric))
        assert code is None or not asymmetric
        if pose is not None:
            off[asymmetric] = float(np.abs(moves_of(pose.carm, known)[0] - wanted).max())
            leading[asymmetric] = pose.support["table_roll_deg"].leading
    assert off[True] < 2.0
    assert off.get(False, np.inf) > off[True]
    assert "ilio-ischial" in leading[True] or "teardrops" in leading[True]


def test_a_picture_flipped_top_to_bottom_is_refused_or_doubted():
    known = pelvis(1)
    for names in (LANDMARKS, (*TEARDROPS, "symphysis", "sacral_crest")):
        clicked = clicks_of(nominal(known), known, names, np.random.default_rng(2), Errors(0.5, places=False))
        flipped = {name: np.array([pixel[0], 1023.0 - pixel[1]]) for name, pixel in clicked.items()}
        pose, refusal = answer(flipped, known)
        assert refusal in ("clicks-upside-down", "clicks-disagree") if pose is None else pose.trust is Trust.DOUBTFUL


def test_clicks_of_another_pelvis_are_refused_or_doubted():
    known, other = pelvis(1), pelvis(3)
    clicked = clicks_of(nominal(other), other, LANDMARKS, np.random.default_rng(2), Errors(0.5, places=False))
    pose, refusal = answer(clicked, known)
    assert refusal == "clicks-disagree" if pose is None else pose.trust is Trust.DOUBTFUL


def test_an_assumed_machine_widens_the_intervals_and_they_still_hold():
    known, rng = pelvis(1), np.random.default_rng(21)
    # the picture is really 4 % larger and taken 12 mm beside the middle
    in_sds = []
    for _ in range(25):
        true = displaced(nominal(known), known, rng)
        clicked = clicks_of(true, known, LANDMARKS, rng)
        middle = true.center_px
        shifted = {name: middle + 1.04 * (pixel - middle) + (20.0, -15.0) for name, pixel in clicked.items()}
        pose = pose_from_points(shifted, known, WIDE_C_ARM, ViewName.AP_PELVIS, machine_assumed=True)
        moves, sds = moves_of(pose.carm, known, pose.covariance)
        in_sds.append((moves - moves_of(true, known)[0]) / sds)
    assert (np.abs(in_sds) < 1.96).mean() > 0.88
    sure = pose_from_points(clicked, known, WIDE_C_ARM, "ap_pelvis")
    assert np.linalg.det(sure.covariance) < np.linalg.det(pose.covariance)


def test_turning_patient_and_scan_together_changes_nothing_that_is_said():
    known, rng = pelvis(1), np.random.default_rng(6)
    true = displaced(nominal(known), known, rng)
    clicked = clicks_of(true, known, LANDMARKS, rng)
    matrix = rigid_matrix(np.array([[0.0, -1.0, 0.0], [1.0, 0.0, 0.0], [0.0, 0.0, 1.0]]), (40.0, -30.0, 500.0))
    turned = _turned(known, matrix)
    first, second = (pose_near(clicked, each, nominal(each), STRAIGHT) for each in (known, turned))
    np.testing.assert_allclose(
        moves_of(first.carm, known, first.covariance), moves_of(second.carm, turned, second.covariance), atol=2e-2
    )


def _turned(known, matrix):
    marks = {
        name: replace(mark, lps_mm=transform_points(matrix, mark.lps_mm)) for name, mark in known.landmarks.items()
    }
    axes = [matrix[:3, :3] @ axis for axis in known.frame.axes]
    frame = Frame("supine", transform_points(matrix, known.frame.origin_lps_mm), *axes)
    bones = {side: bone.transformed(matrix) for side, bone in known.hip_bones.items()}
    return Known(marks, frame, bones, known.sacrum.transformed(matrix))


@pytest.mark.parametrize("machine", [C_ARM, Machine(C_ARM.tube, 1100.0, 750.0, (300.0, 300.0), (1024, 1024))])
def test_an_ap_hip_is_levelled_from_what_it_shows(machine):
    known, rng = pelvis(2), np.random.default_rng(3)
    carm = nominal(known, ViewName.AP_HIP, Side.LEFT, machine)
    true = displaced(carm, known, rng, most_deg=6.0, most_mm=10.0)
    names = ("teardrop_left", "symphysis", "hip_center_left", "ischial_tuberosity_left")
    names += tuple(f"foramen_{end}_left" for end in ("top", "bottom", "medial", "lateral"))
    clicked = clicks_of(true, known, names, rng, Errors(0.5, places=False))
    inside = {n: p for n, p in clicked.items() if (p >= 0).all() and (p < np.array(machine.size)).all()}
    pose = pose_from_points(inside, known, machine, "ap_hip", side=Side.LEFT)
    moves, sds = moves_of(pose.carm, known, pose.covariance)
    assert (np.abs(moves - moves_of(true, known)[0]) < 3.0 * sds + 0.2).all()
    np.testing.assert_allclose(pose.about_lps_mm, known.landmarks["hip_center_left"].lps_mm)
