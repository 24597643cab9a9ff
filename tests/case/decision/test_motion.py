"""How far a planned hip moves, as facts and as a page: what is not known is said, never guessed."""

import sys
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
from cotyle.anatomy.landmarks import APP_NAMES, Landmark, Origin
from cotyle.anatomy.pelvis import build_pelvis
from cotyle.anatomy.segmentation.edge_confidence import Edge, EdgeConfidence
from cotyle.anatomy.shapes.shape_model import load_shape_model
from cotyle.case.decision.motion import motion_of
from cotyle.case.decision.motion_facts import MotionFacts
from cotyle.case.decision.questions import Questions
from cotyle.case.plan_file import PlanFile, PostureChoice
from cotyle.case.schema import validated
from cotyle.cup.component import Cup
from cotyle.cup.motion.free_motion import First
from cotyle.cup.orientation import Definition, Orientation, axis_from_orientation
from cotyle.report.decision.motion_figure import motion_pictures
from cotyle.report.decision.motion_page import motion_page
from cotyle.space.shapes import Sphere
from cotyle.space.side import Side

ROOM = Path(__file__).parents[2] / "cup"
sys.path[:0] = [str(ROOM / "motion"), str(ROOM)]
from model_leg import clear, model_leg  # noqa: E402

STEM = {"version_deg": 15.0, "neck_shaft_deg": 130.0, "neck_diameter_mm": 12.0}


def planned(change_deg=0.0, measured=False):
    """A cup of 50 mm at 40/15 in the middle of a mean left socket, with what the part asks of a planned cup."""
    leg, model = model_leg(), load_shape_model()
    marks = model.landmarks(model.pelvis_vertices((0.0,)))
    pelvis = build_pelvis({name: Landmark(name, marks[name], Origin.DETECTED, 1.0) for name in APP_NAMES}, change_deg)
    axis = axis_from_orientation(Orientation(40.0, 15.0), Definition.RADIOGRAPHIC, pelvis.supine, Side.LEFT)
    anatomy = SimpleNamespace(
        surfaces={"left_hip_bone": leg.hip.bone, "left_femur": leg.femur},
        edges={"left_hip_bone": clear(leg.hip.bone), "left_femur": leg.edges},
        skeleton=SimpleNamespace(
            metal_cups={}, seeds=SimpleNamespace(socket=lambda side: SimpleNamespace(head=leg.head_seeds))
        ),
    )
    return SimpleNamespace(
        plan=PlanFile(side=Side.LEFT, posture=PostureChoice(standing_tilt_change_deg=change_deg, measured=measured)),
        pelvis=pelvis,
        cup=Cup(Side.LEFT, leg.hip.center, axis, 50.0),
        socket=SimpleNamespace(sphere=Sphere(leg.hip.center, leg.hip.diameter / 2), displaced=None),
        anatomy=anatomy,
    )


def facts_of(case, **motion):
    return motion_of(
        case, None, validated(Questions, {"schema": "cotyle/questions", "version": 1, "motion": motion}, "q"), 1
    )


def codes(facts):
    return {each.code for each in facts.doubts}


def limit(facts, name, posture="supine"):
    return next(each for each in facts.postures[posture].motions if each.name == name)


@pytest.fixture(scope="module")
def known():
    return facts_of(planned(), stem=STEM, native_version_deg=20.0, head_diameter_mm=32.0)


def test_the_neck_of_the_worked_cup_goes_as_far_as_worked(known):
    """Worked values of a cup at 40/15, stem 130/15, oscillation angle 135.95 (numpy, turned in steps)."""
    assert known.neck.oscillation_deg == pytest.approx(135.951, abs=1e-3)
    worked = {
        "flexion": 135.64,
        "extension": 62.79,
        "external_rotation": 63.63,
        "internal_rotation_at_90_flexion": 38.62,
    }
    for name, degrees in worked.items():
        assert limit(known, name).neck.limit_deg == pytest.approx(degrees, abs=0.01)


