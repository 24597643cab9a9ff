import asyncio
import threading

import pytest
from cotyle.case.decision.facts import decision_path, signed
from cotyle.case.decision.questions import Questions
from cotyle.errors import InputError
from cotyle_platform.session import PlanningSession
from cotyle_platform.session.apart import SupersededError
from cotyle_platform.web.panels import Decisions
from trame_server import Server

from tests.platform_plugin.web.panels.decided_stand_in import decided_on, worked_on


@pytest.fixture
def decisions(desk):
    desk.session.settle()
    panel = Decisions(desk.server, desk.session)
    yield panel
    panel.close()


@pytest.fixture
def shown(desk, decisions, monkeypatch):
    """Decisions that were just worked out by a stand-in."""
    monkeypatch.setattr(decisions.apart, "do", lambda work, asked, say: worked_on(asked.planned.plan))
    decisions.start()
    return decisions


def rows(desk):
    return {row["letter"]: row for row in desk.state.decide["options"]["rows"]}


def test_nothing_is_shown_until_it_was_worked_out(desk, decisions):
    assert desk.state.decide is None
    assert not desk.state.decide_fresh
    decisions.take(0)
    decisions.put_beside(0)
    assert not desk.session.can_undo
    assert decisions.desk.kept is None


def test_what_was_worked_out_stands_with_gain_and_price_for_the_plan_as_it_is(desk, shown):
    assert desk.state.decide_fresh
    assert desk.state.decide_options_fresh
    assert desk.state.decide_now == "P"
    assert list(rows(desk)) == ["A", "B"]
    assert rows(desk)["A"]["beats"]
    assert rows(desk)["A"]["remarks"] == ("nowhere worse than the plan, somewhere better",)
    assert [part["name"] for part in desk.state.decide["parts"]] == ["options", "tolerance"]
    assert not desk.state.decide_busy


def test_an_option_becomes_the_plan_in_one_step_of_undo(desk, shown):
    before = desk.session.plan
    option = shown.desk.decided.options.options[0]
    shown.take(0)
    cup = desk.session.plan.cup
    assert cup.center_lps_mm == pytest.approx(option.center_lps_mm)
    assert cup.outer_diameter_mm == option.outer_diameter_mm
    assert (cup.orientation.inclination_deg, cup.orientation.anteversion_deg) == (43.0, 19.0)
    assert desk.session.numbers.cup.outer_diameter_mm == option.outer_diameter_mm
    assert desk.state.decide_now == "A"
    desk.session.undo()
    assert desk.session.plan == before
    assert not desk.session.can_undo
    assert desk.state.decide_now == "P"


def test_with_another_cup_the_options_stand_and_all_else_is_said_to_be_of_the_plan_before(desk, shown):
    desk.session.move(along_axis_mm=1.0)
    assert not desk.state.decide_fresh
    assert desk.state.decide_options_fresh
    assert desk.state.decide_now == ""
    shown.take(1)
    assert desk.state.decide_now == "B"
    desk.session.undo()
    desk.session.undo()
    assert desk.state.decide_fresh


def test_with_another_target_no_option_is_taken_and_that_is_said(desk, shown):
    desk.session.change(targets={"inclination_deg": 44.0})
    assert not desk.state.decide_options_fresh
    before = desk.session.plan
    shown.take(0)
    shown.put_beside(0)
    assert desk.session.plan == before
    assert shown.desk.kept is None
    assert "another plan" in desk.state.decide_message
    desk.session.undo()
    assert desk.state.decide_options_fresh


def test_an_option_is_put_beside_the_plan_and_taken_away_again(desk, shown):
    before = desk.session.plan
    shown.put_beside(1)
    assert desk.session.plan == before
    assert desk.state.decide_beside == "B"
    kept = shown.desk.kept
    assert kept.cup.center_lps_mm == pytest.approx(shown.desk.decided.options.options[1].center_lps_mm)
    shown.put_beside(0)
    assert desk.state.decide_beside == "A"
    shown.put_beside(0)
    assert desk.state.decide_beside == ""
    assert shown.desk.kept is None


