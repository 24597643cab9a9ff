"""A thread that does one piece of work after another; of those that wait only the newest is done."""

from __future__ import annotations

import sys
import threading
from collections.abc import Callable
from functools import partial

Work = Callable[[], None]


class Lane:
    """Work off the caller's thread: a newer piece takes the place of one that still waits.

    The thread starts with the first piece and is a daemon: an unfinished piece does not keep the program alive.
    """

    def __init__(self, name: str) -> None:
        self._name = name
        self._changed = threading.Condition()
        self._waiting: Work | None = None
        self._busy = self._closed = False
        self._quiet_s = 0.0
        self._thread: threading.Thread | None = None

    def ask(self, work: Work, quiet_s: float = 0.0) -> None:
        """Have a piece of work done once nothing newer was asked for ``quiet_s``; it handles its own errors."""
        with self._changed:
            if self._closed:
                return
            self._waiting, self._quiet_s = work, quiet_s
            if self._thread is None:
                self._thread = threading.Thread(target=self._run, name=f"cotyle-{self._name}", daemon=True)
                self._thread.start()
            self._changed.notify_all()

    def settle(self, timeout_s: float | None = None) -> bool:
        """Wait until nothing waits or is being done; return whether that came about in time."""
        with self._changed:
            return self._changed.wait_for(lambda: self._waiting is None and not self._busy, timeout_s)

    def close(self) -> None:
        """Drop what waits and end the thread after what it is doing."""
        with self._changed:
            self._closed, self._waiting = True, None
            self._changed.notify_all()

    def _run(self) -> None:
        while (work := self._next()) is not None:
            try:
                work()
            except Exception:
                # one failure must not end the lane: it is told as a thread's failure is, and the lane goes on
                threading.excepthook(threading.ExceptHookArgs((*sys.exc_info(), threading.current_thread())))
            finally:
                with self._changed:
                    self._busy = False
                    self._changed.notify_all()

    def _next(self) -> Work | None:
        """Wait for work that is due; None once the lane is closed."""
        with self._changed:
            while not self._closed:
                work = self._waiting
                # each newer piece starts its quiet time anew
                newer = self._changed.wait_for(partial(self._not_waiting_for, work), self._quiet_s if work else None)
                if not newer and work is not None:
                    self._waiting, self._busy = None, True
                    return work
            return None

    def _not_waiting_for(self, work: Work | None) -> bool:
        return self._closed or self._waiting is not work
