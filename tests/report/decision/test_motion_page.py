"""The page on motion tells from its file alone, says what each picture assumes, and names what is not known."""

import warnings

import pytest
from cotyle.case.decision.motion_facts import MotionFacts
from cotyle.report.decision.motion_figure import motion_pictures, reach_figure
from cotyle.report.decision.motion_page import motion_page

from tests.case.decision.moving_hip import STEM, facts_of, planned


@pytest.fixture(scope="module")
def known():
    return facts_of(planned(), stem=STEM, native_version_deg=20.0, head_diameter_mm=32.0)


@pytest.fixture(scope="module")
def without_stem():
    return facts_of(planned())


@pytest.fixture(scope="module")
def without_femur():
    case = planned()
    del case.anatomy.surfaces["left_femur"]
    wanted = {"name": "deep_bow", "move": "flexion", "start": {"abduction_deg": 10.0}, "wanted_deg": 160.0}
    return facts_of(case, stem=STEM, motions=[wanted])


def test_the_facts_come_back_from_their_file_and_the_page_tells_from_them_alone(known, tmp_path):
    known.write(tmp_path / "motion.json")
    back = MotionFacts.read(tmp_path / "motion.json")
    page = motion_page(back)
    assert page == motion_page(known)
    assert "supine, by neck and bone" in page.lead
    assert len(page.tiles) == 6


def test_a_picture_without_any_line_is_drawn_without_a_warning(without_femur):
    nothing = without_femur.model_copy(
        update={"neck": None, "reach": without_femur.reach.model_copy(update={"neck_deg": (), "bone_deg": ()})}
    )
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        assert reach_figure(nothing)


def test_every_picture_is_drawn_and_says_what_it_assumes(known, without_stem, without_femur):
    for facts in (known, without_stem, without_femur):
        page = motion_page(facts)
        assert {each.name for each in page.pictures} == set(motion_pictures(facts, planned(), None))
        assert all(each.assumes for each in page.pictures)


def test_without_a_stem_the_lead_says_so_and_there_is_no_map(without_stem):
    page = motion_page(without_stem)
    assert "bone alone" in page.lead
    assert "map" not in {each.name for each in page.pictures}
    assert page.tiles[-1].value == "not known"
    assert "neck meets rim, deg" not in page.tables[0].titles


def test_without_a_femur_the_neck_alone_counts_and_the_short_motion_leads(without_femur):
    page = motion_page(without_femur)
    assert "the neck alone" in page.lead
    assert "deep bow" in page.lead
    assert page.tables[0].chosen


def test_where_neither_is_known_nothing_is_said_of_motion():
    case = planned()
    del case.anatomy.surfaces["left_femur"]
    page = motion_page(facts_of(case))
    assert "nothing is said of motion" in page.lead
    assert page.body == ()
    assert [(tile.name, tile.value) for tile in page.tiles] == [("Cup and stem version", "not known")]


def test_a_motion_that_meets_nothing_says_by_what_alone_that_is_known(without_femur):
    here = without_femur.postures["supine"]
    motions = tuple(each.model_copy(update={"limit_deg": None}) for each in here.motions)
    endless = without_femur.model_copy(update={"postures": {"supine": here.model_copy(update={"motions": motions})}})
    free = [tile for tile in motion_page(endless).tiles if tile.value == "free"]
    assert len(free) == 5
    assert all("by the neck alone" in tile.note for tile in free)
