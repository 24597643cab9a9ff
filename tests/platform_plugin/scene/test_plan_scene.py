from dataclasses import replace

import numpy as np
import pytest
from cotyle.anatomy.landmarks import given as given_by_hand
from cotyle.anatomy.pelvis import app_frame
from cotyle.case.stages import cup_of
from cotyle.cup.cavity import step_along
from cotyle.cup.orientation import Definition, orientation_of_axis
from cotyle.cup.reaming_way import reamer_at
from cotyle.errors import InputError
from cotyle.space.rotations import rotation_matrix
from cotyle.space.side import Side
from cotyle_platform.scene import axes, parts
from cotyle_platform.scene.moves import place_of_transform
from cotyle_platform.scene.plan_scene import PlanScene
from cotyle_platform.scene.slices import plane_of, slice_nodes
from hypothesis import given, settings
from hypothesis import strategies as st
from slicer import vtkMRMLCrosshairNode, vtkMRMLScene, vtkMRMLSliceNode
from vtkmodules.util.numpy_support import vtk_to_numpy

from tests.platform_plugin.scene.small_case import BALL_LPS_MM, plan_at, small_case


def empty_scene():
    scene = vtkMRMLScene()
    for name in ("Red", "Green", "Yellow"):
        node = vtkMRMLSliceNode()
        node.SetLayoutName(name)
        node.SetSingletonTag(name)
        scene.AddNode(node)
    scene.AddNode(vtkMRMLCrosshairNode())
    return scene


@pytest.fixture
def shown(tmp_path):
    case = small_case(tmp_path)
    picture = PlanScene(empty_scene(), case)
    picture.show(case.plan)
    yield case, picture
    picture.close()


def drawn_cup(picture):
    """Centre and opening axis as the scene draws them."""
    place = place_of_transform(picture.node(parts.CUP_PLACE))
    return place[:3, 3], place[:3, 2]


def drawn_landmarks(picture):
    node = picture.node(parts.LANDMARKS)
    return {
        node.GetNthControlPointLabel(index): axes.points_to_lps(node.GetNthControlPointPositionWorld(index))
        for index in range(node.GetNumberOfControlPoints())
    }


def motions():
    turns = st.builds(rotation_matrix, st.sampled_from([*np.eye(3)]), st.floats(-20, 20))
    shifts = st.tuples(*[st.floats(-100, 100)] * 3)
    return st.builds(_motion, turns, turns, st.booleans(), shifts)


def _motion(first, second, mirrored, shift):
    made = np.eye(4)
    made[:3, :3] = first @ second @ np.diag([-1.0 if mirrored else 1.0, 1, 1])
    made[:3, 3] = shift
    return made


@settings(max_examples=25, deadline=None)
@given(motions(), st.sampled_from(list(Side)))
def test_a_mirrored_and_turned_patient_keeps_his_numbers_in_the_scene(tmp_path_factory, motion, side):
    """Angles reckoned from what the scene draws (cup and landmarks) are the plan's."""
    case = small_case(tmp_path_factory.getbasetemp(), side, motion)
    picture = PlanScene(vtkMRMLScene(), case)
    picture.show(case.plan)
    center, axis = drawn_cup(picture)
    frame = app_frame(
        {name: place for name, place in drawn_landmarks(picture).items() if name.startswith(("asis", "pubic"))}
    )
    angles = orientation_of_axis(axis, frame, case.plan.side, Definition.RADIOGRAPHIC)
    assert (angles.inclination_deg, angles.anteversion_deg) == pytest.approx((42.0, 18.0), abs=1e-6)
    np.testing.assert_allclose(center, case.plan.cup.center_lps_mm, atol=1e-9)
    assert picture.plan_from_scene() == case.plan
    scan = picture.node(parts.CT)
    voxel = np.append(case.scan.to_ijk(center), 1.0)
    from vtkmodules.vtkCommonMath import vtkMatrix4x4

    grid = vtkMatrix4x4()
    scan.GetIJKToRASMatrix(grid)
    np.testing.assert_allclose(axes.points_to_lps((axes.from_vtk(grid) @ voxel)[:3]), center, atol=1e-6)


