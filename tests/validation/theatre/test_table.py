"""The table: bars, shares and what counts as a wrong result, on registrations whose errors are known beforehand."""

from collections import Counter
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from cotyle.cup.component import Cup
from cotyle.space.frames import SCANNER
from cotyle.space.rotations import rigid_matrix, rotation_matrix
from cotyle.space.side import Side
from cotyle.xray.views import ViewName

from tests.validation.theatre import judging
from tests.validation.theatre.effects import Physics, Screen
from tests.validation.theatre.judging import CAMERA, FAR, NAME, NEAR, NOT_DONE, WRONG, judge, start_of
from tests.validation.theatre.keeping import Keeping
from tests.validation.theatre.levelling_errors import move_errors_deg
from tests.validation.theatre.picture import Contents, Pairing, TheatrePicture, write_picture
from tests.validation.theatre.pose_errors import CUP_QUANTITIES, Found, turns_deg
from tests.validation.theatre.scene import Tool
from tests.validation.theatre.shots import about
from tests.validation.theatre.table import Row, camera_lines, coverage_lines, further_shares, is_gross, rows, shares
from tests.validation.theatre.test_pose_errors import HIP, TRUE, c_arm
from tests.validation.theatre.validate import missed_bars, result_text

SEEN = np.ones((750, 750), dtype=bool)
PATIENT = SimpleNamespace(name="A", pelvis=SimpleNamespace(supine=SCANNER, app=SCANNER))


def picture(number=0, **changes):
    plain = TheatrePicture(
        name=f"A{number:02d}",
        subject="A",
        side=Side.RIGHT,
        view=ViewName.AP_HIP,
        angle_deg=None,
        grey=SEEN.astype(np.uint16),
        usable=SEEN,
        true_carm=TRUE,
        nominal_carm=TRUE.moved(rigid_matrix(np.eye(3), (5.0, 8.0, 0.0))),
        source_isocenter_mm=680.0,
        hip_lps_mm=HIP,
        cup=None,
        contents=Contents(Tool.CUP, 0, True, 60.0, Physics(), Screen()),
        seed=number,
        lie_deg=0.0,
    )
    return replace(plain, **changes)


class OffBy:
    """Finds the true pose, off by a stated way across the beam, and states intervals of a stated width."""

    def __init__(self, column_mm=0.0, width=1.0, verdict="converged", doubts=()):
        self.column_mm, self.width, self.verdict, self.doubts = column_mm, width, verdict, doubts

    def one_view(self, picture, patient, start):
        shift = -self.column_mm * TRUE.column_direction_lps
        names = ("column_mm", "row_mm", "turn_deg", "tilt_deg", "axial_deg", "depth_mm")
        widths = dict.fromkeys(names, self.width)
        return Found(TRUE.moved(rigid_matrix(np.eye(3), shift)), self.verdict, widths, 1.0, self.doubts)


def judged(registration, count=20, kinds=(NEAR, NAME, FAR)):
    return [judge(registration, picture(n), PATIENT, kind) for n in range(count) for kind in kinds]


def by_title(lines):
    return {each.title: each for each in lines}


def test_a_sound_registration_keeps_every_bar_but_that_of_intervals_that_are_too_wide():
    trials = judged(OffBy(0.1))
    assert all(row.kept for row in rows(trials))
    assert by_title(rows(trials))["in plane, one view (mm)"].median == pytest.approx(0.1)
    assert all("intervals" in title for title in missed_bars(trials))
    assert "| in plane, one view (mm) | 20 | 0.10 | 0.15 | 0.10 | 0.6 | yes |" in result_text(trials)


def test_an_error_beyond_the_limit_is_no_success_and_breaks_the_row():
    trials = judged(OffBy(0.7))
    assert not by_title(rows(trials))["in plane, one view (mm)"].kept
    assert by_title(shares(trials))["success, one view from its name"].value == 0.0


