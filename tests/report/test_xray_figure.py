"""What is drawn over a simulated view is there by projection: cup, reamer, bones, lines and points of the cues."""

import numpy as np
import pytest
from cotyle.case.simulated import view_of
from cotyle.case.stages import plan_cup
from cotyle.case.store import read_case
from cotyle.report.bone_edges import bone_edges_px
from cotyle.report.xray_figure import drawn_over
from cotyle.xray.outlines import circle_points


@pytest.fixture(scope="module")
def planned(planned_case):
    stored = read_case(planned_case.folder)
    return plan_cup(stored.anatomy, stored.scan, stored.plan)


@pytest.mark.parametrize("name", ["ap_pelvis", "ap_hip", "inlet", "iliac_oblique", "cross_table_lateral"])
def test_cup_reamer_bones_and_landmarks_are_drawn_over_every_view(planned, name):
    view = view_of(planned, name)
    over = drawn_over(planned, view)
    for lines, rim in ((over.cup, planned.cup.rim), (over.reamer, None)):
        assert {"outline", "rim"} <= set(lines)
        if rim is not None:
            # the exact ellipse of the rim against its projected points
            points = view.carm.project(circle_points(rim, 72))
            gaps = np.linalg.norm(points[:, None] - lines["rim"][None], axis=-1).min(axis=1)
            assert gaps.max() < np.linalg.norm(np.diff(lines["rim"], axis=0), axis=1).max()
    side = planned.plan.side
    for mark in ("teardrop", "superolateral_rim", "si_joint_inferior"):
        point = view.carm.project(planned.anatomy.landmarks[f"{mark}_{side}"].lps_mm)
        np.testing.assert_allclose(over.points[f"{mark}_{side}"], point)
    assert len(over.edges) >= 3
    assert ("ilioischial" in over.bony_lines) <= (abs(view.primary_deg) <= 20)
    assert {"teardrops", "teardrop_to_rim"} <= set(over.bony_lines)


def test_the_ilioischial_line_is_drawn_on_the_views_that_cues_are_read_from(planned):
    for name in ("ap_pelvis", "ap_hip"):
        assert "ilioischial" in drawn_over(planned, view_of(planned, name)).bony_lines


def test_edges_of_a_bone_lie_on_the_border_of_its_projected_points(planned):
    view = view_of(planned, "ap_pelvis")
    sacrum = view.carm.project(planned.anatomy.surfaces["sacrum"].vertices_lps_mm)
    edges = np.concatenate(bone_edges_px(view.carm, planned.anatomy.surfaces, ["sacrum"]))
    # within a triangle's side of the outermost vertices on each side
    for axis in (0, 1):
        assert edges[:, axis].min() == pytest.approx(sacrum[:, axis].min(), abs=4.0)
        assert edges[:, axis].max() == pytest.approx(sacrum[:, axis].max(), abs=4.0)
