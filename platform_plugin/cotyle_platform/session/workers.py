"""Who works off the caller's thread, and how results come back and are announced."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from cotyle.errors import InputError

from cotyle_platform.session.lane import Lane

Listener = Callable[[str, int], None]
Post = Callable[[Callable[[], None]], Any]


class Workers:
    """Lanes by name; ``post`` brings a result to the thread that makes changes, without it it is taken where it is."""

    def __init__(self, names: tuple[str, ...], post: Post | None, on_error: Callable[[str], None]) -> None:
        self._lanes = {name: Lane(name) for name in names}
        self._post, self._on_error = post, on_error
        self._listeners: list[Listener] = []
        self._closed = False

    def ask(self, lane: str, work: Callable[[], None], quiet_s: float = 0.0) -> None:
        """Have work done in a lane once nothing newer was asked there for ``quiet_s``; errors of input are told."""

        def guarded() -> None:
            try:
                work()
            except InputError as error:
                words = str(error)
                self.deliver(lambda: self._on_error(words))
            except Exception as error:
                name = type(error).__name__
                self.deliver(lambda: self._on_error(f"The program failed ({name}). The plan is as it was. [{lane}]"))
                raise

        self._lanes[lane].ask(guarded, quiet_s)

    def deliver(self, take: Callable[[], None]) -> None:
        """Bring a result home."""
        if self._closed:
            return
        if self._post is None:
            take()
        else:
            self._post(take)

    def subscribe(self, listener: Listener) -> Callable[[], None]:
        """Have every announcement; returns what ends it."""
        self._listeners.append(listener)
        return lambda: self._listeners.remove(listener) if listener in self._listeners else None

    def tell(self, kind: str, revision: int) -> None:
        """Announce something to all who listen."""
        for listener in tuple(self._listeners):
            listener(kind, revision)

    def settle(self, timeout_s: float | None, names: tuple[str, ...] = ()) -> bool:
        """Wait until no lane, or none of those named, has anything to do; return whether that came about in time."""
        settled = [self._lanes[name].settle(timeout_s) for name in names or tuple(self._lanes)]
        return all(settled)

    def close(self) -> None:
        """Announce nothing any more, and end the threads after what they are doing."""
        self._closed = True
        self._listeners.clear()
        for lane in self._lanes.values():
            lane.close()
