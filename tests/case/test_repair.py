"""Corrections by file: what was moved counts, what was not stays to the last digit, and little is done again."""

import json
from dataclasses import replace

import numpy as np
import pytest
from cotyle.anatomy.findings import Concern, Finding, Grade
from cotyle.anatomy.landmarks import GIVEN_UNCERTAINTY_MM, Origin
from cotyle.anatomy.segmentation.edge_confidence import Edge
from cotyle.case.anatomy_stages import answered, complete_anatomy
from cotyle.case.repair import corrected_landmarks, repaired_bones
from cotyle.case.stages import plan_cup
from cotyle.case.store import read_case
from cotyle.errors import InputError
from cotyle.image.label_files import load_label_file
from cotyle.image.labels import LABEL_OF_BONE
from cotyle.space.mesh_queries import MeshQuery
from cotyle.space.side import Side

NUMBER = LABEL_OF_BONE["right_hip_bone"]


@pytest.fixture(scope="module")
def stored(planned_case):
    return read_case(planned_case.folder)


@pytest.fixture(scope="module")
def own_labels(planned_case):
    return load_label_file(planned_case.folder / "bones.nrrd").labels


@pytest.fixture(scope="module")
def deeper(stored, own_labels):
    """The label map with 3 mm taken off the floor of the right socket, and the sphere it was cut with."""
    sphere = stored.anatomy.sockets[Side.RIGHT].sphere
    voxels = own_labels.voxels.copy()
    kji = np.argwhere(voxels == NUMBER)
    points = own_labels.to_lps(kji[:, ::-1])
    way = np.linalg.norm(points - sphere.center_lps_mm, axis=1)
    cut = (way < sphere.radius_mm + 3.0) & (points[:, 0] > sphere.center_lps_mm[0] - 5.0)
    voxels[tuple(kji[cut].T)] = 0
    return own_labels.with_voxels(voxels), sphere


@pytest.fixture(scope="module")
def repaired(stored, own_labels, deeper):
    done = repaired_bones(stored.anatomy.skeleton, stored.scan, own_labels, deeper[0])
    anatomy = complete_anatomy(done.skeleton, {})
    plan_cup(anatomy, stored.scan, stored.plan)
    return done, anatomy


def own_file(planned_case, path, **changes):
    content = json.loads((planned_case.folder / "landmarks.json").read_text())
    for name, change in changes.items():
        content[name] |= change
    path.write_text(json.dumps(content))
    return path


def test_only_points_that_were_moved_or_confirmed_count_as_given(planned_case, stored, tmp_path):
    asis = [float(x) for x in stored.anatomy.landmarks["asis_left"].lps_mm + [0.0, 2.0, 0.0]]
    file = own_file(planned_case, tmp_path / "l.json", asis_left={"lps_mm": asis}, psis_left={"origin": "given"})
    given = corrected_landmarks(file, stored.anatomy.landmarks)
    assert set(given) == {"asis_left", "psis_left"}
    # the spread of what was found is not that of a hand
    assert given["asis_left"].uncertainty_mm == GIVEN_UNCERTAINTY_MM
    np.testing.assert_allclose(given["asis_left"].lps_mm, asis, atol=0.0005001)  # files hold micrometres


def test_a_given_point_can_be_taken_back(planned_case, stored, tmp_path):
    held = stored.anatomy.landmarks["asis_left"]
    known = {**stored.anatomy.landmarks, "asis_left": replace(held, origin=Origin.GIVEN)}
    assert corrected_landmarks(own_file(planned_case, tmp_path / "l.json"), known) == {}


def test_a_file_that_changes_nothing_is_refused(planned_case, stored, tmp_path):
    with pytest.raises(InputError) as caught:
        corrected_landmarks(own_file(planned_case, tmp_path / "l.json"), stored.anatomy.landmarks)
    assert caught.value.code == "repair-nothing"


def test_frames_follow_corrected_landmarks(planned_case, stored, tmp_path):
    asis = [float(x) for x in stored.anatomy.landmarks["asis_left"].lps_mm + [0.0, -4.0, 0.0]]
    file = own_file(planned_case, tmp_path / "l.json", asis_left={"lps_mm": asis})
    anatomy = complete_anatomy(stored.anatomy.skeleton, corrected_landmarks(file, stored.anatomy.landmarks))
    plan_cup(anatomy, stored.scan, stored.plan)
    # 4 mm at one end of a line of about 220 mm turns it by about a degree
    turned = anatomy.pelvis(0.0).rotation_to_left_deg - stored.anatomy.pelvis(0.0).rotation_to_left_deg
    span = np.linalg.norm(asis - stored.anatomy.landmarks["asis_right"].lps_mm)
    assert turned == pytest.approx(-np.degrees(4.0 / span), abs=0.1)


