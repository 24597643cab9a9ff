"""Landmarks on the planning page, without a browser: what the list says, what is moved, refused, taken back."""

import pytest
from cotyle_platform.session import PlanningSession
from cotyle_platform.web.landmarks import Landmarks
from cotyle_platform.web.page import Page
from trame_server import Server

NAME, LONG = "asis_right", 120.0


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


def test_a_landmark_off_the_bones_is_taken_where_a_hand_let_it_go(sheet):
    place = sheet.session.landmarks["hip_center_right"].lps_mm + [2.0, 0.0, 0.0]
    sheet.landmarks.moved("hip_center_right", place)
    assert sheet.session.landmarks["hip_center_right"].lps_mm == pytest.approx(place, abs=0.001)
    assert sheet.session.settle(LONG)
