"""Plan to scene to file to scene to plan: the same, and the picture with it."""

import zipfile

import numpy as np
import pytest
from cotyle.case.store import read_case
from cotyle.errors import InputError
from cotyle.space.rotations import rotation_matrix
from cotyle.space.side import Side
from cotyle_platform.scene import parts
from cotyle_platform.scene.files import open_scene, save_scene
from cotyle_platform.scene.plan_scene import PlanScene
from cotyle_platform.scene.record import read_plan

from tests.platform_plugin.scene.small_case import plan_at, small_case
from tests.platform_plugin.scene.test_plan_scene import drawn_cup, drawn_landmarks

core = pytest.importorskip("trame_slicer.core")


def motion(turn_deg, mirrored):
    made = np.eye(4)
    made[:3, :3] = rotation_matrix([0.2, 0.3, 1.0], turn_deg) @ np.diag([-1.0 if mirrored else 1.0, 1, 1])
    made[:3, 3] = (12.0, -7.0, 30.0)
    return made


CASES = {
    "right": (Side.RIGHT, None),
    "left": (Side.LEFT, None),
    "mirrored": (Side.RIGHT, motion(0.0, True)),
    "turned": (Side.LEFT, motion(14.0, False)),
    "mirrored and turned": (Side.RIGHT, motion(-11.0, True)),
}


@pytest.fixture(params=list(CASES))
def saved(request, tmp_path):
    case = small_case(tmp_path, *CASES[request.param])
    plan = plan_at(
        case.plan.side, case.plan.cup.center_lps_mm, 40.123456789, 17.5, 54.0, notes=('5 < 6 & "é"\n\tπ ≈ 3', "")
    )
    scene = core.SlicerApp().scene
    picture = PlanScene(scene, case)
    picture.show(plan)
    file = tmp_path / "kept" / "plan.mrb"
    save_scene(scene, file)
    return case, plan, file, drawn_cup(picture), drawn_landmarks(picture)


def test_a_plan_is_identical_after_scene_file_and_scene(saved):
    case, plan, file, cup, landmarks = saved
    app = core.SlicerApp()
    open_scene(app.scene, file)
    assert read_plan(app.scene) == plan
    assert read_plan(app.scene).to_json() == plan.to_json()
    # what lies in the file as pictures stands where it stood, before anything is drawn anew
    from cotyle_platform.scene.record import Record

    record = Record.of(app.scene)
    assert record.series == case.anatomy.source.digest
    for role in (parts.CT, parts.CUP, parts.CUP_PLACE, parts.LANDMARKS, "sacrum"):
        assert record.get(role) is not None, role
    nodes = app.scene.GetNumberOfNodes()
    picture = PlanScene(app.scene, case)
    for reopened, before in zip(drawn_cup(picture), cup, strict=True):
        np.testing.assert_allclose(reopened, before, atol=1e-9)
    picture.show(read_plan(app.scene))
    for name, place in drawn_landmarks(picture).items():
        np.testing.assert_allclose(place, landmarks[name], atol=1e-9)
    assert app.scene.GetNumberOfNodes() == nodes, "reopening made twins"


def test_a_kept_scene_names_no_folder_of_this_machine(saved):
    _, _, file, _, _ = saved
    with zipfile.ZipFile(file) as archive:
        text = archive.read(next(name for name in archive.namelist() if name.endswith(".mrml"))).decode()
    assert str(file.parent) not in text
    assert "cotyle-scene-" not in text


def test_a_damaged_or_missing_file_is_one_line(tmp_path):
    scene = core.SlicerApp().scene
    with pytest.raises(InputError) as raised:
        open_scene(scene, tmp_path / "none.mrb")
    assert raised.value.code == "file-missing"
    broken = tmp_path / "broken.mrb"
    broken.write_bytes(b"PK\x03\x04 not really")
    with pytest.raises(InputError) as raised:
        open_scene(scene, broken)
    assert raised.value.code == "scene-damaged"


def test_only_the_form_that_keeps_everything_is_offered(tmp_path):
    with pytest.raises(InputError) as raised:
        save_scene(core.SlicerApp().scene, tmp_path / "plan.mrml")
    assert raised.value.code == "scene-suffix"
    assert list(tmp_path.iterdir()) == []


@pytest.mark.slow
def test_a_planned_case_comes_back_with_its_numbers(planned_case, tmp_path):
    """The sample case, measured again on the plan out of the scene's file: the same file to the last digit."""
    from cotyle.case.results import measurements_of
    from cotyle.case.stages import plan_cup

    case = read_case(planned_case.folder)
    scene = core.SlicerApp().scene
    PlanScene(scene, case).show(case.plan)
    save_scene(scene, tmp_path / "plan.mrb")
    other = core.SlicerApp().scene
    open_scene(other, tmp_path / "plan.mrb")
    plan = read_plan(other)
    assert plan == case.plan
    again = measurements_of(plan_cup(case.anatomy, case.scan, plan), {}).as_dict()
    assert again["wall"] == planned_case.measurements["wall"]
    assert again["orientation"] == planned_case.measurements["orientation"]