def test_what_is_refused_is_one_line(desk, decisions, monkeypatch):
    def refuse(work, asked, say):
        raise InputError("memory", "memory ran out", "Close other programs")

    monkeypatch.setattr(decisions.apart, "do", refuse)

    async def run():
        decisions.start()
        assert desk.state.decide_busy
        await decisions._working

    asyncio.run(run())
    assert desk.state.decide_message == "memory ran out. Close other programs"
    assert not desk.state.decide_busy


class Slow:
    """Stands in for a child process that works until it is ended."""

    def __init__(self):
        self.ended, self.begun = threading.Event(), threading.Event()

    def do(self, work, asked, say):
        say("weighing cups (1 of 6)")
        self.begun.set()
        assert self.ended.wait(10)
        raise SupersededError

    def cancel(self):
        self.ended.set()

    def close(self):
        self.ended.set()


@pytest.mark.parametrize("changed", [True, False])
def test_a_changed_plan_ends_the_work_and_a_plan_told_otherwise_does_not(desk, decisions, changed):
    decisions.apart = slow = Slow()
    session = desk.session

    async def run():
        decisions.start()
        await asyncio.get_running_loop().run_in_executor(None, slow.begun.wait, 10)
        await asyncio.sleep(0)
        assert desk.state.decide_progress == "weighing cups (1 of 6)"
        if changed:
            session.move(along_axis_mm=0.5)
        else:
            session.show_angles(*session.angles_in)
        await asyncio.sleep(0.05)
        assert slow.ended.is_set() == changed
        slow.cancel()
        await decisions._working

    asyncio.run(run())
    assert not desk.state.decide_busy
    assert ("changed meanwhile" in desk.state.decide_message) == changed
    assert desk.state.decide is None
    if changed:
        session.undo()


@pytest.fixture
def decided_case(own_case):
    """A session of a case in which decisions stand, with its panel."""
    session = PlanningSession.open(own_case)
    for name, facts in decided_on(session.plan).facts.items():
        signed(facts, own_case, Questions(), 1).write(decision_path(own_case, name))
    session.settle()
    server = Server("decisions", vn_constructor=None)
    server.state.ready()
    panel = Decisions(server, session)
    yield panel
    panel.close()
    session.close()


def test_decisions_that_stand_in_a_case_are_shown_without_being_worked_out(decided_case):
    state = decided_case.server.state
    assert state.decide_fresh
    assert state.decide["in_case"]
    assert [row["letter"] for row in state.decide["options"]["rows"]] == ["A", "B"]


def test_what_was_worked_out_here_gives_way_only_to_what_belongs_to_the_plan(decided_case, monkeypatch):
    state, session = decided_case.server.state, decided_case.session
    session.move(along_axis_mm=1.0)
    session.settle()
    monkeypatch.setattr(decided_case.apart, "do", lambda work, asked, say: worked_on(asked.planned.plan))
    decided_case.start()
    assert state.decide_fresh
    assert not state.decide["in_case"]
    session.move(along_axis_mm=1.0)
    decided_case.open()
    assert not state.decide["in_case"]
    session.undo()
    session.undo()
    decided_case.open()
    assert state.decide["in_case"]
    assert state.decide_fresh


def test_a_whole_working_out_is_handed_over_and_comes_back(desk, decisions, monkeypatch):
    """What is asked holds the plan, its anatomy and the scan; the parts themselves have tests of their own."""
    from cotyle_platform.web.panels import deciding

    asked = []
    monkeypatch.setattr(deciding, "decided_on", lambda *given: asked.append(given) or decided_on(given[0].plan))
    full = desk.session.full
    said = []
    worked = deciding.worked_out(deciding.Asked(full.planned, desk.session.case.scan), said.append)
    planned, hip, questions, seed, say = asked[0]
    assert planned is full.planned
    assert hip.socket.center_lps_mm == pytest.approx(desk.session.hip.socket.center_lps_mm)
    assert (questions, seed) == (Questions(), 1)
    assert say == said.append
    assert worked.decided.stands_for(desk.session.plan)
    assert [row.letter for row in worked.options.rows] == ["A", "B"]
