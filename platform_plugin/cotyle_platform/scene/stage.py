"""Views without a window, for pictures and tests: the same ones as on the screen."""

from __future__ import annotations

from pathlib import Path
from types import TracebackType
from typing import Any, Self

import numpy as np
from cotyle.errors import InputError
from cotyle.report.scene import Camera, Job, Layer, Picture
from cotyle.report.scene_process import SceneProcess
from cotyle.space.mesh import TriangleMesh
from vtkmodules.vtkCommonCore import vtkLogger, vtkOutputWindow

from cotyle_platform.scene import views
from cotyle_platform.scene.slices import Letters, field_of_view

THREE_D = "ThreeD"
SLICES = ("Red", "Green", "Yellow")
_ORIENTATIONS = ("Axial", "Coronal", "Sagittal")
PACKAGES = "apt-get install libegl1 libgl1 libgl1-mesa-dri"


def require_opengl() -> None:
    """Find out in a process of its own whether this machine can draw: where it cannot, the library ends its process.

    Raises
    ------
    InputError
        ``no-opengl`` with what to install.
    """
    triangle = TriangleMesh(np.array([[-1.0, 0, -1], [1, 0, -1], [0, 0, 1]]), np.array([[0, 1, 2]]))
    camera = Camera(np.zeros(3), np.array([0.0, -1, 0]), np.array([0.0, 0, 1]), 2.0)
    job = Job((Picture((Layer(triangle, (1.0, 1.0, 1.0)),), camera, (16, 16), "probe.png", np.zeros((2, 3))),))
    with SceneProcess(job) as process:
        failure = process.result().failure
    if failure:
        raise InputError("no-opengl", f"this machine cannot draw: {failure}", f"On Debian: {PACKAGES}")


class Stage:
    """An empty scene with three slice views and a 3D view off the screen; a context, so that it ends cleanly.

    Raises
    ------
    InputError
        ``no-opengl``, ``viewer-missing`` where the platform's packages are not installed.
    """

    def __init__(self, size_px: tuple[int, int] = (640, 480)) -> None:
        require_opengl()
        try:
            from trame_slicer.core import SlicerApp
            from trame_slicer.views import DirectViewFactory, ViewLayoutDefinition
        except ImportError as error:
            raise InputError(
                "viewer-missing", "the viewer's packages are not installed", "pip install 'cotyle[viewer]'"
            ) from error
        vtkLogger.SetStderrVerbosity(vtkLogger.VERBOSITY_ERROR)
        self.app = SlicerApp()
        vtkOutputWindow.GetInstance().SetDisplayModeToNever()  # errors still reach stderr through the logger
        self.scene = self.app.scene
        self.app.view_manager.register_factory(DirectViewFactory(do_render_offscreen=True))
        wanted = [
            ViewLayoutDefinition.slice_view(orientation, label=name)
            for name, orientation in zip(SLICES, _ORIENTATIONS, strict=True)
        ]
        wanted.append(ViewLayoutDefinition.threed_view(name=THREE_D, background_color=("#14171a", "#2b3036")))
        self._views: dict[str, Any] = {}
        self._letters: dict[str, views.SideLetters] = {}
        for definition in wanted:
            view = self.app.view_manager.create_view(definition)
            view.set_render_blocked(True)
            views.prepare(view)
            view.render_window().SetSize(*size_px)
            view.interactor().UpdateSize(*size_px)
            self._views[definition.singleton_tag] = view
        for name in SLICES:
            self._letters[name] = views.SideLetters(self._views[name])
            self._views[name].get_view_node().SetDimensions(*size_px, 1)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def view(self, name: str) -> Any:
        """Return a view of the platform by name."""
        return self._views[name]

    def background(self, volume: Any) -> None:
        """Show a volume in all slice views."""
        for name in SLICES:
            self._views[name].set_background_volume_id(volume.GetID())

    def write_letters(self, letters: dict[str, Letters]) -> None:
        """Write the patient's sides into the slice views."""
        for name, each in letters.items():
            self._letters[name].write(each)

    def show_height(self, height_mm: float) -> None:
        """Let the slice views show so much from top to bottom."""
        for name in SLICES:
            field_of_view(self._views[name].get_view_node(), height_mm)

    def pixels(self, name: str) -> Any:
        """Draw a view; returns red, green and blue, shape (rows, columns, 3), 0 to 255, first row on top."""
        from vtkmodules.util.numpy_support import vtk_to_numpy

        image = self._grabbed(name).GetOutput()
        columns, rows, _ = image.GetDimensions()
        flat = vtk_to_numpy(image.GetPointData().GetScalars())
        return flat.reshape(rows, columns, -1)[::-1, :, :3].copy()

    def write_png(self, name: str, path: Path) -> None:
        """Draw a view into a PNG file."""
        from cotyle.files import write_bytes_atomically
        from vtkmodules.util.numpy_support import vtk_to_numpy
        from vtkmodules.vtkIOImage import vtkPNGWriter

        grabbed = self._grabbed(name)
        writer = vtkPNGWriter()
        writer.WriteToMemoryOn()  # into a file it would not say where the disk is full
        writer.SetInputConnection(grabbed.GetOutputPort())
        writer.Write()
        write_bytes_atomically(path, vtk_to_numpy(writer.GetResult()).tobytes())

    def close(self) -> None:
        """Let go of the views."""
        for view in self._views.values():
            view.set_scheduled_render(None)
            view.finalize()
        self._views.clear()
        self._letters.clear()

    def _grabbed(self, name: str) -> Any:
        from vtkmodules.vtkRenderingCore import vtkWindowToImageFilter

        view = self._views[name]
        view.set_render_blocked(False)
        if name == THREE_D:
            # the platform takes the depth of what was shown before: parts shown since would be cut off
            view.renderer().ResetCameraClippingRange()
        view.render()
        view.set_render_blocked(True)
        grab = vtkWindowToImageFilter()
        grab.SetInput(view.render_window())
        grab.ReadFrontBufferOff()
        grab.ShouldRerenderOff()
        grab.Update()
        return grab
