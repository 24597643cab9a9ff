"""What the page tells of decisions: every figure of an option against the plan's, which way is better, what to mind."""

from types import SimpleNamespace

import pytest
from cotyle.case.decision.decided import Decided
from cotyle.case.decision.facts import decision_path, signed
from cotyle.case.decision.options import LatitudeFact
from cotyle.case.decision.questions import Questions
from cotyle.case.measurements import Doubt
from cotyle.case.plan_file import PlanFile
from cotyle.cup.options.choice import Favours
from cotyle.cup.options.figures import Figures, dominates, gains
from cotyle.cup.options.trials import Bound
from cotyle.report.decision import told
from cotyle.report.decision.told import decided_in, decided_on, told_options, told_parts
from cotyle.space.side import Side
from hypothesis import given
from hypothesis import strategies as st

from tests.case.decision.option_stand_ins import FIGURES, cup, option, option_facts, tolerance_facts


def cells(row, options):
    return {column.name: cell for column, cell in zip(options.columns, row.cells, strict=True)}


def told_against(plan, *options, better=()):
    shown = told_options(option_facts(*options, plan=plan, better=better))
    return shown, [cells(row, shown) for row in shown.rows]


def test_each_figure_stands_with_its_difference_from_the_plan():
    shown, (row,) = told_against(cup(), option(cover=0.88, wall_least_mm=2.1, removed_ml=11.0, center_away_mm=3.0))
    assert (row["cover"].value, row["cover"].change, row["cover"].worth) == ("88", "+26", 1)
    assert (row["least wall"].value, row["least wall"].change, row["least wall"].worth) == ("2.1", "−0.9", -1)
    assert (row["bone taken"].change, row["bone taken"].worth) == ("+6.0", -1)
    assert (row["centre off"].change, row["centre off"].worth) == ("−1.0", 1)
    assert (row["wall, axis"].change, row["wall, axis"].worth) == ("0.0", 0)
    planned = cells(shown.plan, shown)
    assert (planned["cover"].value, planned["cover"].change) == ("62", "")
    assert planned["front / back wall"].value == "9.0 / 8.0"


def test_wall_beyond_what_is_enough_is_no_gain_and_its_loss_no_price():
    _, rows = told_against(cup(wall_least_mm=7.0), option(wall_least_mm=11.0), option(wall_least_mm=5.2))
    assert [row["least wall"].worth for row in rows] == [0, 0]
    assert rows[0]["least wall"].change == "+4.0"


def test_of_front_and_back_wall_the_thinner_one_counts():
    plan = cup(front_wall_mm=11.0, back_wall_mm=7.0)
    _, (row,) = told_against(plan, option(front_wall_mm=9.5, back_wall_mm=9.6))
    cell = row["front / back wall"]
    assert (cell.value, cell.change, cell.worth) == ("9.5 / 9.6", "+2.5", 1)


def test_what_must_be_minded_is_said_in_words():
    options = (
        option(Favours.COVER, reaches=(Bound.LEAST_WALL, Bound.LARGEST_RISE), leg=-6.0),
        option(Favours.HIGH_CENTER, beaten=True),
        option(Favours.BALANCE, breached=True),
    )
    shown, rows = told_against(cup(), *options, better=(0,))
    assert shown.rows[0].remarks == (
        "nowhere worse than the plan, somewhere better",
        "reaches the least wall and the largest rise",
        "leg 6 mm shorter",
    )
    assert [row.beats for row in shown.rows] == [True, False, False]
    assert shown.rows[1].remarks == ("another option beats it in all; shown to compare",)
    assert shown.rows[2].remarks == ("goes through the inner wall",)
    assert (rows[2]["least wall"].value, rows[2]["least wall"].change) == ("through", "")


def test_against_a_plan_that_goes_through_no_difference_of_walls_is_told():
    broken = cup(breached=True, wall_along_axis_mm=0.0, wall_least_mm=0.0)
    shown, (row,) = told_against(broken, option())
    assert shown.plan.remarks == ("goes through the inner wall",)
    assert (row["least wall"].value, row["least wall"].change, row["least wall"].worth) == ("3.0", "", 1)