def test_each_motion_ends_at_the_lesser_of_neck_and_bone(known):
    for each in known.postures["supine"].motions:
        assert each.limit_deg == min(each.neck.limit_deg, each.bone.limit_deg)
        assert each.first is (First.NECK if each.neck.limit_deg <= each.bone.limit_deg else First.BONE)


def test_the_facts_come_back_from_their_file_and_the_page_tells_from_them_alone(known, tmp_path):
    known.write(tmp_path / "motion.json")
    back = MotionFacts.read(tmp_path / "motion.json")
    assert [each.name for each in back.postures["supine"].motions] == [
        each.name for each in known.postures["supine"].motions
    ]
    page = motion_page(back)
    assert "supine" in page.lead
    assert len(page.tiles) == 6
    assert {each.name for each in page.pictures} == set(motion_pictures(back, planned(), None))
    assert all(each.assumes for each in page.pictures)


def test_the_native_version_takes_off_how_the_leg_lay(known):
    assert known.femur.rotation_known == "from the native version"
    assert known.femur.neck_forward_deg == pytest.approx(20.0, abs=0.2)
    assert "motion-leg-as-it-lay" not in codes(known)


def test_without_stem_and_version_both_are_said_and_nothing_is_guessed():
    facts = facts_of(planned())
    assert facts.neck is None
    assert facts.map is None
    assert facts.postures["supine"].combined is None
    assert {"motion-stem-unknown", "motion-leg-as-it-lay"} <= codes(facts)
    assert all(each.neck is None for each in facts.postures["supine"].motions)
    assert facts.postures["supine"].stem_version_for_target_deg == pytest.approx((10.0, 35.0))
    page = motion_page(facts)
    assert "bone alone" in page.lead
    assert "map" not in {each.name for each in page.pictures}


def test_a_missing_femur_is_said_and_the_neck_alone_counts():
    case = planned()
    del case.anatomy.surfaces["left_femur"]
    facts = facts_of(case, stem=STEM)
    assert facts.femur is None
    assert "no left femur" in next(each.text for each in facts.doubts if each.code == "motion-bone-unknown")
    assert limit(facts, "flexion").limit_deg == limit(facts, "flexion").neck.limit_deg
    assert "the neck alone" in motion_page(facts).lead


def test_a_femur_in_metal_and_one_cut_short_are_not_moved():
    for kind, words in ((Edge.METAL, "metal"), (Edge.OUTSIDE, "femur to")):
        case = planned()
        edges = case.anatomy.edges["left_femur"]
        height = model_leg().femur.vertices_lps_mm @ model_leg().hip.frame.superior
        low = height < height.max() - 100.0
        case.anatomy.edges["left_femur"] = EdgeConfidence(np.where(low, kind, Edge.CLEAR), edges.spread_mm)
        facts = facts_of(case)
        assert words in next(each.text for each in facts.doubts if each.code == "motion-bone-unknown")
        assert "nothing is said of motion" in motion_page(facts).lead


def test_a_pelvis_that_stands_tilted_back_flexes_farther_by_as_much():
    facts = facts_of(planned(change_deg=-12.0, measured=True), stem=STEM)
    assert facts.posture == "standing"
    for kind in ("neck", "bone"):
        lying, standing = (getattr(limit(facts, "flexion", name), kind).limit_deg for name in ("supine", "standing"))
        assert standing - lying == pytest.approx(12.0, abs=0.1)


def test_a_motion_of_ones_own_is_followed_and_a_short_one_is_said():
    own = {"name": "deep_bow", "move": "flexion", "start": {"abduction_deg": 10.0}, "wanted_deg": 160.0}
    case = planned()
    case.anatomy.surfaces.pop("left_femur")
    facts = facts_of(case, stem=STEM, motions=[own])
    assert limit(facts, "deep_bow").short
    assert "motion-short-supine" in codes(facts)
    assert "deep bow" in motion_page(facts).lead