def test_the_shells_mesh_lies_where_the_core_has_the_cup(shown):
    case, picture = shown
    cup = cup_of(case.plan, case.anatomy.pelvis(0.0))
    node = picture.node(parts.CUP)
    local = vtk_to_numpy(node.GetPolyData().GetPoints().GetData())
    place = place_of_transform(picture.node(parts.CUP_PLACE))
    points = local @ place[:3, :3].T + place[:3, 3]
    away = np.linalg.norm(points - cup.center_lps_mm, axis=1)
    assert away.max() == pytest.approx(26.0, abs=1e-5)
    assert ((points - cup.center_lps_mm) @ cup.opening_axis_lps).max() < 1e-5
    assert np.linalg.norm(points - cup.pole_lps_mm, axis=1).min() < 1e-5


def test_bones_are_drawn_where_they_were_measured(shown):
    case, picture = shown
    node = picture.node("left_hip_bone")
    bounds = np.array(node.GetPolyData().GetBounds()).reshape(3, 2)
    low, high = case.anatomy.surfaces["left_hip_bone"].bounds_lps_mm
    np.testing.assert_allclose(bounds, [[-high[0], -low[0]], [-high[1], -low[1]], [low[2], high[2]]], atol=1e-5)


def test_the_scan_has_its_voxels_in_their_order(shown):
    case, picture = shown
    image = picture.node(parts.CT).GetImageData()
    voxels = vtk_to_numpy(image.GetPointData().GetScalars()).reshape(case.scan.voxels.shape)
    np.testing.assert_array_equal(voxels, case.scan.voxels)
    k, j, i = np.argwhere(voxels > 0).mean(axis=0)
    np.testing.assert_allclose(case.scan.to_lps([i, j, k]), BALL_LPS_MM, atol=1.0)


def test_a_hand_on_the_handles_calls_back_in_the_cores_axes(shown):
    case, picture = shown
    calls = []
    picture._moves.cup_moved = lambda center, axis: calls.append((center, axis))
    move_by_hand(picture, shift=(3.0, -2.0, 1.0), turn=rotation_matrix([0.0, 0.0, 1.0], 10.0))
    assert len(calls) == 1
    cup = cup_of(case.plan, case.anatomy.pelvis(0.0))
    np.testing.assert_allclose(calls[0][0], cup.center_lps_mm + [3.0, -2.0, 1.0], atol=1e-9)
    np.testing.assert_allclose(calls[0][1], rotation_matrix([0.0, 0.0, 1.0], 10.0) @ cup.opening_axis_lps, atol=1e-9)


def move_by_hand(picture, shift=(0.0, 0.0, 0.0), turn=None):
    """What the handles do: write the transform's matrix."""
    transform = picture.node(parts.CUP_PLACE)
    place = place_of_transform(transform)
    place[:3, :3] = (np.eye(3) if turn is None else turn) @ place[:3, :3]
    place[:3, 3] += shift
    transform.SetMatrixTransformToParent(axes.to_vtk(axes.place_to_ras(place)))


def test_showing_a_plan_is_not_taken_for_a_hand(shown):
    case, picture = shown
    calls = []
    picture._moves.cup_moved = lambda *_: calls.append(1)
    picture.show(plan_at(case.plan.side, (-80.0, 0.0, 5.0), inclination=35.0))
    picture.take_anatomy(case.anatomy)
    assert calls == []


def test_an_answer_to_a_drag_neither_loops_nor_undoes_a_turn_about_the_axis(shown):
    """The session answers each step of a drag by showing the new plan, from within the callback."""
    case, picture = shown
    calls = []

    def answer(center, axis):
        calls.append(1)
        angles = orientation_of_axis(axis, case.anatomy.pelvis(0.0).app, case.plan.side, Definition.RADIOGRAPHIC)
        picture.show(plan_at(case.plan.side, center, angles.inclination_deg, angles.anteversion_deg))

    picture._moves.cup_moved = answer
    axis = drawn_cup(picture)[1]
    move_by_hand(picture, turn=rotation_matrix(axis, 25.0))
    after = place_of_transform(picture.node(parts.CUP_PLACE))
    move_by_hand(picture, shift=(0.0, 0.0, 2.0))
    assert len(calls) == 2
    np.testing.assert_allclose(place_of_transform(picture.node(parts.CUP_PLACE))[:3, :3], after[:3, :3], atol=1e-6)


