import pytest
from cotyle_platform.session.history import History, State
from hypothesis import given
from hypothesis import strategies as st


def state(number):
    return State(number, None)


def plans(history):
    """The plans that undo would bring back, the last one first, without changing anything for good."""
    found = []
    while history.can_undo:
        history.undo()
        found.append(history.state.plan)
    for _ in found:
        history.redo()
    return found


@given(st.integers(0, 8), st.integers(0, 8))
def test_undo_and_redo_walk_the_same_way(steps, back):
    history = History(state(0))
    for number in range(1, steps + 1):
        history.take(state(number))
    for _ in range(back):
        history.undo()
    assert history.state.plan == max(steps - back, 0)
    for _ in range(back):
        history.redo()
    assert history.state.plan == steps
    assert not history.can_redo


def test_a_new_change_ends_what_could_be_redone():
    history = History(state(0))
    history.take(state(1))
    history.undo()
    history.take(state(2))
    assert not history.can_redo
    assert plans(history) == [0]


def test_all_changes_of_a_drag_are_one_step():
    history = History(state(0))
    with history.one_step():
        history.take(state(1))
        with history.one_step():
            history.take(state(2))
        history.take(state(3))
    history.take(state(4))
    assert plans(history) == [3, 0]


def test_what_stands_apart_in_the_middle_of_a_drag_is_a_step_of_its_own():
    history = History(state(0))
    with history.one_step():
        history.take(state(1))
        history.take(state(2))
        history.take_apart(state(3))
        history.take(state(4))
    assert plans(history) == [3, 2, 0]
    with history.one_step():
        history.take_apart(state(5))
    assert plans(history) == [4, 3, 2, 0]


def test_a_drag_that_changes_nothing_is_no_step():
    history = History(state(0))
    with history.one_step():
        pass
    assert not history.can_undo


def test_a_drag_that_fails_keeps_what_it_did_as_one_step():
    history = History(state(0))

    def drag():
        with history.one_step():
            history.take(state(1))
            history.take(state(2))
            raise ValueError("hand")

    with pytest.raises(ValueError, match="hand"):
        drag()
    assert history.state.plan == 2
    assert plans(history) == [0]
