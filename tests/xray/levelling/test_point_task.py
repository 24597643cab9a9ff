"""What is known of a surveyed pelvis goes into the fit; a contour lost from sight keeps its place."""

from types import SimpleNamespace

import numpy as np
import pytest
from cotyle.anatomy.findings import Finding
from cotyle.anatomy.pelvis import build_pelvis
from cotyle.errors import InputError
from cotyle.space.side import Side
from cotyle.xray.levelling.point_task import PointTask, known_of
from cotyle.xray.registration.motion import Handle

from tests.anatomy.pelves import subject
from tests.xray.levelling.clicked_pelves import FORAMINA, TEARDROPS, Errors, clicks_of, nominal, pelvis


def surveyed(*codes):
    surfaces, _ = subject(1)
    landmarks = pelvis(1).landmarks
    doubts = tuple(Finding(code, "text") for code in codes)
    return SimpleNamespace(landmarks=landmarks, pelvis=build_pelvis(landmarks), doubts=doubts), surfaces


def test_a_surveyed_pelvis_tells_landmarks_frame_bones_and_an_asymmetric_ring():
    survey, surfaces = surveyed("ring-asymmetric")
    known = known_of(survey, surfaces, "app")
    assert known.frame.name == "app"
    assert known.landmarks is survey.landmarks
    assert known.hip_bones[Side.LEFT] is surfaces["left_hip_bone"]
    assert known.sacrum is surfaces["sacrum"]
    assert known.asymmetric_ring
    assert not known_of(*surveyed()).asymmetric_ring


def test_a_frame_that_the_pelvis_does_not_have_is_refused():
    with pytest.raises(InputError) as caught:
        known_of(*surveyed(), "sitting")
    assert caught.value.code == "levelling-frame"


def test_a_contour_lost_from_sight_keeps_the_point_last_seen():
    known = pelvis(1)
    carm = nominal(known)
    clicks = clicks_of(carm, known, (*TEARDROPS, *FORAMINA), np.random.default_rng(1), Errors(0.0, places=False))
    task = PointTask(known, carm, clicks, Handle(known.landmarks["hip_center_left"].lps_mm, np.eye(3)))
    seen = task._contours(carm, list(clicks))
    see = task._see(list(clicks), seen)
    before = {each.name: each.lps_mm for each in see(carm)}
    # the steepest inlet closes the foramen
    away = task.handle.moved(carm, np.array([-50.0, 0.0, 0.0, 0.0, 0.0, 0.0]))
    assert not task._contours(away, list(clicks))
    after = {each.name: each.lps_mm for each in see(away)}
    assert before.keys() == after.keys()
    for name in FORAMINA:
        np.testing.assert_allclose(after[name], before[name])
