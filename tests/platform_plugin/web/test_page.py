"""The page's wiring, with a scene that only listens: what is set, shown, refused and taken back."""

import asyncio

import numpy as np
import pytest
from cotyle.cup.orientation import Definition
from cotyle.report.cup_planes import cup_planes
from cotyle.report.tiles import live_tiles, tiles
from cotyle_platform.session import PlanningSession
from cotyle_platform.web import controls
from cotyle_platform.web.page import Page
from trame_server import Server


class DeafBone:
    """Stands for the views."""

    held = False

    def __init__(self, session):
        self.session, self.shown = session, 0

    def show(self, again=False):
        self.shown += 1

    def beside_center(self, step):
        numbers = self.session.numbers
        rim = cup_planes(numbers.cup, numbers.pelvis.frames["supine"])[2]
        return (rim.plane_to_lps @ np.array([*step, 1.0]))[:3]


class Sheet:
    """A page of a session without a browser."""

    def __init__(self, folder):
        self.session = PlanningSession.open(folder)
        server = Server("page", vn_constructor=None)
        server.client_type = "vue3"
        server.state.ready()
        self.state = server.state
        self.page = Page(server, self.session, DeafBone(self.session))

    def set(self, *changes):
        async def run():
            for number, (name, value) in enumerate(changes, start=1):
                await self.page.set(name, value, number)
            self.page.end_edit()

        asyncio.run(run())

    def tile(self, name):
        return next(each for each in self.state.page_tiles if each["name"] == name)


@pytest.fixture
def sheet(viewed_case):
    made = Sheet(viewed_case)
    made.session.settle(60)
    yield made
    made.session.close()
    (viewed_case / "draft.json").unlink(missing_ok=True)


def test_a_number_that_is_set_shows_at_once_in_the_tile_and_in_the_control(sheet):
    sheet.set(("inclination", 43.5))
    assert sheet.tile("Inclination")["value"] == "43.5"
    assert sheet.state.cup_values["inclination"] == 43.5
    assert sheet.state.cup_done == 1


@pytest.mark.parametrize("control", controls.CONTROLS, ids=lambda control: control.name)
def test_every_control_reads_what_was_written_to_it(sheet, control):
    wanted = control.read(sheet.session) + control.step
    sheet.set((control.name, wanted))
    assert control.read(sheet.session) == pytest.approx(wanted, abs=1e-6)


def test_depth_moves_the_cup_along_its_axis_alone(sheet):
    before = sheet.session.numbers.cup
    sheet.set(("depth", controls.BY_NAME["depth"].read(sheet.session) + 2.0))
    after = sheet.session.numbers.cup
    # inwards is against the direction out of the cup's mouth
    assert after.center_lps_mm - before.center_lps_mm == pytest.approx(-2.0 * before.opening_axis_lps, abs=1e-6)


@pytest.mark.parametrize("step", [(0.5, 0, 0), (0, 0.5, 0)])
def test_arrow_keys_move_the_cup_across_its_axis(sheet, step):
    before = sheet.session.numbers.cup
    sheet.set(("nudge", step))
    moved = sheet.session.numbers.cup.center_lps_mm - before.center_lps_mm
    assert np.linalg.norm(moved) == pytest.approx(0.5, abs=1e-6)
    assert moved @ before.opening_axis_lps == pytest.approx(0, abs=1e-6)


def test_a_number_that_makes_no_cup_is_said_and_changes_nothing(sheet):
    before = sheet.session.plan
    sheet.set(("diameter", 20))
    assert sheet.session.plan == before
    assert "20" in sheet.state.page_message
    assert sheet.state.cup_values["diameter"] == before.cup.outer_diameter_mm
    sheet.set(("inclination", 41))
    assert sheet.state.page_message == ""


def test_what_is_typed_in_a_row_is_one_step_back_for_each_control(sheet):
    before = sheet.session.plan
    sheet.set(("inclination", 41), ("inclination", 42), ("inclination", 43), ("anteversion", 20))
    sheet.page.act("undo")
    assert sheet.session.angles.inclination_deg == 43
    assert sheet.session.angles.anteversion_deg == before.cup.orientation.anteversion_deg
    sheet.page.act("undo")
    assert sheet.session.plan == before
    assert not sheet.state.page_can_undo
    sheet.page.act("redo")
    assert sheet.session.angles.inclination_deg == 43


def test_another_definition_tells_the_same_axis_in_other_numbers(sheet):
    axis = sheet.session.numbers.cup.opening_axis_lps
    sheet.page.set_words("definition", "anatomic")
    sheet.page.set_words("frame", "app")
    found = sheet.session.numbers.orientations["app"][Definition.ANATOMIC]
    assert sheet.tile("Inclination")["value"] == f"{found.inclination_deg:.1f}"
    assert "anatomic, app frame" in sheet.tile("Inclination")["note"]
    assert "target is stated otherwise" in sheet.tile("Inclination")["note"]
    assert np.array_equal(sheet.session.numbers.cup.opening_axis_lps, axis)


@pytest.mark.parametrize(("what", "value"), [("definition", "made-up"), ("frame", "made-up"), ("else", "app")])
def test_words_that_are_not_known_change_nothing(sheet, what, value):
    before = sheet.session.angles_in
    sheet.page.set_words(what, value)
    assert sheet.session.angles_in == before


def test_what_is_not_known_yet_says_so_until_it_is_measured(sheet):
    sheet.page.refresh()
    assert not sheet.state.page_stale
    sheet.set(("inclination", 44))
    assert sheet.state.page_stale
    assert sheet.tile("Coverage")["waiting"]
    sheet.session.settle(60)
    sheet.page.refresh()
    assert not sheet.state.page_stale
    assert not sheet.tile("Coverage")["waiting"]


def test_doubts_are_on_the_page_in_the_words_of_the_measurement(sheet):
    sheet.page.refresh()
    measured = sheet.session.full.measured
    assert {each["text"] for each in sheet.state.page_doubts} == {each.text for each in measured.warnings}
    assert sheet.state.page_verdict == measured.verdict.text
    assert "not a medical device" in sheet.state.page_caution


def test_the_tiles_of_the_page_are_those_of_the_report(sheet):
    full, plan = sheet.session.full, sheet.session.plan
    live = live_tiles(sheet.session.numbers, plan.targets.definition, plan.targets.frame, full.measured)
    assert live == tiles(plan, full.measured)


def test_unknown_acts_and_controls_do_nothing(sheet):
    before = sheet.session.plan
    sheet.page.act("format-disk")
    sheet.set(("made-up", 3))
    assert sheet.session.plan == before
    assert "made-up" in sheet.state.page_message


def test_no_patient_and_no_path_stands_in_the_page_state(sheet, viewed_case):
    assert str(viewed_case.parent) not in str(sheet.state.to_dict())


def test_a_case_folder_that_vanished_is_said_and_the_plan_stays(sheet, viewed_case):
    aside = viewed_case.with_name("aside")
    sheet.set(("inclination", 45))
    viewed_case.rename(aside)
    try:
        sheet.page.act("save")
        sheet.session.settle(120)
        assert sheet.state.page_message
        assert "\n" not in sheet.state.page_message
        assert sheet.session.angles.inclination_deg == 45
        assert sheet.state.page_writing == ""
    finally:
        if viewed_case.exists():
            import shutil

            shutil.rmtree(viewed_case)
        aside.rename(viewed_case)