def test_one_in_twenty_may_be_far_off_and_two_may_not():
    row = Row("x", (0.1,) * 19 + (50.0,), 0.2, 0.5)
    assert row.kept
    assert not Row("x", (0.1,) * 18 + (50.0, 50.0), 0.2, 0.5).kept
    assert not Row("x", (0.1,) * 18 + (float("inf"),) * 2, 0.2, 0.5).kept
    assert not Row("x", (), 0.2, 0.5).kept


def test_intervals_must_hold_the_truth_in_90_to_99_of_100():
    # only one of the six numbers is wrong at all: 6 of 20 too narrow are 6 of 120 missed
    trials = judged(OffBy(0.1, width=0.2), 14, (NEAR,)) + judged(OffBy(0.1, width=0.05), 6, (NEAR,))
    line = by_title(shares(trials))["95 % intervals hold the truth, all quantities"]
    assert line.value == pytest.approx(0.95)
    assert line.kept
    by_quantity = by_title(coverage_lines(trials))
    assert by_quantity["95 % intervals hold the truth, column_mm"].value == pytest.approx(0.7)
    assert by_quantity["95 % intervals hold the truth, row_mm"].value == 1.0
    assert not by_title(shares(judged(OffBy(0.1, width=0.05))))["95 % intervals hold the truth, all quantities"].kept


def test_a_wrong_picture_called_converged_counts_and_one_called_doubtful_does_not():
    wrong = [picture(n, wrong="mirrored") for n in range(10)]
    for verdict, share in (("converged", 1.0), ("doubtful", 0.0), ("failed", 0.0)):
        trials = [judge(OffBy(verdict=verdict), each, PATIENT, WRONG) for each in wrong]
        assert by_title(shares(trials))["wrong pictures called converged"].value == share


def test_a_pose_far_off_is_a_wrong_result_only_when_it_is_called_converged():
    title = "right pictures, grossly wrong and called converged"
    assert by_title(shares(judged(OffBy(5.0))))[title].value == 1.0
    assert by_title(shares(judged(OffBy(5.0, verdict="doubtful"))))[title].value == 0.0
    assert is_gross(judged(OffBy(5.0))[0])


class CupOffBy(OffBy):
    """Also finds the cup, off by an inclination, and states intervals of 1 deg and 1 mm."""

    def __init__(self, inclination_deg, cup_verdict="converged"):
        super().__init__()
        self.inclination_deg, self.cup_verdict = inclination_deg, cup_verdict

    def one_view(self, picture, patient, start):
        axis = rotation_matrix(SCANNER.posterior, self.inclination_deg) @ picture.cup.opening_axis_lps
        return replace(
            super().one_view(picture, patient, start),
            cup=replace(picture.cup, opening_axis_lps=axis),
            cup_verdict=self.cup_verdict,
            cup_half_width_95=dict.fromkeys(CUP_QUANTITIES, 1.0),
        )


def cup_trials(registration, count=10):
    cup = Cup(Side.RIGHT, HIP, (-0.64, 0.0, -0.77), 52.0)
    return [judge(registration, picture(n, cup=cup), PATIENT, NAME) for n in range(count)]


def test_a_cup_far_off_is_a_wrong_result_only_when_it_is_called_converged():
    title = "cups grossly wrong and called converged"
    for off_deg, verdict, share in ((2.0, "converged", 0.0), (3.0, "converged", 1.0), (3.0, "doubtful", 0.0)):
        assert by_title(shares(cup_trials(CupOffBy(off_deg, verdict))))[title].value == share


def test_the_intervals_of_a_cup_are_counted_by_quantity():
    trials = cup_trials(CupOffBy(0.5), 7) + cup_trials(CupOffBy(1.5), 3)
    assert by_title(shares(trials))["95 % intervals hold the truth, cup"].value == pytest.approx(1.0 - 3 / 40)
    assert by_title(coverage_lines(trials))["95 % intervals hold the truth, cup's inclination_deg"].value == 0.7
    assert by_title(rows(trials))["cup inclination (deg)"].high == pytest.approx(1.5, abs=0.01)


