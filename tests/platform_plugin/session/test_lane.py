"""Work off the caller's thread: in order, the newest of those that wait, and quiet time."""

import threading

from cotyle_platform.session.lane import Lane


def test_work_is_done_on_another_thread():
    lane, names = Lane("test"), []
    lane.ask(lambda: names.append(threading.current_thread().name))
    assert lane.settle(5)
    assert names == ["cotyle-test"]


def test_of_those_that_wait_only_the_newest_is_done():
    lane, done = Lane("test"), []
    begun, go_on = threading.Event(), threading.Event()

    def first():
        begun.set()
        go_on.wait(5)
        done.append(0)

    lane.ask(first)
    assert begun.wait(5)
    for number in (1, 2, 3):
        lane.ask(lambda number=number: done.append(number))
    go_on.set()
    assert lane.settle(5)
    assert done == [0, 3]


def test_work_that_waits_for_quiet_gives_way_to_newer_work():
    lane, done = Lane("test"), []
    lane.ask(lambda: done.append("old"), quiet_s=60.0)
    lane.ask(lambda: done.append("new"))
    assert lane.settle(5)
    assert done == ["new"]


def test_quiet_work_is_done_once_it_is_quiet():
    lane, done = Lane("test"), []
    lane.ask(lambda: done.append("done"), quiet_s=0.05)
    assert lane.settle(5)
    assert done == ["done"]


def test_the_lane_goes_on_after_an_error(monkeypatch):
    monkeypatch.setattr(threading, "excepthook", lambda _: None)
    lane, done = Lane("test"), []

    def fails():
        raise ValueError

    lane.ask(fails)
    lane.settle(5)
    lane.ask(lambda: done.append("next"))
    assert lane.settle(5)
    assert done == ["next"]


def test_nothing_is_done_once_it_is_closed():
    lane, done = Lane("test"), []
    lane.ask(lambda: done.append("late"), quiet_s=60.0)
    lane.close()
    lane.ask(lambda: done.append("later"))
    assert lane.settle(5)
    assert done == []
