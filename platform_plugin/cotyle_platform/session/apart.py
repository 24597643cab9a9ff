"""Long work in a process of its own: the page goes on answering, and what breaks there takes nothing along.

What the work needs is handed over, so that it is the same whether or not the case folder is still there. The child
gives way to the viewer: lower priority, and the system takes its memory first where memory runs out.
"""

from __future__ import annotations

import contextlib
import os
import pickle
import signal
import sys
import threading
import traceback
from collections.abc import Callable
from multiprocessing import get_context, parent_process
from multiprocessing.connection import Connection
from multiprocessing.process import BaseProcess
from pathlib import Path
from typing import Any

from cotyle.errors import InputError

Say = Callable[[str], None]
Work = Callable[[Any, Say], Any]

_LESS_URGENT = 5
"""Steps of Unix niceness: the page's own numbers come first."""
_FIRST_TO_GO = "500"
"""Of 1000 on Linux's scale of whose memory is taken first."""


class SupersededError(Exception):
    """The work was ended because newer work was asked for, or it was taken back."""


class Apart:
    """One piece of work at a time in a child process; a newer piece ends the one before."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._process: BaseProcess | None = None
        self._closed = False

    def do(self, work: Work, request: Any, say: Say) -> Any:
        """Have ``work(request, say)`` done and return its answer; blocks, so not for an event loop's thread.

        ``work`` is a function of a module; request and answer must be such as can be sent to another process.

        Raises
        ------
        InputError
            As ``work`` does; ``memory`` or ``work-ended`` where the child ended before it had answered.
        SupersededError
            If it was ended by newer work, or by :meth:`cancel`.
        """
        context = get_context("spawn")
        here, there = context.Pipe()
        process = context.Process(target=_child, args=(there,), name="cotyle-apart")
        with self._lock:
            self._end()
            if self._closed:
                raise SupersededError
            process.start()
            self._process = process
        there.close()
        try:
            return self._answer(process, here, (work, request), say)
        finally:
            process.kill()
            process.join()
            here.close()
            with self._lock:
                if self._process is process:
                    self._process = None

    def cancel(self) -> None:
        """End the work that is being done, if there is any."""
        with self._lock:
            self._end()

    def close(self) -> None:
        """End the work and take none any more."""
        with self._lock:
            self._closed = True
            self._end()

    def _end(self) -> None:
        if self._process is not None:
            self._process.kill()
            self._process = None

    def _answer(self, process: BaseProcess, pipe: Connection, asked: Any, say: Say) -> Any:
        try:
            _send(pipe, asked)
            while True:
                kind, content = _received(pipe)
                if kind == "words":
                    say(content)
                elif kind == "refused":
                    raise InputError(*content)
                else:
                    return content
        except (EOFError, OSError) as error:
            process.join()
            with self._lock:
                wanted = self._process is process
            if not wanted:
                raise SupersededError from error
            raise _ended(process.exitcode) from error


def _ended(code: int | None) -> InputError:
    """Return what is said of a child that ended without an answer."""
    if sys.platform != "win32" and code == -signal.SIGKILL:
        what = "the system ended this work, most likely because memory ran out"
        return InputError("memory", what, "Close other programs, then try again")
    return InputError("work-ended", f"this work ended before it was done (code {code})", "Try again")


def _child(pipe: Connection) -> None:
    """Do what is asked, as a process of its own."""
    _give_way()
    threading.Thread(target=_end_with_parent, daemon=True).start()
    work, request = _received(pipe)
    try:
        answer = ("done", work(request, lambda words: _send(pipe, ("words", words))))
    except InputError as error:
        answer = ("refused", (error.code, error.what, error.remedy))
    except MemoryError:
        answer = ("refused", ("memory", "there is not enough memory for this work", "Close other programs"))
    except Exception as error:
        traceback.print_exc()
        answer = ("refused", ("program", f"the program failed ({type(error).__name__}): our fault, not yours", ""))
    _send(pipe, answer)


def _give_way() -> None:
    with contextlib.suppress(ValueError):
        signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C is the viewer's to obey
    with contextlib.suppress(OSError, AttributeError):
        os.nice(_LESS_URGENT)
    with contextlib.suppress(OSError):
        Path("/proc/self/oom_score_adj").write_text(_FIRST_TO_GO)


def _end_with_parent() -> None:
    parent = parent_process()
    if parent is not None:
        parent.join()
        os._exit(1)


def _send(pipe: Connection, content: Any) -> None:
    """Send something; its arrays go as they are, uncopied."""
    parts: list[pickle.PickleBuffer] = []
    pipe.send((pickle.dumps(content, protocol=5, buffer_callback=parts.append), len(parts)))
    for part in parts:
        pipe.send_bytes(part.raw())


def _received(pipe: Connection) -> Any:
    head, count = pipe.recv()
    return pickle.loads(head, buffers=[pipe.recv_bytes() for _ in range(count)])
