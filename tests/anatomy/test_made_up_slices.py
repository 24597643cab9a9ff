"""Bone in made-up slices is less sure and said to be; bone elsewhere stays as it was."""

from types import SimpleNamespace

import numpy as np
import pytest
from cotyle.anatomy.edge_spread import widened_landmarks
from cotyle.anatomy.findings import Concern, Grade
from cotyle.anatomy.landmarks import Landmark, Origin, given
from cotyle.anatomy.made_up_slices import less_sure, made_up_findings, stretch_at
from cotyle.anatomy.segmentation.edge_confidence import CLEAR_SD_MM, Edge, EdgeConfidence
from cotyle.case.anatomy_stages import answered
from cotyle.image.made_up import MadeUp
from cotyle.space.side import Side

from tests.space.solids import sphere

GAP = MadeUp((0.0, 0.0, 1.0), 20.0, 23.0, 3.0, 1.0, 2, "z = 20.00 and 23.00 mm")


def ball(kind=Edge.CLEAR):
    mesh = sphere(25.0)
    count = len(mesh.vertices_lps_mm)
    return {"left_hip_bone": mesh}, {"left_hip_bone": EdgeConfidence(np.full(count, kind), np.full(count, CLEAR_SD_MM))}


def test_edges_in_a_gap_are_called_made_up_and_no_others_change():
    surfaces, edges = ball()
    found = less_sure(edges, surfaces, (GAP,))["left_hip_bone"]
    z = surfaces["left_hip_bone"].vertices_lps_mm[:, 2]
    within = (z > 20.0) & (z < 23.0)
    assert within.sum() > 20
    assert (found.kind[within] == Edge.MADE_UP).all()
    assert (found.kind[~within] == Edge.CLEAR).all()
    assert (found.sd_mm[~within] == edges["left_hip_bone"].sd_mm[~within]).all()


def test_an_edge_is_the_less_sure_the_more_it_faces_along_the_slices_normal():
    """At z the normal of a ball of 25 mm leans by z / 25: closed form, in half precision."""
    surfaces, edges = ball()
    sd = less_sure(edges, surfaces, (GAP,))["left_hip_bone"].spread_mm
    z = surfaces["left_hip_bone"].vertices_lps_mm[:, 2]
    row = int(np.argmin(np.abs(z - 21.5)))
    expected = np.sqrt(CLEAR_SD_MM**2 + (z[row] / 25) ** 2 * 8 / 12 + 0.05**2)
    assert sd[row] == pytest.approx(expected, rel=0.02)
    side_on = less_sure(edges, surfaces, (MadeUp((0, 0, 1.0), -1.0, 2.0, 3.0, 1.0, 2, "z"),))["left_hip_bone"].spread_mm
    assert side_on.max() < 0.2


def test_a_drawn_or_hidden_edge_keeps_its_kind_and_is_less_sure_too():
    surfaces, edges = ball(Edge.DRAWN)
    found = less_sure(edges, surfaces, (GAP,))["left_hip_bone"]
    assert (found.kind == Edge.DRAWN).all()
    assert found.spread_mm.max() > 0.7


def test_without_a_gap_nothing_changes():
    surfaces, edges = ball()
    assert less_sure(edges, surfaces, ()) == edges


def test_a_landmark_found_in_a_gap_is_less_sure_and_named_and_a_given_one_is_not():
    surfaces, edges = ball()
    top = surfaces["left_hip_bone"].vertices_lps_mm
    place = top[np.argmin(np.abs(top[:, 2] - 21.5))]
    marks = {
        "asis_left": Landmark("asis_left", place, Origin.DETECTED, 0.5),
        "asis_right": given("asis_right", place, 2.0),
        "teardrop_left": Landmark("teardrop_left", np.array([0, 0, -25.0]), Origin.DETECTED, 0.5),
    }
    wider = widened_landmarks(marks, surfaces, less_sure(edges, surfaces, (GAP,)))
    assert wider["asis_left"].uncertainty_mm > 0.8
    assert wider["teardrop_left"].uncertainty_mm == pytest.approx(0.5, abs=0.01)
    (found,) = made_up_findings(marks, {}, (GAP,))
    assert found.landmarks == ("asis_left",)
    assert found.concerns == (Concern.FRAME,)


def test_a_socket_that_a_gap_crosses_is_doubtful_and_one_beside_it_is_not():
    at = {Side.LEFT: (100.0, 0.0, 0.0), Side.RIGHT: (-100.0, 0.0, 60.0)}
    sockets = {side: SimpleNamespace(center_lps_mm=np.array(place), diameter_mm=50.0) for side, place in at.items()}
    (found,) = made_up_findings({}, sockets, (GAP,))
    assert found.side is Side.LEFT
    assert found.code == "socket-made-up"
    assert "between z = 20.00 and 23.00 mm" in found.text
    assert {Concern.CENTER, Concern.WALL, Concern.COVERAGE} <= set(found.concerns)


def test_no_plan_is_made_on_a_socket_that_a_gap_crosses_which_is_wider_than_slices_may_be_thick():
    socket = SimpleNamespace(center_lps_mm=np.array([100.0, 0.0, 0.0]), diameter_mm=50.0)
    wide = MadeUp((0.0, 0.0, 1.0), -4.0, 0.0, 4.0, 1.0, 3, "z = -4.00 and 0.00 mm")
    found = {each.code: each for each in made_up_findings({}, {Side.LEFT: socket}, (GAP, wide))}
    assert found["socket-made-up"].grade is Grade.CHECK
    stopped = found["socket-not-shown"]
    assert stopped.grade is Grade.CANNOT_PLAN
    assert "between z = -4.00 and 0.00 mm" in stopped.text
    assert "z = 20.00" not in stopped.text
    # no clicked centre shows the bone; labels of somebody who drew it do
    assert answered(stopped, {"hip_center_left"}, frozenset()).grade is Grade.CANNOT_PLAN
    assert answered(stopped, set(), frozenset({"left_hip_bone"})).grade is Grade.CHECK


def test_a_place_knows_its_gap():
    assert stretch_at(np.array([1.0, 2.0, 21.0]), (GAP,)) is GAP
    assert stretch_at(np.array([1.0, 2.0, 19.0]), (GAP,)) is None