def test_a_cup_that_was_not_measured_is_counted_though_it_has_no_error():
    trials = cup_trials(CupOffBy(0.5), 3) + cup_trials(OffBy(), 1)
    assert len(by_title(rows(trials))["cup inclination (deg)"].values) == 3
    assert by_title(further_shares(trials))["cups and reamers that were measured at all"].value == pytest.approx(0.75)


def test_no_pose_is_infinitely_wrong():
    class Gives:
        def one_view(self, picture, patient, start):
            return Found(None, "failed")

    trials = judged(Gives())
    assert by_title(rows(trials))["depth, one view (mm)"].median == np.inf
    assert "inf" in result_text(trials)


def test_depth_is_left_out_where_the_stated_scale_is_wrong():
    scaled = replace(picture().contents, scale_error=1.03)
    trials = [judge(OffBy(), picture(contents=scaled), PATIENT, NEAR), judge(OffBy(), picture(1), PATIENT, NEAR)]
    table = by_title(rows(trials))
    assert len(table["depth, one view (mm)"].values) == 1
    assert len(table["tilt and axial rotation, one view (deg)"].values) == 4


def test_under_a_wrong_camera_a_doubt_must_be_shown():
    for doubts, kept in (((), False), (("the distance doesn't fit",), True)):
        trials = [judge(OffBy(doubts=doubts), picture(), PATIENT, CAMERA)]
        assert camera_lines(trials)[1].kept is kept


def test_a_folder_is_judged_picture_by_picture_and_set_by_set(tmp_path, monkeypatch):
    small = replace(picture().scaled_down(10), cup=None)
    motion = tuple(tuple(row) for row in np.eye(4).tolist())
    for number in range(3):
        write_picture(replace(small, name=f"A{number:02d}"), tmp_path)
    for number in (1, 2):
        write_picture(replace(small, name=f"p-{number}", pairing=Pairing("p", number, motion)), tmp_path / "pairs")
    write_picture(replace(small, name="camera"), tmp_path / "camera")
    write_picture(replace(small, name="knee", wrong="a knee"), tmp_path / "wrong")
    monkeypatch.setattr(judging, "load_patient", lambda name, folder: PATIENT)

    class Tells:
        def one_view(self, picture, patient, start):
            assert patient.name == picture.subject
            return Found(None if picture.wrong else picture.true_carm, "failed" if picture.wrong else "converged")

        def two_views(self, first, second, motion, patient, start):
            return Found(first.true_carm, "converged")

    trials = list(judging.judge_folder(Tells(), tmp_path, tmp_path))
    # wrong: the knee, and each picture mirrored
    usual = {NEAR: 3, NAME: 3, FAR: 3, CAMERA: 1, judging.PAIR: 1, judging.POOR_PAIR: 1, WRONG: 4}
    assert Counter(each.kind for each in trials) == usual
    assert all(each.success for each in trials)
    assert len(list(judging.judge_folder(Tells(), tmp_path, tmp_path, limit=1))) == 3 + 1 + 2 + 2


def test_a_pose_turned_about_the_patients_length_rolls_the_table_too_far_by_as_much():
    level = c_arm()
    straight = picture(true_carm=level, nominal_carm=level)
    turned = level.moved(about(HIP, rotation_matrix(level.row_direction_lps, 2.0), np.zeros(3)))
    errors = move_errors_deg(turned, straight, PATIENT)
    assert errors["table_roll_deg"] == pytest.approx(2.0)
    assert errors["cranial_deg"] == pytest.approx(0.0, abs=1e-9)
    assert errors["picture_turn_deg"] == pytest.approx(0.0, abs=1e-9)
    assert set(move_errors_deg(None, straight, PATIENT).values()) == {np.inf}


