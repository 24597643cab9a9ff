"""The module's own logic and test, run on the platform's core packages with a stand-in for its base classes."""

import importlib.util
import sys
import unittest
from pathlib import Path

import numpy as np
import pytest

pytest.importorskip("slicer", reason="the viewer's packages are not installed")
core = pytest.importorskip("trame_slicer.core")

from tests.platform_plugin.desktop import stand_in  # noqa: E402

MODULE = Path(__file__).parents[3] / "platform_plugin/desktop/CupPlanning"


@pytest.fixture
def module(monkeypatch):
    """The module as the application would load it, on an empty scene."""
    app = core.SlicerApp()
    undo = stand_in.installed(app.scene)
    monkeypatch.setattr(sys, "path", list(sys.path))
    spec = importlib.util.spec_from_file_location("CupPlanning", MODULE / "CupPlanning.py")
    loaded = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(loaded)
    yield loaded
    undo()


def test_the_application_is_told_what_the_module_is(module):
    listed = module.CupPlanning(stand_in.parent())
    assert listed.parent.title == "Cup planning"
    assert "not a medical device" in listed.parent.helpText


@pytest.mark.slow
def test_the_modules_own_test_passes_on_a_planned_case(module, own_case, monkeypatch):
    monkeypatch.setenv("COTYLE_CASE", str(own_case))
    result = unittest.TextTestRunner(verbosity=0).run(module.CupPlanningTest("runTest"))
    assert result.testsRun == 1
    assert result.wasSuccessful(), [text for _, text in (*result.errors, *result.failures)]


def test_the_modules_own_test_runs_each_of_its_parts(module):
    names = set(unittest.TestLoader().getTestCaseNames(module.CupPlanningTest))
    assert names == {name for name in module.CupPlanningTest.runTest.__code__.co_names if name.startswith("test_")}


@pytest.mark.slow
def test_results_of_workers_reach_the_scene_only_when_the_window_takes_them_in(module, own_case):
    logic = module.CupPlanningLogic()
    logic.open(own_case)
    planning = logic.planning
    planning.set_value("depth", planning.value("depth") + 1.0)
    assert planning.session.settle(60)
    assert planning.picture.node("cavity") is None
    assert "measuring" in planning.words()[0]
    logic.take_in()
    assert planning.picture.node("cavity").GetPolyData().GetNumberOfPoints() > 100
    assert not any("measuring" in words for words in planning.words())
    assert len(planning.figures()) == 7
    logic.close()


@pytest.mark.slow
def test_a_number_that_makes_no_cup_is_told_in_one_line_and_nothing_changes(module, own_case):
    logic = module.CupPlanningLogic()
    logic.open(own_case)
    before = logic.planning.session.plan
    logic.planning.set_value("diameter", 200.0)
    assert logic.planning.failure
    assert "\n" not in logic.planning.failure
    assert logic.planning.session.plan == before
    logic.close()


@pytest.mark.slow
def test_a_landmark_is_moved_by_hand_and_one_that_is_refused_goes_back(module, own_case):
    logic = module.CupPlanningLogic()
    logic.open(own_case)
    planning = logic.planning
    assert logic.landmarks()["asis_right"] == "right ASIS (anterior superior iliac spine)"
    planning.picture.choose_landmark("asis_right")
    before = np.array(point(planning, "asis_right"))
    let_go(planning, "asis_right", before + [0.0, 0.0, 900.0])
    assert "moved" in planning.words()[0]
    assert planning.session.settle(60)
    logic.take_in()
    assert "landmark-outside" in planning.failure
    np.testing.assert_allclose(point(planning, "asis_right"), before, atol=1e-6)
    let_go(planning, "asis_right", before + [0.0, 6.0, 4.0])
    assert planning.session.settle(60)
    logic.take_in()
    assert planning.failure == ""
    assert planning.session.anatomy.landmarks["asis_right"].origin == "given"
    logic.close()


def point(planning, name):
    """Return where the scene shows a landmark, in its own axes."""
    node = planning.picture.node("landmarks")
    return node.GetNthControlPointPosition(node.GetControlPointIndexByLabel(name))


def let_go(planning, name, place):
    """Do what a hand does that drags a point and lets it go."""
    node = planning.picture.node("landmarks")
    index = node.GetControlPointIndexByLabel(name)
    node.SetNthControlPointPosition(index, *place)
    node.GetDisplayNode().SetActiveControlPoint(index)
    node.InvokeEvent(node.PointEndInteractionEvent)
