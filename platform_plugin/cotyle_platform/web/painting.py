"""Drawing the platform's views in turns: numbers first, then pictures, the view in hand before the others.

Rendering holds Python's only thread for tens of milliseconds. So views do not render when something changes; they ask
for their turn, and between two pictures whatever came in from the page is answered first. A view that is asked for
several times meanwhile is drawn once, as it is then.
"""

from __future__ import annotations

import asyncio
import contextlib
import os
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from typing import Any

from trame_rca.encoders import RcaImageEncoder
from trame_slicer.views import ScheduledRenderStrategy

QUALITY = 88
"""Of JPEG pictures; grey steps of bone stay apart, and no second, better picture has to follow."""
BREATH_S = 0.002

Push = Callable[[bytes, dict[str, Any]], None]


class Turns:
    """Draws views one after another from a task of the event loop."""

    def __init__(self) -> None:
        self._waiting: dict[ViewPainter, None] = {}
        self._wake = asyncio.Event()
        self._encoders = ThreadPoolExecutor(max(2, os.cpu_count() or 2), thread_name_prefix="encode")
        self._task: asyncio.Task[None] | None = None
        self.first: ViewPainter | None = None
        """The view under the pointer; it is drawn before the others."""
        self.hold: Callable[[], bool] = lambda: False
        """Whether something that is to be shown before any picture is still under way."""

    def ask(self, painter: ViewPainter) -> None:
        """Draw a view when its turn comes."""
        self._waiting[painter] = None
        self._wake.set()
        if self._task is None:
            with contextlib.suppress(RuntimeError):  # before the loop runs; the first size of a view asks again
                self._task = asyncio.get_running_loop().create_task(self._draw())

    async def close(self) -> None:
        """End the task and the encoders."""
        if self._task is not None:
            self._task.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await self._task
        self._encoders.shutdown(wait=False, cancel_futures=True)

    async def _draw(self) -> None:
        loop = asyncio.get_running_loop()
        while True:
            await self._wake.wait()
            await asyncio.sleep(BREATH_S)
            while self.hold():
                await asyncio.sleep(BREATH_S)
            if not self._waiting:
                self._wake.clear()
                continue
            painter = self.first if self.first in self._waiting else next(iter(self._waiting))
            assert painter is not None
            del self._waiting[painter]
            frame = painter.grab()
            if frame is not None:
                done = loop.run_in_executor(self._encoders, encoded, *frame, time.time_ns())
                done.add_done_callback(painter.pushed)


class ViewPainter:
    """One view's place in the queue; what the remote area of the page calls its scheduler."""

    def __init__(self, turns: Turns, window: Any) -> None:
        self._turns, self.rca = turns, window
        self._push: Push | None = None
        self._last = 0
        self.target_fps = 30.0
        self.drawn = 0
        """Pictures drawn so far."""

    def set_push_callback(self, callback: Push) -> None:
        """Set what takes a finished picture."""
        self._push = callback

    def schedule_render(self) -> None:
        """Ask for a turn."""
        self._turns.ask(self)

    def reset(self) -> None:
        """Draw again for a page that was opened anew."""
        self.schedule_render()

    async def close(self) -> None:
        """Nothing of its own to end."""

    def grab(self) -> tuple[Any, int, int] | None:
        """Render and return the pixels with their columns and rows; None for a view without a size."""
        pixels, columns, rows = self.rca.img_cols_rows
        self.drawn += 1
        return (pixels, columns, rows) if columns and rows else None

    def pushed(self, done: asyncio.Future[tuple[bytes, dict[str, Any], int]]) -> None:
        """Hand a finished picture to the page, unless a newer one went already."""
        if done.cancelled() or done.exception() is not None or self._push is None:
            return
        content, meta, made = done.result()
        if made >= self._last:
            self._last = made
            self._push(content, meta)


class InTurn(ScheduledRenderStrategy):
    """Tells the platform's view to ask for a turn instead of rendering."""

    def __init__(self, painter: ViewPainter | None) -> None:
        super().__init__()
        self._painter = painter

    def schedule_render(self) -> None:
        """Ask for a turn."""
        if self._painter is not None:
            self._painter.schedule_render()


def encoded(pixels: Any, columns: int, rows: int, made: int) -> tuple[bytes, dict[str, Any], int]:
    """Return a picture as JPEG with what the page must know of it and when it was drawn (ns)."""
    content, meta, _ = RcaImageEncoder.JPEG.encode(pixels, columns, rows, QUALITY)
    return content, meta, made
