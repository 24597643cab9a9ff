from __future__ import annotations

import numpy as np
import pytest
from cotyle.space.frames import SCANNER
from cotyle.space.shapes import Circle
from cotyle.space.side import Side
from cotyle.xray.carm import Tube, from_positioner
from cotyle.xray.overlay import bony_lines, bony_points, dome_lines, px_per_mm, reamer_lines
from cotyle.xray.reaming_cues import Sight

CENTER = np.array([90.0, 0.0, 0.0])
LANDMARKS = {
    "teardrop_left": (60.0, -5.0, -25.0),
    "teardrop_right": (-60.0, -5.0, -25.0),
    "superolateral_rim_left": (115.0, 5.0, 20.0),
    "si_joint_inferior_left": (40.0, 50.0, 30.0),
    "asis_left": (120.0, -60.0, 80.0),
}


def view(**changes):
    kept = {name: point for name, point in LANDMARKS.items() if name not in changes.get("without", ())}
    carm = from_positioner(
        (0, 0, 0),
        0,
        0,
        frame=SCANNER,
        source_detector_mm=1000,
        source_isocenter_mm=700,
        pixel_pitch_mm=(1, 1),
        size=(401, 401),
        tube=Tube.UNDER_TABLE,
    )
    return Sight(carm, Side.LEFT, kept, changes.get("ilioischial"))


def rim(inclination=45.0, radius=26.0):
    turn = np.deg2rad(inclination)
    return Circle(CENTER, np.array([np.sin(turn), 0.0, -np.cos(turn)]), radius)


def test_points_lie_where_central_projection_puts_them():
    # the isocentre is 700 mm from the source: what lies in its plane is enlarged by 1000 / 700
    points = bony_points(view())
    assert set(points) == set(LANDMARKS) - {"asis_left"}
    depth = 700.0 + 5.0  # 5 mm in front of the isocentre, away from a tube under the table
    assert points["teardrop_left"] == pytest.approx([200 + 60 * 1000 / depth, 200 + 25 * 1000 / depth])


def test_lines_join_the_landmarks_and_go_without_those_that_are_unknown():
    assert set(bony_lines(view())) == {"teardrops", "teardrop_to_rim"}
    assert set(bony_lines(view(without=("teardrop_right",)))) == {"teardrop_to_rim"}
    assert bony_lines(view(without=("teardrop_left",))) == {}
    line = np.array([[1.0, 2.0], [3.0, 4.0]])
    assert bony_lines(view(ilioischial=line))["ilioischial"] is line
    assert "ilioischial" not in bony_lines(view(ilioischial=line), primary_deg=-45.0)


def test_a_dome_is_drawn_by_outline_rim_and_long_axis():
    lines = dome_lines(view().carm, rim())
    assert set(lines) == {"outline", "rim", "long_axis"}
    # every point of the rim lies within the outline's box, and both ends of its long axis on the rim
    low, high = lines["outline"].min(axis=0), lines["outline"].max(axis=0)
    assert (lines["rim"] >= low - 0.5).all()
    assert (lines["rim"] <= high + 0.5).all()
    for end in lines["long_axis"]:
        assert np.linalg.norm(lines["rim"] - end, axis=1).min() < 1.0


def test_the_reamers_axis_starts_in_its_mouth_and_runs_inwards():
    lines = reamer_lines(view(), rim())
    assert lines["axis"][0] == pytest.approx(view().carm.project(CENTER))
    assert lines["axis"][1][0] < lines["axis"][0][0]
    assert lines["axis"][1][1] < lines["axis"][0][1]
    assert lines["at_joint"][0] == pytest.approx(bony_points(view())["si_joint_inferior_left"])
    assert "at_joint" not in reamer_lines(view(without=("si_joint_inferior_left",)), rim())


def test_nothing_is_drawn_of_what_is_not_in_front_of_the_source():
    behind = Circle(np.array([0.0, 800.0, 0.0]), np.array([0.0, 0.0, -1.0]), 26.0)
    assert dome_lines(view().carm, behind) == {}
    assert reamer_lines(view(), behind) == {}


def test_the_scale_is_that_of_the_plane_through_the_point():
    # similar triangles: 1000 / 705 on a detector of 1 mm pixels
    assert px_per_mm(view().carm, np.array([60.0, -5.0, 0.0])) == pytest.approx(1000 / 705)
