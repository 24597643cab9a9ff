"""Saving: the case that ``measure`` would write, whole or not at all; and the draft that outlives a crash."""

import json
import shutil

import numpy as np
import pytest
from cotyle.errors import InputError
from cotyle_platform.session import PlanningSession, session
from cotyle_platform.session.draft import DRAFT

LONG = 300.0


@pytest.fixture
def soon(monkeypatch):
    """Drafts are written at once."""
    monkeypatch.setattr(session, "DRAFT_AFTER_S", 0.0)


@pytest.fixture
def without_pictures(monkeypatch):
    """The report is not drawn: what is looked at here are the data of the case."""
    monkeypatch.setattr(
        "cotyle.report.case_writing.write_report", lambda _folder, _planned, measured, *_, **__: measured
    )


@pytest.fixture
def opened(own_case, soon):
    found = PlanningSession.open(own_case)
    yield found
    found.close()


def content(folder):
    return {path.name: path.read_bytes() for path in folder.iterdir() if path.is_file()}


def test_a_saved_plan_is_the_case_that_measure_writes(opened, own_case, command, tmp_path):
    measured = tmp_path / "measured"
    shutil.copytree(own_case, measured)
    opened.change(outer_diameter_mm=60.0)
    opened.move(medial_mm=1.0)
    center = ",".join(f"{value:.9f}" for value in opened.plan.cup.center_lps_mm)
    code, _, err = command("measure", measured, "--diameter", 60, f"--center={center}", "--no-pdf", "--json")
    assert code == 0, err
    assert opened.unsaved
    opened.save()
    assert opened.settle(LONG)
    assert not opened.unsaved
    mine, its = content(own_case), content(measured)
    assert set(mine) == set(its)
    for name in ("plan.json", "measurements.json", "landmarks.json", "anatomy.npz", "ct.nrrd", "bones.nrrd"):
        assert mine[name] == its[name], name
    written = json.loads(mine["measurements.json"])
    assert written["wall"]["along_axis_mm"] == round(opened.numbers.wall.along_axis_mm, 9)
    assert written["coverage"]["fraction"] == round(opened.numbers.coverage.fraction, 9)
    again = PlanningSession.open(own_case)
    again.close()
    assert again.plan.cup == opened.plan.cup
    assert again.draft is None


def test_saving_a_plan_that_did_not_change_leaves_what_belongs_to_it(opened, own_case):
    (own_case / "comparison-1.json").write_text("{}")
    (own_case / "report.pdf").unlink(missing_ok=True)
    before = content(own_case)
    opened.move(medial_mm=1.0)
    opened.undo()
    opened.save()
    assert opened.settle(LONG)
    assert content(own_case) == before
    opened.write_report()
    assert opened.settle(LONG)
    assert content(own_case).keys() - before.keys() == {"report.pdf"}
    assert (own_case / "report.pdf").read_bytes().startswith(b"%PDF")


def test_closing_waits_for_a_case_that_is_being_written(opened, own_case, without_pictures):
    opened.change(outer_diameter_mm=60.0)
    opened.save()
    opened.close()
    assert not [path for path in own_case.parent.iterdir() if path.name.startswith(".")]
    again = PlanningSession.open(own_case)
    again.close()
    assert again.plan.cup.outer_diameter_mm == 60.0
    assert again.draft is None


def test_a_landmark_that_was_moved_is_saved_with_the_case(opened, own_case, without_pictures):
    name = "pubic_tubercle_left"
    point = np.round(opened.landmarks[name].lps_mm + [0.0, -3.0, 2.0], 3)  # a file holds micrometres
    opened.move_landmark(name, point)
    assert opened.settle(LONG)
    opened.save()
    assert opened.settle(LONG)
    again = PlanningSession.open(own_case)
    again.close()
    assert again.plan.cup == opened.plan.cup
    assert again.plan.given.landmarks[name].lps_mm == pytest.approx(point, abs=1e-9)
    np.testing.assert_allclose(again.landmarks[name].lps_mm, point, atol=1e-9)
    assert json.loads((own_case / "landmarks.json").read_text())[name]["origin"] == "given"


