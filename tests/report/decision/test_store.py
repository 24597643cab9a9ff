"""Decisions in their case: the section of the report, and what of another plan is taken away."""

import pytest
from cotyle.case.decision.facts import decision_path, plan_digest, signed
from cotyle.case.decision.posture import posture_of
from cotyle.case.decision.questions import Questions
from cotyle.errors import InputError
from cotyle.report.decision.parts import PARTS, chosen_parts, figure_name, require_fit
from cotyle.report.decision.store import WorkedOut, store_decisions, stored_decisions
from cotyle.report.page_places import Place, with_place

from tests.case.decision.stand_ins import planned_cup

PAGE = "<p>before</p><!-- decisions -->\n<!-- end of decisions --><p>after</p>"
POSTURE = next(part for part in PARTS if part.name == "posture")


@pytest.fixture
def case(tmp_path):
    (tmp_path / "plan.json").write_text("{}")
    (tmp_path / "report.html").write_text(PAGE)
    return tmp_path


def worked_out(case, seed=1, **cup):
    facts = signed(posture_of(planned_cup(**cup), None, Questions(), seed), case, Questions(), seed)
    return WorkedOut(POSTURE, facts, {"tilt": b"a picture"})


def test_a_decision_stands_in_its_file_its_picture_and_the_report(case):
    html, gone = store_decisions(case, (worked_out(case, seed=7),))
    assert gone == ()
    assert html == (case / "report.html").read_text()
    assert html.startswith("<p>before</p>")
    assert html.endswith("<p>after</p>")
    assert "<h3>Posture</h3>" in html
    assert "Assumes:" in html
    assert (case / "figures" / "decision-posture-tilt.png").read_bytes() == b"a picture"
    kept = stored_decisions(case)["posture"].made
    assert (kept.seed, kept.plan_digest) == (7, plan_digest(case))
    assert "not a medical device" in kept.caution


def test_working_it_out_again_replaces_it(case):
    store_decisions(case, (worked_out(case),))
    html, _ = store_decisions(case, (worked_out(case, anteversion=9.0),))
    assert html.count("<h3>Posture</h3>") == 1
    assert "40 / 9" in html


def test_a_decision_of_another_plan_is_taken_away(case):
    store_decisions(case, (worked_out(case),))
    (case / "plan.json").write_text('{"changed": true}')
    assert stored_decisions(case) == {}
    html, gone = store_decisions(case, ())
    assert gone == ("posture",)
    assert html == PAGE
    assert not decision_path(case, "posture").exists()
    assert not list((case / "figures").glob("decision-*"))


def test_a_damaged_decision_is_taken_away(case):
    store_decisions(case, (worked_out(case),))
    decision_path(case, "posture").write_text('{"schema": "cotyle/posture", "version": 99}')
    assert store_decisions(case, ())[1] == ("posture",)


def test_parts_that_were_not_asked_for_stay(case):
    store_decisions(case, (worked_out(case),))
    html, gone = store_decisions(case, ())
    assert gone == ()
    assert "<h3>Posture</h3>" in html


def test_a_report_without_a_place_for_them_is_left_alone(case):
    (case / "report.html").write_text("<p>of an older version</p>")
    with pytest.raises(InputError, match="older version"):
        store_decisions(case, (worked_out(case),))
    assert not (case / "decision").exists()


def test_a_place_is_filled_without_touching_the_rest():
    page = "<!-- real pictures -->x<!-- end of real pictures -->" + PAGE
    filled = with_place(page, Place.DECISIONS, r"\1 <b>")
    assert r"\1 <b>" in filled
    assert filled.startswith("<!-- real pictures -->x<!-- end of real pictures -->")
    assert with_place(filled, Place.DECISIONS, "") == page


def test_parts_are_chosen_by_name_and_stand_in_their_order():
    assert [part.name for part in chosen_parts(["screws", "posture"])] == ["posture", "screws"]
    assert [part.name for part in chosen_parts(["screws,posture"])] == ["posture", "screws"]
    assert chosen_parts([]) == PARTS
    with pytest.raises(InputError, match="'colour'"):
        chosen_parts(["posture", "colour"])
    order = ["revision", "options", "posture", "motion", "tolerance", "screws", "bone"]
    names = [part.name for part in PARTS]
    assert names == sorted(names, key=order.index)


def test_every_part_names_its_schema_after_itself():
    for part in PARTS:
        assert part.facts.model_fields["schema_name"].default == f"cotyle/{part.name}"
        assert figure_name(part, "x") == f"decision-{part.name}-x"


def test_a_part_that_does_not_fit_is_refused_with_its_reason():
    from dataclasses import replace

    with pytest.raises(InputError, match="no metal in this hip"):
        require_fit([replace(POSTURE, unfit=lambda planned: "there is no metal in this hip")], planned_cup())
    require_fit([POSTURE], planned_cup())
