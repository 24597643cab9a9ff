"""Planning of an acetabular cup in the desktop application. Research software, not a medical device."""

import os
import sys
import tempfile
from pathlib import Path

import slicer
from slicer.ScriptedLoadableModule import (
    ScriptedLoadableModule,
    ScriptedLoadableModuleLogic,
    ScriptedLoadableModuleTest,
    ScriptedLoadableModuleWidget,
)

HERE = Path(__file__).resolve().parent
# in a copy of the project, its own packages lie beside this folder; an installed cotyle needs no such help
for folder in (HERE, HERE.parents[1], HERE.parents[2] / "core", HERE.parents[2] / "sample_data"):
    if folder.is_dir() and str(folder) not in sys.path:
        sys.path.append(str(folder))

POLL_MS = 50


class CupPlanning(ScriptedLoadableModule):
    """What the application lists."""

    def __init__(self, parent):
        ScriptedLoadableModule.__init__(self, parent)
        self.parent.title = "Cup planning"
        self.parent.categories = ["Orthopedics"]
        self.parent.dependencies = []
        self.parent.contributors = ["The Cotyle authors"]
        self.parent.helpText = (
            "Plans the acetabular cup of a hip replacement on a case that 'cotyle plan' made. Research software, not a "
            "medical device: check every number; local codes and licensed practice decide."
        )
        self.parent.acknowledgementText = ""


class CupPlanningWidget(ScriptedLoadableModuleWidget):
    """The panel: it reads controls, calls the logic and shows what the logic says; it reckons nothing."""

    def setup(self):
        """Build the panel."""
        import qt

        ScriptedLoadableModuleWidget.setup(self)
        self.logic = CupPlanningLogic()
        panel = slicer.util.loadUI(self.resourcePath("UI/CupPlanning.ui"))
        panel.setMRMLScene(slicer.mrmlScene)
        self.layout.addWidget(panel)
        self.ui = slicer.util.childWidgetVariables(panel)
        self._sliders = {}
        self._filling = False
        self.ui.openButton.connect("clicked()", self.open_case)
        self.ui.undoButton.connect("clicked()", lambda: self.logic.planning.undo())
        self.ui.redoButton.connect("clicked()", lambda: self.logic.planning.redo())
        self.ui.saveButton.connect("clicked()", lambda: self.logic.planning.save())
        self.ui.planesBox.connect("currentIndexChanged(int)", self.set_planes)
        self.ui.reamerSlider.connect("valueChanged(double)", self.show_reamer)
        self.ui.handlesCheck.connect("toggled(bool)", lambda on: self.logic.planning.picture.set_handles(on))
        self.ui.cavityCheck.connect("toggled(bool)", lambda on: self.logic.planning.picture.show_cavity_alone(on))
        self.ui.landmarkBox.connect("currentIndexChanged(int)", self.choose_landmark)
        self.ui.planBox.enabled = False
        self._timer = qt.QTimer()
        self._timer.interval = POLL_MS
        self._timer.connect("timeout()", self.logic.take_in)

    def open_case(self):
        """Ask for missing packages, then open the folder that was chosen."""
        from CupPlanningLib import dependencies

        try:
            dependencies.ensure(lambda words: slicer.util.confirmOkCancelDisplay(words))
            self.logic.open(self.ui.caseFolder.currentPath)
        except (dependencies.DependencyError, self.logic.refusals()) as error:
            slicer.util.errorDisplay(str(error))
            return
        self._build_sliders()
        self.logic.planning.changed = self.refresh
        self._fill_boxes()
        self.ui.planBox.enabled = True
        self._timer.start()
        self.refresh()

    def refresh(self):
        """Show numbers, figures and words as they are now."""
        planning = self.logic.planning
        self._filling = True
        for name, slider in self._sliders.items():
            value = planning.value(name)
            slider.enabled = value is not None
            if value is not None:
                slider.value = value
        self.ui.reamerSlider.maximum = planning.way_length_mm
        self.ui.figuresLabel.text = self.logic.figures_text()
        self.ui.wordsLabel.text = "\n".join(planning.words())
        self.ui.failureLabel.text = planning.failure
        self.ui.undoButton.enabled = planning.session.can_undo
        self.ui.redoButton.enabled = planning.session.can_redo
        self.ui.saveButton.enabled = planning.session.unsaved
        self._filling = False

    def set_planes(self, index):
        """Set the slices to the axes chosen."""
        if not self._filling:
            self.logic.planning.slice_to(self.ui.planesBox.itemData(index))

    def show_reamer(self, way_mm):
        """Move the reamer along its way."""
        if not self._filling:
            self.logic.planning.show_reamer(way_mm)

    def choose_landmark(self, index):
        """Let one landmark be dragged."""
        if not self._filling:
            self.logic.planning.picture.choose_landmark(self.ui.landmarkBox.itemData(index) or None)

    def cleanup(self):
        """Let go of the case when the module goes away."""
        self._timer.stop()
        self.logic.close()

    def _build_sliders(self):
        import ctk

        for control in [] if self._sliders else self.logic.controls():
            slider = ctk.ctkSliderWidget()
            slider.minimum, slider.maximum, slider.singleStep = control.low, control.high, control.step
            slider.decimals, slider.suffix = 1, f" {control.unit}"
            slider.connect("valueChanged(double)", lambda value, name=control.name: self._set(name, value))
            self.ui.controlsBox.layout().addRow(control.words, slider)
            self._sliders[control.name] = slider

    def _fill_boxes(self):
        self._filling = True
        for box, items in ((self.ui.planesBox, self.logic.planes()), (self.ui.landmarkBox, self.logic.landmarks())):
            box.clear()
            for name, words in items.items():
                box.addItem(words, name)
        self._filling = False

    def _set(self, name, value):
        if not self._filling:
            self.logic.planning.set_value(name, value)


