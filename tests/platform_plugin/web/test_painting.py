"""Views are drawn in turns: together what was asked for together, the one in hand first, numbers before pictures."""

import asyncio

import numpy as np
import pytest

pytest.importorskip("trame_rca", reason="the viewer's packages are not installed")

from cotyle_platform.web.painting import Turns, ViewPainter


class Window:
    """Stands for a view: counts how often it is drawn."""

    def __init__(self, log, name, size=(4, 3)):
        self._log, self._name, self._size = log, name, size

    @property
    def img_cols_rows(self):
        self._log.append(self._name)
        columns, rows = self._size
        return np.zeros((rows, columns, 3), dtype=np.uint8), columns, rows


def drawn(ask, seconds=0.3):
    async def run():
        turns, log = Turns(), []
        ask(turns, log)
        await asyncio.sleep(seconds)
        await turns.close()
        return log

    return asyncio.run(run())


def test_a_view_that_is_asked_for_again_before_its_turn_is_drawn_once():
    def ask(turns, log):
        painter = ViewPainter(turns, Window(log, "slice"))
        for _ in range(20):
            painter.schedule_render()

    assert drawn(ask) == ["slice"]


def test_the_view_under_the_pointer_comes_first():
    def ask(turns, log):
        painters = [ViewPainter(turns, Window(log, name)) for name in ("one", "two", "three")]
        turns.first = painters[2]
        for painter in painters:
            painter.schedule_render()

    assert drawn(ask) == ["three", "one", "two"]


def test_what_came_in_meanwhile_is_answered_between_two_pictures():
    def ask(turns, log):
        loop = asyncio.get_running_loop()
        for name in ("one", "two"):
            ViewPainter(turns, Window(log, name)).schedule_render()
        loop.call_soon(lambda: log.append("numbers"))

    assert drawn(ask) == ["numbers", "one", "two"]


def test_nothing_is_drawn_while_it_is_held_back():
    def ask(turns, log):
        turns.hold = lambda: True
        ViewPainter(turns, Window(log, "slice")).schedule_render()

    assert drawn(ask) == []


def test_pictures_reach_the_page_in_their_order_as_jpeg():
    sent = []

    def ask(turns, log):
        painter = ViewPainter(turns, Window(log, "slice", (32, 16)))
        painter.set_push_callback(lambda content, meta: sent.append((content, meta)))
        painter.schedule_render()

    drawn(ask)
    assert len(sent) == 1
    content, meta = sent[0]
    assert content.startswith(b"\xff\xd8\xff")  # start of a JPEG file (ITU-T T.81, B.1.1.3)
    assert (meta["w"], meta["h"]) == (32, 16)


def test_a_view_without_a_size_sends_nothing():
    sent = []

    def ask(turns, log):
        painter = ViewPainter(turns, Window(log, "slice", (0, 0)))
        painter.set_push_callback(lambda *picture: sent.append(picture))
        painter.schedule_render()

    assert drawn(ask) == ["slice"]
    assert sent == []