def test_a_plan_that_refuses_a_drag_puts_the_cup_back(shown):
    case, picture = shown
    picture._moves.cup_moved = lambda *_: picture.show(case.plan)
    move_by_hand(picture, shift=(40.0, 0.0, 0.0))
    np.testing.assert_allclose(drawn_cup(picture)[0], case.plan.cup.center_lps_mm, atol=1e-9)


def test_a_closed_picture_hears_no_more(shown):
    _, picture = shown
    calls = []
    picture._moves.cup_moved = lambda *_: calls.append(1)
    picture.close()
    move_by_hand(picture, shift=(1.0, 0.0, 0.0))
    assert calls == []


def test_only_the_chosen_landmark_can_be_dragged_and_says_where_it_was_let_go(shown):
    _, picture = shown
    calls = []
    picture._moves.landmark_moved = lambda name, place: calls.append((name, place))
    node = picture.node(parts.LANDMARKS)
    picture.choose_landmark("asis_left")
    labels = [node.GetNthControlPointLabel(index) for index in range(node.GetNumberOfControlPoints())]
    index = labels.index("asis_left")
    assert [name for n, name in enumerate(labels) if not node.GetNthControlPointLocked(n)] == ["asis_left"]
    node.SetNthControlPointPosition(index, *axes.points_to_ras([118.0, -61.0, 82.0]))
    assert calls == []
    node.GetDisplayNode().SetActiveControlPoint(index)
    node.InvokeEvent(node.PointEndInteractionEvent)
    (name, place), *more = calls
    assert (name, more) == ("asis_left", [])
    np.testing.assert_allclose(place, [118.0, -61.0, 82.0])
    picture.choose_landmark(None)
    assert node.GetLocked()
    with pytest.raises(InputError, match="no landmark"):
        picture.choose_landmark("elbow")


def test_a_landmark_that_goes_back_is_still_the_one_that_can_be_dragged(shown):
    case, picture = shown
    node = picture.node(parts.LANDMARKS)
    picture.choose_landmark("asis_left")
    index = node.GetControlPointIndexByLabel("asis_left")
    node.SetNthControlPointPosition(index, *axes.points_to_ras([118.0, -61.0, 900.0]))
    picture.show_landmarks(case.anatomy.landmarks)
    np.testing.assert_allclose(drawn_landmarks(picture)["asis_left"], case.anatomy.landmarks["asis_left"].lps_mm)
    assert not node.GetNthControlPointLocked(index)
    picture.show_landmarks({name: mark for name, mark in case.anatomy.landmarks.items() if name != "asis_left"})
    assert node.GetLocked()


def test_another_anatomy_moves_landmarks_frames_and_what_rests_on_them(shown):
    case, picture = shown
    moved = {**case.anatomy.landmarks, "asis_left": given_by_hand("asis_left", (118.0, -70.0, 90.0))}
    anatomy = replace(case.anatomy, landmarks=moved)
    picture.take_anatomy(anatomy)
    picture.show(case.plan)
    np.testing.assert_allclose(drawn_landmarks(picture)["asis_left"], [118.0, -70.0, 90.0])
    wanted = cup_of(case.plan, anatomy.pelvis(0.0)).opening_axis_lps
    np.testing.assert_allclose(drawn_cup(picture)[1], wanted, atol=1e-9)


@pytest.mark.parametrize("planes", ["scanner", "app", "supine", "standing"])
def test_slices_stand_on_the_axes_of_the_frame_that_is_named(shown, planes):
    case, picture = shown
    letters = picture.slice_to(planes)
    frames = {**case.anatomy.pelvis(0.0).frames}
    left = np.array([1.0, 0, 0]) if planes == "scanner" else frames[planes].left
    up = np.array([0.0, 0, 1]) if planes == "scanner" else frames[planes].superior
    coronal = plane_of(slice_nodes(picture.scene)["Green"])
    np.testing.assert_allclose(coronal[:3, 0], left, atol=1e-12)
    np.testing.assert_allclose(coronal[:3, 1], up, atol=1e-12)
    np.testing.assert_allclose(coronal[:3, 3], case.plan.cup.center_lps_mm, atol=1e-9)
    assert letters["Green"] == ("L", "R", "S", "I")


