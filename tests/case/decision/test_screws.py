"""The facts on screws: what is proposed, what speaks against a screw that was asked for, and where quadrants fail."""

import pytest
from cotyle.case.decision.questions import Questions
from cotyle.case.decision.screws import PROPOSED_IN, ScrewFacts, screws_of
from cotyle.case.schema import validated
from cotyle.case.stages import hip_of
from cotyle.cup.screws.quadrants import Quadrant
from cotyle.errors import InputError
from cotyle.space.side import Side

from tests.case.decision.stand_ins import even_scan, model_case

SCAN = even_scan(300.0)


def facts(planned=None, **screws):
    content = {"schema": "cotyle/questions", "version": 1, "screws": screws}
    planned = planned or model_case()
    hip = hip_of(planned.anatomy, SCAN, planned.plan.side)
    return screws_of(planned, hip, validated(Questions, content, "questions of this test"), 1)


def words(found):
    return " ".join(doubt.text for doubt in found.doubts)


@pytest.fixture(scope="module")
def plain():
    return facts()


def test_screws_are_proposed_in_the_posterior_quadrants_alone(plain):
    assert {each.quadrant for each in plain.screws} <= set(PROPOSED_IN)
    assert all(each.proposed for each in plain.screws)
    best = next(each for each in plain.screws if each.quadrant is Quadrant.POSTERIOR_SUPERIOR)
    assert 20.0 < best.allowed_mm <= 50.0
    assert best.steady_mm <= best.safe_mm < best.exit_mm
    assert best.mean_hu == pytest.approx(300.0)


# below 20 mm in the posterior-inferior quadrant: Wasielewski et al. 1990
def test_a_posterior_inferior_screw_is_held_below_its_limit_and_an_anterior_one_is_never_allowed():
    places = [{"from_pole_deg": 60, "around_deg": 150}, {"from_pole_deg": 45, "around_deg": 315}]
    found = facts(screws=places, longest_posterior_inferior_mm=6.0)
    posterior, anterior = found.screws[:2]
    assert posterior.quadrant is Quadrant.POSTERIOR_INFERIOR
    assert posterior.steady_mm > 6.0
    assert posterior.allowed_mm == pytest.approx(6.0)
    assert anterior.quadrant is Quadrant.ANTERIOR_SUPERIOR
    assert anterior.allowed_mm == 0.0
    assert "Screw 2: it starts in the anterior-superior quadrant, in front of the external iliac" in words(found)


def test_a_screw_that_is_too_long_is_told_by_how_much(plain):
    best = plain.screws[0]
    place = {"from_pole_deg": best.from_pole_deg, "around_deg": best.around_deg}
    lengths = (best.exit_mm - 20.0 + 24.0, best.safe_mm + 0.5, best.steady_mm - 1.0)
    found = facts(screws=[{**place, "length_mm": min(length, 90.0)} for length in lengths if length <= 90.0])
    said = [doubt.text for doubt in found.doubts]
    for number, screw in enumerate((each for each in found.screws if not each.proposed), start=1):
        mine = [text for text in said if text.startswith(f"Screw {number}:")]
        assert screw.exit_mm == pytest.approx(best.exit_mm)
        if screw.asked_mm > screw.exit_mm:
            assert f"{screw.asked_mm - screw.exit_mm:.1f} mm" in mine[0]
        elif screw.asked_mm > screw.safe_mm:
            assert "keep the margins" in mine[0]
        elif screw.asked_mm <= screw.steady_mm:
            assert mine == []


def test_a_direction_back_into_the_joint_is_refused():
    away = {"from_pole_deg": 35, "around_deg": 60, "direction_lps": tuple(model_case().cup.opening_axis_lps)}
    with pytest.raises(InputError, match="screw-direction"):
        facts(screws=[away])


# published for half a diameter (teaching page after Wasielewski); a quarter is our choice
@pytest.mark.parametrize(("share", "warned"), [(0.1, False), (0.3, True)])
def test_a_high_centre_takes_the_trust_from_quadrants(share, warned):
    planned = model_case(rise_mm=share * model_case().socket.diameter_mm)
    found = facts(planned)
    assert found.rise_share == pytest.approx(share)
    assert ("quadrants-high-center" in {doubt.code for doubt in found.doubts}) is warned


def test_where_no_screw_is_steady_none_is_proposed(monkeypatch):
    monkeypatch.setattr("cotyle.case.decision.screws.best_place", lambda *_: None)
    found = facts()
    assert not found.screws
    assert "no-steady-screw" in {doubt.code for doubt in found.doubts}


def test_metal_in_the_hip_is_said_to_spoil_density():
    assert "screws-beside-metal" in {doubt.code for doubt in facts(model_case(metal=True)).doubts}


def test_both_sides_of_a_symmetric_pelvis_have_the_same_screws(plain):
    """The shape model's mean and its modes are symmetric but for the surface's own triangles."""
    other = facts(model_case(Side.RIGHT))
    for quadrant in Quadrant:
        here, there = plain.quadrants[quadrant], other.quadrants[quadrant]
        assert there.share_20_mm == pytest.approx(here.share_20_mm, abs=0.12)


def test_the_file_is_read_back_as_it_was_written(plain, tmp_path):
    plain.write(tmp_path / "screws.json")
    assert ScrewFacts.read(tmp_path / "screws.json").to_json() == plain.to_json()