def test_starts_are_off_as_far_as_their_names_say_and_the_same_each_time():
    for kind, size in ((NEAR, 10.0), (FAR, 20.0)):
        start = start_of(picture(), kind)
        assert np.linalg.norm(turns_deg(start, TRUE)) == pytest.approx(size)
        assert np.array_equal(start.source_lps_mm, start_of(picture(), kind).source_lps_mm)
    named = picture()
    assert start_of(named, NAME) is named.nominal_carm


def test_patients_shared_out_over_several_calls_give_the_same_trials(tmp_path, monkeypatch):
    small = replace(picture().scaled_down(10), cup=None)
    for subject in "AC":
        write_picture(replace(small, name=f"{subject}00", subject=subject), tmp_path)
        write_picture(replace(small, name=f"camera-{subject}", subject=subject), tmp_path / "camera")
        write_picture(replace(small, name=f"knee-{subject}", subject=subject, wrong="a knee"), tmp_path / "wrong")
    monkeypatch.setattr(
        judging, "load_patient", lambda name, folder: SimpleNamespace(**{**vars(PATIENT), "name": name})
    )
    monkeypatch.setattr(judging, "as_if_of", lambda each, patient: replace(each, subject=patient.name, wrong="other"))

    class FindsIt:
        def one_view(self, picture, patient, start):
            return Found(picture.true_carm, "converged")

    def trials(subjects):
        found = judging.judge_folder(FindsIt(), tmp_path, tmp_path, subjects=subjects)
        return [(each.picture, each.kind, each.wrong) for each in found]

    assert sorted(trials(None)) == sorted([*trials(["A"]), *trials(["C"])])
    # three starts, the camera, the knee, the picture mirrored, and the other patient's picture
    assert len(trials(None)) == 2 * 7


def test_fewer_pictures_may_be_mirrored_and_mistaken_but_none_less_of_the_others(tmp_path, monkeypatch):
    small = replace(picture().scaled_down(10), cup=None)
    for number in range(3):
        write_picture(replace(small, name=f"A{number:02d}"), tmp_path)
    write_picture(replace(small, name="knee", wrong="a knee"), tmp_path / "wrong")
    monkeypatch.setattr(judging, "load_patient", lambda name, folder: PATIENT)

    class FindsIt:
        def one_view(self, picture, patient, start):
            return Found(picture.true_carm, "converged")

    trials = list(judging.judge_folder(FindsIt(), tmp_path, tmp_path, most_wrong=1))
    assert Counter(each.wrong for each in trials) == {"": 9, "a knee": 1, "mirrored": 1}


def test_a_kept_result_is_not_asked_for_again_unless_the_start_is_another(tmp_path):
    class Counts(OffBy):
        asked = 0

        def one_view(self, picture, patient, start):
            self.asked += 1
            return super().one_view(picture, patient, start)

    counts = Counts(0.1)
    keeping = Keeping(counts, tmp_path)
    first = [judge(keeping, picture(), PATIENT, kind) for kind in (NEAR, FAR)]
    again = [judge(keeping, picture(), PATIENT, kind) for kind in (NEAR, FAR)]
    assert counts.asked == 2
    assert [each.error for each in again] == [each.error for each in first]
    judge(keeping, picture(1), PATIENT, NEAR)
    assert counts.asked == 3


def test_what_was_not_done_is_counted_and_stands_in_no_row(tmp_path):
    keeping = Keeping(OffBy(0.1), tmp_path)
    judge(keeping, picture(), PATIENT, NEAR)
    trials = [judge(replace(keeping, only_kept=True), picture(), PATIENT, kind) for kind in (NEAR, FAR)]
    assert [each.kind for each in trials] == [NEAR, NOT_DONE]
    assert len(by_title(rows(trials))["in plane, one view (mm)"].values) == 1
    assert not any("inf" in line for line in result_text(trials).splitlines())