def test_a_cup_is_told_by_size_head_angles_and_the_ways_it_was_moved():
    shown, _ = told_against(cup(leg=-2.04), option(size=54.0, angles=(41.4, -3.0), leg=1.0))
    assert shown.plan.cup == "52 / 36 mm; 40 / 18 deg; 4.0 medial, 2.0 up"
    assert shown.rows[0].cup == "54 / 36 mm; 41 / −3 deg; 4.0 medial, 1.0 down"


def test_how_far_a_hand_may_be_off_is_told_where_it_was_worked_out():
    stretch = LatitudeFact(
        medial_mm=(1.5, 3.0),
        superior_mm=(-0.5, 0.0),
        anterior_mm=(0.0, 0.0),
        inclination_deg=(38.0, 45.0),
        anteversion_deg=(-2.5, 15.0),
    )
    shown, _ = told_against(cup(), option().model_copy(update={"may_lie": stretch}), option())
    assert shown.rows[0].may_lie == ("1.5 to 3.0", "−0.5 to 0.0", "0.0", "38.0 to 45.0", "−2.5 to 15.0")
    assert len(shown.may_be_off) == 5
    assert shown.rows[1].may_lie == ()


shares, lengths = st.floats(0.3, 1.0), st.floats(0.5, 15.0)
some_figures = st.fixed_dictionaries(
    {name: shares if name.startswith("cover") else lengths for name in FIGURES if name != "rise_mm"}
)


@given(some_figures, some_figures)
def test_a_cup_that_beats_the_plan_in_all_has_no_price_and_one_that_is_beaten_has_no_gain(one, other):
    _, (row,) = told_against(cup(**other), option(**one))
    worth = [cell.worth for cell in row.values()]
    first, second = gains([Figures(**(FIGURES | one)), Figures(**(FIGURES | other))], enough_mm=5.0)
    if dominates(first, second):
        assert min(worth) >= 0
    if dominates(second, first):
        assert max(worth) <= 0


def test_each_part_is_told_by_its_lead_and_its_doubts():
    doubt = Doubt(code="tolerance-out-lying", text="In 12 of 100 procedures the cup ends outside.")
    facts = {
        "tolerance": tolerance_facts().model_copy(update={"doubts": (doubt,)}),
        "options": option_facts(option()),
    }
    parts = told_parts(Decided(PlanFile(side=Side.RIGHT), facts))
    assert [part.name for part in parts] == ["options", "tolerance"]
    assert "Stop 3.0 mm before the seat" in parts[1].lead
    assert parts[1].doubts == (doubt.text,)


def test_parts_are_worked_out_one_after_another_and_each_is_said(monkeypatch):
    made = []

    def part(name, unfit=""):
        return SimpleNamespace(
            name=name,
            words=f"doing {name}",
            unfit=lambda _: unfit,
            work_out=lambda *asked: made.append((name, *asked)) or name,
        )

    monkeypatch.setattr(told, "PARTS", (part("posture"), part("revision", unfit="no metal"), part("bone")))
    planned, said = SimpleNamespace(plan=PlanFile(side=Side.RIGHT)), []
    decided = decided_on(planned, "hip", Questions(), 3, said.append)
    assert said == ["doing posture (1 of 2)", "doing bone (2 of 2)"]
    assert decided.facts == {"posture": "posture", "bone": "bone"}
    assert made[0] == ("posture", planned, "hip", Questions(), 3)
    assert decided.plan is planned.plan


def test_what_stands_in_a_case_is_read_with_the_plan_it_belongs_to(tmp_path):
    plan = PlanFile(side=Side.RIGHT)
    plan.write(tmp_path / "plan.json")
    assert decided_in(tmp_path) is None
    signed(tolerance_facts(), tmp_path, Questions(), 1).write(decision_path(tmp_path, "tolerance"))
    decided = decided_in(tmp_path)
    assert decided.plan == plan
    assert decided.tolerance.stop.before_seat_mm == pytest.approx(3.0)
    assert decided.options is None
    PlanFile(side=Side.LEFT).write(tmp_path / "plan.json")
    assert decided_in(tmp_path) is None