class CupPlanningLogic(ScriptedLoadableModuleLogic):
    """Opens and closes a case in the application's scene; works without a window."""

    def __init__(self):
        ScriptedLoadableModuleLogic.__init__(self)
        self.planning = None

    def open(self, folder):
        """Open a case folder in the scene; raises InputError for what is none."""
        from CupPlanningLib.planning import Planning

        self.close()
        self.planning = Planning(slicer.mrmlScene, Path(folder))

    def close(self):
        """Let go of the open case, if there is one."""
        if self.planning is not None:
            self.planning.close()
            self.planning = None

    def take_in(self):
        """Take in what workers have finished."""
        if self.planning is not None:
            self.planning.take_in()

    def controls(self):
        """Return the table of numbers a hand can change."""
        from cotyle_platform.web.controls import CONTROLS

        return CONTROLS

    def planes(self):
        """Return the axes slices can take: name to words."""
        from CupPlanningLib.planning import PLANES

        return PLANES

    def landmarks(self):
        """Return the landmarks that can be dragged, none first: name to words."""
        from cotyle_platform.web.landmark_words import in_order, mark_words

        session = self.planning.session
        names = in_order(session.landmarks, session.plan.side)
        return {"": "none is moved", **{name: mark_words(name) for name in names}}

    def figures_text(self):
        """Return the seven figures, one a line."""
        return "\n".join(f"{name}: {value}" for name, value in self.planning.figures())

    def refusals(self):
        """Return the kind of error that is told in one line."""
        from cotyle.errors import InputError

        return InputError


class CupPlanningTest(ScriptedLoadableModuleTest):
    """Plans on the case that COTYLE_CASE names, or on the sample, which takes a minute or two to make."""

    def runTest(self):  # noqa: N802 (the application's name for it)
        """Run all of it."""
        self.setUp()
        for test in (self.test_open_and_move, self.test_drag, self.test_save, self.test_refusal):
            test()

    def setUp(self):
        """Start from an empty scene."""
        slicer.mrmlScene.Clear(False)
        self.logic = CupPlanningLogic()

    def tearDown(self):
        """Leave no worker behind."""
        self.logic.close()

    def test_open_and_move(self):
        """A number that is set stands in the plan, in the figures and in the scene; undo brings the old one back."""
        planning = self._opened()
        before = planning.session.plan
        planning.set_value("inclination", 44.0)
        self.assertAlmostEqual(planning.value("inclination"), 44.0, places=6)
        self.assertEqual(planning.picture.plan_from_scene(), planning.session.plan)
        self.assertTrue(any("44" in value for name, value in planning.figures() if name == "Inclination"))
        planning.undo()
        self.assertEqual(planning.session.plan, before)
        self.assertEqual(planning.picture.plan_from_scene(), before)

    def test_drag(self):
        """Moving the cup's transform, as its handles do, moves the plan's cup as much; a drag is one step of undo."""
        import numpy as np
        import vtk

        planning = self._opened()
        center = np.array(planning.session.plan.cup.center_lps_mm)
        node, matrix = planning.picture.node("cup_place"), vtk.vtkMatrix4x4()
        node.GetMatrixTransformToParent(matrix)
        matrix.SetElement(2, 3, matrix.GetElement(2, 3) + 2.0)  # up is up in the scene as in the plan
        node.SetMatrixTransformToParent(matrix)
        moved = np.array(planning.session.plan.cup.center_lps_mm)
        self.assertLess(abs(moved - center - [0.0, 0.0, 2.0]).max(), 1e-6)
        matrix.SetElement(2, 3, matrix.GetElement(2, 3) + 1.0)
        node.SetMatrixTransformToParent(matrix)
        planning.undo()
        self.assertEqual(list(planning.session.plan.cup.center_lps_mm), list(center))

    def test_save(self):
        """What is saved is what was planned; it is saved in another folder, so that the case stays as it was."""
        planning = self._opened()
        planning.set_value("anteversion", 21.0)
        with tempfile.TemporaryDirectory() as folder:
            planning.session.save_as(Path(folder) / "saved")
            self.assertTrue(planning.session.settle(300))
            planning.take_in()
            self.assertEqual(planning.failure, "")
            plan = planning.session.plan
            self.logic.close()
            self.logic.open(Path(folder) / "saved")
            self.assertEqual(self.logic.planning.session.plan.cup, plan.cup)
            self.logic.close()

    def test_refusal(self):
        """A folder that is no case is told in one line and changes nothing."""
        with tempfile.TemporaryDirectory() as folder, self.assertRaises(self.logic.refusals()):
            self.logic.open(folder)

    def _opened(self):
        folder = os.environ.get("COTYLE_CASE") or self._sample()
        self.logic.open(folder)
        return self.logic.planning

    def _sample(self):
        from cotyle.cli.main import run

        folder = Path(tempfile.gettempdir()) / "cup-planning-sample"
        if not (folder / "plan.json").is_file():
            self.assertEqual(run(["demo", "--out", str(folder)]), 0)
        return folder
