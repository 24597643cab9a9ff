"""A scan that is no case yet: its label map goes into the scene and comes back, corrected where a hand was."""

import numpy as np
import pytest
from cotyle.errors import InputError
from cotyle.image.labels import BONE_LABELS, LABEL_OF_BONE
from cotyle_platform.scene import axes
from cotyle_platform.scene.slices import plane_of, slice_nodes
from cotyle_platform.scene.start_scene import StartScene
from cotyle_platform.web.start.tools import BoneTools

from tests.platform_plugin.scene.small_case import BOXES, POINTS, small_case
from tests.platform_plugin.scene.test_plan_scene import empty_scene

core = pytest.importorskip("trame_slicer.core")


@pytest.fixture(params=["straight", "turned"])
def scanned(request, tmp_path):
    """A case, its scan and a label map of its boxes; the second one on an oblique grid."""
    motion = np.eye(4)
    if request.param == "turned":
        turn = np.deg2rad(12.0)
        motion[:2, :2] = [[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]]
        motion[:3, 3] = (5.0, -3.0, 11.0)
    case = small_case(tmp_path, motion=motion)
    k, j, i = np.indices(case.scan.voxels.shape)
    back = np.linalg.inv(motion)
    points = case.scan.to_lps(np.stack([i, j, k], axis=-1).reshape(-1, 3)) @ back[:3, :3].T + back[:3, 3]
    labels = np.zeros(len(points), dtype=np.uint8)
    for name, (low, high) in BOXES.items():
        labels[((points >= low) & (points <= high)).all(axis=1)] = LABEL_OF_BONE[name]
    return case, case.scan.with_voxels(labels.reshape(case.scan.voxels.shape))


@pytest.fixture
def editing(scanned):
    case, labels = scanned
    app = core.SlicerApp()
    scene = StartScene(app.scene, app.segmentation_editor)
    tools = BoneTools(app.segmentation_editor, scene)
    scene.show_scan(case.scan)
    scene.show_labels(labels)
    yield scene, tools, app.segmentation_editor, labels
    scene.clear()


def test_a_label_map_comes_back_as_it_went_in(editing):
    scene, _, _, labels = editing
    back = scene.labels()
    np.testing.assert_array_equal(back.voxels, labels.voxels)
    np.testing.assert_array_equal(back.ijk_to_lps, labels.ijk_to_lps)


def test_each_bone_is_a_segment_of_its_own_name_also_one_that_was_not_found(scanned):
    case, labels = scanned
    app = core.SlicerApp()
    scene = StartScene(app.scene, app.segmentation_editor)
    scene.show_scan(case.scan)
    lost = labels.with_voxels(np.where(labels.voxels == LABEL_OF_BONE["sacrum"], 0, labels.voxels))
    scene.show_labels(lost)
    assert app.segmentation_editor.get_segment_ids() == [name for name in BONE_LABELS.values() if name != "metal"]
    np.testing.assert_array_equal(scene.labels().voxels, lost.voxels)


def test_a_ball_painted_by_the_brush_is_in_the_label_map_where_it_was_painted(editing):
    """A sphere set down in the scene's own axes: its volume is that of the closed form."""
    import vtk

    scene, _, editor, labels = editing
    scene.choose_bone("sacrum")
    center = scene.middle_lps_mm()
    ball = vtk.vtkSphereSource()
    ball.SetCenter(*axes.points_to_ras(center))
    ball.SetRadius(20.0)
    ball.SetThetaResolution(40)
    ball.SetPhiResolution(40)
    ball.Update()
    from trame_slicer.segmentation.segment_modifier import ModificationMode

    editor.active_segment_modifier.modification_mode = ModificationMode.Add
    editor.apply_polydata_world(ball.GetOutput())
    after = scene.labels()
    new = (after.voxels == LABEL_OF_BONE["sacrum"]) & (labels.voxels != LABEL_OF_BONE["sacrum"])
    spots = after.to_lps(np.argwhere(new)[:, ::-1])
    away = np.linalg.norm(spots - center, axis=1)
    assert away.max() < 20.0 + 4.0
    before = labels.to_lps(np.argwhere(labels.voxels == LABEL_OF_BONE["sacrum"])[:, ::-1])
    there = (np.linalg.norm(before - center, axis=1) < 20.0).sum()
    volume = (new.sum() + there) * labels.voxel_volume_mm3
    assert volume == pytest.approx(4 / 3 * np.pi * 20.0**3, rel=0.12)


def test_pieces_are_dropped_and_come_back_by_undo(editing):
    scene, tools, _, labels = editing
    voxels = labels.voxels.copy()
    k, j, i = np.round(labels.to_ijk(scene.middle_lps_mm())).astype(int)[::-1]
    voxels[k : k + 2, j : j + 2, i : i + 2] = LABEL_OF_BONE["left_femur"]
    scene.show_labels(labels.with_voxels(voxels))
    scene.choose_bone("left_femur")
    tools.keep_largest()
    np.testing.assert_array_equal(scene.labels().voxels, labels.voxels)
    tools.undo()
    np.testing.assert_array_equal(scene.labels().voxels, voxels)
    tools.redo()
    np.testing.assert_array_equal(scene.labels().voxels, labels.voxels)


def test_a_landmark_is_brought_into_the_middle_of_every_slice_and_alone_can_be_dragged(tmp_path):
    case = small_case(tmp_path)
    scene = StartScene(empty_scene())
    scene.show_scan(case.scan)
    calls = []
    scene.show_landmarks(case.anatomy.landmarks, lambda name, place: calls.append((name, place)))
    letters = scene.center_on(POINTS["asis_left"], "asis_left")
    assert letters["Red"] == ("L", "R", "A", "P")
    for node in slice_nodes(scene.scene).values():
        np.testing.assert_allclose(plane_of(node)[:3, 3], POINTS["asis_left"])
    node = scene._nodes["landmarks"]
    labels = [node.GetNthControlPointLabel(index) for index in range(node.GetNumberOfControlPoints())]
    index = labels.index("asis_left")
    assert [n for n in range(len(labels)) if not node.GetNthControlPointLocked(n)] == [index]
    assert [n for n in range(len(labels)) if node.GetNthControlPointVisibility(n)] == [index]
    node.SetNthControlPointPosition(index, *axes.points_to_ras([117.0, -60.0, 81.0]))
    node.GetDisplayNode().SetActiveControlPoint(index)
    node.InvokeEvent(node.PointEndInteractionEvent)
    assert calls[0][0] == "asis_left"
    np.testing.assert_allclose(calls[0][1], [117.0, -60.0, 81.0])


def test_nothing_can_be_read_back_before_it_was_shown():
    scene = StartScene(empty_scene())
    with pytest.raises(InputError):
        scene.labels()
    with pytest.raises(InputError):
        scene.middle_lps_mm()


def test_bones_that_no_longer_count_are_taken_away_and_the_scan_stays(editing):
    scene, _, _, _ = editing
    scene.hide_bones()
    assert scene.segmentation_node is None
    assert scene.scan_node is not None
    with pytest.raises(InputError):
        scene.labels()
