"""How far a planned hip moves, as facts: what is not known is said, never guessed."""

import numpy as np
import pytest
from cotyle.anatomy.segmentation.edge_confidence import Edge, EdgeConfidence
from cotyle.cup.motion.free_motion import First
from cotyle.errors import InputError

from tests.case.decision.moving_hip import STEM, codes, facts_of, limit, planned
from tests.cup.motion.model_leg import model_leg


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


def test_the_native_version_takes_off_how_the_leg_lay(known):
    assert known.femur.rotation_known == "from the native version"
    assert known.femur.neck_forward_deg == pytest.approx(20.0, abs=0.2)
    assert "motion-leg-as-it-lay" not in codes(known)


def test_a_head_that_no_cup_of_this_size_holds_is_refused():
    with pytest.raises(InputError, match="head-size"):
        facts_of(planned(), head_diameter_mm=70.0)


def test_without_stem_and_version_both_are_said_and_nothing_is_guessed():
    facts = facts_of(planned())
    assert facts.neck is None
    assert facts.map is None
    assert facts.postures["supine"].combined is None
    assert {"motion-stem-unknown", "motion-leg-as-it-lay"} <= codes(facts)
    assert all(each.neck is None for each in facts.postures["supine"].motions)
    assert facts.postures["supine"].stem_version_for_target_deg == pytest.approx((10.0, 35.0))


def test_a_missing_femur_is_said_and_the_neck_alone_counts():
    case = planned()
    del case.anatomy.surfaces["left_femur"]
    facts = facts_of(case, stem=STEM)
    assert facts.femur is None
    assert "no left femur" in next(each.text for each in facts.doubts if each.code == "motion-bone-unknown")
    assert limit(facts, "flexion").limit_deg == limit(facts, "flexion").neck.limit_deg


def test_a_femur_in_metal_and_one_cut_short_are_not_moved():
    for kind, words in ((Edge.METAL, "metal"), (Edge.OUTSIDE, "femur to")):
        case = planned()
        edges = case.anatomy.edges["left_femur"]
        height = model_leg().femur.vertices_lps_mm @ model_leg().hip.frame.superior
        low = height < height.max() - 100.0
        case.anatomy.edges["left_femur"] = EdgeConfidence(np.where(low, kind, Edge.CLEAR), edges.spread_mm)
        facts = facts_of(case)
        assert words in next(each.text for each in facts.doubts if each.code == "motion-bone-unknown")


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


def test_motions_that_bone_may_well_stop_too_early_are_named():
    facts = facts_of(planned(), motions=[{"name": "own", "move": "adduction", "wanted_deg": 38.2}])
    own = limit(facts, "own")
    assert 0.0 <= own.margin_deg < 2 * own.bone.sd_deg
    assert "own" in next(each.text for each in facts.doubts if each.code == "motion-bone-close")
    assert any(each.bone.at_cut for each in facts.postures["supine"].motions)
    assert "motion-at-the-cut" in codes(facts)
