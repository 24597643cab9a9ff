"""Words and tables of the cue sheet, from plain facts."""

import pytest
from cotyle.case.measurements import MistakeFacts, ScreenStageFacts, WallViewFacts
from cotyle.report import screen_words as words
from cotyle.xray.misplaced import READABLE, Mistake


def stage(**cues):
    return ScreenStageFacts(step=None, diameter_mm=52.0, stage="seated", center_lps_mm=(0, 0, 0), cues=cues)


def mistake(name="high", told=True, **more):
    changes = {"lower_rim_above_teardrops_mm": 3.0, "inclination_deg": 0.5}
    facts = {"best_cue": "lower_rim_above_teardrops_mm", "best_telling": 2.0, "changes": changes}
    return MistakeFacts(mistake=name, told=told, **(facts | more))


def wall(**changed):
    facts = {
        "frame": "supine", "tube": "under_table", "primary_deg": 13.0, "secondary_deg": -30.0, "within_reach": True,
        "off_grazing_deg": 0.4, "doubtful": False,
        "wall_minimum_mm": 5.0, "bone_mm": 4.0, "reading_mm": 5.0, "reading_over_wall": 1.0, "ap_reading_mm": 9.0,
        "detector_mm_per_mm": 1.43, "primary_tolerance_deg": None, "secondary_tolerance_deg": 7.2, "edge_mm": 20.0,
        "hidden": False, "overlap_mm": {"sacrum": 12.0},
    }  # fmt: skip
    return WallViewFacts(**(facts | changed))


@pytest.mark.parametrize(
    ("value", "text"), [(3.04, "3.0 mm"), (-3.04, "−3.0 mm"), (-0.01, "0.0 mm"), (None, "–"), ("crossing", "crossing")]
)
def test_numbers_have_true_minus_signs_and_no_minus_zero(value, text):
    assert words.number(value, "mm", 1) == text


def test_signed_degrees():
    assert words.number(5.0, "deg", 0, signed=True) == "+5°"
    assert words.number(-0.2, "deg", 0, signed=True) == "0°"


@pytest.mark.parametrize(
    ("pelvis", "hip", "said"),
    [(40.0, 42.5, "2.5 deg more inclined"), (40.0, 46.5, "look twice"), (40.0, 39.0, "1.0 deg less inclined")],
)
def test_an_unusual_difference_between_the_views_is_said(pelvis, hip, said):
    cues = {
        "ap_pelvis": [stage(inclination_to_teardrops_deg=pelvis)],
        "ap_hip": [stage(inclination_to_teardrops_deg=hip)],
    }
    sentence = words.both_views_sentence(cues)
    assert said in sentence
    assert ("look twice" in sentence) == (not 0 <= hip - pelvis <= 5)
    assert "no source" in sentence


def test_without_one_of_the_views_nothing_is_said_of_both():
    assert words.both_views_sentence({"ap_hip": [stage(inclination_to_teardrops_deg=40.0)]}) == ""
    assert words.both_views_sentence({}) == ""


def test_the_table_of_mistakes_marks_the_best_cue_and_what_cannot_be_read():
    rows = {text: cells for text, _, cells in words.mistake_rows([mistake()])}
    height = rows[words.CUE_WORDS["lower_rim_above_teardrops_mm"]][0]
    turn = rows[words.CUE_WORDS["inclination_deg"]][0]
    assert (height.text, height.told, height.plain, height.best) == ("+3.0", True, True, True)
    assert (turn.told, turn.best) == (False, False)
    assert 0.5 / READABLE["inclination_deg"].error < 1


def test_what_no_cue_tells_is_said_with_the_view_that_does():
    told = mistake()
    untold = mistake("facing_back", False, best_telling=0.3, other_view="inlet", other_view_telling=8.9)
    never = mistake("forward", False, best_telling=0.1, other_view="inlet", other_view_telling=0.8)
    sentences = words.mistake_sentences([told, untold, never], "ap_hip")
    assert len(sentences) == 2
    assert "no cue of the AP hip" in sentences[0]
    assert "inlet view shows it plainly" in sentences[0]
    assert "No other usual view shows it either" in sentences[1]


def test_every_mistake_and_cue_has_its_words():
    assert set(words.MISTAKE_WORDS) == set(words.SHORT_MISTAKES) == set(Mistake)
    assert set(words.CUE_WORDS) == set(words.SHORT_CUES) == set(READABLE)


@pytest.mark.parametrize(
    ("angles", "text"),
    [
        ((13.0, -30.0), "13 deg to the patient's left, 30 deg caudal"),
        ((-13.0, 5.0), "13 deg to the patient's right, 5 deg cranial"),
        ((0.0, 10.0), "10 deg cranial"),
        ((0.0, 0.0), "straight through the front (0 / 0)"),
    ],
)
def test_angles_in_words_follow_dicom_signs(angles, text):
    # PS3.3 C.8.7.5.1.2: primary positive to the patient's left, secondary positive to his head
    assert words.angle_words(*angles) == text


@pytest.mark.parametrize(
    ("facts", "said"),
    [
        (wall(), "not foreshortened"),
        (wall(within_reach=False, reading_over_wall=1.6), "too thick here, by the factor 1.60"),
        (wall(within_reach=False, reading_over_wall=0.8), "too thin here, by the factor 0.80"),
        (wall(off_grazing_deg=-6.2), "within 6 deg"),
        (wall(doubtful=True), "doubtful"),
        (wall(hidden=True), "don't read the wall off it"),
        (wall(reading_mm=7.5, reading_over_wall=1.5), "2.5 mm too thick"),
        (None, "no wall to be seen"),
    ],
)
def test_the_sentence_on_the_wall_says_what_is_doubtful(facts, said):
    assert said in words.wall_sentence(facts)


def test_the_table_of_the_wall_says_tolerance_and_what_overlaps():
    rows = dict(words.wall_rows(wall(), 50.0))
    assert rows["reads wrong by 1 mm when turned off"] == "left or right more than 20 deg; cranial or caudal 7 deg"
    assert rows["in the same beam"] == "12 mm of sacrum"
    assert rows["gap as a share of the 50 mm reamer's width"] == "10 %"


def test_cues_of_pictures_stand_side_by_side_with_a_dash_for_what_is_unknown():
    rows = words.reading_rows([{"medial_edge_to_teardrop_mm": -1.25, "rim_line_relation": "parallel"}, {}])
    by_words = {text: (unit, values) for text, unit, values in rows}
    assert by_words["edge lateral to the teardrop"] == ("mm", ["−1.2", "–"])
    assert by_words["rim and that line are"] == ("", ["parallel", "–"])
