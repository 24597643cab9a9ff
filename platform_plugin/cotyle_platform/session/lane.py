"""A thread that does one piece of work after another; of those that wait only the newest is done."""

from __future__ import annotations

import threading
from collections.abc import Callable

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
        while True:
            with self._changed:
                self._changed.wait_for(lambda: self._closed or self._waiting is not None)
                # each newer piece starts the quiet time anew
                while not self._closed and (work := self._waiting) is not None and self._quiet_s > 0.0:
                    if not self._changed.wait_for(lambda: self._closed or self._waiting is not work, self._quiet_s):  # noqa: B023
                        break
                if self._closed:
                    return
                work, self._waiting, self._busy = self._waiting, None, True
            try:
                if work is not None:
                    work()
            finally:
                with self._changed:
                    self._busy = False
                    self._changed.notify_all()