def test_a_case_can_be_saved_elsewhere_even_when_its_own_folder_is_gone(opened, own_case, tmp_path, without_pictures):
    before = content(own_case)
    opened.change(outer_diameter_mm=60.0)
    opened.settle(LONG)
    shutil.rmtree(own_case)
    target = tmp_path / "elsewhere"
    opened.save_as(target)
    assert opened.settle(LONG)
    assert opened.folder == target
    after = content(target)
    for name in ("landmarks.json", "anatomy.npz", "ct.nrrd", "bones.nrrd"):
        assert after[name] == before[name], name
    again = PlanningSession.open(target)
    again.close()
    assert again.plan.cup.outer_diameter_mm == 60.0


def test_a_case_that_somebody_else_changed_meanwhile_is_not_overwritten(opened, own_case):
    plan = own_case / "plan.json"
    plan.write_text(plan.read_text().replace('"measured": false', '"measured": true'))
    changed = content(own_case)
    opened.move(along_axis_mm=1.0)
    opened.save()
    assert opened.settle(LONG)
    assert "case-changed" in opened.failure
    assert content(own_case)["plan.json"] == changed["plan.json"]
    assert opened.unsaved


def test_a_folder_with_other_files_is_left_alone(opened, tmp_path):
    other = tmp_path / "other"
    other.mkdir()
    (other / "letter.txt").write_text("mine")
    opened.save_as(other)
    assert opened.settle(LONG)
    assert "output-not-a-case" in opened.failure
    assert [path.name for path in other.iterdir()] == ["letter.txt"]


def test_changes_are_kept_as_a_draft_and_taken_over_by_the_next_session(opened, own_case):
    opened.change(outer_diameter_mm=60.0)
    assert opened.settle(LONG)
    plan = opened.plan
    opened.close()  # or killed: the draft is there already
    again = PlanningSession.open(own_case)
    assert again.plan.cup.outer_diameter_mm != 60.0
    assert again.draft.cup == plan.cup
    again.take_draft()
    assert again.plan.cup == plan.cup
    assert again.can_undo
    again.close()


def test_a_draft_remembers_landmarks_that_were_moved(opened, own_case):
    name = "pubic_tubercle_left"
    point = np.round(opened.landmarks[name].lps_mm + [0.0, -3.0, 2.0], 3)  # a file holds micrometres
    opened.move_landmark(name, point)
    assert opened.settle(LONG)
    opened.move(along_axis_mm=1.0)
    assert opened.settle(LONG)
    again = PlanningSession.open(own_case)
    again.take_draft()
    assert again.settle(LONG)
    np.testing.assert_allclose(again.landmarks[name].lps_mm, point, atol=1e-8)
    assert again.plan.cup == opened.plan.cup
    assert again.numbers.wall.along_axis_mm == pytest.approx(opened.numbers.wall.along_axis_mm, abs=1e-6)
    again.close()


def test_undone_to_what_was_saved_there_is_no_draft(opened, own_case):
    opened.change(outer_diameter_mm=60.0)
    assert opened.settle(LONG)
    assert (own_case / DRAFT).is_file()
    opened.undo()
    assert opened.settle(LONG)
    assert not (own_case / DRAFT).exists()


def test_a_draft_that_is_dropped_is_gone(opened, own_case):
    opened.change(outer_diameter_mm=60.0)
    opened.settle(LONG)
    opened.close()
    again = PlanningSession.open(own_case)
    again.drop_draft()
    assert not (own_case / DRAFT).exists()
    assert again.draft is None
    again.close()


@pytest.mark.parametrize("damage", ["{", '{"schema": "cotyle/plan", "version": 1, "side": "left"}'])
def test_a_draft_that_cannot_be_used_is_not_offered(own_case, damage):
    (own_case / DRAFT).write_text(damage)
    again = PlanningSession.open(own_case)
    assert again.draft is None
    again.close()


def test_a_folder_that_vanishes_is_told_in_one_line_and_the_plan_stands(opened, own_case):
    shutil.rmtree(own_case)
    opened.change(outer_diameter_mm=60.0)
    assert opened.settle(LONG)
    assert "case-missing" in opened.failure
    assert "\n" not in opened.failure
    assert not own_case.exists()
    assert opened.plan.cup.outer_diameter_mm == 60.0


def test_nothing_is_saved_while_a_moved_landmark_is_being_worked_out(opened):
    opened.move_landmark("asis_left", opened.landmarks["asis_left"].lps_mm + [0.0, -3.0, 0.0])
    with pytest.raises(InputError) as caught:
        opened.save()
    assert caught.value.code == "survey-running"
