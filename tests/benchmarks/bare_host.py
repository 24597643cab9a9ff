"""The imaging platform's web kit by itself, with a scan, one surface and a slider that moves it: what we compare with.

``python tests/benchmarks/bare_host.py CASE PORT`` serves it on this machine; nothing of the viewer is used.
"""

import sys
from pathlib import Path

import numpy as np
import trame_slicer.module
from cotyle.case.store import read_case
from cotyle.space.mesh_files import to_polydata
from trame.app import TrameApp
from trame.widgets import html
from trame.widgets.vuetify3 import VSlider
from trame_slicer.app.ui import ViewerLayout
from trame_slicer.core import LayoutManager, SlicerApp
from trame_slicer.rca_view import register_rca_factories
from vtkmodules.util.numpy_support import numpy_to_vtk
from vtkmodules.vtkCommonCore import vtkObject
from vtkmodules.vtkCommonDataModel import vtkImageData
from vtkmodules.vtkCommonMath import vtkMatrix4x4

FLIP = np.diag([-1.0, -1.0, 1.0, 1.0])


class BareHost(TrameApp):
    """Four views, one volume, one bone under a transform, one slider, one line of text."""

    def __init__(self, case: Path) -> None:
        super().__init__()
        vtkObject.GlobalWarningDisplayOff()
        self.server.enable_module(trame_slicer.module)
        app = SlicerApp()
        register_rca_factories(app.view_manager, self.server)
        layouts = LayoutManager(app.scene, app.view_manager, self.server)
        layouts.register_layout_dict(LayoutManager.default_grid_configuration())
        layouts.set_layout("Quad View")
        stored = read_case(case)
        scan = stored.scan
        image = vtkImageData()
        image.SetDimensions(*scan.size)
        image.GetPointData().SetScalars(numpy_to_vtk(np.ascontiguousarray(scan.voxels).ravel(), deep=True))
        volume = app.scene.AddNewNodeByClass("vtkMRMLScalarVolumeNode")
        volume.SetIJKToRASMatrix(_matrix(FLIP @ scan.ijk_to_lps))
        volume.SetAndObserveImageData(image)
        for view in app.view_manager.get_slice_views():
            view.set_background_volume_id(volume.GetID())
        bone = app.scene.AddNewNodeByClass("vtkMRMLModelNode")
        bone.SetAndObservePolyData(
            to_polydata(stored.anatomy.surfaces[f"{stored.plan.side}_hip_bone"].transformed(FLIP))
        )
        bone.CreateDefaultDisplayNodes()
        bone.GetDisplayNode().SetVisibility2D(True)
        for view in app.view_manager.get_views():
            view.reset_view()
        self._transform = app.scene.AddNewNodeByClass("vtkMRMLLinearTransformNode")
        bone.SetAndObserveTransformNodeID(self._transform.GetID())
        self.state.readout = "0"
        self.state.change("way")(self._moved)
        with ViewerLayout(self.server, is_drawer_visible=True) as ui:
            with ui.drawer:
                VSlider(v_model=("way", 0.0), min=-20, max=20, step=0.5)
                html.Div("{{ readout }}", classes="readout")
            with ui.content:
                layouts.initialize_layout_grid(ui)

    def _moved(self, way: float, **_: object) -> None:
        place = np.eye(4)
        place[0, 3] = float(way)
        self._transform.SetMatrixTransformToParent(_matrix(place))
        self.state.readout = f"{float(way):.2f}"


def _matrix(values: np.ndarray) -> vtkMatrix4x4:
    made = vtkMatrix4x4()
    made.DeepCopy(np.asarray(values).ravel().tolist())
    return made


if __name__ == "__main__":
    host, port = BareHost(Path(sys.argv[1])), int(sys.argv[2])
    sys.argv = sys.argv[:1]
    host.server.start(host="127.0.0.1", port=port, open_browser=False, timeout=0)
