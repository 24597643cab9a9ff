import os
import signal
import sys
import threading
import time

import numpy as np
import pytest
from cotyle.errors import InputError
from cotyle_platform.session.apart import Apart, SupersededError


@pytest.fixture
def apart():
    made = Apart()
    yield made
    made.close()


def silent(_):
    pass


def doubled(numbers, say):
    say("doubling")
    return 2 * numbers, os.getpid(), os.nice(0) if hasattr(os, "nice") else None


def refused(_, say):
    raise InputError("picture-sides", "nobody said which way", "Say it")


def killed(_, say):
    say("about to end")
    os.kill(os.getpid(), signal.SIGKILL)


def endless(_, say):
    say("waiting")
    time.sleep(600)


def begun(apart, outcomes):
    """Start endless work in a thread; returns the thread once the work is being done."""
    going = threading.Event()

    def run():
        try:
            apart.do(endless, None, lambda _: going.set())
        except Exception as error:
            outcomes.append(type(error))

    thread = threading.Thread(target=run)
    thread.start()
    assert going.wait(300)
    return thread


def test_work_is_done_by_a_process_that_gives_way_and_its_arrays_come_back_as_they_are(apart):
    words, numbers = [], np.arange(200_000, dtype=np.float32).reshape(-1, 2)
    answer, process, priority = apart.do(doubled, numbers, words.append)
    assert process != os.getpid()
    assert priority is None or priority > os.nice(0)
    assert words == ["doubling"]
    assert answer.dtype == np.float32
    assert np.array_equal(answer, 2 * numbers)


def test_what_the_work_refuses_is_refused_here(apart):
    with pytest.raises(InputError) as caught:
        apart.do(refused, None, silent)
    assert (caught.value.code, caught.value.remedy) == ("picture-sides", "Say it")


@pytest.mark.skipif(sys.platform == "win32", reason="there a killed process tells no reason")
def test_a_child_that_the_system_ends_for_want_of_memory_is_one_line(apart):
    with pytest.raises(InputError) as caught:
        apart.do(killed, None, silent)
    assert caught.value.code == "memory"
    assert "\n" not in str(caught.value)


def test_newer_work_ends_the_one_before_and_a_closed_one_takes_none(apart):
    first, second = [], []
    threads = [begun(apart, first), begun(apart, second)]
    threads[0].join(60)
    assert (first, second) == ([SupersededError], [])
    apart.close()
    threads[1].join(60)
    assert second == [SupersededError]
    with pytest.raises(SupersededError):
        apart.do(doubled, np.ones(1), silent)
