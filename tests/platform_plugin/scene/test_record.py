import pytest
from cotyle.cup.component import LARGEST_CUP_MM, SMALLEST_CUP_MM
from cotyle.errors import InputError
from cotyle.space.side import Side
from cotyle_platform.scene.record import MODULE, Record, read_plan
from hypothesis import given
from hypothesis import strategies as st
from slicer import vtkMRMLScene, vtkMRMLScriptedModuleNode

from tests.platform_plugin.scene.small_case import plan_at

numbers = st.floats(-500, 500, allow_nan=False).map(lambda x: round(x, 9) + 0.0)
plans = st.builds(
    plan_at,
    st.sampled_from(list(Side)),
    st.tuples(numbers, numbers, numbers),
    inclination=st.floats(20, 60).map(lambda x: round(x, 9)),
    anteversion=st.floats(-10, 40).map(lambda x: round(x, 9)),
    diameter=st.floats(SMALLEST_CUP_MM, LARGEST_CUP_MM).map(lambda x: round(x, 9)),
    frame=st.sampled_from(["app", "supine", "standing"]),
    notes=st.lists(st.text(alphabet=st.characters(exclude_categories=["Cs"])), max_size=3).map(tuple),
)


@given(plans)
def test_a_plan_comes_out_of_the_record_as_it_went_in(plan):
    scene = vtkMRMLScene()
    Record.made_in(scene, "series").plan = plan
    assert read_plan(scene) == plan


def test_the_side_is_written_in_words_beside_the_plan():
    scene = vtkMRMLScene()
    record = Record.made_in(scene, "series")
    record.plan = plan_at(Side.LEFT, (80.0, 0.0, 0.0))
    assert record.node.GetParameter("Side") == "left"


def test_a_scene_without_a_plan_says_so():
    with pytest.raises(InputError, match="holds no plan") as raised:
        read_plan(vtkMRMLScene())
    assert raised.value.code == "scene-without-plan"


def test_a_scene_with_two_plans_is_refused():
    scene = vtkMRMLScene()
    Record.made_in(scene, "one")
    Record.made_in(scene, "two")
    with pytest.raises(InputError) as raised:
        Record.of(scene)
    assert raised.value.code == "scene-twice"


def test_a_scene_of_another_version_is_refused():
    scene = vtkMRMLScene()
    Record.made_in(scene, "one").node.SetParameter("SceneVersion", "99")
    with pytest.raises(InputError) as raised:
        Record.of(scene)
    assert raised.value.code == "scene-outdated"


@pytest.mark.parametrize("text", ["{", '{"schema": "cotyle/plan", "version": 1}', '{"schema": "other"}'])
def test_a_damaged_plan_is_one_line_not_a_traceback(text):
    scene = vtkMRMLScene()
    Record.made_in(scene, "one").node.SetParameter("Plan", text)
    with pytest.raises(InputError):
        read_plan(scene)


def test_parameters_of_other_modules_are_left_alone():
    scene = vtkMRMLScene()
    other = vtkMRMLScriptedModuleNode()
    other.SetModuleName(MODULE + "Other")
    other.SetParameter("SceneVersion", "1")
    scene.AddNode(other)
    assert Record.of(scene) is None


def test_nodes_are_found_by_role_whatever_they_are_called():
    scene = vtkMRMLScene()
    record = Record.made_in(scene, "one")
    node = record.node_of("cup", "vtkMRMLModelNode", "Cup")
    node.SetName("renamed by hand")
    twin = record.node_of("other", "vtkMRMLModelNode", "Cup")
    assert record.node_of("cup", "vtkMRMLModelNode", "Cup").GetID() == node.GetID()
    assert twin.GetID() != node.GetID()
