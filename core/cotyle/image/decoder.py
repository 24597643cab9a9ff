"""The child process that decodes compressed pixels; see :mod:`cotyle.image.decode_apart`.

Decoders are large C and C++ libraries that read what a stranger may have written. Here they may take only so much
memory, write no file, and crash without taking anything along. Imports nothing of Cotyle, so as to start quickly.

It reads one JSON document from its standard input, ``{"memory": bytes, "jobs": [{"path", "syntax", "frames"}]}``, and
answers each frame with a line of JSON, ``{"dtype", "shape"}`` or ``{"error": "codec" or "damaged"}``, and its bytes.
"""

from __future__ import annotations

import json
import os
import sys
import warnings
from collections.abc import Iterator, Sequence
from typing import Any, BinaryIO

import numpy as np
import numpy.typing as npt
import pydicom
from pydicom.pixels.utils import iter_pixels
from pydicom.uid import UID


def main() -> None:
    """Do what standard input asks for."""
    answers = os.fdopen(os.dup(1), "wb", buffering=1 << 16)
    os.dup2(2, 1)  # a library that prints must not write into the answers
    request = json.load(sys.stdin.buffer)
    _limit(int(request["memory"]))
    for job in request["jobs"]:
        _answer(job, answers)


def decode(path: str, syntax: str, frames: Sequence[int]) -> Iterator[npt.NDArray[Any]]:
    """Yield the stored pixels of frames of one file.

    Raises
    ------
    Exception
        Whatever the decoders raise.
    """
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        dataset = pydicom.dcmread(path, force=True)
        if "TransferSyntaxUID" not in dataset.file_meta:
            dataset.file_meta.TransferSyntaxUID = UID(syntax)
        yield from iter_pixels(dataset, indices=list(frames), raw=True)


def fault(error: Exception) -> str:
    """Return ``codec`` if no decoder is installed for it, else ``damaged``."""
    missing = "missing dependencies" in str(error) or isinstance(error, NotImplementedError)
    return "codec" if missing else "damaged"


def _answer(job: dict[str, Any], answers: BinaryIO) -> None:
    try:
        for pixels in decode(job["path"], job["syntax"], job["frames"]):
            head = {"dtype": pixels.dtype.str, "shape": pixels.shape}
            answers.write(json.dumps(head).encode() + b"\n")
            answers.write(np.ascontiguousarray(pixels).data)
            answers.flush()
    except Exception as error:  # decoders raise anything
        answers.write(json.dumps({"error": fault(error)}).encode() + b"\n")
        answers.flush()


def _limit(memory: int) -> None:
    """Allow so many bytes beyond what the process holds now, no file and no core dump; where the system can."""
    try:
        import resource
        from pathlib import Path

        pages = int(Path("/proc/self/statm").read_text().split()[0])
        held = pages * os.sysconf("SC_PAGE_SIZE")
    except (ImportError, OSError, ValueError):
        return
    for kind, most in (
        (resource.RLIMIT_AS, held + memory),
        (resource.RLIMIT_FSIZE, 0),
        (resource.RLIMIT_CORE, 0),
    ):
        _, hard = resource.getrlimit(kind)
        resource.setrlimit(kind, (most if hard == resource.RLIM_INFINITY else min(most, hard), hard))
