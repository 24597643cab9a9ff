from types import SimpleNamespace

import numpy as np
import pytest
from cotyle.cup.component import Cup
from cotyle_platform.scene import parts
from cotyle_platform.scene.axes import points_to_lps
from cotyle_platform.scene.plan_scene import PlanScene
from cotyle_platform.web.found_in_bone import FoundInBone
from cotyle_platform.web.panels.desk import desk_of
from slicer import vtkMRMLScene
from vtkmodules.util.numpy_support import vtk_to_numpy

from tests.platform_plugin.scene.small_case import small_case


class State(dict):
    """State of a page that is not served."""

    __getattr__, __setattr__ = dict.__getitem__, dict.__setitem__

    def __enter__(self):
        return self

    def __exit__(self, *_):
        pass


class Session:
    """As much of a session as is looked at."""

    def __init__(self, plan):
        self.plan, self.revision, self.listeners = plan, 3, []

    def subscribe(self, listener):
        self.listeners.append(listener)


@pytest.fixture
def shown(tmp_path):
    case = small_case(tmp_path)
    scene = PlanScene(vtkMRMLScene(), case)
    scene.show(case.plan)
    yield case, scene
    scene.close()


def points(scene):
    data = scene.node(parts.FOUND).GetPolyData()
    return points_to_lps(vtk_to_numpy(data.GetPoints().GetData()))


def test_a_found_cup_is_drawn_where_it_was_found_and_the_planned_one_stays(shown):
    case, scene = shown
    planned = scene.node(parts.CUP)
    assert parts.FOUND not in scene.parts
    cup = Cup(case.plan.side, np.array([10.0, 20.0, 30.0]), np.array([0.6, -0.3, -0.7]), 52.0)
    scene.show_found(cup)
    np.testing.assert_allclose(np.linalg.norm(points(scene) - cup.center_lps_mm, axis=1), 26.0, atol=1e-4)
    display = scene.node(parts.FOUND).GetDisplayNode()
    assert display.GetVisibility()
    assert display.GetVisibility2D()
    assert display.GetColor() != planned.GetDisplayNode().GetColor()
    scene.show_found(None)
    assert not display.GetVisibility()


def test_it_follows_the_desk_and_its_words_say_of_which_plan_it_is(shown):
    case, scene = shown
    session, state = Session(case.plan), State(bone_shown=[parts.FOUND])
    bone = SimpleNamespace(scene=scene, set_shown=lambda part, on: scene.set_shown(part, on))
    FoundInBone(bone, session, state)
    assert state.bone_found == ""
    found = SimpleNamespace(center_lps_mm=(1.0, 2.0, 3.0), opening_axis_lps=(0.6, -0.3, -0.7), outer_diameter_mm=50.0)
    desk_of(session).compared(SimpleNamespace(cup=found), session.revision, "cup found in pictures (doubtful)")
    assert state.bone_found == "cup found in pictures (doubtful)"
    assert scene.node(parts.FOUND).GetDisplayNode().GetVisibility()
    session.revision += 1
    for listener in session.listeners:
        listener("plan", session.revision)
    assert state.bone_found.endswith("of an earlier plan")
    desk_of(session).compared(None, -1)
    assert state.bone_found == ""
    assert not scene.node(parts.FOUND).GetDisplayNode().GetVisibility()
