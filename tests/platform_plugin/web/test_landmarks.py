"""Landmarks on the planning page, without a browser: what the list says, what is moved, refused, taken back."""

import pytest
from cotyle_platform.session import PlanningSession
from cotyle_platform.web.landmarks import Landmarks
from cotyle_platform.web.page import Page
from trame_server import Server

NAME, MISSING, LONG = "asis_right", "coccyx_tip", 120.0


class ListeningBone:
    """Stands for the views: says what it was asked to look at."""

    held = False

    def __init__(self):
        self.looked_at, self.again = [], 0

    def show(self, again=False):
        self.again += again

    def look_at_mark(self, name):
        self.looked_at.append(name)

    def leave_marks(self):
        self.looked_at.append("the cup")


class Sheet:
    """A page of a session with its landmarks, without a browser."""

    def __init__(self, folder):
        self.session = PlanningSession.open(folder)
        server = Server("landmarks", vn_constructor=None)
        server.client_type = "vue3"
        server.state.ready()
        self.state, self.bone = server.state, ListeningBone()
        self.page = Page(server, self.session, self.bone)
        self.landmarks = Landmarks(server, self.session, self.bone, self.page)

    def row(self, name):
        return next(each for each in self.state.marks if each["name"] == name)


@pytest.fixture
def sheet(own_case):
    made = Sheet(own_case)
    made.session.settle(LONG)
    yield made
    made.session.close()


def test_each_landmark_stands_in_plain_words_with_its_origin_and_spread(sheet):
    names = [each["name"] for each in sheet.state.marks]
    assert set(names) == set(sheet.session.landmarks)
    assert set(names[:4]) == {"asis_left", "asis_right", "pubic_tubercle_left", "pubic_tubercle_right"}
    # the operated side before the other one
    assert names.index("teardrop_right") < names.index("teardrop_left")
    spread = 2 * sheet.session.landmarks[NAME].uncertainty_mm
    assert sheet.row(NAME)["words"] == "right ASIS (anterior superior iliac spine)"
    assert sheet.row(NAME)["origin"] == f"found by the program, ± {spread:.1f} mm"
    assert not sheet.row("hip_center_right")["on_bone"]


def test_the_views_go_to_the_landmark_that_is_chosen_and_back_to_the_cup(sheet):
    sheet.landmarks.act("open")
    sheet.landmarks.act("choose", NAME)
    sheet.landmarks.act("choose", "elbow")
    sheet.landmarks.act("close")
    assert sheet.bone.looked_at == ["asis_left", NAME, "the cup"]
    assert not sheet.state.marks_open


def test_every_number_is_marked_as_old_until_what_rests_on_the_point_is_known(sheet):
    before = sheet.session.landmarks[NAME].lps_mm
    sheet.landmarks.moved(NAME, before + [0.0, -4.0, 3.0])
    assert sheet.state.page_surveying
    assert sheet.state.page_stale
    assert sheet.row(NAME)["origin"] == "placed by hand, ± 4.0 mm"
    assert sheet.session.settle(LONG)
    assert not sheet.state.page_surveying
    assert not sheet.state.page_stale
    sheet.landmarks.act("choose", NAME)
    sheet.landmarks.act("as_found")
    assert sheet.session.settle(LONG)
    assert not sheet.row(NAME)["given"]


def test_a_point_far_from_its_bone_is_refused_in_one_line_or_taken_by_eye(sheet):
    place = sheet.session.landmarks[NAME].lps_mm + [-20.0, -20.0, 0.0]
    sheet.landmarks.moved(NAME, place)
    assert "[landmark-off-bone]" in sheet.state.page_message
    assert sheet.bone.again == 1
    assert not sheet.row(NAME)["given"]
    sheet.state.marks_snap = False
    sheet.landmarks.moved(NAME, place)
    assert sheet.state.page_message == ""
    assert sheet.row(NAME)["given"]
    assert sheet.session.settle(LONG)


def test_a_landmark_that_was_not_found_is_added_where_a_hand_clicks_on_its_bone(sheet):
    """The sample's sacrum has no coccyx."""
    assert [each["name"] for each in sheet.state.marks_missing] == [MISSING]
    sheet.landmarks.act("add", MISSING)
    assert sheet.bone.looked_at == [MISSING]
    assert sheet.state.marks_adding == "tip of the coccyx"
    assert not sheet.session.can_undo
    sacrum = sheet.session.anatomy.surfaces["sacrum"]
    lowest = sacrum.vertices_lps_mm[sacrum.vertices_lps_mm[:, 2].argmin()]
    sheet.landmarks.clicked(MISSING, lowest + [0.0, 0.0, -40.0], False)
    assert "[landmark-off-bone]" in sheet.state.page_message
    sheet.landmarks.clicked(MISSING, None, True)
    assert "no bone" in sheet.state.page_message
    assert sheet.state.marks_adding
    sheet.landmarks.clicked(MISSING, lowest + [0.0, 0.0, -3.0], False)
    assert sheet.state.page_message == ""
    assert sheet.state.marks_adding == ""
    assert sheet.state.marks_missing == []
    assert sheet.row(MISSING)["origin"] == "placed by hand, ± 4.0 mm"
    assert sheet.bone.looked_at[-1] == MISSING
    assert sheet.session.settle(LONG)
    assert MISSING in sheet.session.anatomy.landmarks
    sheet.page.act("undo")
    assert [each["name"] for each in sheet.state.marks_missing] == [MISSING]
    assert sheet.bone.looked_at[-1] == "asis_left"


def test_a_landmark_that_lies_on_no_bone_is_added_in_a_slice_only(sheet, monkeypatch):
    points = {name: mark for name, mark in sheet.session.landmarks.items() if name != "symphysis"}
    monkeypatch.setattr(type(sheet.session), "landmarks", property(lambda _: points))
    sheet.landmarks.act("add", "symphysis")
    sheet.landmarks.clicked("symphysis", [0.0, 0.0, 0.0], True)
    assert "click in a slice" in sheet.state.page_message
    assert not sheet.session.surveying


def test_nothing_is_added_that_is_there_already_or_that_nobody_knows(sheet):
    sheet.landmarks.act("open")
    sheet.landmarks.act("add", NAME)
    sheet.landmarks.act("add", "elbow")
    assert sheet.state.marks_adding == ""
    sheet.landmarks.act("add", MISSING)
    sheet.landmarks.act("not_now")
    assert sheet.state.marks_adding == ""
    assert sheet.state.marks_chosen == "asis_left"
    sheet.landmarks.act("add", MISSING)
    sheet.landmarks.act("close")
    assert (sheet.state.marks_adding, sheet.state.marks_open) == ("", False)


def test_a_landmark_off_the_bones_is_taken_where_a_hand_let_it_go(sheet):
    place = sheet.session.landmarks["hip_center_right"].lps_mm + [2.0, 0.0, 0.0]
    sheet.landmarks.moved("hip_center_right", place)
    assert sheet.session.landmarks["hip_center_right"].lps_mm == pytest.approx(place, abs=0.001)
    assert sheet.session.settle(LONG)
