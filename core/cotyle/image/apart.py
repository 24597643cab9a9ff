"""Work on a stranger's file in a child process with limits: what breaks or bloats there is one line here.

Decoders and image readers are large C and C++ libraries. In the child they may take only so much memory and time and
write no file, and a crash takes nothing along. The child is no sandbox against a file that takes control of it.

The child answers with lines of JSON, each followed by the bytes of an array if it speaks of one.
"""

from __future__ import annotations

import contextlib
import json
import os
import subprocess
import sys
import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from cotyle.errors import InputError
from cotyle.image.limits import require_voxels_within_limit

_LONGEST_LINE = 1_000_000
# a thread reserves address space, which counts against the limit and is plenty on machines of many cores
_ONE_THREAD = {
    "ITK_GLOBAL_DEFAULT_NUMBER_OF_THREADS": "1",
    "MALLOC_ARENA_MAX": "2",
    "OMP_NUM_THREADS": "1",
    "OPENBLAS_NUM_THREADS": "1",
}


class ChildDiedError(Exception):
    """The child ended before it had answered: by its limits, a crash, or with an answer that is none."""


def can_start_child() -> bool:
    """Whether this program is Python itself; an application that embeds it would start itself once more."""
    return "python" in Path(sys.executable or "").name.lower()


class Child:
    """A running child; use :func:`child`."""

    def __init__(self, process: subprocess.Popen[bytes]) -> None:
        self._process = process

    def answer(self, seconds: float) -> dict[str, Any]:
        """Return the next line of JSON, an object.

        Raises
        ------
        ChildDiedError
        """
        assert self._process.stdout is not None
        with self._deadline(seconds):
            line = self._process.stdout.readline(_LONGEST_LINE)
        try:
            head = json.loads(line)
        except (ValueError, RecursionError) as error:
            raise ChildDiedError from error
        if not isinstance(head, dict):
            raise ChildDiedError
        return head

    def volume(self, head: dict[str, Any], seconds: float) -> npt.NDArray[Any]:
        """Return the array of three axes that follows an answer.

        Raises
        ------
        ChildDiedError
        InputError
            ``image-too-large``.
        """
        try:
            shape = tuple(int(n) for n in head["shape"])
        except (ValueError, TypeError, KeyError) as error:
            raise ChildDiedError from error
        if len(shape) != 3 or min(shape) < 1:
            raise ChildDiedError
        require_voxels_within_limit(*shape)
        return self.array(head, shape, seconds)

    def array(self, head: dict[str, Any], shape: tuple[int, ...], seconds: float) -> npt.NDArray[Any]:
        """Return the array of numbers that follows an answer; of its description only the type is believed.

        Raises
        ------
        ChildDiedError
            Also if the answer speaks of another shape.
        """
        assert self._process.stdout is not None
        try:
            kind, said = np.dtype(str(head["dtype"])), tuple(int(n) for n in head["shape"])
        except (ValueError, TypeError, KeyError) as error:
            raise ChildDiedError from error
        if kind.kind not in "iuf" or said != shape:
            raise ChildDiedError
        array = np.empty(shape, dtype=kind)
        with self._deadline(seconds):
            got = self._process.stdout.readinto(array.reshape(-1).view(np.uint8).data)  # type: ignore[attr-defined]
        if got != array.nbytes:
            raise ChildDiedError
        return array

    @contextlib.contextmanager
    def _deadline(self, seconds: float) -> Iterator[None]:
        timer = threading.Timer(seconds, self._process.kill)
        timer.daemon = True
        timer.start()
        try:
            yield
        finally:
            timer.cancel()


def raise_refusal(head: dict[str, Any]) -> None:
    """Raise the InputError that an answer stands for, if it does."""
    if "code" in head:
        raise InputError(str(head["code"]), str(head.get("what")), str(head.get("remedy", "")))


@contextlib.contextmanager
def child(module: str, request: dict[str, Any]) -> Iterator[Child]:
    """Start a child that runs ``main`` of a module of this room with a request; it is ended with the block.

    Raises
    ------
    InputError
        ``memory`` if the system starts no further process.
    """
    try:
        process = subprocess.Popen(
            [sys.executable, "-P", "-c", f"from cotyle.image.{module} import main; main()"],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            env={**os.environ, **_ONE_THREAD, "PYTHONPATH": os.pathsep.join(path for path in sys.path if path)},
        )
    except OSError as error:
        what = "no process can be started to read the file in"
        raise InputError("memory", what, "Close other programs, or use a larger machine") from error
    try:
        assert process.stdin is not None
        with contextlib.suppress(OSError), process.stdin as pipe:  # a child that died is noticed on reading
            pipe.write(json.dumps(request).encode())
        yield Child(process)
    finally:
        process.kill()
        process.wait()
        assert process.stdout is not None
        process.stdout.close()
