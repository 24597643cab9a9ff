"""The child's side of :mod:`cotyle.image.apart`. Imports nothing heavy, so that a child starts quickly."""

from __future__ import annotations

import json
import os
import sys
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from cotyle.errors import InputError


class Answers:
    """Where a child writes its answers: what was its standard output, which libraries may no longer print to."""

    def __init__(self) -> None:
        self._pipe = os.fdopen(os.dup(1), "wb", buffering=1 << 16)
        os.dup2(2, 1)

    def send(self, head: dict[str, Any], array: npt.NDArray[Any] | None = None) -> None:
        """Write one answer and its array."""
        if array is not None:
            head = {**head, "dtype": array.dtype.str, "shape": array.shape}
        self._pipe.write(json.dumps(head).encode() + b"\n")
        if array is not None:
            self._pipe.write(np.ascontiguousarray(array).reshape(-1).view(np.uint8).data)
        self._pipe.flush()


def received_request() -> dict[str, Any]:
    """Return what the parent asks for."""
    request: dict[str, Any] = json.load(sys.stdin.buffer)
    return request


def refuse(answers: Answers, error: InputError) -> None:
    """Answer with an error that the parent is to raise; see :func:`cotyle.image.apart.raise_refusal`."""
    answers.send({"code": error.code, "what": error.what, "remedy": error.remedy})


def limit_memory(further_bytes: int) -> None:
    """Allow so many bytes beyond what the process holds now, no file and no core dump; where the system can."""
    try:
        import resource

        pages = int(Path("/proc/self/statm").read_text().split()[0])
        held = pages * os.sysconf("SC_PAGE_SIZE")
    except (ImportError, OSError, ValueError):
        return
    for kind, most in (
        (resource.RLIMIT_AS, held + further_bytes),
        (resource.RLIMIT_FSIZE, 0),
        (resource.RLIMIT_CORE, 0),
    ):
        _, hard = resource.getrlimit(kind)
        resource.setrlimit(kind, (most if hard == resource.RLIM_INFINITY else min(most, hard), hard))
