"""The table: bars, shares and what counts as a wrong result, on registrations whose errors are known beforehand."""

from dataclasses import replace

import numpy as np
import pytest
from cotyle.space.rotations import rigid_matrix
from cotyle.space.side import Side
from cotyle.xray.views import ViewName

from tests.validation.theatre.effects import Physics, Screen
from tests.validation.theatre.judging import CAMERA, FAR, NAME, NEAR, WRONG, judge, start_of
from tests.validation.theatre.picture import Contents, TheatrePicture
from tests.validation.theatre.pose_errors import Found, turns_deg
from tests.validation.theatre.scene import Tool
from tests.validation.theatre.table import Row, camera_lines, is_gross, rows, shares
from tests.validation.theatre.test_pose_errors import HIP, TRUE
from tests.validation.theatre.validate import missed_bars, result_text

SEEN = np.ones((750, 750), dtype=bool)


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
    return [judge(registration, picture(n), None, kind) for n in range(count) for kind in kinds]


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
    trials = judged(OffBy(0.1, width=0.2), 19, (NEAR,)) + judged(OffBy(0.1, width=0.05), 1, (NEAR,))
    line = by_title(shares(trials))["95 % intervals hold the truth, column_mm"]
    assert line.value == pytest.approx(0.95)
    assert line.kept
    assert not by_title(shares(judged(OffBy(0.1, width=0.05))))["95 % intervals hold the truth, column_mm"].kept


def test_a_wrong_picture_called_converged_counts_and_one_called_doubtful_does_not():
    wrong = [picture(n, wrong="mirrored") for n in range(10)]
    for verdict, share in (("converged", 1.0), ("doubtful", 0.0), ("failed", 0.0)):
        trials = [judge(OffBy(verdict=verdict), each, None, WRONG) for each in wrong]
        assert by_title(shares(trials))["wrong pictures called converged"].value == share


def test_a_pose_far_off_is_a_wrong_result_only_when_it_is_called_converged():
    title = "right pictures, grossly wrong and called converged"
    assert by_title(shares(judged(OffBy(5.0))))[title].value == 1.0
    assert by_title(shares(judged(OffBy(5.0, verdict="doubtful"))))[title].value == 0.0
    assert is_gross(judged(OffBy(5.0))[0])


def test_no_pose_is_infinitely_wrong():
    class Gives:
        def one_view(self, picture, patient, start):
            return Found(None, "failed")

    trials = judged(Gives())
    assert by_title(rows(trials))["depth, one view (mm)"].median == np.inf
    assert "inf" in result_text(trials)


def test_depth_is_left_out_where_the_stated_scale_is_wrong():
    scaled = replace(picture().contents, scale_error=1.03)
    trials = [judge(OffBy(), picture(contents=scaled), None, NEAR), judge(OffBy(), picture(1), None, NEAR)]
    table = by_title(rows(trials))
    assert len(table["depth, one view (mm)"].values) == 1
    assert len(table["tilt and axial rotation, one view (deg)"].values) == 4


def test_under_a_wrong_camera_a_doubt_must_be_shown():
    for doubts, kept in (((), False), (("the distance doesn't fit",), True)):
        trials = [judge(OffBy(doubts=doubts), picture(), None, CAMERA)]
        assert camera_lines(trials)[1].kept is kept


def test_starts_are_off_as_far_as_their_names_say_and_the_same_each_time():
    for kind, size in ((NEAR, 10.0), (FAR, 20.0)):
        start = start_of(picture(), kind)
        assert np.linalg.norm(turns_deg(start, TRUE)) == pytest.approx(size)
        assert np.array_equal(start.source_lps_mm, start_of(picture(), kind).source_lps_mm)
    named = picture()
    assert start_of(named, NAME) is named.nominal_carm