def test_a_redrawn_bone_follows_its_label_and_the_others_stay(stored, deeper, repaired):
    done, anatomy = repaired
    before, after = stored.anatomy.surfaces, done.skeleton.surfaces
    assert set(done.changed_ml) == {"right_hip_bone"}
    assert all(after[name] is before[name] for name in before if name != "right_hip_bone")
    assert after["right_hip_bone"].is_closed
    assert len(after["right_hip_bone"].triangles) < 60_000  # else nothing on it takes seconds
    _, sphere = deeper
    floor = np.array([sphere.center_lps_mm + [sphere.radius_mm + 3.0, 0.0, 0.0]])
    assert abs(MeshQuery(after["right_hip_bone"]).signed_distance(floor)[0]) < 1.3
    # far from the cut the new surface lies on the old one
    points = after["right_hip_bone"].vertices_lps_mm
    far = np.linalg.norm(points - sphere.center_lps_mm, axis=1) > 45.0
    off = np.abs(MeshQuery(before["right_hip_bone"]).signed_distance(points[far]))
    assert np.percentile(off, 95) < 0.6
    # and the socket that is found now is the deeper one
    assert anatomy.sockets[Side.RIGHT].center_lps_mm[0] > stored.anatomy.sockets[Side.RIGHT].center_lps_mm[0] + 0.5


def test_what_was_redrawn_is_recorded_and_its_unclear_edges_are_called_drawn(stored, repaired):
    done, anatomy = repaired
    skeleton = done.skeleton
    assert skeleton.given[-1].bones == ("right_hip_bone",)
    assert skeleton.given[-1].changed_ml["right_hip_bone"] > 1.0
    kinds = set(np.unique(skeleton.edges["right_hip_bone"].kind))
    assert Edge.DRAWN in kinds
    assert Edge.PRIOR not in kinds
    assert "bones-redrawn" in [each.code for each in anatomy.doubts]
    assert not [each for each in skeleton.doubts if each.code == "joint-narrow-right"]


def test_corrections_one_after_another_are_told_in_one_sentence(stored, own_labels, repaired):
    done, _ = repaired
    back = repaired_bones(done.skeleton, stored.scan, done.labels, own_labels)
    (said,) = [each.text for each in back.skeleton.doubts if each.code == "bones-redrawn"]
    first, second = (record.changed_ml["right_hip_bone"] for record in back.skeleton.given)
    assert f"right hip bone ({first:.1f}, then {second:.1f} ml)" in said


def test_a_label_map_with_one_bone_leaves_the_rest_of_the_map(stored, own_labels, deeper):
    only = deeper[0].with_voxels(np.where(deeper[0].voxels == NUMBER, NUMBER, 0).astype(np.uint8))
    done = repaired_bones(stored.anatomy.skeleton, stored.scan, own_labels, only)
    assert set(done.changed_ml) == {"right_hip_bone"}
    others = own_labels.voxels != NUMBER
    kept = others & (deeper[0].voxels != NUMBER)
    np.testing.assert_array_equal(done.labels.voxels[kept], own_labels.voxels[kept])


def test_the_same_labels_are_refused(stored, own_labels):
    with pytest.raises(InputError) as caught:
        repaired_bones(stored.anatomy.skeleton, stored.scan, own_labels, own_labels)
    assert caught.value.code == "repair-nothing"


def test_what_was_given_answers_doubts_and_hides_none_that_it_does_not():
    points = Finding("plane", "the plane", Grade.CHECK, (Concern.FRAME,), None, ("asis_left", "asis_right"))
    assert answered(points, {"asis_left"}, frozenset()) is points
    assert answered(points, {"asis_left", "asis_right"}, frozenset()) is None
    stop = Finding("socket", "no socket", Grade.CANNOT_PLAN, (Concern.CENTER,), Side.LEFT)
    assert answered(stop, {"hip_center_right"}, frozenset()) is stop
    assert answered(stop, {"hip_center_left"}, frozenset()).grade is Grade.CHECK
    bones = replace(stop, concerns=(Concern.BONES,))
    assert answered(bones, {"hip_center_left"}, frozenset()) is bones
    assert answered(bones, set(), frozenset({"left_hip_bone"})).grade is Grade.CHECK