def test_slices_on_the_cup_hold_its_axis_and_follow_it(shown):
    case, picture = shown
    picture.slice_to("cup")
    for plan in (case.plan, plan_at(case.plan.side, (-80.0, 0.0, 5.0), inclination=35.0)):
        picture.show(plan)
        cup = cup_of(plan, case.anatomy.pelvis(0.0))
        level, upright, rim = (plane_of(slice_nodes(picture.scene)[name]) for name in ("Red", "Green", "Yellow"))
        for plane in (level, upright):
            assert plane[:3, 2] @ cup.opening_axis_lps == pytest.approx(0, abs=1e-12)
            assert plane[:3, 2] @ (cup.center_lps_mm - plane[:3, 3]) == pytest.approx(0, abs=1e-9)
        np.testing.assert_allclose(rim[:3, 2], cup.opening_axis_lps, atol=1e-12)


def test_looking_at_a_point_brings_all_slices_and_the_crosshair_to_it(shown):
    _, picture = shown
    picture.slice_to("app")
    picture.look_at(BALL_LPS_MM)
    for node in slice_nodes(picture.scene).values():
        plane = plane_of(node)
        assert plane[:3, 2] @ (BALL_LPS_MM - plane[:3, 3]) == pytest.approx(0, abs=1e-9)
    cross = picture.scene.GetFirstNodeByClass("vtkMRMLCrosshairNode")
    np.testing.assert_allclose(axes.points_to_lps(cross.GetCrosshairRAS()), BALL_LPS_MM)


def test_slices_need_a_plan_or_a_point(tmp_path):
    case = small_case(tmp_path)
    picture = PlanScene(empty_scene(), case)
    with pytest.raises(InputError) as raised:
        picture.slice_to("cup")
    assert raised.value.code == "plan-incomplete"


def test_a_reamer_is_drawn_at_its_place_and_hidden_again(shown):
    _, picture = shown
    place = reamer_at((step_along(48.0, (-80.0, 5.0, 2.0), (0.6, 0.0, 0.8), 10.0),), 4.0)
    picture.show_reamer(place)
    node = picture.node(parts.REAMER)
    points = axes.points_to_lps(vtk_to_numpy(node.GetPolyData().GetPoints().GetData()))
    np.testing.assert_allclose(np.linalg.norm(points - place.center_lps_mm, axis=1), 24.0, atol=1e-4)
    assert ((points - place.center_lps_mm) @ [0.6, 0.0, 0.8]).min() > -1e-4
    assert node.GetDisplayNode().GetVisibility()
    picture.show_reamer(None)
    assert not node.GetDisplayNode().GetVisibility()


def test_parts_are_shown_hidden_and_made_clear_by_name(shown):
    _, picture = shown
    assert {"cup", "right_hip_bone", "landmarks"} <= set(picture.parts)
    picture.set_shown("sacrum", False)
    picture.set_opacity("right_hip_bone", 0.2)
    assert not picture.node("sacrum").GetDisplayNode().GetVisibility()
    assert picture.node("right_hip_bone").GetDisplayNode().GetOpacity() == 0.2
    with pytest.raises(InputError) as raised:
        picture.set_shown("liver", True)
    assert raised.value.code == "part-unknown"


def test_a_scene_is_taken_up_again_without_twins(shown):
    case, picture = shown
    before = picture.scene.GetNumberOfNodes()
    again = PlanScene(picture.scene, case)
    again.show(case.plan)
    assert picture.scene.GetNumberOfNodes() == before
    again.close()


@pytest.mark.parametrize("other", [{"series": "fedcba9876543210"}, {"size": (71, 51, 76)}], ids=["series", "grid"])
def test_the_scene_of_another_scan_is_refused(shown, other):
    case, picture = shown
    source = replace(case.anatomy.source, **other)
    another = replace(case, anatomy=replace(case.anatomy, skeleton=replace(case.anatomy.skeleton, source=source)))
    with pytest.raises(InputError) as raised:
        PlanScene(picture.scene, another)
    assert raised.value.code == "scene-other-case"
